"""A second set-up, apart from the traced one: every sub-pixel followed back to the print, by formulae alone.

Bent mirrors, curled sheets and skewed prints; no Mitsuba, no resampled picture. `exact` finds the corners' places
another way (the stationary optical path) and so tests the drawing.
"""

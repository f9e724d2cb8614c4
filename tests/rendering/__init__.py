"""Rendered photographs with known truth: Mitsuba traces the scene, nothing of `align`'s own optics is used.

`spec` says what is photographed, `scene` builds it, `daylight` bakes the diffuse light, `trace` takes the
picture, `phone` finishes it as a phone would, `truth` writes down what was true. `decor` and `facades` are
the harbour-street diorama. Import it as `rendering` with `tests/` on the path (pytest sees to that).
"""

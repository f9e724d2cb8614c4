"""The colours of all pictures: told apart by every common kind of colour vision, and never the only sign.

Source: M. Okabe, K. Ito, Color Universal Design (2008). Each is (red, green, blue), 0 to 255.
"""

from __future__ import annotations

Colour = tuple[int, int, int]

BLUE: Colour = (0, 114, 178)
SKY_BLUE: Colour = (86, 180, 233)
GREEN: Colour = (0, 158, 115)
ORANGE: Colour = (230, 159, 0)
VERMILION: Colour = (213, 94, 0)
PURPLE: Colour = (204, 121, 167)
YELLOW: Colour = (240, 228, 66)
WHITE: Colour = (255, 255, 255)
BLACK: Colour = (0, 0, 0)
#: Type, lesser type, and faint surfaces on paper; the ground of strips below photos.
INK: Colour = (34, 34, 34)
GREY: Colour = (119, 119, 119)
PALE: Colour = (238, 238, 238)
DARK: Colour = (24, 24, 24)


def as_hex(colour: Colour) -> str:
    """ "#0072B2", as matplotlib, SVG and style sheets take a colour."""
    return "#{:02X}{:02X}{:02X}".format(*colour)

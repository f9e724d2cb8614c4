"""Planned scenes with troubles, and cures put to them."""

from __future__ import annotations

from align.planning.bodies import Box, panel
from align.planning.scene import Floor, Mirror, Scene, Thing, Viewers

#: The smallest scene file that can be planned.
SMALL = """\
name = "Small"
[floor]
x = [-100, 100]
y = [0, 300]
above_room_mm = 900
[mirror]
at = [0, 280]
width_mm = 150
height_mm = 100
[viewers]
x = [-200, 200]
y = [-900, -400]
"""


def make_scene(**more):
    parts = {
        "mirror": Mirror((0.0, 500.0), 240.0, 160.0, glass_mm=4.0),
        "floor": Floor((-350.0, 350.0, 0.0, 520.0), 900.0),
        "viewers": Viewers((-300.0, 300.0, -800.0, -400.0), (1000.0, 1500.0)),
    }
    return Scene("s", **{**parts, **more})


def troubled_scene():
    arch = (
        panel("left pier", (-150, 440), (-90, 440), 0, 200),
        panel("right pier", (90, 440), (150, 440), 0, 200),
        panel("lintel", (-90, 440), (90, 440), 120, 200),
    )
    socket = Thing("socket", "hide", Box("socket", (120.0, 444.0), (16.0, 6.0, 16.0), 80.0))
    cart = Thing("cart", "show", Box("cart", (-30.0, 380.0), (35.0, 40.0, 30.0)), solid=True, least_share=0.3)
    return make_scene(
        blockers=arch,
        things=(socket, cart),
        viewers=Viewers((-400.0, 400.0, -900.0, -400.0), (1000.0, 1500.0)),
    )

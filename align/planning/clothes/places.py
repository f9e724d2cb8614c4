"""From where a clothed scene is drawn: two places for the pictures, more along the viewers' area for the page."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..contents import mirror_seen
from ..eye import Eye, extent_of, eye_towards, frame_of
from ..scene import Scene

Array = NDArray[np.float64]

#: Places across the viewers' area on the page: odd, so that its middle is one.
STOPS = 7
#: An area less deep than this [mm] has one row of places.
_ONE_ROW_MM = 200.0
_MARGIN = 0.04


@dataclass(frozen=True)
class Place:
    """A standing place. words : what to call it; at_mm : (x, y); column, row : in the page's grid."""

    words: str
    at_mm: tuple[float, float]
    column: int = 0
    row: int = 0


def two_places(scene: Scene) -> tuple[Place, ...]:
    """The middle of the standing area, and of its front corners the one that sees more of the mirrors.

    An area that is one point has one place.
    """
    x0, x1, y0, y1 = scene.viewers.area_mm
    middle = Place("the middle of the standing area", ((x0 + x1) / 2, (y0 + y1) / 2))
    if (x0, y0) == (x1, y1):
        return (middle,)
    corners = [
        Place(f"the {side} end of the standing area, in front", (x, y1))
        for side, x in (("left", x0), ("right", x1))
    ]
    seen = [mirror_seen(scene, scene.eyes(np.array([corner.at_mm]))) for corner in corners]
    return (middle, corners[int(np.argmax(np.round(seen)))])


def stops(scene: Scene) -> tuple[Place, ...]:
    """Places of the page: STOPS across, in front and, where the area is deep, at the back too."""
    x0, x1, y0, y1 = scene.viewers.area_mm
    rows = [("in front", y1), ("at the back", y0)] if y1 - y0 >= _ONE_ROW_MM else [("", (y0 + y1) / 2)]
    xs = np.linspace(x0, x1, STOPS) if x1 > x0 else np.array([x0])
    return tuple(
        Place(", ".join(part for part in (_aside(float(x), x0, x1), words) if part), (float(x), y), column, row)
        for row, (words, y) in enumerate(rows)
        for column, x in enumerate(xs)
    )


def _aside(x: float, x0: float, x1: float) -> str:
    """`300 mm left of the middle`."""
    off = x - (x0 + x1) / 2
    return (
        "in the middle" if abs(off) < 0.5 else f"{abs(off):.0f} mm {'right' if off > 0 else 'left'} of the middle"
    )


def eye_at(scene: Scene, at_mm: tuple[float, float], height_mm: float) -> Eye:
    """An eye at a place, so high above the room's floor, that looks at the mirrors."""
    at = np.array([*at_mm, height_mm - scene.floor.height_mm])
    return eye_towards(at, np.asarray(np.mean([mirror.middle for mirror in scene.mirrors], axis=0)))


def window_of(scene: Scene, eye: Eye) -> tuple[Array, Array]:
    """The part of an eye's view that holds the whole scene."""
    points = eye.project(extent_of(scene))
    if np.isnan(points).all():
        return np.array([-0.5, -0.5]), np.array([0.5, 0.5])
    return frame_of(np.clip(points, -1.5, 1.5), _MARGIN)

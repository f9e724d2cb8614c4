"""The flat faces of a scene's bodies, each a rectangle with places (u, v) on it in millimetres."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..bodies import Box
from ..scene import Scene

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

#: Of the six sides of a box in its own frame: axis across which it lies, whether at its high end, axes of u and v.
SIDES = ((0, True, 1, 2), (0, False, 1, 2), (1, True, 0, 2), (1, False, 0, 2), (2, True, 0, 1), (2, False, 0, 1))
_TOP, _UNDERSIDE = 4, 5
#: An underside that lies no higher above the floor than this [mm] is seen by nobody.
_ON_THE_FLOOR_MM = 1.0


@dataclass(frozen=True, eq=False)
class Face:
    """One side of one body: its number and that of its side, and the body itself."""

    body: int
    side: int
    box: Box

    @property
    def size_mm(self) -> tuple[float, float]:
        """Its extents along u and v."""
        _, _, u, v = SIDES[self.side]
        size = self.box.size_mm
        return size[u], size[v]

    @property
    def area_mm2(self) -> float:
        """Its area."""
        return self.size_mm[0] * self.size_mm[1]

    @property
    def normal(self) -> Array:
        """(3,) outward unit normal in the scene."""
        axis, high, _, _ = SIDES[self.side]
        own = np.zeros(3)
        own[axis] = 1.0 if high else -1.0
        c, s = math.cos(self.box.turn), math.sin(self.box.turn)
        return np.array([c * own[0] - s * own[1], s * own[0] + c * own[1], own[2]])

    @property
    def side_name(self) -> str:
        """Which side it is as the viewers see it: front, back, left, right, top, underside."""
        if self.side >= _TOP:
            return "top" if self.side == _TOP else "underside"
        x, y, _ = self.normal
        if abs(y) >= abs(x):
            return "back" if y > 0 else "front"
        return "right" if x > 0 else "left"

    @property
    def name(self) -> str:
        """`fish warehouse, back`; the floor has one side only."""
        return self.box.name if self.box.name == "the floor" else f"{self.box.name}, {self.side_name}"

    def points(self, u: Array, v: Array) -> Array:
        """(n, 3) [mm] in the scene of places (n,) u and v."""
        axis, high, along, up = SIDES[self.side]
        own = np.empty((len(u), 3))
        own[:, axis] = (self.box.high if high else self.box.low)[axis]
        own[:, along], own[:, up] = self.box.low[along] + u, self.box.low[up] + v
        return self.box.from_own_frame(own)

    def places(self, points: Array) -> Array:
        """(n, 2) u and v of points (n, 3) of the scene."""
        _, _, along, up = SIDES[self.side]
        own = self.box.to_own_frame(points) - self.box.low
        return own[:, [along, up]]


def bodies_of(scene: Scene) -> list[Box]:
    """What photos show and what stops a line of sight: solids, the floor, and things with a size."""
    loose = (thing.body for thing in scene.things if not thing.solid and max(thing.body.size_mm) > 0.0)
    return [*scene.solids, *loose]


def faces_of(bodies: Sequence[Box]) -> list[Face]:
    """All faces that somebody might see: of the floor its top."""
    found = []
    for number, box in enumerate(bodies):
        for side in range(len(SIDES)):
            if box.name == "the floor" and side != _TOP:
                continue
            if side == _UNDERSIDE and box.base_mm <= _ON_THE_FLOOR_MM:
                continue
            found.append(Face(number, side, box))
    return found


def stands_on_floor(scene: Scene, box: Box) -> bool:
    """Whether a body stands on the scene's floor, at least in part: what does not is in no photo of the scene."""
    x0, x1, y0, y1 = scene.floor.area_mm
    low, high = box.corners.min(axis=0), box.corners.max(axis=0)
    return bool(low[0] < x1 and high[0] > x0 and low[1] < y1 and high[1] > y0)


def side_met(box: Box, points: Array) -> Ints:
    """(n,) which of the six sides points on a box lie on."""
    own = box.to_own_frame(points)
    off = [np.abs(own[:, axis] - (box.high if high else box.low)[axis]) for axis, high, _, _ in SIDES]
    return np.asarray(np.stack(off).argmin(axis=0))

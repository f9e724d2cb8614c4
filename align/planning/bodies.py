"""Upright boxes and panels: what blocks a view, and what may be seen. Frame and units as in `scene`."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

#: A panel is drawn as a line but blocks as a sheet this thick [mm]; thin card or plywood, no source.
PANEL_THICKNESS_MM = 1.0


@dataclass(frozen=True, eq=False)
class Box:
    """An upright box: a house, a pillar, a room. Turned about the vertical only.

    centre_mm : (x, y) of its middle; size_mm : (along its own x, along its own y, high)
    base_mm : its underside above the floor; turn : [rad] anticlockwise seen from above
    """

    name: str
    centre_mm: tuple[float, float]
    size_mm: tuple[float, float, float]
    base_mm: float = 0.0
    turn: float = 0.0
    is_panel: bool = False

    @property
    def low(self) -> Array:
        """(3,) [mm] lowest corner in the box's own frame (origin below its middle, on the floor)."""
        return np.array([-self.size_mm[0] / 2, -self.size_mm[1] / 2, self.base_mm])

    @property
    def high(self) -> Array:
        """(3,) [mm] highest corner in the box's own frame."""
        return np.array([self.size_mm[0] / 2, self.size_mm[1] / 2, self.base_mm + self.size_mm[2]])

    def to_own_frame(self, points: Array) -> Array:
        """Points (..., 3) [mm] of the scene in the box's own frame."""
        c, s = math.cos(self.turn), math.sin(self.turn)
        x, y = points[..., 0] - self.centre_mm[0], points[..., 1] - self.centre_mm[1]
        return np.stack([c * x + s * y, c * y - s * x, points[..., 2]], axis=-1)

    def from_own_frame(self, points: Array) -> Array:
        """Inverse of `to_own_frame`."""
        c, s = math.cos(self.turn), math.sin(self.turn)
        x, y = points[..., 0], points[..., 1]
        return np.stack(
            [c * x - s * y + self.centre_mm[0], s * x + c * y + self.centre_mm[1], points[..., 2]], axis=-1
        )

    @property
    def corners(self) -> Array:
        """(8, 3) [mm] corners in the scene's frame: four below (anticlockwise), four above."""
        (x0, y0, z0), (x1, y1, z1) = self.low, self.high
        ring = [(x0, y0), (x1, y0), (x1, y1), (x0, y1)]
        return self.from_own_frame(np.array([(x, y, z) for z in (z0, z1) for x, y in ring]))

    def overlaps(self, other: Box) -> bool:
        """Whether two upright boxes share any room; touching is not sharing.

        Two that do not are parted by a plane along a face of one of them (separating axes: Gottschalk, Lin,
        Manocha, OBBTree, SIGGRAPH 1996, from memory; for upright boxes their own axes are enough).
        """
        for own, corners in ((self, other.corners), (other, self.corners)):
            there = own.to_own_frame(corners)
            if np.any((there.max(axis=0) <= own.low + 1e-9) | (there.min(axis=0) >= own.high - 1e-9)):
                return False
        return True

    def cut_by(self, corners: Array) -> bool:
        """Whether a flat rectangle, (4, 3) [mm] corners in order, cuts into the box; touching is not cutting.

        As in `overlaps`, but the rectangle may lean: crosswise to an edge of each they may be parted as well.
        """
        own = self.to_own_frame(corners)
        edges = np.array([own[1] - own[0], own[3] - own[0]])
        axes = [*np.eye(3), np.cross(*edges), *(np.cross(edge, axis) for edge in edges for axis in np.eye(3))]
        box = self.to_own_frame(self.corners)
        for axis in axes:
            length = float(np.linalg.norm(axis))
            if length > 1e-9 * float(np.linalg.norm(edges)):  # else the edges are parallel
                there, here = own @ axis / length, box @ axis / length
                if there.max() <= here.min() + 1e-9 or there.min() >= here.max() - 1e-9:
                    return False
        return True


def panel(
    name: str, start_mm: tuple[float, float], end_mm: tuple[float, float], base_mm: float, top_mm: float
) -> Box:
    """An upright panel between two points of the floor, as a very thin box."""
    dx, dy = end_mm[0] - start_mm[0], end_mm[1] - start_mm[1]
    centre = ((start_mm[0] + end_mm[0]) / 2, (start_mm[1] + end_mm[1]) / 2)
    size = (math.hypot(dx, dy), PANEL_THICKNESS_MM, top_mm - base_mm)
    return Box(name, centre, size, base_mm, math.atan2(dy, dx), is_panel=True)


@dataclass(frozen=True, eq=False)
class Cutout:
    """Something that is no box, shown as an upright picture that faces whoever looks: a crane, a tree.

    foot_mm : (x, y, z) the middle of its lower edge; a plan's lines of sight pass it
    """

    name: str
    foot_mm: tuple[float, float, float]
    height_mm: float
    width_mm: float

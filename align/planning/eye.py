"""An eye and the way it looks: directions through the pixels of its view, and where points lie in that view."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .scene import Scene

Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Eye:
    """A viewer's eye and the way it looks. at_mm (3,); axes (3, 3): rows right, up, forward."""

    at_mm: Array
    axes: Array

    def project(self, points: Array) -> Array:
        """(n, 2) tangents of the angles right and up; nan behind the eye."""
        own = (points - self.at_mm) @ self.axes.T
        depth = np.where(own[:, 2] > 1.0, own[:, 2], np.nan)
        return np.asarray(own[:, :2] / depth[:, None])

    def rays(self, low: Array, high: Array, columns: int) -> tuple[Array, tuple[int, int]]:
        """(n, 3) directions through the middles of square pixels, rows from the top; (rows, columns)."""
        rows = max(1, round(columns * float((high[1] - low[1]) / (high[0] - low[0]))))
        x = low[0] + (np.arange(columns) + 0.5) / columns * (high[0] - low[0])
        y = high[1] - (np.arange(rows) + 0.5) / rows * (high[1] - low[1])
        u, v = np.meshgrid(x, y)
        return self.axes[2] + u.reshape(-1, 1) * self.axes[0] + v.reshape(-1, 1) * self.axes[1], (rows, columns)


def eye_towards(at: Array, target: Array) -> Eye:
    """An upright eye that looks at a point."""
    forward = (target - at) / np.linalg.norm(target - at)
    right = np.cross(forward, [0.0, 0.0, 1.0])
    right /= np.linalg.norm(right)
    return Eye(at, np.stack([right, np.cross(right, forward), forward]))


def frame_of(points: Array, margin: float) -> tuple[Array, Array]:
    """(2,), (2,) lower left and upper right of a view that holds points (n, 2), with so much room around."""
    low, high = np.nanmin(points, axis=0), np.nanmax(points, axis=0)
    pad = margin * float((high - low).max())
    return low - pad, high + pad


def extent_of(scene: Scene) -> Array:
    """(n, 3) [mm] the outermost points of a scene: floor, mirrors, all that blocks the view, cut-outs."""
    x0, x1, y0, y1 = scene.floor.area_mm
    floor = np.array([(x, y, 0.0) for x in (x0, x1) for y in (y0, y1)])
    tops = [np.add(cutout.foot_mm, (0.0, 0.0, cutout.height_mm)) for cutout in scene.cutouts]
    return np.vstack(
        [floor, *(mirror.corners for mirror in scene.mirrors), *(box.corners for box in scene.blockers), *tops]
    )

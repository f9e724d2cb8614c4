"""What is not flat or not exact about a sheet: its bow, curled edges and corners, and faults of its print.

Heights are above the floor that the sheet rests on: a curl rises from it and leaves the rest of the sheet lying
flat, so the floor is the plane that touches the sheet from below. A bow is even about the cut sheet's middle, so
that plane does not slope either, whether it is touched in the middle or at the edges.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from ..target.sheets import Sheet, corners_target
from .thresholds import PRINT_BOW_SD_MM, PRINT_RATIO_SD, PRINT_SHEAR_SD

Array = NDArray[np.float64]
Place = Literal["far", "near", "left", "right", "far left", "far right", "near left", "near right"]

#: Faults of a print in its plane: ratio of scales (x over y, less 1), shear, and quadratic shifts of columns and rows.
PRINT_PARAMETERS = ("ratio", "shear", "x_uu_mm", "x_uv_mm", "x_vv_mm", "y_uu_mm", "y_uv_mm", "y_vv_mm")
PRINT_SDS = np.array([PRINT_RATIO_SD, PRINT_SHEAR_SD, *(6 * [PRINT_BOW_SD_MM])])
#: Curls of the catalogue: lengths as shares of the sheet's depth (edges) or of its shorter side (corners), powers of
#: the rise, and directions of a corner's roll from the far-near axis [deg].
EDGE_SHARES, EDGE_POWERS = (0.25, 0.35, 0.45, 0.6, 0.8), (1.5, 2.0, 3.0)
CORNER_SHARES, CORNER_POWERS, CORNER_ANGLES_DEG = (0.3, 0.45, 0.6, 0.8), (1.5, 2.0, 3.0), (25.0, 45.0, 65.0)


@dataclass(frozen=True)
class Curl:
    """Paper that rises by (s / length)^power for each mm of lift, s mm past a line across `direction` (unit vector).

    onset_mm : of the line along the direction, from the target frame's origin.
    """

    place: Place
    direction: tuple[float, float]
    onset_mm: float
    length_mm: float
    power: float

    def heights(self, points: Array) -> Array:
        """(n,) heights at (n, 2+) places [mm per mm of lift]."""
        return np.asarray((self._past(points) / self.length_mm) ** self.power)

    def shortenings(self, points: Array) -> Array:
        """(n, 2) how far places move along the floor as the paper rises [mm per mm^2 of lift]: it bends, not stretches.

        Half the integral of the slope's square; the next term of the arc's length is below a micrometre.
        """
        share = self._past(points) / self.length_mm
        half = self.power**2 / (2 * (2 * self.power - 1) * self.length_mm) * share ** (2 * self.power - 1)
        return np.asarray(-half[:, None] * np.array(self.direction))

    def _past(self, points: Array) -> Array:
        return np.asarray(np.maximum(points[:, :2] @ np.array(self.direction) - self.onset_mm, 0.0))


@cache
def catalogue(sheet: Sheet) -> tuple[Curl, ...]:
    """The curls that are tried on a sheet: of its four edges and its four corners."""
    half, depth = sheet.width_mm / 2, sheet.depth_mm
    edges: tuple[tuple[Place, float, float, float, float], ...] = (
        ("far", 0.0, 1.0, 0.0, depth),
        ("near", 0.0, -1.0, depth, depth),
        ("right", 1.0, 0.0, half, sheet.width_mm),
        ("left", -1.0, 0.0, half, sheet.width_mm),
    )
    curls = [
        Curl(place, (x, y), edge - share * across, share * across, power)
        for place, x, y, edge, across in edges
        for share in EDGE_SHARES
        for power in EDGE_POWERS
    ]
    corners: tuple[tuple[Place, int, int], ...] = (
        ("far left", -1, 1),
        ("far right", 1, 1),
        ("near left", -1, -1),
        ("near right", 1, -1),
    )
    for place, x, y in corners:
        for angle in CORNER_ANGLES_DEG:
            direction = (x * math.cos(math.radians(angle)), y * math.sin(math.radians(angle)))
            reach = x * half * direction[0] + (0.0 if y > 0 else -depth) * direction[1]
            for share in CORNER_SHARES:
                length = share * min(sheet.width_mm, depth)
                curls += [Curl(place, direction, reach - length, length, power) for power in CORNER_POWERS]
    points = corners_target(sheet)
    return tuple(curl for curl in curls if curl.heights(points).max() > 0.01)


@cache
def catalogue_heights(sheet: Sheet) -> Array:
    """(corners, curls) heights of `catalogue` at the sheet's corners."""
    points = corners_target(sheet)
    return np.column_stack([curl.heights(points) for curl in catalogue(sheet)])


@cache
def print_shifts(sheet: Sheet) -> Array:
    """(corners, 2, 8) [mm] where each of PRINT_PARAMETERS moves the corners."""
    points = corners_target(sheet)
    half_x, half_y, centre_y = half_sizes(sheet)
    x, y = points[:, 0], points[:, 1] - centre_y
    u, v, none = x / half_x, y / half_y, np.zeros(len(points))
    bows = (u * u - 1 / 3, u * v, v * v - 1 / 3)
    shifts = [np.column_stack([x / 2, -y / 2]), np.column_stack([y, none])]
    shifts += [np.column_stack([bow, none]) for bow in bows] + [np.column_stack([none, bow]) for bow in bows]
    return np.stack(shifts, axis=2)


def half_sizes(sheet: Sheet) -> tuple[float, float, float]:
    """Half the squares' width and depth, and the y of their middle [mm]."""
    half_y = sheet.squares_y * sheet.square_mm / 2
    return sheet.squares_x * sheet.square_mm / 2, half_y, -sheet.contact_margin_mm - half_y

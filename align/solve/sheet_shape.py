"""What is not flat or not exact about a sheet: its bow, curled edges and corners, and faults of its print.

Heights are above the floor that the sheet rests on: a curl rises from it and leaves the rest of the sheet lying
flat, so the floor is the plane that touches the sheet from below. A bow is even about the cut sheet's middle, so
that plane does not slope either, whether it is touched in the middle or at the edges.

A sheet that nothing holds down rests on what is beneath its middle, where it weighs: if a curl began beyond, the
sheet would tip over onto it. So no curl is longer than that.

A board of the user's own is as a rule a picture, whose columns and rows of squares begin at whole dots: each of
them is off its place by itself, alike in the board and in its reflection. And it is as a rule stuck onto something:
it does not curl as loose paper does, but its bow is no parabola.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cache
from typing import Literal

import numpy as np
from numpy.polynomial import Legendre
from numpy.typing import NDArray

from ..target.sheets import Sheet, corners_target
from .thresholds import PRINT_BOW_SD_MM, PRINT_LINE_SD_MM, PRINT_RATIO_SD, PRINT_SHEAR_SD

Array = NDArray[np.float64]
Place = Literal["far", "near", "left", "right", "far left", "far right", "near left", "near right"]

#: Faults of a print in its plane: ratio of scales (x over y, less 1), shear, quadratic shifts of columns and rows.
PRINT_PARAMETERS = ("ratio", "shear", "x_uu_mm", "x_uv_mm", "x_vv_mm", "y_uu_mm", "y_uv_mm", "y_vv_mm")
PRINT_SDS = np.array([PRINT_RATIO_SD, PRINT_SHEAR_SD, *(6 * [PRINT_BOW_SD_MM])])
#: Curls of the catalogue: lengths as shares of the sheet's depth or width (edges) or of its shorter side (corners),
#: powers of the rise, and directions of a corner's roll from x [deg]. A power below 2 would be a crease: paper's
#: curvature is finite. Until curls that begin beyond the sheet's middle, and of a power of 1.5, were left out, a
#: small sheet with both edges up was taken for one with one edge up, and lean was off by up to a degree.
EDGE_SHARES, EDGE_POWERS = (0.2, 0.27, 0.35, 0.43, 0.5), (2.0, 2.5, 3.0)
CORNER_SHARES, CORNER_POWERS = (0.25, 0.35, 0.47, 0.62, 0.8), (2.0, 2.5, 3.0)
CORNER_ANGLES_DEG = (25.0, 38.0, 52.0, 65.0)
#: Between the catalogue's curls: steps of a curl's length (of its logarithm), power and direction [rad], each about
#: half the catalogue's, which the fit may take with a standard deviation of one; and the most and least of them.
VARIED = (0.12, 0.25, math.radians(6.5))
MOST_VARIED, LEAST_POWER = 2.0, 1.5
#: A curl is no longer than this many times the way from its edge or corner to the sheet's middle: a little more
#: than a sheet of even weight can have. A choice.
PAST_MIDDLE = 1.05
#: Parameters of one curl: its lift, and the three steps, each times the lift.
CURL_COLUMNS = 4


@dataclass(frozen=True)
class Curl:
    """Paper that rises by (s / length)^power for each mm of lift, s mm past a line across `direction` (a unit).

    onset_mm : of the line along the direction, from the target frame's origin; corner_mm : the corner that curls;
    most_longer : steps of VARIED by which it may be longer, at which it reaches the sheet's middle.
    """

    place: Place
    direction: tuple[float, float]
    onset_mm: float
    length_mm: float
    power: float
    corner_mm: tuple[float, float] = (0.0, 0.0)
    most_longer: float = math.inf

    def heights(self, points: Array) -> Array:
        """(n,) heights at (n, 2+) places [mm per mm of lift]."""
        return np.asarray((self._past(points) / self.length_mm) ** self.power)

    def columns(self, points: Array) -> Array:
        """(n, 4) heights, and how they change by VARIED: longer, of a higher power, a corner's direction."""
        changes = [
            (self.varied(*step).heights(points) - self.varied(*-step).heights(points)) / 2 for step in np.eye(3)
        ]
        return np.column_stack([self.heights(points), *changes])

    def varied(self, longer: float, steeper: float, turned: float) -> Curl:
        """The curl with another length, power and, of a corner, direction, in steps of VARIED."""
        longer, steeper, turned = np.clip((longer, steeper, turned), -MOST_VARIED, MOST_VARIED)
        length = self.length_mm * math.exp(VARIED[0] * longer)
        direction, reach = self.direction, self.onset_mm + self.length_mm
        if " " in self.place:
            angle = math.atan2(self.direction[1], self.direction[0]) + VARIED[2] * turned
            direction = (math.cos(angle), math.sin(angle))
            reach = float(np.dot(self.corner_mm, direction))
        power = max(self.power + VARIED[1] * steeper, LEAST_POWER)
        return replace(self, direction=direction, onset_mm=reach - length, length_mm=length, power=power)

    def shortenings(self, points: Array) -> Array:
        """(n, 2) how far places move along the floor as the paper rises [mm per mm^2 of lift].

        It bends and does not stretch: half the integral of the slope's square; the next term of the arc's length is
        below a micrometre.
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
            corner = (x * half, 0.0 if y > 0 else -depth)
            for length in (share * min(sheet.width_mm, depth) for share in CORNER_SHARES):
                if reach - length >= -depth / 2 * direction[1]:
                    curls += [
                        Curl(place, direction, reach - length, length, power, corner) for power in CORNER_POWERS
                    ]
    points = corners_target(sheet)
    return tuple(
        replace(curl, most_longer=_most_longer(curl, depth)) for curl in curls if curl.heights(points).max() > 0.01
    )


def _most_longer(curl: Curl, depth: float) -> float:
    """Steps of VARIED at which a curl reaches the middle of a sheet `depth` mm deep, and a little beyond."""
    to_middle = curl.onset_mm + curl.length_mm + depth / 2 * curl.direction[1]
    return math.log(PAST_MIDDLE * to_middle / curl.length_mm) / VARIED[0]


@cache
def catalogue_heights(sheet: Sheet) -> Array:
    """(corners, curls) heights of `catalogue` at the sheet's corners."""
    points = corners_target(sheet)
    return np.column_stack([curl.heights(points) for curl in catalogue(sheet)])


def print_sds(level: float, count: int = len(PRINT_SDS)) -> Array:
    """(count,) prior sd of the print's faults at a level, of which its two scales and its shear know nothing.

    A print that is drawn in slantwise is not bowed for it: the bows, which corners show well, must not vouch for
    the shear, which they hardly show. What is beyond PRINT_PARAMETERS are lines.
    """
    sds = np.append(PRINT_SDS, np.full(count - len(PRINT_SDS), PRINT_LINE_SD_MM))
    sds[2:] *= level
    return sds


def print_fault_count(sheet: Sheet) -> int:
    """How many faults a sheet's print may have: PRINT_PARAMETERS, and each line's shift on a board without markers.

    The project's own sheets are drawn as lines, to the printer's dot.
    """
    return len(PRINT_PARAMETERS) + (0 if sheet.has_markers else sum(sheet.corner_grid))


@cache
def print_shifts(sheet: Sheet) -> Array:
    """(corners, 2, faults) [mm] where each fault moves the corners; columns along x, rows along y."""
    points, (columns, rows) = corners_target(sheet), sheet.corner_grid
    shifts = []
    for line in range(0 if sheet.has_markers else columns + rows):
        number = np.arange(len(points))
        place = number % columns == line if line < columns else number // columns == line - columns
        shifts.append(np.outer(place, [1.0, 0.0] if line < columns else [0.0, 1.0])[:, :, None])
    return np.concatenate([print_shifts_at(sheet, points), *shifts], axis=2)


def print_shifts_at(sheet: Sheet, points: Array) -> Array:
    """(n, 2, 8) [mm] where each of PRINT_PARAMETERS moves (n, 2+) places of the print."""
    half_x, half_y, centre_y = half_sizes(sheet)
    x, y = points[:, 0], points[:, 1] - centre_y
    u, v, none = x / half_x, y / half_y, np.zeros(len(points))
    bows = (u * u - 1 / 3, u * v, v * v - 1 / 3)
    shifts = [np.column_stack([x / 2, -y / 2]), np.column_stack([y, none])]
    shifts += [np.column_stack([bow, none]) for bow in bows] + [np.column_stack([none, bow]) for bow in bows]
    return np.stack(shifts, axis=2)


@cache
def wave_heights(sheet: Sheet) -> Array:
    """(corners, waves) [mm] heights of a bow's further terms, none on a sheet with markers, which lies loose.

    Products of Legendre's polynomials of the third and fourth order in u, v = -1..1 over the squares: they have no
    mean plane, as the bow has none.
    """
    points = corners_target(sheet)
    half_x, half_y, centre_y = half_sizes(sheet)
    u, v = points[:, 0] / half_x, (points[:, 1] - centre_y) / half_y
    orders = [] if sheet.has_markers else [(i, order - i) for order in (3, 4) for i in range(order + 1)]
    heights = [Legendre.basis(i)(u) * Legendre.basis(j)(v) for i, j in orders]
    return np.column_stack([np.zeros((len(points), 0)), *heights])


def half_sizes(sheet: Sheet) -> tuple[float, float, float]:
    """Half the squares' width and depth, and the y of their middle [mm]."""
    half_y = sheet.squares_y * sheet.square_mm / 2
    return sheet.squares_x * sheet.square_mm / 2, half_y, -sheet.contact_margin_mm - half_y

"""A map of how flat a mirror is over its front view: what was measured, and what is extrapolated from it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from ..optics.geometry import convex_hull, inside_convex
from ..quantity import Quantity
from ..solve.forward_model import DIRECT
from ..solve.further_bend import further_bend
from ..solve.joint import Solution
from ..solve.reflection import hit_places
from ..solve.solution import SolvedBend
from ..target.sheets import Sheet, corners_target
from .thresholds import MAP_CELLS

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]
FlatVerdict = Literal["flat", "bent", "undetermined"]


@dataclass(frozen=True, eq=False)
class FlatnessMap:
    """Heights of a mirror's face over its mean plane, as its viewer faces it.

    right_mm : (columns,) to the right of the middle of the first photo's contact edge; up_mm : (rows,) from the
    floor along the mirror; height_mm, half_width_mm : (rows, columns) towards the viewer over the plane whose lean
    and turn are given, and half the 95 % interval; measured : (rows, columns) whether photos show the sheet there;
    outlines_mm : (n, 2) right and up, of what each photo shows; size_known : the map shows the whole mirror, whose
    size was stated; shifted_mm : how far its middle was taken to lie to the right, for all that was seen to lie on
    it; lowest_mm, highest_mm : of what was measured; slope_deg : the face's steepest there against the plane, at
    slope_at_mm; beyond_mm : half the widest interval elsewhere, None where there is no elsewhere; verdict : by the
    tolerance, of every slope that was measured.
    """

    right_mm: Array
    up_mm: Array
    height_mm: Array
    half_width_mm: Array
    measured: Mask
    outlines_mm: tuple[Array, ...]
    size_known: bool
    shifted_mm: float
    lowest_mm: Quantity
    highest_mm: Quantity
    slope_deg: Quantity
    slope_at_mm: tuple[float, float]
    beyond_mm: float | None
    verdict: FlatVerdict

    @property
    def measured_share(self) -> float:
        """How much of the map was measured, 0 to 1."""
        return float(self.measured.mean())

    @property
    def bow_mm_per_100(self) -> Quantity:
        """By how much a line that is reflected where the face is steepest leaves its way, over 100 mm of it."""
        ends = self.slope_deg.to_json().values()  # as it is stored, so that what is read back says the same
        value, low, high = (100 * math.tan(2 * math.radians(max(angle, 0.0))) for angle in ends)
        return Quantity(value, low, high)

    def to_json(self) -> dict[str, Any]:
        """All fields; heights to a tenth of a micrometre, places to a tenth of a millimetre."""
        return {
            "right_mm": _rounded(self.right_mm, 1),
            "up_mm": _rounded(self.up_mm, 1),
            "height_mm": _rounded(self.height_mm, 4),
            "half_width_mm": _rounded(self.half_width_mm, 4),
            "measured": self.measured.astype(int).tolist(),
            "outlines_mm": [_rounded(outline, 1) for outline in self.outlines_mm],
            "size_known": self.size_known,
            "shifted_mm": round(self.shifted_mm, 1),
            "measured_share": round(self.measured_share, 4),
            "lowest_mm": self.lowest_mm.to_json(),
            "highest_mm": self.highest_mm.to_json(),
            "slope_deg": self.slope_deg.to_json(),
            "slope_at_mm": _rounded(np.array(self.slope_at_mm), 1),
            "bow_mm_per_100": self.bow_mm_per_100.to_json(),
            "beyond_mm": None if self.beyond_mm is None else round(self.beyond_mm, 4),
            "verdict": self.verdict,
        }


def flatness_map(
    solution: Solution, number: int, sheet: Sheet, tolerance_deg: float, size_mm: tuple[float, float] | None
) -> FlatnessMap | None:
    """The map of one mirror; None where the solve took it for flat. size_mm : of the mirror, where it is known."""
    bend = solution.bend(number)
    if bend is None:
        return None
    mirror = solution.mirror(number)
    foot = -mirror.offset_mm * math.tan(mirror.lean_rad)  # where the floor meets the face
    hits = _hits(solution, number, sheet)
    low, high = np.concatenate(hits).min(axis=0), np.concatenate(hits).max(axis=0)
    middle = 0.0
    if size_mm is not None:
        reach = max(size_mm[0] / 2, (high[0] - low[0]) / 2)
        middle = float(np.clip(0.0, high[0] - reach, low[0] + reach))
        low, high = np.array([middle - reach, foot]), np.array([middle + reach, foot + size_mm[1]])
    columns, rows = _counts(high - low)
    right, up = (_cells(low[k], high[k], count) for k, count in ((0, columns), (1, rows)))
    places = np.column_stack([part.ravel() for part in np.meshgrid(right, up)])
    hulls = [convex_hull(hit) for hit in hits]
    measured = np.any([inside_convex(places, hull) for hull in hulls], axis=0)
    heights, halves = _heights(bend, places, solution.quantile)
    lowest, highest = _ends(heights[measured], halves[measured])
    tilts, sides = _slopes(bend, places[measured], solution.quantile)
    most = np.unravel_index(int(np.argmax(tilts)), tilts.shape)
    where = places[measured][most[0]]
    return FlatnessMap(
        right_mm=right,
        up_mm=up - foot,
        height_mm=heights.reshape(rows, columns),
        half_width_mm=halves.reshape(rows, columns),
        measured=measured.reshape(rows, columns),
        outlines_mm=tuple(hull - [0.0, foot] for hull in hulls),
        size_known=size_mm is not None,
        shifted_mm=middle,
        lowest_mm=lowest,
        highest_mm=highest,
        slope_deg=_around(float(tilts[most]), float(sides[most])),
        slope_at_mm=(float(where[0]), float(where[1] - foot)),
        beyond_mm=None if measured.all() else float(halves[~measured].max()),
        verdict=_verdict(tilts, sides, tolerance_deg),
    )


def _hits(solution: Solution, number: int, sheet: Sheet) -> list[Array]:
    """(n, 2) [mm] of each view of a mirror: where its corners are reflected, along the mirror's own axes."""
    state, points = solution.state, corners_target(sheet)
    parameters, index = state.vector[state.layout.mirror(number)], float(state.vector[state.layout.index])
    found = []
    for view in solution.views:
        if view.mirror == number and view.mirror != DIRECT:
            rotation, translation = state.scene_from_sheet(view.photo)
            lying = points[view.corner_ids] @ rotation.T + translation
            found.append(hit_places(lying, state.eye(view.photo), parameters, index))
    return found


def _counts(size: Array) -> tuple[int, int]:
    """How many columns and rows: cells about square, MAP_CELLS along the longer side."""
    columns, rows = (max(2, round(MAP_CELLS * float(side) / float(size.max()))) for side in size)
    return columns, rows


def _cells(low: float, high: float, count: int) -> Array:
    """Middles of cells that fill a stretch."""
    return np.asarray(low + (np.arange(count) + 0.5) * (high - low) / count)


def _heights(bend: SolvedBend, places: Array, quantile: float) -> tuple[Array, Array]:
    """Heights over the mean plane at places, and half their intervals."""
    basis, _ = bend.face.basis(places)
    further, _ = further_bend(bend.face, places, bend.curvature_per_mm)
    variance = np.einsum("np,pq,nq->n", basis, bend.covariance, basis) + (further**2).sum(axis=1)
    return np.asarray(basis @ bend.values), quantile * np.sqrt(np.maximum(variance, 0.0))


def _slopes(bend: SolvedBend, places: Array, quantile: float) -> tuple[Array, Array]:
    """(n, 2) sizes of the slopes across and up at places [deg], and half their intervals."""
    _, slopes = bend.face.basis(places)
    _, further = further_bend(bend.face, places, bend.curvature_per_mm)
    variance = np.einsum("nkp,pq,nkq->nk", slopes, bend.covariance, slopes) + (further**2).sum(axis=2)
    return np.abs(np.degrees(slopes @ bend.values)), quantile * np.degrees(np.sqrt(np.maximum(variance, 0.0)))


def _verdict(tilts: Array, sides: Array, tolerance_deg: float) -> FlatVerdict:
    if (tilts - sides > tolerance_deg).any():
        return "bent"
    return "flat" if (tilts + sides <= tolerance_deg).all() else "undetermined"


def _ends(heights: Array, halves: Array) -> tuple[Quantity, Quantity]:
    """The lowest and the highest of heights, with their intervals."""
    low, high = int(np.argmin(heights)), int(np.argmax(heights))
    return _around(float(heights[low]), float(halves[low])), _around(float(heights[high]), float(halves[high]))


def _around(value: float, half: float) -> Quantity:
    return Quantity(value, value - half, value + half)


def _rounded(values: Array, decimals: int) -> Any:
    return np.round(values, decimals).tolist()

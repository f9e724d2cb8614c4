"""From lean and turn to packing in millimetres. Pure arithmetic."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from ..optics.geometry import mirror_normal
from ..quantity import Quantity
from .result import MAX_PACKED_DEG, Shim, ShimSet
from .settings import Mount

Array = NDArray[np.float64]

#: Sheets that builders have at hand [mm]: office paper, card and styrene; common practice, no source.
COMMON_SHEETS_MM = (2.0, 1.5, 1.0, 0.75, 0.5, 0.25, 0.1)
SHEET_UNIT_MM = 0.05  # all of them are whole multiples
WALL_CORNERS = ("top_left", "top_right", "bottom_left", "bottom_right")


def packing_field(lean: float, turn: float, want_turn: float) -> tuple[float, float]:
    """Packing needed per mm to the right and per mm upwards on the mirror, to make it plumb and turned right.

    The true plane's height over the mirror's own face, along the face's normal: -(a u + b v) / c, where
    (a, b, c) is the wanted normal in the mirror's own axes u (right), v (up), n.
    """
    normal = mirror_normal(lean, turn)
    right = np.array([math.cos(turn), math.sin(turn), 0.0])
    up = np.cross(normal, right)
    wanted = mirror_normal(0.0, want_turn)
    facing = float(wanted @ normal)
    return -float(wanted @ right) / facing, -float(wanted @ up) / facing


def wall_packing(lean: float, turn: float, want_turn: float, width_mm: float, height_mm: float) -> Array:
    """(4,) [mm] packing behind WALL_CORNERS, the smallest being 0: packing can only be added."""
    per_right, per_up = packing_field(lean, turn, want_turn)
    places = np.array([[0, height_mm], [width_mm, height_mm], [0, 0], [width_mm, 0]], float)
    packing = places @ np.array([per_right, per_up])
    return np.asarray(packing - packing.min())


def stack_of(thickness_mm: float, slack_mm: float = 0.0) -> tuple[float, ...]:
    """The fewest common sheets within `slack_mm` of a thickness, else the nearest; thickest first, () for none."""
    units = [round(sheet / SHEET_UNIT_MM) for sheet in COMMON_SHEETS_MM]
    wanted = max(thickness_mm, 0.0) / SHEET_UNIT_MM
    bulk = max(0, math.floor(wanted / units[0]) - 2)  # whole thickest sheets; the rest is searched
    best: dict[int, tuple[int, ...]] = {0: ()}  # total -> the fewest sheets that make it
    for total in range(1, 4 * units[0]):
        ways = [(*best[total - unit], unit) for unit in units if total - unit in best]
        if ways:
            best[total] = min(ways, key=len)
    rest = wanted - bulk * units[0]
    slack = slack_mm / SHEET_UNIT_MM

    def preference(total: int) -> tuple[float, int, float]:
        off = round(abs(total - rest), 6)
        return max(off - slack, 0.0), len(best[total]), off

    nearest = min(best, key=preference)
    stack = sorted((*best[nearest], *[units[0]] * bulk), reverse=True)
    return tuple(COMMON_SHEETS_MM[units.index(unit)] for unit in stack)


def shims_for(
    angles: Array,
    covariance: Array,
    quantile: float,
    *,
    want_turn: float,
    mirror_size_mm: tuple[float, float] | None,
    mount: Mount,
) -> ShimSet:
    """The packing for a measured mirror, with intervals.

    Parameters
    ----------
    angles : (2,) lean, turn [rad]; covariance : (2, 2); quantile : half-width of the interval in sd;
    mirror_size_mm : (width, height) or None; mount : how it is held.
    """

    def measured(function: Callable[[float, float], float]) -> Quantity:
        return propagate(function, angles, covariance, quantile)

    lean, turn = float(angles[0]), float(angles[1])
    if abs(lean) > math.radians(MAX_PACKED_DEG):
        words = (
            f"packing cannot make up for {abs(math.degrees(lean)):.0f}° of lean: lay the sheet flat on the floor, "
            "or stand the mirror up"
        )
        return ShimSet("foot" if mount.kind == "foot" else "wall", (), words)
    too_far = ""
    if abs(turn - want_turn) > math.radians(MAX_PACKED_DEG):
        too_far = (
            f"packing cannot make up for {abs(math.degrees(turn - want_turn)):.0f}° of turn: turn the sheet's "
            "arrow to the mirror, hang the mirror anew, or name the turn that is wanted with --want-turn"
        )
        want_turn = turn
    if mount.kind == "foot" and mount.foot_depth_mm is not None:
        turn_by = too_far or _foot_turn(turn - want_turn, mirror_size_mm)
        return ShimSet("foot", _foot_shims(lean, mount.foot_depth_mm, measured), turn_by)
    if mirror_size_mm is None:
        shims = _shims_per_100(lean, turn, want_turn, measured)
        return ShimSet("per 100 mm", shims[:1] if too_far else shims, too_far)
    return ShimSet("wall", _wall_shims(lean, turn, want_turn, mirror_size_mm, measured), too_far)


Measure = Callable[[Callable[[float, float], float]], Quantity]


def _foot_shims(lean: float, depth_mm: float, measured: Measure) -> tuple[Shim, ...]:
    """Packing under the front or the rear edge of a foot."""
    side, sign = ("front", 1.0) if lean > 0 else ("rear", -1.0)
    raised = measured(lambda at_lean, _: sign * depth_mm * math.tan(at_lean))
    flat = Quantity(0.0, 0.0, 0.0)
    return tuple(shim_of(place, raised if place == side else flat) for place in ("front", "rear"))


def _shims_per_100(lean: float, turn: float, want_turn: float, measured: Measure) -> tuple[Shim, ...]:
    """Packing behind the low edge and the far edge, per 100 mm of the mirror's height and width."""
    vertical, by_height = ("behind_bottom", -100.0) if lean > 0 else ("behind_top", 100.0)
    sideways, by_width = ("behind_right", 100.0) if turn > want_turn else ("behind_left", -100.0)
    return (
        shim_of(
            f"{vertical}_per_100_height",
            measured(lambda at_lean, at_turn: by_height * packing_field(at_lean, at_turn, want_turn)[1]),
        ),
        shim_of(
            f"{sideways}_per_100_width",
            measured(lambda at_lean, at_turn: by_width * packing_field(at_lean, at_turn, want_turn)[0]),
        ),
    )


def _wall_shims(
    lean: float, turn: float, want_turn: float, mirror_size_mm: tuple[float, float], measured: Measure
) -> tuple[Shim, ...]:
    """Packing behind each corner, over the corner that needs least."""
    width, height = mirror_size_mm
    x, y = np.array([0, width, 0, width], float), np.array([height, height, 0, 0], float)
    lowest = int(np.argmin(wall_packing(lean, turn, want_turn, width, height)))

    def corner(place: int) -> Callable[[float, float], float]:
        def packing(at_lean: float, at_turn: float) -> float:
            per_right, per_up = packing_field(at_lean, at_turn, want_turn)
            return float((x[place] - x[lowest]) * per_right + (y[place] - y[lowest]) * per_up)

        return packing

    return tuple(shim_of(name, measured(corner(i))) for i, name in enumerate(WALL_CORNERS))


def propagate(
    function: Callable[[float, float], float], angles: Array, covariance: Array, quantile: float
) -> Quantity:
    """A function of lean and turn [rad] with the interval that their covariance gives it, to first order."""
    value = function(float(angles[0]), float(angles[1]))
    step = 1e-6
    gradient = np.array(
        [(function(*(angles + d)) - function(*(angles - d))) / (2 * step) for d in np.eye(2) * step]
    )
    half = quantile * math.sqrt(max(float(gradient @ covariance @ gradient), 0.0))
    return Quantity(value, value - half, value + half)


def shim_of(place: str, thickness: Quantity) -> Shim:
    """Packing at a place, with the stack of common sheets for it."""
    # No finer than the answer is known, nor than packing can be felt: a tenth of a millimetre.
    slack = min(max(thickness.half_width, 0.05), 0.1)
    return Shim(place, thickness, stack_of(thickness.value, slack) if thickness.value > 0.05 else ())


def _foot_turn(error: float, mirror_size_mm: tuple[float, float] | None) -> str:
    """How to turn the foot on the floor."""
    if abs(error) < 1e-9:
        return ""
    way = "clockwise" if error > 0 else "anticlockwise"
    width = mirror_size_mm[0] if mirror_size_mm else 100.0
    end = "left" if error > 0 else "right"
    over = "the mirror's width" if mirror_size_mm else "100 mm of width"
    return (
        f"turn the foot {way} seen from above: push its {end} end back by "
        f"{width * math.tan(abs(error)):.1f} mm over {over}"
    )

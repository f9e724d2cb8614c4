"""From lean and turn to packing in millimetres, and what the stacks of sheets leave. Pure arithmetic."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ..drawing.wording import decimals_of, number_text
from ..optics.geometry import lean_turn_of_normal, mirror_normal
from ..quantity import Quantity
from .result import Remainder, Shim, ShimSet
from .settings import Mount
from .stacks import Stock
from .thresholds import ASK_TURN_DEG, LEAST_SLACK_MM, MAX_PACKED_DEG, MOST_SLACK_MM

Array = NDArray[np.float64]

WALL_CORNERS = ("top_left", "top_right", "bottom_left", "bottom_right")


def packing_field(lean: float, turn: float, want_turn: float) -> tuple[float, float]:
    """Packing needed per mm to the right and per mm upwards on the mirror, to stand it upright and turned right.

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


@dataclass(frozen=True, eq=False)
class Measured:
    """Lean and turn of a mirror [rad] with their covariance; quantile : half-width of an interval in sd.

    want_turn : the turn that is wanted [rad]; stated : whether somebody named it.
    """

    angles: Array
    covariance: Array
    quantile: float
    want_turn: float = 0.0
    stated: bool = True

    @property
    def lean(self) -> float:
        """Lean [rad]."""
        return float(self.angles[0])

    @property
    def turn(self) -> float:
        """Turn [rad]."""
        return float(self.angles[1])

    def of(self, function: Callable[[float, float], float]) -> Quantity:
        """A function of lean and turn with its interval."""
        return propagate(function, self.angles, self.covariance, self.quantile)


def shims_for(
    measured: Measured,
    *,
    mirror_size_mm: tuple[float, float] | None = None,
    mount: Mount | None = None,
    stock_mm: Sequence[float] | None = None,
) -> ShimSet:
    """The packing for a measured mirror, with intervals.

    Parameters
    ----------
    mirror_size_mm : (width, height) or None; mount : how it is held, None: against a wall; stock_mm : the sheets
        at hand, None for the common ones
    """
    foot_depth_mm = None if mount is None else mount.foot_depth_mm
    if abs(measured.lean) > math.radians(MAX_PACKED_DEG):
        words = (
            f"packing cannot make up for {abs(math.degrees(measured.lean)):.0f}° of lean: lay the sheet flat on "
            "the floor, or stand the mirror up"
        )
        return ShimSet("wall" if foot_depth_mm is None else "foot", (), words)
    too_far, asks = _turned_too_far(measured)
    if too_far:
        measured = replace(measured, want_turn=measured.turn)
    stock = Stock() if stock_mm is None else Stock(stock_mm)
    if foot_depth_mm is not None:
        shims = _foot_shims(measured, foot_depth_mm, stock)
        given = sum(sum(shim.stack_mm) * (1 if shim.place == "front" else -1) for shim in shims)
        left = _left(measured.lean - math.atan(given / foot_depth_mm), measured, 0)
        turn_by = too_far or _foot_turn(measured.turn - measured.want_turn, mirror_size_mm)
        return ShimSet("foot", shims, turn_by, asks, Remainder(left, None))
    if mirror_size_mm is None:
        per_100 = _shims_per_100(measured)
        return ShimSet("per 100 mm", per_100[:1] if too_far else per_100, too_far, asks)
    shims = _wall_shims(measured, mirror_size_mm, stock)
    remaining = _remaining(measured, shims, mirror_size_mm)
    return ShimSet("wall", shims, too_far, asks, replace(remaining, turn_deg=None) if too_far else remaining)


def _turned_too_far(measured: Measured) -> tuple[str, bool]:
    """Why a turn is not packed, "" where it is; and whether the words ask if it is meant."""
    off = math.degrees(measured.turn - measured.want_turn)
    turn = math.degrees(measured.turn)
    side = "left" if off > 0 else "right"
    says = f"--want-turn {suggested_turn(measured.of(lambda _, turn: math.degrees(turn)))}"
    if not measured.stated and abs(off) > ASK_TURN_DEG:
        return (
            f"it stands {abs(off):.1f}° off square, its {side} edge nearer to you: if that is meant, say {says}; "
            "if not, turn the sheet's arrow to the mirror, or hang the mirror anew",
            True,
        )
    if measured.stated and abs(off) > ASK_TURN_DEG and abs(turn + math.degrees(measured.want_turn)) < ASK_TURN_DEG:
        nearer = "left" if turn > 0 else "right"
        return (
            f"the wanted turn seems to have the wrong sign: the mirror stands turned the other way, its {nearer} "
            f"edge nearer to you. If that is meant, say {says} (positive: the left edge is nearer)",
            True,
        )
    if abs(off) > MAX_PACKED_DEG:
        return (
            f"packing cannot make up for {abs(off):.0f}° of turn: turn the sheet's arrow to the mirror, hang the "
            f"mirror anew, or, if it is meant to stand so, say {says}",
            True,
        )
    return "", False


def suggested_turn(turn_deg: Quantity) -> str:
    """A measured turn as it may be named as wanted: to its own precision, and no finer than the hand hangs it."""
    text = number_text(turn_deg.value, decimals_of(turn_deg.half_width, 2)).replace("−", "-")
    return text.rstrip("0").rstrip(".") if "." in text else text


def _foot_shims(measured: Measured, depth_mm: float, stock: Stock) -> tuple[Shim, ...]:
    """Packing under the front or the rear edge of a foot."""
    side, sign = ("front", 1.0) if measured.lean > 0 else ("rear", -1.0)
    raised = measured.of(lambda at_lean, _: sign * depth_mm * math.tan(at_lean))
    flat = Quantity(0.0, 0.0, 0.0)
    return tuple(shim_of(place, raised if place == side else flat, stock) for place in ("front", "rear"))


def _shims_per_100(measured: Measured) -> tuple[Shim, ...]:
    """Packing behind the low edge and the far edge, per 100 mm of the mirror's height and width: no stacks."""
    want_turn = measured.want_turn
    vertical, by_height = ("behind_bottom", -100.0) if measured.lean > 0 else ("behind_top", 100.0)
    sideways, by_width = ("behind_right", 100.0) if measured.turn > want_turn else ("behind_left", -100.0)
    return (
        Shim(
            f"{vertical}_per_100_height",
            measured.of(lambda at_lean, at_turn: by_height * packing_field(at_lean, at_turn, want_turn)[1]),
        ),
        Shim(
            f"{sideways}_per_100_width",
            measured.of(lambda at_lean, at_turn: by_width * packing_field(at_lean, at_turn, want_turn)[0]),
        ),
    )


def _wall_shims(measured: Measured, mirror_size_mm: tuple[float, float], stock: Stock) -> tuple[Shim, ...]:
    """Packing behind each corner, over the corner that needs least; the stacks lie in one plane."""
    width, height = mirror_size_mm
    want_turn = measured.want_turn
    x, y = np.array([0, width, 0, width], float), np.array([height, height, 0, 0], float)
    lowest = int(np.argmin(wall_packing(measured.lean, measured.turn, want_turn, width, height)))

    def corner(place: int) -> Callable[[float, float], float]:
        def packing(at_lean: float, at_turn: float) -> float:
            per_right, per_up = packing_field(at_lean, at_turn, want_turn)
            return float((x[place] - x[lowest]) * per_right + (y[place] - y[lowest]) * per_up)

        return packing

    return with_corner_stacks({name: measured.of(corner(i)) for i, name in enumerate(WALL_CORNERS)}, stock)


def with_corner_stacks(thickness_mm: Mapping[str, Quantity], stock: Stock) -> tuple[Shim, ...]:
    """The packing of the four WALL_CORNERS with stacks that lie in one plane."""
    lowest = min(range(4), key=lambda corner: thickness_mm[WALL_CORNERS[corner]].value)
    # In the order of WALL_CORNERS the neighbour to the side differs in the last bit, the one above in the first.
    places = [WALL_CORNERS[lowest ^ other] for other in (1, 2, 3)]
    beside, above, across = (thickness_mm[place] for place in places)
    stacks = stock.corners(max(beside.value, 0.0), max(above.value, 0.0), slack_of(across))
    chosen = dict(zip(places, stacks, strict=True))
    return tuple(Shim(place, thickness_mm[place], chosen.get(place, ())) for place in WALL_CORNERS)


def _remaining(measured: Measured, shims: Sequence[Shim], mirror_size_mm: tuple[float, float]) -> Remainder:
    """Lean and turn of the mirror once the stacks are behind it: its face turns by the plane that they make."""
    top_left, top_right, bottom_left, bottom_right = (sum(shim.stack_mm) for shim in shims)
    width, height = mirror_size_mm
    per_right = (top_right - top_left + bottom_right - bottom_left) / (2 * width)
    per_up = (top_left - bottom_left + top_right - bottom_right) / (2 * height)
    normal = mirror_normal(measured.lean, measured.turn)
    right = np.array([math.cos(measured.turn), math.sin(measured.turn), 0.0])
    lean, turn = lean_turn_of_normal(normal - per_right * right - per_up * np.cross(normal, right))
    off = (turn - measured.want_turn + math.pi) % (2 * math.pi) - math.pi
    return Remainder(_left(lean, measured, 0), _left(off, measured, 1))


def _left(angle: float, measured: Measured, which: int) -> Quantity:
    """An angle that is left [deg], as uncertain as lean (0) or turn (1) was measured."""
    half = measured.quantile * math.sqrt(max(float(measured.covariance[which, which]), 0.0))
    return Quantity(math.degrees(angle), math.degrees(angle - half), math.degrees(angle + half))


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


def slack_of(thickness: Quantity) -> float:
    """How far a stack may be off: no finer than the answer is known, nor than packing can be felt [mm]."""
    return min(max(thickness.half_width, LEAST_SLACK_MM), MOST_SLACK_MM)


def shim_of(place: str, thickness: Quantity, stock: Stock) -> Shim:
    """Packing at a place by itself, with its stack."""
    needed = thickness.value > LEAST_SLACK_MM
    return Shim(place, thickness, stock.nearest(thickness.value, slack_of(thickness)) if needed else ())


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

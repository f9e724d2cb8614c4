"""Does an answer's verdict follow from its own numbers? An entry that somebody edited is not called true."""

from __future__ import annotations

from ..checking.result import CheckResult, MirrorResult
from ..quantity import Quantity
from .thresholds import CONTRADICTION_DEG


def contradiction_in(result: CheckResult) -> str:
    """How an answer contradicts itself, in words; "" where it does not."""
    if not result.mirrors:
        return "it is of no mirror"
    if not result.tolerance_deg > 0:
        return f"its tolerance is {result.tolerance_deg:g}°"
    for mirror in result.mirrors:
        if words := _numbers(mirror) or _verdict(mirror, result.tolerance_deg):
            return f"mirror {mirror.number}: {words}" if len(result.mirrors) > 1 else words
    return ""


def _numbers(mirror: MirrorResult) -> str:
    """A value that lies outside its own interval."""
    named: list[tuple[str, Quantity | None]] = [
        ("the lean", mirror.lean_deg),
        ("the turn", mirror.turn_deg),
        ("the gap", mirror.distance_mm),
        ("the glass's thickness", mirror.glass.thickness_mm),
        *(("the packing", shim.thickness_mm) for shim in mirror.shims.shims),
    ]
    for name, quantity in named:
        if quantity is not None and not quantity.low <= quantity.value <= quantity.high:
            return f"{name} lies outside its own interval"
    return ""


def _verdict(mirror: MirrorResult, tolerance_deg: float) -> str:
    """ "square" although the intervals do not lie within the tolerance."""
    if mirror.verdict != "square":
        return ""
    shift = mirror.turn_off_deg - mirror.turn_deg.value
    lean, turn = mirror.lean_deg, mirror.turn_deg
    ends = [
        ("lean", max(lean.low, lean.high, key=abs)),
        ("turn", max(turn.low + shift, turn.high + shift, key=abs)),
    ]
    for name, off in ends:
        if abs(off) > tolerance_deg + CONTRADICTION_DEG:
            return f'it says "square", but its {name} may be {off:.3g}° off, with a tolerance of {tolerance_deg:g}°'
    return ""

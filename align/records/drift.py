"""Has a mirror moved since it was last set? The difference of two checks, with its interval."""

from __future__ import annotations

import datetime
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from ..checking.result import MirrorResult
from ..quantity import Quantity

DriftVerdict = Literal["moved", "not moved", "cannot tell"]


@dataclass(frozen=True)
class Change:
    """How one angle changed from one check to another [deg], and whether that is more than chance."""

    name: Literal["lean", "turn"]
    change_deg: Quantity
    verdict: DriftVerdict


@dataclass(frozen=True)
class Drift:
    """How a mirror changed since the check that it is compared with.

    since : when that one's photo was taken; number : that entry's; checks : how many there are from it to the
    latest one; reset : it is the first after the mirror was set anew, else the first of all
    """

    since: datetime.datetime
    number: int
    checks: int
    reset: bool
    changes: tuple[Change, ...]

    @property
    def verdict(self) -> DriftVerdict:
        """ "moved" where either angle did, "not moved" where neither did."""
        verdicts = {change.verdict for change in self.changes}
        if "moved" in verdicts:
            return "moved"
        return "cannot tell" if "cannot tell" in verdicts else "not moved"


def drift_of(checks: Sequence[tuple[int, datetime.datetime, MirrorResult, float]]) -> Drift | None:
    """How the mirror changed since it was last set, as far as the checks show it; None with fewer than two.

    Parameters
    ----------
    checks : of one mirror, by time: entry number, when, how it stood, and the tolerance [deg]

    Notes
    -----
    The mirror counts as set anew between a check that found it out of true and a later one that finds it nearer
    to true by more than their intervals, and where another turn was wanted.
    """
    if len(checks) < 2:
        return None
    start = 0
    for place in range(1, len(checks)):
        if _set_anew(checks[place - 1][2], checks[place][2]):
            start = place
    if start == len(checks) - 1:
        return None
    number, since, first, _ = checks[start]
    _, _, last, tolerance = checks[-1]
    changes = (
        _change("lean", first.lean_deg, last.lean_deg, tolerance),
        _change("turn", first.turn_deg, last.turn_deg, tolerance),
    )
    return Drift(since, number, len(checks) - start, start > 0, changes)


def difference(later: Quantity, earlier: Quantity) -> Quantity:
    """later - earlier, the two independent: half-widths add by their squares (JCGM 100:2008 (GUM), 5.1.2)."""
    low = math.hypot(later.value - later.low, earlier.high - earlier.value)
    high = math.hypot(later.high - later.value, earlier.value - earlier.low)
    value = later.value - earlier.value
    return Quantity(value, value - low, value + high)


def _change(name: Literal["lean", "turn"], first: Quantity, last: Quantity, tolerance_deg: float) -> Change:
    """The change and its verdict.

    "moved" where the 95 % interval of the difference excludes 0: with even intervals that is |E_n| > 1, the E_n
    score of ISO 13528 (from memory) for two results with expanded uncertainties. A change that could be as large
    as the tolerance without being seen cannot be told.
    """
    found = difference(last, first)
    if found.low > 0 or found.high < 0:
        return Change(name, found, "moved")
    hidden = max(abs(found.low), abs(found.high))
    return Change(name, found, "cannot tell" if hidden > tolerance_deg else "not moved")


def _set_anew(before: MirrorResult, after: MirrorResult) -> bool:
    if before.want_turn_deg != after.want_turn_deg:
        return True
    if before.verdict != "out of square":
        return False
    want = before.want_turn_deg
    for first, last, wanted in (
        (before.lean_deg, after.lean_deg, 0.0),
        (before.turn_deg, after.turn_deg, want),
    ):
        change = difference(last, first)
        nearer = abs(last.value - wanted) < abs(first.value - wanted)
        if nearer and (change.low > 0 or change.high < 0):
            return True
    return False

"""Which sheets to stack for packing: the fewest that come near, and behind four corners such as lie in one plane.

Stacks chosen corner by corner twist the glass: three points lie in a plane, the fourth then misses it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from functools import lru_cache

from .thresholds import MORE_SHEETS, PLANAR_MM

#: Sheets that builders have at hand [mm]: office paper, card and styrene; common practice, no source.
COMMON_SHEETS_MM = (2.0, 1.5, 1.0, 0.75, 0.5, 0.25, 0.1)
#: Stacks are looked for in steps of this; sheets are counted in whole ones [mm].
STEP_MM = 0.01
#: Whole thickest sheets beyond so many are not searched but stacked.
SEARCHED_THICKEST = 4
#: How much farther off stacks are looked for when none near enough lie in one plane.
WIDER = 1.3

Stack = tuple[float, ...]


class Stock:
    """Thicknesses at hand, as many sheets of each as are needed.

    Parameters
    ----------
    sheets_mm : at least one thickness
    """

    def __init__(self, sheets_mm: Sequence[float] = COMMON_SHEETS_MM) -> None:
        self.sheets_mm = tuple(sorted(sheets_mm, reverse=True))
        self._units = tuple(max(1, round(sheet / STEP_MM)) for sheet in self.sheets_mm)

    def near(self, thickness_mm: float, reach_mm: float) -> list[Stack]:
        """For every total within reach of a thickness, the fewest sheets that make it; thickest first."""
        thickest = self._units[0]
        wanted = max(thickness_mm, 0.0) / STEP_MM
        bulk = max(0, math.floor(wanted / thickest) - SEARCHED_THICKEST + 2)
        rest = wanted - bulk * thickest
        reach = reach_mm / STEP_MM
        fewest = _fewest(self._units, math.ceil(rest + reach) + 1)
        found = []
        for total in range(max(0, math.ceil(rest - reach - 1)), len(fewest)):
            if fewest[total] is None:
                continue
            stack = (*[self.sheets_mm[0]] * bulk, *self._sheets(fewest, total))
            if abs(sum(stack) - thickness_mm) <= reach_mm + 1e-9:
                found.append(tuple(sorted(stack, reverse=True)))
        return found

    def _sheets(self, fewest: Sequence[tuple[int, int] | None], total: int) -> Stack:
        sheets = []
        while total > 0:
            step = fewest[total]
            assert step is not None
            sheets.append(self.sheets_mm[step[1]])
            total -= self._units[step[1]]
        return tuple(sheets)

    def nearest(self, thickness_mm: float, slack_mm: float = 0.0) -> Stack:
        """The fewest sheets within `slack_mm` of a thickness, of those the nearest; else the nearest."""
        within = self.near(thickness_mm, slack_mm) if slack_mm > 0 else []
        if within:
            return min(within, key=lambda stack: (len(stack), round(abs(sum(stack) - thickness_mm), 6)))
        reach = max(self.sheets_mm[-1] / 2, STEP_MM) + STEP_MM
        while True:
            found = self.near(thickness_mm, reach)
            if found:
                return min(found, key=lambda stack: (round(abs(sum(stack) - thickness_mm), 6), len(stack)))
            reach *= 2

    def corners(self, first_mm: float, second_mm: float, slack_mm: float) -> tuple[Stack, Stack, Stack]:
        """Stacks for two corners beside the one that needs nothing, and for the one across from it.

        They lie in one plane with the corner of nothing, and have the fewest sheets that do within the slack, of
        those the nearest. Where that takes more than `MORE_SHEETS` above the fewest corner by corner, they are the
        nearest of no more sheets than these.

        Parameters
        ----------
        first_mm, second_mm : packing of the two corners; across it is their sum
        """
        across_mm = first_mm + second_mm
        wanted = (first_mm, second_mm, across_mm)
        most = sum(len(self.nearest(thickness, slack_mm)) for thickness in wanted) + MORE_SHEETS
        reach = slack_mm
        best = self._planar(wanted, reach, most, lambda sheets, off: (sheets, off))
        while best is None:
            reach *= WIDER
            best = self._planar(wanted, reach, most, lambda sheets, off: (off, sheets))
        return best

    def _planar(
        self,
        wanted: tuple[float, float, float],
        reach_mm: float,
        most: int,
        rank: Callable[[int, float], tuple[float, float]],
    ) -> tuple[Stack, Stack, Stack] | None:
        """Stacks in one plane within reach of what is wanted, at most so many sheets, the first by rank; or None.

        rank : of the number of sheets and the sum of squares by which they are off [mm^2]
        """
        first, second, across = (self.near(thickness, reach_mm) for thickness in wanted)
        by_total = [(sum(stack), stack) for stack in across]
        best: tuple[tuple[float, float], tuple[Stack, Stack, Stack]] | None = None
        for one in first:
            for other in second:
                level = sum(one) + sum(other)
                for total, stack in by_total:
                    sheets = len(one) + len(other) + len(stack)
                    if sheets > most or abs(total - level) > PLANAR_MM + 1e-9:
                        continue
                    off = (sum(one) - wanted[0]) ** 2 + (sum(other) - wanted[1]) ** 2 + (total - wanted[2]) ** 2
                    ranked = rank(sheets, round(off, 9))
                    if best is None or ranked < best[0]:
                        best = ranked, (one, other, stack)
        return None if best is None else best[1]


@lru_cache(maxsize=64)
def _fewest_within(units: tuple[int, ...], most: int) -> tuple[tuple[int, int] | None, ...]:
    """For every total up to `most`: (how few sheets make it, which is one of them); None where none do."""
    fewest: list[tuple[int, int] | None] = [(0, -1)]
    for total in range(1, most + 1):
        ways = [
            (before[0] + 1, number)
            for number, unit in enumerate(units)
            if unit <= total and (before := fewest[total - unit]) is not None
        ]
        fewest.append(min(ways) if ways else None)
    return tuple(fewest)


def _fewest(units: tuple[int, ...], most: int) -> tuple[tuple[int, int] | None, ...]:
    """As `_fewest_within`, worked out for round numbers of steps so that it is kept."""
    return _fewest_within(units, 200 * math.ceil(max(most, 1) / 200))[: most + 1]

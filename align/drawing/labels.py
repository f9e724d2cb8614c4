"""Places for labels on a picture: near what they name, on the picture, never one over another. No drawing.

The numbers of a plan have a placer of their own (`planning.pictures.number_places`): discs of one size among exact
convex shapes on a page, all known beforehand, so that the most hemmed in goes first. Here boxes as wide as their
words go over a photo, whose things are known as samples, in the order of what matters.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .thresholds import APART, COST_OF_COVERING, COST_OF_CROSSING, COST_OF_HIDING, UNIT_SHARE

Array = NDArray[np.float64]
#: A straight line from one place to another [px].
Pointer = tuple[tuple[float, float], tuple[float, float]]

#: Gaps tried between a label and what it names, in these units, nearest first.
GAPS = (0.35, 0.8, 1.4, 2.2, 3.2, 4.5, 6.0, 8.0, 11.0)
DIRECTIONS = 32
#: Lines are known on a grid of this many cells across the picture.
CELLS_ACROSS = 64


@dataclass(frozen=True)
class Box:
    """An upright rectangle [px]."""

    left: float
    top: float
    right: float
    bottom: float

    @property
    def height(self) -> float:
        """Height [px]."""
        return self.bottom - self.top

    def overlaps(self, other: Box) -> bool:
        """Whether two boxes share any area."""
        apart = self.right <= other.left or other.right <= self.left
        return not (apart or self.bottom <= other.top or other.bottom <= self.top)

    def within(self, other: Box) -> bool:
        """Whether this box lies wholly in the other."""
        across = other.left <= self.left and self.right <= other.right
        return across and other.top <= self.top and self.bottom <= other.bottom

    def touches(self, line: Pointer) -> bool:
        """Whether a straight line runs through this box: its part within all four sides is not empty."""
        (x, y), (to_x, to_y) = line
        first, last = 0.0, 1.0
        for start, along, low, high in ((x, to_x - x, self.left, self.right), (y, to_y - y, self.top, self.bottom)):
            if along == 0.0:
                if not low < start < high:
                    return False
                continue
            enter, leave = sorted(((low - start) / along, (high - start) / along))
            first, last = max(first, enter), min(last, leave)
        return first < last

    def grown(self, by: float) -> Box:
        """The box with a margin on every side."""
        return Box(self.left - by, self.top - by, self.right + by, self.bottom + by)

    def nearest_to(self, x: float, y: float) -> tuple[float, float]:
        """The point of the box nearest to a place."""
        return min(max(x, self.left), self.right), min(max(y, self.top), self.bottom)


class Busy:
    """Where lines run, on a coarse grid, so that many places can be asked about quickly.

    Parameters
    ----------
    width, height : of the picture [px]; lines : (n, 2) [px] samples of lines; cell : side of a cell [px].
    """

    def __init__(self, width: float, height: float, lines: Array, cell: float) -> None:
        self._cell = cell
        self._rows, self._columns = int(height / cell) + 1, int(width / cell) + 1
        busy = np.zeros((self._rows, self._columns), bool)
        cells = np.floor(lines / cell).astype(int)
        inside = ((cells >= 0) & (cells < [self._columns, self._rows])).all(axis=1)
        busy[cells[inside, 1], cells[inside, 0]] = True
        self._busy: list[list[bool]] = busy.tolist()
        # Summed-area table: the count in any box from four look-ups.
        sums = np.zeros((self._rows + 1, self._columns + 1), int)
        sums[1:, 1:] = busy.cumsum(axis=0).cumsum(axis=1)
        self._sums: list[list[int]] = sums.tolist()

    def in_box(self, box: Box) -> int:
        """How many cells that the box touches have lines in them."""
        left, top = self._column(box.left), self._row(box.top)
        right, bottom = self._column(box.right) + 1, self._row(box.bottom) + 1
        sums = self._sums
        return sums[bottom][right] - sums[top][right] - sums[bottom][left] + sums[top][left]

    def on_way(self, start: tuple[float, float], end: tuple[float, float]) -> int:
        """How many of eight places on the way from `start` to `end`, the start left out, have lines."""
        count = 0
        for step in range(1, 9):
            share = step / 8
            x = start[0] + share * (end[0] - start[0])
            y = start[1] + share * (end[1] - start[1])
            count += self._busy[self._row(y)][self._column(x)]
        return count

    def _column(self, x: float) -> int:
        return min(max(int(x / self._cell), 0), self._columns - 1)

    def _row(self, y: float) -> int:
        return min(max(int(y / self._cell), 0), self._rows - 1)


class LabelPlacer:
    """Places labels one after the other: the most important first.

    Parameters
    ----------
    width, height : of the picture [px]; lines : (n, 2) [px] samples of lines that are better left free;
    things : (n, 2) [px] samples of what is hidden only where there is no room elsewhere.
    """

    def __init__(self, width: float, height: float, lines: Array, things: Array | None = None) -> None:
        self._picture = Box(0.0, 0.0, width, height)
        self._unit = UNIT_SHARE * width
        cell = width / CELLS_ACROSS
        self._busy = Busy(width, height, lines, cell)
        self._things = Busy(width, height, np.zeros((0, 2)) if things is None else things, cell)
        self.placed: list[Box] = []
        self.pointers: list[Pointer] = []

    def place(
        self, anchors: Sequence[tuple[float, float]], size: tuple[float, float]
    ) -> tuple[Box, tuple[float, float]] | None:
        """The best free place for a label of (width, height) [px] near any of the anchors.

        Returns
        -------
        The box and the anchor it belongs to; None when no anchor is on the picture, or the picture is full.
        """
        seen = [anchor for anchor in anchors if Box(*anchor, *anchor).within(self._picture)]
        tries = ((self._around, True), (self._anywhere, True), (self._anywhere, False))
        for candidates, pointers_too in tries:
            best: tuple[float, Box, tuple[float, float]] | None = None
            for anchor in seen:
                for distance, box in candidates(anchor, size):
                    if (best is None or distance < best[0]) and self._is_free(box, anchor, pointers_too):
                        cost = self._cost(distance, box, anchor)
                        if best is None or cost < best[0]:
                            best = (cost, box, anchor)
            if best is not None:
                self.placed.append(best[1])
                self.pointers.append(pointer(best[1], best[2]))
                return best[1:]
        return None

    def _around(self, anchor: tuple[float, float], size: tuple[float, float]) -> Iterator[tuple[float, Box]]:
        """Places around an anchor, each with its distance in units, nearest first."""
        width, height = size
        for gap in GAPS:
            for step in range(DIRECTIONS):
                angle = 2 * math.pi * step / DIRECTIONS
                x = anchor[0] + math.cos(angle) * (width / 2 + gap * self._unit)
                y = anchor[1] + math.sin(angle) * (height / 2 + gap * self._unit)
                yield gap, _centred(x, y, size)

    def _anywhere(self, anchor: tuple[float, float], size: tuple[float, float]) -> Iterator[tuple[float, Box]]:
        """Places all over the picture, for a crowded one."""
        width, height = size
        for y in np.arange(height, self._picture.bottom, height * 0.6):
            for x in np.arange(width * 0.6, self._picture.right, width * 0.25):
                yield math.hypot(x - anchor[0], y - anchor[1]) / self._unit, _centred(float(x), float(y), size)

    def _is_free(self, box: Box, anchor: tuple[float, float], pointers_too: bool) -> bool:
        """Whether a label covers no other label; with pointers, no pointer, and its own runs under no label."""
        wide = box.grown(APART * box.height)
        if not wide.within(self._picture) or any(wide.overlaps(other) for other in self.placed):
            return False
        if not pointers_too:
            return True
        if any(wide.touches(other) for other in self.pointers):
            return False
        own = pointer(box, anchor)
        return not any(other.touches(own) for other in self.placed)

    def _cost(self, distance: float, box: Box, anchor: tuple[float, float]) -> float:
        """Distance, and what covering lines and things or crossing lines with a pointer adds to it."""
        end = box.nearest_to(*anchor)
        crossed = COST_OF_CROSSING * self._busy.on_way(anchor, end) + COST_OF_HIDING * self._things.on_way(
            anchor, end
        )
        hidden = COST_OF_COVERING * self._busy.in_box(box) + COST_OF_HIDING * self._things.in_box(box)
        return distance + hidden + crossed


def pointer(box: Box, anchor: tuple[float, float]) -> Pointer:
    """The line from what a label names to the label."""
    return anchor, box.nearest_to(*anchor)


def _centred(x: float, y: float, size: tuple[float, float]) -> Box:
    return Box(x - size[0] / 2, y - size[1] / 2, x + size[0] / 2, y + size[1] / 2)

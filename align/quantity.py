"""A number with its doubt: value and 95 % interval, as the contract's JSON carries it."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass


@dataclass(frozen=True)
class Quantity:
    """A value and its 95 % interval; low = high = value where the inputs carry no doubt."""

    value: float
    low: float
    high: float

    def to_json(self) -> dict[str, float]:
        """`{"value", "low", "high"}`, as the contract has it."""
        return {"value": self.value, "low": self.low, "high": self.high}

    def scaled(self, function: Callable[[float], float]) -> Quantity:
        """The quantity through a monotone function of one number."""
        ends = sorted((function(self.low), function(self.high)))
        return Quantity(function(self.value), ends[0], ends[1])


def exactly(value: float) -> Quantity:
    """A quantity without doubt."""
    return Quantity(value, value, value)


def combined(value: float, moved: list[tuple[float, float]]) -> Quantity:
    """A result whose inputs were moved, one at a time, to the two ends of their intervals.

    Parameters
    ----------
    value : the result at the inputs' own values
    moved : for each doubtful input, the result at its low and at its high end

    Returns
    -------
    Quantity whose half-widths are the root sum of squares of the single movements, downwards and upwards
    apart. Source: JCGM 100:2008 (GUM), 5.1.2 (independent inputs, first order); where an input moves the
    result the same way at both of its ends, the larger movement counts.
    """
    down = math.sqrt(sum(min(0.0, low - value, high - value) ** 2 for low, high in moved))
    up = math.sqrt(sum(max(0.0, low - value, high - value) ** 2 for low, high in moved))
    return Quantity(value, value - down, value + up)

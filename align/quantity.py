"""Reckoning with numbers that carry an uncertainty (`quantity.Quantity`): conversion and combination."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True)
class Quantity:
    """A measured number with its 95 % interval; the unit is in the name of the field that holds it."""

    value: float
    low: float
    high: float

    @property
    def half_width(self) -> float:
        """Half the width of the interval."""
        return (self.high - self.low) / 2

    def to_json(self) -> dict[str, float]:
        """{"value", "low", "high"}, rounded to a millionth: finer is noise."""
        return {key: round(float(getattr(self, key)), 6) + 0.0 for key in ("value", "low", "high")}


def scaled(quantity: Quantity, function: Callable[[float], float]) -> Quantity:
    """A quantity through a monotone function of one number."""
    ends = sorted((function(quantity.low), function(quantity.high)))
    return Quantity(function(quantity.value), ends[0], ends[1])


def exactly(value: float) -> Quantity:
    """A quantity without uncertainty."""
    return Quantity(value, value, value)


def combined(value: float, moved: list[tuple[float, float]]) -> Quantity:
    """A result whose inputs were moved, one at a time, to the two ends of their intervals.

    Parameters
    ----------
    value : the result at the inputs' own values
    moved : for each uncertain input, the result at its low and at its high end

    Returns
    -------
    Quantity whose half-widths are the root sum of squares of the single movements, downwards and upwards
    apart. Source: JCGM 100:2008 (GUM), 5.1.2 (independent inputs, first order); where an input moves the
    result the same way at both of its ends, the larger movement counts.
    """
    down = math.sqrt(sum(min(0.0, low - value, high - value) ** 2 for low, high in moved))
    up = math.sqrt(sum(max(0.0, low - value, high - value) ** 2 for low, high in moved))
    return Quantity(value, value - down, value + up)


def quantity_from_json(raw: Mapping[str, Any]) -> Quantity:
    """A quantity from its JSON object; ValueError where it is none."""
    value, low, high = (float(raw[key]) for key in ("value", "low", "high"))
    if not all(math.isfinite(number) for number in (value, low, high)) or not low <= high:
        raise ValueError(f"expected finite numbers with low <= high, found {dict(raw)}")
    return Quantity(value, low, high)

"""Statistics of what the glass fit made of lamps before known glass; docs/glass.md and docs/accuracy.md share them.

An answer is a dict as a line of ghosts.py's results.jsonl: "thickness_mm" is the truth (0: front-coated),
"verdict" the answer; with a fit, "thickness", "low" and "high" [mm], and for each lamp "factors", brightness of the
front ghost and of the later ones over Fresnel's as (value, sd), and "saturated".
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Answer = dict[str, Any]

BARE, GLASS, UNSURE = "front-coated", "back-silvered", "undetermined"


def of_glass(answers: Sequence[Answer]) -> dict[float, list[Answer]]:
    """{true thickness [mm]: its answers}, front-coated first."""
    every = sorted({answer["thickness_mm"] for answer in answers})
    return {glass: [answer for answer in answers if answer["thickness_mm"] == glass] for glass in every}


def count(answers: Sequence[Answer], verdict: str) -> int:
    """How many got this verdict."""
    return sum(answer["verdict"] == verdict for answer in answers)


def wrong(answers: Sequence[Answer]) -> int:
    """How many got the other mirror's verdict; undetermined is not wrong."""
    return sum(answer["verdict"] == (BARE if answer["thickness_mm"] else GLASS) for answer in answers)


def right(answers: Sequence[Answer]) -> int:
    """How many got their own mirror's verdict."""
    return len(answers) - wrong(answers) - count(answers, UNSURE)


@dataclass(frozen=True, eq=False)
class ThicknessErrors:
    """Photos of glass that were called so. error, low, high : (n,) measured, and its 95 % ends, less true [mm]."""

    true: Array
    error: Array
    low: Array
    high: Array

    @property
    def rms_mm(self) -> float:
        """Root mean square of the error [mm]."""
        return float(np.sqrt(np.mean(self.error**2)))

    @property
    def mean_mm(self) -> float:
        """Mean error [mm]: positive where glass is called too thick."""
        return float(np.mean(self.error))

    @property
    def holds(self) -> NDArray[np.bool_]:
        """(n,) whether each interval holds the truth."""
        return (self.low <= 0) & (self.high >= 0)

    def within(self, limit_mm: float) -> int:
        """How many errors are no larger."""
        return int((np.abs(self.error) <= limit_mm).sum())


def thickness_errors(answers: Sequence[Answer]) -> ThicknessErrors:
    """Of the answers that state a thickness of glass that is there."""
    told = [a for a in answers if a["verdict"] == GLASS and a["thickness_mm"]]
    true = np.array([a["thickness_mm"] for a in told], dtype=float)
    return ThicknessErrors(true, *(np.array([a[key] for a in told]) - true for key in ("thickness", "low", "high")))


@dataclass(frozen=True)
class Brightness:
    """Brightness of ghosts over Fresnel's, from lamps that are nowhere saturated.

    ghosts : how many; front, later : means; within_tenth : share of them within 10 %; spread : rms deviation
    from 1 about its mean; own_sd : median of their own standard deviations.
    """

    ghosts: int
    front: float
    later: float
    within_tenth: float
    spread: float
    own_sd: float


def brightness(answers: Sequence[Answer]) -> Brightness | None:
    """None where every lamp is saturated: its own light is then unknown, and the ghosts' share of it."""
    values = [
        factors
        for a in answers
        if a["verdict"] == GLASS and a["thickness_mm"]
        for factors, saturated in zip(a["factors"], a["saturated"], strict=True)
        if not saturated
    ]
    if not values:
        return None
    value, sd = np.moveaxis(np.array(values, dtype=float), -1, 0)
    return Brightness(
        ghosts=value.size,
        front=float(value[:, 0].mean()),
        later=float(value[:, 1].mean()),
        within_tenth=float(np.mean(np.abs(value - 1) <= 0.1)),
        spread=float(np.std(value - 1)),
        own_sd=float(np.median(sd)),
    )

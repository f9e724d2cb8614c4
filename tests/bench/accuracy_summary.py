"""Statistics of the accuracy records: rms, bound, ratio, coverage, each with its own uncertainty."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tests.bench.accuracy_photos import WAYS, PhotoRecord
from tests.bench.accuracy_simulated import QUANTITIES, Answer, ViewRecord

Array = NDArray[np.float64]

BOOTSTRAPS = 2000


@dataclass(frozen=True, eq=False)
class Spread:
    """One quantity over many views.

    rms, median_abs : of the error; bound : rms of the views' own bounds; ratio : rms / bound, with
    ratio_range its 95 % bootstrap interval; normalised : rms of error / bound view by view; mean_z : mean
    of error / bound in its own standard errors; held, count : how many intervals hold the truth.
    """

    rms: float
    median_abs: float
    bound: float
    ratio: float
    ratio_range: tuple[float, float]
    normalised: float
    mean_z: float
    held: int
    count: int

    @property
    def coverage(self) -> float:
        """Share of the intervals that hold the truth."""
        return self.held / self.count

    @property
    def coverage_range(self) -> tuple[float, float]:
        """95 % interval of the coverage."""
        return wilson(self.held, self.count)


def wilson(held: int, count: int) -> tuple[float, float]:
    """95 % interval of a share. Source: E. Wilson, JASA 22 (1927) 209-212."""
    z = 1.959964
    share, z2n = held / count, z * z / count
    middle = (share + z2n / 2) / (1 + z2n)
    half = z / (1 + z2n) * math.sqrt(share * (1 - share) / count + z2n / (4 * count))
    return middle - half, middle + half


def answered(records: Sequence[ViewRecord], case: str) -> list[Answer]:
    """The answers of a case; what has none is counted elsewhere (`unanswered`)."""
    return [r.answers[case] for r in records if not r.answers[case].failure]


def unanswered(records: Sequence[ViewRecord], case: str) -> int:
    """How many views got no answer."""
    return sum(bool(r.answers[case].failure) for r in records)


def spread(records: Sequence[ViewRecord], case: str, quantity: str) -> Spread:
    """Statistics of one quantity; views where it is known exactly (stated thickness 0) do not count."""
    column = QUANTITIES.index(quantity)
    rows = [(a.error[column], a.half_width[column], a.bound[column]) for a in answered(records, case)]
    error, half_width, bound = np.array([row for row in rows if row[2] > 0]).T
    rng = np.random.default_rng(0)
    chosen = rng.integers(0, len(error), (BOOTSTRAPS, len(error)))
    ratios = np.sqrt((error[chosen] ** 2).mean(axis=1) / (bound[chosen] ** 2).mean(axis=1))
    low, high = np.quantile(ratios, [0.025, 0.975])
    normal = error / bound
    return Spread(
        rms=rms(error),
        median_abs=float(np.median(np.abs(error))),
        bound=rms(bound),
        ratio=rms(error) / rms(bound),
        ratio_range=(float(low), float(high)),
        normalised=rms(normal),
        mean_z=float(normal.mean() / normal.std() * math.sqrt(len(normal))),
        held=int((np.abs(error) <= half_width).sum()),
        count=len(error),
    )


def rms(values: Array) -> float:
    """Root mean square."""
    return float(np.sqrt(np.mean(np.square(values))))


def stock_errors(records: Sequence[ViewRecord], way: str) -> Array:
    """(n, 2) errors of lean and turn [deg] of the views that the stock route solves."""
    return np.array([r.stock[way] for r in records if r.stock]).reshape(-1, 2)


@dataclass(frozen=True, eq=False)
class PhotoSpread:
    """Our answers on rendered photos: (n, 3) errors and half-widths of lean, turn [deg], distance [mm]."""

    error: Array
    half_width: Array
    mirrors: int

    @property
    def rms(self) -> Array:
        """(3,) rms errors."""
        return np.sqrt((self.error**2).mean(axis=0))

    @property
    def in_sd(self) -> Array:
        """(3,) rms of error / its own standard deviation: 1 when the intervals are as wide as they should be."""
        return np.sqrt(((1.96 * self.error / self.half_width) ** 2).mean(axis=0))

    @property
    def mean_sd(self) -> Array:
        """(3,) mean of error / its own standard deviation: far from 0 where the answers lean one way."""
        return (1.96 * self.error / self.half_width).mean(axis=0)

    @property
    def held(self) -> Array:
        """(3,) how many intervals hold the truth."""
        return (np.abs(self.error) <= self.half_width).sum(axis=0)


def photo_spread(records: Sequence[PhotoRecord], way: str) -> PhotoSpread:
    """Errors of all mirrors that were answered."""
    answers = [answer for r in records for answer in r.answers[way] if answer is not None]
    mirrors = sum(len(r.truths) for r in records)
    error = np.array([a.error for a in answers]).reshape(-1, 3)
    return PhotoSpread(error, np.array([a.half_width for a in answers]).reshape(-1, 3), mirrors)


def photo_stock(records: Sequence[PhotoRecord], way: str) -> tuple[Array, Array]:
    """(n, 2) errors [deg] of the stock route and, for the same photos, ours (EXIF only; the worst mirror)."""
    both = [r for r in records if r.stock and all(a is not None for a in r.answers[WAYS[0]])]
    stock = np.array([r.stock[way] for r in both]).reshape(-1, 2)
    ours = [max((a.error[:2] for a in r.answers[WAYS[0]]), key=lambda e: float(np.hypot(*e))) for r in both]
    return stock, np.array(ours).reshape(-1, 2)

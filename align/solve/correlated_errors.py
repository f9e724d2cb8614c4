"""Spatial correlation: errors that neighbouring corners share, and how much wider they make the intervals.

A sheet that bends otherwise than it is modelled, a lens or a sharpened picture move whole parts of a board. Least
squares takes every corner's error for its own, and its covariance is then too small: on photos of real boards, by
some 2 to 3 times in standard deviations (docs/theory.md).

The errors are modelled as falling off geometrically along the board's rows and columns: two corners c columns and
r rows apart correlate by spatial_correlation ** (c + r), each coordinate by itself.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

#: Likeness below so many of the standard deviations that chance gives it counts as none.
CHANCE_SIGMAS = 2.0
#: Errors more alike than this are a misfit, and not to be told from what is solved for.
MOST_ALIKE = 0.9
_HALVINGS = 12


@dataclass(frozen=True, eq=False)
class BoardErrors:
    """One view's corners after a fit, in units of their standard deviations.

    places : (n, 2) column and row of each corner on its board; residuals : (n, 2); jacobian : (n, 2, p).
    """

    places: NDArray[np.int64]
    residuals: Array
    jacobian: Array

    @cached_property
    def steps(self) -> NDArray[np.int64]:
        """(n, n) steps along rows and columns between two corners."""
        return np.asarray(np.abs(self.places[:, None] - self.places[None]).sum(axis=2))

    @cached_property
    def beside(self) -> NDArray[np.bool_]:
        """(n, n) whether two corners are one square apart."""
        return np.asarray(self.steps == 1)

    def spread(self, own: Array) -> Array:
        """(p, p) J^T E J for errors with the (n, n) covariance E, alike in both coordinates."""
        return np.asarray(sum(jacobian.T @ (own @ jacobian) for jacobian in self.jacobian.transpose(1, 0, 2)))


def spatial_correlation(boards: Sequence[BoardErrors], covariance: Array) -> float:
    """Correlation of the errors of corners one square apart; 0 where chance would give as much.

    The one under which residuals of neighbours are expected to correlate as they do, a fit having taken from them
    what it can of what they have in common.

    Parameters
    ----------
    boards : all views of the fit; covariance : (p, p) of its parameters, for errors that have nothing in common.

    Source: A. D. Cliff, J. K. Ord, Testing for spatial autocorrelation among regression residuals, Geographical
    Analysis 4 (1972) 267, whose statistic (Moran's I) and its mean are used; its variance is that of
    independent pairs.
    """
    pairs = sum(int(board.beside.sum()) for board in boards)  # each counted twice, and of two coordinates
    if not pairs:
        return 0.0
    found = _ratio([_sums(board, board.residuals) for board in boards])
    if found - _expected(boards, covariance, 0.0) < CHANCE_SIGMAS / math.sqrt(pairs):
        return 0.0
    low, high = 0.0, MOST_ALIKE
    for _ in range(_HALVINGS):
        middle = (low + high) / 2
        low, high = (middle, high) if _expected(boards, covariance, middle) < found else (low, middle)
    return low


def true_variance(boards: Sequence[BoardErrors], covariance: Array, alike: float) -> float:
    """Variance of errors alike by so much, over the one that their residuals would show if each had its own."""
    if alike <= 0:
        return 1.0
    independent, shared = (
        sum(entry[1] for entry in _expected_sums(boards, covariance, each)) for each in (0.0, alike)
    )
    return independent / shared if shared > 0 else 1.0


def widened_covariance(
    boards: Sequence[BoardErrors], covariance: Array, alike: float, variance: float = 1.0
) -> Array:
    """(p, p) covariance of what least squares finds, for errors alike by so much.

    covariance : (p, p) as least squares has it, prior and all; variance : of the errors, where it is not 1.

    Source: the sandwich of P. J. Huber, The behavior of maximum likelihood estimates under nonstandard conditions,
    Proc. Fifth Berkeley Symposium 1 (1967) 221, with the errors' covariance modelled.
    """
    if alike <= 0:
        return covariance
    more = sum(board.spread(variance * alike**board.steps - np.eye(len(board.places))) for board in boards)
    return np.asarray(covariance + covariance @ more @ covariance)


def _sums(board: BoardErrors, residuals: Array) -> tuple[float, float, int, int]:
    """Sums of products of neighbours and of squares, and how many there are of each."""
    products = residuals @ residuals.T
    return float(products[board.beside].sum()), float(np.trace(products)), int(board.beside.sum()), len(residuals)


def _ratio(sums: Sequence[tuple[float, float, int, int]]) -> float:
    """Mean product of neighbours over the mean square."""
    products, squares, pairs, corners = np.sum(sums, axis=0)
    return float(products / pairs / (squares / corners)) if squares > 0 else 0.0


def _expected(boards: Sequence[BoardErrors], covariance: Array, alike: float) -> float:
    """The ratio that residuals of a fit are expected to have, of errors alike by so much."""
    return _ratio(_expected_sums(boards, covariance, alike))


def _expected_sums(
    boards: Sequence[BoardErrors], covariance: Array, alike: float
) -> list[tuple[float, float, int, int]]:
    """What `_sums` expects of each board.

    With J the Jacobian, C the covariance and E the errors' own, residuals have (1 - J C J^T) E (1 - J C J^T)^T.
    """
    owns = [np.asarray(alike**board.steps, np.float64) for board in boards]
    middle = sum(board.spread(own) for board, own in zip(boards, owns, strict=True))
    sums = []
    for board, own in zip(boards, owns, strict=True):
        total = np.zeros_like(own)
        for jacobian in board.jacobian.transpose(1, 0, 2):
            taken = jacobian @ covariance
            across = taken @ (jacobian.T @ own)
            total += own - across - across.T + taken @ middle @ taken.T
        sums.append((float(total[board.beside].sum()), float(np.trace(total)), int(board.beside.sum()), len(own)))
    return sums

"""Damped Gauss-Newton with Gaussian priors, and the statistics of its answer. Pure numpy.

scipy's optimiser would serve as well (tests/solve/test_least_squares.py compares), but importing it takes longer
than the whole solve.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Generic, TypeVar

import numpy as np
from numpy.typing import NDArray

from ..errors import SolveError

Array = NDArray[np.float64]
Point = TypeVar("Point")

#: A descent ends when the cost can fall by no more than this, in units of the noise variance: a step of
#: 3e-5 standard deviations.
TOLERANCE = 1e-9
#: Damping of a descent's first step, of the unit diagonal; and of one that begins beside its minimum, where damping
#: would only keep it from moving along what the data hardly tell.
DAMPING, LITTLE_DAMPING = 1e-4, 1e-10
#: A step that lowered the cost divides the damping by this; a choice: 5 to 30 take as many steps, fewer at 20.
RELIEF = 20.0
#: A settled minimum is known to the square root of this in standard deviations; and how many steps that may take.
SETTLED, SETTLING_STEPS = 1e-18, 12


#: The normal distribution's quantile at 0.975; `statistics`, which has it, takes 6 ms to import.
NORMAL_AT_975 = 1.9599639845400536


@dataclass(frozen=True, eq=False)
class Prior:
    """Gaussian knowledge of the parameters: mean and sd (0: fixed at the mean).

    joint : (p, p) covariance of some of the parameters, zero elsewhere, which then replaces their sd's
    independence; None where all are independent.
    """

    mean: Array
    sd: Array
    joint: Array | None = None

    @property
    def free(self) -> NDArray[np.bool_]:
        """Which parameters are free."""
        return self.sd > 0

    @property
    def precision(self) -> Array:
        """(p, p) inverse covariance (zero rows for fixed parameters: they take no part)."""
        with np.errstate(divide="ignore"):
            result = np.diag(np.where(self.sd > 0, 1.0 / self.sd**2, 0.0))
        if self.joint is not None:
            tied = self.free & (np.diag(self.joint) > 0)
            result[np.ix_(tied, tied)] = np.linalg.inv(self.joint[np.ix_(tied, tied)])
        return result

    @property
    def root(self) -> Array:
        """(p, p) R with R^T R the precision: R @ (vector - mean) are the prior's own residuals."""
        with np.errstate(divide="ignore"):
            result = np.diag(np.where(self.sd > 0, 1.0 / self.sd, 0.0))
        if self.joint is not None:
            tied = self.free & (np.diag(self.joint) > 0)
            result[np.ix_(tied, tied)] = np.linalg.inv(np.linalg.cholesky(self.joint[np.ix_(tied, tied)]))
        return result


@dataclass(frozen=True, eq=False)
class Minimum(Generic[Point]):
    """Where the descent ended: the point, its cost, and J^T J without and with the prior."""

    point: Point
    cost: float
    data_information: Array
    information: Array
    converged: bool


def minimise(
    start: Point,
    evaluate: Callable[[Point], tuple[Array, Array]],
    step: Callable[[Point, Array], Point],
    vector: Callable[[Point], Array],
    prior: Prior,
    max_iterations: int = 60,
    tolerance: float = TOLERANCE,
    damping: float = DAMPING,
) -> Minimum[Point]:
    """Minimise |residual|^2 + |(vector - mean) / sd|^2.

    Parameters
    ----------
    start : the first point; evaluate : whitened residuals (m,) and their Jacobian (m, p) at a point;
    step : moves a point by (p,); vector : a point's parameters (p,); tolerance : by how much the cost may
    still fall at the end, in units of the noise variance (and 1e-3 of it as a share of the cost); damping : of
    the first step.

    Raises
    ------
    SolveError
        If no finite start is given.

    Source: K. Madsen, H. B. Nielsen, O. Tingleff, Methods for non-linear least squares problems, 2nd ed.
    (2004), algorithm 3.16, with the prior as further residuals.
    """
    free, precision, assess = prior.free, prior.precision, _assessed(evaluate, vector, prior)
    point = start
    cost, gradient, data_information = assess(point)
    if not math.isfinite(cost):
        raise SolveError("The solve has no finite start.", "Take the photo from farther away or higher up.")
    growth, converged = 2.0, False
    for _ in range(max_iterations):
        information = data_information + precision
        inner = information[np.ix_(free, free)]
        diagonal = np.diag(inner).copy()
        delta = np.zeros(len(free))
        delta[free] = -_solve_scaled(inner, diagonal, damping, gradient[free])
        candidate = step(point, delta)
        new_cost, new_gradient, new_information = assess(candidate)
        # The Newton decrement: how much the cost could still fall, in units of the noise variance.
        decrement = float(-gradient @ delta)
        if math.isfinite(new_cost) and new_cost <= cost:
            point, gradient, data_information = candidate, new_gradient, new_information
            fell, cost = cost - new_cost, new_cost
            damping, growth = max(damping / RELIEF, 1e-12), 2.0
            if max(decrement, fell) < tolerance * (1.0 + 1e-3 * cost):
                converged = True
                break
        else:
            if decrement < tolerance * (1.0 + 1e-3 * cost):
                converged = True
                break
            damping, growth = damping * growth * 2.0, growth * 2.0
            if damping > 1e12:
                break
    information = data_information + precision
    return Minimum(point, cost, data_information, information, converged)


def settled(
    found: Minimum[Point],
    evaluate: Callable[[Point], tuple[Array, Array]],
    step: Callable[[Point, Array], Point],
    vector: Callable[[Point], Array],
    prior: Prior,
) -> Minimum[Point]:
    """A minimum by Gauss and Newton's own steps, to where the gradient vanishes but for rounding.

    `minimise` compares costs, and near the end these no longer tell: where it stops then depends on the last
    digits, thus on the library and on its threads. Steps are taken as long as each promises less than the one
    before.
    """
    free, precision, assess = prior.free, prior.precision, _assessed(evaluate, vector, prior)
    point, promised = found.point, math.inf
    cost, gradient, data_information = assess(point)
    for _ in range(SETTLING_STEPS):
        information = data_information + precision
        inner = information[np.ix_(free, free)]
        delta = np.zeros(len(free))
        delta[free] = -_solve_scaled(inner, np.diag(inner), 0.0, gradient[free])
        decrement = float(-gradient @ delta)
        if not SETTLED < decrement < promised:
            break
        candidate = step(point, delta)
        assessed = assess(candidate)
        if not math.isfinite(assessed[0]) or assessed[0] > cost + 1.0:
            break
        point, promised = candidate, decrement
        cost, gradient, data_information = assessed
    return Minimum(point, cost, data_information, data_information + precision, found.converged)


def _assessed(
    evaluate: Callable[[Point], tuple[Array, Array]], vector: Callable[[Point], Array], prior: Prior
) -> Callable[[Point], tuple[float, Array, Array]]:
    """What a descent asks of a point: its cost, half the cost's gradient, and J^T J of the data."""
    precision = prior.precision

    def assess(point: Point) -> tuple[float, Array, Array]:
        residual, jacobian = evaluate(point)
        off = vector(point) - prior.mean
        cost = float(residual @ residual + off @ precision @ off)
        gradient = jacobian.T @ residual + precision @ off
        return cost, gradient, jacobian.T @ jacobian

    return assess


def _solve_scaled(matrix: Array, diagonal: Array, damping: float, right: Array) -> Array:
    """Solve the damped normal equations after scaling to a unit diagonal."""
    scale = 1.0 / np.sqrt(np.maximum(diagonal, 1e-300))
    scaled = matrix * scale[:, None] * scale[None, :]
    scaled[np.diag_indices_from(scaled)] += damping
    try:
        solution = np.linalg.solve(scaled, right * scale)
    except np.linalg.LinAlgError:
        solution = np.linalg.lstsq(scaled, right * scale, rcond=1e-14)[0]
    return np.asarray(solution * scale)


def covariance_of(information: Array, free: NDArray[np.bool_]) -> Array:
    """(p, p) inverse of an information matrix over the free parameters; zero rows for fixed ones."""
    inner = information[np.ix_(free, free)]
    scale = 1.0 / np.sqrt(np.maximum(np.diag(inner), 1e-300))
    inverse = np.linalg.pinv(inner * scale[:, None] * scale[None, :], rcond=1e-14, hermitian=True)
    result = np.zeros_like(information)
    result[np.ix_(free, free)] = inverse * scale[:, None] * scale[None, :]
    return result


def student_quantile(degrees: float, probability: float = 0.975) -> float:
    """Quantile of Student's t.

    Source: M. Abramowitz, I. Stegun, Handbook of Mathematical Functions (1964), 26.7.5; within 0.1 % of
    scipy.stats.t for 5 or more degrees of freedom (tested). Fewer are treated as 5.
    """
    v = max(degrees, 5.0)
    if probability == 0.975:
        z = NORMAL_AT_975
    else:
        from statistics import NormalDist

        z = NormalDist().inv_cdf(probability)
    z3, z5, z7, z9 = z**3, z**5, z**7, z**9
    return (
        z
        + (z3 + z) / (4 * v)
        + (5 * z5 + 16 * z3 + 3 * z) / (96 * v**2)
        + (3 * z7 + 19 * z5 + 17 * z3 - 15 * z) / (384 * v**3)
        + (79 * z9 + 776 * z7 + 1482 * z5 - 1920 * z3 - 945 * z) / (92160 * v**4)
    )

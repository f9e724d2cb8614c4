"""The corners' noise about a fit: its scale for direct and reflected corners, weights, and corners to leave out."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from ..optics.robust import median
from .forward_model import DIRECT, State
from .least_squares import Minimum, covariance_of
from .problem import Problem, View

Array = NDArray[np.float64]

#: Corner noise can not be smaller than this [px], of direct and of reflected corners: so far beside their places
#: they are matched where there is none (docs/accuracy_bent.md; a ghost pulls at reflected ones). It was 0.01 while
#: curled paper was matched as a plane; set after seeing the photos of seed 7703.
NOISE_FLOORS_PX = (0.003, 0.005)
#: ... and where no mirror is seen, and corners all over the picture tell of a lens what eight numbers hardly can;
#: or where the picture may have been stretched, which draws its pixels anew; or where fewer corners are seen than
#: this: their scatter tells little, and those beside what hides the others are pulled at. Of a half hidden card's
#: reflection (8 pictures) lean was else held in 5. A choice.
COARSE_FLOOR_PX, FEW_CORNERS = 0.01, 15
#: A corner farther from the fit than this many robust standard deviations is left out.
OUTLIER_SIGMAS = 4.5


def robust_scales(problem: Problem, state: State, views: Sequence[View]) -> tuple[float, float]:
    """Noise scale of direct and reflected corners from the median absolute residual."""
    whitened, _, _ = problem.residuals(state, views, (1.0, 1.0))
    result = []
    for direct in (True, False):
        parts = [w for w, v in zip(whitened, views, strict=True) if (v.mirror == DIRECT) == direct]
        middle = float(median(np.abs(np.concatenate(parts)))) if parts else 1.0
        result.append(max(1.4826 * middle, _floor(problem, views, direct)))
    return result[0], result[1]


def huber_weights(
    problem: Problem, state: State, views: Sequence[View], scales: tuple[float, float]
) -> list[Array]:
    """(n,) of each view's corners: 1, less for those far from the fit."""
    whitened, _, _ = problem.residuals(state, views, scales)
    lengths = [np.linalg.norm(residual, axis=1) for residual in whitened]
    threshold = 2.5 * max(1.0, float(median(np.concatenate(lengths))))
    return [np.minimum(1.0, threshold / np.maximum(length, 1e-12)) for length in lengths]


def without_outliers(
    problem: Problem, state: State, views: Sequence[View], scales: tuple[float, float]
) -> tuple[tuple[View, ...], list[int]]:
    """The views without corners far from the fit, and how many each has lost."""
    whitened, _, _ = problem.residuals(state, views, scales)
    kept, dropped = [], []
    for residual, view in zip(whitened, views, strict=True):
        good = np.asarray((np.abs(residual) < OUTLIER_SIGMAS).all(axis=1))
        if good.sum() < min(6, len(good)):  # never argue a whole view away
            good = np.ones(len(good), bool)
        kept.append(view.kept(good))
        dropped.append(int((~good).sum()))
    return tuple(kept), dropped


def sigma0_of(
    problem: Problem, minimum: Minimum[State], views: Sequence[View], scales: tuple[float, float]
) -> tuple[tuple[float, float], float]:
    """Residual scale of both kinds, each over its own degrees of freedom, and the smaller of those."""
    covariance = covariance_of(minimum.information, problem.prior.free)
    whitened, jacobians, _ = problem.residuals(minimum.point, views, scales)
    result, degrees = [], math.inf
    for direct, scale in zip((True, False), scales, strict=True):
        squares, freedom = 0.0, 0.0
        for residual, jacobian, view in zip(whitened, jacobians, views, strict=True):
            if (view.mirror == DIRECT) == direct:
                flat = jacobian.reshape(-1, problem.layout.size)
                squares += float((residual**2).sum())
                freedom += residual.size - float(np.einsum("ip,pq,iq->", flat, covariance, flat))
        if freedom <= 0:
            result.append(scale)
            continue
        degrees = min(degrees, freedom)
        result.append(max(scale * math.sqrt(squares / freedom), _floor(problem, views, direct)))
    return (result[0], result[1]), degrees if math.isfinite(degrees) else 1.0


def noise_floors(problem: Problem, views: Sequence[View]) -> tuple[float, float]:
    """The least scales of direct and of reflected corners."""
    return _floor(problem, views, True), _floor(problem, views, False)


def _floor(problem: Problem, views: Sequence[View], direct: bool) -> float:
    """The scale that stands for one of NOISE_FLOORS_PX, given the covariances' own size."""
    sizes = [np.trace(v.covariance, axis1=1, axis2=2) / 2 for v in views if (v.mirror == DIRECT) == direct]
    if not sizes:
        return 1e-3
    coarse = problem.layout.mirrors == 0 or bool(problem.prior.free[problem.layout.reshape].any())
    coarse = coarse or sum(len(size) for size in sizes) < FEW_CORNERS
    floor = COARSE_FLOOR_PX if coarse else NOISE_FLOORS_PX[0 if direct else 1]
    return floor / math.sqrt(float(median(np.concatenate(sizes))))

"""One lamp fitted at one thickness: robust damped least squares over its own shape and its ghosts' brightness.

Sources: K. Madsen, H. B. Nielsen, O. Tingleff, Methods for non-linear least squares problems, 2nd ed.
(2004), algorithm 3.16 (damping); P. Huber, E. Ronchetti, Robust Statistics, 2nd ed. (2009), section 7.8.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from . import thresholds as limits
from .patch import FRONT, LATER, LOG_SCALE, LOG_SOFT, LONGER, N_ALL, Drawn, Patch

Array = NDArray[np.float64]

HUBER = 2.5
#: Both kinds of ghost as bright as fits best, about Fresnel's.
FREE = (np.nan, np.nan)
ITERATIONS = 14
#: A descent has ended when a step gains less than this (chi-square).
ENOUGH = 0.05
#: Parameters with a prior.
KNOWN = (FRONT, LATER, LOG_SCALE, LONGER.start, LONGER.start + 1, LOG_SOFT)


@dataclass(frozen=True, eq=False)
class Fit:
    """One lamp fitted at one thickness: parameters, cost, and their covariance."""

    parameters: Array
    cost: float
    covariance: Array


def fit_patch(
    patch: Patch, thickness_mm: float | None, begin: Array | None = None, hold: tuple[float, float] = FREE
) -> Fit:
    """Fit one lamp.

    Parameters
    ----------
    thickness_mm : of the glass; None: no ghosts
    hold : the front ghost and the later ones at these shares of Fresnel's brightness; NaN: free about 1
    """
    p = (patch.start() if begin is None else begin).copy()
    given = np.zeros(2) if thickness_mm is None else np.array(hold)
    held = ~np.isnan(given)
    p[[FRONT, LATER]] = np.where(held, given, p[[FRONT, LATER]] if np.all(p[[FRONT, LATER]] > 0.1) else 0.7)
    ghosts = patch.ghosts(thickness_mm or limits.LEAST_GLASS_MM)
    free = np.ones(N_ALL, bool)
    free[[FRONT, LATER]] = ~held
    free[LOG_SCALE] = thickness_mm is not None
    drawn = patch.drawn(p, ghosts)
    cost, damping = _cost(patch, drawn, held), 1e-3
    information = np.eye(N_ALL)
    for _ in range(ITERATIONS):
        information, gradient = _normal_equations(patch, drawn, held, free)
        improved = False
        for _ in range(5):
            damped = information + damping * np.diag(np.diag(information))
            step = np.linalg.solve(damped, gradient)
            tried = patch.drawn(_within_reason(drawn.p + step, patch), ghosts)
            new = _cost(patch, tried, held)
            if new < cost:
                improved = True
                break
            damping *= 6
        if not improved:
            break
        gain, drawn, cost, damping = cost - new, tried, new, max(damping / 5, 1e-7)
        if gain < ENOUGH * patch.correlation:
            break
    covariance = np.linalg.inv(information) * patch.correlation
    return Fit(drawn.p, cost / patch.correlation, np.where(np.outer(free, free), covariance, 0.0))


def _within_reason(p: Array, patch: Patch) -> Array:
    """Parameters kept where the model means something."""
    p = p.copy()
    middle = np.asarray(patch.lamp.reflected.centre_px)
    p[:2] = np.clip(p[:2], middle - 12.0, middle + 12.0)
    p[2] = np.clip(p[2], np.log(0.01), np.log(300.0))
    p[3] = np.clip(p[3], np.log(0.4), np.log(90.0))
    p[4] = np.clip(p[4], np.log(0.35), np.log(15.0))
    p[5] = np.clip(p[5], 0.0, 0.5)
    # No ghost takes light away: a sharpening phone's dark rim is none.
    p[[FRONT, LATER]] = np.maximum(p[[FRONT, LATER]], 0.0)
    p[LONGER] = np.clip(p[LONGER], -1.5, 1.5)
    return p


def _known(patch: Patch, held: NDArray[np.bool_]) -> tuple[Array, Array]:
    """(expected, 1 / sd^2) of the parameters KNOWN; times the correlation."""
    soft = patch.soft_px or 1.0
    expected = np.array([1.0, 1.0, 0.0, *patch.longer, np.log(soft)])
    shape = [patch.lamp.scale_sd, patch.longer_sd, patch.longer_sd, limits.SOFT_SD]
    precision = patch.correlation / np.array([limits.FRESNEL_SD, limits.FRESNEL_SD, *shape]) ** 2
    precision[:2][held] = 0.0
    if patch.soft_px is None:
        precision[-1] = 0.0
    return expected, precision


def _cost(patch: Patch, drawn: Drawn, held: NDArray[np.bool_]) -> float:
    """Huber's cost, twice over so that it is chi-square for small residuals."""
    size = np.abs(patch.whitened(drawn))
    huber = np.where(size < HUBER, size**2, 2 * HUBER * size - HUBER**2).sum()
    expected, precision = _known(patch, held)
    return float(huber + (precision * (drawn.p[list(KNOWN)] - expected) ** 2).sum())


def _normal_equations(
    patch: Patch, drawn: Drawn, held: NDArray[np.bool_], free: NDArray[np.bool_]
) -> tuple[Array, Array]:
    """Information matrix and right side of a reweighted step."""
    residual, jacobian = patch.linearised(drawn, free)
    weight = np.minimum(1.0, HUBER / np.maximum(np.abs(residual), 1e-12))
    information = jacobian.T @ (jacobian * weight[:, None])
    gradient = -jacobian.T @ (residual * weight)
    expected, precision = _known(patch, held)
    where = list(KNOWN)
    information[where, where] += precision
    gradient[where] -= precision * (drawn.p[where] - expected)
    information[~free, ~free] = 1.0
    gradient[~free] = 0.0
    diagonal = np.arange(N_ALL)
    information[diagonal, diagonal] += 1e-9
    return information, gradient

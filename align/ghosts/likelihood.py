"""Which thickness of glass explains the lamps: one profile likelihood over all of them.

At each thickness every lamp is fitted for itself (robust damped least squares); the costs add up. "No ghosts"
is the same model with the ghosts' brightness at zero. Costs are in units of the residuals' own scatter, over
the correlation of neighbouring pixels, so that a difference of 3.84 is a 95 % interval.

Sources: K. Madsen, H. B. Nielsen, O. Tingleff, Methods for non-linear least squares problems, 2nd ed.
(2004), algorithm 3.16 (damping); P. Huber, E. Ronchetti, Robust Statistics, 2nd ed. (2009), section 7.8;
S. S. Wilks, Annals of Mathematical Statistics 9 (1938) for intervals by likelihood.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .patch import FRESNEL_SD, FRONT, LATER, LOG_SCALE, MAX_THICKNESS_MM, N_ALL, Drawn, Patch

Array = NDArray[np.float64]

HUBER = 2.5
#: Both kinds of ghost as bright as fits best, about Fresnel's.
FREE = (np.nan, np.nan)
ITERATIONS = 14
#: Thicknesses at which all lamps are fitted at first, and the finer steps round the best [mm].
COARSE_MM = np.arange(1.0, MAX_THICKNESS_MM + 0.01, 0.5)
FINE_HALF_MM, FINE_STEP_MM = 0.7, 0.1
#: Half the 95 % interval of chi-square with one degree of freedom.
CHI2_95 = 3.84
#: Uncertainty of index and place common to all lamps, as a share of the thickness (glass.FLOAT_GLASS_INDEX_SD and
#: about 0.5 % for distance and focal length).
COMMON_SHARE = 0.006
#: Ghost brightness, relative to Fresnel, that is tried for the limit of what would have been seen.
FACTORS = (1.0, 0.7, 0.5, 0.35, 0.25, 0.17, 0.12, 0.08, 0.05)
#: Mirrors have no thinner glass than this [mm].
LEAST_GLASS_MM = 1.5
#: Partly polarised light leaves at least this share of the unpolarised ghosts' brightness; a choice.
LEAST_FACTOR = 0.5
#: With evidence above this there are ghosts, whatever they are of.
PLAIN_EVIDENCE = 25.0
#: The thinnest common glass: its ghosts are the hardest to see [mm].
THINNEST_MM = 2.0


@dataclass(frozen=True, eq=False)
class Fit:
    """One lamp fitted at one thickness: parameters, cost, and their covariance."""

    parameters: Array
    cost: float
    covariance: Array


@dataclass(frozen=True, eq=False)
class LampFit:
    """One lamp at the best thickness and without ghosts.

    one_sided : the cost when only the ghost on one side exists, the better side.
    """

    patch: Patch
    best: Fit
    without: Fit
    one_sided: float
    thickness_mm: float

    @property
    def evidence(self) -> float:
        """Cost without ghosts less cost with them."""
        return self.without.cost - self.best.cost

    @property
    def factors(self) -> tuple[tuple[float, float], tuple[float, float]]:
        """(value, sd) of the front ghost's and the later ghosts' brightness relative to Fresnel."""
        sd = np.sqrt(np.maximum(np.diag(self.best.covariance), 0.0))
        p = self.best.parameters
        return (float(p[FRONT]), float(sd[FRONT])), (float(p[LATER]), float(sd[LATER]))


@dataclass(frozen=True, eq=False)
class GlassFit:
    """All lamps together.

    thickness_mm, low_mm, high_mm : best thickness and 95 % interval
    evidence : chi-square by which glass of that thickness beats "no ghosts"
    both_sides : by which it beats a ghost on one side only
    against : by which "no ghosts" beats the best glass of 1.5 mm or more with ghosts of half Fresnel's
        brightness
    limit_share : the brightest ghost of 2 mm glass that may hide, as a share of the main image; None where
        ghosts were found, or not even a full one would show
    profile : (n, 2) thickness and cost above the best
    """

    thickness_mm: float
    low_mm: float
    high_mm: float
    evidence: float
    both_sides: float
    against: float
    limit_share: float | None
    lamps: tuple[LampFit, ...]
    profile: Array


def fit_glass(patches: Sequence[Patch]) -> GlassFit:
    """The glass that explains the lamps of `patches`, at least one."""
    settled = [_settled(patch) for patch in patches]
    without = [_fit_without(patch, [patch.start()]) for patch in settled]
    starts = [fit.parameters for fit in without]
    costs: dict[float, float] = {}
    fits: dict[float, list[Fit]] = {}

    def look(thickness: float) -> None:
        key = round(float(thickness), 3)
        if key in costs:
            return
        # From the fit at the nearest thickness: what is fitted changes little from one to the next.
        nearest = min(fits, key=lambda other: abs(other - key), default=None)
        begins = starts if nearest is None else [fit.parameters for fit in fits[nearest]]
        fits[key] = [fit_patch(p, key, begin) for p, begin in zip(settled, begins, strict=True)]
        costs[key] = sum(fit.cost for fit in fits[key])

    for thickness in COARSE_MM:
        look(thickness)
    best = min(costs, key=lambda key: costs[key])
    for thickness in np.arange(best - FINE_HALF_MM, best + FINE_HALF_MM + 1e-6, FINE_STEP_MM):
        if 0.3 <= thickness <= MAX_THICKNESS_MM + 1.0:
            look(thickness)
    # "No ghosts" gets the same chances as glass: it also starts from where every glass ended.
    for number, patch in enumerate(settled):
        begins = [without[number].parameters, *(fits[key][number].parameters for key in sorted(fits)[::4])]
        without[number] = _fit_without(patch, begins)
    thickness_mm, low, high, profile = _interval(costs)
    key = min(costs, key=lambda key: costs[key])
    none = sum(fit.cost for fit in without)
    lamps = tuple(
        LampFit(patch, fit, bare, one_sided(patch, key, fit), key)
        for patch, fit, bare in zip(settled, fits[key], without, strict=True)
    )
    both_sides = sum(lamp.one_sided - lamp.best.cost for lamp in lamps)
    evidence = none - costs[key]
    against = _against(settled, without) if evidence < PLAIN_EVIDENCE else -evidence
    limit = _limit(settled, without) if against > CHI2_95 else None
    return GlassFit(thickness_mm, low, high, evidence, both_sides, against, limit, lamps, profile)


def _fit_without(patch: Patch, begins: Sequence[Array]) -> Fit:
    """The best fit without ghosts from several starts, each also with the lamp brighter.

    The brightness of a saturated lamp shows only in its skirts, so that a descent can stop short of it.
    """
    brighter = np.zeros(N_ALL)
    brighter[2] = 0.8
    starts = [begin + more for begin in begins for more in (0.0 * brighter, brighter)]
    return min((fit_patch(patch, None, start) for start in starts), key=lambda fit: fit.cost)


def _against(patches: Sequence[Patch], without: Sequence[Fit]) -> float:
    """By how much "no ghosts" beats the best glass whose ghosts are no weaker than polarisation can make them."""
    costs = [
        sum(
            fit_patch(patch, float(thickness), fit.parameters, (LEAST_FACTOR, LEAST_FACTOR)).cost - fit.cost
            for patch, fit in zip(patches, without, strict=True)
        )
        for thickness in COARSE_MM[COARSE_MM >= LEAST_GLASS_MM]
    ]
    return min(costs)


def one_sided(patch: Patch, thickness_mm: float, fit: Fit) -> float:
    """The cost of a ghost on one side only: what a neighbouring lamp or a highlight can explain."""
    sides = ((np.nan, 0.0), (0.0, np.nan))
    return min(fit_patch(patch, thickness_mm, fit.parameters, hold).cost for hold in sides)


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
    p[[FRONT, LATER]] = np.where(held, given, p[[FRONT, LATER]] if np.all(p[[FRONT, LATER]] > 0.1) else 1.0)
    offsets = patch.offsets(thickness_mm or THINNEST_MM)
    free = np.ones(N_ALL, bool)
    free[[FRONT, LATER]] = ~held
    free[LOG_SCALE] = thickness_mm is not None
    drawn = patch.drawn(p, offsets)
    cost, damping = _cost(patch, drawn, held), 1e-3
    information = np.eye(N_ALL)
    for _ in range(ITERATIONS):
        information, gradient = _normal_equations(patch, drawn, held, free)
        improved = False
        for _ in range(5):
            damped = information + damping * np.diag(np.diag(information))
            step = np.linalg.solve(damped, gradient)
            tried = patch.drawn(_within_reason(drawn.p + step, patch), offsets)
            new = _cost(patch, tried, held)
            if new < cost:
                improved = True
                break
            damping *= 6
        if not improved:
            break
        gain, drawn, cost, damping = cost - new, tried, new, max(damping / 5, 1e-7)
        if gain < 3e-3 * patch.correlation:
            break
    covariance = np.linalg.inv(information) * patch.correlation
    return Fit(drawn.p, cost / patch.correlation, np.where(np.outer(free, free), covariance, 0.0))


def _within_reason(p: Array, patch: Patch) -> Array:
    """Parameters kept where the model means something."""
    p = p.copy()
    middle = np.asarray(patch.lamp.reflected.centre_px)
    p[:2] = np.clip(p[:2], middle - 12.0, middle + 12.0)
    p[2] = np.clip(p[2], np.log(0.01), np.log(300.0))
    p[3] = np.clip(p[3], np.log(0.5), np.log(90.0))
    p[4] = np.clip(p[4], np.log(0.35), np.log(15.0))
    p[5] = np.clip(p[5], 0.0, 0.5)
    return p


def _priors(patch: Patch, p: Array, held: NDArray[np.bool_]) -> Array:
    """(3,) whitened distance of the shared parameters from what is known of them; times the correlation."""
    sd = np.array([FRESNEL_SD, FRESNEL_SD, patch.lamp.scale_sd])
    away = np.array([p[FRONT] - 1.0, p[LATER] - 1.0, p[LOG_SCALE]]) / sd
    away[:2][held] = 0.0
    return np.asarray(away * np.sqrt(patch.correlation))


def _cost(patch: Patch, drawn: Drawn, held: NDArray[np.bool_]) -> float:
    """Huber's cost, twice over so that it is chi-square for small residuals."""
    size = np.abs(patch.whitened(drawn))
    huber = np.where(size < HUBER, size**2, 2 * HUBER * size - HUBER**2).sum()
    return float(huber + (_priors(patch, drawn.p, held) ** 2).sum())


def _normal_equations(
    patch: Patch, drawn: Drawn, held: NDArray[np.bool_], free: NDArray[np.bool_]
) -> tuple[Array, Array]:
    """Information matrix and right side of a reweighted step."""
    residual, jacobian = patch.linearised(drawn, free)
    weight = np.minimum(1.0, HUBER / np.maximum(np.abs(residual), 1e-12))
    information = jacobian.T @ (jacobian * weight[:, None])
    gradient = -jacobian.T @ (residual * weight)
    sd = np.array([FRESNEL_SD, FRESNEL_SD, patch.lamp.scale_sd])
    precision = patch.correlation / sd**2
    precision[:2][held] = 0.0
    where = [FRONT, LATER, LOG_SCALE]
    information[where, where] += precision
    gradient[where] -= precision * (drawn.p[where] - np.array([1.0, 1.0, 0.0]))
    information[~free, ~free] = 1.0
    gradient[~free] = 0.0
    diagonal = np.arange(N_ALL)
    information[diagonal, diagonal] += 1e-9
    return information, gradient


def _settled(patch: Patch) -> Patch:
    """The patch with noise scale and correlation from the residuals of what fits it best."""
    tried = [None, 1.5, 2.5, 3.5, 4.5, 6.0]
    begin = fit_patch(patch.scaled(3.0, 1.0), None).parameters
    fits = [fit_patch(patch.scaled(3.0, 1.0), thickness, begin) for thickness in tried]
    number = int(np.argmin([fit.cost for fit in fits]))
    residual = patch.whitened(patch.drawn(fits[number].parameters, patch.offsets(tried[number] or THINNEST_MM)))
    known = residual[~patch.full]
    scale = max(1.4826 * float(np.median(np.abs(known))), 0.5)
    return patch.scaled(scale, _correlation(patch, np.clip(residual / scale, -3.0, 3.0)))


def _correlation(patch: Patch, residual: Array) -> float:
    """How many pixels count as one: the sum of the residuals' correlations with their neighbours.

    First-order autoregression along rows and columns: (1 + r) / (1 - r) each way.
    """
    low = patch.places_px.min(axis=0).astype(int)
    size = patch.places_px.max(axis=0).astype(int) - low + 1
    grid = np.full((size[1], size[0]), np.nan)
    at = patch.places_px.astype(int) - low
    grid[at[:, 1], at[:, 0]] = np.where(patch.full, np.nan, residual)
    factor = 1.0
    variance = np.nanmean(grid**2)
    for first, second in ((grid[1:], grid[:-1]), (grid[:, 1:], grid[:, :-1])):
        product = first * second
        r = float(np.nanmean(product) / variance) if np.isfinite(product).any() else 0.0
        r = min(max(r, 0.0), 0.9)
        factor *= (1 + r) / (1 - r)
    return factor


def _interval(costs: dict[float, float]) -> tuple[float, float, float, Array]:
    """Best thickness, its interval, and the profile, by a smooth curve through the costs."""
    from scipy.interpolate import PchipInterpolator

    thick = np.array(sorted(costs))
    cost = np.array([costs[key] for key in thick])
    fine = np.linspace(thick[0], thick[-1], 4000)
    curve = PchipInterpolator(thick, cost)(fine)
    best = int(curve.argmin())
    near = np.abs(thick - fine[best]) <= 0.25
    value = fine[best]
    if near.sum() >= 4:  # a parabola through the nearest points is smoother than the curve's own minimum
        a, b, _ = np.polyfit(thick[near] - value, cost[near], 2)
        if a > 0 and abs(b / (2 * a)) < 0.2:
            value = value - b / (2 * a)
    inside = fine[curve - curve[best] < CHI2_95]
    common = 1.96 * COMMON_SHARE * value
    low = value - float(np.hypot(max(value - inside[0], 0.0), common))
    high = value + float(np.hypot(max(inside[-1] - value, 0.0), common))
    return float(value), max(low, 0.0), high, np.column_stack([thick, cost - curve[best]])


def _limit(patches: Sequence[Patch], without: Sequence[Fit]) -> float | None:
    """The brightest ghost of the thinnest glass that the photo can not rule out, as a share of the main image."""
    none = sum(fit.cost for fit in without)
    share = float(np.mean([patch.ratios[:2].mean() for patch in patches]))
    excluded = None
    for factor in FACTORS:
        cost = sum(
            fit_patch(patch, THINNEST_MM, fit.parameters, (factor, factor)).cost
            for patch, fit in zip(patches, without, strict=True)
        )
        if cost - none < CHI2_95:
            break
        excluded = factor
    return None if excluded is None else excluded * share

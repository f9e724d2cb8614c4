"""Which thickness of glass explains the lamps: one profile likelihood over all of them, 0 and 1.5 to 10 mm.

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

from ..optics.slab import COMMON_GLASS_MM, THINNEST_GLASS_MM
from . import thresholds as limits
from .background import correlation_of
from .descent import Fit, fit_patch
from .patch import FRONT, LATER, N_ALL, Patch

Array = NDArray[np.float64]

#: Thicknesses at which all lamps are fitted at first, and the finer steps round the best [mm].
COARSE_MM = np.concatenate([np.arange(1.5, 6.01, 0.5), np.arange(6.75, limits.MOST_GLASS_MM + 0.5, 0.75)])
FINE_HALF_MM, FINE_STEP_MM = 0.6, 0.1
#: Ghost brightness, relative to Fresnel, that is tried for the limit of what would have been seen.
FACTORS = (1.0, 0.7, 0.5, 0.35, 0.25, 0.17, 0.12, 0.08, 0.05)
#: Its ghosts are the hardest to see [mm].
THINNEST_COMMON_MM = COMMON_GLASS_MM[0]
#: Glass that is ruled out this many times over is not fitted again with weak ghosts.
RULED_OUT = 1.5
#: A saturated lamp shows how bright it is only in its skirts: the fit starts from these brightnesses over full
#: scale.
STARTS = (1.5, 4.0, 20.0)


@dataclass(frozen=True, eq=False)
class LampFit:
    """One lamp at the best thickness and without ghosts.

    one_sided : the cost when only the ghost on one side exists, the better side; against : by how much "no
    ghosts" beats the best glass whose ghosts have half of Fresnel's brightness.
    """

    patch: Patch
    best: Fit
    without: Fit
    one_sided: float
    thickness_mm: float
    against: float = 0.0

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
    against : by which "no ghosts" beats the best glass of 1.5 mm or more, however polarised its light
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
    begun = [_begun(patch) for patch in patches]
    settled = [patch for patch, _ in begun]
    without = [fit for _, fit in begun]
    fits = _at_every_thickness(settled, without)
    # "No ghosts" gets the same chances as glass: it also starts from where every glass ended.
    for number, patch in enumerate(settled):
        starts = [without[number].parameters, *(fits[key][number].parameters for key in _telling(fits, number))]
        without[number] = min((fit_patch(patch, None, start) for start in starts), key=lambda fit: fit.cost)
    costs = {key: sum(fit.cost for fit in fits[key]) for key in fits}
    thickness_mm, low, high, profile = _interval(costs)
    key = min(costs, key=lambda key: costs[key])
    one = [one_sided(patch, key, fit) for patch, fit in zip(settled, fits[key], strict=True)]
    evidence = sum(fit.cost for fit in without) - costs[key]
    open_mm, ruled_out = _open(fits, without)
    least = np.full((1, len(settled)), -np.inf)
    if evidence < limits.SURE:
        least = _against(settled, without, limits.LEAST_FACTOR, open_mm)
    worst = least.sum(axis=1).argmin()
    lamps = tuple(
        LampFit(patch, fit, bare, side, key, float(against))
        for patch, fit, bare, side, against in zip(settled, fits[key], without, one, least[worst], strict=True)
    )
    both_sides = sum(lamp.one_sided - lamp.best.cost for lamp in lamps)
    against = -evidence
    if evidence < limits.SURE:
        against = _in_all(settled, without, min(float(least[worst].sum()), ruled_out))
    limit = _limit(settled, without) if against > limits.CHI2_95 else None
    return GlassFit(thickness_mm, low, high, evidence, both_sides, against, limit, lamps, profile)


def _at_every_thickness(patches: Sequence[Patch], without: Sequence[Fit]) -> dict[float, list[Fit]]:
    """{thickness [mm]: each lamp's fit}, finely round the best."""
    fits: dict[float, list[Fit]] = {}

    def look(thickness: float) -> None:
        key = round(float(thickness), 3)
        if key in fits:
            return
        # From the fit at the nearest thickness: what is fitted changes little from one to the next.
        nearest = min(fits, key=lambda other: abs(other - key), default=None)
        begins = without if nearest is None else fits[nearest]
        fits[key] = [fit_patch(p, key, begin.parameters) for p, begin in zip(patches, begins, strict=True)]

    for thickness in COARSE_MM:
        look(thickness)
    _begun_anew(patches, fits)
    total = {key: sum(fit.cost for fit in fits[key]) for key in fits}
    best_mm = min(total, key=lambda key: total[key])
    for thickness in np.arange(best_mm - FINE_HALF_MM, best_mm + FINE_HALF_MM + 1e-6, FINE_STEP_MM):
        if THINNEST_GLASS_MM <= thickness <= limits.MOST_GLASS_MM + 0.75:
            look(thickness)
    return fits


def _telling(fits: dict[float, list[Fit]], number: int) -> tuple[float, ...]:
    """Thicknesses whose fits of one lamp are good places to begin: the best one's, the thinnest's, the
    thickest's.
    """
    return min(fits, key=lambda key: fits[key][number].cost), min(fits), max(fits)


def _begun_anew(patches: Sequence[Patch], fits: dict[float, list[Fit]]) -> None:
    """Lamps may be stuck where they came from: saturated ones are also begun far brighter, all from their own best.

    At the best thickness of all; what is better there is tried near by.
    """
    total = {key: sum(fit.cost for fit in fits[key]) for key in fits}
    best = sorted(fits, key=lambda key: total[key])[:1]
    for number, patch in enumerate(patches):
        starts = [patch.start(brightness) for brightness in STARTS[1:]] if patch.full.any() else []
        starts.append(min((fits[key][number] for key in fits), key=lambda fit: fit.cost).parameters)
        for key in best:
            again = min((fit_patch(patch, key, start) for start in starts), key=lambda fit: fit.cost)
            if again.cost + 1.0 < fits[key][number].cost:
                fits[key][number] = again
                for near in fits:
                    tried = fit_patch(patch, near, again.parameters)
                    if tried.cost < fits[near][number].cost:
                        fits[near][number] = tried


def _in_all(patches: Sequence[Patch], without: Sequence[Fit], weakest: float) -> float:
    """By how much "no ghosts" beats glass, however polarised its light.

    weakest : the same for ghosts as weak as polarisation can make them. Where that is not plain by itself, all
    brightness is tried, each with what it costs by its prior; once, for the light of all lamps may be alike.
    """
    if weakest > limits.SURE_BARE:
        return weakest

    def unlikely(factor: float) -> float:
        return 2 * ((1 - factor) / limits.FRESNEL_SD) ** 2

    least = weakest + unlikely(limits.LEAST_FACTOR)
    for factor in (0.7, 1.0) if least > limits.SURE_BARE else ():
        least = min(least, float(_against(patches, without, factor).sum(axis=1).min()) + unlikely(factor))
    return least


def _open(fits: dict[float, list[Fit]], without: Sequence[Fit]) -> tuple[Array, float]:
    """Of COARSE_MM those that weak ghosts may still explain, and by how much at least the others are ruled out.

    Ghosts of any brightness fit no worse than weak ones do, but for what their prior takes for being weak.
    """
    none = sum(fit.cost for fit in without)
    prior = len(without) * 2 * ((1 - limits.LEAST_FACTOR) / limits.FRESNEL_SD) ** 2
    bounds = np.array([sum(fit.cost for fit in fits[round(float(mm), 3)]) - none - prior for mm in COARSE_MM])
    left = bounds < max(float(bounds.min()) + 1e-9, RULED_OUT * limits.SURE_BARE)
    return COARSE_MM[left], float(bounds[~left].min(initial=np.inf))


def _against(
    patches: Sequence[Patch], without: Sequence[Fit], factor: float, thicknesses_mm: Array = COARSE_MM
) -> Array:
    """(thicknesses, lamps) by how much "no ghosts" beats glass whose ghosts have that share of Fresnel's
    brightness.
    """
    half = (factor, factor)
    return np.array(
        [
            [
                fit_patch(patch, float(thickness), fit.parameters, half).cost - fit.cost
                for patch, fit in zip(patches, without, strict=True)
            ]
            for thickness in thicknesses_mm
        ]
    )


def one_sided(patch: Patch, thickness_mm: float, fit: Fit) -> float:
    """The cost of a ghost on one side only: what a neighbouring lamp or a highlight can explain."""
    sides = ((np.nan, 0.0), (0.0, np.nan))
    return min(fit_patch(patch, thickness_mm, fit.parameters, hold).cost for hold in sides)


def _begun(patch: Patch) -> tuple[Patch, Fit]:
    """The patch with noise scale and correlation from the residuals of what fits it best; its fit without
    ghosts.
    """
    rough = patch.scaled(1.5, 4.0)
    starts = STARTS if patch.full.any() else (1.0,)
    bare = [fit_patch(rough, None, rough.start(brightness)) for brightness in starts]
    first = min(bare, key=lambda fit: fit.cost)
    tried: list[tuple[float | None, Fit]] = [(None, first)]
    for thickness in (2.0, 3.5, 5.5, 8.0):
        tried.append((thickness, fit_patch(rough, thickness, first.parameters)))
    thickness_mm, best = min(tried, key=lambda item: item[1].cost)
    residual = rough.whitened(rough.drawn(best.parameters, rough.ghosts(thickness_mm or THINNEST_COMMON_MM)))
    known = residual[~patch.full] * rough.scale
    scale = float(np.clip(1.4826 * np.median(np.abs(known)), limits.LEAST_SCALE, limits.MOST_SCALE))
    settled = patch.scaled(scale, _correlation(patch, residual * rough.scale / scale))
    return settled, min((fit_patch(settled, None, fit.parameters) for fit in bare), key=lambda fit: fit.cost)


def _correlation(patch: Patch, residual: Array) -> float:
    """How many pixels count as one, from a patch's own residuals."""
    places = np.floor(patch.places_px / patch.block).astype(int)
    places -= places.min(axis=0)
    grid = np.full(places.max(axis=0)[::-1] + 1, np.nan)
    grid[places[:, 1], places[:, 0]] = np.where(patch.full, np.nan, residual)
    return correlation_of(grid, 1.0)


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
    inside = fine[curve - curve[best] < limits.CHI2_95]
    common = 1.96 * limits.COMMON_SHARE * value
    low = value - float(np.hypot(max(value - inside[0], 0.0), common))
    high = value + float(np.hypot(max(inside[-1] - value, 0.0), common))
    return float(value), max(low, 0.0), high, np.column_stack([thick, cost - curve[best]])


def _limit(patches: Sequence[Patch], without: Sequence[Fit]) -> float | None:
    """The brightest ghost of the thinnest glass that the photo can not rule out, as a share of the main image."""
    none = sum(fit.cost for fit in without)
    share = float(np.mean([patch.ratios[:2].mean() for patch in patches]))
    excluded, hidden = -1, len(FACTORS)  # the fainter, the less ruled out: halving finds where that ends
    while hidden - excluded > 1:
        middle = (excluded + hidden) // 2
        factor = FACTORS[middle]
        cost = sum(
            fit_patch(patch, THINNEST_COMMON_MM, fit.parameters, (factor, factor)).cost
            for patch, fit in zip(patches, without, strict=True)
        )
        if cost - none < limits.CHI2_95:
            hidden = middle
        else:
            excluded = middle
    return None if excluded < 0 else FACTORS[excluded] * share


__all__ = ["N_ALL", "Fit", "GlassFit", "LampFit", "fit_glass", "fit_patch", "one_sided"]

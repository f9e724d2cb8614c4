"""Ghost pairs without the sheet: flanking spots at equal distances on one line, in whatever direction they lie.

Without the mirror's plane a lamp's ghosts may lie in any direction and at any distance, but the front face's and
the first extra trip's still lie opposite each other, equally far to 1 part in 20, with 4 to 6 % of the light each,
and alike for all lamps of one mirror. That tells glass from none where ghosts are seen. How thick it is hangs on
the angle at which it is seen, which a photo without the sheet does not tell.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from .cutting import noise_of, patch_of, square_round
from .descent import fit_patch
from .ghost_geometry import Lamp, LineView
from .lamps import Light, Mask, Spot
from .likelihood import GlassFit, fit_glass
from .patch import FRONT, LATER, LOG_SCALE, LONGER, Patch
from .shape import shrinking, soft_disc

Array = NDArray[np.float64]

#: Directions over half a turn, and distances [px] of the first search.
DIRECTIONS = 24
DISTANCES_PX = np.concatenate([np.arange(3.0, 12.0, 1.0), np.arange(12.0, 44.0, 2.0)])
#: The first search takes every second pixel of lamps of twice this radius [px], every third at most; and not where
#: fewer than so many would be left.
PIXELS_A_RADIUS, MOST_THINNED, LEAST_KEPT = 3.0, 3, 400
#: The fit's own steps of thickness stand for distances here: so many of them at the best one.
STEPS_AT_BEST = 3.0
#: Directions of one mirror's ghosts agree within this [rad], their distances within this factor; choices.
PARALLEL, ALIKE = np.radians(15.0), 1.4
#: A lone lamp's pair has to be this much surer than the pattern of several; a choice.
SURE_ALONE = 100.0
#: Chi-square by which a pair beats no ghosts, and each side the lack of it, to count at all.
SURE, SURE_OF_BOTH = 25.0, 16.0
#: Spots that are looked at, brightest first.
MOST_SPOTS = 6
#: Other spots with at least this share of a lamp's light are lamps.
LAMP_SHARE = 0.65


@dataclass(frozen=True, eq=False)
class Pair:
    """A lamp's ghosts: (2,) [px] from the main image to the first extra trip, sd of its length, and the fit."""

    apart_px: Array
    sd_px: float
    fit: GlassFit

    @property
    def length_px(self) -> float:
        """Distance of each ghost from the main image [px]."""
        return float(np.hypot(*self.apart_px))


def ghost_pairs(
    light: Light, full: Mask, spots: Sequence[Spot], progress: Callable[[str], None] | None = None
) -> tuple[Pair, ...]:
    """The lamps of a photo that ghosts flank in one direction, at about one distance; empty for none.

    progress : called with a few words before each spot is searched
    """
    chosen = sorted(spots, key=lambda spot: -spot.peak * spot.radius_px)[:MOST_SPOTS]
    found = []
    for number, spot in enumerate(chosen):
        if progress is not None:
            progress(f"ghosts alone: bright spot {number + 1} of {len(chosen)}")
        pair = _pair(spot, light, full, spots)
        if pair is not None:
            found.append(pair)
    alike = max((_alike(pair, found) for pair in found), key=len, default=[])
    if len(alike) == 1 and min(alike[0].fit.evidence, alike[0].fit.both_sides) < SURE_ALONE:
        return ()
    return tuple(alike)


def _alike(first: Pair, pairs: Sequence[Pair]) -> list[Pair]:
    """Those parallel to the first, at about its distance."""
    result = []
    for pair in pairs:
        cosine = abs(float(first.apart_px @ pair.apart_px)) / (first.length_px * pair.length_px)
        factor = pair.length_px / first.length_px
        if cosine > np.cos(PARALLEL) and 1 / ALIKE < factor < ALIKE:
            result.append(pair)
    return result


def _pair(spot: Spot, light: Light, full: Mask, others: Sequence[Spot]) -> Pair | None:
    """The ghosts of one spot; None where nothing flanks it."""
    # Far less light than the lamp: perhaps its ghost, which is what is looked for.
    others = [
        other for other in others if other.peak * other.radius_px**2 > LAMP_SHARE * spot.peak * spot.radius_px**2
    ]
    round_about = _round_patch(spot, light, full, others)
    if round_about is None:
        return None
    tried = [patch_of(round_about.lamp, LineView(step), light, full, others) for step in _candidates(round_about)]
    promising = [(_gain(patch.scaled(3.0, 1.0)), patch) for patch in tried if patch is not None]
    gain, patch = max(promising, key=lambda item: item[0], default=(0.0, None))
    if patch is None or gain < SURE / 4:
        return None
    best = fit_glass([patch])
    if best.evidence < SURE or best.both_sides < SURE_OF_BOTH:
        return None
    lamp = best.lamps[0]
    if not all(0.4 < value < 2.0 for value, _ in lamp.factors):
        return None
    apart = lamp.patch.offsets(best.thickness_mm)[1] * float(np.exp(lamp.best.parameters[LOG_SCALE]))
    sd = (best.high_mm - best.low_mm) / 3.92 / best.thickness_mm * float(np.hypot(*apart))
    return Pair(apart, sd, best)


def _gain(patch: Patch) -> float:
    """Chi-square, with noise overstated, by which ghosts at the candidate's own distance beat none."""
    without = fit_patch(patch, None)
    return without.cost - fit_patch(patch, STEPS_AT_BEST, without.parameters).cost


def _round_patch(spot: Spot, light: Light, full: Mask, others: Sequence[Spot]) -> Patch | None:
    """All pixels round a spot, away from others."""
    half = int(np.ceil(DISTANCES_PX[-1] / 2 + spot.radius_px + 6))
    square = square_round(spot, half, light, full)
    if square is None:
        return None
    places = square.places_px
    chosen = np.ones(len(places), bool)
    for other in others:
        if other is not spot:
            chosen &= np.hypot(*(places - other.centre_px).T) > 1.3 * other.radius_px + 3.0
    if (chosen & ~square.full).sum() < 100:
        return None
    view = LineView(np.array([1.0, 0.0]))
    lamp = Lamp(spot, None, np.zeros(3))
    return Patch(
        lamp, view, 0, places[chosen], square.light.ravel()[chosen], square.full[chosen],
        noise_of(square.light).ravel()[chosen],
        view.ghost_ratios(lamp.position_mm), 3.0,
    )  # fmt: skip


def _candidates(patch: Patch, count: int = 2) -> list[Array]:
    """Steps [px] of the directions and distances where a pair on both sides explains most of what is left over.

    A score test: what each pair explains of the residuals of "no ghosts", that fit's own parameters left free.
    """
    patch = _thinned(patch)
    p = fit_patch(patch, None).parameters
    free = np.ones(len(p), bool)
    free[[FRONT, LATER, LOG_SCALE]] = False
    residual, slopes = patch.linearised(patch.drawn(p, patch.ghosts(1.0)), free)
    pulls = residual != 0
    basis, _ = np.linalg.qr(slopes[pulls][:, free])
    left = residual[pulls] - basis @ (basis.T @ residual[pulls])
    ghost = _Ghost(patch, p, pulls)
    scored = []
    for turn in range(2 * DIRECTIONS):
        for distance in DISTANCES_PX:
            both = np.column_stack(
                [
                    patch.ratios[0] * ghost.at(turn + DIRECTIONS, distance),
                    patch.ratios[1] * ghost.at(turn, distance) + patch.ratios[2] * ghost.at(turn, 2 * distance),
                ]
            )
            both -= basis @ (basis.T @ both)
            scored.append((_explained(both, left), distance * _direction(turn)))
    scored.sort(key=lambda item: -item[0])
    chosen: list[Array] = []
    for _, step in scored:
        if all(np.hypot(*(step - other)) > 0.35 * np.hypot(*other) for other in chosen):
            chosen.append(step / STEPS_AT_BEST)
        if len(chosen) == count:
            break
    return chosen


def _thinned(patch: Patch) -> Patch:
    """Every second or third pixel each way round a large lamp: its ghosts are large too."""
    every = int(np.clip(patch.lamp.reflected.radius_px / PIXELS_A_RADIUS, 1, MOST_THINNED))
    if every == 1:
        return patch
    kept = (patch.places_px % every == 0).all(axis=1)
    if (kept & ~patch.full).sum() < LEAST_KEPT:
        return patch
    return replace(
        patch,
        places_px=patch.places_px[kept],
        light=patch.light[kept],
        full=patch.full[kept],
        noise=patch.noise[kept],
    )


def _direction(turn: int) -> Array:
    angle = turn * np.pi / DIRECTIONS
    return np.array([np.cos(angle), np.sin(angle)])


class _Ghost:
    """Whitened light of a lamp's image elsewhere, as bright as the lamp: each place is drawn once.

    The front ghost in one direction lies where the first extra trip's does in the opposite one.
    """

    def __init__(self, patch: Patch, p: Array, pulls: Mask) -> None:
        self._away = patch.places_px[pulls] - p[:2]
        self._sd = (patch.noise * patch.scale)[pulls] / np.exp(p[2])
        self._profile = soft_disc(float(np.exp(p[3])), float(np.exp(p[4])))
        self._shrink = shrinking(p[LONGER])
        self._drawn: dict[tuple[int, float], Array] = {}

    def at(self, turn: int, distance: float) -> Array:
        """(n,) in one of the directions, counted round; distance [px]."""
        key = turn % (2 * DIRECTIONS), float(distance)
        if key not in self._drawn:
            moved = (self._away - distance * _direction(key[0])) @ self._shrink
            far2 = moved[:, 0] ** 2 + moved[:, 1] ** 2
            near = np.flatnonzero(far2 < self._profile[0][-1] ** 2)
            light = np.zeros(len(moved))
            light[near] = np.interp(np.sqrt(far2[near]), *self._profile, right=0.0) / self._sd[near]
            self._drawn[key] = light
        return self._drawn[key]


def _explained(both: Array, left: Array) -> float:
    """Chi-square that the weaker of two ghosts explains beside the stronger one; 0 where either would be dark."""
    gram = both.T @ both + 1e-9 * np.eye(2)
    pull = both.T @ left
    share = np.linalg.solve(gram, pull)
    if share.min() <= 0:
        return 0.0
    whole = float(pull @ share)
    return whole - max(float(pull[i] ** 2 / gram[i, i]) for i in (0, 1))

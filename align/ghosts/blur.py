"""Why lamps look blurred: focus, shake, glare, a haze on the mirror, ghosts; each has its own sign.

A lamp seen directly tells what camera and lens do; what its reflection has beyond that, the mirror does. Measured
on each: how soft its edge is, how far its bright core is drawn out and which way, how brightly it glows beyond its
edge. The thresholds are choices; tests/bench/blur.py says how often they name the right cause (docs/glass.md).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from .ghost_geometry import Lamp, LineView, MirrorView
from .lamps import Light, Mask, Spot, drawn_out
from .likelihood import GlassFit, LampFit, fit_patch, one_sided
from .patch import Patch, square_round

Array = NDArray[np.float64]

#: Edges softer than this (sd) [px of a 4000 px photo] are out of focus: a phone in focus has about 1.
SOFT_PX = 2.0
#: Reflections this many times as soft as the lamps themselves: focus changes with distance.
SOFTER = 1.6
#: Cores drawn out by more than this [px of a 4000 px photo] were moved while exposed.
DRAWN_OUT_PX = 4.0
#: ... and in one direction: length of the mean of their directions, angles doubled (1: all alike).
ONE_DIRECTION = 0.9
#: Light this far beyond the soft edge [px of a 4000 px photo] is glow; more than GLOW of full light is visible.
BEYOND_PX, GLOW = 6.0, 0.01
#: A reflection glows by itself when it is this many times brighter than the lens's own glare makes it.
HAZIER = 2.0
#: Chi-square by which ghosts beside most of the lamps themselves count.
ALSO = 16.0
#: ... and the share of what the reflections' own ghosts count for: another lamp's ghost near by is far weaker.
ALSO_SHARE = 0.2
#: How far round a lamp seen directly the light is fitted, beyond its radius [px].
REACH_PX = 26.0

FOCUS, SHAKE, GLARE, HAZE, GHOSTS = "focus", "shake", "glare", "haze", "ghosts"
#: What each shows, and what to do.
WORDS = {
    FOCUS: (
        "The lamps' edges are soft all round.",
        "Focus on the lamps' reflections: they are farther away than the mirror; step back a little.",
    ),
    SHAKE: (
        "All lamps are drawn out in one direction, also those seen directly.",
        "Rest the phone on something firm and use the self-timer.",
    ),
    GLARE: (
        "The lamps glow round about, also those seen directly.",
        "Wipe the phone's lens, and keep lamps outside the picture from shining on it.",
    ),
    HAZE: (
        "The reflections glow round about more than the lamps themselves.",
        "Clean the mirror; a new front-coated one may still carry its protective film, which is peeled off.",
    ),
    GHOSTS: (
        "Ghosts flank the reflections along one line, that of the glass.",
        "Only other glass helps: thinner glass sets them closer, a front-coated mirror has none.",
    ),
}


@dataclass(frozen=True)
class Look:
    """How a lamp looks, as itself or in the mirror.

    radius_px, soft_px : of its disc and its edge (sd); glow : linear light BEYOND_PX beyond the soft edge, full
    scale being 1; drawn_out_px : (2,) how far its core is longer than wide, with its direction's angle doubled;
    patch : the pixels of a lamp seen directly.
    """

    radius_px: float
    soft_px: float
    glow: float
    drawn_out_px: tuple[float, float] = (0.0, 0.0)
    patch: Patch | None = field(default=None, repr=False)


def direct_look(lamp: Lamp, view: MirrorView, light: Light, full: Mask, others: Sequence[Spot]) -> Look | None:
    """How the lamp itself looks; None where it is not seen, at the photo's edge or too near to another spot."""
    spot = lamp.direct
    if spot is None:
        return None
    half = int(np.ceil(spot.radius_px + REACH_PX))
    square = square_round(spot, half, light, full)
    if square is None:
        return None
    places = square.places_px
    chosen = np.hypot(*(places - spot.centre_px).T) < half
    for other in others:
        apart = float(np.hypot(*np.subtract(other.centre_px, spot.centre_px)))
        if other is not spot and apart < spot.radius_px + other.radius_px + 4.0:
            return None
        if other is not spot:
            chosen &= np.hypot(*(places - other.centre_px).T) > 1.5 * other.radius_px + 8.0
    patch = Patch(
        Lamp(spot, None, lamp.position_mm), view, 0, places[chosen], square.light.ravel()[chosen],
        square.full[chosen], square.noise[chosen], np.zeros(3), 3.0,
    )  # fmt: skip
    return replace(_look(fit_patch(patch, None).parameters, drawn_out(square.light, half)), patch=patch)


def reflected_look(lamp: LampFit) -> Look:
    """How the lamp's reflection looks, its ghosts apart."""
    return _look((lamp.best if lamp.evidence > 0 else lamp.without).parameters, (0.0, 0.0))


def _look(p: Array, longer: tuple[float, float]) -> Look:
    radius, soft = float(np.exp(p[3])), float(np.exp(p[4]))
    beyond = radius + 2.0 * soft + BEYOND_PX
    halo = (1.0 + (beyond / (2.0 * (radius + soft))) ** 2) ** -1.5
    return Look(radius, soft, float(np.exp(p[2]) * p[5] * halo), longer)


def lamps_show_it_too(fit: GlassFit, looks: Sequence[Look | None]) -> bool:
    """Whether lamps seen directly are flanked as their reflections are: by lens or hand then, not by glass."""
    looked = shown = 0
    evidence = 0.0
    for look, lamp in zip(looks, fit.lamps, strict=True):
        if look is None or look.patch is None or fit.thickness_mm <= 0:
            continue
        view = LineView(lamp.patch.offsets(fit.thickness_mm)[1] / fit.thickness_mm)
        patch = replace(look.patch, view=view, ratios=lamp.patch.ratios)
        patch = patch.scaled(lamp.patch.scale, lamp.patch.correlation)
        without = fit_patch(patch, None)
        best = fit_patch(patch, fit.thickness_mm, without.parameters)
        gain, gain_of_both = without.cost - best.cost, one_sided(patch, fit.thickness_mm, best) - best.cost
        looked, shown = looked + 1, shown + (gain > ALSO and gain_of_both > ALSO)
        evidence += max(gain, 0.0)
    return 2 * shown > looked and evidence > ALSO_SHARE * fit.evidence


def causes_of(
    fit: GlassFit, looks: Sequence[Look | None], ghosts_seen: bool, long_side_px: int
) -> tuple[str, ...] | None:
    """What blurs the lamps' reflections, of FOCUS, SHAKE, GLARE, HAZE, GHOSTS; None where no lamp is seen directly.

    Parameters
    ----------
    looks : how each lamp of `fit` looks itself; ghosts_seen : the verdict is back-silvered
    """
    both = [(look, reflected_look(lamp)) for look, lamp in zip(looks, fit.lamps, strict=True) if look is not None]
    if not both:
        return None
    scale = long_side_px / 4000.0
    direct = [look for look, _ in both]
    found = []
    shaken = _shaken([look.drawn_out_px for look in direct], DRAWN_OUT_PX * scale)
    own = float(np.median([look.soft_px for look in direct]))
    reflected = float(np.median([look.soft_px for _, look in both]))
    if not shaken and (own > SOFT_PX * scale or reflected > max(SOFT_PX * scale, SOFTER * own)):
        found.append(FOCUS)
    if shaken:
        found.append(SHAKE)
    glare = float(np.median([look.glow for look in direct]))
    if glare > GLOW:
        found.append(GLARE)
    beyond = [image.glow - HAZIER * look.glow * (image.radius_px / look.radius_px) ** 2 for look, image in both]
    if float(np.median(beyond)) > GLOW / 2:
        found.append(HAZE)
    return (*found, GHOSTS) if ghosts_seen else tuple(found)


def _shaken(longer: Sequence[tuple[float, float]], limit_px: float) -> bool:
    """All lamps drawn out in one direction."""
    vectors = np.array(longer)
    lengths = np.hypot(*vectors.T)
    if np.median(lengths) < limit_px:
        return False
    directions = vectors / np.maximum(lengths, 1e-9)[:, None]
    return bool(np.hypot(*directions.mean(axis=0)) > ONE_DIRECTION)

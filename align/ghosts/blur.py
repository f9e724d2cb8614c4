"""Why lamps look blurred: focus, shake, glare, a haze on the mirror, ghosts; each has its own sign.

A lamp seen directly tells what camera and lens do; what its reflection has beyond that, the mirror does. Measured
on each: how soft its edge is, how far its bright core is drawn out and which way, how brightly it glows beyond its
edge. The thresholds (thresholds.py) are choices; tests/bench/blur.py says how often they name the right cause
(docs/glass.md).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from ..sighting.boards import Board
from . import thresholds as limits
from .background import background_of
from .cutting import distance_to_line, noise_of, square_round
from .descent import fit_patch
from .ghost_geometry import Lamp, LineView, MirrorView
from .lamps import Light, Mask, Spot, drawn_out
from .likelihood import GlassFit, one_sided
from .patch import Patch

Array = NDArray[np.float64]

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

    radius_px, soft_px : of its disc and its edge (sd); glow : linear light limits.BEYOND_PX beyond the soft edge,
    full scale being 1; drawn_out_px : (2,) how far its core is longer than wide, with its direction's angle
    doubled; patch : the pixels of a lamp seen directly.
    """

    radius_px: float
    soft_px: float
    glow: float
    drawn_out_px: tuple[float, float] = (0.0, 0.0)
    patch: Patch | None = field(default=None, repr=False)


@dataclass(frozen=True)
class Looks:
    """How a lamp itself looks, and how its reflection does, away from where its ghosts would be."""

    direct: Look
    reflected: Look


def looks_of(
    lamp: Lamp, view: MirrorView, light: Light, full: Mask, others: Sequence[Spot], boards: Sequence[Board] = ()
) -> Looks | None:
    """Both looks of a lamp; None where either cannot be told: not seen, at the photo's edge, too near to another
    spot.
    """
    if lamp.direct is None:
        return None
    ends = view.ghosts(lamp, limits.MOST_GLASS_MM).offsets[:2]
    direct = _look_at(lamp.direct, None, lamp, view, light, full, others, boards)
    reflected = _look_at(lamp.reflected, ends, lamp, view, light, full, others, boards)
    return None if direct is None or reflected is None else Looks(direct, reflected)


def _look_at(
    spot: Spot, ends: Array | None, lamp: Lamp, view: MirrorView, light: Light, full: Mask, others: Sequence[Spot],
    boards: Sequence[Board],
) -> Look | None:  # fmt: skip
    """How one spot looks. ends : (2, 2) [px] the farthest ghosts, whose line is left out; None: there are none."""
    reach = 1.6 * spot.radius_px + 6.0
    square = square_round(spot, int(np.ceil(spot.radius_px + REACH_PX)), light, full)
    if square is None or min(square.light.shape) < 2 * spot.radius_px + REACH_PX:
        return None
    places = square.places_px
    far = np.hypot(*(places - spot.centre_px).T)
    chosen, free = far < spot.radius_px + REACH_PX, (far > reach) & ~square.full
    if ends is not None:
        on_line = (distance_to_line(places - spot.centre_px, ends) < spot.radius_px + 4.0) & (far > spot.radius_px)
        chosen, free = chosen & ~on_line, free & ~on_line
    for other in others:
        if other is spot:
            continue
        apart = float(np.hypot(*np.subtract(other.centre_px, spot.centre_px)))
        if ends is None and apart < spot.radius_px + other.radius_px + 4.0:
            return None
        away = np.hypot(*(places - other.centre_px).T) > 1.5 * other.radius_px + 8.0
        chosen, free = chosen & away, free & away
    # An even slope behind it, and the print: a glow is no background.
    behind = background_of(square.light, square.corner, boards, free.reshape(square.light.shape), 1e9)
    alone = square.light - behind.light
    if (chosen & ~square.full).sum() < 40:
        return None
    noise = np.hypot(noise_of(alone, square.light), behind.sd).ravel()
    patch = Patch(
        Lamp(spot, None, lamp.position_mm), view, 0, places[chosen], alone.ravel()[chosen],
        square.full[chosen], noise[chosen], np.zeros(3), 1.0, 4.0, longer=spot.longer, longer_sd=0.2,
    )  # fmt: skip
    middle = [round(at) - first for at, first in zip(spot.centre_px, square.corner, strict=True)]
    half = min(*middle, *(side - 1 - at for side, at in zip(square.light.shape[::-1], middle, strict=True)))
    part = alone[middle[1] - half : middle[1] + half + 1, middle[0] - half : middle[0] + half + 1]
    return replace(_look(_brightest(patch), drawn_out(part, half)), patch=patch)


def _brightest(patch: Patch) -> Array:
    """Parameters of the best fit; a saturated lamp's brightness shows only in its skirts."""
    starts = (1.5, 8.0) if patch.full.any() else (1.0,)
    return min(
        (fit_patch(patch, None, patch.start(start)) for start in starts), key=lambda fit: fit.cost
    ).parameters


def _look(p: Array, longer: tuple[float, float]) -> Look:
    radius, soft = float(np.exp(p[3])), float(np.exp(p[4]))
    beyond = radius + 2.0 * soft + limits.BEYOND_PX
    halo = (1.0 + (beyond / (2.0 * (radius + soft))) ** 2) ** -1.5
    return Look(radius, soft, float(np.exp(p[2]) * p[5] * halo), longer)


def lamps_show_it_too(fit: GlassFit, looks: Sequence[Looks | None]) -> bool:
    """Whether lamps seen directly are flanked as their reflections are: by lens or hand then, not by glass."""
    looked = shown = 0
    evidence = 0.0
    for look, lamp in zip(looks, fit.lamps, strict=True):
        if look is None or look.direct.patch is None or fit.thickness_mm <= 0:
            continue
        view = LineView(lamp.patch.offsets(fit.thickness_mm)[1] / fit.thickness_mm)
        patch = replace(look.direct.patch, view=view, ratios=lamp.patch.ratios)
        patch = patch.scaled(lamp.patch.scale, lamp.patch.correlation)
        without = fit_patch(patch, None)
        best = fit_patch(patch, fit.thickness_mm, without.parameters)
        gain, gain_of_both = without.cost - best.cost, one_sided(patch, fit.thickness_mm, best) - best.cost
        looked, shown = looked + 1, shown + (gain > limits.ALSO and gain_of_both > limits.ALSO)
        evidence += max(gain, 0.0)
    return 2 * shown > looked and evidence > limits.ALSO_SHARE * fit.evidence


def causes_of(looks: Sequence[Looks | None], ghosts_seen: bool, long_side_px: int) -> tuple[str, ...] | None:
    """What blurs the lamps' reflections, of FOCUS, SHAKE, GLARE, HAZE, GHOSTS; None where no lamp is seen directly.

    Parameters
    ----------
    looks : of the lamps; ghosts_seen : the verdict is back-silvered
    """
    both = [(look.direct, look.reflected) for look in looks if look is not None]
    if not both:
        return None
    # A lens blurs by about a pixel however small the photo is.
    scale = max(long_side_px / 4000.0, limits.LEAST_BLUR_SCALE)
    direct = [look for look, _ in both]
    found = []
    shaken = _shaken([look.drawn_out_px for look in direct], limits.DRAWN_OUT_PX * scale)
    own = float(np.median([look.soft_px for look in direct]))
    reflected = float(np.median([look.soft_px for _, look in both]))
    if not shaken and (
        own > limits.SOFT_PX * scale or reflected > max(limits.SOFT_PX * scale, limits.SOFTER * own)
    ):
        found.append(FOCUS)
    if shaken:
        found.append(SHAKE)
    glare = float(np.median([look.glow for look in direct]))
    if glare > limits.GLOW:
        found.append(GLARE)
    beyond = [
        image.glow - limits.HAZIER * look.glow * (image.radius_px / look.radius_px) ** 2 for look, image in both
    ]
    if float(np.median(beyond)) > limits.GLOW / 2:
        found.append(HAZE)
    return (*found, GHOSTS) if ghosts_seen else tuple(found)


def _shaken(longer: Sequence[tuple[float, float]], limit_px: float) -> bool:
    """All lamps drawn out in one direction."""
    vectors = np.array(longer)
    lengths = np.hypot(*vectors.T)
    # One lamp alone may itself be long; several that are were moved by as much as one another.
    if len(lengths) < 2 or np.median(lengths) < limit_px or lengths.max() > limits.ALIKE_LENGTHS * lengths.min():
        return False
    directions = vectors / np.maximum(lengths, 1e-9)[:, None]
    return bool(np.hypot(*directions.mean(axis=0)) > limits.ONE_DIRECTION)

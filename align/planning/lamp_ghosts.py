"""Ghosts of lamps, before a mirror is bought: how far apart and how bright, from every eye, for every
glass."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ..optics.slab import image_strength, solve_chief_ray
from .bend import EYE_RESOLVES
from .scene import Lamp, Mirror, Scene
from .seam import GLASSES_MM
from .sightlines import seen_in_mirror

Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class LampGhosts:
    """One lamp in one glass, over the eyes that see its reflection.

    seen_share : of all eyes; separation_min, separation_max : [rad] between the main image and the front-face
    ghost (the first extra trip lies as far on the other side); disc_max : [rad] the lamp's own seen diameter
    told_apart_share : of the seeing eyes for which the separation exceeds what the eye resolves
    doubled_share : of them for which the ghost also clears the lamp's own disc
    front_ratio, trip_ratio : brightness of the front ghost and of the first extra trip over the main image's
    """

    lamp: str
    glass_mm: float
    seen_share: float
    separation_min: float
    separation_max: float
    disc_max: float
    told_apart_share: float
    doubled_share: float
    front_ratio: float
    trip_ratio: float


@dataclass(frozen=True, eq=False)
class GlassAdvice:
    """Which glass to buy and why. glass_mm : 0 = front-coated."""

    glass_mm: float
    reasons: tuple[str, ...]


def lamp_ghosts(scene: Scene, eyes: Array, glasses_mm: Sequence[float] = GLASSES_MM) -> tuple[LampGhosts, ...]:
    """The table: every lamp in every glass.

    Parameters
    ----------
    eyes : (n, 3) [mm]
    """
    return tuple(
        ghosts_of(scene, lamp, replace(scene.mirror, glass_mm=glass), eyes)
        for lamp in scene.lamps
        for glass in sorted({*glasses_mm, scene.mirror.glass_mm})
    )


def ghosts_of(scene: Scene, lamp: Lamp, mirror: Mirror, eyes: Array) -> LampGhosts:
    """One lamp in one glass."""
    at = np.array(lamp.at_mm)
    seen = seen_in_mirror(eyes, at[None], scene.solids, mirror)[:, 0]
    if not seen.any():
        return LampGhosts(lamp.name, mirror.glass_mm, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0)
    front, main, _ = ghost_angles(at, eyes[seen], mirror)
    separation = np.abs(main - front)
    image = at - 2.0 * ((at - mirror.foot_point) @ mirror.normal) * mirror.normal
    disc = lamp.diameter_mm / np.linalg.norm(eyes[seen] - image, axis=1)
    ratios = [0.0, 0.0]
    if mirror.glass_mm > 0:
        whole = image_strength(1, main, index=mirror.index)
        ratios = [float((image_strength(k, main, index=mirror.index) / whole).max()) for k in (0, 2)]
    told_apart = separation > EYE_RESOLVES
    return LampGhosts(
        lamp.name,
        mirror.glass_mm,
        float(seen.mean()),
        float(separation.min()),
        float(separation.max()),
        float(disc.max()),
        float(told_apart.mean()),
        float((told_apart & (separation > disc)).mean()),
        ratios[0],
        ratios[1],
    )


def ghost_angles(at: Array, eyes: Array, mirror: Mirror) -> tuple[Array, Array, Array]:
    """(n,) angles from the normal [rad] at which eyes see the front ghost, the main image and the first
    extra trip.

    All three lie in one plane, that of the normal (design: the forward model), so differences are
    separations.
    """
    height = float((at - mirror.foot_point) @ mirror.normal)
    eye_height = (eyes - mirror.foot_point) @ mirror.normal
    separation = eyes - at
    lateral = np.sqrt(np.maximum((separation**2).sum(axis=1) - (eye_height - height) ** 2, 0.0))
    angles = [
        np.arctan(solve_chief_ray(height + eye_height, lateral, order * mirror.glass_mm, mirror.index))
        for order in (0, 1, 2)
    ]
    return angles[0], angles[1], angles[2]


def glass_advice(ghosts: Sequence[LampGhosts]) -> GlassAdvice:
    """Which glass to buy: the thickest whose ghosts no eye tells apart; else whose ghosts never leave the
    lamp's
    own disc; else front-coated."""
    by_glass: dict[float, list[LampGhosts]] = {}
    for row in ghosts:
        if row.seen_share > 0:
            by_glass.setdefault(row.glass_mm, []).append(row)
    if not by_glass:
        return GlassAdvice(
            4.0,
            (
                "No viewer meets a lamp in the mirror, so ghosts do not decide.",
                "4 mm back-silvered glass stays flat, is cheap and can be cleaned; hide its seam with the mask.",
            ),
        )
    worst = {glass: max(row.separation_max for row in rows) for glass, rows in by_glass.items() if glass > 0}
    unseen = [glass for glass, angle in worst.items() if angle <= EYE_RESOLVES]
    rims = [glass for glass in worst if all(row.doubled_share == 0 for row in by_glass[glass])]
    if unseen:
        return GlassAdvice(max(unseen), _unseen_reasons(max(unseen), worst))
    if rims:
        return GlassAdvice(max(rims), _rim_reasons(max(rims), min(rims), by_glass, worst))
    return GlassAdvice(0.0, _front_coated_reasons(by_glass, worst))


def _unseen_reasons(best: float, worst: dict[float, float]) -> tuple[str, ...]:
    return (
        f"With {best:g} mm back-silvered glass every ghost stays within {_arcmin(worst[best]):.1f}′ of its "
        f"lamp; "
        f"the eye resolves {_arcmin(EYE_RESOLVES):.0f}′.",
        "Of such glasses the thickest stays flattest and is the safest to handle.",
    )


def _rim_reasons(
    best: float, thinnest: float, by_glass: dict[float, list[LampGhosts]], worst: dict[float, float]
) -> tuple[str, ...]:
    ratio = max(row.front_ratio for row in by_glass[best])
    words = [
        f"Up to {best:g} mm no ghost stands clear of its lamp: it shows as a faint rim, at most {ratio:.0%} "
        f"as "
        "bright as the lamp, not as a second lamp.",
    ]
    if thinnest < best:
        words.append(
            f"{thinnest:g} mm narrows the rim to {_arcmin(worst[thinnest]):.1f}′ (from "
            f"{_arcmin(worst[best]):.1f}′) and the seam in proportion, but bends more easily: back it with a "
            f"board."
        )
    words.append(
        "Only a front-coated mirror has neither rim nor seam; its coating scratches, so it must hang out of "
        "reach "
        "and be dusted with air only."
    )
    return tuple(words)


def _front_coated_reasons(by_glass: dict[float, list[LampGhosts]], worst: dict[float, float]) -> tuple[str, ...]:
    thinnest = min(worst)
    doubled = [row for row in by_glass[thinnest] if row.doubled_share > 0]
    ratio = max(row.front_ratio for row in doubled)
    names = ", ".join(row.lamp for row in doubled)
    return (
        f"Even {thinnest:g} mm back-silvered glass doubles a lamp ({names}): a ghost up to "
        f"{_arcmin(worst[thinnest]):.1f}′ away, at most {ratio:.0%} as bright; the eye resolves "
        f"{_arcmin(EYE_RESOLVES):.0f}′.",
        "A front-coated mirror has no ghosts and no seam, but its coating scratches: hang it out of reach, "
        "and "
        "dust it with air only.",
        f"To stay with glass, take {thinnest:g} mm, and shade, dim or move those lamps until no viewer meets "
        f"them "
        "in the mirror.",
    )


def _arcmin(angle: float) -> float:
    return math.degrees(angle) * 60.0

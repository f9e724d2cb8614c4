"""Ghosts of lamps, before a mirror is bought: how far apart and how bright, from every eye, for every
glass."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ..optics.slab import image_strength, solve_chief_ray
from .reflections import Way, seen_by_way, sight_images, ways
from .scene import Lamp, Mirror, Scene
from .seam import GLASSES_MM
from .sightlines import seen_in_mirror
from .thresholds import EYE_RESOLVES

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


def lamp_ghosts(scene: Scene, eyes: Array, glasses_mm: Sequence[float] = GLASSES_MM) -> tuple[LampGhosts, ...]:
    """The table of the first mirror: every lamp in every glass.

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
    seen = seen_in_mirror(eyes, at[None], scene.solids, mirror, scene.more_mirrors)[:, 0]
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

    All three lie in one plane, that of the normal (docs/theory.md), so differences are
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


@dataclass(frozen=True, eq=False)
class RepeatedLamp:
    """One lamp by way of two mirrors or more, each with the glass that it has.

    seen_share : of all eyes; separation_max : [rad] between the main image and the farthest of its ghosts
    ratio : brightness of the brightest ghost over the main image's; doubled_share : of the seeing eyes for which a
    ghost is told apart and clears the lamp's own disc
    """

    lamp: str
    way: Way
    seen_share: float
    separation_max: float
    ratio: float
    doubled_share: float


def repeated_lamps(scene: Scene, eyes: Array) -> tuple[RepeatedLamp, ...]:
    """Every lamp by every way of two reflections or more that some eye sees it by.

    Parameters
    ----------
    eyes : (n, 3) [mm]
    """
    found = []
    for lamp in scene.lamps:
        at = np.array(lamp.at_mm)
        for way in ways(scene.mirrors):
            if len(way.mirrors) > 1:
                seen = seen_by_way(way, eyes, at[None], scene.solids, scene.mirrors)[:, 0]
                if seen.any():
                    found.append(_repeated(lamp, way, eyes[seen], float(seen.mean())))
    return tuple(found)


def _repeated(lamp: Lamp, way: Way, eyes: Array, share: float) -> RepeatedLamp:
    """Each mirror by itself makes a front ghost and a first extra trip; those of two at once are far weaker."""
    points = np.tile(np.array(lamp.at_mm), (len(eyes), 1))
    main = sight_images(way, eyes, points) - eyes
    disc = lamp.diameter_mm / np.linalg.norm(main, axis=1)
    separation, ratio, doubled = 0.0, 0.0, np.zeros(len(eyes), bool)
    for number, mirror in enumerate(way.mirrors):
        if mirror.glass_mm == 0.0:
            continue
        cosine = np.abs(main @ way.normals[number]) / np.linalg.norm(main, axis=1)
        incidence = np.arccos(np.clip(cosine, 0.0, 1.0))
        whole = image_strength(1, incidence, index=mirror.index)
        for passes in (0, 2):
            counts = [1] * len(way.mirrors)
            counts[number] = passes
            ghost = sight_images(way, eyes, points, counts) - eyes
            apart = np.arctan2(np.linalg.norm(np.cross(main, ghost), axis=1), (main * ghost).sum(axis=1))
            separation = max(separation, float(apart.max()))
            ratio = max(ratio, float((image_strength(passes, incidence, index=mirror.index) / whole).max()))
            doubled |= (apart > EYE_RESOLVES) & (apart > disc)
    return RepeatedLamp(lamp.name, way, share, separation, ratio, float(doubled.mean()))

"""Which spots are a lamp and its reflection: by the line that the lamp's ray predicts, then by size and brightness.

A lamp on its direct line of sight has its main image on a known line in the photo; so have its ghosts, which are
smaller or fainter. Which of several spots on the line is the reflection, its size and light tell: they follow from
the distances. Spots that are ghosts of a reflection already found are no lamps.
"""

from __future__ import annotations

from collections.abc import Sequence
from collections.abc import Set as AbstractSet
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from . import thresholds as limits
from .cutting import distance_to_line
from .ghost_geometry import Lamp, MirrorView
from .lamps import Spot

Array = NDArray[np.float64]

#: Steps along a lamp's line of sight at which its image is worked out.
STEPS = 160


@dataclass(frozen=True, eq=False)
class Option:
    """One possible pair: which spots, the lamp's place, and how unlikely it is (chi-square)."""

    direct: int
    reflected: int
    place: Array
    cost: float


def lamps_of(spots: Sequence[Spot], view: MirrorView, long_side_px: int) -> tuple[Lamp, ...]:
    """Pair direct spots with reflections, most likely first; spots without a partner come last, as reflections.

    Each spot is used once. A spot without a partner may be a lamp outside the photo, or no reflection at all.
    """
    every = _options(spots, view, long_side_px)
    gone = _ghosts(every, spots, view)
    options = [option for option in every if not gone & {option.direct, option.reflected}]
    pairs = _assigned(options, len(spots))
    lamps: list[Lamp] = []
    by_light = sorted(pairs, key=lambda pair: -_strength(spots[pair.reflected]))
    direct = {pair.direct for pair in pairs}
    for pair in by_light:
        if gone & {pair.direct, pair.reflected}:
            continue
        sure = _sure(pair, options, spots)
        lamp = Lamp(
            spots[pair.reflected],
            spots[pair.direct],
            pair.place,
            limits.SCALE_SD_PAIRED if sure else limits.SCALE_SD_AMBIGUOUS,
            pair.cost,
            1.0 / _nearer(view, pair.place),
            _may_be_ghost(pair, spots, direct, view),
        )
        lamps.append(lamp)
        gone |= {pair.direct, pair.reflected}
        gone |= {number for number, spot in enumerate(spots) if own_ghost(spot, lamp, view)}
    for number, spot in enumerate(spots):
        supposed = _supposed_place(view, spot)
        if number not in gone and supposed is not None:
            lamps.append(Lamp(spot, None, supposed, limits.SCALE_SD_UNPAIRED))
    return tuple(lamps)


def _ghosts(options: Sequence[Option], spots: Sequence[Spot], view: MirrorView) -> set[int]:
    """Spots that are ghosts of a likely pair's reflection, those with most light first: neither lamps nor
    reflections.

    A ghost is as large as its lamp's reflection and lies on its line, so that lamp and ghost, or ghost and ghost,
    would pair as well.
    """
    found: set[int] = set()
    likely = [option for option in options if option.cost < limits.LIKELY_COST]
    for option in sorted(likely, key=lambda option: -_strength(spots[option.reflected])):
        if not found & {option.direct, option.reflected}:
            lamp = Lamp(spots[option.reflected], spots[option.direct], option.place)
            ghosts = {number for number, spot in enumerate(spots) if own_ghost(spot, lamp, view)}
            found |= ghosts - {option.direct}
    return found


def _may_be_ghost(pair: Option, spots: Sequence[Spot], direct: AbstractSet[int], view: MirrorView) -> bool:
    """Whether the reflection lies where a ghost of a far stronger spot would, were that a lamp's reflection.

    direct : spots that are lamps seen directly.
    Where the reflections of two lamps run into one spot, each lamp's own ghost may be taken for its reflection; no
    ghosts lie beside a ghost.
    """
    own = spots[pair.reflected]
    mains = -view.ghosts(Lamp(own, spots[pair.direct], pair.place), limits.MOST_GLASS_MM).offsets[:2]
    for number, spot in enumerate(spots):
        if number in direct or _strength(spot) < limits.GHOST_STRONGER * _strength(own):
            continue
        # The middle of what has run together lies beside each lamp's own line.
        if distance_to_line(np.subtract(spot.centre_px, own.centre_px)[None], mains)[0] < 1.5 + spot.radius_px:
            return True
    return False


def own_ghost(spot: Spot, lamp: Lamp, view: MirrorView) -> bool:
    """Whether a spot may be a ghost of a lamp's reflection: on its ghosts' line, near enough, with less light."""
    if spot is lamp.reflected or spot is lamp.direct or _strength(spot) >= _strength(lamp.reflected):
        return False
    offsets = view.ghosts(lamp, limits.MOST_GLASS_MM).offsets
    away = np.subtract(spot.centre_px, lamp.reflected.centre_px)
    for end in (offsets[0], 2 * offsets[1]):
        length = float(np.hypot(*end))
        along = float(away @ end) / max(length, 1e-9)
        across = abs(float(away[0] * end[1] - away[1] * end[0])) / max(length, 1e-9)
        if 0 < along < length + spot.radius_px and across < 1.5 + 0.4 * lamp.reflected.radius_px:
            return True
    return False


def _strength(spot: Spot) -> float:
    return spot.peak * spot.radius_px**2


def _options(spots: Sequence[Spot], view: MirrorView, long_side_px: int) -> list[Option]:
    """All pairs that geometry, size and brightness allow."""
    options = []
    scale = max(long_side_px / 4000.0, 0.5)
    centres = np.array([spot.centre_px for spot in spots]).reshape(-1, 2)
    for first, direct in enumerate(spots):
        places, images = _places_along(view, direct)
        if len(places) < 2:
            continue
        for second in range(len(spots)):
            if first == second:
                continue
            limit = limits.PAIR_MISS_PX * scale + limits.PAIR_MISS_SHARE * spots[second].radius_px
            found = _nearest(places, images, centres[second])
            if found is None or found[0] > limit:
                continue
            cost = _unlikeness(view, direct, spots[second], found[1])
            if cost is not None:
                options.append(Option(first, second, found[1], cost + (found[0] / limit / limits.MISS_SD) ** 2))
    return options


def _places_along(view: MirrorView, spot: Spot) -> tuple[Array, Array]:
    """(n, 3) places of a lamp along a direct spot's line of sight, and (n, 2) [px] their main images."""
    ray = view.ray(spot.centre_px)
    approach, start = float(ray @ view.normal), float(view.height(view.eye)[0])
    farthest = min(limits.FARTHEST_MM, 0.95 * start)
    if approach > -1e-6 or farthest <= limits.NEAREST_MM:
        return np.zeros((0, 3)), np.zeros((0, 2))
    heights = np.geomspace(limits.NEAREST_MM, farthest, STEPS)
    places = view.eye + ((heights - start) / approach)[:, None] * ray
    return places, view.image_pixels(places, 1, view.thickness_mm)


def _nearest(places: Array, images: Array, target: Array) -> tuple[float, Array] | None:
    """(how far the best place's image misses a spot [px], that place); None where it is an end of the line."""
    step = np.diff(images, axis=0)
    share = ((target - images[:-1]) * step).sum(axis=1) / np.maximum((step**2).sum(axis=1), 1e-12)
    inside = np.clip(share, 0, 1)
    miss = np.linalg.norm(images[:-1] + inside[:, None] * step - target, axis=1)
    best = int(miss.argmin())
    if (best == 0 and share[0] < 0) or (best == len(step) - 1 and share[-1] > 1):
        return None
    return float(miss[best]), places[best] + inside[best] * (places[best + 1] - places[best])


def _unlikeness(view: MirrorView, direct: Spot, reflected: Spot, place: Array) -> float | None:
    """Chi-square of sizes and brightness; None where they rule a pair out."""
    expected = np.log(_nearer(view, place))
    # Blur of about a pixel makes small spots more alike than the lamps are.
    sizes = float(np.log(np.hypot(direct.radius_px, 1.0) / np.hypot(reflected.radius_px, 1.0)))
    sizes -= float(expected) * direct.radius_px / (direct.radius_px + 1.0)
    if abs(sizes) > np.log(limits.PAIR_SIZE_FACTOR):
        return None
    cost = (sizes / limits.SIZE_SD) ** 2
    if direct.saturated != reflected.saturated and min(direct.radius_px, reflected.radius_px) > limits.LARGE_PX:
        bright, dim = (direct, reflected) if direct.saturated else (reflected, direct)
        if bright.peak > limits.PAIR_LIGHT_FACTOR * dim.peak:  # what is burnt out is at least so bright
            return None
    if direct.saturated or reflected.saturated:
        return float(cost)
    light = float(np.log(direct.peak / reflected.peak))
    return None if abs(light) > np.log(limits.PAIR_LIGHT_FACTOR) else float(cost + (light / limits.LIGHT_SD) ** 2)


def _nearer(view: MirrorView, place: Array) -> float:
    """How many times nearer a lamp is than its reflection."""
    return view.image_distance(place, 1, view.thickness_mm) / float(np.linalg.norm(place - view.eye))


def _assigned(options: Sequence[Option], count: int) -> list[Option]:
    """The set of pairs that costs least, as many as there can be; no spot in two of one role."""
    from scipy.optimize import linear_sum_assignment

    if not options:
        return []
    costs = np.full((count, count), 1e4)
    for option in options:
        costs[option.direct, option.reflected] = option.cost
    rows, columns = linear_sum_assignment(costs)
    chosen = {(int(row), int(column)) for row, column in zip(rows, columns, strict=True)}
    return [option for option in options if (option.direct, option.reflected) in chosen]


def _sure(pair: Option, options: Sequence[Option], spots: Sequence[Spot]) -> bool:
    """Whether no other partner that is about as large would do nearly as well."""
    for other in options:
        if other is pair or (other.direct != pair.direct and other.reflected != pair.reflected):
            continue
        rival = other.reflected if other.direct == pair.direct else other.direct
        own = pair.reflected if other.direct == pair.direct else pair.direct
        alike = _strength(spots[rival]) > 0.6 * _strength(spots[own])
        if alike and other.cost - pair.cost < limits.AMBIGUOUS_COST:
            return False
    return True


def _supposed_place(view: MirrorView, spot: Spot) -> Array | None:
    """The place of a lamp SUPPOSED_HEIGHT_MM before the glass whose main image is the spot."""
    ray = view.ray(spot.centre_px)
    approach = float(ray @ view.normal)
    if approach > -0.05:
        return None
    supposed = limits.SUPPOSED_HEIGHT_MM
    depth = supposed + 2 * view.thickness_mm / view.index
    behind = view.eye + ray * ((-depth - float(view.height(view.eye)[0])) / approach)
    return np.asarray(behind + (depth + supposed) * view.normal)

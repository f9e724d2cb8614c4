"""Lines of sight by way of several mirrors, one after the other: the method of images, each mirror finite.

A sequence of mirrors (the first is the one that the eye looks into) shows a point at its image: reflected in the
last of them, then in the one before, up to the first. Straight from the eye to that image, the line crosses the
first glass, the image of the second in the first, and so on (the method of images: E. Hecht, Optics, 5th ed.
(2017), section 5.4, from memory). Each pass through a slab of glass sets the image deeper along that mirror's
normal, by an amount that depends on the angle alone (`optics.slab`), so the image for one pair of eye and point is
found by a few rounds of a fixed point. The line is then traced back through the real mirrors, leg by leg.

All points (…, 3) [mm] in the scene's frame.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from .bodies import Box
from .scene import Mirror
from .sightlines import blocked, on_glass
from .thresholds import MOST_REFLECTIONS

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

#: The images settle within this [mm]; each round leaves about a hundredth of the error before it.
_SETTLED_MM, _MOST_ROUNDS = 1e-7, 12
#: A crossing of thin glass differs from that of thick glass by less than this many thicknesses, all glasses added:
#: tan(theta) times the image's extra depth is below 2 t / sqrt(n^2 - 1), and each image shifts all crossings.
_GLASS_REACH = 4.0
#: Pairs of eye and point that are culled at once: few enough to stay in the processor's cache.
_BATCH = 60_000


@dataclass(frozen=True, eq=False)
class Way:
    """A sequence of mirrors by which something may be seen; numbers : the mirrors' in the scene."""

    numbers: tuple[int, ...]
    mirrors: tuple[Mirror, ...]

    @property
    def reverses(self) -> bool:
        """Whether it reverses what it shows, as every odd number of reflections does."""
        return len(self.mirrors) % 2 == 1

    @property
    def names(self) -> tuple[str, ...]:
        """The mirrors' names."""
        return tuple(mirror.name for mirror in self.mirrors)

    @property
    def words(self) -> str:
        """`the mirror "main", then the mirror "side"`."""
        return ", then ".join(mirror.words for mirror in self.mirrors)

    @cached_property
    def _maps(self) -> tuple[tuple[Array, Array], ...]:
        """For k = 0, 1, ...: (3, 3) and (3,) of the map that reflects in the first k mirrors, the k-th first."""
        linear, shift = np.eye(3), np.zeros(3)
        found = [(linear, shift)]
        for mirror in self.mirrors:
            normal = mirror.normal
            own = np.eye(3) - 2.0 * np.outer(normal, normal)
            shift = linear @ (2.0 * float(mirror.foot_point @ normal) * normal) + shift
            linear = linear @ own
            found.append((linear, shift))
        return tuple(found)

    def images(self, points: Array) -> Array:
        """(n, 3) images of (n, 3) points in thin mirrors."""
        linear, shift = self._maps[-1]
        return np.asarray(points @ linear.T + shift)

    @cached_property
    def normals(self) -> Array:
        """(k, 3) normals of the mirrors as the eye sees them: each reflected in those before it."""
        return np.array(
            [linear @ mirror.normal for (linear, _), mirror in zip(self._maps, self.mirrors, strict=False)]
        )

    @cached_property
    def panes(self) -> tuple[tuple[Array, Array, Array, Array], ...]:
        """Of each mirror as the eye sees it: a point of its plane, its normal, across and upward directions."""
        found = []
        for (linear, shift), mirror in zip(self._maps, self.mirrors, strict=False):
            foot = linear @ mirror.foot_point + shift
            found.append((foot, linear @ mirror.normal, linear @ mirror.across, linear @ mirror.upward))
        return tuple(found)


def ways(mirrors: Sequence[Mirror], most: int = MOST_REFLECTIONS) -> tuple[Way, ...]:
    """Every sequence of up to `most` reflections, the shorter first; none meets one mirror twice in a row."""
    found: list[tuple[int, ...]] = []
    last: list[tuple[int, ...]] = [()]
    for _ in range(most):
        last = [(*way, number) for way in last for number in range(len(mirrors)) if way[-1:] != (number,)]
        found += last
    return tuple(Way(numbers, tuple(mirrors[number] for number in numbers)) for numbers in found)


@dataclass(frozen=True, eq=False)
class Legs:
    """Lines of sight, (n,) of them, bent at k mirrors.

    meets : all crossings lie on their glass and come from before it
    entry_mm, exit_mm : (n, k, 3) where each goes into and leaves the front faces
    """

    meets: Flags
    entry_mm: Array
    exit_mm: Array


def sight_images(way: Way, eyes: Array, points: Array, passes: Sequence[int] | None = None) -> Array:
    """(n, 3) where eye i sees point i by a way: images in glass of its thickness.

    Parameters
    ----------
    eyes, points : (n, 3)
    passes : down to the silvering of each mirror: 1 the main image, 0 the front face's own, 2 the first extra trip

    Notes
    -----
    Depth of one slab: 2 k t / sqrt(n_g^2 + (n_g^2 - 1) tan^2(theta)) (`slab.virtual_depth`).
    """
    thin = way.images(points)
    counts = [1] * len(way.mirrors) if passes is None else list(passes)
    depths = [2.0 * count * mirror.glass_mm for count, mirror in zip(counts, way.mirrors, strict=True)]
    if not any(depths):
        return thin
    images = thin
    for _ in range(_MOST_ROUNDS):
        sight = images - eyes
        squared = (sight**2).sum(axis=1)
        moved = thin
        for normal, depth, mirror in zip(way.normals, depths, way.mirrors, strict=True):
            if depth:
                along = np.maximum((sight @ normal) ** 2, 1e-12 * squared)
                tangent2 = np.maximum(squared / along - 1.0, 0.0)
                index2 = mirror.index**2
                moved = moved - (depth / np.sqrt(index2 + (index2 - 1.0) * tangent2))[:, None] * normal
        change = float(np.abs(moved - images).max()) if len(images) else 0.0
        images = moved
        if change < _SETTLED_MM:
            break
    return images


def trace(way: Way, eyes: Array, points: Array) -> Legs:
    """The bent lines from eye i to point i by a way; (n, 3) each."""
    images = sight_images(way, eyes, points)
    direction = images - eyes
    direction = direction / np.maximum(np.linalg.norm(direction, axis=1, keepdims=True), 1e-12)
    place, meets = eyes, np.ones(len(eyes), bool)
    entries, exits = [], []
    for mirror in way.mirrors:
        entry, place, direction, good = through(mirror, place, direction)
        meets = meets & good
        entries.append(entry)
        exits.append(place)
    meets &= ((points - place) * direction).sum(axis=1) > -1e-6
    return Legs(meets, np.stack(entries, axis=1), np.stack(exits, axis=1))


def through(mirror: Mirror, starts: Array, directions: Array, passes: int = 1) -> tuple[Array, Array, Array, Flags]:
    """Rays into a mirror's glass and out again.

    Parameters
    ----------
    starts, directions : (n, 3), the directions of length 1
    passes : down to the silvering: 1 the main image, 0 the front face's own, 2 the first extra trip

    Returns
    -------
    (n, 3) where they meet the front face; (n, 3) where they leave it; (n, 3) their directions then; (n,) whether
    they come from before it and both places lie on the glass.
    """
    normal = mirror.normal
    height, cosine = mirror.heights(starts), -(directions @ normal)
    good = (height > 0.0) & (cosine > 1e-9)
    cosine = np.where(good, cosine, 1.0)
    entry = starts + (height / cosine)[:, None] * directions
    leave = entry
    if mirror.glass_mm > 0.0 and passes > 0:
        inside = np.sqrt(mirror.index**2 - np.maximum(1.0 - cosine**2, 0.0))
        leave = entry + (2.0 * passes * mirror.glass_mm / inside)[:, None] * (directions + cosine[:, None] * normal)
    onward = directions + 2.0 * cosine[:, None] * normal
    good &= on_glass(entry, mirror) & on_glass(leave, mirror)
    return entry, leave, onward, np.asarray(good)


def legs_blocked(
    way: Way, legs: Legs, eyes: Array, points: Array, boxes: Sequence[Box], mirrors: Sequence[Mirror]
) -> Flags:
    """(n,) whether a box, or a mirror that the line does not mean to meet there, interrupts any leg."""
    hit = ~legs.meets
    count = len(way.mirrors)
    for number in range(count, -1, -1):  # the last leg runs inside the scene, where most things stand
        rows = np.flatnonzero(~hit)
        if len(rows) == 0:
            break
        start = eyes[rows] if number == 0 else legs.exit_mm[rows, number - 1]
        end = points[rows] if number == count else legs.entry_mm[rows, number]
        meant = {way.numbers[k] for k in (number - 1, number) if 0 <= k < count}
        panes = [pane for k, pane in enumerate(mirrors) if k not in meant]
        hit[rows] = blocked(start, end, boxes, panes)
    return hit


def seen_pairwise(way: Way, eyes: Array, points: Array, boxes: Sequence[Box], mirrors: Sequence[Mirror]) -> Flags:
    """(n,) whether eye i sees point i by a way.

    Parameters
    ----------
    eyes, points : (n, 3); mirrors : all of the scene's, in the order that `way.numbers` counts in
    """
    legs = trace(way, eyes, points)
    return ~legs_blocked(way, legs, eyes, points, boxes, mirrors)


def seen_by_way(way: Way, eyes: Array, points: Array, boxes: Sequence[Box], mirrors: Sequence[Mirror]) -> Flags:
    """(e, p) whether each eye sees each point by a way; parameters as those of `seen_pairwise`.

    Pairs whose line misses the glass by more than thickness can matter are left out first, at little cost.
    """
    seen = np.zeros((len(eyes), len(points)), bool)
    rows = max(1, _BATCH // max(len(points), 1))
    images = way.images(points)
    for first in range(0, len(eyes), rows):
        part = eyes[first : first + rows]
        eye, point = _near_glass(way, part, images)
        if len(eye):
            good = seen_pairwise(way, part[eye], points[point], boxes, mirrors)
            seen[first + eye[good], point[good]] = True
    return seen


def _near_glass(way: Way, eyes: Array, images: Array) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Pairs of eye and image whose straight line passes all panes, or nearly; as indices.

    Along the line every pane is met from before: the reflected normals keep pointing to the eye's side.
    """
    reach = _GLASS_REACH * sum(mirror.glass_mm for mirror in way.mirrors) + 0.01
    before = np.flatnonzero(way.mirrors[0].heights(eyes) > 0.0)
    beyond = np.flatnonzero(np.all([(images - foot) @ normal < reach for foot, normal, _, _ in way.panes], axis=0))
    eye = point = np.zeros(0, np.int64)
    for number, (pane, mirror) in enumerate(zip(way.panes, way.mirrors, strict=True)):
        foot, normal, across, upward = pane
        start, end = (eyes - foot) @ normal, np.minimum((images - foot) @ normal, 0.0)
        if number == 0:  # all pairs: as a table
            near, far = start[before, None], end[None, beyond]
        else:
            near, far = start[eye], end[point]
        share = near / np.maximum(near - far, 1e-9)
        good = np.broadcast_to(near > 0.0, share.shape).copy()
        low = mirror.foot_mm - reach
        for axis, least, most in (
            (across, -mirror.width_mm / 2 - reach, mirror.width_mm / 2 + reach),
            (upward, low, mirror.foot_mm + mirror.height_mm + reach),
        ):
            a, b = (eyes - foot) @ axis, (images - foot) @ axis
            a, b = (a[before, None], b[None, beyond]) if number == 0 else (a[eye], b[point])
            place = b - a
            place *= share
            place += a
            good &= place >= least
            good &= place <= most
        if number == 0:
            row, column = np.nonzero(good)
            eye, point = before[row], beyond[column]
        else:
            eye, point = eye[good], point[good]
        if len(eye) == 0:
            break
    return eye, point

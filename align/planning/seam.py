"""The seam at the mirror's foot: how wide it looks, and the smallest mask that hides it.

Something that touches back-silvered glass and its own reflection stand apart by the seam,
2 t tan(theta') / tan(theta) in depth (docs/theory.md). A mask is an upright strip, parallel to the
foot line, whose top must reach the line of sight to the far side of the seam, from every eye.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ..optics.slab import COMMON_GLASS_MM, virtual_depth
from .bodies import Box
from .scene import Mirror, Scene
from .sightlines import blocked

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

#: Glasses to compare [mm]: front-coated, then the common thicknesses.
GLASSES_MM = (0.0, *COMMON_GLASS_MM)
#: Distances from the glass to the back of a mask that are tried [mm]. Not 0: glass needs air to move and to
#: be cleaned, and a touching mask gets a seam of its own.
MASK_GAPS_MM = (1.0, 2.0, 3.0, 5.0, 8.0, 12.0, 20.0, 30.0)
#: A mask's own thickness [mm], for the keep-clear zones; a strip of thin board.
MASK_THICKNESS_MM = 3.0
#: A track or wall is taken to end this short of the glass [mm], so that it does not press on it.
END_GAP_MM = 1.0
_HEIGHT_STEP_MM = 0.5
_FOOT_SAMPLES = 61
_ACROSS_STEP_MM = 1.0


@dataclass(frozen=True, eq=False)
class SeamWidth:
    """The seam for one glass, over all eyes that see the mirror's foot: depth [mm] and seen height [rad]."""

    glass_mm: float
    least_mm: float
    most_mm: float
    most_seen: float


@dataclass(frozen=True, eq=False)
class Mask:
    """The smallest strip that hides the seam.

    gap_mm : from the front face to its back; height_mm : above the floor
    pieces_mm : (from, to) along the foot, from the glass's middle, positive to the right
    open_mm : parts of the foot that keep-clear zones leave without a mask; open_share : of eyes that see in
    there
    end_short_mm : how far short of the glass a track may end and still be hidden behind it
    """

    gap_mm: float
    height_mm: float
    pieces_mm: tuple[tuple[float, float], ...]
    open_mm: tuple[tuple[float, float], ...]
    open_share: float
    end_short_mm: float

    @property
    def width_mm(self) -> float:
        """From the leftmost to the rightmost end of its pieces."""
        return self.pieces_mm[-1][1] - self.pieces_mm[0][0] if self.pieces_mm else 0.0


def foot_points(mirror: Mirror, count: int = _FOOT_SAMPLES) -> Array:
    """(count, 3) [mm] points where the front face's plane meets the floor, from the glass's left to its
    right."""
    across = np.linspace(-0.5, 0.5, count) * mirror.width_mm
    return mirror.on_face(across, np.zeros(count))


def foot_seen(scene: Scene, eyes: Array) -> Flags:
    """(eyes, points) which points of the first mirror's foot line each eye before it sees, past all that blocks."""
    points = scene.mirror.just_before(foot_points(scene.mirror))
    starts, ends = np.repeat(eyes, len(points), axis=0), np.tile(points, (len(eyes), 1))
    seen = ~blocked(starts, ends, scene.solids, scene.more_mirrors).reshape(len(eyes), len(points))
    return np.asarray(seen & (scene.mirror.heights(eyes) > 0.0)[:, None])


def seam_depth_mm(mirror: Mirror, eyes: Array, points: Array, short_mm: float = 0.0) -> Array:
    """(eyes, points) [mm] depth behind the face's own image, for points `short_mm` before the foot points."""
    offset = eyes[:, None, :] - points[None, :, :]
    height = offset @ mirror.normal
    lateral = np.linalg.norm(offset - height[..., None] * mirror.normal, axis=2)
    return virtual_depth(height + short_mm, lateral, mirror.glass_mm, mirror.index)


def seam_widths(scene: Scene, eyes: Array, glasses_mm: Sequence[float] = GLASSES_MM) -> tuple[SeamWidth, ...]:
    """The seam at the mirror's foot for every glass, over the eyes that see it; empty where none does."""
    seen = foot_seen(scene, eyes)
    if not seen.any():
        return ()
    eyes, seen = eyes[seen.any(axis=1)], seen[seen.any(axis=1)]
    points = foot_points(scene.mirror)
    rows = []
    for glass in sorted({*glasses_mm, scene.mirror.glass_mm}):
        mirror = replace(scene.mirror, glass_mm=glass)
        depth = seam_depth_mm(mirror, eyes, points)
        far = points[None] - depth[..., None] * mirror.normal
        seen_size = _angle(points[None] - eyes[:, None], far - eyes[:, None])
        rows.append(
            SeamWidth(glass, float(depth[seen].min()), float(depth[seen].max()), float(seen_size[seen].max()))
        )
    return tuple(rows)


def _angle(first: Array, second: Array) -> Array:
    return np.asarray(np.arctan2(np.linalg.norm(np.cross(first, second), axis=-1), (first * second).sum(axis=-1)))


def smallest_mask(scene: Scene, eyes: Array) -> Mask | None:
    """The mask that leaves least of the seam open, then the lowest; None where no eye sees the foot."""
    seen = foot_seen(scene, eyes)
    if not seen.any():
        return None
    every = len(eyes)
    eyes, seen = eyes[seen.any(axis=1)], seen[seen.any(axis=1)]
    masks = [_mask(scene, eyes, seen, gap, every) for gap in MASK_GAPS_MM]
    best = min(masks, key=lambda mask: (round(_length(mask.open_mm)), mask.height_mm, mask.gap_mm))
    return replace(best, end_short_mm=_end_short(scene.mirror, eyes, seen, best.gap_mm, best.height_mm))


def _length(ranges: Sequence[tuple[float, float]]) -> float:
    return sum(high - low for low, high in ranges)


def _mask(scene: Scene, eyes: Array, seen: Flags, gap_mm: float, every: int) -> Mask:
    across, height = lines_at_mask(scene.mirror, eyes, gap_mm, END_GAP_MM)
    top = math.ceil(float(height[seen].max()) / _HEIGHT_STEP_MM - 1e-9) * _HEIGHT_STEP_MM
    top = max(top, _HEIGHT_STEP_MM)
    # The seam's near side, at the face, is crossed at other places than its far side: both must be covered.
    near, _ = lines_at_mask(replace(scene.mirror, glass_mm=0.0), eyes, gap_mm, 0.0)
    places = np.concatenate([across[seen], near[seen]])
    step = scene.mirror.width_mm / (_FOOT_SAMPLES - 1)  # what is seen may reach on to the next sample
    half = scene.mirror.width_mm / 2
    left = math.floor(max(float(places.min()) - step, min(-half, float(places.min()))))
    right = math.ceil(min(float(places.max()) + step, max(half, float(places.max()))))
    pieces, open_parts = _split(scene, left, right, gap_mm, top)
    covered = np.zeros(across.shape, bool)
    for low, high in pieces:
        covered |= (across >= low) & (across <= high)
    exposed = (seen & ~covered).any(axis=1) & seen.any(axis=1)
    return Mask(gap_mm, top, pieces, open_parts, float(exposed.sum()) / every, 0.0)


def lines_at_mask(mirror: Mirror, eyes: Array, gap_mm: float, short_mm: float) -> tuple[Array, Array]:
    """Where the lines of sight to the far side of the seam cross the upright plane of a mask's back.

    Parameters
    ----------
    gap_mm : from the front face to that plane, along the floor
    short_mm : how far before the glass the track ends, so that its image begins as far behind the seam

    Returns
    -------
    (eyes, points) place along the foot from the glass's middle, and height above the floor [mm]. A foot line
    above the floor (`foot_mm`) counts too: the lower edge of the glass must be hidden as well.
    """
    points = foot_points(mirror)
    forward = np.array([math.sin(mirror.turn), -math.cos(mirror.turn), 0.0])
    depth = seam_depth_mm(mirror, eyes, points, short_mm) + short_mm
    far = points[None] - depth[..., None] * mirror.normal
    edge = np.broadcast_to(points + mirror.foot_mm * mirror.upward, far.shape)
    across, heights = [], []
    for target in (far, edge):
        start = (eyes - mirror.foot_point) @ forward
        end = (target - mirror.foot_point) @ forward
        share = (start[:, None] - gap_mm) / (start[:, None] - end)
        crossing = eyes[:, None] + share[..., None] * (target - eyes[:, None])
        across.append((crossing - mirror.foot_point) @ mirror.across)
        heights.append(crossing[..., 2])
    return across[0], np.maximum(heights[0], heights[1])


def _end_short(mirror: Mirror, eyes: Array, seen: Flags, gap_mm: float, top_mm: float) -> float:
    """The farthest short of the glass that a track may end behind a mask of this height, by bisection
    [mm]."""

    def hidden(short: float) -> bool:
        _, height = lines_at_mask(mirror, eyes, gap_mm, short)
        return float(height[seen].max()) <= top_mm + 1e-9

    low, high = 0.0, 200.0
    if hidden(high):
        return high
    for _ in range(40):
        middle = (low + high) / 2
        low, high = (middle, high) if hidden(middle) else (low, middle)
    return low


def _split(
    scene: Scene, left: float, right: float, gap_mm: float, top_mm: float
) -> tuple[tuple[tuple[float, float], ...], tuple[tuple[float, float], ...]]:
    """Cut the strip where it would stand in a keep-clear zone: pieces that may stand, parts left open."""
    across = np.arange(left, right + _ACROSS_STEP_MM / 2, _ACROSS_STEP_MM)
    taken = np.zeros(len(across), bool)
    for zone in scene.keep_clear:
        if zone.base_mm < top_mm:
            taken |= _in_zone(scene.mirror, zone, across, gap_mm)
    pieces = _ranges(across, ~taken)
    ends = [left, *(end for piece in pieces for end in piece), right]
    gaps = tuple((low, high) for low, high in zip(ends[::2], ends[1::2], strict=True) if high > low)
    return pieces, gaps


def _in_zone(mirror: Mirror, zone: Box, across: Array, gap_mm: float) -> Flags:
    """(n,) whether a strip with its back `gap_mm` before the glass stands in a zone at each place."""
    forward = np.array([math.sin(mirror.turn), -math.cos(mirror.turn), 0.0])
    inside = np.zeros(len(across), bool)
    for distance in np.linspace(gap_mm, gap_mm + MASK_THICKNESS_MM, 4):
        points = mirror.foot_point + np.outer(across, mirror.across) + distance * forward
        own = zone.to_own_frame(points)[:, :2]
        inside |= np.all((own > zone.low[:2]) & (own < zone.high[:2]), axis=1)
    return inside


def _ranges(across: Array, flags: Flags) -> tuple[tuple[float, float], ...]:
    """Runs of True as (from, to) [mm]; a run of one place has no width and is left out."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], flags, [False]]).astype(int)))
    runs = zip(edges[::2], edges[1::2] - 1, strict=True)
    return tuple((float(across[first]), float(across[last])) for first, last in runs if last > first)


def last_post_mm(mirror: Mirror, eye: Array, at: Array, pitch_mm: float) -> float:
    """How far before the glass the last post of a row stands so that the row's rhythm runs on behind it [mm].

    The gap between the last post and its own image is 2 g + seam; it equals the pitch for
    g = (pitch - seam) / 2, or the next whole pitch where that is negative.
    """
    depth = float(seam_depth_mm(mirror, eye[None], at[None])[0, 0])
    gap = (pitch_mm - depth) / 2
    while gap < 0:
        gap += pitch_mm / 2
    return gap

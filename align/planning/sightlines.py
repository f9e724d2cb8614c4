"""Who sees what: straight lines of sight, and lines by way of one mirror, past boxes, panels and other mirrors.

All points (…, 3) [mm] in the scene's frame; vectorised. Light by way of the glass is traced as the forward model
has it: refracted into the slab, back from the silvering, out again, so that the two legs outside the glass start
at slightly different places of the front face. A mirror hides what lies behind it as its front face alone would:
`panes` are mirrors taken so. By way of several mirrors: `reflections`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..optics.slab import solve_chief_ray
from .bodies import Box
from .scene import Mirror

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

#: A line of sight may end on the face of a box; this share of its length at either end blocks nothing.
_TOUCHING = 1e-9
#: Pairs handled at once: few enough to stay in the processor's cache.
_BATCH = 16_384


@dataclass(frozen=True, eq=False)
class MirrorLegs:
    """Where the lines of sight from eyes to points by way of the mirror cross its front face.

    entry_mm, exit_mm : (eyes, points, 3) on the eye's and on the point's side; on_glass : (eyes, points),
    both crossings lie on the glass, and the point lies before the mirror's plane
    """

    entry_mm: Array
    exit_mm: Array
    on_glass: Flags


def blocked(starts: Array, ends: Array, boxes: Sequence[Box], panes: Sequence[Mirror] = ()) -> Flags:
    """Which straight lines a box interrupts (the slab test, in each box's own frame), or a mirror does.

    Parameters
    ----------
    starts, ends : (n, 3); boxes, panes : the blockers

    Returns
    -------
    (n,) True where some blocker lies strictly between the two ends. Touching a face does not block.

    Source: the slab method, T. Kay, J. Kajiya, Ray tracing complex scenes, SIGGRAPH 1986 (from memory).
    """
    starts, ends = np.asarray(starts, float), np.asarray(ends, float)
    hit = np.zeros(len(starts), bool)
    for first in range(0, len(starts), _BATCH):
        part = slice(first, first + _BATCH)
        hit[part] = _blocked_batch(starts[part], ends[part], boxes)
    for pane in panes:
        free = np.flatnonzero(~hit)
        hit[free] = through_pane(starts[free], ends[free], pane)
    return hit


def through_pane(starts: Array, ends: Array, pane: Mirror) -> Flags:
    """(n,) whether each straight line crosses a mirror's front face, from before or from behind."""
    start, end = pane.heights(starts), pane.heights(ends)
    share = start / np.where(start == end, 1.0, start - end)
    through = (start * end < 0.0) & (share > _TOUCHING) & (share < 1.0 - _TOUCHING)
    through[through] = on_glass(starts[through] + share[through, None] * (ends - starts)[through], pane)
    return np.asarray(through)


def _blocked_batch(starts: Array, ends: Array, boxes: Sequence[Box]) -> Flags:
    """`blocked` for one batch; lines that are already blocked are not tried again."""
    hit = np.zeros(len(starts), bool)
    open_rows = np.arange(len(starts))
    # Coordinates as rows: each then lies in one piece of memory.
    start, step = np.ascontiguousarray(starts.T), np.ascontiguousarray((ends - starts).T)
    for box in boxes:
        if len(open_rows) == 0:
            break
        through = _through_box(start, step, box)
        if through.any():
            hit[open_rows[through]] = True
            open_rows, start, step = open_rows[~through], start[:, ~through], step[:, ~through]
    return hit


def _through_box(start: Array, step: Array, box: Box) -> Flags:
    """(n,) whether each segment passes through the inside of one box. start, step : (3, n)."""
    cos, sin = math.cos(box.turn), math.sin(box.turn)
    x, y = start[0] - box.centre_mm[0], start[1] - box.centre_mm[1]
    dx, dy = step[0], step[1]
    if box.turn != 0.0:
        x, y, dx, dy = cos * x + sin * y, cos * y - sin * x, cos * dx + sin * dy, cos * dy - sin * dx
    enter = np.full(len(x), _TOUCHING)
    leave = np.full(len(x), 1.0 - _TOUCHING)
    for place, move, low, high in zip((x, y, start[2]), (dx, dy, step[2]), box.low, box.high, strict=True):
        # A line parallel to the slab: a step too small to matter, so that inside stays inside.
        per_mm = 1.0 / np.where(np.abs(move) < 1e-12, 1e-12, move)
        first, second = (low - place) * per_mm, (high - place) * per_mm
        np.maximum(enter, np.minimum(first, second), out=enter)
        np.minimum(leave, np.maximum(first, second), out=leave)
    return np.asarray(leave - enter > _TOUCHING)


def crosses_mirror(starts: Array, ends: Array, mirror: Mirror) -> Flags:
    """(n,) whether a straight line is stopped by the mirror itself (its front face, seen as a sheet)."""
    start = (starts - mirror.foot_point) @ mirror.normal
    end = (ends - mirror.foot_point) @ mirror.normal
    passes = (start > 0) & (end < -1e-9)
    share = np.where(passes, start / np.where(passes, start - end, 1.0), 0.0)
    return np.asarray(passes & on_glass(starts + share[:, None] * (ends - starts), mirror))


def on_glass(points: Array, mirror: Mirror) -> Flags:
    """(…,) whether points of the front face's plane lie on the glass."""
    offset = points - mirror.foot_point
    across, up = offset @ mirror.across, offset @ mirror.upward
    high = mirror.foot_mm + mirror.height_mm
    return np.asarray((np.abs(across) <= mirror.width_mm / 2) & (up >= mirror.foot_mm) & (up <= high))


def mirror_legs(eyes: Array, points: Array, mirror: Mirror, order: int = 1) -> MirrorLegs:
    """Where each eye looks into the glass to meet each point.

    Parameters
    ----------
    eyes : (e, 3); points : (p, 3). Behind the mirror's plane either meets nothing in it
    order : passes down to the silvering: 1 the main image, 0 the front face's own

    Notes
    -----
    The chief ray's tan(theta) solves  rho = (a + b) tan(theta) + 2 k t tan(theta')
    (`optics.slab.solve_chief_ray`);
    the eye's leg meets the face b tan(theta) from the eye's foot, the point's leg a tan(theta) from its own.
    """
    normal = mirror.normal
    eye_height, point_height = mirror.heights(eyes), mirror.heights(points)
    behind = eye_height <= 0.0
    eye_height = np.where(behind, 1.0, eye_height)
    eye_feet = eyes - eye_height[:, None] * normal
    point_feet = points - point_height[:, None] * normal
    across = point_feet[None, :, :] - eye_feet[:, None, :]
    lateral = np.sqrt((across**2).sum(axis=2))
    before = (point_height > -1e-9)[None, :] & ~behind[:, None]
    height_sum = eye_height[:, None] + np.maximum(point_height, 0.0)[None, :]
    if mirror.glass_mm == 0.0 or order == 0:
        tangent = lateral / height_sum
    else:
        tangent = solve_chief_ray(height_sum, lateral, order * mirror.glass_mm, mirror.index)
    share = tangent / np.maximum(lateral, 1e-12)
    entry = eye_feet[:, None, :] + (share * eye_height[:, None])[..., None] * across
    exit_ = point_feet[None, :, :] - (share * np.maximum(point_height, 0.0)[None, :])[..., None] * across
    good = before & on_glass(entry, mirror) & on_glass(exit_, mirror)
    return MirrorLegs(entry, exit_, good)


def seen_direct(eyes: Array, points: Array, boxes: Sequence[Box], *panes: Mirror) -> Flags:
    """(e, p) whether each eye sees each point straight, past the boxes and the mirrors."""
    starts, ends = _pairs(eyes, points)
    return ~blocked(starts, ends, boxes, panes).reshape(len(eyes), len(points))


def seen_in_mirror(
    eyes: Array, points: Array, boxes: Sequence[Box], mirror: Mirror, panes: Sequence[Mirror] = ()
) -> Flags:
    """(e, p) whether each eye sees each point's main image: on the glass, and neither leg blocked."""
    legs = mirror_legs(eyes, points, mirror)
    seen = legs.on_glass.copy()
    eye, point = np.nonzero(seen)
    free = ~blocked(eyes[eye], legs.entry_mm[eye, point], boxes, panes)
    eye, point, dropped = eye[free], point[free], (eye[~free], point[~free])
    seen[dropped] = False
    seen[eye, point] = ~blocked(legs.exit_mm[eye, point], points[point], boxes, panes)
    return seen


def first_hit(starts: Array, directions: Array, boxes: Sequence[Box]) -> tuple[NDArray[np.int64], Array]:
    """What each ray meets first.

    Parameters
    ----------
    starts, directions : (n, 3)

    Returns
    -------
    (n,) number of the box that is met first, -1 for none; (n,) distance in units of `directions`, inf for
    none.
    """
    nearest = np.full(len(starts), np.inf)
    which = np.full(len(starts), -1, dtype=np.int64)
    for number, box in enumerate(boxes):
        origin = box.to_own_frame(starts)
        step = box.to_own_frame(starts + directions) - origin
        step = np.where(np.abs(step) < 1e-12, 1e-12, step)
        first, second = (box.low - origin) / step, (box.high - origin) / step
        enter = np.minimum(first, second).max(axis=1)
        leave = np.maximum(first, second).min(axis=1)
        hit = (leave > enter) & (enter > 1e-6) & (enter < nearest)
        nearest[hit], which[hit] = enter[hit], number
    return which, nearest


def reflected_rays(eye: Array, face_points: Array, mirror: Mirror) -> tuple[Array, Array]:
    """The rays that reach an eye by way of given points of the front face, followed back into the scene.

    Parameters
    ----------
    eye : (3,); face_points : (n, 3) where the eye looks into the glass

    Returns
    -------
    (n, 3) where they leave the front face again; (n, 3) their unit directions.
    """
    sight = face_points - eye
    sight = sight / np.linalg.norm(sight, axis=1, keepdims=True)
    cosine = -(sight @ mirror.normal)
    along = sight + cosine[:, None] * mirror.normal  # length sin(theta)
    inside = np.sqrt(mirror.index**2 - (1.0 - cosine**2))
    shift = 2.0 * mirror.glass_mm / inside  # 2 t tan(theta') / sin(theta)
    directions = sight + 2.0 * cosine[:, None] * mirror.normal
    return face_points + shift[:, None] * along, directions


def _pairs(eyes: Array, points: Array) -> tuple[Array, Array]:
    """Every eye with every point: two (e * p, 3) arrays, points running fastest."""
    return np.repeat(eyes, len(points), axis=0), np.tile(points, (len(eyes), 1))

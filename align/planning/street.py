"""The shape of a path on the floor: straight, an arc, or straight pieces; and where it meets the glass."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from .scene import Mirror, Path

Array = NDArray[np.float64]

#: Spacing of the points that stand for a path [mm]; an arc of 500 mm radius then errs by 0.001 mm.
STEP_MM = 2.0
#: How far a path that ends before the glass is carried on to meet it [mm].
REACH_MM = 2000.0


def heading_vector(heading: float) -> Array:
    """(3,) level unit vector of a heading [rad], turned anticlockwise (seen from above) from the y axis."""
    return np.array([-math.sin(heading), math.cos(heading), 0.0])


def heading_of(direction: Array) -> float:
    """Heading [rad] of a direction; inverse of `heading_vector`."""
    return math.atan2(-float(direction[0]), float(direction[1]))


def path_points(path: Path) -> Array:
    """(n, 2) [mm] points along the path's middle, about STEP_MM apart, ends included."""
    given = path.points_mm
    if len(given) == 3 and (arc := _arc(given)) is not None:
        centre, radius, start, sweep = arc
        count = max(2, math.ceil(abs(sweep) * radius / STEP_MM) + 1)
        angles = start + np.linspace(0.0, sweep, count)
        return np.asarray(centre + radius * np.column_stack([np.cos(angles), np.sin(angles)]))
    pieces = [given[:1]]
    for first, last in pairwise(given):
        count = max(1, math.ceil(float(np.linalg.norm(last - first)) / STEP_MM))
        pieces.append(first + (np.arange(1, count + 1) / count)[:, None] * (last - first))
    return np.vstack(pieces)


def _arc(points: Array) -> tuple[Array, float, float, float] | None:
    """Centre, radius, starting angle and signed sweep of the arc through three points; None if they are in
    line."""
    (ax, ay), (bx, by), (cx, cy) = points
    twice_area = (bx - ax) * (cy - ay) - (by - ay) * (cx - ax)
    longest = float(np.linalg.norm(points[2] - points[0]))
    if abs(twice_area) < 1e-6 * longest**2:
        return None
    # Circumcentre relative to the first point.
    b2, c2 = (bx - ax) ** 2 + (by - ay) ** 2, (cx - ax) ** 2 + (cy - ay) ** 2
    centre = points[0] + np.array([((cy - ay) * b2 - (by - ay) * c2), ((bx - ax) * c2 - (cx - ax) * b2)]) / (
        2 * twice_area
    )
    radius = float(np.linalg.norm(points[0] - centre))
    start, end = (math.atan2(*(points[k] - centre)[::-1]) for k in (0, 2))
    sweep = (end - start) % (2 * math.pi)
    return centre, radius, start, sweep if twice_area > 0 else sweep - 2 * math.pi


def carried_to_glass(path: Path, mirror: Mirror) -> tuple[Array, Array] | None:
    """The path up to the plane of the glass, cut there or carried on as it ends.

    Returns
    -------
    (n, 2) [mm] points, the last one where it meets the front face's plane at the floor; (3,) its unit
    direction there. None where it never meets that plane.
    """
    points = path_points(path)
    heights = _before_glass(points, mirror)
    behind = np.nonzero(heights <= 0.0)[0]
    if len(behind) == 0:
        points = np.vstack([points, _carried_on(path, points)])
        heights = _before_glass(points, mirror)
        behind = np.nonzero(heights <= 0.0)[0]
    if len(behind) == 0 or behind[0] == 0:
        return None
    last = int(behind[0])
    share = heights[last - 1] / (heights[last - 1] - heights[last])
    meeting = points[last - 1] + share * (points[last] - points[last - 1])
    along = points[last] - points[last - 1]
    direction = np.array([along[0], along[1], 0.0]) / np.linalg.norm(along)
    kept = points[:last]
    if np.linalg.norm(kept[-1] - meeting) < 1e-9:
        kept = kept[:-1]
    return np.vstack([kept, meeting]), direction


def _before_glass(points: Array, mirror: Mirror) -> Array:
    return np.asarray((points - np.array(mirror.at_mm)) @ mirror.normal[:2])


def _carried_on(path: Path, points: Array) -> Array:
    """More points past the path's end: on along the arc, or straight on."""
    steps = np.arange(1, math.ceil(REACH_MM / STEP_MM) + 1) * STEP_MM
    if len(path.points_mm) == 3 and (arc := _arc(path.points_mm)) is not None:
        centre, radius, start, sweep = arc
        # No more than a quarter turn: an arc that has not met the glass by then never will in earnest.
        steps = steps[steps < radius * math.pi / 2]
        angles = start + sweep + math.copysign(1.0, sweep) * steps / radius
        return np.asarray(centre + radius * np.column_stack([np.cos(angles), np.sin(angles)]))
    direction = points[-1] - points[-2]
    return np.asarray(points[-1] + steps[:, None] * direction / np.linalg.norm(direction))


def band(points: Array, width_mm: float) -> tuple[Array, Array]:
    """(n, 2), (n, 2) [mm] left and right edge of a path of some width along its middle points."""
    along = np.gradient(points, axis=0)
    along = along / np.linalg.norm(along, axis=1, keepdims=True)
    leftward = np.column_stack([-along[:, 1], along[:, 0]]) * width_mm / 2
    return points + leftward, points - leftward


def edges_to_glass(points: Array, width_mm: float, mirror: Mirror) -> tuple[Array, Array]:
    """`band` of a path that meets the glass, each edge cut or carried straight on to the glass's plane."""
    left, right = band(points, width_mm)
    return _to_glass(left, mirror), _to_glass(right, mirror)


def _to_glass(edge: Array, mirror: Mirror) -> Array:
    heights = _before_glass(edge, mirror)
    kept = edge[: max(2, int(np.argmax(heights <= 0.0)) if np.any(heights <= 0.0) else len(edge))]
    along = kept[-1] - kept[-2]
    slope = float(_before_glass(kept[-1:] + along, mirror)[0] - _before_glass(kept[-1:], mirror)[0])
    share = -float(_before_glass(kept[-1:], mirror)[0]) / slope if slope < 0 else 0.0
    return np.vstack([kept, kept[-1] + share * along])


def before_glass(ring: Array, mirror: Mirror) -> Array:
    """(m, 3) the part of a flat polygon (n, 3) that lies before the mirror's plane; may be empty."""
    heights = (ring - mirror.foot_point) @ mirror.normal
    kept = []
    for k in range(len(ring)):
        here, there = heights[k - 1], heights[k]
        if here * there < 0:
            kept.append(ring[k - 1] + here / (here - there) * (ring[k] - ring[k - 1]))
        if there >= 0:
            kept.append(ring[k])
    return np.array(kept).reshape(-1, 3)


def on_floor(points: Array) -> Array:
    """(n, 3) from (n, 2): points of the floor."""
    return np.column_stack([points, np.zeros(len(points))])

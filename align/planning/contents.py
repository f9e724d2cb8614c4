"""What a mirror shows to one eye, and where its view leaves the scene."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .bodies import Box
from .rays import FIRST_BACK, NOTHING, follow
from .scene import Mirror, Scene
from .sightlines import blocked, crosses_mirror, first_hit, reflected_rays
from .thresholds import MOST_REFLECTIONS

Array = NDArray[np.float64]

#: Grid over the mirror by which its contents are counted.
_GRID = (24, 18)
OPEN_VIEW = "open view"
BEYOND_WORDS = "more reflections than are followed"


def face_grid(mirror: Mirror, columns: int = _GRID[0], rows: int = _GRID[1]) -> Array:
    """(columns * rows, 3) [mm] middles of the cells that the front face is divided into."""
    across = (np.arange(columns) + 0.5) / columns - 0.5
    up = (np.arange(rows) + 0.5) / rows
    u, v = np.meshgrid(across * mirror.width_mm, mirror.foot_mm + up * mirror.height_mm)
    return mirror.on_face(u.ravel(), v.ravel())


def face_lattice(mirror: Mirror, columns: int = 17, rows: int = 13) -> Array:
    """(columns * rows, 3) [mm] points of the front face, from edge to edge."""
    across = np.linspace(-0.5, 0.5, columns) * mirror.width_mm
    u, v = np.meshgrid(across, mirror.foot_mm + np.linspace(0.0, 1.0, rows) * mirror.height_mm)
    return mirror.just_before(mirror.on_face(u.ravel(), v.ravel()))


def mirror_content(scene: Scene, eye: Array, mirror: Mirror | None = None) -> dict[str, float]:
    """What one eye sees in the part of a mirror (default: the first) that it sees: name, share.

    What other mirrors show in it counts as what it is; `OPEN_VIEW` leaves the scene.
    """
    mirror = mirror or scene.mirror
    points = face_seen(scene, mirror, eye, face_grid(mirror))
    if len(points) == 0:
        return {}
    loose = (thing.body for thing in scene.things if not thing.solid)
    bodies = [*scene.solids, *(body for body in loose if max(body.size_mm) > 0.0)]
    # The first leg is known to be free: only what comes after the glass counts.
    starts, directions = reflected_rays(eye, points, mirror)
    ends = follow(scene, starts, directions, bodies, MOST_REFLECTIONS - 1)
    names = [named(scene, bodies, int(number)) for number in ends.body]
    counted = {name: names.count(name) / len(names) for name in dict.fromkeys(names)}
    return dict(sorted(counted.items(), key=lambda item: -item[1]))


def named(scene: Scene, bodies: Sequence[Box], number: int) -> str:
    """What a ray ended at, by its number in `rays.Ends`."""
    if number >= 0:
        return bodies[number].name
    if number <= FIRST_BACK:
        return f"the back of {scene.mirrors[FIRST_BACK - number].words}"
    return OPEN_VIEW if number == NOTHING else BEYOND_WORDS


def face_seen(scene: Scene, mirror: Mirror, eye: Array, points: Array) -> Array:
    """Those of a face's points that an eye before it sees straight."""
    if mirror.heights(eye) <= 0.0:
        return points[:0]
    return points[~blocked(np.tile(eye, (len(points), 1)), points, scene.solids, scene.others(mirror))]


def mirror_seen(scene: Scene, grid: Array) -> float:
    """Mean area of all the mirrors' faces [mm2] that the eyes see straight."""
    flat, area = grid.reshape(-1, 3), 0.0
    for mirror in scene.mirrors:
        points = face_grid(mirror, 8, 6)
        starts, ends = np.repeat(flat, len(points), axis=0), np.tile(points, (len(flat), 1))
        seen = ~blocked(starts, ends, scene.solids, scene.others(mirror)).reshape(len(flat), -1)
        seen &= (mirror.heights(flat) > 0.0)[:, None]
        area += float(seen.mean()) * mirror.width_mm * mirror.height_mm
    return area


@dataclass(frozen=True, eq=False)
class OpenSide:
    """A side of the scene through which the mirror looks out: what a backdrop there would have to cover.

    side : "left", "right", "back" or "viewers'"
    from_mm, to_mm : along the side (y for left and right, else x); base_mm, top_mm : above the floor
    share : of all reflected rays, all eyes together
    mirror_closes : of the rays that leave there, how many an upright mirror along that side would send back to
        something in the scene
    """

    side: str
    from_mm: float
    to_mm: float
    base_mm: float
    top_mm: float
    share: float
    mirror_closes: float


def open_sides(scene: Scene, eyes: Array, mirror: Mirror | None = None) -> tuple[OpenSide, ...]:
    """Where lines of sight by way of a mirror (default: the first) leave the scene without meeting anything.

    Parameters
    ----------
    eyes : (n, 3) [mm]
    """
    mirror = mirror or scene.mirror
    leaving: list[Array] = []
    total = 0
    # The face's very edges count: the outermost rays say how large a backdrop must be.
    points = face_lattice(mirror)
    for eye in eyes:
        shown = face_seen(scene, mirror, eye, points)
        if len(shown) == 0:
            continue
        starts, directions = reflected_rays(eye, shown, mirror)
        above = starts[:, 2] > 0.01  # lower ones end in the seam
        ends = follow(scene, starts[above], directions[above], scene.solids, MOST_REFLECTIONS - 1)
        total += int(above.sum())
        out = ends.body == NOTHING
        leaving.append(_leave(ends.starts[out], ends.directions[out], scene))
    if total == 0:
        return ()
    crossings = np.vstack(leaving)
    return tuple(
        side
        for number, name in enumerate(("left", "right", "viewers'", "back"))
        if (side := _side(name, crossings[crossings[:, 0] == number], total)) is not None
    )


def _leave(starts: Array, directions: Array, scene: Scene) -> Array:
    """(n, 4): number of the side by which each ray leaves the area, place along it and height there [mm],
    whether a mirror along that side would send it back to something (1) or out again (0)."""
    x0, x1, y0, y1 = scene.floor.area_mm
    step = np.where(np.abs(directions) < 1e-12, 1e-12, directions)
    # A mirror may stand outside the floor's rectangle; its rays then cross a side at once.
    along = np.stack(
        [
            np.where(step[:, axis] * sign > 0, (limit - starts[:, axis]) / step[:, axis], np.inf)
            for axis, sign, limit in ((0, -1, x0), (0, 1, x1), (1, -1, y0), (1, 1, y1))
        ]
    )
    along = np.maximum(along, 0.0)
    side = along.argmin(axis=0)
    places = starts + along.min(axis=0)[:, None] * directions
    back = directions.copy()
    back[side < 2, 0] *= -1.0
    back[side >= 2, 1] *= -1.0
    which, far = first_hit(places, back, scene.solids)
    closed = which >= 0
    # What comes back to the mirror goes on to the viewers: nothing is closed by that.
    ends = places + np.where(closed, far, 0.0)[:, None] * back
    for mirror in scene.mirrors:
        closed &= ~crosses_mirror(places, ends, mirror)
    return np.column_stack([side, np.where(side < 2, places[:, 1], places[:, 0]), places[:, 2], closed])


def _side(name: str, crossings: Array, total: int) -> OpenSide | None:
    if len(crossings) == 0:
        return None
    low, high = crossings[:, 1:3].min(axis=0), crossings[:, 1:3].max(axis=0)
    # A mirror that reaches past the floor's edge also looks down beside it: a backdrop starts at the floor.
    base = max(0.0, float(low[1]))
    top = max(base, float(high[1]))
    share, closes = len(crossings) / total, float(crossings[:, 3].mean())
    return OpenSide(name, float(low[0]), float(high[0]), base, top, share, closes)

"""What every viewer sees of a scene: own face, wanted and unwanted things, the mirror's edges, open view.

Works on `sightlines`; all arrays of eyes are (heights, places), as `Scene.eyes` lays them out.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .scene import Mirror, Scene, Thing
from .sightlines import (
    blocked,
    crosses_mirror,
    first_hit,
    own_points_seen,
    reflected_rays,
    seen_direct,
    seen_in_mirror,
)

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

OWN_FACE = "own face"
#: A face around its eyes [mm]: chin below, cheeks to the sides. About half a head's breadth (150) and the
#: distance from eye to chin of an adult, from memory of Pheasant, Bodyspace; a child's are smaller.
CHIN_BELOW_MM, CHEEK_ASIDE_MM = 110.0, 75.0
#: A thing counts as shown when this share of its sample points is seen; as seen at all when any is.
SHOWN_SHARE = 0.5
EDGES = ("left", "right", "top", "foot")
_EDGE_SAMPLES = 15
#: Grid over the mirror by which its contents are counted.
_GRID = (24, 18)
OPEN_VIEW = "open view"


@dataclass(frozen=True, eq=False)
class ThingView:
    """Who sees one thing, (heights, places) flags. `direct`, `mirrored`: any of it; `shown_*`: half of it."""

    name: str
    want: str
    direct: Flags
    mirrored: Flags
    shown_direct: Flags
    shown_mirrored: Flags
    least_share: float = 1.0

    @property
    def met(self) -> bool:
        """Whether the wish is met from as many places as it is wanted from."""
        if self.want == "hide":
            return not self.trouble.any()
        if self.want == "show":
            return bool((~self.trouble).mean() >= self.least_share)
        return bool(not self.direct.any() and self.shown_mirrored.mean() >= self.least_share)

    @property
    def trouble(self) -> Flags:
        """Where the wish is not met."""
        if self.want == "hide":
            return self.direct | self.mirrored
        if self.want == "show":
            return ~(self.shown_direct | self.shown_mirrored)
        return self.direct | ~self.shown_mirrored


@dataclass(frozen=True, eq=False)
class Views:
    """What every eye place sees. eyes_mm (h, p, 3); own_face, own_eyes (h, p) flags; edges (h, p) shares."""

    eyes_mm: Array
    own_face: Flags
    own_eyes: Flags
    things: tuple[ThingView, ...]
    edges: dict[str, Array]

    @property
    def troubles(self) -> dict[str, Flags]:
        """Every wish by name, with where it is not met."""
        return {OWN_FACE: self.own_face, **{thing.name: thing.trouble for thing in self.things}}

    @property
    def unmet(self) -> tuple[str, ...]:
        """Names of the wishes that are not met, the worst first."""
        met = {OWN_FACE: not self.own_face.any(), **{thing.name: thing.met for thing in self.things}}
        shares = {name: float(flags.mean()) for name, flags in self.troubles.items()}
        return tuple(sorted((name for name in met if not met[name]), key=lambda name: -shares[name]))


def look(scene: Scene, eyes: Array | None = None) -> Views:
    """What is seen from every eye place (default: all of the scene's).

    Parameters
    ----------
    eyes : (h, p, 3) [mm] or None
    """
    grid = scene.eyes() if eyes is None else eyes
    face = own_face_seen(scene, grid)
    return Views(
        grid,
        np.asarray(face.any(axis=2)),
        face[..., 0],
        tuple(look_at(scene, thing, grid) for thing in scene.things),
        {edge: edge_shown(scene, edge, grid) for edge in EDGES},
    )


def own_face_seen(scene: Scene, grid: Array) -> Flags:
    """(h, p, 4) whether each eye sees its own eyes, chin, left and right cheek in the mirror."""
    across = scene.mirror.across
    offsets = np.array(
        [[0.0, 0.0, 0.0], [0.0, 0.0, -CHIN_BELOW_MM], -CHEEK_ASIDE_MM * across, CHEEK_ASIDE_MM * across]
    )
    flat = grid.reshape(-1, 3)
    return own_points_seen(flat, offsets, scene.solids, scene.mirror).reshape(*grid.shape[:2], 4)


def look_at(scene: Scene, thing: Thing, grid: Array) -> ThingView:
    """Who sees one thing. A solid thing does not hide itself.

    Straight means while facing the mirror: what stands behind the viewer's back is not seen directly.
    """
    boxes = [box for box in scene.solids if box is not thing.body]
    flat, shape = grid.reshape(-1, 3), grid.shape[:2]
    facing = scene.mirror.corners.mean(axis=0) - flat
    ahead = np.einsum("epk,ek->ep", thing.samples[None] - flat[:, None], facing) > 0
    direct = ahead & seen_direct(flat, thing.samples, boxes, scene.mirror)
    mirrored = seen_in_mirror(flat, thing.samples, boxes, scene.mirror)
    return ThingView(
        thing.name,
        thing.want,
        np.asarray(direct.any(axis=1)).reshape(shape),
        np.asarray(mirrored.any(axis=1)).reshape(shape),
        (direct.mean(axis=1) >= SHOWN_SHARE).reshape(shape),
        (mirrored.mean(axis=1) >= SHOWN_SHARE).reshape(shape),
        thing.least_share,
    )


def is_met(scene: Scene, name: str, grid: Array) -> bool:
    """Whether one wish is met: `OWN_FACE` (that nobody sees it) or a thing's name."""
    if name == OWN_FACE:
        return not own_face_seen(scene, grid).any()
    return look_at(scene, next(thing for thing in scene.things if thing.name == name), grid).met


def edge_points(mirror: Mirror, edge: str, count: int = _EDGE_SAMPLES) -> Array:
    """(count, 3) [mm] points along one edge of the front face, just before it."""
    half, top = mirror.width_mm / 2, mirror.foot_mm + mirror.height_mm
    inset = (np.arange(count) + 0.5) / count
    across, up = {
        "left": (np.full(count, -half), mirror.foot_mm + inset * mirror.height_mm),
        "right": (np.full(count, half), mirror.foot_mm + inset * mirror.height_mm),
        "top": ((2 * inset - 1) * half, np.full(count, top)),
        "foot": ((2 * inset - 1) * half, np.full(count, mirror.foot_mm)),
    }[edge]
    return mirror.just_before(mirror.on_face(across, up))


def edge_shown(scene: Scene, edge: str, grid: Array) -> Array:
    """(h, p) which share of one edge of the mirror each eye sees straight."""
    flat = grid.reshape(-1, 3)
    points = edge_points(scene.mirror, edge)
    starts, ends = np.repeat(flat, len(points), axis=0), np.tile(points, (len(flat), 1))
    seen = ~blocked(starts, ends, scene.solids)
    return np.asarray(seen.reshape(*grid.shape[:2], len(points)).mean(axis=2))


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


def mirror_content(scene: Scene, eye: Array) -> dict[str, float]:
    """What one eye sees in the part of the mirror that it sees: name, share; `OPEN_VIEW` leaves the scene."""
    points = face_grid(scene.mirror)
    points = points[~blocked(np.tile(eye, (len(points), 1)), points, scene.solids)]
    if len(points) == 0:
        return {}
    starts, directions = reflected_rays(eye, points, scene.mirror)
    loose = (thing.body for thing in scene.things if not thing.solid)
    bodies = [*scene.solids, *(body for body in loose if max(body.size_mm) > 0.0)]
    which, _ = first_hit(starts, directions, bodies)
    names = [OPEN_VIEW if number < 0 else bodies[number].name for number in which]
    counted = {name: names.count(name) / len(names) for name in dict.fromkeys(names)}
    return dict(sorted(counted.items(), key=lambda item: -item[1]))


def mirror_seen(scene: Scene, grid: Array) -> float:
    """Mean area of the mirror's face [mm2] that the eyes see straight."""
    points, flat = face_grid(scene.mirror, 8, 6), grid.reshape(-1, 3)
    starts, ends = np.repeat(flat, len(points), axis=0), np.tile(points, (len(flat), 1))
    area = scene.mirror.width_mm * scene.mirror.height_mm
    return float((~blocked(starts, ends, scene.solids)).mean()) * area


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


def open_sides(scene: Scene, eyes: Array) -> tuple[OpenSide, ...]:
    """Where reflected lines of sight leave the scene without meeting anything.

    Parameters
    ----------
    eyes : (n, 3) [mm]
    """
    leaving: list[Array] = []
    total = 0
    # The face's very edges count: the outermost rays say how large a backdrop must be.
    points = face_lattice(scene.mirror)
    for eye in eyes:
        shown = points[~blocked(np.tile(eye, (len(points), 1)), points, scene.solids)]
        if len(shown) == 0:
            continue
        starts, directions = reflected_rays(eye, shown, scene.mirror)
        above = starts[:, 2] > 0.01  # lower ones end in the seam
        starts, directions = starts[above], directions[above]
        which, _ = first_hit(starts, directions, scene.solids)
        total += len(starts)
        leaving.append(_leave(starts[which < 0], directions[which < 0], scene))
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
    closed &= ~crosses_mirror(places, ends, scene.mirror)
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

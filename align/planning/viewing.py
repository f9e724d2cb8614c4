"""What every viewer sees of a scene: own face, wanted and unwanted things, the mirrors' edges.

All arrays of eyes are (heights, places), as `Scene.eyes` lays them out.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from .reflections import Way, seen_by_way, seen_pairwise, ways
from .scene import Mirror, Scene, Thing, Want
from .sightlines import blocked, seen_direct
from .thresholds import CHEEK_ASIDE_MM, CHIN_BELOW_MM, SAME_IMAGE_MM, SHOWN_SHARE

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

OWN_FACE = "own face"
EDGES = ("left", "right", "top", "foot")
_EDGE_SAMPLES = 15


@dataclass(frozen=True, eq=False)
class ThingView:
    """Who sees one thing, (heights, places) flags.

    direct, mirrored : any of it straight, by way of mirrors; shown_direct, shown_mirrored : half of it, the latter
        by one way at least
    reversed_ : any of it after an odd number of reflections
    by_way : any of it, for every sequence of mirrors by which some eye sees it
    images : (heights, places) how many of it are seen at once, itself included
    """

    name: str
    want: Want
    direct: Flags
    mirrored: Flags
    shown_direct: Flags
    shown_mirrored: Flags
    least_share: float = 1.0
    reversed_: Flags = field(default_factory=lambda: np.zeros((1, 1), bool))
    by_way: dict[Way, Flags] = field(default_factory=dict)
    images: NDArray[np.int64] = field(default_factory=lambda: np.zeros((1, 1), np.int64))

    @property
    def met(self) -> bool:
        """Whether the wish is met from as many places as it is wanted from."""
        if self.unwanted.any():
            return False
        shown = {"mirror only": self.shown_mirrored, "direct only": self.shown_direct, "show": ~self.trouble}
        return self.want not in shown or bool(shown[self.want].mean() >= self.least_share)

    @property
    def unwanted(self) -> Flags:
        """Where something is seen that must not be: not from a single place."""
        none = np.zeros_like(self.direct)
        unwanted: dict[Want, Flags] = {
            "hide": self.direct | self.mirrored,
            "show": none,
            "mirror only": self.direct,
            "direct only": self.mirrored,
            "not reversed": self.reversed_ | none,
        }
        return unwanted[self.want]

    @property
    def trouble(self) -> Flags:
        """Where the wish is not met."""
        if self.want == "show":
            return ~(self.shown_direct | self.shown_mirrored)
        lacking = {"mirror only": self.shown_mirrored, "direct only": self.shown_direct}
        return self.unwanted | ~lacking[self.want] if self.want in lacking else self.unwanted


@dataclass(frozen=True, eq=False)
class Views:
    """What every eye place sees.

    eyes_mm : (h, p, 3); own_face, own_eyes : (h, p) flags; own_face_by : for every way that shows anyone their face
    mirror_edges : for every mirror, (h, p) shares of its edges that are seen straight
    """

    eyes_mm: Array
    own_face: Flags
    own_eyes: Flags
    things: tuple[ThingView, ...]
    mirror_edges: tuple[dict[str, Array], ...]
    own_face_by: dict[Way, Flags] = field(default_factory=dict)

    @property
    def edges(self) -> dict[str, Array]:
        """Of the first mirror."""
        return self.mirror_edges[0]

    @property
    def troubles(self) -> dict[str, Flags]:
        """Every wish by name, with where it is not met."""
        return {OWN_FACE: self.own_face, **{thing.name: thing.trouble for thing in self.things}}

    @property
    def met(self) -> dict[str, bool]:
        """Every wish by name, and whether it is met from these places."""
        return {OWN_FACE: not self.own_face.any(), **{thing.name: thing.met for thing in self.things}}

    @property
    def unmet(self) -> tuple[str, ...]:
        """Names of the wishes that are not met, the worst first."""
        shares = {name: float(flags.mean()) for name, flags in self.troubles.items()}
        return tuple(sorted((name for name, met in self.met.items() if not met), key=lambda name: -shares[name]))


def look(scene: Scene, eyes: Array | None = None) -> Views:
    """What is seen from every eye place (default: all of the scene's).

    Parameters
    ----------
    eyes : (h, p, 3) [mm] or None
    """
    grid = scene.eyes() if eyes is None else eyes
    paths = ways(scene.mirrors)
    by_way = own_face_by_way(scene, grid, paths)
    face = np.any(list(by_way.values()), axis=0)
    return Views(
        grid,
        np.asarray(face.any(axis=2)),
        face[..., 0],
        tuple(look_at(scene, thing, grid, paths) for thing in scene.things),
        tuple({edge: edge_shown(scene, mirror, edge, grid) for edge in EDGES} for mirror in scene.mirrors),
        {way: np.asarray(seen.any(axis=2)) for way, seen in by_way.items() if seen.any()},
    )


def face_offsets(mirror: Mirror) -> Array:
    """(4, 3) [mm] from an eye to parts of a face that looks at a mirror: the eye, chin, left and right cheek."""
    across = mirror.across
    return np.array(
        [[0.0, 0.0, 0.0], [0.0, 0.0, -CHIN_BELOW_MM], -CHEEK_ASIDE_MM * across, CHEEK_ASIDE_MM * across]
    )


def own_face_by_way(scene: Scene, grid: Array, paths: Sequence[Way] | None = None) -> dict[Way, Flags]:
    """For every way, (h, p, 4) whether each eye sees its own eyes, chin, left and right cheek by it."""
    flat, mirrors = grid.reshape(-1, 3), scene.mirrors
    found = {}
    for way in ways(mirrors) if paths is None else paths:
        seen = [
            seen_pairwise(way, flat, flat + offset, scene.solids, mirrors)
            for offset in face_offsets(way.mirrors[0])
        ]
        found[way] = np.stack(seen, axis=1).reshape(*grid.shape[:2], 4)
    return found


def own_face_seen(scene: Scene, grid: Array) -> Flags:
    """(h, p, 4) whether each eye sees its own eyes, chin, left and right cheek in any mirror."""
    return np.asarray(np.any(list(own_face_by_way(scene, grid).values()), axis=0))


def look_at(scene: Scene, thing: Thing, grid: Array, paths: Sequence[Way] | None = None) -> ThingView:
    """Who sees one thing. A solid thing does not hide itself.

    Straight means while facing the mirrors: what stands behind the viewer's back is not seen directly.
    """
    boxes = [box for box in scene.solids if box is not thing.body]
    flat, shape, samples = grid.reshape(-1, 3), grid.shape[:2], thing.samples
    facing = np.mean([mirror.middle for mirror in scene.mirrors], axis=0) - flat
    ahead = samples @ facing.T - (flat * facing).sum(axis=1) > 0
    direct = ahead.T & seen_direct(flat, samples, boxes, *scene.mirrors)
    shown_direct = direct.mean(axis=1) >= SHOWN_SHARE
    some, odd, shown = (np.zeros(len(flat), bool) for _ in range(3))
    by_way, images = {}, _Images(shown_direct)
    for way in ways(scene.mirrors) if paths is None else paths:
        seen = seen_by_way(way, flat, samples, boxes, scene.mirrors)
        any_of_it = np.asarray(seen.any(axis=1))
        if not any_of_it.any():
            continue
        half = seen.mean(axis=1) >= SHOWN_SHARE
        some |= any_of_it
        shown |= half
        odd |= any_of_it & way.reverses
        by_way[way] = any_of_it.reshape(shape)
        images.add(way.images(samples[:1])[0], half)
    return ThingView(
        thing.name,
        thing.want,
        np.asarray(direct.any(axis=1)).reshape(shape),
        some.reshape(shape),
        shown_direct.reshape(shape),
        shown.reshape(shape),
        thing.least_share,
        odd.reshape(shape),
        by_way,
        images.count.reshape(shape),
    )


class _Images:
    """Counts a thing's images for every eye; two ways that meet in one place (A then B, B then A) are one image."""

    def __init__(self, shown_direct: Flags) -> None:
        self._direct = shown_direct
        self._places: list[tuple[Array, Flags]] = []

    def add(self, place: Array, shown: Flags) -> None:
        for other, flags in self._places:
            if float(np.linalg.norm(other - place)) < SAME_IMAGE_MM:
                flags |= shown
                return
        self._places.append((place, shown.copy()))

    @property
    def count(self) -> NDArray[np.int64]:
        """(n,) of each eye, the thing itself included."""
        return np.asarray(self._direct.astype(np.int64) + sum(flags.astype(np.int64) for _, flags in self._places))


def is_met(scene: Scene, name: str, grid: Array) -> bool:
    """Whether one wish is met: `OWN_FACE` (that nobody sees it) or a thing's name."""
    if name == OWN_FACE:
        return not own_face_seen(scene, grid).any()
    return look_at(scene, scene.thing(name), grid).met


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


def edge_shown(scene: Scene, mirror: Mirror, edge: str, grid: Array) -> Array:
    """(h, p) which share of one edge of a mirror each eye sees straight, from before it."""
    flat = grid.reshape(-1, 3)
    points = edge_points(mirror, edge)
    starts, ends = np.repeat(flat, len(points), axis=0), np.tile(points, (len(flat), 1))
    seen = ~blocked(starts, ends, scene.solids, scene.others(mirror)).reshape(len(flat), len(points))
    seen &= (mirror.heights(flat) > 0.0)[:, None]
    return np.asarray(seen.reshape(*grid.shape[:2], len(points)).mean(axis=2))

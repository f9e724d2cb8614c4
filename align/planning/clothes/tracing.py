"""What an eye sees of a clothed scene, ray by ray: straight, and by way of up to three mirrors through their glass.

Beside the main image of what the first mirror shows, its two strong ghosts are drawn: the front face's own
reflection and that of one extra trip through the glass, each as strong as Fresnel's formulae say (`optics.slab`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ...optics.slab import SILVERING_REFLECTANCE, image_strength
from ..bodies import Box
from ..eye import Eye
from ..rays import pane_distance
from ..reflections import through
from ..scene import Mirror
from ..sightlines import first_hit
from ..thresholds import MOST_REFLECTIONS
from .cutouts import CutoutPicture
from .faces import Face, side_met
from .textures import COVERED, UNSEEN, Texture
from .tones import as_bytes

Array = NDArray[np.float64]
Light = NDArray[np.float32]
Kinds = NDArray[np.uint8]
Ints = NDArray[np.int64]

#: What a pixel shows, beside what `textures` says of texels: nothing of the scene, a mirror's back or the
#: edge of its glass.
ROOM, BACK, EDGE = 3, 4, 5
#: Their linear light; and that of the stripes that say that no photo shows a face.
ROOM_LIGHT, _BACK_LIGHT, _EDGE_LIGHT = np.array(
    [[0.62, 0.65, 0.68], [0.12, 0.1, 0.09], [0.02, 0.035, 0.03]], np.float32
)
STRIPES = np.array([[0.8, 0.8, 0.8], [0.14, 0.2, 0.35]], np.float32)
_STRIPE_MM = 9.0
#: Passes down to the silvering of the two ghosts that are drawn.
_GHOSTS = (0, 2)


@dataclass(frozen=True, eq=False)
class World:
    """A scene to look at: its bodies, their textures by (body, side), its cut-outs."""

    bodies: Sequence[Box]
    textures: dict[tuple[int, int], Texture]
    cutouts: Sequence[CutoutPicture]


@dataclass(frozen=True, eq=False)
class Sight:
    """A picture. light : (rows, columns, 3) linear; kinds, reflections : (rows, columns), of the main image."""

    light: Light
    kinds: Kinds
    reflections: Kinds

    @property
    def pixels(self) -> NDArray[np.uint8]:
        """(rows, columns, 3) sRGB bytes, as a screen shows them."""
        return as_bytes(self.light)


@dataclass(eq=False)
class _Rays:
    """Rays under way: how much of their light is still to come, and what came so far."""

    place: Array
    way: Array
    weight: Light
    travelled: Array
    light: Light
    kinds: Kinds
    reflections: Kinds
    last: Ints


def sights_of(
    world: World, mirrors: Sequence[Mirror], eye: Eye, low: Array, high: Array, columns: int, finer: int = 2
) -> tuple[Sight, Sight]:
    """What an eye sees through the window low..high of its view, with the mirrors and before any of them hangs.

    columns : width [px]; each pixel is the mean of finer x finer rays
    """
    directions, (rows, across) = eye.rays(low, high, columns * finer)
    rows = rows // finer * finer
    directions = directions[: rows * across]
    directions = directions / np.linalg.norm(directions, axis=1, keepdims=True)
    main = _followed(world, mirrors, eye.at_mm, directions, 1, _near_rows(world, eye, directions))
    glassy = np.flatnonzero(main.reflections > 0)
    shape = rows // finer, across // finer, finer
    # Rays that meet no mirror are the same without one.
    stopped = np.flatnonzero((main.reflections > 0) | (main.kinds == BACK))
    free = _followed(world, (), eye.at_mm, directions[stopped], 1, None)
    light, kinds = main.light.copy(), main.kinds.copy()
    light[stopped], kinds[stopped] = free.light, free.kinds
    without = _sight(light, kinds, np.zeros_like(main.reflections), shape)
    for passes in _GHOSTS:
        if len(glassy) and any(mirror.glass_mm > 0 for mirror in mirrors):
            main.light[glassy] += _followed(world, mirrors, eye.at_mm, directions[glassy], passes, None).light
    return _sight(main.light, main.kinds, main.reflections, shape), without


def _sight(light: Light, kinds: Kinds, reflections: Kinds, shape: tuple[int, int, int]) -> Sight:
    """A picture of (rows, columns) from finer x finer rays a pixel."""
    rows, columns, finer = shape
    cut = (rows, finer, columns, finer)
    mean = light.reshape(*cut, 3).mean(axis=(1, 3))
    return Sight(np.asarray(mean, np.float32), kinds.reshape(cut)[:, 0, :, 0], reflections.reshape(cut)[:, 0, :, 0])


def light_behind(world: World, eye: Array, ways: Array) -> tuple[Light, NDArray[np.bool_]]:
    """The light (n, 3) of the bodies that rays from an eye (3,) meet, no mirrors; (n,) whether photos show it."""
    rays = _followed(world, (), eye, ways, 1, None)
    return rays.light, rays.kinds == COVERED


def _near_rows(world: World, eye: Eye, directions: Array) -> list[Ints | None]:
    """For each body the rays that may meet it straight; None: all of them."""
    own = directions @ eye.axes.T
    tangents = own[:, :2] / own[:, 2:]
    found: list[Ints | None] = []
    for box in world.bodies:
        corners = eye.project(box.corners)
        if np.isnan(corners).any():
            found.append(None)
            continue
        low, high = corners.min(axis=0) - 1e-6, corners.max(axis=0) + 1e-6
        found.append(np.flatnonzero(((tangents >= low) & (tangents <= high)).all(axis=1)))
    return found


def _followed(
    world: World, mirrors: Sequence[Mirror], start: Array, ways: Array, passes: int, near: list[Ints | None] | None
) -> _Rays:
    """Follow rays; passes : down to the silvering of the first mirror. Other than 1: only the light after it."""
    count = len(ways)
    rays = _Rays(
        place=np.tile(start, (count, 1)),
        way=ways.copy(),
        weight=np.full(count, 1.0, np.float32),
        travelled=np.zeros(count),
        light=np.zeros((count, 3), np.float32),
        kinds=np.full(count, ROOM, np.uint8),
        reflections=np.zeros(count, np.uint8),
        last=np.full(count, -1, np.int64),
    )
    active = np.arange(count)
    for step in range(MOST_REFLECTIONS + 1):
        if len(active) == 0:
            break
        body, far = _first(world, rays, active, near if step == 0 else None)
        mirror, behind, far = _mirror_before(mirrors, rays, active, far)
        if step > 0 or passes == 1:
            _paint_cutouts(world, rays, active, far)
            ends = (mirror < 0) | behind
            _paint_bodies(world, rays, active[ends], np.where(mirror[ends] >= 0, -2, body[ends]), far[ends])
        onward = (mirror >= 0) & ~behind
        active = _reflected(mirrors, rays, active[onward], mirror[onward], far[onward], passes if step == 0 else 1)
        if step == MOST_REFLECTIONS:
            rays.light[active] += rays.weight[active, None] * ROOM_LIGHT
    return rays


def _first(world: World, rays: _Rays, active: Ints, near: list[Ints | None] | None) -> tuple[Ints, Array]:
    """(n,) the body that each ray meets first, -1: none; (n,) how far."""
    place, way = rays.place[active], rays.way[active]
    if near is None:
        return first_hit(place, way, world.bodies)
    body, far = np.full(len(active), -1, np.int64), np.full(len(active), np.inf)
    for number, (box, rows) in enumerate(zip(world.bodies, near, strict=True)):
        rows = np.arange(len(active)) if rows is None else rows
        hit, length = first_hit(place[rows], way[rows], [box])
        nearer = (hit == 0) & (length < far[rows])
        body[rows[nearer]], far[rows[nearer]] = number, length[nearer]
    return body, far


def _mirror_before(
    mirrors: Sequence[Mirror], rays: _Rays, active: Ints, far: Array
) -> tuple[Ints, NDArray[np.bool_], Array]:
    """(n,) the mirror that each ray meets before its body, -1: none; (n,) whether from behind; (n,) how far."""
    which, behind = np.full(len(active), -1, np.int64), np.zeros(len(active), bool)
    for number, pane in enumerate(mirrors):
        reach, from_behind = pane_distance(pane, rays.place[active], rays.way[active])
        reach[rays.last[active] == number] = np.inf
        nearer = reach < far
        far = np.where(nearer, reach, far)
        which[nearer], behind[nearer] = number, from_behind[nearer]
    return which, behind, far


def _paint_cutouts(world: World, rays: _Rays, rows: Ints, far: Array) -> None:
    """What cut-outs give of their light before the rays go on, the nearer first."""
    layers = []
    place, way = rays.place[rows], rays.way[rows]
    seen_from = place - rays.travelled[rows, None] * way
    for picture in world.cutouts:
        reach, light, alpha = picture.met(place, way, seen_from)
        layers.append((reach, light, np.where(reach < far, alpha, 0.0).astype(np.float32)))
    if not layers:
        return
    order = np.argsort(np.stack([reach for reach, _, _ in layers]), axis=0)
    for place_in_line in order:
        for number, (_, light, alpha) in enumerate(layers):
            some = np.flatnonzero((place_in_line == number) & (alpha > 0))
            which = rows[some]
            rays.light[which] += (rays.weight[which] * alpha[some])[:, None] * light[some]
            rays.weight[which] *= 1.0 - alpha[some]


def _paint_bodies(world: World, rays: _Rays, rows: Ints, body: Ints, far: Array) -> None:
    """The light of what rays end at; body -1: the room, -2: a mirror's back."""
    light = np.tile(ROOM_LIGHT, (len(rows), 1))
    kinds = np.full(len(rows), ROOM, np.uint8)
    light[body == -2], kinds[body == -2] = _BACK_LIGHT, BACK
    for number in np.unique(body[body >= 0]):
        some = np.flatnonzero(body == number)
        points = rays.place[rows[some]] + far[some, None] * rays.way[rows[some]]
        sides = side_met(world.bodies[number], points)
        for side in np.unique(sides):
            part = sides == side
            light[some[part]], kinds[some[part]] = _texture_light(world, (int(number), int(side)), points[part])
    rays.light[rows] += rays.weight[rows, None] * light
    rays.kinds[rows] = kinds


def _texture_light(world: World, key: tuple[int, int], points: Array) -> tuple[Light, Kinds]:
    texture = world.textures.get(key)
    box = world.bodies[key[0]]
    if texture is None and box.name == "the floor":  # its edge
        return np.full((len(points), 3), 0.1, np.float32), np.full(len(points), BACK, np.uint8)
    if texture is None:  # it stands off the floor, and is in no photo
        stripe = (Face(*key, box).places(points).sum(axis=1) // (3.0 * _STRIPE_MM)).astype(np.int64) % 2
        return STRIPES[stripe], np.full(len(points), UNSEEN, np.uint8)
    places = texture.face.places(points)
    light, kinds = texture.sample(places)
    stripe = (places.sum(axis=1) // _STRIPE_MM).astype(np.int64) % 2
    return np.where((kinds == UNSEEN)[:, None], STRIPES[stripe], light), kinds


def _reflected(mirrors: Sequence[Mirror], rays: _Rays, rows: Ints, which: Ints, far: Array, passes: int) -> Ints:
    """Send rays on from the mirrors that they meet; those that do, for the others end in the glass's edge."""
    onward = []
    for number, pane in enumerate(mirrors):
        some = rows[which == number]
        if len(some) == 0:
            continue
        incidence = np.arccos(np.clip(-(rays.way[some] @ pane.normal), 0.0, 1.0))
        _, leave, way, good = through(pane, rays.place[some], rays.way[some], passes)
        edge = some[~good]
        if passes == 1:
            rays.light[edge] += rays.weight[edge, None] * _EDGE_LIGHT
            rays.kinds[edge] = EDGE
            rays.reflections[edge] += 1
        rays.travelled[some] += far[which == number]
        rays.weight[some] *= _strength(pane, incidence, passes)
        rays.place[some], rays.way[some], rays.last[some] = leave, way, number
        rays.reflections[some[good]] += 1
        onward.append(some[good])
    return np.concatenate(onward) if onward else np.zeros(0, np.int64)


def _strength(pane: Mirror, incidence: Array, passes: int) -> Light:
    """(n,) share of light that comes back from a mirror at an incidence [rad], in the image of so many passes."""
    if pane.glass_mm == 0.0:
        share = SILVERING_REFLECTANCE if passes == 1 else 0.0
        return np.full(len(incidence), share, np.float32)
    return np.asarray(image_strength(passes, incidence, index=pane.index), np.float32)

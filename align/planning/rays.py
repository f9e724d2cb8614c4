"""Rays followed into a scene: past boxes, and on from mirror to mirror, until they meet something or leave."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .bodies import Box
from .reflections import through
from .scene import Mirror, Scene
from .sightlines import first_hit, on_glass
from .thresholds import MOST_REFLECTIONS

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

#: What a ray ends at, beside a body's number: nothing, a mirror's front after the last reflection that is followed.
NOTHING, BEYOND = -1, -2
#: The back of mirror m is this less m.
FIRST_BACK = -10
#: A ray that has just left a face does not meet it again within this [mm].
_CLEAR_MM = 1e-6


@dataclass(frozen=True, eq=False)
class Ends:
    """Where (n,) rays end.

    body : number of the body that each meets; NOTHING, BEYOND, or FIRST_BACK - m for the back of mirror m
    ways : (n, MOST_REFLECTIONS) numbers of the mirrors met on the way there, -1 after the last
    starts, directions : (n, 3) of each ray's last leg; far : (n,) its length [mm], inf where it meets nothing
    """

    body: Ints
    ways: Ints
    starts: Array
    directions: Array
    far: Array

    @property
    def points(self) -> Array:
        """(n, 3) where they end; nan for those that meet nothing."""
        with np.errstate(invalid="ignore"):
            points = self.starts + self.far[:, None] * self.directions
        return np.where(np.isfinite(self.far)[:, None], points, np.nan)

    @property
    def reflections(self) -> Ints:
        """(n,) how many mirrors each ray met."""
        return np.asarray((self.ways >= 0).sum(axis=1))


def follow(
    scene: Scene, starts: Array, directions: Array, bodies: Sequence[Box], most: int = MOST_REFLECTIONS
) -> Ends:
    """Follow rays until each meets a body, a mirror's back, or nothing.

    Parameters
    ----------
    starts, directions : (n, 3), directions of any length; bodies : what stops them, e.g. `scene.solids`
    most : mirrors that a ray is followed through
    """
    count = len(starts)
    place = np.array(starts, float)
    way = directions / np.maximum(np.linalg.norm(directions, axis=1, keepdims=True), 1e-12)
    body, far = np.full(count, NOTHING, np.int64), np.full(count, np.inf)
    met = np.full((count, MOST_REFLECTIONS), -1, np.int64)
    active = np.arange(count)
    last = np.full(count, -1, np.int64)
    for step in range(most + 1):
        if len(active) == 0:
            break
        number, length = first_hit(place[active], way[active], bodies)
        mirror = np.full(len(active), -1, np.int64)
        behind = np.zeros(len(active), bool)
        for m, pane in enumerate(scene.mirrors):
            reach, from_behind = pane_distance(pane, place[active], way[active])
            reach[last[active] == m] = np.inf
            nearer = reach < length
            length = np.where(nearer, reach, length)
            mirror[nearer], behind[nearer] = m, from_behind[nearer]
        onward = (mirror >= 0) & ~behind
        ends = ~onward
        body[active[ends]] = np.where(mirror[ends] >= 0, FIRST_BACK - mirror[ends], number[ends])
        far[active[ends]] = length[ends]
        rows, mirror = active[onward], mirror[onward]
        if step == most:
            body[rows], far[rows] = BEYOND, length[onward]
            break
        met[rows, step] = mirror
        for m, pane in enumerate(scene.mirrors):
            some = rows[mirror == m]
            _, place[some], way[some], _ = through(pane, place[some], way[some])
        last[rows] = mirror
        active = rows
    return Ends(body, met, place, way, far)


def pane_distance(pane: Mirror, starts: Array, directions: Array) -> tuple[Array, NDArray[np.bool_]]:
    """(n,) how far each ray goes until it crosses a mirror's front face, inf: never; (n,) whether from behind."""
    height, rate = pane.heights(starts), directions @ pane.normal
    reach = -height / np.where(np.abs(rate) < 1e-12, 1e-12, rate)
    crosses = reach > _CLEAR_MM
    with np.errstate(invalid="ignore", over="ignore"):
        crosses &= on_glass(starts + np.where(crosses, reach, 0.0)[:, None] * directions, pane)
    return np.where(crosses, reach, np.inf), np.asarray(rate > 0)

"""What gives a mirror away: found from the viewers' places without being asked for.

A street that runs on behind a mirror deceives until something in view betrays it. Each finding says what, in which
mirror, and from how many of the eye places.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from ..optics.geometry import angle_between
from .bend import runs_on_direction
from .bodies import Box
from .contents import face_grid
from .reflections import Way, seen_by_way, ways
from .scene import Mirror, Scene, Thing
from .seam import SeamWidth
from .sightlines import blocked, seen_direct
from .thresholds import EYE_RESOLVES, JUST_SEEN_BEND, LIGHT_FROM_ELSEWHERE, TOUCHES_GLASS_MM, WORTH_LISTING
from .viewing import EDGES, ThingView, Views, edge_points, look_at

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

GiveAwayKind = Literal[
    "twins", "reversed letters", "lamp in two places", "edge", "seam", "back", "edge in a mirror", "break", "light"
]


@dataclass(frozen=True, eq=False)
class GiveAway:
    """One thing that betrays a mirror.

    name : of the thing, the edge, the wall; mirror : name of the mirror, empty where several take part
    share : of the eye places, from how many; None where it does not depend on them
    angle_deg : how far apart twins stand, how far a wall kinks, how far light turns; None elsewhere
    by : names of the mirrors in which it is met, in their order
    """

    kind: GiveAwayKind
    name: str
    mirror: str
    share: float | None
    angle_deg: float | None = None
    by: tuple[str, ...] = ()


def give_aways(scene: Scene, views: Views, seams: tuple[tuple[SeamWidth, ...], ...]) -> tuple[GiveAway, ...]:
    """All that betrays the mirrors of a scene, by kind, the most often met first.

    Parameters
    ----------
    views : from the eyes to be asked of; seams : of every mirror (`seam_widths`)
    """
    found = [
        *_twins(scene, views),
        *_reversed(scene, views),
        *_lamps(scene, views.eyes_mm),
        *_edges(scene, views, seams),
        *_in_other_mirrors(scene, views.eyes_mm.reshape(-1, 3)),
        *_breaks(scene),
        *_light(scene),
    ]
    kinds = {kind: number for number, kind in enumerate(dict.fromkeys(one.kind for one in found))}
    kept = [one for one in found if one.share is None or one.share >= WORTH_LISTING]
    return tuple(sorted(kept, key=lambda one: (kinds[one.kind], -(one.share or 1.0))))


def _twins(scene: Scene, views: Views) -> Iterator[GiveAway]:
    """Things and houses that are seen together with an image of theirs."""
    houses = [Thing(box.name, "show", box, solid=True) for box in scene.blockers if not box.is_panel]
    wanted = {thing.name: thing for thing in scene.things if thing.want in ("show", "not reversed")}
    seen = [(wanted[view.name], view) for view in views.things if view.name in wanted]
    seen += [(house, look_at(scene, house, views.eyes_mm)) for house in houses]
    for thing, view in seen:
        both = view.shown_direct & view.shown_mirrored
        if both.any():
            yield GiveAway(
                "twins", thing.name, "", float(both.mean()), _apart_deg(thing, view, views.eyes_mm, both)
            )


def _apart_deg(thing: Thing, view: ThingView, grid: Array, both: Flags) -> float:
    """Half of the eyes that see a thing twice see it nearer to its nearest image than this [deg]."""
    eyes, middle = grid[both], thing.body.corners.mean(axis=0)
    nearest = np.full(len(eyes), np.inf)
    for way, flags in view.by_way.items():
        image = way.images(middle[None])[0]
        u, v = middle - eyes, image - eyes
        apart = np.arctan2(np.linalg.norm(np.cross(u, v), axis=1), (u * v).sum(axis=1))
        nearest = np.minimum(nearest, np.where(flags[both], apart, np.inf))
    return math.degrees(float(np.median(nearest)))


def _reversed(scene: Scene, views: Views) -> Iterator[GiveAway]:
    letters = {thing.name for thing in scene.things if thing.lettering or thing.want == "not reversed"}
    for view in views.things:
        if view.name in letters:
            yield GiveAway(
                "reversed letters", view.name, "", float(view.reversed_.mean()), by=_most(view.by_way, True)
            )


def _most(by_way: dict[Way, Flags], odd: bool = False) -> tuple[str, ...]:
    """Names of the mirrors of the way by which most eyes see something; with `odd`, of those that reverse it."""
    shares = {way: float(seen.mean()) for way, seen in by_way.items() if way.reverses or not odd}
    return tuple(mirror.name for mirror in max(shares, key=lambda way: shares[way]).mirrors) if shares else ()


def _lamps(scene: Scene, grid: Array) -> Iterator[GiveAway]:
    eyes = grid.reshape(-1, 3)
    for lamp in scene.lamps:
        at = np.array([lamp.at_mm])
        direct = seen_direct(eyes, at, scene.solids, *scene.mirrors)[:, 0]
        by_way = {way: seen_by_way(way, eyes, at, scene.solids, scene.mirrors)[:, 0] for way in ways(scene.mirrors)}
        images = sum(flags.astype(int) for flags in by_way.values())
        twice = (direct & (images > 0)) | (images > 1)
        yield GiveAway("lamp in two places", lamp.name, "", float(twice.mean()), by=_most(by_way))


def _edges(scene: Scene, views: Views, seams: tuple[tuple[SeamWidth, ...], ...]) -> Iterator[GiveAway]:
    for mirror, edges, rows in zip(scene.mirrors, views.mirror_edges, seams, strict=True):
        for edge in EDGES[:3]:
            yield GiveAway("edge", edge, mirror.name, float((edges[edge] > 0).mean()))
        own = [row for row in rows if row.glass_mm == mirror.glass_mm]
        if own and own[0].most_seen > EYE_RESOLVES:
            share = float((edges["foot"] > 0).mean())
            yield GiveAway("seam", "foot", mirror.name, share, math.degrees(own[0].most_seen))


def _in_other_mirrors(scene: Scene, eyes: Array) -> Iterator[GiveAway]:
    """Where a mirror's back is seen, straight or in another mirror, and where one shows another's edge or seam."""
    for number, mirror in enumerate(scene.mirrors):
        others = scene.others(mirror)
        back = face_grid(mirror, 6, 4) - (mirror.glass_mm + 0.01) * mirror.normal
        starts, ends = np.repeat(eyes, len(back), axis=0), np.tile(back, (len(eyes), 1))
        seen = ~blocked(starts, ends, scene.solids, others).reshape(len(eyes), -1)
        seen &= (mirror.heights(eyes) < 0.0)[:, None]
        yield GiveAway("back", mirror.name, mirror.name, float(seen.any(axis=1).mean()))
        for way in ways(scene.mirrors):
            if number in way.numbers:
                continue
            names = tuple(one.name for one in way.mirrors)
            shown = seen_by_way(way, eyes, back, scene.solids, scene.mirrors).any(axis=1)
            yield GiveAway("back", mirror.name, mirror.name, float(shown.mean()), by=names)
            for edge in EDGES:
                points = edge_points(mirror, edge)
                shown = seen_by_way(way, eyes, points, scene.solids, scene.mirrors).any(axis=1)
                yield GiveAway("edge in a mirror", edge, mirror.name, float(shown.mean()), by=names)


def _breaks(scene: Scene) -> Iterator[GiveAway]:
    """Walls and backdrops that run up to a glass and kink there: their line does not go on behind it."""
    for mirror in scene.mirrors:
        for box in scene.blockers:
            kink = _kink_at_glass(box, mirror)
            if kink > JUST_SEEN_BEND:
                yield GiveAway("break", box.name, mirror.name, None, math.degrees(kink))
        if abs(2.0 * mirror.lean) > JUST_SEEN_BEND:
            yield GiveAway("break", scene.floor.slab.name, mirror.name, None, math.degrees(abs(2.0 * mirror.lean)))


def _kink_at_glass(box: Box, mirror: Mirror) -> float:
    """[rad] the largest kink of a box's upright sides that run up to the glass; 0 where none does."""
    ring = box.corners[:4]
    kink = 0.0
    for start, end in zip(ring, np.roll(ring, -1, axis=0), strict=True):
        length = float(np.linalg.norm(end - start))
        if box.is_panel and length < 2.0:  # a panel's thickness is no line of it
            continue
        near, far = sorted((start, end), key=lambda corner: float(mirror.heights(corner)))
        aside = abs(float((near - mirror.foot_point) @ mirror.across))
        touches = abs(float(mirror.heights(near))) <= TOUCHES_GLASS_MM and aside <= mirror.width_mm / 2
        if touches and float(mirror.heights(far)) > 2.0 * TOUCHES_GLASS_MM:
            arriving = (near - far) / length
            kink = max(kink, angle_between(arriving, runs_on_direction(arriving, mirror.normal)))
    return kink


def _light(scene: Scene) -> Iterator[GiveAway]:
    if scene.light is None:
        return
    light = scene.light.direction
    for mirror in scene.mirrors:
        turned = 2.0 * math.asin(min(1.0, abs(float(light @ mirror.normal))))
        if turned > LIGHT_FROM_ELSEWHERE:
            yield GiveAway("light", "the light", mirror.name, None, math.degrees(turned))

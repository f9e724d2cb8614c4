"""Where a screen can stand: upright panels across unwanted lines of sight, out of the room kept clear.

Nothing here tries whether a screen cures; `cures` does.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from .bodies import Box, panel
from .reflections import seen_by_way, seen_pairwise, trace, ways
from .scene import Scene
from .seam import MASK_THICKNESS_MM
from .sightlines import seen_direct
from .viewing import OWN_FACE, face_offsets

Array = NDArray[np.float64]

#: A screen is cut this much larger than the lines of sight that it stops [mm]; a saw's and a hand's error.
SCREEN_MARGIN_MM = 5.0
#: A screen's own thickness [mm], for the keep-clear zones: that of a mask, the same thin board.
SCREEN_THICKNESS_MM = MASK_THICKNESS_MM
#: Places along the lines of sight that are tried, from one end to the other.
_PLACES = 41
#: How far from a zone the place just before or behind it is [mm].
_BESIDE_MM = 0.5
#: Where no screen square to the lines has a place, screens turned by these are tried [deg].
TURNS_DEG = (15.0, -15.0, 30.0, -30.0, 45.0, -45.0)


@dataclass(frozen=True, eq=False)
class NoPlace:
    """A screen that would cure a trouble, but for the room kept clear: no other place is left for one.

    screen : the one that asks least of that room; zones : those it would stand in
    """

    trouble: str
    screen: Box
    zones: tuple[Box, ...]

    @property
    def fits_below_mm(self) -> float:
        """[mm] above the floor: with none of these zones higher than this the screen fits; 0 = none at all."""
        return self.screen.base_mm if all(zone.base_mm < self.screen.base_mm for zone in self.zones) else 0.0


def zones_entered(scene: Scene, screen: Box) -> tuple[Box, ...]:
    """The keep-clear zones that a screen would stand in, with the thickness of its board."""
    board = board_of(screen)
    return tuple(zone for zone in scene.keep_clear if board.overlaps(zone))


def asked_of_zones_mm(screen: Box, zones: tuple[Box, ...]) -> float:
    """How much all the zones together would have to lose from their tops to let a screen in [mm]."""
    return float(sum(zone.high[2] - max(zone.base_mm, min(screen.base_mm, float(zone.high[2]))) for zone in zones))


def unwanted_lines(scene: Scene, eyes_mm: Array, trouble: str) -> tuple[Array, Array]:
    """(n, 3) starts and ends of the last legs, inside the scene, by which something unwanted is seen."""
    eyes, mirrors = eyes_mm.reshape(-1, 3), scene.mirrors
    if trouble == OWN_FACE:
        found = []
        for way in ways(mirrors):
            for offset in face_offsets(way.mirrors[0]):
                faces = eyes + offset
                seen = seen_pairwise(way, eyes, faces, scene.solids, mirrors)
                if seen.any():
                    found.append((trace(way, eyes[seen], faces[seen]).exit_mm[:, -1], faces[seen]))
        return _stacked(found)
    thing = scene.thing(trouble)
    boxes = [box for box in scene.solids if box is not thing.body]
    found = []
    if thing.want in ("hide", "mirror only"):
        eye, point = np.nonzero(seen_direct(eyes, thing.samples, boxes, *mirrors))
        found.append((eyes[eye], thing.samples[point]))
    if thing.want in ("hide", "direct only", "not reversed"):
        for way in ways(mirrors):
            if thing.want != "not reversed" or way.reverses:
                eye, point = np.nonzero(seen_by_way(way, eyes, thing.samples, boxes, mirrors))
                if len(eye):
                    found.append((trace(way, eyes[eye], thing.samples[point]).exit_mm[:, -1], thing.samples[point]))
    return _stacked(found)


def _stacked(lines: list[tuple[Array, Array]]) -> tuple[Array, Array]:
    none = np.empty((0, 3))
    return np.vstack([none, *(starts for starts, _ in lines)]), np.vstack([none, *(ends for _, ends in lines)])


def screens(scene: Scene, starts: Array, ends: Array, aside_mm: float, turned_deg: float = 0.0) -> Iterator[Box]:
    """Upright panels across a bundle of lines, at several places along it, within the scene's floor.

    Beside an even choice of places, those just before and behind every keep-clear zone are tried.

    Parameters
    ----------
    starts, ends : (n, 3) [mm] of the lines that must be stopped
    aside_mm : how much wider than the lines, on either side
    turned_deg : from square to the lines' mean direction, anticlockwise seen from above
    """
    mean = (ends - starts).mean(axis=0)
    ahead = mean[:2] / max(float(np.linalg.norm(mean[:2])), 1e-9)
    c, s = math.cos(math.radians(turned_deg)), math.sin(math.radians(turned_deg))
    heading = np.array([c * ahead[0] - s * ahead[1], s * ahead[0] + c * ahead[1]])
    sideways = np.array([-heading[1], heading[0]])
    x0, x1, y0, y1 = scene.floor.area_mm
    start, end = starts[:, :2] @ heading, ends[:, :2] @ heading
    for place in _places(scene, heading, float(start.max()), float(end.min())):
        step = end - start
        share = (place - start) / np.where(np.abs(step) < 1e-9, 1e-9, step)
        crossing = starts + share[:, None] * (ends - starts)
        u, z = crossing[:, :2] @ sideways, crossing[:, 2]
        low, high = float(u.min()) - aside_mm, float(u.max()) + aside_mm
        corners = [place * heading + side * sideways for side in (low, high)]
        inside = all(x0 <= corner[0] <= x1 and y0 <= corner[1] <= y1 for corner in corners)
        base = max(0.0, float(z.min()) - SCREEN_MARGIN_MM)
        if inside and z.max() > 0:
            ends_xy = [(float(corner[0]), float(corner[1])) for corner in corners]
            screen = panel("new screen", ends_xy[0], ends_xy[1], base, float(z.max()) + SCREEN_MARGIN_MM)
            if _has_room(scene, screen):
                yield screen


def _has_room(scene: Scene, screen: Box) -> bool:
    """Whether a screen's board stands before the first mirror's face, in no mirror and in nothing solid."""
    board = board_of(screen)
    before = scene.mirror.heights(screen.corners)
    bodies = [*scene.blockers, *(thing.body for thing in scene.things if max(thing.body.size_mm) > 0.0)]
    return (
        bool(before.min() > SCREEN_THICKNESS_MM / 2)
        and not any(board.cut_by(mirror.corners) for mirror in scene.more_mirrors)
        and not any(board.overlaps(body) for body in bodies)
    )


def board_of(screen: Box) -> Box:
    """A screen with the thickness of its board."""
    return replace(screen, size_mm=(screen.size_mm[0], SCREEN_THICKNESS_MM, screen.size_mm[2]))


def _places(scene: Scene, heading: Array, first: float, last: float) -> list[float]:
    """Distances along the heading at which a screen is tried."""
    places = [float(place) for place in np.linspace(first, last, _PLACES)[1:-1]]
    low, high = min(places), max(places)  # no nearer to the glass, or to what shows, than the even choice
    for zone in scene.keep_clear:
        along = zone.corners[:4, :2] @ heading
        off = SCREEN_THICKNESS_MM / 2 + _BESIDE_MM
        beside = (float(along.min()) - off, float(along.max()) + off)
        places += [place for place in beside if low < place < high]
    return places

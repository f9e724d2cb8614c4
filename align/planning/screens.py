"""Where a screen can stand: upright panels across unwanted lines of sight, out of the room kept clear.

Nothing here tries whether a screen cures; `cures` does.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from .scene import Box, Scene, panel
from .seam import MASK_THICKNESS_MM
from .sightlines import mirror_legs, seen_direct, seen_in_mirror
from .viewing import CHEEK_ASIDE_MM, CHIN_BELOW_MM, OWN_FACE, own_face_seen

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
    board = replace(screen, size_mm=(screen.size_mm[0], SCREEN_THICKNESS_MM, screen.size_mm[2]))
    return tuple(zone for zone in scene.keep_clear if board.overlaps(zone))


def asked_of_zones_mm(screen: Box, zones: tuple[Box, ...]) -> float:
    """How much all the zones together would have to lose from their tops to let a screen in [mm]."""
    return float(sum(zone.high[2] - max(zone.base_mm, min(screen.base_mm, float(zone.high[2]))) for zone in zones))


def unwanted_lines(scene: Scene, eyes_mm: Array, trouble: str) -> tuple[Array, Array]:
    """(n, 3) starts and ends of the legs, inside the scene, by which something unwanted is seen."""
    eyes = eyes_mm.reshape(-1, 3)
    if trouble == OWN_FACE:
        return _own_face_lines(scene, eyes_mm)
    thing = next(thing for thing in scene.things if thing.name == trouble)
    if thing.want == "show":
        return np.empty((0, 3)), np.empty((0, 3))
    boxes = [box for box in scene.solids if box is not thing.body]
    eye, point = np.nonzero(seen_direct(eyes, thing.samples, boxes, scene.mirror))
    starts, ends = [eyes[eye]], [thing.samples[point]]
    if thing.want == "hide":
        legs = mirror_legs(eyes, thing.samples, scene.mirror)
        eye, point = np.nonzero(seen_in_mirror(eyes, thing.samples, boxes, scene.mirror))
        starts.append(legs.exit_mm[eye, point])
        ends.append(thing.samples[point])
    return np.vstack(starts), np.vstack(ends)


def _own_face_lines(scene: Scene, eyes_mm: Array) -> tuple[Array, Array]:
    """From the glass to the seen part of each face; refraction moves these lines by under a millimetre."""
    eyes = eyes_mm.reshape(-1, 3)
    seen = own_face_seen(scene, eyes_mm).reshape(-1, 4)
    across = scene.mirror.across
    offsets = np.array([[0, 0, 0], [0, 0, -CHIN_BELOW_MM], -CHEEK_ASIDE_MM * across, CHEEK_ASIDE_MM * across])
    eye, part = np.nonzero(seen)
    faces = eyes[eye] + offsets[part]
    normal, foot = scene.mirror.normal, scene.mirror.foot_point
    a, b = (eyes[eye] - foot) @ normal, (faces - foot) @ normal
    meeting = eyes[eye] - a[:, None] * normal
    other = faces - b[:, None] * normal
    return meeting + (a / (a + b))[:, None] * (other - meeting), faces


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
            if _before_glass(scene, screen):
                yield screen


def _before_glass(scene: Scene, screen: Box) -> bool:
    """Whether a screen, with half its board, stays before the plane of the mirror's face."""
    before = (screen.corners - scene.mirror.foot_point) @ scene.mirror.normal
    return bool(before.min() > SCREEN_THICKNESS_MM / 2)


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

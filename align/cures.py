"""The smallest change to a scene that cures a trouble, and what else that change does.

Every candidate is tried by looking again from all eye places; nothing is assumed of how a trouble depends on
a change, so the first size that cures is the smallest of its steps.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from .scene import Box, Scene, panel
from .sightlines import mirror_legs, seen_direct, seen_in_mirror
from .viewing import CHEEK_ASIDE_MM, CHIN_BELOW_MM, OWN_FACE, Views, is_met, look, mirror_seen, own_face_seen

Array = NDArray[np.float64]

#: Steps and limits of the changes that are tried: fine enough for a workshop, coarse enough to be quick.
ANGLE_STEP_DEG, ANGLE_LIMIT_DEG = 0.5, 15.0
LENGTH_STEP_MM, MOVE_LIMIT_MM = 5.0, 150.0
LEAST_HEIGHT_SHARE = 0.3
#: A screen is cut this much larger than the lines of sight that it stops [mm]; a saw's and a hand's error.
SCREEN_MARGIN_MM = 5.0
#: A side effect on a wish that stays met is worth a word from this share of the eye places on.
_WORTH_A_WORD = 0.05
#: A screen that hides more of the mirror than this is no cure: the mirror is what it was all for.
_LEAST_MIRROR_LEFT = 0.6


@dataclass(frozen=True, eq=False)
class Cure:
    """One change that cures one trouble.

    kind : "turn", "lean", "lower the top edge", "move the mirror" or "screen"
    amount : [deg] for turn and lean, else [mm], signed; unit : its unit
    worse : other wishes that suffer, with the share of eye places that miss them before and after
    mirror_left : what the viewers still see of the mirror, over what they see now
    screen : the panel to add, for "screen"
    """

    trouble: str
    kind: str
    amount: float
    unit: str
    worse: dict[str, tuple[float, float]]
    mirror_left: float
    screen: Box | None = None

    @property
    def effort(self) -> float:
        """A rough order of what a change costs the scene; weights by judgement, not measured.

        Two degrees of a bend weigh as much as 20 mm of moving, a tenth of the visible mirror, or a screen.
        """
        lost = 10.0 * max(0.0, 1.0 - self.mirror_left)
        own = {"turn": abs(self.amount), "lean": abs(self.amount), "move the mirror": abs(self.amount) / 20.0}
        return lost + own.get(self.kind, 1.0 if self.kind == "screen" else 0.0)


def cures_for(
    scene: Scene, views: Views, trouble: str, all_eyes_mm: Array | None = None, spacing_mm: float = 0.0
) -> tuple[Cure, ...]:
    """Every kind of change that cures one trouble, gentlest first; empty where none within the limits does.

    Parameters
    ----------
    views : from the eye places that candidates are tried from first
    all_eyes_mm : (h, p, 3) what passes those must pass these too; None: `views` has them all
    spacing_mm : of those places; a screen is so much wider, for eyes between them
    """
    every = views.eyes_mm if all_eyes_mm is None else all_eyes_mm
    seen_now = mirror_seen(scene, views.eyes_mm)
    found = []
    for kind, unit, candidates in _changes(scene):
        first = _first_that_cures(trouble, candidates, views.eyes_mm, every)
        if first is not None:
            worse, left = _side_effects(first[1], views, seen_now)
            found.append(Cure(trouble, kind, first[0], unit, worse, left))
    screen = screen_for(scene, views, trouble, seen_now, every, spacing_mm)
    if screen is not None:
        found.append(screen)
    return tuple(sorted(found, key=lambda cure: (len(cure.worse), cure.effort)))


def _changes(scene: Scene) -> Iterator[tuple[str, str, Iterator[tuple[float, Scene]]]]:
    """The kinds of change, each with its candidates in order of size."""
    mirror = scene.mirror

    def angle(field: str) -> Iterator[tuple[float, Scene]]:
        for size in np.arange(ANGLE_STEP_DEG, ANGLE_LIMIT_DEG + 1e-9, ANGLE_STEP_DEG):
            for sign in (1.0, -1.0):
                new = float(getattr(mirror, field)) + sign * math.radians(size)
                yield sign * float(size), scene.with_mirror(**{field: new})

    def lower() -> Iterator[tuple[float, Scene]]:
        for size in np.arange(LENGTH_STEP_MM, (1 - LEAST_HEIGHT_SHARE) * mirror.height_mm, LENGTH_STEP_MM):
            yield -float(size), scene.with_mirror(height_mm=mirror.height_mm - float(size))

    def move() -> Iterator[tuple[float, Scene]]:
        _, _, y0, y1 = scene.floor.area_mm
        for size in np.arange(LENGTH_STEP_MM, MOVE_LIMIT_MM + 1e-9, LENGTH_STEP_MM):
            for sign in (1.0, -1.0):
                y = mirror.at_mm[1] + sign * float(size)
                if y0 < y <= y1:
                    yield sign * float(size), scene.with_mirror(at_mm=(mirror.at_mm[0], y))

    yield "turn", "deg", angle("turn")
    yield "lean", "deg", angle("lean")
    yield "lower the top edge", "mm", lower()
    yield "move the mirror", "mm", move()


def _first_that_cures(
    trouble: str, candidates: Iterator[tuple[float, Scene]], eyes: Array, every: Array
) -> tuple[float, Scene] | None:
    for amount, changed in candidates:
        in_front = (every.reshape(-1, 3) - changed.mirror.foot_point) @ changed.mirror.normal > 0
        if in_front.all() and _cures(changed, trouble, eyes, every):
            return amount, changed
    return None


def _cures(changed: Scene, trouble: str, eyes: Array, every: Array) -> bool:
    """Whether a trouble is gone from all places; tried from the fewer `eyes` first, as that is quick."""
    return is_met(changed, trouble, eyes) and (every.shape == eyes.shape or is_met(changed, trouble, every))


def _side_effects(changed: Scene, views: Views, seen_now: float) -> tuple[dict[str, tuple[float, float]], float]:
    """Wishes that suffer from a change, and what is left of the visible mirror."""
    after = look(changed, views.eyes_mm)
    newly_unmet = set(after.unmet) - set(views.unmet)
    worse = {}
    for name, flags in after.troubles.items():
        old, new = float(views.troubles[name].mean()), float(flags.mean())
        if new > old and (name in newly_unmet or new > old + _WORTH_A_WORD):
            worse[name] = (old, new)
    return worse, mirror_seen(changed, views.eyes_mm) / max(seen_now, 1e-9)


def screen_for(
    scene: Scene, views: Views, trouble: str, seen_now: float, every: Array, spacing_mm: float
) -> Cure | None:
    """The smallest upright screen, standing or hung in the scene, that stops the unwanted lines of sight.

    None where the trouble is that something is *not* seen, or where no screen within the scene's floor cures
    it and leaves the mirror worth looking at.
    """
    starts, ends = _unwanted_lines(scene, every, trouble)
    if len(starts) == 0:
        return None
    best: Cure | None = None
    for candidate in _screens(scene, starts, ends, SCREEN_MARGIN_MM + spacing_mm):
        changed = replace(scene, blockers=(*scene.blockers, candidate))
        if not _cures(changed, trouble, views.eyes_mm, every):
            continue
        worse, left = _side_effects(changed, views, seen_now)
        cure = Cure(trouble, "screen", _area(candidate), "mm2", worse, left, candidate)
        if left >= _LEAST_MIRROR_LEFT and (
            best is None or (len(worse), cure.amount) < (len(best.worse), best.amount)
        ):
            best = cure
    return best


def _area(screen: Box) -> float:
    return screen.size_mm[0] * screen.size_mm[2]


def _unwanted_lines(scene: Scene, eyes_mm: Array, trouble: str) -> tuple[Array, Array]:
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


def _screens(scene: Scene, starts: Array, ends: Array, aside_mm: float) -> Iterator[Box]:
    """Upright panels across the bundle of lines, at several places along it, within the scene's floor."""
    middle = (ends - starts).mean(axis=0)
    heading = middle[:2] / max(float(np.linalg.norm(middle[:2])), 1e-9)
    sideways = np.array([-heading[1], heading[0]])
    x0, x1, y0, y1 = scene.floor.area_mm
    start = starts[:, :2] @ heading
    end = ends[:, :2] @ heading
    for place in np.linspace(float(start.max()), float(end.min()), 41)[1:-1]:
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
            yield panel("new screen", ends_xy[0], ends_xy[1], base, float(z.max()) + SCREEN_MARGIN_MM)

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

from .scene import Box, Scene
from .screens import SCREEN_MARGIN_MM, TURNS_DEG, NoPlace, asked_of_zones_mm, screens, unwanted_lines, zones_entered
from .viewing import Views, is_met, look, mirror_seen

Array = NDArray[np.float64]

#: Steps and limits of the changes that are tried: fine enough for a workshop, coarse enough to be quick.
ANGLE_STEP_DEG, ANGLE_LIMIT_DEG = 0.5, 15.0
LENGTH_STEP_MM, MOVE_LIMIT_MM = 5.0, 150.0
LEAST_HEIGHT_SHARE = 0.3
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
    seen_now, entered_now = mirror_seen(scene, views.eyes_mm), zones_of_glass(scene)
    found = []
    for kind, unit, candidates in _changes(scene):
        clear = (one for one in candidates if zones_of_glass(one[1]) <= entered_now)
        first = _first_that_cures(trouble, clear, views.eyes_mm, every)
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


def zones_of_glass(scene: Scene) -> frozenset[str]:
    """Names of the keep-clear zones that the mirror's face cuts into."""
    return frozenset(zone.name for zone in scene.keep_clear if zone.cut_by(scene.mirror.corners))


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

    It keeps out of every keep-clear zone. None where the trouble is that something is *not* seen, or where no
    screen within the scene's floor cures it and leaves the mirror worth looking at.
    """
    starts, ends = unwanted_lines(scene, every, trouble)
    if len(starts) == 0:
        return None
    aside = SCREEN_MARGIN_MM + spacing_mm
    for turned in (0.0, *TURNS_DEG) if scene.keep_clear else (0.0,):
        clear = (
            screen for screen in screens(scene, starts, ends, aside, turned) if not zones_entered(scene, screen)
        )
        found = list(_that_cure(scene, views, trouble, seen_now, every, clear))
        if found:
            return min(found, key=lambda cure: (len(cure.worse), cure.amount))
    return None


def no_place_for(scene: Scene, views: Views, trouble: str, all_eyes_mm: Array, spacing_mm: float) -> NoPlace | None:
    """What only the keep-clear zones rule out, to be asked where `cures_for` found no screen; None: they do
    not.

    Parameters
    ----------
    as those of `cures_for`
    """
    starts, ends = unwanted_lines(scene, all_eyes_mm, trouble)
    if len(starts) == 0 or not scene.keep_clear:
        return None
    every = screens(scene, starts, ends, SCREEN_MARGIN_MM + spacing_mm)
    taken = [screen for screen in every if zones_entered(scene, screen)]
    seen_now = mirror_seen(scene, views.eyes_mm)

    def asked(cure: Cure) -> tuple[float, int, float]:
        assert cure.screen is not None
        zones = zones_entered(scene, cure.screen)
        return round(asked_of_zones_mm(cure.screen, zones)), len(cure.worse), cure.amount

    cures = _that_cure(scene, views, trouble, seen_now, all_eyes_mm, iter(taken))
    best = min(cures, key=asked, default=None)
    if best is None or best.screen is None:
        return None
    return NoPlace(trouble, best.screen, zones_entered(scene, best.screen))


def _that_cure(
    scene: Scene, views: Views, trouble: str, seen_now: float, every: Array, candidates: Iterator[Box]
) -> Iterator[Cure]:
    """Those of some screens that cure a trouble and leave the mirror worth looking at."""
    for candidate in candidates:
        changed = replace(scene, blockers=(*scene.blockers, candidate))
        if not _cures(changed, trouble, views.eyes_mm, every):
            continue
        worse, left = _side_effects(changed, views, seen_now)
        if left >= _LEAST_MIRROR_LEFT:
            yield Cure(trouble, "screen", _area(candidate), "mm2", worse, left, candidate)


def _area(screen: Box) -> float:
    return screen.size_mm[0] * screen.size_mm[2]

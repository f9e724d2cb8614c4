"""The smallest change to a scene that meets a wish, tried by planning again.

Every candidate is put to the scene and the scene judged again by the rule that the plan's own ticks go by
(`wishes`); nothing is assumed of how a trouble depends on a change, so the first size that passes is the smallest
of its steps. Only what then meets its wish, harms no wish that was met and puts nothing
named behind or into the glass is a cure.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from .bodies import Box
from .contents import mirror_seen
from .scene import ONLY_MIRROR, SIDEWAYS, Mirror, Scene
from .screens import SCREEN_MARGIN_MM, TURNS_DEG, NoPlace, asked_of_zones_mm, screens, unwanted_lines, zones_entered
from .thresholds import (
    ANGLE_LIMIT_DEG,
    ANGLE_STEP_DEG,
    FEW_EYES,
    LEAST_HEIGHT_SHARE,
    LEAST_MIRROR_LEFT,
    LENGTH_STEP_MM,
    MOVE_LIMIT_MM,
    WORTH_A_WORD,
)
from .viewing import Views, look
from .wishes import EyePlaces, eye_places, unwanted_share, wish_met

Array = NDArray[np.float64]

Kind = Literal["turn", "lean", "lower the top edge", "move the mirror", "screen"]
#: One size of one kind of change to one mirror.
Change = tuple[int, Kind, float]


@dataclass(frozen=True, eq=False)
class Cure:
    """One change that cures one trouble.

    amount : [deg] for turn and lean, else [mm], signed; unit : its unit
    worse : other wishes that suffer though still met, or not met before either, with the share of eye places that
        miss them before and after
    mirror_left : what the viewers still see of all mirrors, over what they see now
    screen : the panel to add, for "screen"; mirror : name of the mirror to change, for all else
    """

    trouble: str
    kind: Kind
    amount: float
    unit: str
    worse: dict[str, tuple[float, float]]
    mirror_left: float
    screen: Box | None = None
    mirror: str = ONLY_MIRROR

    @property
    def effort(self) -> float:
        """A rough order of what a change costs the scene; weights by judgement, not measured.

        Two degrees of a bend weigh as much as 20 mm of moving, a tenth of the visible mirror, or a screen.
        """
        lost = 10.0 * max(0.0, 1.0 - self.mirror_left)
        own = {"turn": abs(self.amount), "lean": abs(self.amount), "move the mirror": abs(self.amount) / 20.0}
        return lost + own.get(self.kind, 1.0 if self.kind == "screen" else 0.0)


def apply_cure(scene: Scene, cure: Cure) -> Scene:
    """The scene with a cure put to it."""
    if cure.screen is not None:
        return replace(scene, blockers=(*scene.blockers, cure.screen))
    number = next(k for k, mirror in enumerate(scene.mirrors) if mirror.name == cure.mirror)
    return changed(scene, (number, cure.kind, cure.amount))


def changed(scene: Scene, change: Change) -> Scene:
    """The scene with one of its mirrors changed. A mirror is moved along y, or, where it faces sideways, along x;
    more than 0 is back, away from what it faces."""
    number, kind, amount = change
    mirror = scene.mirrors[number]
    if kind == "lower the top edge":
        return scene.with_mirror(number, height_mm=mirror.height_mm + amount)
    if kind == "move the mirror":
        back = backwards(mirror)
        return scene.with_mirror(
            number, at_mm=(mirror.at_mm[0] + amount * back[0], mirror.at_mm[1] + amount * back[1])
        )
    assert kind in ("turn", "lean")
    return scene.with_mirror(number, **{kind: float(getattr(mirror, kind)) + math.radians(amount)})


def backwards(mirror: Mirror) -> tuple[float, float]:
    """(x, y) of the way in which a mirror is moved back: the axis of the scene that is nearest to it."""
    if abs(math.remainder(mirror.turn, math.pi)) <= SIDEWAYS:
        return 0.0, math.copysign(1.0, math.cos(mirror.turn))
    return -math.copysign(1.0, math.sin(mirror.turn)), 0.0


class Cures:
    """Looks for the cures of a scene's unmet wishes; what was tried for one wish is remembered for the next.

    Parameters
    ----------
    views : from `places.standing`; met : every wish and whether it is met (`wishes.judge`)
    """

    def __init__(self, scene: Scene, views: Views, met: dict[str, bool], places: EyePlaces) -> None:
        self.scene, self.views, self.places = scene, views, places
        self.met = [name for name, good in met.items() if good]
        few = places.both
        self.few = few[:, np.unique(np.linspace(0, few.shape[1] - 1, min(FEW_EYES, few.shape[1])).astype(int))]
        self.seen_now = mirror_seen(scene, places.standing)
        self._entered, self._cut = zones_of_glass(scene), solids_in_glass(scene)
        self._stands: dict[Change, bool] = {}
        self._harmless: dict[Change, bool] = {}
        self._after: dict[Change, Views] = {}

    def cures(self, trouble: str) -> tuple[Cure, ...]:
        """Every kind of change that cures one trouble, gentlest first; empty where none within the limits does."""
        found = []
        for number in range(len(self.scene.mirrors)):
            for kind, unit in KINDS:
                change = next((one for one in changes(self.scene, number, kind) if self._cures(one, trouble)), None)
                if change is not None:
                    found.append(self._cure(trouble, change, unit))
        screen = self._screen(trouble)
        if screen is not None:
            found.append(screen)
        return tuple(sorted(found, key=lambda cure: (len(cure.worse), cure.effort)))

    def no_place(self, trouble: str) -> NoPlace | None:
        """What only the keep-clear zones rule out, to be asked where no screen was found; None: they do not."""
        scene, eyes = self.scene, self.places.both
        starts, ends = unwanted_lines(scene, eyes, trouble)
        if len(starts) == 0 or not scene.keep_clear:
            return None
        every = screens(scene, starts, ends, SCREEN_MARGIN_MM + self.places.spacing_mm / 2)
        taken = [screen for screen in every if zones_entered(scene, screen)]

        def asked(screen: Box) -> tuple[float, float]:
            return round(asked_of_zones_mm(screen, zones_entered(scene, screen))), _area(screen)

        best = next((one for one in sorted(taken, key=asked) if self._screen_cures(one, trouble)), None)
        return None if best is None else NoPlace(trouble, best, zones_entered(scene, best))

    def _cures(self, change: Change, trouble: str) -> bool:
        if not self._may_stand(change):
            return False
        after = changed(self.scene, change)
        return (
            unwanted_share(after, trouble, self.few) == 0.0
            and wish_met(after, trouble, self.places)
            and self._harms_nothing(change, after)
        )

    def _may_stand(self, change: Change) -> bool:
        """Whether the glass may stand there: in nothing, nothing put behind it, all eyes still before it."""
        if change not in self._stands:
            after, number = changed(self.scene, change), change[0]
            self._stands[change] = (
                zones_of_glass(after) <= self._entered
                and solids_in_glass(after) <= self._cut
                and not put_behind(self.scene, after, number)
                and self._eyes_stay_before(after, number)
            )
        return self._stands[change]

    def _eyes_stay_before(self, after: Scene, number: int) -> bool:
        eyes = self.places.standing.reshape(-1, 3)
        now, then = (one.mirrors[number].heights(eyes) > 0.0 for one in (self.scene, after))
        return bool(then[now].all())

    def _harms_nothing(self, change: Change, after: Scene) -> bool:
        if change not in self._harmless:
            self._harmless[change] = self._keeps_all(after)
        return self._harmless[change]

    def _keeps_all(self, after: Scene) -> bool:
        """Whether every wish that was met is met still; from few places first, as most that fail fail there."""
        return all(unwanted_share(after, name, self.few) == 0.0 for name in self.met) and all(
            wish_met(after, name, self.places) for name in self.met
        )

    def _cure(self, trouble: str, change: Change, unit: str) -> Cure:
        number, kind, amount = change
        after = changed(self.scene, change)
        if change not in self._after:
            self._after[change] = look(after, self.places.standing)
        worse, left = self._side_effects(after, self._after[change])
        return Cure(trouble, kind, amount, unit, worse, left, mirror=self.scene.mirrors[number].name)

    def _side_effects(self, after: Scene, views: Views) -> tuple[dict[str, tuple[float, float]], float]:
        """Wishes that suffer from a change, and what is left of the visible mirrors."""
        worse = {}
        for name, flags in views.troubles.items():
            old, new = float(self.views.troubles[name].mean()), float(flags.mean())
            if new > old + WORTH_A_WORD:
                worse[name] = (old, new)
        return worse, mirror_seen(after, self.places.standing) / max(self.seen_now, 1e-9)

    def _screen(self, trouble: str) -> Cure | None:
        """The smallest upright screen, standing or hung in the scene, that stops the unwanted lines of sight.

        It keeps out of every keep-clear zone, of all that is solid and of the mirrors. None where the trouble is
        that something is *not* seen, or where no screen within the scene's floor cures it and leaves the mirrors
        worth looking at.
        """
        scene = self.scene
        starts, ends = unwanted_lines(scene, self.places.both, trouble)
        if len(starts) == 0:
            return None
        aside = SCREEN_MARGIN_MM + self.places.spacing_mm / 2
        for turned in (0.0, *TURNS_DEG) if scene.keep_clear or scene.blockers else (0.0,):
            free = [one for one in screens(scene, starts, ends, aside, turned) if not zones_entered(scene, one)]
            for screen in sorted(free, key=_area):
                if self._screen_cures(screen, trouble):
                    after = replace(scene, blockers=(*scene.blockers, screen))
                    worse, left = self._side_effects(after, look(after, self.places.standing))
                    return Cure(trouble, "screen", _area(screen), "mm2", worse, left, screen)
        return None

    def _screen_cures(self, screen: Box, trouble: str) -> bool:
        after = replace(self.scene, blockers=(*self.scene.blockers, screen))
        return (
            unwanted_share(after, trouble, self.few) == 0.0
            and mirror_seen(after, self.places.standing) >= LEAST_MIRROR_LEFT * self.seen_now
            and wish_met(after, trouble, self.places)
            and self._keeps_all(after)
        )


KINDS: tuple[tuple[Kind, str], ...] = (
    ("turn", "deg"),
    ("lean", "deg"),
    ("lower the top edge", "mm"),
    ("move the mirror", "mm"),
)


def cures_for(
    scene: Scene, trouble: str, places: EyePlaces | None = None, say: Callable[[str], None] | None = None
) -> tuple[Cure, ...]:
    """Every kind of change that cures one trouble of a scene, gentlest first (see `Cures`)."""
    from .wishes import judge

    places = places or eye_places(scene)
    views = look(scene, places.standing)
    if say:
        say(f"cures for {trouble}")
    return Cures(scene, views, judge(scene, views, places).met, places).cures(trouble)


def changes(scene: Scene, number: int, kind: Kind) -> Iterator[Change]:
    """The sizes of one kind of change to one mirror, the smallest first."""
    mirror = scene.mirrors[number]
    if kind in ("turn", "lean"):
        for size in np.arange(ANGLE_STEP_DEG, ANGLE_LIMIT_DEG + 1e-9, ANGLE_STEP_DEG):
            yield from ((number, kind, sign * float(size)) for sign in (1.0, -1.0))
    elif kind == "lower the top edge":
        for size in np.arange(LENGTH_STEP_MM, (1 - LEAST_HEIGHT_SHARE) * mirror.height_mm, LENGTH_STEP_MM):
            yield number, kind, -float(size)
    else:
        x0, x1, y0, y1 = scene.floor.area_mm
        for size in np.arange(LENGTH_STEP_MM, MOVE_LIMIT_MM + 1e-9, LENGTH_STEP_MM):
            for sign in (1.0, -1.0):
                x, y = changed(scene, (number, kind, sign * float(size))).mirrors[number].at_mm
                if x0 <= x <= x1 and y0 <= y <= y1 and (x, y) != (x0, y0):
                    yield number, kind, sign * float(size)


def zones_of_glass(scene: Scene) -> frozenset[tuple[str, str]]:
    """Keep-clear zones that a mirror's face cuts into: names of mirror and zone."""
    return frozenset(
        (mirror.name, zone.name)
        for mirror in scene.mirrors
        for zone in scene.keep_clear
        if zone.cut_by(mirror.corners)
    )


def solids_in_glass(scene: Scene) -> frozenset[tuple[str, str]]:
    """Bodies, solid or not, that a mirror's face cuts into: names of mirror and body."""
    bodies = [*scene.blockers, *(thing.body for thing in scene.things if max(thing.body.size_mm) > 0.0)]
    return frozenset(
        (mirror.name, body.name) for mirror in scene.mirrors for body in bodies if body.cut_by(mirror.corners)
    )


def put_behind(scene: Scene, after: Scene, number: int) -> bool:
    """Whether a change to one mirror puts a thing, a lamp or part of a body behind its face that was before it.

    Bodies count where they stand over the glass's width; things and lamps anywhere: what is behind the face's plane
    is not in that mirror any more.
    """
    old, new = scene.mirrors[number], after.mirrors[number]
    points = [*(thing.samples for thing in scene.things), *(np.array([lamp.at_mm]) for lamp in scene.lamps)]
    for body in scene.blockers:
        corners = body.corners
        aside = np.abs((corners - new.foot_point) @ new.across)
        points.append(corners[aside <= new.width_mm / 2])
    every = np.vstack([part for part in points if len(part)] or [np.zeros((0, 3))])
    return bool(np.any((old.heights(every) > -1e-9) & (new.heights(every) < -1e-9)))


def _area(screen: Box) -> float:
    return screen.size_mm[0] * screen.size_mm[2]

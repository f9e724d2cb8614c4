"""The mirror's turn for a path that should seem to run on behind the glass, and how an error in it shows.

The bisector rule: a path that arrives with heading a and should seem to run on with heading b needs a mirror
whose normal halves the angle between the two, turn = (a + b) / 2. It follows from the law of reflection in
vector form, w = 2 (d . n) n - d for the direction w of the image that runs away from the glass (E. Hecht,
Optics, 5th ed. (2017), sections 4.3.1 and 5.4.1, from memory: angle of reflection equals angle of incidence;
a mirror turned by an angle turns the reflected ray by twice that angle).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from ..optics.geometry import mirror_normal
from ..optics.slab import virtual_depth
from .scene import ONLY_MIRROR, Mirror, Path, Scene
from .sightlines import mirror_legs, seen_in_mirror
from .street import carried_to_glass, heading_of, heading_vector, on_floor
from .thresholds import EYE_RESOLVES, JUST_SEEN_BEND, NEAR_GLASS_MM, NOTICING_SHARE

Array = NDArray[np.float64]

#: Step for the derivative of the seen bend [rad]; the bend is linear in it to a part in a thousand.
_STEP = math.radians(0.05)
_RUN_STEP_MM = 4.0

#: The end of a path, in the order of its points.
PathEnd = Literal["end", "beginning"]


@dataclass(frozen=True, eq=False)
class PathPlan:
    """What a mirror does to one path. Angles in radians, lengths in mm, per eye where an array.

    mirror : name of the mirror that it meets; at : which of its ends meets it. A path is looked at as it arrives,
        so one that begins at a mirror is turned round
    follows : name of the path whose street goes on, in the mirror, as this one; empty: it goes on as its own image

    arrives, runs_on : headings before and behind the glass; wanted : the heading asked for
    needed_turn : the mirror's turn for it; kink : actual minus wanted heading, 2 (turn - needed turn)
    meets_mm : (x, y) where the path meets the face; aside_mm : from the glass's middle, to the right
    spare_mm : glass left over beside the path's edge on the tighter side; negative: the path misses the glass
    rise : by which the reflected floor seems to rise (mirror leaning over: > 0), twice the lean
    jog_mm : sideways step of the path's image at the glass that its thickness makes
    run_mm : (eyes,) farthest point of the path seen in the mirror, from the glass along the path; nan: unseen
    run_ends : why the run ends for most eyes: "frame", "blocked" or "beginning"
    length_mm : of the path itself
    turn_tolerance, lean_tolerance : error [rad] that nine in ten eye places do not notice
    critical_tolerance : error, in turn or lean, that no eye place notices; typical_tolerance : half of them
    """

    name: str
    arrives: float
    runs_on: float
    wanted: float
    needed_turn: float
    kink: float
    meets_mm: Array
    aside_mm: float
    spare_mm: float
    rise: float
    jog_mm: float
    run_mm: Array
    run_ends: str
    length_mm: float
    turn_tolerance: float
    lean_tolerance: float
    critical_tolerance: float
    typical_tolerance: float
    mirror: str = ONLY_MIRROR
    at: PathEnd = "end"
    follows: str = ""

    @property
    def key(self) -> tuple[str, PathEnd]:
        """What tells it from all other paths' ends."""
        return self.name, self.at

    @property
    def tolerance(self) -> float:
        """The error [rad] worth working to, in lean and in turn."""
        return min(self.turn_tolerance, self.lean_tolerance)

    @property
    def as_wished(self) -> bool:
        """Whether it meets the glass and runs on as wanted, level, within the error worth working to."""
        return self.spare_mm >= 0.0 and max(abs(self.kink), abs(self.rise)) <= 2.0 * self.tolerance

    def far_end_mm(self, error: float) -> float:
        """Sideways displacement [mm] of the far end of the longest run for an error in turn [rad]."""
        return math.tan(2.0 * error) * self.longest_run_mm

    @property
    def longest_run_mm(self) -> float:
        """The longest run of all eyes, or the whole path where none sees it."""
        return float(np.nanmax(self.run_mm)) if np.isfinite(self.run_mm).any() else self.length_mm

    @property
    def typical_run_mm(self) -> float:
        """The run that half of the seeing eyes see, 0 where none sees it."""
        return float(np.nanmedian(self.run_mm)) if np.isfinite(self.run_mm).any() else 0.0


def needed_turn(arrives: float, wanted: float) -> float:
    """The bisector rule: turn [rad] for a path arriving with one heading that should run on with another."""
    return wanted + math.remainder(arrives - wanted, 2.0 * math.pi) / 2.0


def runs_on_direction(arrives: Array, normal: Array) -> Array:
    """(3,) direction in which the image of a path runs away from the glass, for a path arriving along
    `arrives`."""
    return np.asarray(2.0 * (arrives @ normal) * normal - arrives)


def plan_path(scene: Scene, path: Path, eyes: Array) -> PathPlan | None:
    """Work out one path at the first mirror; None where it never meets the plane of its glass.

    Parameters
    ----------
    eyes : (n, 3) [mm]
    """
    mirror = scene.mirror
    eyes = eyes[mirror.heights(eyes) > 0.0]
    met = carried_to_glass(path, mirror)
    if met is None:
        return None
    points, direction = met
    arrives = heading_of(direction)
    wanted = arrives if path.run_on is None else path.run_on
    turn = needed_turn(arrives, wanted)
    image = runs_on_direction(direction, mirror.normal)
    runs_on = heading_of(image)
    aside = float((on_floor(points[-1:])[0] - mirror.foot_point) @ mirror.across)
    half = path.width_mm / 2 / max(math.cos(arrives - mirror.turn), 0.1)
    run, ends = _run(scene, points, eyes)
    by_turn, by_lean = _tolerances(scene, path, points, direction, eyes, run)
    return PathPlan(
        path.name,
        arrives,
        runs_on,
        wanted,
        turn,
        math.remainder(runs_on - wanted, 2 * math.pi),
        points[-1],
        aside,
        mirror.width_mm / 2 - abs(aside) - half,
        math.asin(max(-1.0, min(1.0, float(image[2])))),
        _jog(scene, points[-1], image, eyes),
        run,
        ends,
        float(np.linalg.norm(np.diff(points, axis=0), axis=1).sum()),
        float(np.quantile(by_turn, NOTICING_SHARE)),
        float(np.quantile(by_lean, NOTICING_SHARE)),
        float(np.minimum(by_turn, by_lean).min()),
        float(np.median(np.minimum(by_turn, by_lean))),
        mirror=mirror.name,
    )


def plan_paths(scene: Scene, eyes: Array) -> tuple[PathPlan, ...]:
    """Every path's end, and every beginning, at the mirror that it meets.

    Where a path ends at a mirror and another begins there, the street goes on in the mirror as that other one: it
    should run on as the first arrives (or as its `run_on` says), and the first has no image of its own to mind.

    Parameters
    ----------
    eyes : (n, 3) [mm]
    """
    found = []
    for path in scene.paths:
        if (mirror := met_by_end(scene, path)) is not None:
            found.append((path, mirror, plan_path(scene.led_by(mirror), path, eyes)))
        if len(scene.mirrors) > 1:
            turned = replace(path, points_mm=path.points_mm[::-1], run_on=None)
            if (mirror := _met_close_by(scene, turned)) is not None:
                planned = plan_path(scene.led_by(mirror), turned, eyes)
                found.append((turned, mirror, None if planned is None else replace(planned, at="beginning")))
    met = [(path, mirror, plan) for path, mirror, plan in found if plan is not None]
    followed: set[str] = set()
    plans = []
    for path, mirror, plan in met:
        if plan.at == "beginning":
            before = [other for _, _, other in met if other.at == "end" and _joins(other, plan, scene)]
            if before:
                followed.add(before[0].name)
                wanted = before[0].wanted
                again = plan_path(scene.led_by(mirror), replace(path, run_on=wanted), eyes)
                assert again is not None
                plan = replace(again, at="beginning", follows=before[0].name)
        plans.append(plan)
    return tuple(plan for plan in plans if plan.at == "beginning" or plan.name not in followed)


def _joins(end: PathPlan, beginning: PathPlan, scene: Scene) -> bool:
    """Whether one path ends at the place of a mirror where another begins."""
    widths = [path.width_mm for path in scene.paths if path.name in (end.name, beginning.name)]
    gap = float(np.linalg.norm(end.meets_mm - beginning.meets_mm))
    return end.mirror == beginning.mirror and end.name != beginning.name and gap <= sum(widths) / 2 + NEAR_GLASS_MM


def met_by_end(scene: Scene, path: Path) -> Mirror | None:
    """The mirror that a path runs up to: the nearest whose glass it meets, else the one that it least misses."""
    best: tuple[tuple[bool, float], Mirror] | None = None
    for mirror in scene.mirrors:
        met = carried_to_glass(path, mirror)
        if met is None:
            continue
        place = met[0][-1]
        beside = abs(float((on_floor(place[None])[0] - mirror.foot_point) @ mirror.across)) - mirror.width_mm / 2
        misses = beside > path.width_mm / 2
        score = (misses, beside if misses else float(np.linalg.norm(place - path.points_mm[-1])))
        if best is None or score < best[0]:
            best = score, mirror
    return None if best is None else best[1]


def _met_close_by(scene: Scene, path: Path) -> Mirror | None:
    """The mirror at whose glass a path ends, within a little; for ends that need not be at a mirror at all."""
    end = on_floor(path.points_mm[-1:])[0]
    for mirror in scene.mirrors:
        off, beside = float(mirror.heights(end)), abs(float((end - mirror.foot_point) @ mirror.across))
        if abs(off) <= NEAR_GLASS_MM and beside <= (mirror.width_mm + path.width_mm) / 2:
            return mirror
    return None


def _run(scene: Scene, points: Array, eyes: Array) -> tuple[Array, str]:
    """(eyes,) [mm] how far from the glass the path is seen in the mirror, and why it ends there for most."""
    steps = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(points[::-1], axis=0), axis=1))])
    wanted = np.arange(_RUN_STEP_MM / 2, steps[-1], _RUN_STEP_MM)
    reverse = points[::-1]
    samples = on_floor(np.column_stack([np.interp(wanted, steps, reverse[:, axis]) for axis in (0, 1)]))
    if len(samples) == 0 or len(eyes) == 0:
        return np.full(len(eyes), np.nan), "beginning"
    seen = seen_in_mirror(eyes, samples, scene.solids, scene.mirror, scene.more_mirrors)
    last = np.where(seen.any(axis=1), len(wanted) - 1 - np.argmax(seen[:, ::-1], axis=1), -1)
    run = np.where(last >= 0, wanted[np.maximum(last, 0)], np.nan)
    glass = mirror_legs(eyes, samples, scene.mirror).on_glass
    reasons = []
    for eye in np.nonzero(last >= 0)[0]:
        if last[eye] == len(wanted) - 1:
            reasons.append("beginning")
        else:
            reasons.append("blocked" if glass[eye, last[eye] + 1] else "frame")
    return run, max(set(reasons), key=reasons.count) if reasons else "unseen"


def _tolerances(
    scene: Scene, path: Path, points: Array, direction: Array, eyes: Array, run: Array
) -> tuple[Array, Array]:
    """(n,), (n,) errors [rad] in turn and in lean that each seeing eye just notices.

    An error is noticed when it bends one of the path's lines (its middle, its edges) by JUST_SEEN_BEND *and*
    moves the far end of the run by what the eye resolves: a short line seen at a grazing angle may seem much
    bent and yet be too small to tell.
    """
    seeing, length = eyes, np.full(len(eyes), float(np.linalg.norm(points[0] - points[-1])))
    if np.isfinite(run).any():
        seeing, length = eyes[np.isfinite(run)], run[np.isfinite(run)]
    lean, turn = scene.mirror.lean, scene.mirror.turn
    planned = runs_on_direction(direction, scene.mirror.normal)
    aside = heading_vector(heading_of(direction) + math.pi / 2) * path.width_mm / 2
    tolerances = []
    for normal in (mirror_normal(lean, turn + _STEP), mirror_normal(lean + _STEP, turn)):
        moved = runs_on_direction(direction, normal)
        lines = [np.append(points[-1], 0.0) + side * aside for side in (-1.0, 0.0, 1.0)]
        tolerances.append(np.min([_noticed(seeing, at, length, planned, moved) for at in lines], axis=0))
    return tolerances[0], tolerances[1]


def _noticed(eyes: Array, at: Array, length: Array, planned: Array, moved: Array) -> Array:
    """(n,) error [rad] that each eye just notices in one line, from the effect of an error of _STEP."""
    bend = seen_angle(eyes, at, planned, moved)
    far, far_moved = (at + length[:, None] * way - eyes for way in (planned, moved))
    shift = np.arctan2(np.linalg.norm(np.cross(far, far_moved), axis=1), (far * far_moved).sum(axis=1))
    return np.asarray(
        _STEP * np.maximum(JUST_SEEN_BEND / np.maximum(bend, 1e-9), EYE_RESOLVES / np.maximum(shift, 1e-12))
    )


def seen_angle(eyes: Array, at: Array, first: Array, second: Array) -> Array:
    """(n,) angle [rad] that two lines through a point make in the picture that each eye has of them.

    Parameters
    ----------
    eyes : (n, 3), at : (3,) [mm]; first, second : (3,) directions of the lines
    """
    sight = at - eyes
    sight = sight / np.linalg.norm(sight, axis=1, keepdims=True)
    u = first - (sight @ first)[:, None] * sight
    v = second - (sight @ second)[:, None] * sight
    return np.asarray(np.arctan2(np.linalg.norm(np.cross(u, v), axis=1), np.maximum((u * v).sum(axis=1), 1e-15)))


def _jog(scene: Scene, meeting: Array, image: Array, eyes: Array) -> float:
    """Sideways step [mm] of the path's image: the glass sets it deeper along the normal, not along the
    path."""
    mirror = scene.mirror
    if len(eyes) == 0:
        return 0.0
    offset = eyes.mean(axis=0) - np.append(meeting, 0.0)
    height = float(offset @ mirror.normal)
    lateral = float(np.linalg.norm(offset - height * mirror.normal))
    depth = float(virtual_depth(height, lateral, mirror.glass_mm, mirror.index))
    sideways = heading_vector(heading_of(image) + math.pi / 2)
    return depth * abs(float(mirror.normal @ sideways))


def recommended_tolerance_deg(paths: tuple[PathPlan, ...]) -> float | None:
    """What to pass to `align check --tolerance` [deg]: the tightest path's, rounded down to a hundredth."""
    if not paths:
        return None
    tightest = math.degrees(min(path.tolerance for path in paths))
    return max(0.01, math.floor(tightest * 100.0) / 100.0) if math.isfinite(tightest) else None

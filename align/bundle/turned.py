"""Photos between which the sheet was turned on its spot: the same floor and mirrors, the print's faults turned.

What an ordinary printer does wrong is fixed to the sheet, and how a mirror leans is fixed to the floor: turned by
90 degrees, the sheet's two scales change places and its shear changes sign, while the lean stays. So does the angle
between two mirrors.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from ..errors import SolveError
from ..optics.geometry import angle_between, rotation_from_vector
from ..solve.initial_guess import Pose
from ..solve.joint import Moved, UserConstraints
from ..solve.solution import SolvedMirror
from ..target.sheets import Sheet, corners_target
from .grouping import JointViews, Seen, all_seen, check_zoom, hint_from, joined, solved_alone
from .moved import NORMAL_QUANTILE
from .photo_set import Sighted
from .thresholds import (
    LEANS_APART_DEG,
    LEANS_APART_SIGMAS,
    LEAST_TURNED_DEG,
    SAME_MIRROR_CAMERA_DEG,
    SAME_MIRROR_DEPTHS,
)

_HOW = "Leave mirror and floor alone, turn the sheet by 90° or 180° on its spot, and photograph it each time."
#: Two mirrors whose bearings differ by less than this share tell nothing of where along them the sheet went.
_PARALLEL_SHARE = 0.1
#: Each photo's mirrors, from the left, by their numbers.
_Standing = dict[int, Seen]


def turned_views(sheet: Sheet, sighted: Sequence[Sighted], unaided: UserConstraints) -> list[JointViews]:
    """Ways to join photos of a sheet that was turned on its spot: the camera stood still, or it was moved too.

    unaided : what is known of the print

    Raises
    ------
    SolveError
        One photo only, one without a reflection, the sheet lies alike in all photos, or the mirrors stand
        differently in one.
    """
    names = [item.photo.name for item in sighted]
    _check_told(sighted, names)
    alone = [solved_alone(sheet, item, unaided) for item in sighted]
    seen = all_seen(sighted, alone)
    check_zoom(seen, names)
    standing = _numbered(seen, names)
    turned = _turned_rad(standing)
    if max(abs(_within_half_turn(angle - turned[0])) for angle in turned) < math.radians(LEAST_TURNED_DEG):
        raise SolveError("The sheet lies the same way round in all photos, but it was said to be turned.", _HOW)
    hint = hint_from(alone)
    assert hint is not None  # every photo was solved
    both = replace(hint, placements=_placements(sheet, standing))
    numbers = [number for photo in standing for number in photo]
    ways = [joined(sighted, seen, numbers, Moved(sheet=True, camera=True, one_floor=True), both)]
    if _camera_stood_still(standing):
        ways.insert(0, joined(sighted, seen, numbers, Moved(sheet=True, one_floor=True), hint))
    return ways


def _check_told(sighted: Sequence[Sighted], names: Sequence[str]) -> None:
    if len(sighted) < 2:
        raise SolveError("One photo shows the sheet one way round only, but it was said to be turned.", _HOW)
    for item, name in zip(sighted, names, strict=True):
        if not item.sighting.reflections:
            raise SolveError(
                f"{name} shows no reflection of the sheet; a turned sheet needs one in every photo.",
                "Take each photo so that the sheet and its reflection are both in it.",
            )


# Which mirror is which --------------------------------------------------------------------------------------------


def _numbered(seen: Sequence[Seen], names: Sequence[str]) -> list[_Standing]:
    """The mirrors of each photo by number, from the left; a photo may show some of them only.

    How the sheet was turned is not known beforehand, so no mirror is known by its bearing. Whoever stands before
    mirrors sees them in one order, and they keep lean and the angles between them.
    """
    photos = [[mirror for mirror in seen if mirror.photo == photo] for photo in range(len(names))]
    fullest = max(range(len(photos)), key=lambda photo: len(photos[photo]))
    known = photos[fullest]
    found: list[_Standing] = []
    for photo, mirrors in enumerate(photos):
        ways = [
            dict(zip(numbers, mirrors, strict=True))
            for numbers in itertools.combinations(range(len(known)), len(mirrors))
        ]
        fitting = [way for way in ways if _differ(known, way) is None]
        if not fitting:
            raise _differing(known, ways[0], (names[fullest], names[photo]))
        if len(fitting) != 1:
            raise SolveError(
                f"{names[photo]} shows {len(mirrors)} of the {len(known)} mirrors that {names[fullest]} shows, and "
                "which is not told.",
                "Take each photo so that all mirrors show the whole sheet; or cover all mirrors but one.",
            )
        found.append(fitting[0])
    return found


def _differ(known: Sequence[Seen], way: _Standing) -> tuple[str, float, float] | None:
    """What print and chance do not explain of a photo's mirrors: its name, and both photos' values [rad]."""
    for number, mirror in way.items():
        one, two = known[number].said.mirror.lean_rad, mirror.said.mirror.lean_rad
        if abs(one - two) > _explained(known[number], mirror, name="lean_rad"):
            return "lean", one, two
    for first, second in itertools.combinations(way, 2):
        pairs = (known[first], known[second]), (way[first], way[second])
        one, two = (_turned_from(*(mirror.said.mirror for mirror in pair)) for pair in pairs)
        if abs(_within_half_turn(one - two)) > _explained(*pairs[0], *pairs[1], name="turn_rad"):
            return "turn", abs(one), abs(two)
    return None


def _explained(*seen: Seen, name: str) -> float:
    """How much [rad] angles of photos may differ by print, floor and chance."""
    sd = math.hypot(*(one.said.mirror.sd(name) * one.said.quantile / NORMAL_QUANTILE for one in seen))
    return math.radians(LEANS_APART_DEG) + LEANS_APART_SIGMAS * sd


def _differing(known: Sequence[Seen], way: _Standing, names: tuple[str, str]) -> SolveError:
    """Two photos differ about mirrors by more than print and chance explain: mirror or floor was moved."""
    differ = _differ(known, way)
    assert differ is not None
    what, *values = differ
    which = "the mirror's lean" if len(known) == 1 else "a mirror's lean"
    if what == "turn":
        which = "how far one mirror is turned from another"
    words = " and ".join(f"{math.degrees(value):.2f}°" for value in values)
    return SolveError(f"{names[0]} and {names[1]} differ about {which}: {words}.".replace("-", "−"), _HOW)


# How the sheet lies -----------------------------------------------------------------------------------------------


def _within_half_turn(angle_rad: float) -> float:
    return (angle_rad + math.pi) % (2 * math.pi) - math.pi


def _turned_from(first: SolvedMirror, other: SolvedMirror) -> float:
    """How much less the second's turn is, between -pi and pi: of one mirror in two photos, how the sheet turned."""
    return _within_half_turn(first.turn_rad - other.turn_rad)


def _turned_rad(standing: Sequence[_Standing]) -> list[float]:
    """How far each photo's sheet is turned against that of the fullest, seen from above [rad]."""
    fullest = max(standing, key=len)
    angles = []
    for photo in standing:
        each = [_turned_from(fullest[number].said.mirror, mirror.said.mirror) for number, mirror in photo.items()]
        angles.append(each[0] + float(np.mean([_within_half_turn(one - each[0]) for one in each])))
    return angles


def _placements(sheet: Sheet, standing: Sequence[_Standing]) -> tuple[Pose, ...]:
    """Each photo's sheet in the first one's frame: turned as the mirrors say, its middle where they have it.

    Where they do not tell, as one mirror alone does not along itself, the middle stays.
    """
    middle, fullest = corners_target(sheet).mean(axis=0), max(standing, key=len)
    found: list[Pose] = []
    for photo, angle in zip(standing, _turned_rad(standing), strict=True):
        rotation = rotation_from_vector(np.array([0.0, 0.0, angle]))
        shift = middle - rotation @ middle
        pairs = [(fullest[number].said.mirror, mirror.said.mirror) for number, mirror in photo.items()]
        normals = np.array([one.normal for one, _ in pairs])
        nearer = np.array([other.offset_mm - one.offset_mm for one, other in pairs]) - normals @ shift
        level = np.linalg.lstsq(normals[:, :2], nearer, rcond=_PARALLEL_SHARE)[0]
        found.append((rotation, shift + np.array([*level, 0.0])))
    first_rotation, first_shift = found[0]
    return tuple((first_rotation.T @ turn, first_rotation.T @ (shift - first_shift)) for turn, shift in found)


def _camera_stood_still(standing: Sequence[_Standing]) -> bool:
    """Whether the mirrors may stand alike in all photos' camera frames."""
    fullest = max(standing, key=len)
    return all(_alike_to_camera(fullest[number], mirror) for photo in standing for number, mirror in photo.items())


def _alike_to_camera(first: Seen, other: Seen) -> bool:
    angle = angle_between(first.normal_cam, other.normal_cam)
    low, high = SAME_MIRROR_DEPTHS
    return angle < math.radians(SAME_MIRROR_CAMERA_DEG) and low < first.depth_cam_mm / other.depth_cam_mm < high

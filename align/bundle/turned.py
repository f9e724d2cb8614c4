"""Photos between which the sheet was turned on its spot: one floor, one mirror, the print's faults turned along.

What an ordinary printer does wrong is fixed to the sheet, and how the mirror leans is fixed to the floor: turned by
90 degrees, the sheet's two scales change places and its shear changes sign, while the lean stays.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from ..errors import SolveError
from ..optics.geometry import angle_between, rotation_from_vector
from ..solve.initial_guess import Pose
from ..solve.joint import Moved
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


def turned_views(sheet: Sheet, sighted: Sequence[Sighted]) -> list[JointViews]:
    """Ways to join photos of a sheet that was turned on its spot: the camera stood still, or it was moved too.

    Raises
    ------
    SolveError
        One photo only, several mirrors, the sheet lies alike in all photos, or the mirror leans differently in one.
    """
    names = [item.photo.name for item in sighted]
    _check_told(sighted, names)
    alone = [solved_alone(sheet, item) for item in sighted]
    seen = all_seen(sighted, alone)
    check_zoom(seen, names)
    mirrors = [mirror.said.mirror for mirror in seen]
    if max(abs(_turned_rad(mirrors[0], mirror)) for mirror in mirrors) < math.radians(LEAST_TURNED_DEG):
        raise SolveError("The sheet lies the same way round in all photos, but it was said to be turned.", _HOW)
    for mirror, other in zip(seen[1:], names[1:], strict=True):
        _check_lean(seen[0], mirror, (names[0], other))
    hint = hint_from(alone)
    assert hint is not None  # every photo was solved
    both = replace(hint, placements=_placements(sheet, mirrors))
    numbers = [0] * len(sighted)
    ways = [joined(sighted, seen, numbers, Moved(sheet=True, camera=True, one_floor=True), both)]
    if all(_camera_stood_still(seen[0], other) for other in seen[1:]):
        ways.insert(0, joined(sighted, seen, numbers, Moved(sheet=True, one_floor=True), hint))
    return ways


def _check_told(sighted: Sequence[Sighted], names: Sequence[str]) -> None:
    if len(sighted) < 2:
        raise SolveError("One photo shows the sheet one way round only, but it was said to be turned.", _HOW)
    for item, name in zip(sighted, names, strict=True):
        if len(item.sighting.reflections) != 1:
            count = len(item.sighting.reflections) or "no"
            raise SolveError(
                f"{name} shows {count} reflections of the sheet; a turned sheet is for one mirror at a time.",
                "Take photos that show the sheet in one mirror; cover the others.",
            )


def _turned_rad(first: SolvedMirror, other: SolvedMirror) -> float:
    """How far the sheet was turned between two photos, seen from above, between -pi and pi."""
    return (first.turn_rad - other.turn_rad + math.pi) % (2 * math.pi) - math.pi


def _check_lean(first: Seen, other: Seen, names: tuple[str, str]) -> None:
    """Refuse two photos whose leans differ by more than print and chance explain: mirror or floor was moved."""
    one, two = first.said, other.said
    sd = math.hypot(*(said.mirror.sd("lean_rad") * said.quantile / NORMAL_QUANTILE for said in (one, two)))
    apart = abs(one.mirror.lean_rad - two.mirror.lean_rad)
    if apart > math.radians(LEANS_APART_DEG) + LEANS_APART_SIGMAS * sd:
        leans = " and ".join(f"{math.degrees(said.mirror.lean_rad):.2f}°" for said in (one, two))
        raise SolveError(
            f"{names[0]} and {names[1]} differ about the mirror's lean: {leans}.".replace("-", "−"), _HOW
        )


def _placements(sheet: Sheet, mirrors: Sequence[SolvedMirror]) -> tuple[Pose, ...]:
    """Each photo's sheet in the first one's frame: turned as the mirror says, its middle where it may be."""
    first, middle = mirrors[0], corners_target(sheet).mean(axis=0)
    level = np.array([math.sin(first.turn_rad), -math.cos(first.turn_rad), 0.0])
    found: list[Pose] = []
    for mirror in mirrors:
        rotation = rotation_from_vector(np.array([0.0, 0.0, _turned_rad(first, mirror)]))
        shift = middle - rotation @ middle
        nearer = mirror.offset_mm - first.offset_mm - float(first.normal @ shift)
        found.append((rotation, shift + level * nearer / math.cos(first.lean_rad)))
    return tuple(found)


def _camera_stood_still(first: Seen, other: Seen) -> bool:
    """Whether the mirror may stand alike in both photos' camera frames."""
    angle = angle_between(first.normal_cam, other.normal_cam)
    low, high = SAME_MIRROR_DEPTHS
    return angle < math.radians(SAME_MIRROR_CAMERA_DEG) and low < first.depth_cam_mm / other.depth_cam_mm < high

"""Which reflection in which photo is the same mirror, and whether all photos show the same scene."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from .errors import SolveError
from .geometry import angle_between
from .model import DIRECT
from .sighting import Board
from .solve import Knowledge, View, solve
from .target import Sheet

if TYPE_CHECKING:
    from .check import Sighted

Array = NDArray[np.float64]

#: Reflections in two photos are of one mirror when it stands alike to within this.
SAME_MIRROR_DEG, SAME_MIRROR_MM = 2.0, 10.0
#: The same for mirrors compared in the camera's frame.
SAME_MIRROR_CAMERA_DEG = 8.0


def view_of(board: Board, photo: int, mirror: int) -> View:
    """A sighted board as the solve takes it."""
    return View(photo, mirror, board.corner_ids, board.pixels, board.covariance)


def photo_views(item: Sighted, photo: int) -> list[View]:
    """One photo's views: the target, and its reflections numbered from left to right."""
    sighting = item.sighting
    return [
        view_of(sighting.target, photo, DIRECT),
        *(view_of(board, photo, number) for number, board in enumerate(sighting.reflections)),
    ]


@dataclass(frozen=True, eq=False)
class JointViews:
    """Views of all photos with each mirror under one number; whether the sheet was moved between them."""

    views: tuple[View, ...]
    moved_sheet: bool


@dataclass(frozen=True, eq=False)
class _Seen:
    """One mirror as one photo alone sees it, in the target's frame and in the camera's."""

    photo: int
    board: Board
    normal: Array
    offset_mm: float
    normal_cam: Array
    depth_cam_mm: float
    doubt_rad: float
    doubt_mm: float


def joint_views(sheet: Sheet, sighted: Sequence[Sighted], knowledge: Knowledge) -> list[JointViews]:
    """Ways to join the views of all photos, each mirror under one number, left to right as first seen.

    Either the sheet lay still, and every mirror stands alike in the target's frame; or the camera stood still
    and the sheet was moved, and every mirror stands alike in the camera's frame. Where both may be, both
    are returned: the joint fit tells.

    Raises
    ------
    SolveError
        Neither is so: a photo disagrees with the others about where the mirrors stand.
    """
    if len(sighted) == 1:
        return [JointViews(tuple(photo_views(sighted[0], 0)), False)]
    joints = []
    seen = [mirror for photo, item in enumerate(sighted) for mirror in _alone(sheet, item, photo, knowledge)]
    for moved_sheet in (False, True):
        numbers = _numbered(seen, moved_sheet)
        if numbers is not None:
            views = [view_of(item.sighting.target, photo, DIRECT) for photo, item in enumerate(sighted)]
            views += [view_of(m.board, m.photo, n) for m, n in zip(seen, numbers, strict=True)]
            joints.append(JointViews(tuple(views), moved_sheet))
    if joints:
        return joints
    odd = _odd_one_out(seen)
    raise SolveError(
        f"{sighted[odd].photo.name} shows the mirror elsewhere relative to the sheet than the other photos.",
        "Do not move the sheet or the mirror between the photos of one check; or check them with --each.",
    )


def _alone(sheet: Sheet, item: Sighted, photo: int, knowledge: Knowledge) -> list[_Seen]:
    views = photo_views(item, 0)
    if len(views) == 1:
        return []
    solution = solve(sheet, views, item.prior, knowledge)
    rotation, _ = solution.state.cam_from_target(0)
    result = []
    for local, board in enumerate(item.sighting.reflections):
        where = solution.state.layout.mirror(local)
        sd = np.sqrt(np.diag(solution.covariance)[where])
        result.append(
            _Seen(
                photo,
                board,
                solution.normal(local),
                float(solution.state.vector[where][2]),
                rotation @ solution.normal(local),
                float(solution.height_before(local, solution.state.eye(0))[0]),
                float(np.hypot(*sd[:2])),
                float(sd[2]),
            )
        )
    return result


def _alike(first: _Seen, second: _Seen, moved_sheet: bool) -> float | None:
    """The angle between two sights of a mirror [rad] if they can be of the same one, else None."""
    angle_doubt = 4 * float(np.hypot(first.doubt_rad, second.doubt_rad))
    if moved_sheet:  # the camera's own doubt turns its frame, so the limit is wide
        angle = angle_between(first.normal_cam, second.normal_cam)
        ratio = first.depth_cam_mm / second.depth_cam_mm
        alike = angle < np.radians(SAME_MIRROR_CAMERA_DEG) + angle_doubt and 0.7 < ratio < 1.4
    else:
        angle = angle_between(first.normal, second.normal)
        gap = abs(first.offset_mm - second.offset_mm)
        length_limit = SAME_MIRROR_MM + 4 * float(np.hypot(first.doubt_mm, second.doubt_mm))
        alike = angle < np.radians(SAME_MIRROR_DEG) + angle_doubt and gap < length_limit
    return angle if alike else None


def _numbered(seen: Sequence[_Seen], moved_sheet: bool) -> list[int] | None:
    """A mirror number for each sight; None when a photo's mirrors match none of those known before it."""
    numbers: list[int] = []
    for index, mirror in enumerate(seen):
        fits = [
            (angle, numbers[other])
            for other in range(index)
            if seen[other].photo != mirror.photo
            and (angle := _alike(mirror, seen[other], moved_sheet)) is not None
        ]
        if fits:
            numbers.append(min(fits)[1])
        else:
            numbers.append(1 + max(numbers, default=-1))
    for photo in {mirror.photo for mirror in seen}:
        own = {n for m, n in zip(seen, numbers, strict=True) if m.photo == photo}
        others = {n for m, n in zip(seen, numbers, strict=True) if m.photo != photo}
        if others and not own & others:
            return None
    own_numbers = [(m.photo, n) for m, n in zip(seen, numbers, strict=True)]
    return numbers if len(set(own_numbers)) == len(own_numbers) else None


def _odd_one_out(seen: Sequence[_Seen]) -> int:
    """The photo whose mirrors agree with the fewest others."""
    photos = sorted({mirror.photo for mirror in seen})
    agreeing = {
        photo: sum(
            _alike(a, b, False) is not None
            for a in seen
            for b in seen
            if a.photo == photo and b.photo != photo
        )
        for photo in photos
    }
    return min(reversed(photos), key=lambda photo: agreeing[photo])

"""Which reflection in which photo is the same mirror, and whether all photos show the same scene."""

from __future__ import annotations

import functools
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ..errors import SolveError
from ..optics.camera_model import CAMERA_PARAMETERS
from ..optics.geometry import angle_between, lean_turn_of_normal
from ..sighting.boards import Board
from ..solve.forward_model import DIRECT
from ..solve.initial_guess import Hint
from ..solve.joint import Moved, Solution, UserConstraints, View, solve
from ..target.sheets import Sheet
from .moved import Difference, Said, differ_words, difference, grouped, moved_error
from .photo_set import Sighted
from .picture import allowed_for, is_unfit
from .thresholds import (
    SAME_MIRROR_CAMERA_DEG,
    SAME_MIRROR_DEG,
    SAME_MIRROR_DEPTHS,
    SAME_MIRROR_MM,
    SAME_ZOOM_SHARE,
    SAME_ZOOM_SIGMAS,
)

Array = NDArray[np.float64]
LOG_FOCAL = CAMERA_PARAMETERS.index("log_focal")


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


def views_of(sighted: Sequence[Sighted], mirrors: Sequence[Sequence[int]]) -> tuple[View, ...]:
    """The views of all photos; mirrors : for each photo, the number of each of its reflections."""
    views = [view_of(item.sighting.target, photo, DIRECT) for photo, item in enumerate(sighted)]
    for photo, (item, numbers) in enumerate(zip(sighted, mirrors, strict=True)):
        views += [view_of(board, photo, n) for board, n in zip(item.sighting.reflections, numbers, strict=True)]
    return tuple(views)


@dataclass(frozen=True, eq=False)
class JointViews:
    """Views of all photos with each mirror under one number, and what was moved between them.

    mirrors : for each photo, the number of each of its reflections; hint : what the photos alone say, None for
    a single one; otherwise : what is amiss where nothing but the sheet may have moved and this way does not fit;
    notes : differences between the photos that are too small to refuse.
    """

    views: tuple[View, ...]
    moved: Moved
    mirrors: tuple[tuple[int, ...], ...]
    hint: Hint | None = None
    otherwise: SolveError | None = None
    notes: tuple[str, ...] = ()

    @property
    def moved_sheet(self) -> bool:
        """Whether the sheet was moved between the photos."""
        return self.moved.sheet


@dataclass(frozen=True, eq=False)
class Seen:
    """One mirror as one photo alone sees it, in the target's frame and in the camera's."""

    said: Said
    board: Board
    normal_cam: Array
    depth_cam_mm: float
    log_focal: float
    uncertainty_log_focal: float

    @property
    def photo(self) -> int:
        return self.said.photo

    @property
    def normal(self) -> Array:
        return self.said.mirror.normal

    @property
    def uncertainty_rad(self) -> float:
        return float(np.hypot(self.said.mirror.sd("lean_rad"), self.said.mirror.sd("turn_rad")))


def joint_views(sheet: Sheet, sighted: Sequence[Sighted], unaided: UserConstraints) -> list[JointViews]:
    """Ways to join the views of all photos, each mirror under one number, from left to right.

    Either the sheet lay still, and every mirror stands alike in the target's frame; or the camera stood still
    and the sheet was moved, and every mirror stands alike in the camera's frame. Where both may be, both
    are returned: the joint fit tells.

    unaided : what is known of the print: intervals that allow for faults it does not have would hide small moves

    Raises
    ------
    SolveError
        Neither is so: a photo disagrees with the others about where the mirrors stand, or about the zoom.
    """
    if len(sighted) == 1:
        return [JointViews(tuple(photo_views(sighted[0], 0)), Moved(), (_in_order(sighted[0]),))]
    names = [item.photo.name for item in sighted]
    alone = [solved_alone(sheet, item, unaided) for item in sighted]
    seen = all_seen(sighted, alone)
    check_zoom(seen, names)
    still, moved = (_numbered(seen, moved_sheet) for moved_sheet in (False, True))
    hint = hint_from(alone)
    error: SolveError | None = _elsewhere(names, seen) if still is None else None
    joints = []
    if still is not None:
        pairs = _differences(seen, still)
        error = _moved_between(names, seen, still, pairs)
        if error is None:
            notes = tuple(
                differ_words(names, seen[a].said, seen[b].said, found)
                for a, b, found in pairs
                if found.beyond_chance
            )
            joints.append(joined(sighted, seen, still, Moved(), hint, notes=notes))
    if not joints and any(item.prior.reshape_sd > 0 for item in sighted):
        # Free to be stretched, a small board leaves the camera too open for its frame to be compared.
        as_taken = [solved_alone(sheet, _as_taken(item), unaided) for item in sighted]
        instead = _numbered(all_seen(sighted, as_taken), True)
        if instead is not None and (moved is None or max(instead) < max(moved)):
            moved, hint = instead, hint_from(as_taken)
    if moved is not None:
        joints.append(joined(sighted, seen, moved, Moved(sheet=True), hint, otherwise=error))
    if joints:
        return joints
    assert error is not None
    raise error


def _in_order(item: Sighted) -> tuple[int, ...]:
    """The reflections of a photo by itself are numbered as they stand, from the left."""
    return tuple(range(len(item.sighting.reflections)))


def joined(
    sighted: Sequence[Sighted],
    seen: Sequence[Seen],
    numbers: Sequence[int],
    moved: Moved,
    hint: Hint | None,
    *,
    otherwise: SolveError | None = None,
    notes: tuple[str, ...] = (),
) -> JointViews:
    """All views under the mirrors' numbers from the left."""
    order = _left_to_right(seen, numbers)
    mirrors = tuple(
        tuple(order[n] for m, n in zip(seen, numbers, strict=True) if m.photo == photo)
        for photo in range(len(sighted))
    )
    return JointViews(views_of(sighted, mirrors), moved, mirrors, hint, otherwise, notes)


def _differences(seen: Sequence[Seen], numbers: Sequence[int]) -> list[tuple[int, int, Difference]]:
    """How far each two sights of one mirror differ."""
    return [
        (first, second, difference(seen[first].said, seen[second].said))
        for second in range(len(seen))
        for first in range(second)
        if numbers[first] == numbers[second]
    ]


def _moved_between(
    names: Sequence[str],
    seen: Sequence[Seen],
    numbers: Sequence[int],
    pairs: Sequence[tuple[int, int, Difference]],
) -> SolveError | None:
    """What is amiss where mirror or sheet moved; None where all photos agree."""
    moved = [(first, second, found) for first, second, found in pairs if found.moved]
    if not moved:
        return None
    apart = {(seen[first].photo, seen[second].photo) for first, second, _ in moved}
    first, *_ = max(moved, key=lambda pair: pair[2].chi_square)
    said = [mirror.said for mirror, number in zip(seen, numbers, strict=True) if number == numbers[first]]
    return moved_error(names, grouped(len(names), apart), said)


def solved_alone(sheet: Sheet, item: Sighted, unaided: UserConstraints) -> Solution | None:
    """What one photo says by itself and what is known of the print; None where it shows no reflection."""
    views = photo_views(item, 0)
    if len(views) == 1:
        return None
    return allowed_for(lambda prior: solve(sheet, views, prior, unaided), item.prior, item.size).solution


def _as_taken(item: Sighted) -> Sighted:
    """A photo whose pixels are taken to be as the camera wrote them."""
    return replace(item, prior=replace(item.prior, reshape_sd=0.0))


def hint_from(alone: Sequence[Solution | None]) -> Hint | None:
    """Where a joint solve begins: the surest photo's camera, every photo's pose."""
    solved = [solution for solution in alone if solution is not None]
    if not solved:
        return None
    surest = min(solved, key=lambda solution: solution.covariance[LOG_FOCAL, LOG_FOCAL])
    return Hint(
        surest.camera,
        tuple(None if solution is None else solution.state.cam_from_target(0) for solution in alone),
        max(solution.rms_px() for solution in solved),
    )


def all_seen(sighted: Sequence[Sighted], alone: Sequence[Solution | None]) -> list[Seen]:
    """The mirrors of all photos, each as one photo alone sees it."""
    return [
        mirror
        for photo, (item, solution) in enumerate(zip(sighted, alone, strict=True))
        for mirror in seen_in(item, photo, solution)
    ]


def seen_in(item: Sighted, photo: int, solution: Solution | None) -> list[Seen]:
    """The mirrors of one photo, as it alone sees them."""
    if solution is None:
        return []
    rotation, _ = solution.state.cam_from_target(0)
    result = []
    for local, board in enumerate(item.sighting.reflections):
        mirror = solution.mirror(local)
        result.append(
            Seen(
                Said(
                    photo,
                    mirror,
                    solution.quantile,
                    trusted=not is_unfit(solution, item.prior),
                    bend=solution.bend(local),
                ),
                board,
                rotation @ mirror.normal,
                float(mirror.height_before(solution.state.eye(0))[0]),
                float(solution.state.vector[LOG_FOCAL]),
                float(np.sqrt(solution.covariance[LOG_FOCAL, LOG_FOCAL])),
            )
        )
    return result


def check_zoom(seen: Sequence[Seen], names: Sequence[str]) -> None:
    """Refuse a photo whose focal length, as it alone tells it, is not that of the others."""
    middle = float(np.median([sight.log_focal for sight in seen]))
    ordered = sorted(seen, key=lambda sight: (-abs(sight.log_focal - middle), -sight.photo))
    for odd in ordered:
        others = [sight for sight in seen if sight.photo != odd.photo]
        if others and all(_zoomed(odd, other) for other in others):
            nearest = min(others, key=lambda other: abs(other.log_focal - odd.log_focal))
            percent = 100 * (np.exp(odd.log_focal - nearest.log_focal) - 1)
            raise SolveError(
                f"{names[odd.photo]} was zoomed or cropped differently from the other photos: its focal length "
                f"is off by {percent:+.0f} %.",
                "Take all photos of one check without zooming; or check them with --each.",
            )


def _zoomed(first: Seen, second: Seen) -> bool:
    uncertainty = SAME_ZOOM_SIGMAS * float(np.hypot(first.uncertainty_log_focal, second.uncertainty_log_focal))
    return abs(first.log_focal - second.log_focal) > SAME_ZOOM_SHARE + uncertainty


def _alike(first: Seen, second: Seen, moved_sheet: bool) -> float | None:
    """The angle between two sights of a mirror [rad] if they can be of the same one, else None."""
    angle_uncertainty = 4 * float(np.hypot(first.uncertainty_rad, second.uncertainty_rad))
    if moved_sheet:  # the camera's own uncertainty turns its frame, so the limit is wide
        angle = angle_between(first.normal_cam, second.normal_cam)
        ratio, (low, high) = first.depth_cam_mm / second.depth_cam_mm, SAME_MIRROR_DEPTHS
        alike = angle < np.radians(SAME_MIRROR_CAMERA_DEG) + angle_uncertainty and low < ratio < high
    else:
        angle = angle_between(first.normal, second.normal)
        one, other = first.said.mirror, second.said.mirror
        gap = abs(one.offset_mm - other.offset_mm)
        length_limit = SAME_MIRROR_MM + 4 * float(np.hypot(one.sd("offset_mm"), other.sd("offset_mm")))
        alike = angle < np.radians(SAME_MIRROR_DEG) + angle_uncertainty and gap < length_limit
    return angle if alike else None


def _numbered(seen: Sequence[Seen], moved_sheet: bool) -> list[int] | None:
    """A mirror number for each sight; None when a photo's mirrors match none of those known before it."""
    numbers: list[int] = []
    for index, mirror in enumerate(seen):
        fits = [
            (angle, numbers[other])
            for other in range(index)
            if seen[other].photo != mirror.photo and (angle := _alike(mirror, seen[other], moved_sheet)) is not None
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


def _left_to_right(seen: Sequence[Seen], numbers: Sequence[int]) -> dict[int, int]:
    """New number of each mirror: the order in the pictures that show two of them, else that of their bearings."""
    by_number = {n: [m for m, k in zip(seen, numbers, strict=True) if k == n] for n in set(numbers)}

    def compare(first: int, second: int) -> int:
        apart = [
            a.board.centre_px[0] - b.board.centre_px[0]
            for a in by_number[first]
            for b in by_number[second]
            if a.photo == b.photo
        ]
        if apart:
            return int(np.sign(np.sum(apart)))
        return int(np.sign(_bearing(by_number[second]) - _bearing(by_number[first])))

    ordered = sorted(by_number, key=functools.cmp_to_key(compare))
    return {old: new for new, old in enumerate(ordered)}


def _bearing(sights: Sequence[Seen]) -> float:
    """Mean turn [rad] of a mirror's face: in a corner, the mirror on the left faces to the right."""
    return float(np.mean([lean_turn_of_normal(sight.normal)[1] for sight in sights]))


def _elsewhere(names: Sequence[str], seen: Sequence[Seen]) -> SolveError:
    """A photo that shows the mirrors elsewhere than the others do."""
    return SolveError(
        f"{names[_odd_one_out(seen)]} shows the mirror elsewhere relative to the sheet than the other photos.",
        "Do not move the sheet or the mirror between the photos of one check; or check them with --each.",
    )


def _odd_one_out(seen: Sequence[Seen]) -> int:
    """The photo whose mirrors agree with the fewest others."""
    photos = sorted({mirror.photo for mirror in seen})
    agreeing = {
        photo: sum(
            _alike(a, b, False) is not None for a in seen for b in seen if a.photo == photo and b.photo != photo
        )
        for photo in photos
    }
    return min(reversed(photos), key=lambda photo: agreeing[photo])

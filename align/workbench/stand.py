"""One stand of a mirror: the photos since it last moved, solved together."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from ..bundle.photo_set import Sighted
from ..checking.job import check_sighted
from ..checking.result import CheckResult
from ..checking.settings import CheckSettings
from ..errors import AlignError
from ..solve.joint import Solution
from .change import MOVES, Change, change_between, congruency
from .thresholds import MOST_JOINED


@dataclass(frozen=True, eq=False)
class Stand:
    """A mirror between two moves.

    number : of the stand, from 1; photos : the numbers of those that the answer is solved from, and what was
    sighted in each; result, solution : of all of them together
    """

    number: int
    photos: tuple[int, ...]
    sighted: tuple[Sighted, ...]
    result: CheckResult
    solution: Solution


def next_stand(
    before: Stand | None, photo: int, sighted: Sighted, settings: CheckSettings
) -> tuple[Stand, Change | None]:
    """The stand that a new photo (or a frame of a film) shows: the one before, better known, or a new one.

    The photo is solved alone first. Unless chance alone explains how its answer differs from the stand before,
    the mirror has moved, and a new stand begins with this photo. Otherwise it is solved together with the others
    of the stand; a photo of another camera or zoom cannot be and then speaks for itself.

    Returns
    -------
    the stand; and how it differs from the one before (None: there is nothing to compare with)

    Raises
    ------
    AlignError : the photo alone does not answer.
    """
    result, adjustment = check_sighted([sighted], settings)
    number = 1 if before is None else before.number + 1
    alone = Stand(number, (photo,), (sighted,), result, adjustment.solution)
    if before is None:
        return alone, None
    change = _change(before, alone)
    if change is None or change.moved:
        return alone, change
    return _joined(before, alone, settings), change


def film_stand(before: Stand | None, alone: Stand) -> tuple[Stand, Change | None]:
    """The stand that the frames of a film show, solved together already; and how it differs from the one before.

    Its number is worked out here: that of the stand before where nothing has moved since.
    """
    if before is None:
        return replace(alone, number=1), None
    change = _change(before, alone)
    moved = change is None or change.moved
    return replace(alone, number=before.number + moved), change


def _change(before: Stand, alone: Stand) -> Change | None:
    """How the new photo's answer differs; None where the two do not show as many mirrors."""
    first, last = before.sighted[-1], alone.sighted[0]
    if before.solution.state.layout.mirrors != alone.solution.state.layout.mirrors:
        return None
    if first.sighting.sheet.name != last.sighting.sheet.name:
        return None
    if _one_camera(first, last):
        return change_between(first.sighting.sheet, before.solution, alone.solution, first.prior)
    return _of_two_cameras(before.solution, alone.solution)


def _of_two_cameras(earlier: Solution, later: Solution) -> Change:
    """Two answers whose cameras have nothing in common: their covariances add."""
    difference, variance = [], []
    for mirror in range(earlier.state.layout.mirrors):
        parts = [
            (slice(start := one.state.layout.mirror(mirror).start, start + MOVES), one) for one in (earlier, later)
        ]
        (old, _), (new, _) = parts
        difference.append(later.state.vector[new] - earlier.state.vector[old])
        variance.append(sum(one.covariance[where, where] for where, one in parts))
    size = MOVES * len(difference)
    covariance = np.zeros((size, size))
    for mirror, block in enumerate(variance):
        where = slice(MOVES * mirror, MOVES * (mirror + 1))
        covariance[where, where] = block
    return congruency(np.concatenate(difference), covariance, min(earlier.degrees, later.degrees))


def _one_camera(first: Sighted, second: Sighted) -> bool:
    """Whether two photos may be solved with one camera, as far as their files tell."""
    turned = None not in (first.orientation, second.orientation) and first.orientation != second.orientation
    return first.size == second.size and not turned and first.lens.differs(second.lens) is None


def _joined(before: Stand, alone: Stand, settings: CheckSettings) -> Stand:
    """The stand before with one photo more; the photo alone where they cannot be solved together."""
    kept = [
        (photo, item)
        for photo, item in zip(before.photos, before.sighted, strict=True)
        if _one_camera(item, alone.sighted[0])
    ]
    numbers, items = _newest([*kept, (alone.photos[0], alone.sighted[0])])
    if len(items) > 1:
        try:
            result, adjustment = check_sighted(items, settings)
            if not adjustment.solution.state.layout.moved_sheet:
                return Stand(before.number, numbers, items, result, adjustment.solution)
        except AlignError:
            pass  # what the photos say together makes no sense; what this one says does
    return Stand(before.number, alone.photos, alone.sighted, alone.result, alone.solution)


def _newest(photos: Sequence[tuple[int, Sighted]]) -> tuple[tuple[int, ...], tuple[Sighted, ...]]:
    newest = photos[-MOST_JOINED:]
    return tuple(number for number, _ in newest), tuple(item for _, item in newest)

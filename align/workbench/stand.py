"""One stand of a mirror: the photos since it last moved, solved together."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from ..bundle.adjustment import Adjustment
from ..bundle.moved import Said, planes_of_one_part
from ..bundle.photo_set import Sighted
from ..checking.job import check_sighted
from ..checking.result import CheckResult
from ..checking.settings import CheckSettings
from ..errors import AlignError
from ..solve.joint import Solution
from .change import MOVES, Change, change_between, congruency
from .lies import Lie
from .thresholds import MOST_JOINED, MOST_LAID


@dataclass(frozen=True, eq=False)
class Stand:
    """A mirror between two moves.

    number : of the stand, from 1; photos : the numbers of those that the answer is solved from, and what was
    sighted in each; result, solution : of all of them together; lies : how the sheet lay in each photo, as the
    person said; () where it lay still in all
    """

    number: int
    photos: tuple[int, ...]
    sighted: tuple[Sighted, ...]
    result: CheckResult
    solution: Solution
    lies: tuple[Lie, ...] = ()

    @property
    def taken(self) -> list[_Taken]:
        """Number, sighting and lie of each photo."""
        still: tuple[Lie, ...] = tuple("left" for _ in self.photos)
        return list(zip(self.photos, self.sighted, self.lies or still, strict=True))


_Taken = tuple[int, Sighted, Lie]


def next_stand(
    before: Stand | None, photo: int, sighted: Sighted, settings: CheckSettings, lie: Lie = "left"
) -> tuple[Stand, Change | None]:
    """The stand that a new photo (or a frame of a film) shows: the one before, better known, or a new one.

    The photo is solved alone first. Unless chance alone explains how its answer differs from the stand before,
    the mirror has moved, and a new stand begins with this photo. Otherwise it is solved together with the others
    of the stand; a photo of another camera or zoom cannot be and then speaks for itself. Where the person says
    that the sheet was turned or moved and the mirror left alone, the mirror is not said to have moved.

    Returns
    -------
    the stand; and how it differs from the one before (None: there is nothing to compare with)

    Raises
    ------
    AlignError : the photo alone does not answer; or the sheet was turned or moved otherwise than was said.
    """
    if before is not None and lie in ("turned", "moved"):
        return _laid_anew(before, (photo, sighted, lie), settings), None
    result, adjustment = check_sighted([sighted], settings)
    number = 1 if before is None else before.number + 1
    alone = Stand(number, (photo,), (sighted,), result, adjustment.solution)
    if before is None or lie == "anew":
        return alone, None
    change = _change(_as_it_lies(before, settings), alone)
    if change is None or change.moved:
        return alone, change
    return _joined(before, alone, settings), change


def film_stand(before: Stand | None, alone: Stand) -> tuple[Stand, Change | None]:
    """The stand that the frames of a film show, solved together already; and how it differs from the one before.

    Its number is worked out here: that of the stand before where nothing has moved since.
    """
    if before is None:
        return replace(alone, number=1), None
    change = _change(_as_it_lies(before, replace(alone.result.settings, turned_sheet=False)), alone)
    moved = change is None or change.moved
    return replace(alone, number=before.number + moved), change


def solved_together(taken: Sequence[_Taken], number: int, settings: CheckSettings) -> tuple[Stand, Adjustment]:
    """Photos of one stand, the sheet lying in each as the person said; the errors of `check_sighted`."""
    numbers, items, lies = (tuple(column) for column in zip(*taken, strict=True))
    laid = set(lies[1:])
    stated = replace(settings, turned_sheet="turned" in laid, flatness=settings.flatness or "moved" in laid)
    result, adjustment = check_sighted(items, stated)
    kept = lies if laid - {"left"} else ()
    return Stand(number, numbers, items, result, adjustment.solution, kept), adjustment


def _laid_anew(before: Stand, new: _Taken, settings: CheckSettings) -> Stand:
    """The stand before with a photo of the sheet turned or moved, which the mirrors' places alone join to it."""
    kept = [one for one in before.taken if _one_camera(one[1], new[1])]
    if not kept:
        raise AlignError(
            "This photo is by another camera or zoom than the ones before the sheet was turned or moved.",
            "Take it with the same camera, without zooming; or begin afresh.",
        )
    return solved_together(_newest([*kept, new]), before.number, settings)[0]


def _as_it_lies(stand: Stand, settings: CheckSettings) -> Stand:
    """A stand by those of its photos alone in which the sheet lies as it lies now: what a new photo shows too."""
    last = max((place for place, lie in enumerate(stand.lies) if lie != "left"), default=0)
    if last == 0:
        return stand
    try:
        return solved_together([(*one[:2], "left") for one in stand.taken[last:]], stand.number, settings)[0]
    except AlignError:  # they answer together with the others only
        return stand


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
        said = (Said(0, one.mirror(mirror), one.quantile, bend=one.bend(mirror)) for one in (earlier, later))
        (old, its), (new, others) = planes_of_one_part(*said)
        difference.append(new - old)
        variance.append(its + others)
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
    kept = [one for one in before.taken if _one_camera(one[1], alone.sighted[0])]
    taken = _newest([*kept, *alone.taken])
    if len(taken) > 1:
        try:
            stand, adjustment = solved_together(taken, before.number, settings)
            if stand.lies or not adjustment.solution.state.layout.moved_sheet:
                return stand
        except AlignError:
            pass  # what the photos say together makes no sense; what this one says does
    return replace(alone, number=before.number)


def _newest(taken: Sequence[_Taken]) -> Sequence[_Taken]:
    """The photos that are solved together: the newest; of a sheet that was turned or moved also the first, from
    whose sheet lean and turn are counted."""
    if all(lie == "left" for _, _, lie in taken[1:]):
        return taken[-MOST_JOINED:]
    return taken if len(taken) <= MOST_LAID else [taken[0], *taken[1 - MOST_LAID :]]

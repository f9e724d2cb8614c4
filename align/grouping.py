"""Which reflection in which photo is the same mirror, and whether all photos show the same scene."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from .errors import SolveError
from .geometry import angle_between
from .model import DIRECT
from .sighting import Board
from .solve import Knowledge, Solution, View, solve
from .target import Sheet

if TYPE_CHECKING:
    from .check import Sighted

#: Reflections in two photos are of one mirror when it stands alike to within this.
SAME_MIRROR_DEG, SAME_MIRROR_MM = 4.0, 25.0


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


def joint_views(sheet: Sheet, sighted: Sequence[Sighted], knowledge: Knowledge) -> list[View]:
    """Views of all photos with each mirror under one number, left to right as first seen.

    Raises
    ------
    SolveError
        A photo disagrees with the others about where the mirrors stand.
    """
    if len(sighted) == 1:
        return photo_views(sighted[0], 0)
    views: list[View] = []
    known: list[Solution | None] = []
    numbers: list[tuple[int, Solution, int]] = []  # (mirror number, solution, mirror within it)
    for photo, item in enumerate(sighted):
        own = photo_views(item, 0)
        views.append(view_of(item.sighting.target, photo, DIRECT))
        if len(own) == 1:
            known.append(None)
            continue
        solution = solve(sheet, own, item.prior, knowledge)
        known.append(solution)
        for local, board in enumerate(item.sighting.reflections):
            number = _matching(numbers, solution, local)
            if number is None:
                number = 1 + max((n for n, _, _ in numbers), default=-1)
                if numbers and len(item.sighting.reflections) == 1 and _single(sighted):
                    raise _moved(item)
            numbers.append((number, solution, local))
            views.append(view_of(board, photo, number))
    return views


def _single(sighted: Sequence[Sighted]) -> bool:
    return all(len(item.sighting.reflections) <= 1 for item in sighted)


def _matching(numbers: Sequence[tuple[int, Solution, int]], solution: Solution, local: int) -> int | None:
    """The number of a known mirror that stands alike within doubt and a margin, or None."""
    normal, parameters = solution.normal(local), solution.mirror_parameters(local)
    sd = np.sqrt(np.diag(solution.mirror_covariance(local)))
    best: tuple[float, int] | None = None
    for number, other, other_local in numbers:
        their_sd = np.sqrt(np.diag(other.mirror_covariance(other_local)))
        angle_limit = np.radians(SAME_MIRROR_DEG) + 4 * float(np.hypot(sd[:2].max(), their_sd[:2].max()))
        length_limit = SAME_MIRROR_MM + 4 * float(np.hypot(sd[2], their_sd[2]))
        angle = angle_between(normal, other.normal(other_local))
        gap = abs(float(parameters[2] - other.mirror_parameters(other_local)[2]))
        if angle < angle_limit and gap < length_limit and (best is None or angle < best[0]):
            best = (angle, number)
    return None if best is None else best[1]


def _moved(item: Sighted) -> SolveError:
    return SolveError(
        f"{item.photo.name} shows the mirror elsewhere relative to the sheet than the photos before it.",
        "Do not move the sheet or the mirror between the photos of one check; or check them with --each.",
    )

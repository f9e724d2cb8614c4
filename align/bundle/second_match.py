"""Photos matched again with the print drawn as it runs on the sheet and in the mirrors that were solved."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import partial

from ..sighting.boards import Board
from ..sighting.curved_corners import PLANE_PX, Bends, matched_on, off_plane_px
from ..solve.forward_model import DIRECT
from ..solve.initial_guess import Hint
from ..solve.solution import Solution
from ..solve.surface import bending_ways, pictured, upwards
from ..target.sheets import Sheet, corners_board
from .grouping import JointViews, views_of
from .photo_set import Sighted


def matched_again(
    sheet: Sheet, sighted: Sequence[Sighted], joint: JointViews, solution: Solution
) -> tuple[list[Sighted], JointViews] | None:
    """The photos and their views with the boards matched again whose paper curls up; None where none does.

    joint : how the photos' views were joined in the solution.
    """
    if not solution.curls or not sheet.has_markers:  # a board of one's own is stiff: it curls nowhere
        return None
    closer = [
        _closer_photo(sheet, solution, item, photo, numbers)
        for photo, (item, numbers) in enumerate(zip(sighted, joint.mirrors, strict=True))
    ]
    if all(new is old for new, old in zip(closer, sighted, strict=True)):
        return None
    hint = joint.hint or Hint(solution.camera, (solution.state.cam_from_target(0),), solution.rms_px())
    return closer, replace(joint, views=views_of(closer, joint.mirrors), hint=hint)


def _closer_photo(sheet: Sheet, solution: Solution, item: Sighted, photo: int, mirrors: Sequence[int]) -> Sighted:
    """A photo with its boards matched again; itself where none of them curls up."""
    boards = (item.sighting.target, *item.sighting.reflections)
    closer = [
        _closer_board(sheet, solution, board, photo, mirror)
        for board, mirror in zip(boards, (DIRECT, *mirrors), strict=True)
    ]
    if all(new is old for new, old in zip(closer, boards, strict=True)):
        return item
    return replace(item, sighting=replace(item.sighting, target=closer[0], reflections=tuple(closer[1:])))


def _closer_board(sheet: Sheet, solution: Solution, board: Board, photo: int, mirror: int) -> Board:
    """A board matched again; itself where its paper is as good as flat around every corner."""
    runs = partial(pictured, sheet, solution, photo, mirror)
    corners = corners_board(sheet)[board.corner_ids]
    ways = bending_ways(sheet, solution, corners)
    curled = ways.any(axis=1)
    if not curled.any() or off_plane_px(board, runs, corners[curled]) < PLANE_PX:
        return board
    return matched_on(board, runs, Bends(ways, upwards(sheet, solution, photo, mirror, corners)))

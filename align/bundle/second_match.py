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
from .grouping import JointViews, view_of
from .photo_set import Sighted


def matched_again(
    sheet: Sheet, sighted: Sequence[Sighted], joint: JointViews, solution: Solution
) -> tuple[list[Sighted], JointViews] | None:
    """The photos and their views with the boards matched again whose paper curls up; None where none does.

    joint : how the photos' views were joined in the solution.
    """
    if not solution.curls or not sheet.has_markers:  # a board of one's own is stiff: it curls nowhere
        return None
    changed = False

    def board_of(board: Board, photo: int, mirror: int) -> Board:
        nonlocal changed
        runs = partial(pictured, sheet, solution, photo, mirror)
        corners = corners_board(sheet)[board.corner_ids]
        ways = bending_ways(sheet, solution, corners)
        curled = ways.any(axis=1)
        if board.patches is None or not curled.any() or off_plane_px(board, runs, corners[curled]) < PLANE_PX:
            return board
        changed = True
        return matched_on(board, runs, Bends(ways, upwards(sheet, solution, photo, mirror, corners)))

    closer = []
    for photo, (item, numbers) in enumerate(zip(sighted, joint.mirrors, strict=True)):
        sighting = item.sighting
        target = board_of(sighting.target, photo, DIRECT)
        reflections = [board_of(b, photo, n) for b, n in zip(sighting.reflections, numbers, strict=True)]
        closer.append(replace(item, sighting=replace(sighting, target=target, reflections=tuple(reflections))))
    if not changed:
        return None
    views = [view_of(item.sighting.target, photo, DIRECT) for photo, item in enumerate(closer)]
    for photo, (item, numbers) in enumerate(zip(closer, joint.mirrors, strict=True)):
        views += [view_of(board, photo, n) for board, n in zip(item.sighting.reflections, numbers, strict=True)]
    hint = joint.hint or Hint(solution.camera, (solution.state.cam_from_target(0),), solution.rms_px())
    return closer, replace(joint, views=tuple(views), hint=hint)

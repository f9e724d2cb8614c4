"""What a picture of the answer shows, in pixels of the photo: computed here, drawn in picture.py."""

from __future__ import annotations

import itertools
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from ..bundle.photo_set import Sighted
from ..optics.geometry import mirror_normal
from ..optics.slab import virtual_point
from ..solve.forward_model import DIRECT
from ..solve.joint import Solution
from ..target.sheets import Sheet
from .result import MirrorOverlay, Overlay

Array = NDArray[np.float64]


def overlay_of(
    sheet: Sheet,
    solution: Solution,
    photo: int,
    item: Sighted,
    want_turns: Sequence[float],
    mirror_size_mm: tuple[float, float] | None,
) -> Overlay:
    """Places of the target, its reflections as they are and as they should be, and the mirrors."""
    outline = _placed(solution, photo, _outline_target(sheet))
    direct = [v for v in solution.views if v.photo == photo and v.mirror == DIRECT]
    mirrors = []
    for view in solution.views:
        if view.photo != photo or view.mirror == DIRECT:
            continue
        solved = solution.mirror(view.mirror)
        foot = _foot(solution, photo, view.mirror, sheet)
        mirrors.append(
            MirrorOverlay(
                number=view.mirror + 1,
                corners_px=view.pixels,
                outline_px=_reflected(
                    solution, photo, outline, solved.lean_rad, solved.turn_rad, foot, solved.thickness_mm
                ),
                true_outline_px=_reflected(
                    solution, photo, outline, 0.0, want_turns[view.mirror], foot, solved.thickness_mm
                ),
                mirror_px=_mirror_outline(solution, photo, view.mirror, sheet, mirror_size_mm),
            )
        )
    return Overlay(
        file=str(item.photo),
        size=item.size,
        direct_corners_px=direct[0].pixels if direct else np.zeros((0, 2)),
        direct_outline_px=_project(solution, photo, outline),
        mirrors=tuple(sorted(mirrors, key=lambda m: m.number)),
        inter_reflections_px=tuple(
            inter_reflection.board.outline_px for inter_reflection in item.sighting.inter_reflections
        ),
        mirror_size_known=mirror_size_mm is not None,
    )


def _outline_target(sheet: Sheet) -> Array:
    """(m, 3) [mm] the outline of the squares, with points between so that distortion shows."""
    width, depth = sheet.squares_x * sheet.square_mm, sheet.squares_y * sheet.square_mm
    corners = np.array([[0, 0], [width, 0], [width, depth], [0, depth], [0, 0]], float)
    steps = np.linspace(0, 1, 12, endpoint=False)[:, None]
    parts = [start + (stop - start) * steps for start, stop in itertools.pairwise(corners)]
    return sheet.board_to_target(np.concatenate(parts))


def _placed(solution: Solution, photo: int, points: Array) -> Array:
    """Points of the sheet as it lay in a photo, in the scene's frame."""
    rotation, translation = solution.state.scene_from_sheet(photo)
    return np.asarray(points @ rotation.T + translation)


def _foot(solution: Solution, photo: int, mirror: int, sheet: Sheet) -> Array:
    """(3,) [mm] the point of a mirror's face on the floor that is nearest to the middle of the sheet."""
    middle = _placed(solution, photo, np.array([[0.0, -sheet.depth_mm / 2, 0.0]]))
    level = solution.mirror(mirror).normal * [1.0, 1.0, 0.0]
    height = float(solution.mirror(mirror).height_before(middle * [1.0, 1.0, 0.0])[0])
    return np.asarray(middle[0] * [1.0, 1.0, 0.0] - height * level / float(level @ level))


def _project(solution: Solution, photo: int, points: Array) -> Array:
    rotation, translation = solution.state.cam_from_target(photo)
    return solution.camera.project(points @ rotation.T + translation)


def _reflected(
    solution: Solution, photo: int, points: Array, lean: float, turn: float, foot: Array, thickness: float
) -> Array:
    image = virtual_point(
        points,
        solution.state.eye(photo),
        normal=mirror_normal(lean, turn),
        plane_point=foot,
        thickness_mm=thickness,
        index=solution.glass_index,
    )
    return _project(solution, photo, image)


def _mirror_outline(
    solution: Solution, photo: int, mirror: int, sheet: Sheet, mirror_size_mm: tuple[float, float] | None
) -> Array:
    """(4, 2) [px] the mirror's face, standing on the floor about the middle of the sheet's reflection."""
    solved = solution.mirror(mirror)
    turn = solved.turn_rad
    width, height = mirror_size_mm or (1.3 * sheet.width_mm, 0.8 * sheet.width_mm)
    right = np.array([np.cos(turn), np.sin(turn), 0.0])
    up = np.cross(solved.normal, right)
    foot = _foot(solution, photo, mirror, sheet)
    corners = [foot + sx * width / 2 * right + h * up for sx, h in ((-1, height), (1, height), (1, 0), (-1, 0))]
    return _project(solution, photo, np.array(corners))

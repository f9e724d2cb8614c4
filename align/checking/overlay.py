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
from .settings import Size

Array = NDArray[np.float64]

#: The part seen of a mirror of unknown size is drawn this much larger than the reflection, as a share of its side.
SEEN_MARGIN = 0.06
#: A mirror that stands more nearly in line with another one than this (a cosine) is not moved to end at it.
LEAST_SLOPE = 0.05


def overlay_of(
    sheet: Sheet,
    solution: Solution,
    photo: int,
    item: Sighted,
    want_turns: Sequence[float],
    sizes_mm: Sequence[Size | None],
) -> Overlay:
    """Places of the sheet, its reflections as they are and as they should be, and the mirrors."""
    outline = _placed(solution, photo, _outline_target(sheet))
    direct = [v for v in solution.views if v.photo == photo and v.mirror == DIRECT]
    mirrors = []
    for view in solution.views:
        if view.photo != photo or view.mirror == DIRECT:
            continue
        solved = solution.mirror(view.mirror)
        foot = _foot(solution, photo, view.mirror, sheet)
        size_mm = sizes_mm[view.mirror]
        face = _part_seen(solution, photo, view.mirror, outline)
        if size_mm is not None:
            face = _whole_face(solution, view.mirror, foot, size_mm)
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
                mirror_px=_project(solution, photo, face),
                size_known=size_mm is not None,
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
    return _project(solution, photo, _image(solution, photo, points, mirror_normal(lean, turn), foot, thickness))


def _image(
    solution: Solution, photo: int, points: Array, normal: Array, on_plane: Array, thickness: float
) -> Array:
    """(n, 3) [mm] where the eye sees points by way of a mirror."""
    return virtual_point(
        points,
        solution.state.eye(photo),
        normal=normal,
        plane_point=on_plane,
        thickness_mm=thickness,
        index=solution.glass_index,
    )


def _axes(solution: Solution, mirror: int) -> tuple[Array, Array]:
    """A mirror's own axes in the scene's frame: to the right along the floor, and up."""
    solved = solution.mirror(mirror)
    right = np.array([np.cos(solved.turn_rad), np.sin(solved.turn_rad), 0.0])
    return right, np.cross(solved.normal, right)


def _whole_face(solution: Solution, mirror: int, foot: Array, size_mm: Size) -> Array:
    """(4, 3) [mm] a mirror's face: its size is stated, its place assumed.

    It stands on the floor about the middle of the sheet, moved aside where it would run through another mirror.
    """
    right, up = _axes(solution, mirror)
    width, height = size_mm
    for number in range(solution.mirror_count):
        other = solution.mirror(number)
        along = float(other.normal @ right)
        if number == mirror or abs(along) < LEAST_SLOPE or other.height_before(foot[None])[0] <= 0:
            continue
        ends = foot + np.array([[-0.5], [0.5]]) * width * right
        foot = foot - min(float(other.height_before(ends).min()), 0.0) / along * right
    return np.array(
        [foot + sx * width / 2 * right + h * up for sx, h in ((-1, height), (1, height), (1, 0), (-1, 0))]
    )


def _part_seen(solution: Solution, photo: int, mirror: int, outline: Array) -> Array:
    """(4, 3) [mm] the part of a mirror's face in which the reflection is seen, and a little more."""
    solved, eye = solution.mirror(mirror), solution.state.eye(photo)
    image = _image(solution, photo, outline, solved.normal, -solved.offset_mm * solved.normal, solved.thickness_mm)
    before, behind = solved.height_before(eye[None]), solved.height_before(image)
    axes = np.array(_axes(solution, mirror))
    seen = (eye + (image - eye) * (before / (before - behind))[:, None]) @ axes.T
    low, high = seen.min(axis=0), seen.max(axis=0)
    margin = SEEN_MARGIN * (high - low).max()
    (left, bottom), (side, top) = low - margin, high + margin
    origin = -solved.offset_mm * solved.normal
    return np.array([[left, top], [side, top], [side, bottom], [left, bottom]]) @ axes + origin

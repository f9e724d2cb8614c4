"""Which further photo would teach a calibration most: candidates added to what is known, one at a time."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..optics.camera_model import Camera, project_with_derivatives
from ..optics.geometry import rotation_from_vector
from ..solve.forward_model import bow_basis
from ..solve.least_squares import covariance_of
from ..target.sheets import Sheet, corners_target
from .intrinsics import CameraEstimate, direction_uncertainties_px, frame_grid
from .thresholds import EDGE_SHARE, FILLS, MARGIN_SHARE, SHOWN_SHARE, TILT_DEG, USELESS_SHARE

Array = NDArray[np.float64]

#: Where the sheet is in the frame: as near its edges as it goes flat on, -1 left or upper, 1 right or lower.
PLACES = {"left": -1, "middle": 0, "right": 1}, {"upper": -1, "middle": 0, "lower": 1}
#: How the sheet is tilted, as rotation vectors [rad] in the camera frame (x right, y down).
TILT_RAD = math.radians(TILT_DEG)
TILTS = {
    "flat on": (0.0, 0.0, 0.0),
    "upper edge away": (-TILT_RAD, 0.0, 0.0),
    "lower edge away": (TILT_RAD, 0.0, 0.0),
    "left edge away": (0.0, TILT_RAD, 0.0),
    "right edge away": (0.0, -TILT_RAD, 0.0),
}


@dataclass(frozen=True, eq=False)
class Candidate:
    """A photo that could be taken: where the sheet is, how it is tilted, how much of the frame it fills.

    rotation, translation : `cam_from_target`; corner_ids : of the corners that show; pixels : (n, 2) theirs.
    """

    column: str
    row: str
    tilt: str
    fill: float
    rotation: Array
    translation: Array
    corner_ids: NDArray[np.int64]
    pixels: Array


@dataclass(frozen=True, eq=False)
class Gain:
    """What a candidate would do: uncertainty of directions before and after it, one sd, rms over the frame [px]."""

    candidate: Candidate
    before_px: float
    after_px: float


def candidates(sheet: Sheet, camera: Camera, size: tuple[int, int]) -> list[Candidate]:
    """Photos at every place in the frame, tilt and distance that show enough of the sheet."""
    points = corners_target(sheet)
    columns, rows = PLACES
    result = []
    for column, row, tilt, fill in itertools.product(columns, rows, TILTS, FILLS):
        rotation = rotation_from_vector(np.array(TILTS[tilt])) @ np.diag([1.0, -1.0, -1.0])
        middle_cam = _middle_cam(sheet, camera, size, (columns[column], rows[row]), fill)
        translation = middle_cam - rotation @ points.mean(axis=0)
        pixels = camera.project(points @ rotation.T + translation)
        inside = _inside(pixels, size)
        outline = camera.project(outline_target(sheet) @ rotation.T + translation)
        if inside.mean() >= SHOWN_SHARE and (sheet.has_markers or _inside(outline, size).all()):
            ids = np.flatnonzero(inside)
            result.append(Candidate(column, row, tilt, fill, rotation, translation, ids, pixels[ids]))
    return result


def outline_target(sheet: Sheet) -> Array:
    """(4, 3) [mm] the outer corners of the squares in the target frame, round from the far-left one."""
    width, depth = sheet.squares_x * sheet.square_mm, sheet.squares_y * sheet.square_mm
    return sheet.board_to_target(np.array([[0, 0], [width, 0], [width, depth], [0, depth]], float))


def _middle_cam(sheet: Sheet, camera: Camera, size: tuple[int, int], place: tuple[int, int], fill: float) -> Array:
    """(3,) [mm] where the sheet's middle is in the camera frame."""
    frame = np.array(size, float)
    extent = np.array([sheet.squares_x, sheet.squares_y]) * sheet.square_mm
    depth = camera.focal_px * float((extent / (fill * frame)).max())
    shares = extent * camera.focal_px / depth / frame
    room = np.maximum(0.5 - shares / 2 - MARGIN_SHARE, 0.0)
    pixel = (0.5 + room * np.array(place)) * frame - 0.5
    return np.append(camera.normalise(pixel[None])[0], 1.0) * depth


def _inside(pixels: Array, size: tuple[int, int]) -> NDArray[np.bool_]:
    edge = EDGE_SHARE * size[0]
    return np.asarray(((pixels > edge) & (pixels < np.array(size) - 1 - edge)).all(axis=1))


def gains(sheet: Sheet, estimate: CameraEstimate, size: tuple[int, int]) -> list[Gain]:
    """Every candidate with what it would teach, the best first."""
    solution = estimate.solution
    layout = solution.state.layout
    known = np.concatenate([np.arange(layout.size)[layout.camera], np.arange(layout.size)[layout.bow]])
    covariance = solution.covariance[np.ix_(known, known)]
    free = np.diag(covariance) > 0
    information = covariance_of(covariance, free)
    parameters = solution.state.vector[layout.camera]
    noise_px = solution.rms_px() / math.sqrt(2)
    cameras = len(parameters)
    before = _frame_uncertainty_px(parameters, covariance[:cameras, :cameras], size)
    result = []
    for candidate in candidates(sheet, solution.camera, size):
        more = _information(sheet, parameters, candidate) / noise_px**2
        updated = covariance_of(information + more, free)[:cameras, :cameras]
        result.append(Gain(candidate, before, _frame_uncertainty_px(parameters, updated, size)))
    return sorted(result, key=lambda gain: gain.after_px)


def _frame_uncertainty_px(parameters: Array, covariance: Array, size: tuple[int, int]) -> float:
    """Root mean square over the frame, where each place counts for USELESS_SHARE of the frame at most."""
    grid = frame_grid(size)
    uncertainties = np.minimum(
        direction_uncertainties_px(parameters, covariance, grid, grid), USELESS_SHARE * max(size)
    )
    return math.sqrt(float((uncertainties**2).mean()))


def _information(sheet: Sheet, parameters: Array, candidate: Candidate) -> Array:
    """(11, 11) information on camera and bow from one more photo of unit noise, its pose eliminated.

    The Schur complement of the pose's block; source: B. Triggs et al., Bundle adjustment - a modern
    synthesis, LNCS 1883 (2000), section 6.1.
    """
    flat = corners_target(sheet)
    half = (sheet.squares_x * sheet.square_mm / 2, sheet.squares_y * sheet.square_mm / 2)
    basis = bow_basis(flat, half, -sheet.contact_margin_mm - half[1])[candidate.corner_ids]
    rotated = flat[candidate.corner_ids] @ candidate.rotation.T
    _, by_camera, by_point = project_with_derivatives(parameters, rotated + candidate.translation)
    by_bow = (by_point @ candidate.rotation[:, 2])[:, :, None] * basis[:, None, :]
    by_pose = np.concatenate([np.cross(rotated[:, None, :], by_point), by_point], axis=2).reshape(-1, 6)
    by_known = np.concatenate([by_camera, by_bow], axis=2).reshape(len(by_pose), -1)
    left = by_known - by_pose @ np.linalg.lstsq(by_pose, by_known, rcond=None)[0]
    return np.asarray(left.T @ left)

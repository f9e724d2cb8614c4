"""Looking for a reflection whose markers cannot be read on the reduced photo.

First on enlarged parts of the photo, where a reflection must lie given the target; then, when its markers
are too small to read at all, by what each of some thousand mirrors would show there.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..optics.camera_model import Camera, CameraPrior
from ..optics.geometry import apply_homography, fit_homography
from ..photo.tone import light_of, linear_light
from ..solve.homographies import focal_from_homographies, plane_poses, pose_error
from ..target.sheets import Sheet, corners_board, raster
from .boards import Board, brightened, find_in_region, sight_board, sight_detection
from .corners import RASTER_PX
from .pyramid import Pyramid

Array = NDArray[np.float64]

#: Mirrors that are tried: turned and leaning this far, this many sheet depths away.
MAX_TURN_DEG, MAX_LEAN_DEG, MAX_DEPTHS = 30.0, 4.0, 2.5
TURN_STEP_DEG, LEAN_STEP_DEG, DISTANCE_STEP_SQUARES = 2.5, 1.0, 0.25
#: A search succeeds when the print correlates at least this well over the whole board.
MIN_CORRELATION = 0.45
MAX_ENLARGED_PIXELS = 24e6
#: (enlargement, whether with every care) of the looks, the quickest first: on two renders of far mirrors, 0.04
#: to 0.06 s of processor time against 0.06 to 0.2 s, and at least as many markers of the farther one.
LOOKS = ((1.0, False), (1.0, True), (2.0, True))


@dataclass(frozen=True, eq=False)
class _Stage:
    """Where the search takes place: the camera, its pose and the target."""

    camera: Camera
    rotation: Array
    translation: Array
    sheet: Sheet

    def project(self, points: Array) -> Array:
        """(..., 3) target-frame points to (..., 2) pixels, without distortion; behind the camera: NaN."""
        cam = points @ self.rotation.T + self.translation
        with np.errstate(divide="ignore", invalid="ignore"):
            depth = np.where(cam[..., 2:] > 1.0, cam[..., 2:], np.nan)
            return np.asarray(cam[..., :2] / depth * self.camera.focal_px + np.array(self.camera.centre_px))


def search_reflection(pyramid: Pyramid, target: Board, prior: CameraPrior, *, scale: float = 1.0) -> Board | None:
    """The reflection of a sighted target, or None when the photo shows none that can be matched."""
    stage = _stage(target, prior)
    region = _region(stage, pyramid.level(0).shape)
    if region is None:
        return None
    gray = pyramid.level(0)
    found = _looked_for(pyramid, gray, target, region, scale, LOOKS)
    if found is None:
        found = _search_by_mirror(pyramid, target, stage, region)
    if found is None:
        bright = brightened(gray, _white_of(gray, target))
        found = None if bright is None else _looked_for(pyramid, bright, target, region, scale, LOOKS[1:])
    return found


def _looked_for(
    pyramid: Pyramid, gray: NDArray[np.uint8], target: Board, region: tuple[int, int, int, int], scale: float,
    looks: Sequence[tuple[float, bool]],
) -> Board | None:  # fmt: skip
    """The reflection by markers read in a part of `gray`; its corners on the pyramid's own pixels."""
    area = (region[2] - region[0]) * (region[3] - region[1])
    for zoom, careful in looks:
        if area * zoom * zoom > MAX_ENLARGED_PIXELS:
            continue
        detections = find_in_region(gray, region, zoom, mirrored=True, scale=scale, careful=careful)
        for detection in detections:
            if detection.sheet.name == target.sheet.name:
                board = sight_detection(pyramid, detection)
                if board is not None:
                    return board
    return None


def _white_of(gray: NDArray[np.uint8], board: Board) -> float:
    """Grey value of a board's paper."""
    light = light_of(gray, board.outline_px)
    if light is None:
        return 255.0
    value = np.arange(256, dtype=np.uint8)
    return float(np.interp(light.paper, linear_light(value), value))


def _stage(target: Board, prior: CameraPrior) -> _Stage:
    camera = prior.camera
    if prior.sd[0] > 0.1:
        told = focal_from_homographies([target.homography], camera.centre_px)
        if told is not None and 0.3 < told / camera.focal_px < 5:
            camera = camera.with_focal(told)
    points = target.sheet.board_to_target(corners_board(target.sheet)[target.corner_ids])
    poses = plane_poses(camera.normalise(target.pixels), points)
    rotation, translation = min(poses, key=lambda pose: pose_error(camera, pose, points, target.pixels))
    return _Stage(camera, rotation, translation, target.sheet)


def _mirrors(turns: Array, leans: Array, distances: Array) -> Array:
    """(h, 4) unit normals and offsets c of the planes n . x = c, over the grid of three ranges [rad, mm]."""
    turn, lean, distance = (g.ravel() for g in np.meshgrid(turns, leans, distances, indexing="ij"))
    normal = np.column_stack([np.sin(turn) * np.cos(lean), -np.cos(turn) * np.cos(lean), -np.sin(lean)])
    return np.column_stack([normal, normal[:, 1] * distance])


def _images(mirrors: Array, points: Array) -> Array:
    """(h, n, 3) mirror images of points in each plane."""
    height = mirrors[:, :3] @ points.T - mirrors[:, 3:4]
    return np.asarray(points[None] - 2.0 * height[:, :, None] * mirrors[:, None, :3])


def _region(stage: _Stage, shape: tuple[int, ...]) -> tuple[int, int, int, int] | None:
    """The part of the photo where reflections in likely mirrors lie."""
    sheet = stage.sheet
    width, depth = sheet.squares_x * sheet.square_mm, sheet.squares_y * sheet.square_mm
    outline = sheet.board_to_target(np.array([[0, 0], [width, 0], [width, depth], [0, depth]], float))
    mirrors = _mirrors(
        np.radians([-20.0, 0.0, 20.0]), np.radians([-2.0, 2.0]), np.array([0.0, 0.5, 1.0, 2.0]) * depth
    )
    places = stage.project(_images(mirrors, outline)).reshape(-1, 2)
    places = places[np.isfinite(places).all(axis=1)]
    if not len(places):
        return None
    height, long = shape[0], shape[1]
    x0, y0 = np.clip(places.min(axis=0) - 10, 0, [long, height]).astype(int)
    x1, y1 = np.clip(places.max(axis=0) + 10, 0, [long, height]).astype(int)
    return (int(x0), int(y0), int(x1), int(y1)) if x1 - x0 > 40 and y1 - y0 > 40 else None


class _Correlator:
    """Correlates the print, sampled at a few points in each square, with a blurred level of the photo.

    white : grey value of the sheet's paper
    """

    def __init__(self, pyramid: Pyramid, stage: _Stage, square_px: float, white: float) -> None:
        import cv2

        self.stage = stage
        sheet = stage.sheet
        self.level = max(0, math.floor(math.log2(max(square_px, 1.0) / 9.0)))
        on_level = square_px / 2**self.level
        blur = max(0.2 * on_level, 0.6)
        # A lamp before a dim sheet is so much brighter than its print that it alone would decide the correlation.
        dimmed = np.minimum(pyramid.level(self.level), np.uint8(min(1.1 * white, 255.0)))
        self.photo = cv2.GaussianBlur(dimmed, (0, 0), blur)
        drawn = raster(sheet, RASTER_PX).astype(np.float32)
        drawn = np.asarray(cv2.GaussianBlur(drawn, (0, 0), RASTER_PX * 0.2), np.float32)
        steps = np.array([0.25, 0.75])
        x = (np.arange(sheet.squares_x)[:, None] + steps).ravel()
        y = (np.arange(sheet.squares_y)[:, None] + steps).ravel()
        grid = np.column_stack([g.ravel() for g in np.meshgrid(x, y)])
        self.values = drawn[(grid[:, 1] * RASTER_PX).astype(int), (grid[:, 0] * RASTER_PX).astype(int)].astype(
            float
        )
        self.points = sheet.board_to_target(grid * sheet.square_mm)

    def score(self, mirrors: Array) -> Array:
        """(h,) correlation for each mirror; -1 where less than half of the board is in the photo."""
        result = np.full(len(mirrors), -1.0)
        for start in range(0, len(mirrors), 1500):
            chunk = mirrors[start : start + 1500]
            places = Pyramid.down(self.stage.project(_images(chunk, self.points)), self.level)
            valid = np.isfinite(places).all(axis=2)
            column = np.where(valid, np.round(np.nan_to_num(places[..., 0])), -1).astype(int)
            row = np.where(valid, np.round(np.nan_to_num(places[..., 1])), -1).astype(int)
            inside = (column >= 0) & (row >= 0) & (column < self.photo.shape[1]) & (row < self.photo.shape[0])
            seen = self.photo[np.where(inside, row, 0), np.where(inside, column, 0)].astype(float)
            result[start : start + 1500] = _masked_correlation(seen, self.values, inside)
        return result


def _masked_correlation(seen: Array, values: Array, inside: NDArray[np.bool_]) -> Array:
    count = np.maximum(inside.sum(axis=1), 1)
    a = np.where(inside, seen - (seen * inside).sum(axis=1, keepdims=True) / count[:, None], 0.0)
    wide = np.broadcast_to(values, seen.shape)
    b = np.where(inside, wide - (wide * inside).sum(axis=1, keepdims=True) / count[:, None], 0.0)
    score = (a * b).sum(axis=1) / np.sqrt(np.maximum((a * a).sum(axis=1) * (b * b).sum(axis=1), 1e-9))
    return np.where(inside.mean(axis=1) > 0.5, score, -1.0)


def _search_by_mirror(
    pyramid: Pyramid, target: Board, stage: _Stage, region: tuple[int, int, int, int]
) -> Board | None:
    """Try mirrors on a grid, refine the best few, and match the best of those corner by corner."""
    sheet = stage.sheet
    depth = sheet.squares_y * sheet.square_mm
    distances = np.arange(0.0, MAX_DEPTHS * depth, DISTANCE_STEP_SQUARES * sheet.square_mm)
    grid = _mirrors(
        np.radians(np.arange(-MAX_TURN_DEG, MAX_TURN_DEG + 0.1, TURN_STEP_DEG)),
        np.radians(np.arange(-MAX_LEAN_DEG, MAX_LEAN_DEG + 0.1, LEAN_STEP_DEG)),
        distances,
    )
    middle = _images(_mirrors(np.zeros(1), np.zeros(1), np.array([0.5 * depth])), _middle_square(sheet))
    corners = stage.project(middle)[0]
    height_px = float(abs(corners[1, 1] - corners[0, 1]))
    square_px = height_px if math.isfinite(height_px) else 20.0
    correlator = _Correlator(pyramid, stage, square_px, _white_of(pyramid.level(0), target))
    scores = correlator.score(grid)
    best: Board | None = None
    for start in np.argsort(scores)[::-1][:12]:
        mirror, score = _refined(correlator, grid[start])
        if score < MIN_CORRELATION:
            continue
        board = _match(pyramid, stage, mirror)
        if board is not None and (best is None or len(board.corner_ids) > len(best.corner_ids)):
            best = board
        if best is not None and len(best.corner_ids) > 0.6 * sheet.corner_count:
            break
    return best


def _middle_square(sheet: Sheet) -> Array:
    x, y = (sheet.squares_x // 2) * sheet.square_mm, (sheet.squares_y // 2) * sheet.square_mm
    return sheet.board_to_target(np.array([[x, y], [x, y + sheet.square_mm]], float))


def _refined(correlator: _Correlator, mirror: Array) -> tuple[Array, float]:
    """Climb from one mirror to the best near it, halving the steps of turn, lean and distance."""
    from ..optics.geometry import lean_turn_of_normal

    lean, turn = lean_turn_of_normal(mirror[:3])
    centre = np.array([turn, lean, mirror[3] / mirror[1]])
    step = np.array(
        [
            math.radians(TURN_STEP_DEG) / 2,
            math.radians(LEAN_STEP_DEG) / 2,
            DISTANCE_STEP_SQUARES * correlator.stage.sheet.square_mm / 2,
        ]
    )
    score = -1.0
    for _ in range(6):
        candidates = _mirrors(*(centre[i] + step[i] * np.arange(-2, 3) / 2 for i in range(3)))
        scores = correlator.score(candidates)
        best = int(np.argmax(scores))
        score = float(scores[best])
        lean, turn = lean_turn_of_normal(candidates[best, :3])
        centre = np.array([turn, lean, candidates[best, 3] / candidates[best, 1]])
        step /= 1.7
    return _mirrors(centre[:1], centre[1:2], centre[2:3])[0], score


def _match(pyramid: Pyramid, stage: _Stage, mirror: Array) -> Board | None:
    corners = corners_board(stage.sheet)
    places = stage.project(_images(mirror[None], stage.sheet.board_to_target(corners)))[0]
    if not np.isfinite(places).all():
        return None
    homography = fit_homography(corners, places)
    off = apply_homography(homography, corners) - places
    if float(np.abs(off).max()) > 1.0:
        return None
    return sight_board(pyramid, stage.sheet, homography, corners, mirrored=True)

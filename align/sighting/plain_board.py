"""A plain checkerboard of the user's own: its reflection looks like itself.

Grids of the right size are found by OpenCV; which one is the board, which are reflections and how their
corners pair up is settled by which labelling a plane mirror before the camera explains.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ..errors import AlignError, ReflectionError, TargetError
from ..optics.camera_model import CameraPrior
from ..optics.geometry import apply_homography, fit_homography, scale_pixels
from ..optics.robust import median
from ..photo.read import Photo
from ..solve.forward_model import DIRECT
from ..solve.homographies import focal_from_homographies
from ..solve.joint import Solution, View, solve
from ..target.sheets import Sheet, corners_board
from .boards import Board, estimate_blur
from .corners import Matches, match_corners, square_heights_px

Array = NDArray[np.float64]

#: Passes over the photo until a board is found: long side [px] and blur [px].
PASSES = ((1632, 0.0), (3264, 1.5))
#: Passes about the boards found: share of the size and blur [px]. Blur joins what ghosts of thick glass split;
#: OpenCV's search is fickle, so neighbouring sizes and blurs have their try.
NEAR_PASSES = ((0.9, 1.5), (1.0, 1.5), (0.9, 1.0), (0.75, 1.5))
#: How far beyond the boards found those passes look, in sizes of them, and the long side that is looked at [px].
NEAR_REACH, NEAR_SIDE_PX = 1.2, 1750
MAX_GRIDS = 6
#: A labelling is explained by a mirror below this reprojection error, as a share of the squares' size.
EXPLAINED_SHARE = 0.04
#: Another labelling that fits nearly as well makes the answer ambiguous.
AMBIGUOUS_RATIO = 2.0
MIN_SCORE = 0.6
#: A focal length from the grids' homographies is good to this share; beyond these ratios of what is expected,
#: it is none.
GUIDED_FOCAL_SD, FOCAL_RATIOS = 0.09, (0.3, 6.0)


@dataclass(frozen=True, eq=False)
class _Labelled:
    """A grid with one way of numbering its corners; sign: of its correlation with the print."""

    grid: int
    board: Board
    mirrored: bool
    sign: int


def sight_plain(photo: Photo, prior: CameraPrior, sheet: Sheet) -> tuple[Board, list[Board], list[Board]]:
    """The board, its reflections and what is neither, in a photo of a plain checkerboard.

    Raises
    ------
    TargetError, ReflectionError
        No grid, or two ways to explain what was found.
    """
    grids = [_settled(photo.gray, sheet, grid) for grid in _find_grids(photo.gray, sheet)]
    if not grids:
        columns, rows = sheet.corner_grid
        raise TargetError(
            f"No checkerboard with {columns} x {rows} inner corners was found in {photo.path.name}.",
            "Count the inner corners (one less than the squares, both ways) and show the whole board, sharp.",
        )
    labelled = [
        label for number, grid in enumerate(grids) for label in _labellings(photo.gray, sheet, number, grid)
    ]
    if len(grids) == 1:
        direct = _facing(labelled, 0)
        return direct.board, [], []
    return _explain(labelled, len(grids), prior, sheet, photo)


def _guided(prior: CameraPrior, labelled: list[_Labelled]) -> CameraPrior:
    """The prior, with a guessed focal length replaced by what the grids themselves say of it."""
    if prior.sd[0] < GUIDED_FOCAL_SD:
        return prior
    homographies = [label.board.homography for label in labelled]
    told = focal_from_homographies(homographies, prior.camera.centre_px)
    if told is None or not FOCAL_RATIOS[0] < told / prior.camera.focal_px < FOCAL_RATIOS[1]:
        return prior
    mean, sd = prior.mean.copy(), prior.sd.copy()
    mean[0], sd[0] = np.log(told), GUIDED_FOCAL_SD
    return replace(prior, mean=mean, sd=sd, covariance=None)


def _find_grids(gray: NDArray[np.uint8], sheet: Sheet) -> list[Array]:
    """(rows, columns, 2) [px] corner grids, each found once: in the whole photo, then about those found."""
    found: list[Array] = []
    for long_side, blur in PASSES:
        if not found:
            _search(gray, sheet, found, (0, 0), min(1.0, long_side / max(gray.shape)), blur)
    if not found:
        return found
    low, high = _surroundings(gray, found)
    near = gray[low[1] : high[1], low[0] : high[0]]
    for share, blur in NEAR_PASSES:
        _search(near, sheet, found, low, share * min(1.0, NEAR_SIDE_PX / max(near.shape)), blur)
    return found


def _surroundings(gray: NDArray[np.uint8], found: list[Array]) -> tuple[tuple[int, int], tuple[int, int]]:
    """(low, high) (x, y) [px] of the part of the photo about the boards found."""
    places = np.concatenate([grid.reshape(-1, 2) for grid in found])
    reach = NEAR_REACH * np.ptp(places, axis=0).max()
    low = np.maximum(places.min(axis=0) - reach, 0).astype(int)
    high = np.minimum(places.max(axis=0) + reach, gray.shape[::-1]).astype(int)
    return (int(low[0]), int(low[1])), (int(high[0]), int(high[1]))


def _search(
    part: NDArray[np.uint8],
    sheet: Sheet,
    found: list[Array],
    origin: tuple[int, int],
    factor: float,
    blur: float,
) -> None:
    """Add the grids seen in a part of the photo, scaled and blurred, to those found, which are painted over."""
    import cv2

    columns, rows = sheet.corner_grid
    work = np.array(cv2.resize(part, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA), np.uint8)
    if blur:
        work = np.asarray(cv2.GaussianBlur(work, (0, 0), blur), np.uint8)
    for grid in found:
        _paint_over(work, scale_pixels(grid - origin, factor))
    flags = cv2.CALIB_CB_EXHAUSTIVE if blur else cv2.CALIB_CB_NORMALIZE_IMAGE | cv2.CALIB_CB_EXHAUSTIVE
    while len(found) < MAX_GRIDS:
        ok, corners = cv2.findChessboardCornersSB(work, (columns, rows), flags=flags)
        if not ok:
            break
        grid = np.asarray(corners, float).reshape(rows, columns, 2)
        _paint_over(work, grid)
        found.append(scale_pixels(grid, 1 / factor) + origin)


def _paint_over(work: NDArray[np.uint8], grid: Array) -> None:
    import cv2

    def beyond(corner: Array, inner: Array) -> Array:
        return corner + 0.35 * (corner - inner)

    outline = [
        beyond(grid[0, 0], grid[1, 1]),
        beyond(grid[0, -1], grid[1, -2]),
        beyond(grid[-1, -1], grid[-2, -2]),
        beyond(grid[-1, 0], grid[-2, 1]),
    ]
    cv2.fillPoly(work, [np.round(outline).astype(np.int32)], int(median(work)))


def _orders(sheet: Sheet, grid: Array) -> Iterator[Array]:
    """Every numbering of a grid that keeps its rows and columns."""
    for turned in (grid, grid.transpose(1, 0, 2)) if grid.shape[0] == grid.shape[1] else (grid,):
        for flip_rows in (1, -1):
            for flip_columns in (1, -1):
                yield turned[::flip_rows, ::flip_columns]


def _matched(
    gray: NDArray[np.uint8], sheet: Sheet, homography: Array, pixels: Array, blur: float
) -> tuple[Matches, NDArray[np.bool_]]:
    """All corners matched with the print, and which of them are there."""
    ids = np.arange(len(pixels))
    matches = match_corners(gray, sheet, homography, ids, pixels, blur_px=blur, iterations=3)
    moved = np.linalg.norm(matches.pixels - pixels, axis=1)
    # A score of -1 is of a corner that left the photo.
    return matches, (np.abs(matches.score) > MIN_SCORE) & (matches.score > -1.0) & (moved < 4.0)


def _settled(gray: NDArray[np.uint8], sheet: Sheet, grid: Array) -> Array:
    """The grid, moved by a row or a column of squares, or turned, where more of its corners are then there.

    OpenCV 4 now and then takes what lies beside a board for a row of it, and its columns for rows.
    """
    corners = corners_board(sheet)
    pixels = grid.reshape(-1, 2)
    homography = fit_homography(corners, pixels)
    blur = estimate_blur(gray, sheet, homography, np.arange(len(corners)), pixels)
    matches, good = _matched(gray, sheet, homography, pixels, blur)
    best, most = grid, int(good.sum())
    if most == len(corners) or most < 0.5 * len(corners):
        return grid
    homography = fit_homography(corners[good], matches.pixels[good])
    steps = itertools.product((0.0, -sheet.square_mm, sheet.square_mm), repeat=2)
    for step, across in itertools.product(steps, (False, True)):
        moved = apply_homography(homography, (corners[:, ::-1] if across else corners) + step)
        shifted = fit_homography(corners, moved)
        found = int(_matched(gray, sheet, shifted, moved, blur)[1].sum())
        if found > most:
            best, most = moved.reshape(grid.shape), found
    return best


def _labellings(gray: NDArray[np.uint8], sheet: Sheet, number: int, grid: Array) -> list[_Labelled]:
    """All numberings of a grid, corners matched with the print; the blur is estimated once."""
    corners = corners_board(sheet)
    ids = np.arange(len(corners))
    result: list[_Labelled] = []
    blur = 0.0
    for order in _orders(sheet, grid):
        pixels = order.reshape(-1, 2)
        homography = fit_homography(corners, pixels)
        if not blur:
            blur = estimate_blur(gray, sheet, homography, ids, pixels)
        matches, good = _matched(gray, sheet, homography, pixels, blur)
        if good.sum() < 0.5 * len(ids):
            continue
        homography = fit_homography(corners[good], matches.pixels[good])
        mirrored = bool(np.linalg.det(homography) < 0)
        board = Board(
            sheet=sheet,
            mirrored=mirrored,
            corner_ids=ids[good],
            pixels=matches.pixels[good],
            covariance=matches.covariance[good],
            score=np.abs(matches.score[good]),
            square_px=square_heights_px(homography, sheet)[good],
            homography=homography,
            blur_px=blur,
        )
        result.append(_Labelled(number, board, mirrored, int(np.sign(median(matches.score[good])))))
    return result


def _facing(labelled: list[_Labelled], grid: int) -> _Labelled:
    """The right-handed numbering whose far row is the one that looks farther (smaller squares, higher up)."""

    def rows_down(label: _Labelled) -> float:
        middle = apply_homography(label.board.homography, _ends(label.board.sheet))
        return float(middle[1, 1] - middle[0, 1])

    return max((label for label in labelled if label.grid == grid and not label.mirrored), key=rows_down)


def _ends(sheet: Sheet) -> Array:
    """(2, 2) [mm] middles of the far and the near edge of the squares."""
    width, depth = sheet.squares_x * sheet.square_mm, sheet.squares_y * sheet.square_mm
    return np.array([[width / 2, 0.0], [width / 2, depth]])


@dataclass(frozen=True, eq=False)
class _Explained:
    """One grid taken for the board, and what mirrors then make of the others."""

    direct: _Labelled
    reflections: dict[int, _Labelled]
    error: float
    ambiguous: bool

    @property
    def merit(self) -> tuple[int, float]:
        """More grids explained are better, then a smaller error."""
        return len(self.reflections), -self.error

    def rivalled_by(self, other: _Explained) -> bool:
        """Whether another way explains as many grids nearly as well."""
        return len(other.reflections) >= len(self.reflections) and other.error < AMBIGUOUS_RATIO * self.error


def _with_board(
    labelled: list[_Labelled], grid: int, grids: int, prior: CameraPrior, sheet: Sheet
) -> _Explained | None:
    """What mirrors explain when `grid` is the board itself; None when they explain nothing."""
    if not any(label.grid == grid and not label.mirrored for label in labelled):
        return None
    direct = _facing(labelled, grid)
    explained: dict[int, _Labelled] = {}
    total, unclear = 0.0, False
    for other in range(grids):
        if other == grid:
            continue
        fits = _fits(direct, [label for label in labelled if label.grid == other], prior, sheet)
        if fits:
            explained[other] = fits[0][1]
            total += fits[0][0]
            unclear |= len(fits) > 1 and fits[1][0] < AMBIGUOUS_RATIO * fits[0][0]
    return _Explained(direct, explained, total, unclear) if explained else None


def _explain(
    labelled: list[_Labelled], grids: int, prior: CameraPrior, sheet: Sheet, photo: Photo
) -> tuple[Board, list[Board], list[Board]]:
    """The assignment of grids that mirrors explain best."""
    best: _Explained | None = None
    explaining: list[_Explained] = []
    guided = _guided(prior, labelled)
    for tried in (guided,) if guided is prior else (guided, prior):
        ways = [_with_board(labelled, grid, grids, tried, sheet) for grid in range(grids)]
        explaining = sorted((way for way in ways if way is not None), key=lambda way: way.merit, reverse=True)
        if explaining:
            best = explaining[0]
            break
    if best is None:
        return _nearest(labelled, grids).board, [], []
    if best.ambiguous:
        raise ReflectionError(
            f"{photo.path.name}: two ways of pairing the board's corners with its reflection fit equally well.",
            "Lay the board askew to the mirror, or use a sheet from `align target`, which cannot be confused.",
        )
    if any(best.rivalled_by(way) for way in explaining[1:]):
        raise ReflectionError(
            f"{photo.path.name}: which of the boards is the real one cannot be told: either explains the others.",
            "Go nearer to the board, or use a sheet from `align target`, which cannot be confused.",
        )
    direct, explained = best.direct, best.reflections
    rest = [
        _nearest(labelled, grids, only=g).board for g in range(grids) if g != direct.grid and g not in explained
    ]
    return direct.board, [label.board for label in explained.values()], rest


def _nearest(labelled: list[_Labelled], grids: int, only: int | None = None) -> _Labelled:
    numbers = range(grids) if only is None else (only,)
    candidates = [label for label in labelled if label.grid in numbers and not label.mirrored] or labelled
    return max(candidates, key=lambda label: float(label.board.square_px.mean()))


def _fits(
    direct: _Labelled, others: list[_Labelled], prior: CameraPrior, sheet: Sheet
) -> list[tuple[float, _Labelled]]:
    """(error, labelling) of a grid's numberings that a mirror before the camera explains, best first."""
    result = []
    for label in others:
        if not label.mirrored or label.sign != direct.sign:
            continue
        views = [
            View(0, mirror, board.corner_ids, board.pixels, board.covariance)
            for mirror, board in ((DIRECT, direct.board), (0, label.board))
        ]
        try:
            solution = solve(sheet, views, prior)
        except AlignError:
            continue
        share = solution.rms_px() / float(median(label.board.square_px))
        if share < EXPLAINED_SHARE and _before_mirror(solution, sheet):
            result.append((share, label))
    return sorted(result, key=lambda fit: fit[0])


def _before_mirror(solution: Solution, sheet: Sheet) -> bool:
    """Whether both the camera and the board stand before the mirror."""
    middle = np.array([0.0, -sheet.depth_mm / 2, 0.0])
    return bool((solution.mirror(0).height_before(np.stack([solution.state.eye(0), middle])) > 0).all())

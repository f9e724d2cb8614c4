"""Sighting: from grey pixels to the corners of the target and of each of its reflections.

Markers tell which board is where (markers.py); every corner is then matched with the print on the
original pixels (corners.py), growing outwards from the markers that were read. A reflection too small
for any marker to be read is searched for by what a mirror could show (far_reflection.py).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ..optics.geometry import apply_homography, fit_homography, scale_pixels
from ..optics.robust import median
from ..target.sheets import Sheet, corners_board, marker_corners_board
from .corners import Patches, local_frames, marker_scores, match_corners, patches_of, square_heights_px
from .marker_reading import Look
from .markers import FIRST_LOOK, Detection, detect_markers, group_boards
from .pyramid import Pyramid

Array = NDArray[np.float64]

#: Squares of about this size are best for a first match [px].
COARSE_SQUARE_PX = 22
#: ... and end where a step was shorter than this [px]: they are matched again at full size.
COARSE_SETTLED_PX = 0.25
#: A corner whose print correlates less than this with the photo is not there, or covered.
MIN_SCORE = 0.75
MIN_CORNERS = 6
#: Markers whose bits are compared with the photo: at least so many, and their mean correlation at least this.
MIN_MARKERS, MIN_MARKER_SCORE = 4, 0.35
#: A corner of a marker's square lies so many squares from its middle, or less.
MARKER_REACH = 0.75
#: Grain: the share of neighbouring pixels that a threshold in a window of this size tells apart. Sample photos
#: at full or half size have up to 0.07, noise of 25 grey values 0.43, and 0.07 once it is smoothed by 1.5 px.
GRAIN_WINDOW_PX = 15
#: (smoothing [px], most grain): noise costs the detector more than a photo of as many outlines does.
GRAIN_LIMITS = ((0.0, 0.09), (1.5, 0.06), (3.0, 0.06))
#: White of a dim sheet is brought to this grey value. Darker than a tenth of it, there are too few grey values to
#: measure by; a gain of less than the last is no help. A choice: of a small sheet with white at 63 of 255, 0 of 15
#: markers of the reflection are read as it is, 9 when brightened.
NEARLY_FULL, MOST_GAIN, LEAST_GAIN = 235.0, 10.0, 1.5
BLURS_PX = (0.5, 0.7, 1.0, 1.4, 2.0, 2.8, 4.0)


@dataclass(frozen=True, eq=False)
class Board:
    """One board with its corners: the target (mirrored False), a reflection, or a double reflection.

    corner_ids : (n,) into `target.sheets.corners_board`; pixels : (n, 2); covariance : (n, 2, 2) [px^2];
    score : (n,); square_px : (n,) the smaller extent of the square at each corner [px];
    homography : board mm -> px, over the corners found; blur_px : sd of the blur; patches : the photo's pixels
    around the corners, None where they are not kept.
    """

    sheet: Sheet
    mirrored: bool
    corner_ids: NDArray[np.int64]
    pixels: Array
    covariance: Array
    score: Array
    square_px: Array
    homography: Array
    blur_px: float
    patches: Patches | None = None

    @property
    def outline_px(self) -> Array:
        """(4, 2) [px] the outer corners of the squares, clockwise in the print from the far-left one."""
        width, depth = (
            self.sheet.squares_x * self.sheet.square_mm,
            self.sheet.squares_y * self.sheet.square_mm,
        )
        return apply_homography(self.homography, np.array([[0, 0], [width, 0], [width, depth], [0, depth]], float))

    @property
    def area_px(self) -> float:
        """Area of the outline [px^2]."""
        x, y = self.outline_px.T
        return float(abs(np.dot(x, np.roll(y, 1)) - np.dot(y, np.roll(x, 1))) / 2)

    @property
    def centre_px(self) -> Array:
        """(2,) mean of the corners [px]."""
        return np.asarray(self.pixels.mean(axis=0))


def turned_board(board: Board, turn: Array, size: tuple[int, int], new_size: tuple[int, int]) -> Board:
    """The board in a photo of `size` (width, height) as that photo, turned, would show it.

    turn : (2, 2) turns directions about the photo's middle, a rotation by quarters; new_size : after it.
    """
    middle, new_middle = ((np.array(of) - 1.0) / 2 for of in (size, new_size))
    matrix = np.eye(3)
    matrix[:2, :2], matrix[:2, 2] = turn, new_middle - turn @ middle
    return replace(
        board,
        pixels=(board.pixels - middle) @ turn.T + new_middle,
        covariance=turn @ board.covariance @ turn.T,
        homography=matrix @ board.homography,
        patches=None,
    )


def brightened(gray: NDArray[np.uint8], white: float) -> NDArray[np.uint8] | None:
    """The picture made so bright that grey value `white` is nearly full; None where that is of no use.

    The marker detector tells black from white by a fixed step of grey values (7), which the small squares of a dim
    sheet do not reach. Only markers are read in it: corners are matched on the photo's own pixels.
    """
    gain = NEARLY_FULL / max(white, 1.0)
    if not LEAST_GAIN <= gain <= MOST_GAIN:
        return None
    table = np.minimum(np.arange(256) * gain, 255).astype(np.uint8)
    return np.asarray(table[gray])


def find_boards(
    pyramid: Pyramid, *, mirrored: bool, scale: float = 1.0, look: Look = FIRST_LOOK
) -> list[Detection]:
    """Boards whose markers can be read on the reduced photo, in full-size pixels."""
    found, ratio = pyramid.markers(look)[mirrored], pyramid.reduced_by
    places = [(place + 0.5) * ratio - 0.5 for place in found.places]
    return group_boards(found.ids, places, mirrored=mirrored, scale=scale)


def find_in_region(
    gray: NDArray[np.uint8],
    region: tuple[int, int, int, int],
    zoom: float,
    *,
    mirrored: bool,
    scale: float = 1.0,
    careful: bool = True,
) -> list[Detection]:
    """Boards whose markers can be read in a part (x0, y0, x1, y1) of the photo, enlarged `zoom` times."""
    import cv2

    x0, y0, x1, y1 = region
    part, smoothed = _quietened(gray[y0:y1, x0:x1])
    if part is None or (smoothed and zoom > 1):  # enlarging shows nothing that smoothing took away
        return []
    method = cv2.INTER_CUBIC if zoom > 1 else cv2.INTER_AREA
    enlarged = part
    if zoom != 1.0:
        enlarged = np.asarray(cv2.resize(part, None, fx=zoom, fy=zoom, interpolation=method), np.uint8)
    ids, places = detect_markers(enlarged, mirrored=mirrored, careful=careful)
    places = [scale_pixels(place, 1 / zoom) + np.array([x0, y0]) for place in places]
    return group_boards(ids, places, mirrored=mirrored, scale=scale)


def _quietened(gray: NDArray[np.uint8]) -> tuple[NDArray[np.uint8] | None, bool]:
    """The picture smoothed until its grain no longer looks like outlines, and whether it was; None: all grain.

    Without this, a photo of noise alone takes the marker detector 15 to 60 s of processor time on 12 megapixels,
    and noise of 25 grey values gives it twice as many wrong markers as there are right ones.
    """
    import cv2

    for blur, limit in GRAIN_LIMITS:
        smooth = gray if blur == 0 else np.asarray(cv2.GaussianBlur(gray, (0, 0), blur), np.uint8)
        outlines = cv2.adaptiveThreshold(
            smooth, 255, cv2.ADAPTIVE_THRESH_MEAN_C, cv2.THRESH_BINARY_INV, GRAIN_WINDOW_PX, 7
        )
        if float(np.mean(outlines[:, 1:] != outlines[:, :-1])) < limit:
            return smooth, blur > 0
    return None, True


def sight_detection(pyramid: Pyramid, detection: Detection) -> Board | None:
    """Every corner of a found board, or None when fewer than MIN_CORNERS match the print."""
    model = marker_corners_board(detection.sheet)
    known = np.concatenate([model[i - detection.sheet.first_marker] for i in detection.marker_ids])
    return sight_board(pyramid, detection.sheet, detection.homography, known, mirrored=detection.mirrored)


def sight_board(pyramid: Pyramid, sheet: Sheet, homography: Array, known: Array, *, mirrored: bool) -> Board | None:
    """Every corner of a board, growing from where its homography is trusted.

    Parameters
    ----------
    homography : board mm -> px, first guess; known : (k, 2) [mm] board points near which it holds.
    """
    try:
        return _sight_board(pyramid, sheet, homography, known, mirrored=mirrored)
    except np.linalg.LinAlgError:  # markers misread in a damaged picture join to a board without extent
        return None


def _sight_board(
    pyramid: Pyramid, sheet: Sheet, homography: Array, known: Array, *, mirrored: bool
) -> Board | None:
    corners = corners_board(sheet)
    level = _coarse_level(homography, sheet, known)
    pixels, score, homography = _grow(pyramid, level, sheet, homography, known)
    good = score >= MIN_SCORE
    if good.sum() < MIN_CORNERS:
        return None
    gray = pyramid.level(0)
    ids = np.flatnonzero(good)
    blur = estimate_blur(gray, sheet, homography, ids, pixels[ids])
    place = pixels[ids]
    matches = match_corners(gray, sheet, homography, ids, place, blur_px=blur, iterations=2)
    for _ in range(2):
        keep = (matches.score >= MIN_SCORE) & plausible(sheet, homography, ids, matches.pixels)
        if keep.sum() < MIN_CORNERS:
            return None
        homography = fit_homography(corners[ids[keep]], matches.pixels[keep])
        ids, place = ids[keep], matches.pixels[keep]
        matches = match_corners(gray, sheet, homography, ids, place, blur_px=blur, iterations=2)
    keep = (matches.score >= MIN_SCORE) & plausible(sheet, homography, ids, matches.pixels)
    if keep.sum() < MIN_CORNERS:
        return None
    ids = ids[keep]
    if not bits_agree(pyramid, sheet, homography, blur, corners[ids]):
        return None
    return Board(
        sheet=sheet,
        mirrored=mirrored,
        corner_ids=ids,
        pixels=matches.pixels[keep],
        covariance=matches.covariance[keep],
        score=matches.score[keep],
        square_px=square_heights_px(homography, sheet)[ids],
        homography=homography,
        blur_px=blur,
        patches=patches_of(gray, sheet, homography, ids, matches.pixels[keep]),
    )


def bits_agree(pyramid: Pyramid, sheet: Sheet, homography: Array, blur_px: float, found: Array) -> bool:
    """Whether the markers' bits bear out that it is this sheet, this way round and not shifted.

    found : (k, 2) [mm] corners. Only markers in squares with one of them are asked: where half of a reflection lies
    outside the mirror, the other half shows no bits.
    """
    if not sheet.has_markers:
        return True
    level = _coarse_level(homography, sheet, corners_board(sheet))
    blur = max(blur_px / 2**level, 0.5)
    scores = marker_scores(pyramid.level(level), sheet, on_level(homography, level), blur_px=blur)
    middles = marker_corners_board(sheet).mean(axis=1)
    near = np.linalg.norm(middles[:, None] - found[None], axis=2).min(axis=1) < MARKER_REACH * sheet.square_mm
    scores = scores[near & np.isfinite(scores)]
    if len(scores) < MIN_MARKERS:
        return False
    uncertainty = float(scores.std()) / np.sqrt(len(scores))
    return bool(scores.mean() > MIN_MARKER_SCORE and scores.mean() > 4 * uncertainty)


def _coarse_level(homography: Array, sheet: Sheet, known: Array) -> int:
    frames = local_frames(homography, known, sheet.square_mm)
    extent = float(median(np.sqrt(np.abs(np.linalg.det(frames)))))
    return max(0, int(np.floor(np.log2(max(extent, 1.0) / COARSE_SQUARE_PX))))


def _grow(
    pyramid: Pyramid, level: int, sheet: Sheet, homography: Array, known: Array
) -> tuple[Array, Array, Array]:
    """Match corners on a reduced photo, ring by ring outwards from the known points.

    Returns full-size pixels (n, 2) and scores (n,) of all corners (score -1: not matched), and the homography.
    """
    corners = corners_board(sheet)
    gray = pyramid.level(level)
    pixels, score = np.zeros((len(corners), 2)), np.full(len(corners), -1.0)
    tried = np.zeros(len(corners), int)
    trusted = known
    for _ in range(12):
        gap = np.linalg.norm(corners[:, None] - trusted[None], axis=2).min(axis=1) / sheet.square_mm
        ids = np.flatnonzero((gap < 1.6) & (score < MIN_SCORE) & (tried < 3))
        if not len(ids):
            break
        tried[ids] += 1
        guess = _predict(homography, corners, ids, pixels, score)
        shrunk = on_level(homography, level)
        place = Pyramid.down(guess, level)
        # Wide enough to be drawn from afar; a near guess only loses its way with that.
        for blur in (0.8,) if tried[ids].max() == 1 else (2.0, 0.8):
            found = match_corners(
                gray, sheet, shrunk, ids, place, blur_px=blur, iterations=3, settled_px=COARSE_SETTLED_PX
            )
            place = np.where((found.score > 0.3)[:, None], found.pixels, place)
        accepted = (found.score >= MIN_SCORE) & plausible(sheet, shrunk, ids, found.pixels, 0.6)
        if accepted.any():
            pixels[ids[accepted]] = Pyramid.up(found.pixels[accepted], level)
            score[ids[accepted]] = found.score[accepted]
        good = score >= MIN_SCORE
        if good.sum() >= 6 and _spread_in_two_directions(corners[good]):
            homography = fit_homography(corners[good], pixels[good])
            trusted = np.concatenate([known, corners[good]])
    return pixels, score, homography


def _predict(homography: Array, corners: Array, ids: NDArray[np.int64], pixels: Array, score: Array) -> Array:
    """Places of corners by the homography, plus how far it was off at the matched corners nearest by."""
    guess = apply_homography(homography, corners[ids])
    good = np.flatnonzero(score >= MIN_SCORE)
    if len(good) < 4:
        return guess
    off = pixels[good] - apply_homography(homography, corners[good])
    distance = np.linalg.norm(corners[ids][:, None] - corners[good][None], axis=2)
    weight = 1.0 / (distance**2 + 1.0)
    return np.asarray(guess + (weight @ off) / weight.sum(axis=1, keepdims=True))


def on_level(homography: Array, level: int) -> Array:
    """The homography to a level's pixels."""
    factor = 1.0 / 2**level
    shift = 0.5 * factor - 0.5
    return np.array([[factor, 0, shift], [0, factor, shift], [0, 0, 1.0]]) @ homography


def _spread_in_two_directions(points: Array) -> bool:
    values = np.linalg.eigvalsh(np.cov(points.T))
    return bool(values[0] > 0.02 * values[1])


def plausible(
    sheet: Sheet, homography: Array, ids: NDArray[np.int64], pixels: Array, share: float = 0.4
) -> NDArray[np.bool_]:
    """Whether corners lie within a share of a square of where the homography and their fellows put them."""
    corners = corners_board(sheet)[ids]
    off = pixels - apply_homography(homography, corners)
    frames = local_frames(homography, corners, sheet.square_mm)
    in_squares = np.einsum("nij,nj->ni", np.linalg.inv(frames), off)
    centred = in_squares - median(in_squares, axis=0)
    return np.asarray(np.abs(centred).max(axis=1) < share)


def estimate_blur(
    gray: NDArray[np.uint8], sheet: Sheet, homography: Array, ids: NDArray[np.int64], pixels: Array
) -> float:
    """The blur whose drawn print fits best, tried on a dozen corners spread over the board.

    A plain board may be printed the other way about, so the correlation counts without its sign.
    """
    some = np.linspace(0, len(ids) - 1, min(12, len(ids))).round().astype(int)
    best, best_score = BLURS_PX[0], -1.0
    for blur in BLURS_PX:
        found = match_corners(gray, sheet, homography, ids[some], pixels[some], blur_px=blur, iterations=2)
        score = float(median(np.abs(found.score)))
        if score < best_score - 1e-4:
            break
        if score > best_score:
            best, best_score = blur, score
    return best

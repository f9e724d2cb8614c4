"""Following sheet and reflections from frame to frame: found once, then matched around their last place."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ..optics.geometry import apply_homography, fit_homography
from ..optics.robust import median
from ..target.sheets import Sheet, corners_board
from .boards import (
    MIN_CORNERS,
    MIN_SCORE,
    Board,
    bits_agree,
    estimate_blur,
    find_boards,
    on_level,
    plausible,
    sight_detection,
)
from .corners import match_corners, square_heights_px
from .inter_reflections import apart
from .markers import FIRST_LOOK, WIDE_LOOK
from .pyramid import Pyramid

Array = NDArray[np.float64]
#: From a frame's target and a reflection's number to the homography (board mm -> px) of that reflection, if known.
Guess = Callable[[Board, int], "Array | None"]

#: How far a board may have moved from frame to frame, as a share of the picture's long side: a hand that is put in
#: place, not one that swings. A choice.
REACH_SHARE = 0.06
#: The last frame is sought in the new one on a level whose long side is about this [px].
SEARCH_PX = 480
#: A board's look in the last frame correlates with the new one at least this well. A choice.
MIN_LIKENESS = 0.6
#: Corners that a first match takes, spread over the board; its blurs, the first of which reaches far.
FIRST_CORNERS, FIRST_BLURS_PX = 16, (2.0, 0.8)
#: A corner that correlates so with a blurred print is followed to where it may be.
FAINT_SCORE = 0.3
#: A board is lost when fewer than this share of its corners can be matched.
LEAST_SHARE = 0.4
#: The blur is estimated anew when the corners' median score has fallen by so much, or after so many frames.
SCORE_FALL, BLUR_FRAMES = 0.02, 30


@dataclass(frozen=True, eq=False)
class Followed:
    """What a frame shows of what was followed: target None where it is lost, as each lost reflection is."""

    target: Board | None
    reflections: tuple[Board | None, ...]


class Follower:
    """Follows a target and its reflections through frames of one size."""

    def __init__(self, gray: NDArray[np.uint8], target: Board, reflections: Sequence[Board]) -> None:
        self._boards: list[Board] = [target, *reflections]
        self._seen = [True] * len(self._boards)
        self._fresh: list[tuple[int, float]] = [(0, 0.0)] * len(self._boards)
        self._search = _small(gray)

    @property
    def sheet(self) -> Sheet:
        """The sheet that is followed."""
        return self._boards[0].sheet

    def step(self, gray: NDArray[np.uint8], guess: Guess | None = None) -> Followed:
        """Find everything again in the next frame.

        guess : where a reflection must be, given the frame's target; asked for those that are lost
        """
        pyramid, search = Pyramid(gray), _small(gray)
        found: list[Board | None] = []
        for number, board in enumerate(self._boards):
            again = self._again(pyramid, search, number) if self._seen[number] else None
            if again is None and number > 0 and guess is not None and found[0] is not None:
                place = guess(found[0], number - 1)
                again = None if place is None else self._matched(pyramid, number, place)
            found.append(again)
            self._seen[number] = again is not None
            self._boards[number] = again or board
            if number == 0 and again is None:  # without the sheet nothing can be told
                self._seen = [False] * len(self._boards)
                found += [None] * (len(self._boards) - 1)
                break
        self._search = search
        return Followed(found[0], tuple(found[1:]))

    def _again(self, pyramid: Pyramid, search: NDArray[np.uint8], number: int) -> Board | None:
        board = self._boards[number]
        shift = _shift(self._search, search, board.outline_px, pyramid.level(0).shape)
        if shift is None:
            return None
        moved = np.array([[1.0, 0.0, shift[0]], [0.0, 1.0, shift[1]], [0.0, 0.0, 1.0]]) @ board.homography
        return self._matched(pyramid, number, moved)

    def _matched(self, pyramid: Pyramid, number: int, homography: Array) -> Board | None:
        board = self._boards[number]
        try:
            nearer = _first_match(pyramid, board, homography)
            again = None if nearer is None else _match(pyramid, board, nearer)
        except np.linalg.LinAlgError:
            return None
        return None if again is None else self._with_blur(pyramid, number, again)

    def _with_blur(self, pyramid: Pyramid, number: int, board: Board) -> Board:
        """The board, its blur estimated anew where it no longer fits: a hand shakes."""
        age, best = self._fresh[number]
        score = float(median(board.score))
        if age < BLUR_FRAMES and score > best - SCORE_FALL:
            self._fresh[number] = (age + 1, max(best, score))
            return board
        gray = pyramid.level(0)
        blur = estimate_blur(gray, board.sheet, board.homography, board.corner_ids, board.pixels)
        again = _match(pyramid, replace(board, blur_px=blur), board.homography)
        self._fresh[number] = (0, score if again is None else float(median(again.score)))
        return again or board


def quick_look(gray: NDArray[np.uint8], *, scale: float = 1.0) -> tuple[Board | None, list[Board]]:
    """Target and reflections whose markers can be read at a glance; nothing is searched for that cannot.

    For films: who finds nothing looks again at the next frame. `sighting.photo.sight` is the thorough way.
    """
    pyramid = Pyramid(gray)
    direct = _sighted(pyramid, mirrored=False, scale=scale)
    if not direct:
        return None, []
    target = max(direct, key=lambda board: board.area_px)
    mirrored = _sighted(pyramid, mirrored=True, scale=scale)
    reflections: list[Board] = []
    for board in sorted(mirrored, key=lambda board: -len(board.corner_ids)):
        if board.sheet.name == target.sheet.name and all(apart(board, other) for other in reflections):
            reflections.append(board)
    return target, sorted(reflections, key=lambda board: float(board.centre_px[0]))


def _sighted(pyramid: Pyramid, *, mirrored: bool, scale: float) -> list[Board]:
    boards: list[Board] = []
    for look in (FIRST_LOOK, WIDE_LOOK):
        detections = find_boards(pyramid, mirrored=mirrored, scale=scale, look=look)
        likely = [detection for detection in detections if len(detection.marker_ids) >= 4][:4]
        boards = [board for detection in likely if (board := sight_detection(pyramid, detection)) is not None]
        if boards:
            break
    return boards


def _small(gray: NDArray[np.uint8]) -> NDArray[np.uint8]:
    import cv2

    factor = min(SEARCH_PX / max(gray.shape), 1.0)
    return np.asarray(cv2.resize(gray, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA), np.uint8)


def _shift(
    before: NDArray[np.uint8], now: NDArray[np.uint8], outline: Array, shape: tuple[int, ...]
) -> Array | None:
    """(2,) [px] by how much the look of a board has moved; None where it is not there any more."""
    import cv2

    factor = np.array([before.shape[1] / shape[1], before.shape[0] / shape[0]])
    size = np.array([before.shape[1], before.shape[0]])
    low = np.clip(np.floor(outline.min(axis=0) * factor), 0, size - 2).astype(int)
    high = np.clip(np.ceil(outline.max(axis=0) * factor) + 1, low + 2, size).astype(int)
    reach = int(np.ceil(REACH_SHARE * max(before.shape)))
    patch = before[low[1] : high[1], low[0] : high[0]]
    if patch.size < 64 or patch.std() < 2.0:
        return None
    padded = cv2.copyMakeBorder(now, reach, reach, reach, reach, cv2.BORDER_REPLICATE)
    area = padded[low[1] : high[1] + 2 * reach, low[0] : high[0] + 2 * reach]
    likeness = cv2.matchTemplate(area, patch, cv2.TM_CCOEFF_NORMED)
    _, best, _, place = cv2.minMaxLoc(likeness)
    if best < MIN_LIKENESS:
        return None
    peak = _peak(np.asarray(likeness, np.float32), place)
    return np.asarray((np.array(place, float) + peak - reach) / factor)


def _peak(likeness: NDArray[np.float32], place: Sequence[int]) -> Array:
    """(2,) where between the pixels a peak lies: the top of a parabola along each axis."""
    x, y = place
    off = np.zeros(2)
    for axis, line, at in ((0, likeness[y, :], x), (1, likeness[:, x], y)):
        if 0 < at < len(line) - 1:
            left, middle, right = (float(value) for value in line[at - 1 : at + 2])
            curve = left - 2 * middle + right
            off[axis] = 0.0 if curve >= 0 else np.clip(0.5 * (left - right) / curve, -0.5, 0.5)
    return off


def _first_match(pyramid: Pyramid, board: Board, homography: Array) -> Array | None:
    """A nearer homography, from a few corners matched on half the size, blurred so that they reach far."""
    corners = corners_board(board.sheet)
    places = apply_homography(homography, corners)
    shape = pyramid.level(0).shape
    inside = np.flatnonzero(((places > 4) & (places < np.array([shape[1], shape[0]]) - 5)).all(axis=1))
    if len(inside) < MIN_CORNERS:
        return None
    some = inside[np.linspace(0, len(inside) - 1, min(FIRST_CORNERS, len(inside))).round().astype(int)]
    level = 1 if float(median(board.square_px)) > 12 else 0
    gray, shrunk, place = pyramid.level(level), on_level(homography, level), Pyramid.down(places[some], level)
    for blur in FIRST_BLURS_PX:
        found = match_corners(gray, board.sheet, shrunk, some, place, blur_px=blur, iterations=2)
        place = np.where((found.score > FAINT_SCORE)[:, None], found.pixels, place)
    good = found.score > MIN_SCORE
    if good.sum() < MIN_CORNERS:
        return None
    return fit_homography(corners[some[good]], Pyramid.up(found.pixels[good], level))


def _match(pyramid: Pyramid, board: Board, homography: Array) -> Board | None:
    """All corners of a board on the frame's own pixels, around where a homography puts them."""
    sheet, corners, gray = board.sheet, corners_board(board.sheet), pyramid.level(0)
    ids = np.arange(len(corners), dtype=np.int64)
    places = apply_homography(homography, corners)
    found = match_corners(gray, sheet, homography, ids, places, blur_px=board.blur_px, iterations=2)
    keep = found.score >= MIN_SCORE
    if keep.sum() < max(MIN_CORNERS, LEAST_SHARE * len(corners)):
        return None
    homography = fit_homography(corners[keep], found.pixels[keep])
    keep &= plausible(sheet, homography, ids, found.pixels)
    if keep.sum() < max(MIN_CORNERS, LEAST_SHARE * len(corners)):
        return None
    if not bits_agree(pyramid, sheet, homography, board.blur_px, corners[keep]):
        return None
    return Board(
        sheet=sheet,
        mirrored=board.mirrored,
        corner_ids=ids[keep],
        pixels=found.pixels[keep],
        covariance=found.covariance[keep],
        score=found.score[keep],
        square_px=square_heights_px(homography, sheet)[ids[keep]],
        homography=homography,
        blur_px=board.blur_px,
    )

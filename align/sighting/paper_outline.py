"""Small or dim sheets, whose markers cannot be read one by one: found by the paper's outline and the whole print.

Where black and white alternate a part of the photo stands out by its contrast, however dim. White paper on
darker ground has an outline of four corners; each sheet, turned each way, is compared with what lies inside. What
correlates is then sighted corner by corner and has to be borne out by the markers' bits like any other board.
"""

from __future__ import annotations

from functools import cache

import numpy as np
from numpy.typing import NDArray

from ..optics.geometry import fit_homography
from ..optics.robust import median
from ..target.sheets import SHEETS, Sheet, marker_corners_board, raster
from .boards import MOST_GAIN, NEARLY_FULL, Board, sight_board
from .pyramid import Pyramid

Array = NDArray[np.float64]
Gray = NDArray[np.uint8]
Box = tuple[int, int, int, int]

#: Light and dark within a window of so many pixels differ by this share of their sum, plus so many grey values that
#: noise makes up. Print has 0.5 and more when it is sharp; set after the photos of small sheets of docs/glass.md.
WINDOW_PX, LEAST_CONTRAST, NOISE_GRAY = 13, 0.3, 6.0
#: Such parts are at least so wide, of the photo reduced to 2000 px, and so many are looked at, the largest first.
LEAST_PART_PX, MOST_PARTS = 25, 6
#: A part is looked at with its neighbourhood, this share of its size, at no more than so many pixels across.
NEIGHBOURHOOD, MOST_ACROSS_PX = 0.2, 900
#: Levels between ground and paper at which the outline is taken: noise and lamps spoil one or the other.
LEVELS = (0.5, 0.35, 0.65)
#: Paper is brighter than the ground round it by this factor [grey values]. A choice.
LEAST_PAPER = 1.15
#: Simplifications of the outline that are tried until four corners are left, as shares of its length.
SIMPLER = (0.01, 0.015, 0.02, 0.03, 0.045, 0.06, 0.08)
#: The print drawn with so many pixels a square correlates at least this well with what lies inside the outline:
#: 0.95 to 0.98 for whole sheets, 0.4 at most for anything else. Set after the same photos.
SQUARE_PX, LEAST_CORRELATION = 10, 0.5
#: So many sheets and ways to lie are sighted in all, which is the slow part.
MOST_SIGHTED = 5


def boards_by_paper(pyramid: Pyramid, *, scale: float = 1.0) -> list[Board]:
    """Boards seen directly, the largest first, found by their paper; `scale`: as for `markers.group_boards`."""
    boards: list[Board] = []
    left = MOST_SIGHTED
    for box in _contrasty_parts(pyramid.reduced):
        tried: set[tuple[str, int]] = set()
        for _, sheet, turn, homography in _candidates(pyramid, box, scale):
            if left == 0:
                return boards
            if (sheet.name, turn) in tried:
                continue
            tried.add((sheet.name, turn))
            left -= 1
            known = marker_corners_board(sheet).reshape(-1, 2)
            board = sight_board(pyramid, sheet, homography, known, mirrored=False)
            if board is not None:
                boards.append(board)
                break
    return boards


def _contrasty_parts(small: Gray) -> list[Box]:
    """(left, top, width, height) of parts of the reduced photo in which light and dark alternate."""
    import cv2

    smooth = np.asarray(cv2.GaussianBlur(small, (0, 0), 1.0), np.float32)
    window = np.ones((WINDOW_PX, WINDOW_PX), np.uint8)
    light, dark = cv2.dilate(smooth, window), cv2.erode(smooth, window)
    mask = ((light - dark) / (light + dark + NOISE_GRAY) > LEAST_CONTRAST).astype(np.uint8)
    # An edge or a lamp alone is no wider than the window.
    mask = np.asarray(cv2.morphologyEx(mask, cv2.MORPH_OPEN, np.ones((WINDOW_PX + 4, WINDOW_PX + 4), np.uint8)))
    _, _, stats, _ = cv2.connectedComponentsWithStats(mask)
    parts = [
        (int(area), (int(left), int(top), int(wide), int(high)))
        for left, top, wide, high, area in np.asarray(stats)[1:]
        if min(wide, high) >= LEAST_PART_PX
    ]
    return [box for _, box in sorted(parts, reverse=True)[:MOST_PARTS]]


def _candidates(pyramid: Pyramid, box: Box, scale: float) -> list[tuple[float, Sheet, int, Array]]:
    """(correlation, sheet, quarter turns, homography board mm -> px of the photo), best first."""
    full = pyramid.level(0)
    factor = full.shape[1] / pyramid.reduced.shape[1]
    left, top, wide, high = (side * factor for side in box)
    margin = NEIGHBOURHOOD * max(wide, high) + 12 * factor
    level = max(0, int(np.ceil(np.log2((max(wide, high) + 2 * margin) / MOST_ACROSS_PX))))
    picture = pyramid.level(level)
    low = np.maximum(np.array([left - margin, top - margin]) / 2**level, 0).astype(int)
    high_end = (np.array([left + wide + margin, top + high + margin]) / 2**level).astype(int)
    part = picture[low[1] : high_end[1], low[0] : high_end[0]]
    # Part's pixels to the photo's.
    double = 2.0**level
    shift = (double - 1) / 2
    to_photo = np.array([[double, 0, double * low[0] + shift], [0, double, double * low[1] + shift], [0, 0, 1.0]])
    found = []
    for corners in _outlines(part):
        for sheet in (own.scaled(scale) for own in SHEETS.values()):
            for turn in range(4):
                homography = fit_homography(_paper(sheet), np.roll(corners, -turn, axis=0))
                correlation = _correlation(part, sheet, homography)
                if correlation > LEAST_CORRELATION:
                    found.append((correlation, sheet, turn, np.asarray(to_photo @ homography)))
    return sorted(found, key=lambda candidate: -candidate[0])


def _outlines(part: Gray) -> list[Array]:
    """(4, 2) [px] corners of the brightest thing on darker ground, clockwise as seen, at several levels."""
    import cv2

    smooth = np.asarray(cv2.GaussianBlur(part, (0, 0), 1.0), float)
    ground = float(median(np.concatenate([smooth[0], smooth[-1], smooth[:, 0], smooth[:, -1]])))
    height, width = smooth.shape
    middle = smooth[height // 5 : height - height // 5, width // 5 : width - width // 5]
    paper = float(np.percentile(middle, 88)) if middle.size else ground
    # As for the brightened photo: in darker paper there are too few grey values to measure by.
    if paper < max(LEAST_PAPER * ground, NEARLY_FULL / MOST_GAIN):
        return []
    outlines = []
    for level in LEVELS:
        mask = (smooth > ground + level * (paper - ground)).astype(np.uint8)
        _, labels, stats, _ = cv2.connectedComponentsWithStats(mask)
        if len(stats) < 2:
            continue
        largest = 1 + int(np.argmax(stats[1:, cv2.CC_STAT_WIDTH].astype(float) * stats[1:, cv2.CC_STAT_HEIGHT]))
        rows, columns = np.nonzero(np.asarray(labels) == largest)
        hull = cv2.convexHull(np.column_stack([columns, rows]).astype(np.int32))
        length = cv2.arcLength(hull, True)
        for share in SIMPLER:
            corners = np.asarray(cv2.approxPolyDP(hull, share * length, True), float)[:, 0]
            if len(corners) == 4:
                away = corners - corners.mean(axis=0)
                outlines.append(corners[np.argsort(np.arctan2(away[:, 1], away[:, 0]))])
                break
    return outlines


def _paper(sheet: Sheet) -> Array:
    """(4, 2) [mm] corners of the paper in the board's frame, clockwise from the far-left one."""
    left, far, near = -sheet.side_margin_mm, -sheet.contact_margin_mm, sheet.near_margin_mm
    right = sheet.squares_x * sheet.square_mm + sheet.side_margin_mm
    near += sheet.squares_y * sheet.square_mm
    return np.array([[left, far], [right, far], [right, near], [left, near]])


@cache
def _print(sheet: Sheet) -> NDArray[np.float32]:
    """The print, blurred as a small sheet is, less its mean."""
    import cv2

    drawn = np.asarray(cv2.GaussianBlur(raster(sheet, SQUARE_PX).astype(np.float32), (0, 0), 1.2), np.float32)
    return np.asarray(drawn - drawn.mean(), np.float32)


def _correlation(part: Gray, sheet: Sheet, homography: Array) -> float:
    """Of the print with what lies where the homography (board mm -> px of the part) puts it."""
    import cv2

    expected = _print(sheet)
    per_mm = SQUARE_PX / sheet.square_mm
    to_print = np.array([[per_mm, 0, -0.5], [0, per_mm, -0.5], [0, 0, 1.0]])
    try:
        whole = to_print @ np.linalg.inv(homography)
    except np.linalg.LinAlgError:
        return 0.0
    flat = cv2.warpPerspective(part, whole, expected.shape[::-1], flags=cv2.INTER_LINEAR)
    seen = np.asarray(cv2.GaussianBlur(flat.astype(np.float32), (0, 0), 0.8), np.float32)
    seen = np.minimum(seen, np.percentile(seen, 97))  # lamps before the sheet
    seen -= seen.mean()
    size = float(np.sqrt((expected**2).sum() * (seen**2).sum()))
    return float((expected * seen).sum()) / size if size > 0 else 0.0

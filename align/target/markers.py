"""Our markers as OpenCV objects: the dictionary and a sheet's ChArUco board.

Kept apart from `target`, which is pure geometry, so that drawing a sheet never loads OpenCV.
"""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING

import numpy as np

from .sheets import MARKER_BITS, MARKER_CODES, Sheet, marker_bits
from .thresholds import CORRECTABLE_BITS, MARKER_RATIO

if TYPE_CHECKING:
    import cv2


@cache
def aruco_dictionary() -> cv2.aruco.Dictionary:
    """Our marker codes as an OpenCV dictionary; index = marker number, all sheets together.

    A marker number beyond one sheet's range then reads as another sheet, not as noise. Shared by all
    callers: do not change it.
    """
    import cv2

    # OpenCV keeps the four rotations of each code side by side and matches against all of them.
    rows = [
        cv2.aruco.Dictionary.getByteListFromBits(marker_bits(marker_id)) for marker_id in range(len(MARKER_CODES))
    ]
    return cv2.aruco.Dictionary(np.concatenate(rows, axis=0), MARKER_BITS, CORRECTABLE_BITS)


@cache
def charuco_board(sheet: Sheet) -> cv2.aruco.CharucoBoard:
    """A marked sheet as OpenCV's board, in millimetres and board coordinates (x right, y to the viewer).

    OpenCV numbers the board's corners as `target.sheets.corners_board` does, and its markers as
    `target.sheets.white_squares` does (tests/target/test_sheets.py compares both).

    Raises
    ------
    ValueError
        The sheet is a plain checkerboard: it has no markers.
    """
    if not sheet.has_markers:
        raise ValueError(f"expected a sheet with markers, found the plain board {sheet.name!r}")
    import cv2

    return cv2.aruco.CharucoBoard(
        (sheet.squares_x, sheet.squares_y),
        sheet.square_mm,
        MARKER_RATIO * sheet.square_mm,
        aruco_dictionary(),
        np.array(sheet.marker_ids, dtype=np.int32),
    )

"""Grids of a plain checkerboard: put right where OpenCV numbers what lies beside the board."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from align.optics.geometry import apply_homography
from align.sighting.plain_board import _settled
from align.target.sheets import corners_board, plain_board, raster

BOARD = plain_board(7, 6, 20.0)


@pytest.fixture(scope="module")
def seen() -> tuple[np.ndarray, np.ndarray]:
    """A drawn board in perspective, and its homography (board mm -> px)."""
    scale = 4.0  # raster pixels per mm
    ink = np.pad(raster(BOARD, int(BOARD.square_mm * scale)), 160, constant_values=255)
    to_print = np.array([[scale, 0, 159.5], [0, scale, 159.5], [0, 0, 1]])
    view = np.array([[0.7, 0.15, 60.0], [-0.1, 0.5, 190.0], [0.0, -0.0002, 1.0]])
    gray = cv2.warpPerspective(ink, view, (900, 700), flags=cv2.INTER_AREA, borderValue=120)
    return cv2.GaussianBlur(gray, (0, 0), 0.8), view @ to_print


@pytest.mark.slow
@pytest.mark.parametrize("across", [False, True])
@pytest.mark.parametrize("step", [(0, 0), (20, 0), (0, -20), (-20, 20)])
def test_a_misplaced_grid_is_put_on_the_board(seen, step, across):
    gray, homography = seen
    corners = corners_board(BOARD)
    wrong = apply_homography(homography, (corners[:, ::-1] if across else corners) + np.array(step, float))
    settled = _settled(gray, BOARD, wrong.reshape(6, 7, 2)).reshape(-1, 2)
    true = apply_homography(homography, corners)
    apart = np.linalg.norm(settled[:, None] - true[None], axis=2)
    assert sorted(apart.argmin(axis=1)) == list(range(len(corners)))
    assert apart.min(axis=1).max() < 1.0

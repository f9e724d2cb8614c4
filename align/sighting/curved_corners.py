"""Corners matched again on the sheet and in the mirror as they were solved, where these are no planes.

The first match draws the print around each corner through one homography. Where paper curls up the print runs
otherwise: its rows are then found up to 0.1 px beside their places, and turn is off by several of its standard
deviations. Once the shape is solved the print can be drawn as it truly runs there. A photo's pixels are not needed
for that: each board keeps those around its corners. (What a lens or a bent mirror does so near a corner is less,
and much the same all over the board: the solve takes it up.)
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ..optics.geometry import apply_homography, fit_homography
from ..target.sheets import corners_board
from .boards import MIN_SCORE, Board
from .corners import SETTLED_PX, Windows

Array = NDArray[np.float64]
#: Where places of the print, (m, 2) [mm] in board coordinates, show in the photo: (m, 2) [px].
Pictured = Callable[[Array], Array]

#: Places around a corner that its map is fitted to: so many each way, up to so many squares from it. Windows and
#: their blur reach 0.65 squares.
SAMPLES, REACH_SQUARES = 7, 0.75
#: How well the bend of curled paper is known from the sheet's shape: its height half a square from a corner [mm],
#: one standard deviation. An edge up by 1 mm over 50 mm bends by 0.04 mm there, one up by 2 mm over 35 mm by
#: 0.16 mm. A choice, made after seeing the photos of seed 7703.
BEND_SD_MM = 0.07
#: A plane's windows do where the print bends by less than this within half a square of a corner [px]: a third of it
#: is what a row of corners is off. A choice, made after seeing the same.
PLANE_PX = 0.02
#: A corner that a second match would move farther [px] is left where it was: it is not the print's shape then.
MOST_SHIFT_PX = 1.0
ITERATIONS = 3


def off_plane_px(board: Board, pictured: Pictured, corners: Array) -> float:
    """How far the print bends within half a square of (n, 2) corners [mm], at most, otherwise than a plane's [px].

    Steps there and back again: what merely runs in another direction moves no corner.
    """
    steps = 0.5 * board.sheet.square_mm * np.array([(0, 0), (1, 0), (0, 1), (1, 1), (1, -1)], float)
    places = (corners[:, None, None] + np.array([steps, -steps])).reshape(-1, 2)
    bends = []
    for seen in (pictured(places), apply_homography(board.homography, places)):
        there, back = np.moveaxis(seen.reshape(len(corners), 2, len(steps), 2), 1, 0)
        bends.append((there + back)[:, 1:] / 2 - there[:, :1])
    return float(np.linalg.norm(bends[0] - bends[1], axis=2).max())


@dataclass(frozen=True, eq=False)
class Bends:
    """How paper may bend otherwise than solved at a board's corners.

    Curls are told by corners a square apart, and a window between them, or beyond the last, may bend more or less:
    drawn with the wrong bend a corner is found beside its place, and the shape solved from it repeats the error.

    ways : (n, 2) unit directions in board coordinates in which it bends, 0: it does not; upwards : (n, 2) [px/mm]
    how places move in the photo as they rise.
    """

    ways: Array
    upwards: Array


def matched_on(board: Board, pictured: Pictured, bends: Bends) -> Board:
    """The board with its corners matched again, the print drawn where `pictured` says it runs.

    A board without patches, or whose corners show no print that way, stays as it is.
    """
    patches = board.patches
    if patches is None:
        return board
    corners = corners_board(board.sheet)[board.corner_ids]
    maps = _cubic_maps(pictured, corners, board.sheet.square_mm)
    half = (np.array(patches.pixels.shape[:0:-1]) - 1) // 2
    windows = _CurvedWindows(board, corners, maps, bends, half)
    chosen, place = np.arange(len(corners)), board.pixels.copy()
    for _ in range(ITERATIONS):
        shift, covariance, score = windows.register(patches.pixels, place - patches.middles, chosen)
        place = place + shift
        if np.linalg.norm(shift, axis=1).max() < SETTLED_PX:
            break
    moved = np.linalg.norm(place - board.pixels, axis=1)
    good = (np.abs(score) >= MIN_SCORE) & (moved < MOST_SHIFT_PX)
    pixels = np.where(good[:, None], place, board.pixels)
    return replace(
        board,
        pixels=pixels,
        covariance=np.where(good[:, None, None], covariance, board.covariance),
        score=np.where(good, np.abs(score), board.score),
        homography=fit_homography(corners, pixels),
    )


def _cubic_maps(pictured: Pictured, corners: Array, square_mm: float) -> Array:
    """(n, 9, 2) cubics from steps in the photo [px] from each corner to steps on the print [mm]."""
    step = np.linspace(-REACH_SQUARES, REACH_SQUARES, SAMPLES) * square_mm
    steps = np.stack(np.meshgrid(step, step), axis=2).reshape(-1, 2)
    around = pictured((corners[:, None] + steps).reshape(-1, 2)).reshape(len(corners), -1, 2)
    off = around - pictured(corners)[:, None]
    scale = np.abs(off).max(axis=(1, 2))
    columns = np.stack(_powers(*np.moveaxis(off / scale[:, None, None], 2, 0)), axis=2)
    transposed = columns.transpose(0, 2, 1)
    found = np.linalg.solve(transposed @ columns, transposed @ steps)
    degrees = np.array([1, 1, 2, 2, 2, 3, 3, 3, 3])
    return np.asarray(found / scale[:, None, None] ** degrees[None, :, None])


def _powers(u: Array, v: Array) -> list[Array]:
    """What a cubic without a constant is made of."""
    return [u, v, u * u, u * v, v * v, u**3, u * u * v, u * v * v, v**3]


class _CurvedWindows(Windows):
    """Windows in which the print runs by a cubic of its own around each corner."""

    def __init__(self, board: Board, corners: Array, maps: Array, bends: Bends, half: NDArray[np.int64]) -> None:
        """corners : (n, 2) [mm]; maps : (n, 9, 2) of `_cubic_maps`; half : extents of the windows [px]."""
        self.maps, square = maps, board.sheet.square_mm
        frames = np.asarray(np.linalg.inv(maps[:, :2].transpose(0, 2, 1)), float) * square
        u, v = (each.ravel() for each in np.meshgrid(*(np.arange(-h, h + 1.0) for h in half)))
        along = np.einsum("kp,nkc,nc->np", np.stack([u, v]), maps[:, :2], bends.ways) / (square / 2)
        self.bends = BEND_SD_MM * along[:, :, None] ** 2 * bends.upwards[:, None, :]  # (n, pixels, 2) [px]
        super().__init__(board.sheet, board.homography, corners, frames, half, board.blur_px)

    def bending(self, chosen: NDArray[np.int64], grad_x: Array, grad_y: Array) -> Array:
        """(n, pixels) how the windows change as the print in them bends by one standard deviation."""
        return np.asarray(grad_x * self.bends[chosen, :, 0] + grad_y * self.bends[chosen, :, 1])

    def print_places(
        self, offset: Array, chosen: NDArray[np.int64]
    ) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
        """Pixels of the print (n, rows, columns) under the fine grid, corners (n, 2) px off its middle."""
        u = (self.fine[0] - offset[:, :1]).astype(np.float32)[:, None, :]
        v = (self.fine[1] - offset[:, 1:]).astype(np.float32)[:, :, None]
        scale = self.raster_scale / self.square
        powers, places = _powers(u, v), []
        for axis in (0, 1):
            factors = (self.maps[chosen, :, axis] * scale).astype(np.float32)
            place = sum(factors[:, k, None, None] * power for k, power in enumerate(powers))
            middle = (self.board[chosen, axis] + self.square) * scale - 0.5
            places.append(np.asarray(place + middle.astype(np.float32)[:, None, None], np.float32))
        return places[0], places[1]

"""Simulated photos of a plain board of the user's own before a mirror: printed from a picture, and bent."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from align.optics.camera_model import CameraPrior, prior_from_focal
from align.solve.forward_model import DIRECT, Layout, State, bow_basis, offset_of_distance, predict
from align.solve.problem import View
from align.solve.sheet_shape import PRINT_PARAMETERS, half_sizes, print_fault_count, print_shifts, wave_heights
from align.solve.simulate import look_at, phone_camera
from align.target.sheets import corners_target, plain_board

Array = NDArray[np.float64]
BOARD = plain_board(7, 6, 12.8)
SIZE_PX = (4000, 3000)


def board_photo(
    rng: np.random.Generator,
    *,
    dots_per_inch: float,
    bow_mm: float = 0.0,
    wave_mm: float = 0.0,
    noise_px: float = 0.03,
    equivalent_mm: float | None = 26.0,
) -> tuple[list[View], CameraPrior, State]:
    """Corners of the board and of its reflection, the prior of the camera, and the state that made them.

    dots_per_inch : of the printed picture, to whose dots every line of corners was rounded; bow_mm, wave_mm :
    sd of the bow's and of its further terms.
    """
    layout = Layout(1, 1, print_faults=print_fault_count(BOARD), waves=wave_heights(BOARD).shape[1])
    vector, prior = np.zeros(layout.size), prior_from_focal(SIZE_PX, equivalent_mm)
    known = prior_from_focal(SIZE_PX, 26.0)
    vector[layout.camera], vector[layout.index] = phone_camera(rng, known), 1.52
    lean, turn = np.radians(rng.uniform(-2, 2, 2))
    vector[layout.mirror(0)] = [lean, turn, offset_of_distance(lean, turn, rng.uniform(10, 40)), 4.0]
    vector[layout.bow], vector[layout.wave] = rng.normal(0, bow_mm, 3), rng.normal(0, wave_mm, layout.waves)
    vector[layout.print_fault][len(PRINT_PARAMETERS) :] = _rounded(rng, 25.4 / dots_per_inch)
    points, (*half, centre_y) = corners_target(BOARD), half_sizes(BOARD)
    elevation, azimuth, away = math.radians(rng.uniform(28, 42)), math.radians(rng.uniform(-20, 20)), 300.0
    level = away * math.cos(elevation)
    eye = np.array([level * math.sin(azimuth), centre_y - level * math.cos(azimuth), away * math.sin(elevation)])
    rotation, translation = look_at(eye, np.array([0.0, centre_y / 3, 0.0]))
    vector[layout.pose(0).start + 3 : layout.pose(0).stop] = translation
    state = State(layout, vector, (rotation,))
    basis = np.hstack([bow_basis(points, (half[0], half[1]), centre_y), wave_heights(BOARD)])
    covariance = np.broadcast_to(0.01 * np.eye(2), (len(points), 2, 2))
    views = []
    for mirror in (DIRECT, 0):
        pixels, _ = predict(state, 0, mirror, points, basis, in_plane=print_shifts(BOARD))
        noisy = pixels + rng.normal(0, noise_px, pixels.shape)
        views.append(View(0, mirror, np.arange(len(points)), noisy, covariance))
    return views, prior, state


def _rounded(rng: np.random.Generator, dot_mm: float) -> Array:
    """How far each line of corners, columns then rows, is off its place for beginning at a whole dot [mm]."""
    shifts = []
    for lines in BOARD.corner_grid:
        places = rng.uniform(0, dot_mm) + BOARD.square_mm * np.arange(lines)
        off = np.round(places / dot_mm) * dot_mm - places
        shifts.append(off - off.mean())
    return np.concatenate(shifts)

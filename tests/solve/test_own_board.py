"""A plain board of the user's own: printed from a picture, lines at whole dots, and stuck on unevenly."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import binom

from align.solve.forward_model import bow_basis
from align.solve.joint import UserConstraints, solve
from align.solve.sheet_shape import PRINT_PARAMETERS, half_sizes, print_fault_count, print_shifts, wave_heights
from align.target.sheets import SHEETS, corners_target
from tests.support.own_board import BOARD, board_photo

COLUMNS, ROWS = BOARD.corner_grid


def test_every_line_of_a_board_without_markers_may_be_off_its_place():
    shifts = print_shifts(BOARD)
    assert shifts.shape == (COLUMNS * ROWS, 2, print_fault_count(BOARD)) == (42, 2, 8 + 13)
    column = np.arange(COLUMNS * ROWS) % COLUMNS == 2
    np.testing.assert_array_equal(shifts[:, :, len(PRINT_PARAMETERS) + 2], np.outer(column, [1, 0]))
    row = np.arange(COLUMNS * ROWS) // COLUMNS == 4
    np.testing.assert_array_equal(shifts[:, :, len(PRINT_PARAMETERS) + COLUMNS + 4], np.outer(row, [0, 1]))
    assert all(print_fault_count(sheet) == len(PRINT_PARAMETERS) for sheet in SHEETS.values())
    assert all(wave_heights(sheet).shape[1] == 0 for sheet in SHEETS.values())


def test_waves_are_neither_plane_nor_bow():
    heights, points = wave_heights(BOARD), corners_target(BOARD)
    assert heights.shape == (42, 9)
    *half, centre_y = half_sizes(BOARD)
    bow = bow_basis(points, (half[0], half[1]), centre_y)
    plane = np.column_stack([points[:, :2], np.ones(len(points))])
    assert np.linalg.matrix_rank(np.column_stack([plane, bow, heights])) == 3 + 3 + 9


def test_a_coarse_print_on_a_wavy_board_is_no_noise():
    """Lines off by up to 0.13 mm and waves of 0.08 mm: 0.3 px and more, ten times the noise that was added."""
    views, prior, _ = board_photo(np.random.default_rng([5, 0]), dots_per_inch=96, bow_mm=0.3, wave_mm=0.08)
    solution = solve(BOARD, views, prior)
    assert solution.rms_px() < 0.06
    assert solution.spatial_correlation < 0.2
    exact = solve(BOARD, views, prior, UserConstraints(exact_print=True))
    assert exact.rms_px() > 2 * solution.rms_px()  # an exact print has no lines that are off


@pytest.mark.slow
def test_intervals_hold_on_wavy_boards():
    """60 photos; with a parabola for the bow, lean was up to 7 standard deviations off."""
    scores = []
    for seed in range(60):
        views, prior, truth = board_photo(
            np.random.default_rng([5, seed]), dots_per_inch=300, bow_mm=0.3, wave_mm=0.08
        )
        mirror = solve(BOARD, views, prior).mirror(0)
        lean, turn = truth.vector[truth.layout.mirror(0)][:2]
        scores.append(
            [(mirror.lean_rad - lean) / mirror.sd("lean_rad"), (mirror.turn_rad - turn) / mirror.sd("turn_rad")]
        )
    assert (np.abs(scores) < 1.96).sum() >= binom.ppf(0.01, 120, 0.95)
    assert np.abs(scores).max() < 4.0

"""Errors that neighbouring corners share: found when they are there, and intervals that then hold the truth."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import binom

from align.checking.photo_quality import _uneven
from align.solve.correlated_errors import (
    BoardErrors,
    _expected,
    _ratio,
    _sums,
    spatial_correlation,
    widened_covariance,
)
from align.solve.joint import solve
from align.solve.problem import UserConstraints
from tests.support.photo_sets import NOISE, SHEET, scene

COLUMNS, ROWS = SHEET.corner_grid
PLACES = np.array([(n % COLUMNS, n // COLUMNS) for n in range(COLUMNS * ROWS)])
STEPS = np.abs(PLACES[:, None] - PLACES[None]).sum(axis=2)


def alike_errors(alike, rng, count):
    """(count, 2) of sd 1, alike as the module says."""
    root = np.linalg.cholesky(alike**STEPS + 1e-12 * np.eye(len(STEPS)))
    return root[:count, :count] @ rng.normal(size=(count, 2))


def fit(jacobian, errors):
    """A linear fit: (residuals, covariance for independent errors, what it finds)."""
    flat = jacobian.reshape(-1, jacobian.shape[2])
    covariance = np.linalg.inv(flat.T @ flat)
    found = covariance @ flat.T @ errors.ravel()
    return errors - (flat @ found).reshape(errors.shape), covariance, found


@pytest.fixture(scope="module")
def jacobian():
    """Eight parameters that act on both coordinates smoothly over the board, as a pose and a lens do."""
    x, y = ((PLACES - PLACES.mean(axis=0)) / PLACES.max(axis=0)).T
    shapes = np.stack([np.ones_like(x), x, y, x * y])
    none = np.zeros_like(shapes)
    return np.concatenate([np.stack([shapes, none], axis=2), np.stack([none, shapes], axis=2)]).transpose(1, 2, 0)


@pytest.mark.slow
@pytest.mark.parametrize("alike", [0.0, 0.4, 0.8])
def test_what_residuals_are_expected_to_have_in_common(jacobian, alike):
    """Against the whole matrices, written out, and against 4000 drawn boards."""
    size = 2 * len(PLACES)
    flat = jacobian.reshape(size, -1)
    covariance = np.linalg.inv(flat.T @ flat)
    maker = np.eye(size) - flat @ covariance @ flat.T
    left = maker @ np.kron(alike**STEPS, np.eye(2)) @ maker.T
    same = np.kron(STEPS == 1, np.eye(2)) > 0
    written_out = (left[same].sum() / same.sum()) / (np.trace(left) / size)
    board = BoardErrors(PLACES, np.zeros((len(PLACES), 2)), jacobian)
    assert _expected([board], covariance, alike) == pytest.approx(written_out, abs=1e-12)
    rng = np.random.default_rng(3)
    drawn = [fit(jacobian, alike_errors(alike, rng, len(PLACES)))[0] for _ in range(4000)]
    sums = [_sums(board, residuals) for residuals in drawn]
    assert _ratio(sums) == pytest.approx(written_out, abs=0.01)


@pytest.mark.slow
@pytest.mark.parametrize("alike", [0.3, 0.6])
def test_the_likeness_is_found_and_the_covariance_is_the_scatter(jacobian, alike):
    rng = np.random.default_rng(4)
    found, estimates = [], []
    for _ in range(400):
        residuals, covariance, parameters = fit(jacobian, alike_errors(alike, rng, len(PLACES)))
        board = BoardErrors(PLACES, residuals, jacobian)
        estimates.append(parameters)
        found.append(spatial_correlation([board], covariance))
    assert np.mean(found) == pytest.approx(alike, abs=0.06)
    predicted = np.sqrt(np.diag(widened_covariance([board], covariance, alike)))
    np.testing.assert_allclose(np.std(estimates, axis=0) / predicted, 1.0, atol=0.15)  # 4 sd of 400 draws
    assert (predicted > 1.3 * np.sqrt(np.diag(covariance)))[[0, 4]].all()  # a shift of the whole suffers most


def test_independent_errors_are_seldom_called_alike(jacobian):
    rng = np.random.default_rng(5)
    called = 0
    for _ in range(400):
        residuals, covariance, _ = fit(jacobian, rng.normal(size=(len(PLACES), 2)))
        called += spatial_correlation([BoardErrors(PLACES, residuals, jacobian)], covariance) > 0
    assert called <= binom.ppf(0.999, 400, 0.0228)  # beyond two standard deviations to one side


def test_nothing_to_compare_is_nothing_alike():
    alone = BoardErrors(np.array([[0, 0], [4, 3]]), np.ones((2, 2)), np.zeros((2, 2, 1)))
    assert spatial_correlation([alone], np.zeros((1, 1))) == 0.0
    exact = BoardErrors(PLACES, np.zeros((len(PLACES), 2)), np.zeros((len(PLACES), 2, 1)))
    assert spatial_correlation([exact], np.zeros((1, 1))) == 0.0


@pytest.mark.slow
def test_lean_and_turn_keep_their_promise_on_corners_that_err_alike():
    """60 simulated photos whose corners err alike by 0.6: 110 of 120 intervals hold; 78 without the allowance."""
    held, factors = 0, []
    for seed in range(60):
        rng = np.random.default_rng([8, seed])
        sim = scene(8000 + seed, elevations=(34,))
        exact = scene(8000 + seed, elevations=(34,), noise=0.0)
        views = [
            replace(view, pixels=clean.pixels + NOISE * alike_errors(0.6, rng, len(STEPS))[view.corner_ids])
            for view, clean in zip(sim.views, exact.views, strict=True)
        ]
        solution = solve(SHEET, views, sim.prior, UserConstraints(), rigid=True)
        where = slice(sim.state.layout.mirror(0).start, sim.state.layout.mirror(0).start + 2)
        off = np.abs(solution.state.vector[where] - sim.state.vector[where])
        half = solution.quantile * np.sqrt(np.diag(solution.covariance)[where])
        held += int((off <= half).sum())
        [fault] = _uneven(solution)
        factors.append(fault.factor)
    assert held >= binom.ppf(0.01, 120, 0.93)
    assert 1.3 < np.median(factors) < 2.0  # what the quality line says that a flatter sheet would gain
    [fault] = _uneven(solve(SHEET, scene(8100, elevations=(34,)).views, sim.prior, UserConstraints(), rigid=True))
    assert fault.factor == 1.0

"""The question whether a picture was stretched or slanted: what it gains, against what freeing them gains."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from align.optics.camera_model import RESHAPE_SD_BLIND, prior_from_focal
from align.solve.correlated_errors import BoardErrors
from align.solve.forward_model import DIRECT
from align.solve.joint import UserConstraints, View, solve
from align.solve.picture_shape import score_of_reshape
from align.solve.problem import Problem
from align.target.sheets import SHEETS
from tests.rendering.analytic.exact import exact_pixels
from tests.rendering.analytic.scene import BentMirror, BentScene, LensCamera
from tests.rendering.analytic.shapes import Bend, Face, PaperShape, PrintFault

SHEET = SHEETS["a5"]
SIZE = (4032, 3024)
EXACT = UserConstraints(exact_print=True)
BENT = Face(300.0, 180.0, 0.0, (Bend("arch_upright", -0.46), Bend("clip_across", -0.1, -0.1)))


def views_of(face=None, shear=0.0, seed=1):
    """Corners with 0.02 px of noise, the picture slanted by so many px per px."""
    prior = prior_from_focal(SIZE, 26.0)
    focal = math.exp(prior.mean[0]) * 1.01
    camera = LensCamera(
        (90.0, -500.0, 340.0), (0.0, -50.0, 10.0), SIZE, focal, (2025.0, 1500.0), (0.02, -0.01, 0, 0)
    )
    mirror = BentMirror(20.0, 0.4, -0.7, face or Face(300.0, 180.0), 3.0)
    direct, reflected, _ = exact_pixels(BentScene(camera, mirror, "a5", PaperShape(), PrintFault()))
    rng = np.random.default_rng(seed)
    views = []
    for number, pixels in ((DIRECT, direct), (0, reflected)):
        slanted = pixels + shear * np.outer(pixels[:, 1] - 1500.0, [1.0, 0.0])
        noisy = slanted + rng.normal(0, 0.02, pixels.shape)
        views.append(View(0, number, np.arange(len(pixels)), noisy, np.tile(4e-4 * np.eye(2), (len(pixels), 1, 1))))
    return views, prior


def fit_of(views, prior, shape=None, scales=(1.0, 1.0), start=None):
    problem = Problem(SHEET, tuple(views), prior, EXACT, shape=shape)
    return problem, problem.settle(problem.descend(start, views, huber=False, scales=scales), views, scales)


def boards_of(problem, state, views, scales):
    columns = SHEET.corner_grid[0]
    whitened, jacobians, _ = problem.residuals(state, views, scales)
    return [
        BoardErrors(np.column_stack([view.corner_ids % columns, view.corner_ids // columns]), residual, jacobian)
        for view, residual, jacobian in zip(views, whitened, jacobians, strict=True)
    ]


@pytest.mark.slow
@pytest.mark.parametrize("face", [None, BENT], ids=["flat", "bent"])
@pytest.mark.parametrize("shear", [0.0, 5e-4])
def test_the_score_is_what_freeing_stretch_and_shear_gains(face, shear):
    """To the first order: a small slant, noise that is known."""
    views, prior = views_of(face, shear)
    found = solve(SHEET, views, prior, EXACT)
    problem, held = fit_of(views, prior, found.shape, start=found.state)
    _, freed = fit_of(views, replace(prior, reshape_sd=RESHAPE_SD_BLIND), found.shape, start=held.point)
    score = score_of_reshape(problem, held.point, boards_of(problem, held.point, views, (1.0, 1.0)), 0.0, 1.0)
    assert score == pytest.approx(held.cost - freed.cost, rel=0.1, abs=0.1)


def test_the_score_of_a_bent_mirror_does_not_hang_on_where_the_descent_stopped():
    """It was taken from a difference of normal equations: a thousandth of a standard deviation made thousands."""
    views, prior = views_of(BENT)
    found = solve(SHEET, views, prior, EXACT)
    problem, held = fit_of(views, prior, found.shape, start=found.state)
    beside = np.zeros(problem.layout.size)
    free = np.flatnonzero(problem.prior.free)
    values, ways = np.linalg.eigh(held.information[np.ix_(free, free)])
    beside[free] = 0.3 * ways[:, 0] / math.sqrt(values[0])
    scores = [
        score_of_reshape(problem, state, boards_of(problem, state, views, (1.0, 1.0)), 0.0, 1.0)
        for state in (held.point, held.point.stepped(beside))
    ]
    assert scores[1] == pytest.approx(scores[0], abs=0.3)
    assert scores[0] < 12


def test_errors_that_neighbours_share_count_for_less():
    views, prior = views_of(shear=0.004)
    found = solve(SHEET, views, prior, EXACT)
    problem, held = fit_of(views, prior, found.shape, start=found.state)
    boards = boards_of(problem, held.point, views, (1.0, 1.0))
    apart, alike = (score_of_reshape(problem, held.point, boards, each, 1.0) for each in (0.0, 0.5))
    assert 0 < alike < apart

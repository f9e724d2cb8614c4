"""The accuracy that docs/accuracy.md states, in short: simulated views and sample photos, in two-sided bands.

The machinery is tests/bench/accuracy*.py; an error that is too small to be true fails as one too large does.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from tests.bench.accuracy_photos import WAYS, asks_for_a_mirror, photo_truths, photos_with_truth, run_photo
from tests.bench.accuracy_simulated import CASES, QUANTITIES, ViewRecord, run_views
from tests.bench.accuracy_summary import rms, spread, stock_errors, wilson
from tests.support.places import SAMPLES

VIEWS, SEED = 200, 20
#: How often an honest 95 % interval fails one of these tests; the seed is fixed, so it is once for all.
COVERAGE_LEVEL = 0.0005


@pytest.fixture(scope="module")
def views() -> list[ViewRecord]:
    """Simulated views solved with nothing stated."""
    return run_views(VIEWS, seed=SEED, cases=CASES[:1])


def test_forward_model_agrees_with_an_independent_projection(views):
    assert max(record.disagreement_px for record in views) < 1e-7


def test_every_view_is_solved(views):
    assert [record.answers[CASES[0]].failure for record in views] == [""] * VIEWS


@pytest.mark.parametrize("quantity", QUANTITIES)
def test_error_is_near_the_cramer_rao_bound(views, quantity):
    found = spread(views, CASES[0], quantity)
    assert 0.8 < found.ratio < 1.3
    assert 0.85 < found.normalised < 1.2


@pytest.mark.parametrize("quantity", QUANTITIES)
def test_intervals_hold_the_truth_as_often_as_they_say(views, quantity):
    found = spread(views, CASES[0], quantity)
    low, high = stats.binom.ppf([COVERAGE_LEVEL / 2, 1 - COVERAGE_LEVEL / 2], found.count, 0.95)
    assert low <= found.held <= high


@pytest.mark.parametrize("quantity", QUANTITIES)
def test_answers_are_not_biased(views, quantity):
    assert abs(spread(views, CASES[0], quantity).mean_z) < 4


def test_a_fifth_of_the_stock_routes_error_at_most(views):
    for column, quantity in enumerate(("lean", "turn")):
        stock = min(rms(stock_errors(views, way)[:, column]) for way in ("rotation", "translation"))
        assert spread(views, CASES[0], quantity).rms < stock / 5


def test_wilson_interval_is_scipys():
    expected = stats.binomtest(190, 200).proportion_ci(method="wilson")
    assert wilson(190, 200) == pytest.approx((expected.low, expected.high), abs=1e-6)


# Sample photos ------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def photos():
    """Every sample photo that shows a sheet before a mirror, solved with EXIF only."""
    paths = [path for path in photos_with_truth([SAMPLES]) if asks_for_a_mirror(path)]
    if not paths:
        pytest.skip("sample_images/ holds no photo with a truth file; render them with tests/rendering")
    return [run_photo(path, ways=WAYS[:1], with_stock=False) for path in paths]


def test_every_sample_photo_is_solved(photos):
    assert {record.name: record.failures for record in photos if not record.solved} == {}


def test_sample_photos_are_as_accurate_as_stated(photos):
    errors = np.array([answer.error for r in photos for answer in r.answers[WAYS[0]] if answer])
    assert rms(errors[:, 0]) < 0.02
    assert rms(errors[:, 1]) < 0.02


@pytest.mark.parametrize("column", [0, 1])
def test_sample_photos_errors_are_as_large_as_their_intervals_say(photos, column):
    answers = [answer for r in photos for answer in r.answers[WAYS[0]] if answer]
    z = np.array([1.96 * a.error[column] / a.half_width[column] for a in answers])
    low, high = stats.chi2.ppf([COVERAGE_LEVEL / 2, 1 - COVERAGE_LEVEL / 2], len(z))
    assert low < (z**2).sum() < high


def test_no_sample_photo_is_confidently_wrong(photos):
    for record in photos:
        for answer in record.answers[WAYS[0]]:
            if answer is not None:
                assert (np.abs(answer.error) < 2.5 * answer.half_width).all(), record.name


def test_sample_photos_lie_within_their_intervals(photos):
    held = np.concatenate([a.covered[:2] for r in photos for a in r.answers[WAYS[0]] if a is not None])
    low, high = stats.binom.ppf([COVERAGE_LEVEL / 2, 1 - COVERAGE_LEVEL / 2], len(held), 0.95)
    assert low <= held.sum() <= high


def test_truth_files_state_the_contracts_figures():
    paths = photos_with_truth([SAMPLES])
    if not paths:
        pytest.skip("sample_images/ holds no photo with a truth file; render them with tests/rendering")
    for path in paths:
        for lean, turn, distance, thickness in photo_truths(path):
            assert abs(lean) < 90, path.name
            assert abs(turn) < 180, path.name
            assert distance > 0, path.name
            assert 0 <= thickness <= 12, path.name

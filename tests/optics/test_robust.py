"""Median and quantiles are numpy's."""

from __future__ import annotations

import math

import numpy as np
import pytest

from align.optics.robust import median, quantile


@pytest.mark.parametrize("count", [1, 2, 5, 54, 1001])
def test_numpys_numbers(count):
    rng = np.random.default_rng(count)
    values, grey = rng.normal(size=(count, 3)), rng.integers(0, 256, (count, 2)).astype(np.uint8)
    assert median(values) == np.median(values)
    assert median(grey) == np.median(grey)
    np.testing.assert_array_equal(median(values, axis=0), np.median(values, axis=0))
    np.testing.assert_array_equal(median(values, axis=1), np.median(values, axis=1))
    for shares in ([0.0, 1.0], [0.03, 0.5, 0.97]):
        np.testing.assert_allclose(quantile(values, shares), np.quantile(values, shares), rtol=1e-12)
        np.testing.assert_allclose(quantile(grey, shares), np.quantile(grey, shares), rtol=1e-12)


def test_what_is_not_a_number_is_not_passed_over():
    assert math.isnan(median([1.0, math.nan, 3.0]))
    assert math.isnan(median([]))

"""The optimiser and its statistics against NIST's certified fits, scipy, and printed tables."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import optimize, stats

from align.errors import SolveError
from align.solve.least_squares import Prior, covariance_of, minimise, student_quantile


def fit(residual, jacobian, start, prior=None, max_iterations=60):
    """`minimise` over plain vectors; without a prior nothing is known of any parameter."""
    start = np.asarray(start, float)
    prior = prior or Prior(np.zeros(len(start)), np.full(len(start), np.inf))
    return minimise(
        start,
        lambda x: (residual(x), jacobian(x)),
        lambda x, step: x + step,
        lambda x: x,
        prior,
        max_iterations,
    )


# NIST's certified nonlinear regressions ----------------------------------------------------------------
# NIST/ITL Statistical Reference Datasets (StRD), nonlinear regression: https://www.itl.nist.gov/div898/strd/
# Data, starting values, certified values and certified standard deviations as in the files Misra1a.dat,
# MGH09.dat and Thurber.dat (public domain), of lower, higher and higher difficulty.

MISRA1A_Y = [10.07, 14.73, 17.94, 23.93, 29.61, 35.18, 40.02, 44.82, 50.76, 55.05, 61.01, 66.40, 75.47, 81.78]
MISRA1A_X = [77.6, 114.9, 141.1, 190.8, 239.9, 289.0, 332.8, 378.4, 434.8, 477.3, 536.8, 593.1, 689.1, 760.0]

MGH09_Y = [0.1957, 0.1947, 0.1735, 0.16, 0.0844, 0.0627, 0.0456, 0.0342, 0.0323, 0.0235, 0.0246]
MGH09_X = [4.0, 2.0, 1.0, 0.5, 0.25, 0.167, 0.125, 0.1, 0.0833, 0.0714, 0.0625]

# fmt: off
THURBER_Y = [
    80.574, 84.248, 87.264, 87.195, 89.076, 89.608, 89.868, 90.101, 92.405, 95.854, 100.696, 101.060, 401.672,
    390.724, 567.534, 635.316, 733.054, 759.087, 894.206, 990.785, 1090.109, 1080.914, 1122.643, 1178.351,
    1260.531, 1273.514, 1288.339, 1327.543, 1353.863, 1414.509, 1425.208, 1421.384, 1442.962, 1464.350,
    1468.705, 1447.894, 1457.628,
]
THURBER_X = [
    -3.067, -2.981, -2.921, -2.912, -2.840, -2.797, -2.702, -2.699, -2.633, -2.481, -2.363, -2.322, -1.501,
    -1.460, -1.274, -1.212, -1.100, -1.046, -0.915, -0.714, -0.566, -0.545, -0.400, -0.309, -0.109, -0.103,
    0.010, 0.119, 0.377, 0.790, 0.963, 1.006, 1.115, 1.572, 1.841, 2.047, 2.200,
]
# fmt: on


def misra1a(b, x):
    fall = np.exp(-b[1] * x)
    return b[0] * (1 - fall), np.column_stack([1 - fall, b[0] * x * fall])


def mgh09(b, x):
    top, bottom = x**2 + x * b[1], x**2 + x * b[2] + b[3]
    value = b[0] * top / bottom
    return value, np.column_stack([top / bottom, b[0] * x / bottom, -value * x / bottom, -value / bottom])


def thurber(b, x):
    powers = np.stack([x**0, x, x**2, x**3])
    bottom = 1 + b[4:] @ powers[1:]
    value = b[:4] @ powers / bottom
    return value, np.column_stack([*(powers / bottom), *(-value * powers[1:] / bottom)])


NIST = {
    "Misra1a, start 1": (misra1a, MISRA1A_X, MISRA1A_Y, [500, 0.0001]),
    "Misra1a, start 2": (misra1a, MISRA1A_X, MISRA1A_Y, [250, 0.0005]),
    "MGH09, start 2": (mgh09, MGH09_X, MGH09_Y, [0.25, 0.39, 0.415, 0.39]),
    "Thurber, start 1": (thurber, THURBER_X, THURBER_Y, [1000, 1000, 400, 40, 0.7, 0.3, 0.03]),
    "Thurber, start 2": (thurber, THURBER_X, THURBER_Y, [1300, 1500, 500, 75, 1, 0.4, 0.05]),
}
#: Certified values, standard deviations and residual sum of squares.
CERTIFIED = {
    misra1a: ([2.3894212918e2, 5.5015643181e-4], [2.7070075241e0, 7.2668688436e-6], 1.2455138894e-1),
    mgh09: (
        [1.9280693458e-1, 1.9128232873e-1, 1.2305650693e-1, 1.3606233068e-1],
        [1.1435312227e-2, 1.9633220911e-1, 8.0842031232e-2, 9.0025542308e-2],
        3.0750560385e-4,
    ),
    thurber: (
        [
            1.2881396800e3,
            1.4910792535e3,
            5.8323836877e2,
            7.5416644291e1,
            9.6629502864e-1,
            3.9797285797e-1,
            4.9727297349e-2,
        ],
        [
            4.6647963344e0,
            3.9571156086e1,
            2.8698696102e1,
            5.5675370270e0,
            3.1333340687e-2,
            1.4984928198e-2,
            6.5842344623e-3,
        ],
        5.6427082397e3,
    ),
}


@pytest.mark.parametrize("name", NIST)
def test_nist_certified_fit(name):
    model, x, y, start = NIST[name]
    x, y = np.array(x), np.array(y)
    values, deviations, squares = CERTIFIED[model]
    # Whitened, as the solve whitens: stopping is judged in units of the noise (its certified size).
    freedom = len(y) - len(values)
    noise = math.sqrt(squares / freedom)
    found = fit(lambda b: (model(b, x)[0] - y) / noise, lambda b: model(b, x)[1] / noise, start, max_iterations=400)
    assert found.converged
    assert found.cost * noise**2 == pytest.approx(squares, rel=1e-8)
    # The solve stops where a further step moves the cost by 1e-9: 3e-5 standard deviations are left.
    np.testing.assert_array_less(np.abs(found.point - values) / deviations, 1e-4)
    spread = np.sqrt(np.diag(covariance_of(found.information, np.ones(len(start), bool))))
    spread *= math.sqrt(found.cost / freedom)
    np.testing.assert_allclose(spread, deviations, rtol=2e-4)


# scipy's optimiser -------------------------------------------------------------------------------------


def random_problem(rng, parameters=5, data=30):
    """A mildly curved random problem: residual A x + curvature - b."""
    a, b = rng.normal(size=(data, parameters)), rng.normal(size=data)
    bend = 0.1 * rng.normal(size=(data, parameters))

    def residual(x):
        return a @ x + (bend * np.sin(x)) @ x - b

    def jacobian(x):
        return a + bend * (np.sin(x) + x * np.cos(x))

    return residual, jacobian


@pytest.mark.parametrize("seed", range(10))
def test_minimum_with_priors_is_scipys(seed):
    rng = np.random.default_rng(seed)
    residual, jacobian = random_problem(rng)
    mean, sd = rng.normal(size=5), np.exp(rng.normal(0, 2, 5))
    sd[seed % 5] = 0.0  # held
    free = sd > 0
    found = fit(residual, jacobian, mean, Prior(mean, sd))

    def stacked(inner):
        x = mean.copy()
        x[free] = inner
        return np.concatenate([residual(x), (inner - mean[free]) / sd[free]])

    theirs = optimize.least_squares(stacked, mean[free], xtol=1e-15, ftol=1e-15, gtol=1e-15)
    assert found.converged
    assert found.cost == pytest.approx(2 * theirs.cost, rel=1e-9)
    # Steps below 1e-9 in the cost are not taken: the place is known to 3e-5 standard deviations and better.
    covariance = covariance_of(found.information, free)
    deviations = np.sqrt(np.diag(covariance)[free])
    np.testing.assert_array_less(np.abs(found.point[free] - theirs.x) / deviations, 1e-4)
    assert found.point[~free] == mean[~free]
    # The same covariance as from scipy's Jacobian, prior rows included; nothing for what is held.
    np.testing.assert_allclose(
        covariance[np.ix_(free, free)], np.linalg.inv(theirs.jac.T @ theirs.jac), rtol=2e-3, atol=1e-6
    )
    assert not covariance[~free].any()
    assert not covariance[:, ~free].any()


def test_a_single_prior_and_a_single_reading_by_hand():
    # A reading of 10 +- 1 and a prior of 4 +- 2: weights 1 and 1/4, mean 8.8, sd sqrt(0.8).
    found = fit(lambda x: x - 10.0, lambda x: np.ones((1, 1)), [0.0], Prior(np.array([4.0]), np.array([2.0])))
    assert found.point[0] == pytest.approx(8.8, abs=1e-6)
    assert found.information[0, 0] == pytest.approx(1.25)
    assert found.data_information[0, 0] == pytest.approx(1.0)
    assert found.cost == pytest.approx(1.2**2 + 2.4**2)
    assert covariance_of(found.information, np.array([True]))[0, 0] == pytest.approx(0.8)


def test_rosenbrock_from_the_usual_start():
    # H. Rosenbrock, Computer Journal 3 (1960) 175; minimum 0 at (1, 1), usual start (-1.2, 1).
    found = fit(
        lambda x: np.array([10 * (x[1] - x[0] ** 2), 1 - x[0]]),
        lambda x: np.array([[-20 * x[0], 10.0], [-1.0, 0.0]]),
        [-1.2, 1.0],
    )
    assert found.converged
    np.testing.assert_allclose(found.point, [1, 1], atol=1e-4)


def test_stops_at_the_iteration_limit_and_says_so():
    found = fit(
        lambda x: np.array([10 * (x[1] - x[0] ** 2), 1 - x[0]]),
        lambda x: np.array([[-20 * x[0], 10.0], [-1.0, 0.0]]),
        [-1.2, 1.0],
        max_iterations=3,
    )
    assert not found.converged
    assert found.cost < 24.2  # the cost of the start


def test_no_finite_start_is_an_error():
    with pytest.raises(SolveError, match="no finite start"):
        fit(lambda x: np.array([np.nan]), lambda x: np.ones((1, 1)), [0.0])


def test_steps_into_nowhere_are_taken_back():
    # log(x) is not a number left of 0: the full first step from 5 lands there.
    found = fit(
        lambda x: np.where(x > 0, np.log(np.maximum(x, 1e-300)), np.nan),
        lambda x: 1 / x[None, :],
        [5.0],
    )
    assert found.point[0] == pytest.approx(1.0, abs=1e-4)


def test_covariance_of_parameters_of_very_different_size():
    # Radians beside millimetres beside pixels: plain inversion would lose digits.
    sizes = np.array([1e-8, 1.0, 1e6])
    correlation = np.array([[1, 0.5, 0.2], [0.5, 1, -0.3], [0.2, -0.3, 1]])
    covariance = correlation * np.outer(sizes, sizes)
    back = covariance_of(np.linalg.inv(correlation) / np.outer(sizes, sizes), np.ones(3, bool))
    np.testing.assert_allclose(back, covariance, rtol=1e-10)


# Student's t -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("degrees", "printed"),
    # Two-sided 95 %: R. Fisher's table as printed in T. Soong, Fundamentals of Probability and Statistics for
    # Engineers (2004), table A.4, column 0.025; also NIST/SEMATECH e-Handbook, section 1.3.6.7.2.
    [(5, 2.571), (6, 2.447), (8, 2.306), (10, 2.228), (15, 2.131), (20, 2.086), (30, 2.042), (100, 1.984)],
)
def test_student_quantile_is_the_printed_table(degrees, printed):
    assert student_quantile(degrees) == pytest.approx(printed, abs=0.0016)


@pytest.mark.parametrize("degrees", [5, 5.5, 7, 12, 40, 187, 1e4, 1e9])
def test_student_quantile_is_scipys_within_a_thousandth(degrees):
    assert student_quantile(degrees) == pytest.approx(stats.t.ppf(0.975, degrees), rel=1e-3)


def test_student_quantile_ends_at_the_normal_one():
    assert student_quantile(math.inf) == pytest.approx(1.959964, abs=1e-6)


def test_few_degrees_are_treated_as_five():
    assert student_quantile(1) == student_quantile(5)

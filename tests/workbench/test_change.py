"""Whether a mirror has moved: from corners of known truth."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from align.bundle.grouping import photo_views
from align.optics.camera_model import CameraPrior
from align.solve.joint import Solution, UserConstraints, solve
from align.solve.simulate import phone_camera, simulate
from align.workbench.change import Change, change_between, congruency
from align.workbench.stand import _of_two_cameras
from align.workbench.thresholds import CHANGE_LEVEL
from tests.support.stands import SHEET, SIZE, two_stands
from tests.support.twisted import twisted_photos

Array = NDArray[np.float64]
STILL = (0.0, 0.0, 0.0)


def changes(seed: int, count: int, move: tuple[float, float, float]) -> list[Change]:
    """Tests of so many pairs."""
    rng = np.random.default_rng(seed)
    found = [change_between(SHEET, *two_stands(rng, move)) for _ in range(count)]
    return [change for change in found if change is not None]


@pytest.mark.slow
@pytest.mark.parametrize(
    ("move", "name"),
    [((0.05, 0.0, 0.0), "lean"), ((0.0, 0.03, 0.0), "turn"), ((0.0, 0.0, 0.3), "gap")],
)
def test_a_move_is_noticed_and_measured(move: tuple[float, float, float], name: str) -> None:
    """A tenth of a millimetre of packing under 150 mm is 0.04 degrees: no photo of such a move is joined."""
    found = changes(5, 3, move)
    assert all(change.moved for change in found), name
    for change in found:
        off = change.difference - np.array([np.radians(move[0]), np.radians(move[1]), move[2]])
        assert (np.abs(off) < 5 * np.sqrt(np.diag(change.covariance))).all()


@pytest.mark.slow
def test_a_mirror_that_stood_still_is_rarely_said_to_have_moved() -> None:
    """Of 12 pairs, chance at the level gives 0.12; the probabilities spread as a true null hypothesis's do. Two
    hundred are for `tests.bench.moves`."""
    found = changes(6, 12, STILL)
    assert sum(change.moved for change in found) <= 1  # Poisson: more in one case of 150
    probabilities = np.sort([change.probability for change in found])
    steps = np.arange(1, len(found) + 1) / len(found)
    # Kolmogorov-Smirnov, one-sided: not smaller than even; 0.42 is the one in a hundred for 12 (from memory).
    assert (steps - probabilities).max() < 0.42


def of_twisted(turned_deg: float) -> tuple[Solution, Solution, CameraPrior]:
    """A mirror's upper part and its lower part, each solved alone."""
    photos = twisted_photos(turned_deg)
    first, second = (
        solve(SHEET, photo_views(photo, 0), photo.prior, UserConstraints(exact_print=True)) for photo in photos
    )
    return first, second, photos[0].prior


@pytest.mark.slow
def test_another_part_of_a_bent_mirror_is_no_move() -> None:
    """The mean planes of the two parts are 0.12 degrees apart: it is compared over a strip between them."""
    still, moved = (change_between(SHEET, *of_twisted(turned_deg)) for turned_deg in (0.0, 0.1))
    assert still is not None
    assert moved is not None
    assert not still.moved
    assert moved.moved
    assert abs(np.degrees(moved.difference[1]) - 0.1) < 4 * np.degrees(np.sqrt(moved.covariance[1, 1])) < 0.05
    # With two cameras, whose answers have nothing in common, likewise.
    assert not _of_two_cameras(*of_twisted(0.0)[:2]).moved
    assert _of_two_cameras(*of_twisted(0.1)[:2]).moved


def test_what_errs_alike_in_both_photos_drops_out() -> None:
    """The gap's difference is known far better than either gap: one camera, one glass and one sheet in both."""
    first, second, prior = two_stands(np.random.default_rng(3), STILL)
    change = change_between(SHEET, first, second, prior)
    assert change is not None
    apart = [solution.covariance[where, where] for solution in (first, second) for where in [_offset(solution)]]
    assert np.sqrt(change.covariance[2, 2]) < 0.2 * np.sqrt(sum(apart))
    assert np.linalg.eigvalsh(change.covariance).min() > 0


def _offset(solution: Solution) -> int:
    return solution.state.layout.mirror(0).start + 2


def test_other_numbers_of_mirrors_cannot_be_compared() -> None:
    """One photo shows one mirror, the other two."""
    rng = np.random.default_rng(4)
    first, _, prior = two_stands(rng, STILL)
    made = simulate(
        SHEET,
        eyes=[np.array([0.0, -500.0, 300.0])],
        mirrors=[np.array([0.0, 0.6, 60.0, 0.0]), np.array([0.0, -0.6, 60.0, 0.0])],
        camera_parameters=phone_camera(rng, prior),
        size=SIZE,
        noise_px=0.1,
        rng=rng,
        equivalent_mm=26.0,
    )
    both = solve(SHEET, made.views, made.prior)
    assert change_between(SHEET, first, both, prior) is None


def test_the_congruency_test_has_its_level() -> None:
    """On differences drawn from its own covariance it says "moved" as often as its level says: 1 % of 20,000."""
    rng = np.random.default_rng(0)
    root = np.array([[1.0, 0, 0], [0.8, 0.3, 0], [0.1, -0.4, 0.5]])
    covariance, degrees = root @ root.T, 60
    drawn = rng.standard_normal((20_000, 3)) @ root.T
    scale = rng.chisquare(degrees, 20_000) / degrees  # the noise is estimated, with so many degrees of freedom
    moved = [congruency(d, covariance * s, degrees).moved for d, s in zip(drawn, scale, strict=True)]
    assert CHANGE_LEVEL - 0.0025 < np.mean(moved) < CHANGE_LEVEL + 0.0025

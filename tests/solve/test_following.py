"""A frame's own solve: right, as uncertain as it says, and with what it holds counted."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from align.optics.camera_model import prior_from_focal
from align.solve.following import Anchor
from align.solve.forward_model import DIRECT
from align.solve.joint import solve
from align.solve.simulate import Simulated, simulate
from align.target.sheets import SHEETS

SHEET, SIZE = SHEETS["a5"], (1920, 1080)
NOISE_PX = 0.05


def made(
    lean_deg: float, turn_deg: float, seed: int, eye: tuple[float, float, float] = (30, -480, 270)
) -> Simulated:
    """One frame's views."""
    return simulate(
        SHEET,
        eyes=[np.array(eye)],
        mirrors=[np.array([np.radians(lean_deg), np.radians(turn_deg), 40.0, 3.0])],
        camera_parameters=prior_from_focal(SIZE, 26.0).mean,
        size=SIZE,
        noise_px=NOISE_PX,
        rng=np.random.default_rng(seed),
        equivalent_mm=None,
    )


@pytest.fixture(scope="module")
def anchor() -> Anchor:
    """The joint solve that frames are solved from."""
    first = made(0.6, -0.3, 1)
    return Anchor(SHEET, solve(SHEET, first.views, first.prior, rigid=True), first.prior)


def test_a_frame_is_solved_with_the_mirror_elsewhere(anchor: Anchor) -> None:
    """From another place, after a move: within its uncertainty, which holds more than its own noise."""
    frame = made(0.2, 0.1, 2, (60, -450, 300))
    target = next(view for view in frame.views if view.mirror == DIRECT)
    start = anchor.start(None, target.corner_ids, target.pixels)
    found = anchor.solve(start, frame.views)
    assert found is not None
    off = np.degrees(found.moves[:2]) - [0.2, 0.1]
    sd = np.degrees(np.sqrt(np.diag(found.covariance)[:2]))
    assert (np.abs(off) < 3 * sd).all()
    assert (sd < 0.03).all()
    assert np.diag(found.covariance)[0] > 2 * np.diag(found.noise)[0]
    assert 0.5 < found.misfit < 1.6


@pytest.mark.slow
def test_the_noise_of_frames_is_as_large_as_they_say(anchor: Anchor) -> None:
    """The scatter of many frames from one place against the covariance without what is held."""
    moves, said = [], []
    state = None
    for seed in range(60):
        frame = made(0.2, 0.1, 100 + seed)
        views = tuple(replace(view, covariance=view.covariance) for view in frame.views)
        target = next(view for view in views if view.mirror == DIRECT)
        found = anchor.solve(anchor.start(state, target.corner_ids, target.pixels), views)
        assert found is not None
        state = found.state
        # The roll of the camera is drawn with the seed: what is held acts alike in all of them but for little.
        moves.append(found.moves)
        said.append(np.sqrt(np.diag(found.noise)))
    ratio = np.std(moves, axis=0) / np.mean(said, axis=0)
    assert (ratio > 0.6).all(), ratio
    assert (ratio < 1.5).all(), ratio


def test_a_reflection_is_predicted(anchor: Anchor) -> None:
    """Where a lost one must be: within a pixel, as far as a homography can tell."""
    frame = made(0.6, -0.3, 3, (45, -470, 285))
    target, mirrored = sorted(frame.views, key=lambda view: view.mirror)
    state = anchor.start(None, target.corner_ids, target.pixels)
    homography = anchor.homography(state, 0)
    assert homography is not None
    from align.optics.geometry import apply_homography
    from align.target.sheets import corners_board

    places = apply_homography(homography, corners_board(SHEET)[mirrored.corner_ids])
    assert float(np.abs(places - mirrored.pixels).max()) < 2.0


def test_a_frame_claims_no_more_than_the_solve_that_it_rests_on(anchor: Anchor) -> None:
    """A joint solve that averages over shapes leaves the lean open by more than camera, glass and shapes explain:
    that is in every frame's uncertainty, and not in its noise, by which frames are compared."""
    first = made(0.6, -0.3, 1)
    solution = anchor.solution
    lean = solution.state.layout.mirror(0).start
    open_rad, covariance = np.radians(0.05), solution.covariance.copy()
    covariance[lean, lean] += open_rad**2
    wide = Anchor(SHEET, replace(solution, covariance=covariance, covariance_apart=covariance), first.prior)
    frame = made(0.2, 0.1, 2, (60, -450, 300))
    target = next(view for view in frame.views if view.mirror == DIRECT)
    found, before = (
        one.solve(one.start(None, target.corner_ids, target.pixels), frame.views) for one in (wide, anchor)
    )
    assert found is not None
    assert before is not None
    assert found.covariance[0, 0] == pytest.approx(before.covariance[0, 0] + open_rad**2, rel=0.1)
    assert found.covariance[1, 1] == pytest.approx(before.covariance[1, 1], rel=0.1)
    assert np.allclose(found.noise, before.noise)
    assert found.covariance[0, 0] > 0.9 * covariance[lean, lean]

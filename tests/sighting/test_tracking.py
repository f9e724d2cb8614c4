"""Following a sheet and its reflection from frame to frame."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from align.sighting.boards import Board
from align.sighting.tracking import Followed, Follower, quick_look
from align.solve.forward_model import DIRECT
from align.solve.simulate import Simulated
from tests.support.film import drawn_scene, frame_and_truth

SIZE = (1920, 1080)
SCENE = drawn_scene(1, (), swing_mm=8.0)


@pytest.fixture(scope="module")
def frames() -> list[tuple[NDArray[np.uint8], Simulated]]:
    """Four frames, a tenth of a second apart: the hand moves corners by some 5 to 30 px in all."""
    return [frame_and_truth(SCENE, 0.1 * number, number, SIZE) for number in range(4)]


@pytest.fixture
def follower(frames: list[tuple[NDArray[np.uint8], Simulated]]) -> Follower:
    """What was found in the first frame."""
    target, reflections = quick_look(frames[0][0])
    assert target is not None
    assert len(reflections) == 1
    return Follower(frames[0][0], target, reflections)


def off_px(board: Board | None, truth: Simulated, mirror: int) -> float:
    """Rms distance of a board's corners from where they are."""
    assert board is not None
    view = next(view for view in truth.views if view.mirror == mirror)
    places = dict(zip(view.corner_ids.tolist(), view.pixels, strict=True))
    off = [pixel - places[corner] for corner, pixel in zip(board.corner_ids.tolist(), board.pixels, strict=True)]
    return float(np.sqrt(np.mean(np.square(off))))


@pytest.mark.slow
def test_corners_are_found_again(frames: list[tuple[NDArray[np.uint8], Simulated]], follower: Follower) -> None:
    """To the accuracy of a photo's, nearly all of them, though the hand moved."""
    for gray, truth in frames[1:]:
        seen = follower.step(gray)
        assert 0.002 < off_px(seen.target, truth, DIRECT) < 0.08
        assert 0.002 < off_px(seen.reflections[0], truth, 0) < 0.1
        assert seen.target is not None
        assert len(seen.target.corner_ids) > 50


def test_a_covered_reflection_is_lost_and_found(
    frames: list[tuple[NDArray[np.uint8], Simulated]], follower: Follower
) -> None:
    """A hand before the mirror: the sheet stays; where a solve says that the reflection is, it is found again."""
    first = follower.step(frames[1][0])
    covered = frames[2][0].copy()
    assert first.reflections[0] is not None
    low = first.reflections[0].outline_px.min(axis=0).astype(int) - 12
    high = first.reflections[0].outline_px.max(axis=0).astype(int) + 12
    covered[low[1] : high[1], low[0] : high[0]] = 95
    seen = follower.step(covered)
    assert seen.target is not None
    assert seen.reflections == (None,)
    again: Followed = follower.step(frames[3][0])
    assert again.reflections == (None,)  # nobody says where
    place = first.reflections[0].homography
    again = follower.step(frames[1][0], lambda target, mirror: place)
    assert 0.002 < off_px(again.reflections[0], frames[1][1], 0) < 0.1


def test_an_empty_frame_shows_nothing(follower: Follower) -> None:
    """And neither does the next one: whoever follows has to look anew."""
    seen = follower.step(np.full(SIZE[::-1], 110, np.uint8))
    assert (seen.target, seen.reflections) == (None, (None,))
    assert quick_look(np.full(SIZE[::-1], 110, np.uint8)) == (None, [])

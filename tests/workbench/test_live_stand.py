"""Stands of a film: moves are noticed, noise and passing hands are not, and views are few and apart."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from align.optics.camera_model import prior_from_focal
from align.sighting.photo import Sighting
from align.solve.following import FrameSolution
from align.solve.simulate import simulate
from align.target.sheets import SHEETS
from align.workbench import thresholds
from align.workbench.live_stand import StandWatch, Views, apart_px
from tests.support.sighted import sighted_photos

SD = np.array([np.radians(0.0025), np.radians(0.0015), 0.006])
SIZE = (1920, 1080)
ANY: Any = None


def frame(rng: np.random.Generator, lean_deg: float = 0.6, common: float = 0.0) -> FrameSolution:
    """A frame's solve with its noise; common : an error that all frames share [sd of what is held]."""
    moves = np.array([np.radians(lean_deg), np.radians(-0.3), 40.0]) + rng.normal(0, SD)
    by_held = np.array([[np.radians(0.013)], [np.radians(0.004)], [0.4]])
    return FrameSolution(
        moves + common * by_held[:, 0], np.diag(SD**2), by_held, np.eye(1), 1.0, ANY, np.zeros((3, 3))
    )


def watched(*leans_deg: float, common: float = 0.0, seed: int = 0) -> tuple[StandWatch, list[int], list[str]]:
    """A watch after frames of these leans; the stand and motion after each."""
    rng, watch = np.random.default_rng(seed), StandWatch()
    stands, motions = [], []
    for lean in leans_deg:
        watch.add(frame(rng, lean, common))
        stands.append(watch.stand)
        motions.append(watch.motion)
    return watch, stands, motions


def test_noise_alone_is_no_move() -> None:
    """Three minutes at ten a second, with an error that all frames share: one stand."""
    _, stands, motions = watched(*[0.6] * 1800, common=2.0)
    assert stands[-1] == 1
    assert "moving" not in motions[thresholds.LIVE_SETTLE_FRAMES :]


@pytest.mark.parametrize("step_deg", [0.05, -0.3])
def test_a_step_is_noticed_at_once(step_deg: float) -> None:
    """Within four frames, and four later it is a new stand."""
    _, stands, motions = watched(*[0.6] * 40, *[0.6 + step_deg] * 12)
    assert "moving" in motions[40:44]
    assert stands[39] == 1
    assert stands[-1] == 2


def test_a_slow_turn_is_noticed() -> None:
    """0.1 degrees in ten seconds, by a screw."""
    _, stands, motions = watched(*[0.6] * 40, *np.linspace(0.6, 0.7, 100), *[0.7] * 20)
    assert "moving" in motions[40:100]
    assert stands[-1] > 1


def test_what_passes_before_the_camera_is_no_move() -> None:
    """Two wild frames, then all is as it was: the same stand."""
    _, stands, _ = watched(*[0.6] * 40, 2.0, -1.0, *[0.6] * 12)
    assert stands[-1] == 1


def test_what_was_lost_settles_first() -> None:
    """After the sheet was covered, a mirror elsewhere is a new stand, without a frame of the old one in it."""
    rng, watch = np.random.default_rng(1), StandWatch()
    for _ in range(30):
        watch.add(frame(rng))
    watch.lost()
    assert watch.motion == "moving"
    news = [watch.add(frame(rng, 0.2)) for _ in range(6)]
    assert news.index(True) == thresholds.LIVE_SETTLE_FRAMES - 1
    assert watch.stand == 2


def seen_from(x_mm: float, seed: int = 0) -> Sighting:
    """What a camera shows from a place."""
    made = simulate(
        SHEETS["a5"],
        eyes=[np.array([x_mm, -480.0, 270.0])],
        mirrors=[np.array([0.01, 0.0, 40.0, 3.0])],
        camera_parameters=prior_from_focal(SIZE, 26.0).mean,
        size=SIZE,
        noise_px=0.05,
        rng=np.random.default_rng(5),
        equivalent_mm=None,
    )
    (item,) = sighted_photos(SHEETS["a5"], made)
    noise = np.random.default_rng(seed).normal(0, 0.05, item.sighting.target.pixels.shape)
    target = replace(item.sighting.target, pixels=item.sighting.target.pixels + noise)
    return replace(item.sighting, target=target)


def test_frames_from_one_place_are_one_view() -> None:
    """Their mean: noise goes down, their number does not go up."""
    views = Views()
    for seed in range(12):
        views.offer(seen_from(0.0, seed), seed, SIZE)
    (kept,) = views.kept
    assert kept.frames == 12
    pixels = kept.sighting.target.pixels
    exact = seen_from(0.0).target.pixels - np.random.default_rng(0).normal(0, 0.05, pixels.shape)
    assert 0.005 < float(np.std(pixels - exact)) < 0.025


def test_views_are_few_and_spread() -> None:
    """As many as are solved together; what comes later takes the place of what has a near fellow."""
    views = Views()
    for number, x in enumerate([0, 30, 60, 90, 120, 150, 180, 300, 420, 540]):
        views.offer(seen_from(float(x)), number, SIZE, np.array([x, -480.0, 270.0]))
    assert len(views.kept) == thresholds.MOST_JOINED
    assert {0, 7, 8, 9} <= {view.picture for view in views.kept}
    first, last = views.kept[0].sighting, views.kept[-1].sighting
    assert apart_px(first, last) > 20


def test_a_hand_that_sways_is_one_place() -> None:
    """Frames a few millimetres apart err alike: they are not counted as views."""
    views = Views()
    for number in range(12):
        x = 7.0 * np.sin(number)
        views.offer(seen_from(x), number, SIZE, np.array([x, -480.0, 270.0]))
    assert [(view.picture, view.frames) for view in views.kept] == [(0, 1)]

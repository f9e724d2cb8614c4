"""The print's scale from a card or a coin beside the sheet: on drawn photos with side walls, of known scale."""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest
from skimage.draw import polygon2mask

from align.errors import TargetError
from align.sighting.known_length import THINGS, KnownThing, print_scale
from align.solve.simulate import Simulated
from align.target.sheets import SHEETS
from tests.support.synthetic import degrees_mirror, synthetic_photo

SHEET = SHEETS["a6"]
SIZE = (2800, 2100)
FINER = 5


def outline(thing: KnownThing, middle: tuple[float, float], turned_deg: float) -> np.ndarray:
    """(n, 2) [mm]: a circle, or a rectangle with ISO/IEC 7810's corner radius of 3.18 mm."""
    if thing.round:
        angles = np.linspace(0, 2 * math.pi, 240, endpoint=False)
        points = thing.width_mm / 2 * np.column_stack([np.cos(angles), np.sin(angles)])
    else:
        half, radius = np.array([thing.width_mm, thing.height_mm]) / 2, 3.18
        turns = [np.radians(np.linspace(a, a + 90, 12)) for a in (0, 90, 180, 270)]
        signs = [(1, 1), (-1, 1), (-1, -1), (1, -1)]
        points = np.concatenate(
            [
                (half - radius) * s + radius * np.column_stack([np.cos(t), np.sin(t)])
                for t, s in zip(turns, signs, strict=True)
            ]
        )
    turn = math.radians(turned_deg)
    return points @ np.array([[math.cos(turn), math.sin(turn)], [-math.sin(turn), math.cos(turn)]]) + middle


def with_thing(
    photo: np.ndarray,
    truth: Simulated,
    thing: KnownThing,
    scale: float,
    middle: tuple[float, float],
    turned_deg: float,
) -> np.ndarray:
    """The photo of a sheet printed at a scale, with a thing lying there: a dark side wall, a bright upper face."""
    places = outline(thing, middle, turned_deg) / scale  # the sheet's own millimetres
    rotation, translation = truth.state.cam_from_sheet(0)

    def pixels(height_mm: float) -> np.ndarray:
        points = np.column_stack([places, np.full(len(places), height_mm / scale)])
        return truth.state.camera.project(points @ rotation.T + translation)

    drawn = photo.astype(np.float32)
    heights = np.linspace(0, thing.thickness_mm, 9)
    for number, height in enumerate(heights):
        share = covered(pixels(height), drawn.shape)
        drawn += share * ((205.0 if number == len(heights) - 1 else 70.0) - drawn)
    noise = np.random.default_rng(3).normal(0, 1.5, drawn.shape)
    return np.clip(cv2.GaussianBlur(drawn, (0, 0), 0.7) + noise, 0, 255).astype(np.uint8)


def covered(outline_px: np.ndarray, shape: tuple[int, ...]) -> np.ndarray:
    """How much of each pixel lies within an outline: by 5 x 5 points of each, which skimage tries exactly."""
    low = np.floor(outline_px.min(axis=0)).astype(int) - 1
    high = np.ceil(outline_px.max(axis=0)).astype(int) + 2
    size = (high - low)[::-1]
    fine = (outline_px - low + 0.5) * FINER - 0.5
    mask = polygon2mask(tuple(size * FINER), fine[:, ::-1]).astype(np.float32)
    share = np.zeros(shape, np.float32)
    share[low[1] : high[1], low[0] : high[0]] = mask.reshape(size[0], FINER, size[1], FINER).mean(axis=(1, 3))
    return share


@pytest.fixture(scope="module")
def bare() -> tuple[np.ndarray, Simulated]:
    """A sheet before a mirror, from 40 degrees above the floor, a little from the right."""
    eye = (70.0, -390.0, 330.0)
    return synthetic_photo(SHEET, eye, [degrees_mirror(0.4, -0.3, 60.0)], size=SIZE, aim=(20.0, -60.0, 0.0))


CASES = [
    ("card", (125.0, -60.0), 90.0),
    ("card", (125.0, -60.0), 97.0),
    ("card", (10.0, -145.0), 4.0),
    ("euro-1", (100.0, -40.0), 0.0),
    ("euro-2", (-95.0, -80.0), 0.0),
    ("us-quarter", (95.0, -90.0), 0.0),
]


@pytest.mark.parametrize("scale", [0.97, 1.0, 1.02])
@pytest.mark.parametrize(("name", "middle", "turned_deg"), CASES)
def test_the_scale_of_a_print_is_read(bare, name, middle, turned_deg, scale):
    """Within its interval, which a card narrows to half a per cent and a coin to one."""
    photo, truth = bare
    thing = THINGS[name]
    picture = with_thing(photo, truth, thing, scale, middle, turned_deg)
    found = print_scale(picture, truth.state.camera, truth.state.cam_from_sheet(0), SHEET, thing)
    assert found.low <= scale <= found.high, (found, scale)
    assert found.half_width < (0.012 if thing.round else 0.006)


def test_nothing_beside_the_sheet_is_said(bare):
    photo, truth = bare
    for name in ("card", "euro-1"):
        with pytest.raises(TargetError, match="was found beside the sheet"):
            print_scale(photo, truth.state.camera, truth.state.cam_from_sheet(0), SHEET, THINGS[name])


def test_a_card_askew_is_refused(bare):
    """At 45 degrees every side shows its wall or hides it."""
    photo, truth = bare
    picture = with_thing(photo, truth, THINGS["card"], 1.0, (130.0, -70.0), 45.0)
    with pytest.raises(TargetError, match="was found beside the sheet"):
        print_scale(picture, truth.state.camera, truth.state.cam_from_sheet(0), SHEET, THINGS["card"])


def test_a_thing_of_another_size_is_not_taken_for_the_named_one(bare):
    photo, truth = bare
    small = KnownThing("button", 19.0, 19.0, 2.0, 0.03, round=True)
    picture = with_thing(photo, truth, small, 1.0, (100.0, -40.0), 0.0)
    with pytest.raises(TargetError):
        print_scale(picture, truth.state.camera, truth.state.cam_from_sheet(0), SHEET, THINGS["euro-2"])

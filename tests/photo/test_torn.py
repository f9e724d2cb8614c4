"""Pictures torn along a row, or brighter from one on: found where it can be seen, never in whole ones."""

from __future__ import annotations

import contextlib
from pathlib import Path

import cv2
import numpy as np
import pytest
import skimage.data

from align.errors import PhotoError
from align.photo.decode import Damaged, decode_gray
from align.photo.formats import NoPhoto
from align.photo.read import read_photo
from align.photo.torn import step_row, torn_row
from align.target.sheets import SHEETS
from tests.support.places import SAMPLES
from tests.support.synthetic import degrees_mirror, synthetic_photo, write_photo

PHOTOS = sorted(SAMPLES.glob("*.jpg"))


def reduced(path: Path, long_side_px: int) -> np.ndarray:
    gray = cv2.imread(str(path), cv2.IMREAD_GRAYSCALE)
    factor = long_side_px / max(gray.shape)
    return np.asarray(cv2.resize(gray, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA), np.uint8)


def saved_again(gray: np.ndarray, quality: int) -> np.ndarray:
    _, data = cv2.imencode(".jpg", gray, [cv2.IMWRITE_JPEG_QUALITY, quality])
    return np.asarray(cv2.imdecode(data, cv2.IMREAD_GRAYSCALE), np.uint8)


@pytest.mark.parametrize("path", PHOTOS, ids=lambda path: path.stem)
def test_a_tear_is_found_and_told_where_it_is(path):
    whole = reduced(path, 1600)
    rng = np.random.default_rng(0)
    found = missed = 0
    for _ in range(10):
        row, shift = int(rng.uniform(0.15, 0.85) * len(whole)), int(rng.choice([-1, 1]) * rng.integers(16, 200))
        torn = whole.copy()
        torn[row:] = np.roll(torn[row:], shift, axis=1)
        tear = torn_row(torn)
        if tear is not None:  # between slanted edges, a shift a little off fits as well
            found += 1
            assert tear[0] == row
            assert abs(tear[1] - shift) <= 4
        elif (np.abs(torn[row].astype(int) - whole[row]) > 10).mean() > 0.05:  # a plain row shifted looks the same
            missed += 1
    assert missed <= 1
    assert found >= 6


@pytest.mark.slow
@pytest.mark.parametrize("path", PHOTOS, ids=lambda path: path.stem)
def test_whole_photos_are_not_torn(path):
    for size, quality in ((800, 30), (1280, 70)):
        assert torn_row(saved_again(reduced(path, size), quality)) is None


def test_level_edges_and_printed_rows_are_no_tears():
    # A nearly level edge moves sideways from row to row; a row of squares is the one above it, shifted.
    slope = np.fromfunction(lambda y, x: np.where(y - 100 > x / 40, 220, 40), (400, 600)).astype(np.uint8)
    squares = np.kron(np.indices((12, 18)).sum(axis=0) % 2, np.ones((30, 30))) * 200 + 20
    sheet = np.full((500, 800), 120, np.uint8)
    sheet[60:420, 100:640] = squares.astype(np.uint8)
    for picture in (slope, sheet, np.zeros((300, 300), np.uint8), np.full((300, 300), 255, np.uint8)):
        assert torn_row(picture) is None


def darker_blocks(gray: np.ndarray, quality: int, row: int, column: int, grey: int) -> np.ndarray:
    """A JPEG's picture whose blocks are brighter by `grey` from the one at (row, column) on."""
    spoiled = saved_again(gray, quality).astype(int)
    spoiled[row : row + 8, column:] += grey
    spoiled[row + 8 :] += grey
    return np.clip(spoiled, 0, 255).astype(np.uint8)


@pytest.mark.slow
@pytest.mark.parametrize("path", PHOTOS, ids=lambda path: path.stem)
def test_blocks_that_go_on_brighter_or_darker_are_found(path):
    whole = reduced(path, 1600)
    rng = np.random.default_rng(1)
    found = 0
    for _ in range(10):
        row, column = (8 * int(rng.uniform(0.1, 0.9) * n / 8) for n in whole.shape)
        grey = int(rng.choice([-1, 1]) * rng.integers(4, 40))
        step = step_row(darker_blocks(whole, 85, row, column, grey), 5 / 8)
        if step is not None:
            found += 1
            assert step[0] in (row, row + 8)
            assert abs(step[1] - grey) <= max(1, 0.2 * abs(grey))
    assert found >= 7  # texture hides small steps, and what is white or black throughout cannot go on brighter


@pytest.mark.slow
def test_whole_pictures_have_no_steps():
    """Our samples, and photographs of scikit-image's (public domain or CC0; its README names each), saved again."""
    folder = Path(skimage.data.__file__).parent
    pictures = [reduced(path, 1280) for path in PHOTOS]
    for name in ("astronaut.png", "brick.png", "camera.png", "chelsea.png", "coffee.png", "coins.png", "gravel.png",
                 "motorcycle_left.png", "page.png", "rocket.jpg", "text.png"):  # fmt: skip
        gray = np.asarray(cv2.imread(str(folder / name), cv2.IMREAD_GRAYSCALE), np.uint8)
        pictures += [gray, np.ascontiguousarray(gray.T)]
    for picture in pictures:
        for quality, first_of_table in ((30, 27), (60, 13), (90, 3)):
            assert step_row(saved_again(picture, quality), first_of_table / 8) is None


def test_a_screenshots_bars_are_no_steps():
    for grey in (0, 255):
        framed = cv2.copyMakeBorder(reduced(PHOTOS[0], 1280), 96, 96, 40, 40, cv2.BORDER_CONSTANT, value=grey)
        assert step_row(saved_again(np.asarray(framed, np.uint8), 85), 5 / 8) is None


def test_a_jpeg_with_flipped_bits_that_the_decoder_takes_is_refused(tmp_path):
    """Of damage that libjpeg does not notice, at the least the half is: some of it changes next to nothing."""
    _, data = cv2.imencode(".jpg", reduced(PHOTOS[0], 1280), [cv2.IMWRITE_JPEG_QUALITY, 85])
    whole = cv2.imdecode(data, cv2.IMREAD_GRAYSCALE)
    rng = np.random.default_rng(2)
    unheard = refused = 0
    for number in range(400):
        spoiled = np.array(data)
        spoiled[int(rng.integers(1000, len(data)))] ^= 1 << int(rng.integers(8))
        try:
            gray = decode_gray(spoiled.tobytes())
        except (Damaged, NoPhoto):
            continue
        if np.mean(np.abs(gray.astype(int) - whole) > 30) < 0.01:
            continue  # noticed, or seen only by who looks for it
        unheard += 1
        path = tmp_path / f"{number}.jpg"
        path.write_bytes(spoiled.tobytes())
        with contextlib.suppress(PhotoError):
            read_photo(path)
            continue
        refused += 1
    assert unheard >= 10
    assert refused >= 0.5 * unheard


def test_a_torn_photo_is_refused_with_its_place(tmp_path):
    mirror = degrees_mirror(0.6, -0.35, 40.0, 3.0)
    gray, _ = synthetic_photo(SHEETS["a5"], (60, -480, 280), [mirror], size=(800, 600))
    gray = np.clip(gray + np.random.default_rng(1).normal(0, 6, gray.shape), 0, 255).astype(np.uint8)
    assert read_photo(write_photo(tmp_path / "whole.jpg", gray)).size == (800, 600)
    gray[330:] = np.roll(gray[330:], 24, axis=1)
    with pytest.raises(PhotoError, match=r"damaged: from row 330 on it is shifted sideways by some 24 px"):
        read_photo(write_photo(tmp_path / "torn.jpg", gray))

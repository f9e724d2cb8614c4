"""Pictures torn along a row: found wherever there is something to see, and never in whole ones."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest
from synthetic import degrees_mirror, synthetic_photo, write_photo

from align.errors import PhotoError
from align.photo import read_photo
from align.target import SHEETS
from align.torn import torn_row

SAMPLES = sorted((Path(__file__).parents[1] / "sample_images").glob("*.jpg"))


def reduced(path: Path, long_side_px: int) -> np.ndarray:
    gray = cv2.imread(str(path), cv2.IMREAD_GRAYSCALE)
    factor = long_side_px / max(gray.shape)
    return np.asarray(cv2.resize(gray, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA), np.uint8)


def saved_again(gray: np.ndarray, quality: int) -> np.ndarray:
    _, data = cv2.imencode(".jpg", gray, [cv2.IMWRITE_JPEG_QUALITY, quality])
    return np.asarray(cv2.imdecode(data, cv2.IMREAD_GRAYSCALE), np.uint8)


@pytest.mark.parametrize("path", SAMPLES, ids=lambda path: path.stem)
def test_a_tear_is_found_and_told_where_it_is(path):
    whole = reduced(path, 1600)
    rng = np.random.default_rng(0)
    found = []
    for _ in range(10):
        row, shift = int(rng.uniform(0.15, 0.85) * len(whole)), int(rng.choice([-1, 1]) * rng.integers(16, 200))
        torn = whole.copy()
        torn[row:] = np.roll(torn[row:], shift, axis=1)
        found.append(torn_row(torn))
        if found[-1] is not None:  # between slanted edges, a shift a little off fits as well
            assert found[-1][0] == row
            assert abs(found[-1][1] - shift) <= 4
    assert found.count(None) <= 2  # where little is to be seen in the row


@pytest.mark.parametrize("path", SAMPLES, ids=lambda path: path.stem)
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


def test_a_torn_photo_is_refused_with_its_place(tmp_path):
    mirror = degrees_mirror(0.6, -0.35, 40.0, 3.0)
    gray, _ = synthetic_photo(SHEETS["a5"], (60, -480, 280), [mirror], size=(800, 600))
    gray = np.clip(gray + np.random.default_rng(1).normal(0, 6, gray.shape), 0, 255).astype(np.uint8)
    assert read_photo(write_photo(tmp_path / "whole.jpg", gray)).size == (800, 600)
    gray[330:] = np.roll(gray[330:], 24, axis=1)
    with pytest.raises(PhotoError, match=r"damaged: from row 330 on it is shifted sideways by some 24 px"):
        read_photo(write_photo(tmp_path / "torn.jpg", gray))

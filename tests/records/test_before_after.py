"""Before laid over after."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from align.optics.geometry import apply_homography
from align.records.before_after import MOST_STRETCH, register, side_by_side, stretch


def texture(seed: int = 0, size: tuple[int, int] = (800, 600)) -> np.ndarray:
    """A smooth, unmistakable picture."""
    coarse = np.random.default_rng(seed).integers(20, 230, (30, 40, 3), dtype=np.uint8)
    return cv2.resize(coarse, size, interpolation=cv2.INTER_CUBIC)


HOMOGRAPHY = np.array([[0.97, 0.03, 18.0], [-0.02, 1.02, -9.0], [2e-5, -1e-5, 1.0]])
OUTLINE = np.array(
    [[200, 300], [400, 290], [620, 310], [640, 420], [660, 540], [420, 550], [170, 530], [180, 400]], float
)


def test_the_earlier_photo_is_laid_over_the_later_one() -> None:
    """The same scene from a slightly different place: after registering, the pixels agree."""
    after = texture()
    before = cv2.warpPerspective(after, np.linalg.inv(HOMOGRAPHY), (800, 600), flags=cv2.INTER_CUBIC)
    before_px = apply_homography(np.linalg.inv(HOMOGRAPHY), OUTLINE)
    pair = register(before, after, before_px, OUTLINE)
    assert pair.registered
    assert pair.before.shape == pair.after.shape
    assert pair.after.shape[0] > 500
    assert pair.after.shape[1] > 700
    difference = np.abs(pair.before.astype(int) - pair.after.astype(int))[5:-5, 5:-5]
    unregistered = np.abs(before.astype(int) - after.astype(int))
    assert np.percentile(difference, 99) <= 4
    assert np.percentile(unregistered, 99) > 40


def test_nothing_black_is_left_in() -> None:
    """The pair is cut to what both photos show."""
    after, shift = np.full((600, 800, 3), 200, np.uint8), np.array([[1.0, 0, 150], [0, 1, 80], [0, 0, 1]])
    before = np.full((600, 800, 3), 180, np.uint8)
    pair = register(before, after, apply_homography(np.linalg.inv(shift), OUTLINE), OUTLINE)
    assert pair.registered
    assert pair.before.min() == 180
    assert abs(pair.after.shape[1] - 650) <= 14
    assert abs(pair.after.shape[0] - 520) <= 14


@pytest.mark.parametrize(
    ("before_px", "after_px"),
    [
        (np.zeros((0, 2)), np.zeros((0, 2))),
        (OUTLINE[:3], OUTLINE[:3]),
        (OUTLINE, OUTLINE[:5]),
        (OUTLINE, OUTLINE * 2.2),
        (OUTLINE, OUTLINE * [1.0, 0.3]),
        (OUTLINE, np.tile(OUTLINE[:1], (8, 1))),
        (OUTLINE, np.add(OUTLINE, [700.0, 0.0])),
    ],
)
def test_photos_too_unlike_are_left_as_they_are(before_px: np.ndarray, after_px: np.ndarray) -> None:
    """No target in both, another size, another shape, hardly anything in common."""
    before, after = texture(1), texture(2)
    pair = register(before, after, before_px, after_px)
    assert not pair.registered
    assert np.array_equal(pair.after, after)


def test_side_by_side_has_one_height() -> None:
    """A portrait beside a landscape photo."""
    pair = side_by_side(texture(1, (600, 800)), texture(2))
    assert pair.before.shape[:2] == (600, 450)


def test_stretch_is_one_for_turned_and_shifted_views_only() -> None:
    """It counts size and shape, both ways alike."""
    turned = OUTLINE @ np.array([[0.0, 1.0], [-1.0, 0.0]]) + 50
    assert stretch(OUTLINE, turned) == pytest.approx(1.0)
    assert stretch(OUTLINE, 1.3 * OUTLINE) == pytest.approx(1.3)
    assert stretch(1.3 * OUTLINE, OUTLINE) == pytest.approx(1.3)
    assert stretch(OUTLINE, OUTLINE * [1.0, 0.3]) > MOST_STRETCH


def test_without_an_outline_photos_are_laid_over_each_other_by_a_shift() -> None:
    """To the pixel, by phase correlation; other pictures, and other sizes, stay side by side."""
    wide = texture(3, (1000, 760))
    after, before = wide[60:660, 100:900], wide[83:683, 57:857]
    nowhere = np.zeros((0, 2))
    pair = register(before, after, nowhere, nowhere)
    assert pair.registered == "shift"
    assert pair.before.shape == pair.after.shape == (577, 757, 3)
    assert np.array_equal(pair.before, pair.after)
    for other in (texture(4), wide):
        assert register(other, after, nowhere, nowhere).registered == ""

"""Small sheets, in daylight and dim: found by their paper where no marker can be read."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest

import align
from align.sighting.boards import find_boards
from align.sighting.paper_outline import boards_by_paper
from align.sighting.pyramid import Pyramid
from align.target.sheets import SHEETS
from tests.support.synthetic import degrees_mirror, synthetic_photo, write_photo

Gray = np.ndarray
LEAN_DEG, TURN_DEG = 1.0, 2.0


def small_card(dim: float = 1.0) -> Gray:
    """A card 220 px wide, whose squares are 20 px high; `dim`: its light, as a share of a well-lit photo's."""
    photo, _ = synthetic_photo(
        SHEETS["card"], (40, -425, 250), [degrees_mirror(LEAN_DEG, TURN_DEG, 15.0)], blur=1.2, noise=0.004,
        rng=np.random.default_rng(1),
    )  # fmt: skip
    light = (photo / 255.0) ** 2.2 * dim
    light += 0.0015 * np.random.default_rng(2).standard_normal(light.shape)
    return np.round(255 * np.clip(light, 0, 1) ** (1 / 2.2)).astype(np.uint8)


@pytest.mark.slow
@pytest.mark.parametrize("dim", [1.0, 0.07])
def test_a_small_sheet_is_checked_in_daylight_and_in_dim_light(dim: float, tmp_path: Path) -> None:
    """White at 235 and at 70 of 255: neither was found; now the truth is inside an interval under 0.1 degrees."""
    photo = small_card(dim)
    assert not any(len(found.marker_ids) > 1 for found in find_boards(Pyramid(photo), mirrored=False))
    result = align.check(write_photo(tmp_path / "small.jpg", photo))
    for measured, true in (
        (result.mirrors[0].lean_deg, LEAN_DEG),
        (result.mirrors[0].turn_deg, TURN_DEG),
    ):
        assert measured.low <= true <= measured.high
        assert measured.high - measured.low < 0.2
    assert result.photos[0].direct_corners == result.photos[0].reflected_corners == 20


def test_a_lamp_over_the_paper_does_not_hide_it() -> None:
    """A burnt-out lamp on the outline, another on the print: most corners are found where they are."""
    photo = small_card()
    (whole,) = boards_by_paper(Pyramid(photo))
    left, far = whole.outline_px[0]
    for x, y in ((left - 4, far + 4), whole.centre_px):
        cv2.circle(photo, (round(x), round(y)), 7, 255, -1)
    (board,) = boards_by_paper(Pyramid(photo))
    assert board.sheet.name == "card"
    both = np.isin(whole.corner_ids, board.corner_ids)
    assert both.sum() >= 14
    assert np.abs(board.pixels[np.isin(board.corner_ids, whole.corner_ids)] - whole.pixels[both]).max() < 0.3


def test_pale_things_are_no_sheets() -> None:
    """A window front, a plain checkerboard and a bright square."""
    photo = np.full((600, 800), 60, np.uint8)
    photo[100:300, 100:250] = 150
    photo[120:300:40, 120:250] = photo[100:300, 120:250:30] = 20
    photo[350:500, 400:600] = 230
    photo[100:250, 400:600] = 255 * np.kron(np.indices((6, 8)).sum(axis=0) % 2, np.ones((25, 25))).astype(np.uint8)
    assert boards_by_paper(Pyramid(photo)) == []

"""Which finds are looked at: a few markers on a board that is sighted already are its own print misread."""

from __future__ import annotations

import numpy as np
import pytest

import align.sighting.photo as sighting_photo
from align.optics.geometry import apply_homography
from align.sighting.boards import Board
from align.sighting.markers import Detection
from align.sighting.pyramid import Pyramid
from align.solve.joint import View
from align.target.sheets import SHEETS, Sheet, corners_board, marker_corners_board
from tests.support.sighted import board_of

#: A5 sheet seen square on, 2 px a millimetre, its far-left corner at (100, 200).
SHEET = SHEETS["a5"]
TO_PIXELS = np.array([[2.0, 0.0, 100.0], [0.0, 2.0, 200.0], [0.0, 0.0, 1.0]])
GRAY = np.zeros((240, 320), np.uint8)


def board() -> Board:
    """The sheet with all its corners."""
    pixels = apply_homography(TO_PIXELS, corners_board(SHEET))
    numbers = np.arange(len(pixels))
    return board_of(SHEET, View(0, -1, numbers, pixels, np.broadcast_to(np.eye(2), (len(pixels), 2, 2))))


def detection(sheet: Sheet, count: int, shift_px: float = 0.0) -> Detection:
    """The sheet's first markers, `shift_px` to the right of where the board has them."""
    places = marker_corners_board(sheet)[:count]
    pixels = apply_homography(TO_PIXELS, places.reshape(-1, 2)).reshape(places.shape)
    pixels[..., 0] += shift_px
    return Detection(sheet, False, tuple(sheet.marker_ids[:count]), pixels, TO_PIXELS)


@pytest.mark.parametrize(
    ("second", "looked_at"),
    [
        (detection(SHEET, 1), False),
        (detection(SHEET, 3), False),
        (detection(SHEET, 1, shift_px=1000.0), True),  # a double reflection, say
        (detection(SHEET, 4), True),
        (detection(SHEETS["letter"], 1, shift_px=1000.0), False),
        (detection(SHEETS["letter"], 4), True),
    ],
)
def test_few_markers_are_looked_at_only_where_they_may_be_another_image(
    monkeypatch: pytest.MonkeyPatch, second: Detection, looked_at: bool
) -> None:
    seen: list[Detection] = []

    def sighted(_: Pyramid, one: Detection) -> Board | None:
        seen.append(one)
        return board() if len(seen) == 1 else None

    monkeypatch.setattr(sighting_photo, "sight_detection", sighted)
    first = detection(SHEET, 35)
    found = sighting_photo._sighted(Pyramid(GRAY), [first, second])
    assert seen == ([first, second] if looked_at else [first])
    assert len(found) == 1


def test_few_markers_are_looked_at_where_no_board_is_sighted(monkeypatch: pytest.MonkeyPatch) -> None:
    """A sheet of which three markers can be read is still a sheet."""
    seen: list[Detection] = []
    monkeypatch.setattr(sighting_photo, "sight_detection", lambda _, one: seen.append(one))
    detections = [detection(SHEET, 3), detection(SHEETS["letter"], 1)]
    assert sighting_photo._sighted(Pyramid(GRAY), detections) == []
    assert seen == detections

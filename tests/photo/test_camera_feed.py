"""A camera's pictures: the newest alone, and plain words where there is none."""

from __future__ import annotations

import time

import numpy as np
import pytest
from numpy.typing import NDArray

from align.errors import AlignError
from align.photo.camera_feed import CameraSource, Frame, Newest


class Counting:
    """Pictures whose first pixel counts them, as fast as they are read."""

    def __init__(self, pause_s: float = 0.005, silent: bool = False) -> None:
        self.count, self.pause_s, self.silent, self.closed = 0, pause_s, silent, False

    def read(self) -> NDArray[np.uint8] | None:
        """The next one."""
        time.sleep(self.pause_s)
        self.count += 1
        return None if self.silent else np.full((2, 2), self.count % 250, np.uint8)

    def close(self) -> None:
        """Remember it."""
        self.closed = True


def test_a_camera_that_does_not_open_says_so() -> None:
    """Without a line of the library's own, and with what to try."""
    with pytest.raises(AlignError, match="Camera 97 does not open") as error:
        CameraSource(97)
    assert "plugged in" in error.value.remedy


def test_only_the_newest_picture_is_given() -> None:
    """Those that came while one was worked on are dropped; none is given twice."""
    source = Counting()
    newest = Newest(source)
    first = newest.after(0, 5.0)
    assert first is not None
    time.sleep(0.2)
    second = newest.after(first.number, 5.0)
    assert second is not None
    assert second.number > first.number + 3
    assert time.monotonic() - second.came_s < 0.2
    assert int(second.pixels[0, 0]) == second.number % 250
    newest.stop()
    end = time.monotonic() + 5
    while not source.closed and time.monotonic() < end:
        time.sleep(0.01)
    assert source.closed


def test_a_camera_without_pictures_keeps_nobody_waiting() -> None:
    """The wait ends in time."""
    newest = Newest(Counting(silent=True))
    begun = time.monotonic()
    assert newest.after(0, 0.1) is None
    assert time.monotonic() - begun < 2.0
    newest.stop()


def test_pixels_come_as_they_are_needed() -> None:
    """Grey for corners, colours for the picture."""
    colour = Frame(1, 0.0, np.dstack([np.full((2, 2), value, np.uint8) for value in (10, 20, 200)]))
    assert colour.gray.shape == (2, 2)
    assert colour.rgb[0, 0].tolist() == [200, 20, 10]
    grey = Frame(1, 0.0, np.full((2, 2), 7, np.uint8))
    assert grey.gray is grey.pixels
    assert grey.rgb.shape == (2, 2, 3)

"""A photo at full, half, quarter ... size, and the markers that can be read on it reduced."""

from __future__ import annotations

import threading
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from ..optics.geometry import scale_pixels
from .marker_reading import Look, Readings, read_markers

Array = NDArray[np.float64]

#: Long side of the picture that markers are first looked for in [px].
SEARCH_LONG_SIDE_PX = 2000
#: ... or up to so many times as large: a choice.
NEARLY_REDUCED = 1.1


class Pyramid:
    """A grey photo at full, half, quarter ... size, made when asked for; any thread may ask."""

    def __init__(self, gray: NDArray[np.uint8]) -> None:
        self._levels = [gray]
        self._lock = threading.Lock()
        self._readings: dict[Look, tuple[Readings, Readings]] = {}

    def level(self, number: int) -> NDArray[np.uint8]:
        """The photo reduced `number` times by two."""
        import cv2

        with self._lock:
            while len(self._levels) <= number:
                last = self._levels[-1]
                size = (max(last.shape[1] // 2, 1), max(last.shape[0] // 2, 1))
                even = last[: 2 * size[1], : 2 * size[0]]
                half = cv2.resize(even, size, interpolation=cv2.INTER_AREA)
                self._levels.append(np.asarray(half, np.uint8))
            return self._levels[number]

    @cached_property
    def reduced(self) -> NDArray[np.uint8]:
        """The photo with a long side of some SEARCH_LONG_SIDE_PX, or as it is if smaller: for the first look.

        A level is taken as it is where it is nearly as large: reducing by two takes a thirtieth of the time that
        other factors do.
        """
        import cv2

        level = self.level(self._reduced_level)
        factor = SEARCH_LONG_SIDE_PX / max(level.shape)
        if factor >= 1.0 / NEARLY_REDUCED:
            return level
        small = cv2.resize(level, None, fx=factor, fy=factor, interpolation=cv2.INTER_LINEAR)
        return np.asarray(small, np.uint8)

    @property
    def _reduced_level(self) -> int:
        """The last level that is not smaller than the reduced photo, or the photo itself."""
        return max(0, int(np.floor(np.log2(max(self._levels[0].shape) / SEARCH_LONG_SIDE_PX))))

    @property
    def reduced_by(self) -> Array:
        """(2,) how many pixels of the photo, across and down, one of the reduced photo stands for."""
        level, small = self.level(self._reduced_level), self.reduced
        return 2.0**self._reduced_level * np.array(
            [level.shape[1] / small.shape[1], level.shape[0] / small.shape[0]]
        )

    def markers(self, look: Look) -> tuple[Readings, Readings]:
        """The markers that a look reads on the reduced photo, in its pixels: as printed, and mirrored."""
        if look not in self._readings:
            self._readings[look] = read_markers(self.reduced, look)
        return self._readings[look]

    @staticmethod
    def down(pixels: Array, number: int) -> Array:
        """Full-size pixel places to places on a level."""
        return scale_pixels(pixels, 0.5**number)

    @staticmethod
    def up(pixels: Array, number: int) -> Array:
        """Places on a level to full-size pixel places."""
        return scale_pixels(pixels, 2.0**number)

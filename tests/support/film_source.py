"""A film in place of a camera: it gives its frames by the clock, and who is slow misses some."""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from tests.support.film import Film

#: How long everything stays taken away at the end of a film [s].
EMPTY_S = 2.0


def frame_of(step: int, fps: float, film_fps: float) -> int:
    """The film's frame that is given at a step of so many a second."""
    return int(step / fps * film_fps + 1e-6)


class FilmSource:
    """Gives a film's frames at its pace.

    loop : begin again at the end; else the last frame is given for `hold_s` more, then an empty one for EMPTY_S
    pace : how fast the film's clock runs; fps : how many frames of it are given in a second of its own, None: all
    """

    def __init__(
        self, film: Film, *, loop: bool = True, hold_s: float = 0.0, pace: float = 1.0, fps: float | None = None
    ) -> None:
        self.film, self.loop, self.pace, self.fps = film, loop, pace, fps or film.fps
        self.seconds = len(film.frames) / film.fps
        self.hold_s = hold_s
        self._began: float | None = None
        self._step = -1
        self._given: deque[tuple[float, int]] = deque(maxlen=500)
        self._over = threading.Event()
        self.emptied_s = 0.0

    def read(self) -> NDArray[np.uint8] | None:
        """The frame that the clock is at, once; decoding it takes what a camera's compressed picture takes."""
        now = time.monotonic()
        if self._began is None:
            self._began = now
        due = self._began + (self._step + 1) / self.fps / self.pace
        if now < due:
            time.sleep(due - now)
        self._step = max(int((time.monotonic() - self._began) * self.pace * self.fps + 1e-6), self._step + 1)
        number = frame_of(self._step, self.fps, self.film.fps)
        if not self.loop and number >= len(self.film.frames) + self.hold_s * self.film.fps:
            return self._emptied()
        pick = number % len(self.film.frames) if self.loop else min(number, len(self.film.frames) - 1)
        pixels = self.film.pixels(pick)
        self._given.append((time.monotonic(), pick))
        return pixels

    def _emptied(self) -> NDArray[np.uint8] | None:
        """An empty frame; None once there were enough."""
        now = time.monotonic()
        self.emptied_s = self.emptied_s or now
        if now - self.emptied_s < EMPTY_S:
            return np.full_like(self.film.pixels(-1), 100)
        self._over.set()
        time.sleep(0.05)
        return None

    def film_s(self, came_s: float) -> float:
        """The film's time of the frame that came at a time."""
        return min(self._given, key=lambda one: abs(one[0] - came_s), default=(0.0, 0))[1] / self.film.fps

    def wait(self) -> None:
        """Until the film is over."""
        self._over.wait()

    def close(self) -> None:
        """Nothing to give back."""


class StillSource:
    """Gives one picture, or what a function makes, some times a second."""

    def __init__(self, pixels: Callable[[], NDArray[np.uint8] | None], fps: float = 20.0) -> None:
        self._pixels, self._pause = pixels, 1 / fps

    def read(self) -> NDArray[np.uint8] | None:
        """The picture."""
        time.sleep(self._pause)
        return self._pixels()

    def close(self) -> None:
        """Nothing to give back."""

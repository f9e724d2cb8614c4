"""A camera at this computer, picture by picture: a webcam, or a phone that acts as one."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from ..errors import AlignError

Pixels = NDArray[np.uint8]

#: What a camera is asked for; it may give less [px].
WANTED_SIZE = (1920, 1080)
#: A camera that gives no picture for so long is opened anew [s]. A choice.
SILENCE_S = 2.0


class Source(Protocol):
    """Whatever gives pictures, one after the other."""

    def read(self) -> Pixels | None:
        """The next picture, (h, w) grey or (h, w, 3) blue-green-red; None where none came. It may take its time."""

    def close(self) -> None:
        """Give the camera back."""


@dataclass(frozen=True, eq=False)
class Frame:
    """One picture: its number, when it came [s, time.monotonic], and its pixels as the source gave them."""

    number: int
    came_s: float
    pixels: Pixels

    @property
    def gray(self) -> Pixels:
        """(h, w) uint8."""
        import cv2

        if self.pixels.ndim == 2:
            return self.pixels
        return np.asarray(cv2.cvtColor(self.pixels, cv2.COLOR_BGR2GRAY), np.uint8)

    @property
    def rgb(self) -> Pixels:
        """(h, w, 3) uint8."""
        import cv2

        code = cv2.COLOR_GRAY2RGB if self.pixels.ndim == 2 else cv2.COLOR_BGR2RGB
        return np.asarray(cv2.cvtColor(self.pixels, code), np.uint8)


class CameraSource:
    """A camera by its number, as the system counts them from 0."""

    def __init__(self, index: int) -> None:
        """Open it.

        Raises
        ------
        AlignError : it does not open, or gives no picture.
        """
        self.index = index
        self._camera = _opened(index)

    def read(self) -> Pixels | None:
        """The next picture; a camera that has gone is looked for again."""
        good, pixels = self._camera.read()
        if good and pixels is not None:
            return np.asarray(pixels, np.uint8)
        time.sleep(0.2)
        return None

    def reopen(self) -> None:
        """Try to open it again; it stays as it is where that fails."""
        self._camera.release()
        self._camera.open(self.index)
        _set_up(self._camera)

    def close(self) -> None:
        """Give it back."""
        self._camera.release()


@contextmanager
def _in_silence() -> Iterator[None]:
    """OpenCV's own words on standard error left out; its oldest versions here have no switch for that."""
    import cv2

    log: Any = getattr(cv2.utils, "logging", None)
    if log is None:
        yield
        return
    before = log.getLogLevel()
    log.setLogLevel(log.LOG_LEVEL_SILENT)
    try:
        yield
    finally:
        log.setLogLevel(before)


def _opened(index: int) -> Any:
    import cv2

    with _in_silence():  # the error below says it
        camera = cv2.VideoCapture(index)
    if camera.isOpened():
        _set_up(camera)
        if camera.read()[0]:
            return camera
    camera.release()
    raise AlignError(
        f"Camera {index} does not open.",
        "Is it plugged in, and used by no other program? Cameras count from 0: try --camera-index "
        f"{1 if index == 0 else 0}. The system may have to allow this program to use cameras (privacy settings).",
    )


def _set_up(camera: Any) -> None:
    import cv2

    # Compressed pictures: raw ones of this size come at a few a second over USB 2.
    camera.set(cv2.CAP_PROP_FOURCC, cv2.VideoWriter.fourcc(*"MJPG"))
    camera.set(cv2.CAP_PROP_FRAME_WIDTH, WANTED_SIZE[0])
    camera.set(cv2.CAP_PROP_FRAME_HEIGHT, WANTED_SIZE[1])
    camera.set(cv2.CAP_PROP_BUFFERSIZE, 1)


class Newest:
    """Reads a source as fast as it gives, and keeps the newest picture alone: older ones are nobody's answer."""

    def __init__(self, source: Source) -> None:
        self._source = source
        self._ready = threading.Condition()
        self._frame: Frame | None = None
        self._stopped = False
        self._thread = threading.Thread(target=self._run, name="camera", daemon=True)
        self._thread.start()

    def after(self, number: int, timeout_s: float) -> Frame | None:
        """The newest picture after that of a number; None where none came in time."""
        with self._ready:
            self._ready.wait_for(lambda: self._stopped or self._is_after(number), timeout_s)
            return self._frame if self._is_after(number) else None

    def _is_after(self, number: int) -> bool:
        return self._frame is not None and self._frame.number > number

    def stop(self) -> None:
        """Read no more, and give the camera back once the picture at hand has come."""
        with self._ready:
            self._stopped = True
            self._ready.notify_all()

    def _run(self) -> None:
        number, last = 0, time.monotonic()
        while not self._stopped:
            pixels = self._source.read()
            if pixels is None:
                if time.monotonic() - last > SILENCE_S and hasattr(self._source, "reopen"):
                    self._source.reopen()
                    last = time.monotonic()
                continue
            number, last = number + 1, time.monotonic()
            with self._ready:
                self._frame = Frame(number, last, pixels)
                self._ready.notify_all()
        self._source.close()

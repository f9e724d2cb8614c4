"""Decoding JPEG data, and hearing what the decoder says of its damage.

libjpeg carries on over damage: the blocks after it land in wrong places, so that corners shift by whole
blocks, and the only sign is a line on the process's standard error stream. Here that line is read.
"""

from __future__ import annotations

import contextlib
import os
import re
import sys
from collections.abc import Callable, Iterable, Iterator
from typing import IO

import numpy as np
from numpy.typing import NDArray

_STDERR = 2
_EXTRA_BYTES = re.compile(r"(\d+) extraneous bytes before marker 0xd9")
_END = b"\xff\xd9"
#: How libjpeg begins its lines on damage; others tell of oddities that some cameras write.
_DAMAGE = ("Corrupt JPEG data", "Premature end of JPEG file")


def decode_gray(data: bytes, flags: int) -> tuple[NDArray[np.uint8] | None, str]:
    """Grey pixels (None: not to be decoded), and what is wrong with the data ("" : nothing).

    flags : OpenCV's, of `cv2.imdecode`.
    """
    import cv2

    with _heard() as spoken:
        gray = cv2.imdecode(np.frombuffer(data, np.uint8), flags)
        lines = spoken()
    if gray is None:
        return None, ""
    if cut_off(data):
        return None, "its end is missing"
    return np.asarray(gray, np.uint8), _damage(lines, data)


def cut_off(data: bytes) -> bool:
    """Whether a JPEG's end marker is missing; OpenCV fills the rest with grey without a word."""
    return _end_marker(data) < 0


def _end_marker(data: bytes) -> int:
    """Place of the end marker behind the header's segments, which may hold a thumbnail with one of its own."""
    place = 2
    while data[place : place + 1] == b"\xff" and data[place + 1 : place + 2] not in (b"\xda", b""):
        place += 2 + int.from_bytes(data[place + 2 : place + 4], "big")
    return data.find(_END, place)


def _damage(lines: Iterable[str], data: bytes) -> str:
    told = (line for line in lines if line.startswith(_DAMAGE) and not _harmless(line, data))
    return next(told, "").removeprefix("Corrupt JPEG data: ")


def _harmless(line: str, data: bytes) -> bool:
    """Whether a line tells of no more than zeros before the end marker, with which some phones fill up."""
    told = _EXTRA_BYTES.search(line)
    end = _end_marker(data)
    return told is not None and not any(data[max(end - int(told[1]), 0) : end])


def _scratch() -> IO[bytes]:
    """A file to write to and read from; in memory where the system can: importing `tempfile` takes 0.01 s."""
    if hasattr(os, "memfd_create"):
        return os.fdopen(os.memfd_create("align-jpeg"), "w+b")
    import tempfile

    return tempfile.TemporaryFile()


@contextlib.contextmanager
def _heard() -> Iterator[Callable[[], list[str]]]:
    """What C libraries write to standard error meanwhile; a call gives the lines so far."""
    with contextlib.ExitStack() as stack:
        file: IO[bytes] | None = None
        try:
            kept = os.dup(_STDERR)
            stack.callback(os.close, kept)
            file = stack.enter_context(_scratch())
            with contextlib.suppress(Exception):
                sys.stderr.flush()
            os.dup2(file.fileno(), _STDERR)
            stack.callback(os.dup2, kept, _STDERR)
        except OSError:  # no standard error stream: nothing can be heard
            file = None

        def lines() -> list[str]:
            if file is None:
                return []
            file.seek(0)
            return file.read().decode(errors="replace").splitlines()

        yield lines

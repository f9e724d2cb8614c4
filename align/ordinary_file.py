"""Reading files that are files: no folder, pipe or device, and none that would fill the memory."""

from __future__ import annotations

import os
import stat
from pathlib import Path

#: The longest text that is read [MB]: scenes, camera files and records' entries have some kilobytes. A choice.
MAX_TEXT_MB = 20


class CannotRead(Exception):
    """Why a file cannot be read, as the end of a sentence that begins with its name."""


def read_ordinary(path: str | os.PathLike[str], most_mb: float) -> bytes:
    """A file's contents.

    Nothing is opened that is no ordinary file: a pipe would wait for ever for somebody to write, and a device may
    never end.

    Raises
    ------
    FileNotFoundError : there is no such file.
    CannotRead : it is a folder, a pipe, a device, larger than `most_mb`, or may not be read.
    """
    path = Path(path)
    try:
        found = path.stat()
        if stat.S_ISDIR(found.st_mode):
            raise CannotRead("is a folder")
        if not stat.S_ISREG(found.st_mode):
            raise CannotRead("is no ordinary file but a pipe or a device")
        if found.st_size > most_mb * 1e6:
            raise CannotRead(f"has {found.st_size / 1e6:.0f} MB; at most {most_mb:g} are read")
        with path.open("rb") as file:
            data = file.read(int(most_mb * 1e6) + 1)  # it may have grown, and files of the kernel tell no size
    except FileNotFoundError:
        raise
    except ValueError as error:  # a null character in the name
        raise CannotRead(f"cannot be read: {error}") from None
    except OSError as error:
        raise CannotRead(f"cannot be read: {error.strerror or error}") from None
    if len(data) > most_mb * 1e6:
        raise CannotRead(f"has more than {most_mb:g} MB")
    return data


def read_text(path: str | os.PathLike[str]) -> str:
    """A text file's contents: UTF-8, with a byte-order mark, as some editors write it, or without.

    Raises
    ------
    FileNotFoundError, CannotRead : as `read_ordinary`, or it is no UTF-8.
    """
    try:
        return read_ordinary(path, MAX_TEXT_MB).decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise CannotRead(f"is no text in UTF-8: {error.reason} at byte {error.start}") from None

"""A photo's file: read once, and told apart from another that has taken its place since.

Results hold a `PhotoFile`, which is small. The contents of the files that were read last are kept here, so that
grey pixels, the picture's colours and the record's copy come from one reading, however many photos there are.
"""

from __future__ import annotations

import os
import threading
import zlib
from collections import OrderedDict
from dataclasses import dataclass
from pathlib import Path

from ..errors import PhotoError
from ..ordinary_file import CannotRead, read_ordinary
from . import thresholds


@dataclass(frozen=True)
class PhotoFile:
    """Where a photo was read, and which: length in bytes and check sum (CRC-32) of what was read."""

    path: Path
    length: int
    check_sum: int

    def contents(self) -> bytes:
        """The file's bytes, as they were when it was first read.

        Raises
        ------
        PhotoError
            They are no longer kept here, and the file has changed or gone.
        """
        kept = _kept.get(self)
        if kept is not None:
            return kept
        data = _read(self.path)
        if (len(data), zlib.crc32(data)) != (self.length, self.check_sum):
            raise PhotoError(f"{self.path} has changed since it was checked.", "Check the photo again.")
        _kept.put(self, data)
        return data


class _Kept:
    """Contents of the files that were read last, up to KEPT_MB in all; any thread may ask."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._contents: OrderedDict[PhotoFile, bytes] = OrderedDict()

    def get(self, file: PhotoFile) -> bytes | None:
        with self._lock:
            return self._contents.get(file)

    def put(self, file: PhotoFile, data: bytes) -> None:
        with self._lock:
            self._contents.pop(file, None)
            self._contents[file] = data
            while sum(map(len, self._contents.values())) > thresholds.KEPT_MB * 1e6:
                self._contents.popitem(last=False)


_kept = _Kept()


def read_file(path: str | os.PathLike[str]) -> tuple[PhotoFile, bytes]:
    """Read a photo's file, whatever it holds: which it is, and its bytes.

    Raises
    ------
    PhotoError
        It is missing, empty, too large, or no ordinary file.
    """
    data = _read(Path(path))
    file = file_of(path, data)
    _kept.put(file, data)
    return file, data


def file_of(name: str | os.PathLike[str], data: bytes) -> PhotoFile:
    """A photo that came as bytes, under a name for its messages; who asks for more gives the bytes again."""
    return PhotoFile(Path(name), len(data), zlib.crc32(data))


def _read(path: Path) -> bytes:
    try:
        data = read_ordinary(path, thresholds.MAX_FILE_MB)
    except FileNotFoundError:
        raise PhotoError(f"There is no file {path}.", "Check the name and the folder.") from None
    except CannotRead as error:
        raise PhotoError(
            f"{path} {error}; a photo was expected.",
            "Name the photo files themselves, and check that you may read them.",
        ) from None
    if not data:
        raise PhotoError(f"{path} is empty (0 bytes).", "Copy the photo from the phone again.")
    return data

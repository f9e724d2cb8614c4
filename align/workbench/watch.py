"""A folder that photos arrive in, from a phone that syncs or a tethered camera: each is read when it is whole.

The folder is looked through every so often, which works on network folders too; nothing is taken away or changed.
"""

from __future__ import annotations

import contextlib
import os
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from ..errors import AlignError, PhotoError
from . import thresholds
from .receiving import Refused
from .session import Session

SUFFIXES = (".jpg", ".jpeg", ".png", ".heic", ".heif", ".tif", ".tiff", ".webp")
#: How often a folder is looked through where nobody said [s].
EVERY_S = 1.0
Mark = tuple[int, int]


@dataclass(frozen=True)
class WatchShown:
    """What a page says of the folder: how many photos were taken from it, the last one's name, and any trouble."""

    folder: str
    taken: int = 0
    last: str = ""
    trouble: str = ""


@dataclass
class _Arriving:
    """A file: its size and time of change at the last look, since when they stand, whether it is done."""

    mark: Mark
    since_s: float
    done: bool = False


class FolderLooks:
    """Tells from look to look which files are whole: their size and time of change stood still, and they decode.

    Only what comes, or changes, after the first look counts. Clocks of other computers are compared with nothing.
    """

    def __init__(self, folder: Path, whole: Callable[[Path], bool]) -> None:
        self._folder, self._whole = folder, whole
        self._files: dict[Path, _Arriving] | None = None

    def look(self, now_s: float) -> list[Path]:
        """Files that have become whole since the last look, the oldest first.

        Raises
        ------
        OSError : the folder cannot be read now.
        """
        marks = _marks(self._folder)
        if self._files is None:
            self._files = {path: _Arriving(mark, now_s, done=True) for path, mark in marks.items()}
            return []
        self._files = {path: known for path, known in self._files.items() if path in marks}
        ready = []
        for path, mark in marks.items():
            known = self._files.get(path)
            if known is None or known.mark != mark:
                self._files[path] = _Arriving(mark, now_s)
            elif not known.done and mark[0] > 0:
                given_up = now_s - known.since_s > thresholds.WATCH_PATIENCE_S
                if self._whole(path) or given_up:
                    known.done = True
                    ready.append((mark[1], path.name, path))
        return [path for *_, path in sorted(ready)]

    def again(self, path: Path) -> None:
        """Have a file come up once more at the next look."""
        if self._files is not None and path in self._files:
            self._files[path].done = False


def _marks(folder: Path) -> dict[Path, Mark]:
    """Size and time of change of each photo in a folder; what vanishes meanwhile is left out."""
    marks = {}
    with os.scandir(folder) as entries:
        for entry in entries:
            if entry.name.startswith((".", "~")) or not entry.name.lower().endswith(SUFFIXES):
                continue
            with contextlib.suppress(OSError):
                found = entry.stat()
                if entry.is_file():
                    marks[Path(entry.path)] = (found.st_size, found.st_mtime_ns)
    return marks


def is_whole(path: Path) -> bool:
    """Whether a file can be decoded to its end; a file that has gone or is being written cannot."""
    from ..photo.read import read_photo

    try:
        read_photo(path)
    except (AlignError, OSError):
        return False
    return True


class Watch:
    """Takes a folder's new photos to the attended mirror, until it is stopped.

    every_s : how often the folder is looked through
    """

    def __init__(self, session: Session, folder: Path, every_s: float = EVERY_S) -> None:
        """Begin.

        Raises
        ------
        AlignError : there is no such folder.
        """
        if not folder.is_dir():
            raise AlignError(f"There is no folder {folder} to watch.", "Name the folder that the photos arrive in.")
        self.session, self.folder, self.every_s = session, folder, every_s
        self.shown = WatchShown(str(folder))
        self._looks = FolderLooks(folder, is_whole)
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="watch", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """Look no more."""
        self._stop.set()
        self._thread.join(1.0)

    def _run(self) -> None:
        while True:
            try:
                for path in self._looks.look(time.monotonic()):
                    self._take(path)
                if self.shown.trouble == self._unreadable:
                    self._say(trouble="")
            except OSError:
                self._say(trouble=self._unreadable)
            if self._stop.wait(self.every_s):
                return

    @property
    def _unreadable(self) -> str:
        return f"The folder {self.folder} cannot be read now; it is tried again."

    def _take(self, path: Path) -> None:
        """One photo to the mirror that is attended to; later where there is no place for it yet."""
        table = self.session.attended
        if table is None:
            self._looks.again(path)
            self._say(trouble="A photo has arrived: start a mirror, and it is worked on.")
            return
        try:
            data = _read(path)
            with self.session.place():
                self.session.take_photo(table, data)
        except FileNotFoundError:
            return  # it vanished: whoever took it away wanted that
        except Refused as refused:
            if refused.status == 503:  # six photos wait already
                self._looks.again(path)
            else:
                self._say(trouble=f"{path.name}: {refused.message}")
            return
        except PhotoError as error:
            if "again" not in error.message:  # the same photo under another name needs no words
                self._say(trouble=f"{path.name}: {error.message} {error.remedy}")
            return
        except (AlignError, OSError) as error:
            self._looks.again(path)
            self._say(trouble=f"{path.name}: {error}")
            return
        self._say(taken=self.shown.taken + 1, last=path.name, trouble="")

    def _say(self, *, taken: int | None = None, last: str | None = None, trouble: str = "") -> None:
        before = self.shown
        self.shown = WatchShown(
            str(self.folder),
            before.taken if taken is None else taken,
            before.last if last is None else last,
            trouble,
        )
        if self.shown != before:
            self.session.changed()


def _read(path: Path) -> bytes:
    if path.stat().st_size > thresholds.MOST_PHOTO_BYTES:
        raise PhotoError(f"it is larger than the {thresholds.MOST_PHOTO_BYTES / 1e6:.0f} MB that are taken.")
    return path.read_bytes()

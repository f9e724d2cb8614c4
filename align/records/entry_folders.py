"""Where a record's entries lie, which number each has, and how one is taken out.

    FOLDER/entries/entry-0004/      the fourth entry
    FOLDER/removed/entry-0003/      the third, taken out; its number is not given again

Entries of earlier versions lie in folders named by their time; they have the numbers that no other has.
"""

from __future__ import annotations

import contextlib
import os
import re
import secrets
import shutil
import time
from dataclasses import dataclass
from pathlib import Path

from ..errors import AlignError
from ..whole_file import sync_folder
from .plain_files import refuse_links
from .thresholds import ABANDONED_S

ENTRIES, REMOVED = "entries", "removed"
HIDDEN = ".unfinished-"
_NUMBERED = re.compile(r"^entry-(\d{4,9})$")
_TIMED = re.compile(r"^\d{8}T\d{6}\.\d{6}Z-[a-z]+-[0-9a-f]{6}$")
#: Renaming is tried so often: each time another writer took the number first.
_TRIES = 1000


@dataclass(frozen=True)
class EntryFolder:
    """Where one entry lies; removed : it was taken out of the record."""

    number: int
    path: Path
    removed: bool = False


def entry_places(record: Path) -> list[EntryFolder]:
    """All entries of a record, those taken out among them, by number.

    Raises
    ------
    AlignError : the folder cannot be read, or is a link.
    """
    found = [
        (path, removed) for name, removed in ((ENTRIES, False), (REMOVED, True)) for path in _inside(record, name)
    ]
    numbered = {
        (int(match.group(1)), removed): path for path, removed in found if (match := _NUMBERED.match(path.name))
    }
    taken = {number for number, _ in numbered}
    places = [
        EntryFolder(number, path, removed)
        for (number, removed), path in numbered.items()
        if not removed or (number, False) not in numbered
    ]
    free = (number for number in range(1, 10**9) if number not in taken)
    timed = sorted((path.name, removed, path) for path, removed in found if _TIMED.match(path.name))
    places += [EntryFolder(next(free), path, removed) for _, removed, path in timed]
    return sorted(places, key=lambda place: place.number)


def entry_folders(record: Path) -> list[Path]:
    """The folders of all entries that are in the record, by number."""
    return [place.path for place in entry_places(record) if not place.removed]


def _inside(record: Path, name: str) -> list[Path]:
    refuse_links(record, record / name)
    try:
        return list((record / name).iterdir())
    except FileNotFoundError:
        return []
    except OSError as error:
        raise AlignError(f"{record / name} cannot be read: {error.strerror}.", "Check its permissions.") from None


def land(unfinished: Path, record: Path) -> EntryFolder:
    """Give a finished folder the next number; renaming on to an entry that is there fails, so none is lost."""
    entries = record / ENTRIES
    number = max((place.number for place in entry_places(record)), default=0)
    for _ in range(_TRIES):
        number += 1
        path = entries / f"entry-{number:04d}"
        if path.exists() or path.is_symlink():
            continue
        try:
            os.rename(unfinished, path)
        except OSError:
            if not path.exists():
                raise
            continue
        sync_folder(entries)
        return EntryFolder(number, path)
    raise AlignError(f"No number is free in {entries}.", "Run the same command again.")


def remove_entry(record: Path, number: int) -> Path:
    """Take an entry out of a record: its folder moves to `removed`, whole; where it lies then.

    Raises
    ------
    AlignError : there is no such entry, or it cannot be moved.
    """
    place = place_of(record, number)
    target = record / REMOVED / place.path.name
    try:
        refuse_links(record, target)
        target.parent.mkdir(exist_ok=True)
        os.rename(place.path, target)
    except OSError as error:
        raise AlignError(
            f"Entry {number} could not be moved to {target}: {error.strerror or error}.", "It is where it was."
        ) from None
    for folder in (place.path.parent, target.parent):
        sync_folder(folder)
    return target


def place_of(record: Path, number: int) -> EntryFolder:
    """The entry of that number.

    Raises
    ------
    AlignError : there is none, or it was taken out.
    """
    places = entry_places(record)
    for place in places:
        if place.number == number and not place.removed:
            return place
    if any(place.number == number for place in places):
        raise AlignError(
            f"Entry {number} was taken out of {record} already.",
            f"To put it back, move its folder from {record / REMOVED} to {record / ENTRIES}.",
        )
    numbers = [place.number for place in places if not place.removed]
    known = f"It has entries {numbers[0]} to {numbers[-1]}." if numbers else "It has no entry yet."
    raise AlignError(f"{record} has no entry {number}.", known)


def new_unfinished(record: Path) -> Path:
    """A hidden folder beside the entries, for one that is being written; old ones of killed programs go."""
    entries = record / ENTRIES
    refuse_links(record, entries)
    entries.mkdir(parents=True, exist_ok=True)
    for path in entries.glob(f"{HIDDEN}*"):
        with contextlib.suppress(OSError):
            if time.time() - path.lstat().st_mtime > ABANDONED_S:
                shutil.rmtree(path, ignore_errors=True)
    unfinished = entries / f"{HIDDEN}{secrets.token_hex(8)}"
    unfinished.mkdir()
    return unfinished

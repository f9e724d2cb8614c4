"""Entries of a record: one folder each, written whole or not at all, never overwritten.

    FOLDER/entries/20260714T083205.417093Z-check-3f9a1c/
        entry.json                  what was asked, what was answered, when ("align-entry-1")
        photo-1.jpg                 the photo without its metadata
        picture-1.png               the answer drawn, full resolution
        preview-1.jpg               the same, small

An entry is written into a hidden folder beside the others, brought to the disk, and then renamed: the
rename is the one moment at which it begins to exist. So a killed program, a full disk or a second writer
cost at most the entry that was being written.
"""

from __future__ import annotations

import contextlib
import datetime
import hashlib
import json
import os
import re
import secrets
import shutil
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from ..errors import AlignError, FileFormatError

FORMAT = "align-entry-1"
KINDS = {"align-check-1": "check", "align-glass-1": "glass"}
ENTRIES, ENTRY_FILE = "entries", "entry.json"
_HIDDEN = ".unfinished-"
# fmt: off
_MONTHS = ("January", "February", "March", "April", "May", "June", "July", "August", "September",
           "October", "November", "December")
# fmt: on
#: Unfinished folders older than this belong to no running program any more [s].
_ABANDONED_S = 24 * 3600.0
#: To the microsecond: names sort as the entries came, also those of one second.
_NAME = re.compile(r"^\d{8}T\d{6}\.\d{6}Z-[a-z]+-[0-9a-f]{6}$")
#: Keys whose texts are paths; elsewhere only what is plainly an absolute path's folders is cut.
_FILE_KEYS = ("file", "camera", "photos", "picture", "pictures")
_ABSOLUTE = re.compile(r"(?<![\w/\\.])(?:~|[A-Za-z]:)?[/\\](?:[^\s/\\:]+[/\\])+")
#: No angle, length, pixel or size in an entry comes near it.
MOST = 1e12
_REMEDY = "Move this entry's folder out of the record, or read it with the version of align that wrote it."


@dataclass(frozen=True)
class EntryPhoto:
    """One photo of an entry; the files lie in the entry's folder, "" where there is none.

    name : the photo's name when it was checked; taken : when, as its own clock says
    outline_px : ((x, y), ...) the target's outline, the same places in order in every photo; () not known
    """

    name: str
    photo: str
    picture: str = ""
    preview: str = ""
    taken: str = ""
    outline_px: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True)
class Entry:
    """One answer of the program, as it was written down.

    kind : "check" or "glass"; date : when, ISO 8601 with its offset; result : the contract's JSON object
    settings : the options used; sha256 : of every other file of the entry
    """

    name: str
    folder: Path
    kind: str
    date: str
    program: str
    settings: dict[str, Any]
    result: dict[str, Any]
    photos: tuple[EntryPhoto, ...]
    sha256: dict[str, str]

    @property
    def day(self) -> str:
        """The day as 2026-07-14."""
        return self.date[:10]

    @property
    def clock(self) -> str:
        """The time of day as 10:32."""
        return self.date[11:16]

    @property
    def day_in_words(self) -> str:
        """The day as 14 July 2026, whatever the computer's language."""
        year, month, day = (int(part) for part in self.day.split("-"))
        return f"{day} {_MONTHS[month - 1]} {year}"

    def damaged_files(self) -> list[str]:
        """Names of this entry's files that are missing, or no longer what was written."""
        return [name for name, digest in self.sha256.items() if _digest(self.folder / name) != digest]


def write_entry(
    folder: Path,
    result: Mapping[str, Any],
    *,
    settings: Mapping[str, Any],
    photos: Sequence[EntryPhoto],
    files: Mapping[str, bytes],
) -> str:
    """Write one entry; returns its name.

    Parameters
    ----------
    folder : the record's folder, made if need be
    result : the contract's JSON object; its format says which kind of entry this is
    photos : what the entry says of its photos; files : {name: contents} of all their files

    Raises
    ------
    AlignError : the disk refused; earlier entries are as they were.
    """
    kind = kind_of(result)
    entries = folder / ENTRIES
    unfinished = entries / f"{_HIDDEN}{secrets.token_hex(8)}"
    now = datetime.datetime.now().astimezone()
    try:
        entries.mkdir(parents=True, exist_ok=True)
        _sweep(entries)
        unfinished.mkdir()
        _write_files(unfinished, files)
        body = _entry_json(kind, now, result, settings, photos, files)
        text = json.dumps(body, indent=1, allow_nan=False, ensure_ascii=False) + "\n"
        _write_files(unfinished, {ENTRY_FILE: text.encode()})
        _sync_folder(unfinished)
        return _land(unfinished, entries, now, kind)
    except OSError as error:
        raise AlignError(
            f"The entry could not be written into {folder}: {error.strerror or error}.",
            "Make room or choose a folder that you may write to, then run the same command again; "
            "earlier entries are as they were.",
        ) from None
    finally:
        shutil.rmtree(unfinished, ignore_errors=True)


def kind_of(result: Mapping[str, Any]) -> str:
    """The kind of an answer by its format; ValueError for one that a record does not take."""
    found = result.get("format")
    if found not in KINDS:
        raise ValueError(f"a record takes {' or '.join(KINDS)}, found {found!r}")
    return KINDS[found]


def _entry_json(
    kind: str,
    now: datetime.datetime,
    result: Mapping[str, Any],
    settings: Mapping[str, Any],
    photos: Sequence[EntryPhoto],
    files: Mapping[str, bytes],
) -> dict[str, Any]:
    from importlib.metadata import version

    return {
        "format": FORMAT,
        "kind": kind,
        "date": now.isoformat(timespec="seconds"),
        "program": f"align {version('align')}",
        "settings": without_folders(dict(settings)),
        "result": without_folders(dict(result)),
        "photos": [
            {
                "name": photo.name,
                "taken": photo.taken,
                "photo": photo.photo,
                "picture": photo.picture,
                "preview": photo.preview,
                "outline_px": [[round(x, 2), round(y, 2)] for x, y in photo.outline_px],
            }
            for photo in photos
        ],
        "sha256": {name: hashlib.sha256(contents).hexdigest() for name, contents in files.items()},
    }


def without_folders(value: Any, key: str = "") -> Any:
    """JSON with every path cut to its file name: folders carry people's names."""
    if isinstance(value, Mapping):
        return {str(name): without_folders(item, str(name)) for name, item in value.items()}
    if isinstance(value, list | tuple):
        return [without_folders(item, key) for item in value]
    if isinstance(value, os.PathLike):
        value, key = os.fspath(value), "file"
    if not isinstance(value, str):
        return value
    if key in _FILE_KEYS:
        return re.split(r"[/\\]", value)[-1]
    return _ABSOLUTE.sub("", value)


def _write_files(folder: Path, files: Mapping[str, bytes]) -> None:
    for name, contents in files.items():
        with (folder / name).open("xb") as file:
            file.write(contents)
            file.flush()
            os.fsync(file.fileno())


def _land(unfinished: Path, entries: Path, now: datetime.datetime, kind: str) -> str:
    """Rename the finished folder to a name that nobody has: renaming on to an entry fails."""
    stamp = now.astimezone(datetime.timezone.utc).strftime("%Y%m%dT%H%M%S.%fZ")
    for attempt in range(20):
        name = f"{stamp}-{kind}-{secrets.token_hex(3)}"
        try:
            os.rename(unfinished, entries / name)
        except OSError:
            if attempt == 19 or not (entries / name).exists():
                raise
            continue
        _sync_folder(entries)
        return name
    raise AssertionError("unreachable")


def _sync_folder(folder: Path) -> None:
    """Bring a folder's own list to the disk; not every system lets one."""
    with contextlib.suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def _sweep(entries: Path) -> None:
    """Remove what killed programs left; young ones may belong to a running writer."""
    for path in entries.glob(f"{_HIDDEN}*"):
        with contextlib.suppress(OSError):
            if time.time() - path.stat().st_mtime > _ABANDONED_S:
                shutil.rmtree(path, ignore_errors=True)


def entry_folders(folder: Path) -> list[Path]:
    """The folders of all finished entries, oldest first."""
    try:
        found = [path for path in (folder / ENTRIES).iterdir() if _NAME.match(path.name)]
    except FileNotFoundError:
        return []
    except OSError as error:
        raise AlignError(f"{folder} cannot be read: {error.strerror}.", "Check its permissions.") from None
    return sorted(found)


def _acceptable(written: str) -> float:
    if not abs(number := float(written)) < MOST:
        raise ValueError(f"no number in an entry is as large as {written[:20]}")
    return number


def _acceptable_whole(written: str) -> int:
    _acceptable(written)
    return int(written)


def read_entry(folder: Path) -> Entry:
    """Read one entry.

    Raises
    ------
    FileFormatError : unreadable, damaged, or of a version that this program does not know.
    """
    path = folder / ENTRY_FILE
    try:
        text = path.read_text(encoding="utf-8")
        raw = json.loads(text, parse_float=_acceptable, parse_int=_acceptable_whole, parse_constant=_acceptable)
    except (OSError, ValueError, RecursionError) as error:
        raise FileFormatError(f"{path} cannot be read as an entry: {error}.", _REMEDY) from None
    found = raw.get("format") if isinstance(raw, dict) else type(raw).__name__
    if found != FORMAT:
        raise FileFormatError(f"{path}: expected format {FORMAT!r}, found {found!r}.", _REMEDY)
    try:
        if kind_of(raw["result"]) != raw["kind"]:
            raise ValueError(f"kind {raw['kind']!r} with a result {raw['result']['format']!r}")
        datetime.datetime.fromisoformat(raw["date"])
        return Entry(
            name=folder.name,
            folder=folder,
            kind=raw["kind"],
            date=raw["date"],
            program=str(raw["program"]),
            settings=dict(raw["settings"]),
            result=raw["result"],
            photos=tuple(_photo(item) for item in raw["photos"]),
            sha256={_own_file(name): str(digest) for name, digest in raw["sha256"].items()},
        )
    except (KeyError, TypeError, ValueError, AttributeError, OverflowError) as error:
        raise FileFormatError(f"{path} is damaged: {error}.", _REMEDY) from None


def _photo(raw: Mapping[str, Any]) -> EntryPhoto:
    return EntryPhoto(
        name=str(raw["name"]),
        photo=_own_file(raw["photo"]),
        picture=_own_file(raw["picture"]),
        preview=_own_file(raw["preview"]),
        taken=str(raw["taken"]),
        outline_px=tuple((float(x), float(y)) for x, y in raw["outline_px"]),
    )


def _own_file(name: Any) -> str:
    """A plain file name: an entry reaches no file but its own."""
    if not isinstance(name, str) or (name and not re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9_.-]*", name)):
        raise ValueError(f"expected a plain file name, found {name!r}")
    return name


def _digest(path: Path) -> str:
    try:
        return hashlib.sha256(path.read_bytes()).hexdigest()
    except OSError:
        return ""

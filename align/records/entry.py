"""Entries of a record: one folder each, written whole or not at all, never overwritten.

    FOLDER/entries/entry-0004/
        entry.json                  what was asked, what was answered, when ("align-entry-1")
        photo-1.jpg                 the photo without its metadata
        picture-1.png               the answer drawn, full resolution
        preview-1.jpg               the same, small
        note.json                   a note of the builder's, if there is one

An entry is written into a hidden folder beside the others, brought to the disk, and then renamed: the
rename is the one moment at which it begins to exist. So a killed program, a full disk or a second writer
cost at most the entry that was being written. entry.json holds the checksums of the other files, and its own.
"""

from __future__ import annotations

import datetime
import hashlib
import json
import os
import re
import shutil
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from ..errors import AlignError, FileFormatError
from ..whole_file import sync_folder
from .entry_folders import EntryFolder, land, new_unfinished
from .plain_files import LinkError, presentable, read_plain
from .thresholds import MOST_NUMBER

FORMAT = "align-entry-1"
KINDS = {"align-check-1": "check", "align-glass-1": "glass"}
ENTRY_FILE = "entry.json"
OWN_SUM = "own_sha256"
# fmt: off
_MONTHS = ("January", "February", "March", "April", "May", "June", "July", "August", "September",
           "October", "November", "December")
# fmt: on
#: Keys whose texts are paths; elsewhere only what is plainly an absolute path's folders is cut.
_FILE_KEYS = ("file", "camera", "photos", "picture", "pictures")
_ABSOLUTE = re.compile(r"(?<![\w/\\.])(?:~|[A-Za-z]:)?[/\\](?:[^\s/\\:]+[/\\])+")
#: The one way in which entries write a date; Python reads others too, which would be shown wrongly.
_DATE = re.compile(r"(19[7-9]\d|20\d\d|21\d\d)-\d\d-\d\dT\d\d:\d\d:\d\d[+-]\d\d:\d\d")
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
    settings : the options used; mirrors : names of the record's mirrors that it is of, from the left, () where
    nobody named them; stated : what installation.toml said, and what the command line said instead, in words
    sha256 : of every other file of the entry
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
    mirrors: tuple[str, ...] = ()
    stated: tuple[str, ...] = ()

    @property
    def checked(self) -> datetime.datetime:
        """When it was written, by the clock on the wall there."""
        return datetime.datetime.fromisoformat(self.date).replace(tzinfo=None)

    @property
    def day(self) -> str:
        """The day as 2026-07-14."""
        return self.date[:10]

    @property
    def day_in_words(self) -> str:
        """The day as 14 July 2026, whatever the computer's language."""
        return in_words(self.checked)

    def damaged_files(self) -> list[str]:
        """Names of this entry's files that are missing, or no longer what was written."""
        return [name for name, digest in self.sha256.items() if self._digest(name) != digest]

    def contents(self, name: str) -> bytes:
        """One of this entry's files.

        Raises
        ------
        LinkError : it is a link, or no ordinary file; OSError : it is not there.
        """
        return read_plain(self.folder.parent.parent, self.folder / name)

    def _digest(self, name: str) -> str:
        try:
            return hashlib.sha256(self.contents(name)).hexdigest()
        except (OSError, LinkError):
            return ""


def in_words(day: datetime.date) -> str:
    """A day as 14 July 2026, whatever the computer's language."""
    return f"{day.day} {_MONTHS[day.month - 1]} {day.year}"


def write_entry(
    folder: Path,
    result: Mapping[str, Any],
    *,
    settings: Mapping[str, Any],
    photos: Sequence[EntryPhoto],
    files: Mapping[str, bytes],
    mirrors: Sequence[str] = (),
    stated: Sequence[str] = (),
) -> EntryFolder:
    """Write one entry; where it lies, and its number.

    Parameters
    ----------
    folder : the record's folder, made if need be
    result : the contract's JSON object; its format says which kind of entry this is
    photos : what the entry says of its photos; files : {name: contents} of all their files
    mirrors, stated : as in `Entry`

    Raises
    ------
    AlignError : the disk refused; earlier entries are as they were.
    """
    kind = kind_of(result)
    now = datetime.datetime.now().astimezone()
    body = _entry_json(kind, now, result, settings, photos, files)
    body = _presentable({**body, "mirrors": list(mirrors), "stated": list(stated)})
    body[OWN_SUM] = own_sum(body)
    text = json.dumps(body, indent=1, allow_nan=False, ensure_ascii=False) + "\n"
    unfinished = None
    try:
        unfinished = new_unfinished(folder)
        _write_files(unfinished, files)
        _write_files(unfinished, {ENTRY_FILE: text.encode()})
        sync_folder(unfinished)
        return land(unfinished, folder)
    except OSError as error:
        raise AlignError(
            f"The entry could not be written into {folder}: {error.strerror or error}.",
            "Make room or choose a folder that you may write to, then run the same command again; "
            "earlier entries are as they were.",
        ) from None
    finally:
        if unfinished is not None:
            shutil.rmtree(unfinished, ignore_errors=True)


def own_sum(body: Mapping[str, Any]) -> str:
    """The checksum of entry.json's own contents but for itself, whatever its spaces and line breaks."""
    rest = {key: value for key, value in body.items() if key != OWN_SUM}
    return hashlib.sha256(json.dumps(rest, sort_keys=True, separators=(",", ":")).encode()).hexdigest()


def _presentable(value: Any) -> Any:
    """JSON all of whose texts can be written and shown."""
    if isinstance(value, Mapping):
        return {presentable(key): _presentable(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_presentable(item) for item in value]
    return presentable(value) if isinstance(value, str) else value


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


def _acceptable(written: str) -> float:
    if not abs(number := float(written)) < MOST_NUMBER:
        raise ValueError(f"no number in an entry is as large as {written[:20]}")
    return number


def _acceptable_whole(written: str) -> int:
    _acceptable(written)
    return int(written)


def read_entry(folder: Path) -> Entry:
    """Read one entry.

    Raises
    ------
    FileFormatError : unreadable, damaged, changed since it was written, or of a version that this program does
        not know
    LinkError : it is a link.
    """
    path = folder / ENTRY_FILE
    try:
        text = read_plain(folder.parent.parent, path).decode("utf-8")
        raw = json.loads(text, parse_float=_acceptable, parse_int=_acceptable_whole, parse_constant=_acceptable)
    except (OSError, ValueError, RecursionError) as error:
        raise FileFormatError(f"{path} cannot be read as an entry: {_in_short(error)}.", _REMEDY) from None
    found = raw.get("format") if isinstance(raw, dict) else type(raw).__name__
    if found != FORMAT:
        raise FileFormatError(f"{path}: expected format {FORMAT!r}, found {_in_short(repr(found))}.", _REMEDY)
    try:
        _check_entry(raw)
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
            mirrors=tuple(str(name) for name in raw.get("mirrors", ())),
            stated=tuple(str(words) for words in raw.get("stated", ())),
        )
    except (KeyError, TypeError, ValueError, AttributeError, OverflowError, RecursionError) as error:
        raise FileFormatError(f"{path} is damaged: {_in_short(error)}.", _REMEDY) from None


def _check_entry(raw: Mapping[str, Any]) -> None:
    """ValueError for what no entry holds, and for one that was changed after it was written."""
    if kind_of(raw["result"]) != raw["kind"]:
        raise ValueError(f"kind {raw['kind']!r} with a result {raw['result']['format']!r}")
    if not isinstance(raw["date"], str) or not _DATE.fullmatch(raw["date"]):
        raise ValueError(f"expected a date such as 2026-07-14T10:32:05+02:00, found {raw['date']!r}")
    datetime.datetime.fromisoformat(raw["date"])
    if _presentable(raw) != raw:
        raise ValueError("it holds what is no text")
    if OWN_SUM in raw and raw[OWN_SUM] != own_sum(raw):
        raise ValueError("its check sum does not fit: it was changed after it was written")


def _in_short(words: object) -> str:
    """What an error says, fit to be shown, however much of the file it holds."""
    shown = presentable(" ".join(str(words).split()))
    return shown if len(shown) <= 200 else f"{shown[:200]} …"


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

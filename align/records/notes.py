"""The builder's note to an entry: one text beside it, which may be put right; what it said before is kept."""

from __future__ import annotations

import datetime
import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from ..errors import AlignError
from ..whole_file import write_whole
from .entry_folders import place_of
from .plain_files import LinkError, presentable, read_plain, refuse_links

NOTE_FILE, FORMAT = "note.json", "align-note-1"


@dataclass(frozen=True)
class Note:
    """What a note says, since which day (2026-07-14), and what it said before, oldest first."""

    text: str = ""
    day: str = ""
    before: tuple[str, ...] = ()


def write_note(record: Path, number: int, text: str) -> Note:
    """Give an entry a note, or put its note right; an empty text takes it back.

    Raises
    ------
    AlignError : no such entry, or its folder cannot be written.
    """
    folder = place_of(record, number).path
    old = read_note(folder)
    text = presentable(text.strip())
    if text == old.text:
        return old
    before = (*old.before, old.text) if old.text else old.before
    note = Note(text, datetime.date.today().isoformat(), before)
    body = {"format": FORMAT, "text": note.text, "day": note.day, "before": list(note.before)}
    path = folder / NOTE_FILE
    refuse_links(record, path)
    write_whole(path, (json.dumps(body, indent=1, ensure_ascii=False) + "\n").encode())
    return note


def read_note(folder: Path) -> Note:
    """An entry's note; an empty one where there is none.

    Raises
    ------
    AlignError : it cannot be read.
    """
    path = folder / NOTE_FILE
    try:
        raw: Any = json.loads(read_plain(folder.parent.parent, path))
        if raw["format"] != FORMAT:
            raise ValueError(f"expected format {FORMAT!r}, found {raw['format']!r}")
        before = tuple(presentable(str(words)) for words in raw["before"])
        return Note(presentable(str(raw["text"])), presentable(str(raw["day"])), before)
    except FileNotFoundError:
        return Note()
    except LinkError:
        raise
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        raise AlignError(
            f"{path} cannot be read as a note.", "Write it again: align record FOLDER --note N TEXT"
        ) from None

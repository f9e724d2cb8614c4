"""What is kept of one mirror between photos: a folder whose files are there whole or not at all.

    FOLDER/bench/arcade-mirror-3f9a1c/
        photo-0007.jpg      a photo as it was acknowledged, without its metadata
        said-0007.json      what the person said of it, where that was anything
        answer-0007.json    what came of it ("align-bench-answer-1"), or
        refusal-0007.json   why nothing did ("align-bench-refusal-1")
        picture-0007.jpg    the answer drawn; map1-0007.jpg the flatness of its first mirror
        entry-0007.json     which entry of the record it has become

A photo without an answer and without a refusal is one that was acknowledged when the program ended: it is
worked on at the next start.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import re
import threading
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from ..errors import AlignError, FileFormatError
from ..whole_file import sync_folder, write_whole

BENCH = "bench"
_FILE = re.compile(r"(photo|said|answer|refusal|picture|map\d{1,2}|entry)-(\d{4,9})\.(jpg|png|json)")
_REMEDY = "Move this file out of the folder, or read it with the version of align that wrote it."


def folder_name(name: str) -> str:
    """A folder's and an address's name for a mirror: plain letters, and a few that tell like names apart."""
    plain = re.sub(r"[^a-z0-9]+", "-", name.casefold()).strip("-")[:40]
    mark = hashlib.sha256(name.casefold().encode()).hexdigest()[:6]
    return f"{plain or 'mirror'}-{mark}"


class Shelf:
    """Numbered photos, and what came of each."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._lock = threading.Lock()

    def put_photo(self, data: bytes, suffix: str, said: Mapping[str, Any] | None = None) -> int:
        """Keep a photo, and what the person says of it; once this returns its number, the disk has both.

        Raises
        ------
        AlignError : the disk refused.
        """
        with self._lock:
            number = max([0, *self._found("photo")]) + 1
            while True:
                path = self.folder / f"photo-{number:04d}{suffix}"
                try:
                    self._put_said(number, said)
                    write_whole(path, data, make_folder=True, new=True)
                    break
                except AlignError:
                    if not path.exists():
                        raise
                    number += 1  # another program's
        sync_folder(self.folder)
        return number

    def _put_said(self, number: int, said: Mapping[str, Any] | None) -> None:
        """Before the photo, so that no photo is ever there without it."""
        if said is not None:
            self.put("said", number, said)
        elif (left := self._found("said").get(number)) is not None:  # of a photo that never came
            left.unlink()

    def photo(self, number: int) -> Path | None:
        """A photo's file."""
        return self._found("photo").get(number)

    def picture(self, number: int, kind: str = "picture") -> Path | None:
        """The picture of an answer; kind : "map1" is the map of its first mirror's flatness."""
        return self._found(kind).get(number)

    def photos(self) -> list[int]:
        """The numbers of all photos, oldest first."""
        return sorted(self._found("photo"))

    def open_photos(self) -> list[int]:
        """Photos that nothing came of yet."""
        ended = self._found("answer").keys() | self._found("refusal").keys()
        for answer in self.read("answer").values():  # a film's answer comes of several photos at once
            ended |= {int(photo) for photo in answer.get("photos", ()) if isinstance(photo, int)}
        return [number for number in self.photos() if number not in ended]

    def put(self, kind: str, number: int, contents: Mapping[str, Any]) -> None:
        """Keep an answer or a refusal."""
        text = json.dumps(contents, indent=1, allow_nan=False, ensure_ascii=False) + "\n"
        write_whole(self.folder / f"{kind}-{number:04d}.json", text.encode(), make_folder=True)

    def put_picture(self, number: int, data: bytes, kind: str = "picture") -> Path:
        """Keep a drawn answer; it can be made again."""
        path = self.folder / f"{kind}-{number:04d}.jpg"
        write_whole(path, data, to_disk=False, make_folder=True)
        return path

    def read(self, kind: str) -> dict[int, dict[str, Any]]:
        """All answers or refusals by their numbers; one that is damaged is left out."""
        read = {}
        for number, path in sorted(self._found(kind).items()):
            with contextlib.suppress(FileFormatError):
                read[number] = _read_json(path)
        return read

    def is_known(self, data: bytes) -> int | None:
        """The number of a photo with just these contents."""
        for number, path in sorted(self._found("photo").items()):
            with contextlib.suppress(OSError):
                if path.stat().st_size == len(data) and path.read_bytes() == data:
                    return number
        return None

    def clear(self) -> None:
        """Take everything off: the person has said so."""
        with self._lock:
            for kind in ("photo", "said", "answer", "refusal", "picture", "entry"):
                for path in self._found(kind).values():
                    with contextlib.suppress(OSError):
                        path.unlink()

    def _found(self, kind: str) -> dict[int, Path]:
        try:
            matches = [(_FILE.fullmatch(path.name), path) for path in self.folder.iterdir()]
        except OSError:
            return {}
        return {int(match[2]): path for match, path in matches if match and match[1] == kind}


def _read_json(path: Path) -> dict[str, Any]:
    try:
        raw = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError) as error:
        raise FileFormatError(f"{path} cannot be read: {error}.", _REMEDY) from None
    if not isinstance(raw, dict):
        raise FileFormatError(f"{path} is damaged.", _REMEDY)
    return raw

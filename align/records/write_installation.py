"""Writing `installation.toml`: a fresh one to fill in, and changes that leave the builder's comments alone."""

from __future__ import annotations

import os
import re
from dataclasses import fields, replace
from pathlib import Path
from typing import Any

from ..errors import FileFormatError
from ..whole_file import write_whole
from .installation import EXAMPLE, FILE_NAME, Installation, StatedMirror, installation_from_text
from .plain_files import presentable, read_plain, refuse_links

FolderPath = str | os.PathLike[str]
_MIRROR_HEADER = re.compile(r"^[ \t]*\[\[?[ \t]*mirror[ \t]*\]\]?[ \t]*(#.*)?$")
_HEADER = re.compile(r"^[ \t]*\[")
_SCENE_KEYS = ("name", "place", "who", "notes")


def write_start(folder: Path) -> Path:
    """Write a commented installation.toml into a folder, made if need be; nothing is overwritten.

    Raises
    ------
    AlignError : the file exists already, or cannot be written.
    """
    path = folder / FILE_NAME
    refuse_links(folder, path)
    write_whole(path, EXAMPLE.read_bytes(), make_folder=True, new=True)
    return path


def write_mirror(folder: FolderPath, mirror: StatedMirror, *, instead_of: str | None = None) -> Installation:
    """Add a mirror to a record's installation.toml, or change the one of that name; what it then says.

    Comments, order and everything else in the file stay as they are; without a file one is begun.

    Parameters
    ----------
    folder : the record's folder, made if need be
    mirror : what the file shall say of it; an entry that is None, "" or () there is taken out
    instead_of : the name of the mirror that is changed, where its name changes too

    Raises
    ------
    AlignError : the file cannot be read or written, is wrong as it stands, or the mirror contradicts itself.
    """
    folder = Path(folder)
    old = mirror.name if instead_of is None else instead_of
    text = _text_of(folder)
    known = installation_from_text(text)
    place = _place_of(known, old)
    if sum(bool(_MIRROR_HEADER.match(line)) for line in text.split("\n")) != len(known.mirrors):
        raise FileFormatError(
            f"{folder / FILE_NAME} is written in a form that cannot be changed from here.",
            "Change it by hand, or write each mirror as a [[mirror]] part.",
        )
    return _write(folder, _with_mirror(text, place, mirror))


def write_scene(
    folder: FolderPath,
    *,
    name: str | None = None,
    place: str | None = None,
    who: str | None = None,
    notes: str | None = None,
) -> Installation:
    """Change what installation.toml says of the scene, None for what stays; what it then says.

    Raises
    ------
    AlignError : as `write_mirror`.
    """
    import tomlkit

    folder = Path(folder)
    document = tomlkit.parse(_text_of(folder))
    for key, value in zip(_SCENE_KEYS, (name, place, who, notes), strict=True):
        if value is not None:
            document[key] = value
    return _write(folder, tomlkit.dumps(document))


def _text_of(folder: Path) -> str:
    """The file's text, checked; that of a fresh one where there is none."""
    path = folder / FILE_NAME
    try:
        text = read_plain(folder, path).decode("utf-8-sig")
    except FileNotFoundError:
        text = EXAMPLE.read_text(encoding="utf-8").replace('"Harbour street"', _quoted(folder.resolve().name))
    except (OSError, UnicodeDecodeError):
        raise FileFormatError(
            f"{path} cannot be read as text.", "Save it as UTF-8, or check its permissions."
        ) from None
    text = text.replace("\r\n", "\n")
    installation_from_text(text)
    return text


def _quoted(name: str) -> str:
    import tomlkit

    return tomlkit.string(presentable(name) or "Scene").as_string()


def _place_of(installation: Installation, name: str) -> int | None:
    """Which of the file's mirrors is meant, counted from 0; None for a new one.

    A mirror of which nothing was said, as in a fresh file, is the one meant.
    """
    names = [known.casefold() for known in installation.mirror_names]
    if name.casefold() in names:
        return names.index(name.casefold())
    return names.index("") if installation.mirrors == (StatedMirror(),) else None


def _with_mirror(text: str, place: int | None, mirror: StatedMirror) -> str:
    """The text with one mirror's entries set, or with one more mirror."""
    import tomlkit

    wanted = _entries_of(mirror)
    lines = text.split("\n")
    headers = [number for number, line in enumerate(lines) if _MIRROR_HEADER.match(line)]
    for number in headers:  # the old single form becomes the first of several
        lines[number] = re.sub(r"\[\[?[ \t]*mirror[ \t]*\]\]?", "[[mirror]]", lines[number])
    if place is not None and place < len(headers):
        _uncomment(lines, headers[place], wanted)
    document: Any = tomlkit.parse("\n".join(lines))
    if place is None:
        table = tomlkit.table()
        for key, value in wanted.items():
            table.add(key, value)
        table.add(tomlkit.nl())
        if "mirror" not in document:
            document.add("mirror", tomlkit.aot())
        document["mirror"].append(table)
    else:
        table = document["mirror"][place]
        for key in [key for key, value in table.items() if value and key not in wanted]:
            del table[key]
        for key, value in wanted.items():
            if key not in table or table[key] != value:
                table[key] = value
    return tomlkit.dumps(document)


def _entries_of(mirror: StatedMirror) -> dict[str, Any]:
    """What the file says of a mirror; whole numbers without a point."""
    found: dict[str, Any] = {}
    for field in fields(StatedMirror):
        value = getattr(mirror, field.name)
        if value is None or value is False or value in ("", ()):
            continue
        found[field.name] = [_plain(item) for item in value] if isinstance(value, tuple) else _plain(value)
    return found


def _plain(value: Any) -> Any:
    return int(value) if isinstance(value, float) and value == int(value) else value


def _uncomment(lines: list[str], header: int, wanted: dict[str, Any]) -> None:
    """Lines such as `# width_mm = 240  # ...` of a mirror's table come to life where their entry is to be set."""
    end = next((n for n in range(header + 1, len(lines)) if _HEADER.match(lines[n])), len(lines))
    present = {match.group(1) for line in lines[header:end] if (match := re.match(r"\s*(\w+)\s*=", line))}
    for number in range(header + 1, end):
        match = re.match(r"#\s*(\w+)(\s*=.*)$", lines[number])
        if match and match.group(1) in wanted and match.group(1) not in present:
            lines[number] = match.group(1) + match.group(2)
            present.add(match.group(1))


def _write(folder: Path, text: str) -> Installation:
    """Write the file whole, after reading the new text as anybody would; what it says."""
    path = folder / FILE_NAME
    installation = installation_from_text(text)
    refuse_links(folder, path)
    write_whole(path, text.encode(), make_folder=True)
    return installation


def with_changes(mirror: StatedMirror, **changes: Any) -> StatedMirror:
    """A mirror with some entries changed; ValueError for a name that it does not have."""
    known = {field.name for field in fields(StatedMirror)}
    if unknown := set(changes) - known:
        raise ValueError(f"a mirror has no {', '.join(sorted(unknown))}")
    return replace(mirror, **changes)

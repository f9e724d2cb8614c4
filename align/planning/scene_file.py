"""Reading a scene file (TOML, millimetres and degrees), and writing the commented example to start from."""

from __future__ import annotations

import re
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path as FilePath
from typing import Any, TypeVar

import numpy as np

from ..errors import FileFormatError
from ..ordinary_file import CannotRead, read_text
from ..toml_table import Lines, Table
from ..whole_file import write_whole
from .scene import Mirror, Opening, Scene, SheetPlace, Thing
from .scene_entries import (
    box_of,
    cutout_of,
    first_sheet_of,
    floor_of,
    lamp_of,
    light_of,
    mirror_of,
    opening_of,
    panel_of,
    path_of,
    sheet_place_of,
    thing_of,
    viewers_of,
)

Made = TypeVar("Made")

#: More standing places than this tell nothing new and take minutes.
MOST_PLACES = 20_000
#: More mirrors or things than this are more than a plan is made for: every sequence of mirrors is tried for each.
MOST_MIRRORS, MOST_THINGS = 6, 60
_TABLES = ("floor", "viewers", "light")
_LISTS = ("box", "panel", "thing", "keep_clear", "lamp", "path", "cutout")
#: Lists of tables without names.
_NAMELESS = ("sheet_place",)
#: One table, or several.
_EITHER = ("mirror", "opening")
EXAMPLE = FilePath(__file__).parent / "templates" / "harbour_street.toml"


def start_file(path: FilePath) -> None:
    """Write the commented example scene; an existing file is never overwritten.

    Raises
    ------
    AlignError : the file exists or cannot be written.
    """
    write_whole(path, EXAMPLE.read_bytes(), new=True)


def read_scene(path: FilePath) -> Scene:
    """Read and check a scene file.

    Raises
    ------
    FileFormatError : unreadable, not TOML, or an entry is missing, unknown or out of range; the message
        names the line.
    """
    try:
        text = read_text(path)
    except (FileNotFoundError, CannotRead) as error:
        reason = "it " + str(error) if isinstance(error, CannotRead) else "there is no such file"
        raise FileFormatError(
            f"cannot read the scene file {path}: {reason}",
            "Check the name, or write a first scene with: align plan --start FILE",
        ) from None
    return scene_from_text(text, path.name, path.parent)


def scene_from_text(text: str, file_name: str = "scene", folder: FilePath | None = None) -> Scene:
    """A scene from TOML text; `folder` is where a measured mirror's file is looked for.

    Raises
    ------
    FileFormatError
    """
    lines = Lines(file_name, text)
    data = _parse(text, file_name)
    top = Table({k: v for k, v in data.items() if k not in (*_TABLES, *_LISTS, *_NAMELESS, *_EITHER)}, lines, "")
    name = top.text("name", "Harbour street", default="Scene")
    for table in (*_TABLES, *_LISTS, *_NAMELESS, *_EITHER):
        top.has(table)  # so that a misspelt table's name is compared with them
    floor = _one(data, lines, "floor", floor_of)
    mirrors, notes = _mirrors(data, lines, folder or FilePath())
    viewers = _one(data, lines, "viewers", viewers_of)
    things = _many(data, lines, "thing", thing_of)
    scene = Scene(
        name,
        mirrors[0],
        floor,
        viewers,
        blockers=(*_many(data, lines, "box", box_of), *_many(data, lines, "panel", panel_of)),
        things=things,
        keep_clear=_many(data, lines, "keep_clear", box_of),
        lamps=_many(data, lines, "lamp", lamp_of),
        paths=_many(data, lines, "path", path_of),
        notes=notes,
        more_mirrors=mirrors[1:],
        light=_one(data, lines, "light", light_of) if "light" in data else None,
        cutouts=_many(data, lines, "cutout", cutout_of),
        sheets=_sheets(data, lines, top, mirrors, things),
    )
    top.finish()
    openings = _openings(data, lines, scene)
    scene = replace(scene, opening=openings[0] if openings else None, more_openings=openings[1:])
    _check_counts(scene, lines)
    _check_viewers(scene, lines)
    _check_names(data, lines)
    return scene


def _parse(text: str, file_name: str) -> dict[str, Any]:
    if sys.version_info >= (3, 11):
        import tomllib
    else:
        import tomli as tomllib
    try:
        return tomllib.loads(text)
    except (ValueError, RecursionError) as error:  # also thousands of digits or brackets
        raise FileFormatError(_toml_words(error, file_name, text), _TOML_REMEDY) from None


_TOML_REMEDY = (
    "Look at that line: numbers have no unit, a point (not a comma), and a plain hyphen as their minus; texts need "
    "quotes, lists square brackets; every entry has its own line; a heading of which there may be several is "
    "written [[box]], each name in a table once. `align plan --start FILE` writes an example."
)


def _toml_words(error: Exception, file_name: str, text: str) -> str:
    """The parser's complaint as ours are: file, line, what stands there."""
    place = re.search(r"\(at line (\d+), column \d+\)", str(error))
    if place is None:
        return f"{file_name}: not readable as TOML: {error}"
    number = int(place.group(1))
    lines = text.splitlines()
    found = lines[number - 1].strip() if number <= len(lines) else ""
    reason = str(error).replace(place.group(0), "").strip()
    return f"{file_name}, line {number}: not readable as TOML ({reason}): {found}"


def _one(data: dict[str, Any], lines: Lines, name: str, make: Callable[[Table], Made]) -> Made:
    if name not in data:
        raise FileFormatError(
            f"{lines.file_name}: the table [{name}] is missing",
            f"Add it; `align plan --start FILE` writes an example with a [{name}].",
        )
    if not isinstance(data[name], dict):
        Table({}, lines, name).fail("", "expected one table", f"Write its heading as [{name}], once.")
    table = Table(data[name], lines, name)
    made = make(table)
    table.finish()
    return made


def _many(data: dict[str, Any], lines: Lines, name: str, make: Callable[[Table], Made]) -> tuple[Made, ...]:
    entries = data.get(name, [])
    if not isinstance(entries, list) or not all(isinstance(entry, dict) for entry in entries):
        Table({}, lines, name).fail("", "expected a list of tables", f"Write each heading as [[{name}]].")
    made = []
    for index, entry in enumerate(entries):
        table = Table(entry, lines, name, index)
        made.append(make(table))
        table.finish()
    return tuple(made)


def _either(data: dict[str, Any], lines: Lines, name: str) -> list[Table]:
    """The tables of a name that may stand once as [name], or several times as [[name]]."""
    found = data.get(name, [])
    if isinstance(found, dict):
        return [Table(found, lines, name)]
    if not isinstance(found, list) or not all(isinstance(entry, dict) for entry in found):
        Table({}, lines, name).fail(
            "", "expected a table", f"Write its heading as [{name}], or [[{name}]] for each."
        )
    return [Table(entry, lines, name, index) for index, entry in enumerate(found)]


def _mirrors(data: dict[str, Any], lines: Lines, folder: FilePath) -> tuple[tuple[Mirror, ...], tuple[str, ...]]:
    """All mirrors, and notes on those that were measured. Of several each has a name of its own."""
    tables = _either(data, lines, "mirror")
    if not tables:
        raise FileFormatError(
            f"{lines.file_name}: the table [mirror] is missing",
            "Add it; `align plan --start FILE` writes an example with a [mirror].",
        )
    mirrors: list[Mirror] = []
    notes: list[str] = []
    for table in tables:
        mirror, found = mirror_of(table, folder)
        if len(tables) > 1 and not table.has("name"):
            table.fail("name", "is missing", 'Of several mirrors each needs its own: name = "side mirror"')
        if any(mirror.name.casefold() == other.name.casefold() for other in mirrors):
            table.fail("name", f'"{mirror.name}" stands twice', "Give each its own name.")
        table.finish()
        mirrors.append(mirror)
        notes += [f"{mirror.name}: {note}" for note in found] if len(tables) > 1 else found
    return tuple(mirrors), tuple(notes)


def _openings(data: dict[str, Any], lines: Lines, scene: Scene) -> tuple[Opening, ...]:
    """All openings; one without a mirror's name is the first mirror's."""
    names = tuple(mirror.name for mirror in scene.mirrors)
    found: list[Opening] = []
    for table in _either(data, lines, "opening"):
        opening = opening_of(table)
        mirror = table.choice("mirror", names) if table.has("mirror") else names[0]
        if any(mirror == other.mirror for other in found):
            table.fail("mirror", f'"{mirror}" has an opening already', "Say which mirror this opening is for.")
        table.finish()
        found.append(replace(opening, mirror=mirror))
    # The first mirror's own one first.
    return tuple(sorted(found, key=lambda opening: names.index(opening.mirror)))


def _sheets(
    data: dict[str, Any], lines: Lines, top: Table, mirrors: tuple[Mirror, ...], things: tuple[Thing, ...]
) -> tuple[SheetPlace, ...]:
    """Where sheets lie in photos: `sheet_at` first; of several the sheet in a photo tells which place is meant."""
    first = first_sheet_of(top, mirrors, things)
    more = _many(data, lines, "sheet_place", lambda table: sheet_place_of(table, mirrors, things))
    sheets = more if first is None else (first, *more)
    kinds = [sheet.kind for sheet in sheets]
    for number, sheet in enumerate(more):
        if kinds.count(sheet.kind) > 1 or (first is not None and not first.kind):
            Table(data["sheet_place"][number], lines, "sheet_place", number).fail(
                "sheet",
                "of several places each needs a sheet of its own",
                'Say which sheet lies at the first, sheet = "a5" at the top, and name each sheet once.',
            )
    return sheets


def _check_counts(scene: Scene, lines: Lines) -> None:
    for table, count, most in (
        ("mirror", len(scene.mirrors), MOST_MIRRORS),
        ("thing", len(scene.things), MOST_THINGS),
    ):
        if count > most:
            raise FileFormatError(
                f"{lines.where(table, most)}: {count} of [[{table}]], expected {most} or fewer",
                "Split the scene, or leave out what decides nothing.",
            )


def _check_viewers(scene: Scene, lines: Lines) -> None:
    count = scene.viewers.place_count
    if count > MOST_PLACES:
        raise FileFormatError(
            f"{lines.where('viewers', key='spacing_mm')}: {count} standing places, expected {MOST_PLACES} or fewer",
            "Raise spacing_mm: 100 mm is fine for people.",
        )
    eyes = scene.eyes().reshape(-1, 3)
    behind = np.all([mirror.heights(eyes) <= 0 for mirror in scene.mirrors], axis=0)
    if np.any(behind):
        face = "the mirror's face" if len(scene.mirrors) == 1 else "every mirror's face"
        raise FileFormatError(
            f"{lines.where('viewers')}: {np.mean(behind):.0%} of the viewers' eyes are behind {face}",
            "The viewers' y must be smaller than the mirror's; check the signs of at, lean_deg and turn_deg.",
        )


def _check_names(data: dict[str, Any], lines: Lines) -> None:
    seen: set[tuple[str, str]] = set()
    for table in _LISTS:
        for index, entry in enumerate(data.get(table, [])):
            name = (table, entry["name"].strip())
            if name in seen:
                Table(entry, lines, table, index).fail(
                    "name",
                    f'"{name[1]}" stands twice',
                    "Give each its own name, so that answers can tell them apart.",
                )
            seen.add(name)

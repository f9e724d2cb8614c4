"""Reading a scene file (TOML, millimetres and degrees), and writing the commented example to start from."""

from __future__ import annotations

import math
import re
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path as FilePath
from typing import Any, TypeVar

import numpy as np

from ..errors import FileFormatError
from ..optics.slab import FLOAT_GLASS_INDEX
from ..ordinary_file import CannotRead, read_text
from ..toml_table import Lines, Table
from ..whole_file import write_whole
from .bodies import Box, panel
from .scene import (
    DEFAULT_EYES_MM,
    ONLY_MIRROR,
    WANTS,
    Floor,
    Lamp,
    Light,
    Mirror,
    Opening,
    Path,
    Scene,
    Thing,
    Viewers,
)

Made = TypeVar("Made")

#: Limits that catch a slip of the pen (inches, radians, a missing digit); no mirror needs more.
MOST_LEAN_DEG, MOST_TURN_DEG, MOST_GLASS_MM = 45.0, 180.0, 25.0
#: More standing places than this tell nothing new and take minutes.
MOST_PLACES = 20_000
#: More mirrors or things than this are more than a plan is made for: every sequence of mirrors is tried for each.
MOST_MIRRORS, MOST_THINGS = 6, 60
_TABLES = ("floor", "viewers", "light")
_LISTS = ("box", "panel", "thing", "keep_clear", "lamp", "path")
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
    top = Table({k: v for k, v in data.items() if k not in (*_TABLES, *_LISTS, *_EITHER)}, lines, "")
    name = top.text("name", "Harbour street", default="Scene")
    for table in (*_TABLES, *_LISTS, *_EITHER):
        top.has(table)  # so that a misspelt table's name is compared with them
    top.finish()
    floor = _one(data, lines, "floor", _floor)
    mirrors, notes = _mirrors(data, lines, folder or FilePath())
    viewers = _one(data, lines, "viewers", _viewers)
    things = _many(data, lines, "thing", _thing)
    scene = Scene(
        name,
        mirrors[0],
        floor,
        viewers,
        blockers=(*_many(data, lines, "box", _box), *_many(data, lines, "panel", _panel)),
        things=things,
        keep_clear=_many(data, lines, "keep_clear", _box),
        lamps=_many(data, lines, "lamp", _lamp),
        paths=_many(data, lines, "path", _path),
        notes=notes,
        more_mirrors=mirrors[1:],
        light=_one(data, lines, "light", _light) if "light" in data else None,
    )
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
        mirror, found = _mirror(table, folder)
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
        opening = _opening(table)
        mirror = table.choice("mirror", names) if table.has("mirror") else names[0]
        if any(mirror == other.mirror for other in found):
            table.fail("mirror", f'"{mirror}" has an opening already', "Say which mirror this opening is for.")
        table.finish()
        found.append(replace(opening, mirror=mirror))
    # The first mirror's own one first.
    return tuple(sorted(found, key=lambda opening: names.index(opening.mirror)))


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


def _light(t: Table) -> Light:
    return Light(
        math.radians(t.number("shines_to_deg", 90, at_least=-180, at_most=180)),
        math.radians(t.number("fall_deg", 45, default=45.0, at_least=0, at_most=90)),
    )


def _floor(t: Table) -> Floor:
    area = (*t.span("x", "[-350, 350]"), *t.span("y", "[0, 560]"))
    return Floor(area, t.number("above_room_mm", 800, at_least=0))


def _mirror(t: Table, folder: FilePath) -> tuple[Mirror, list[str]]:
    at = t.numbers("at", "[0, 520]", 2)
    mirror = Mirror(
        (at[0], at[1]),
        t.number("width_mm", 240, above=0),
        t.number("height_mm", 170, above=0),
        t.number("foot_mm", 0, default=0.0, at_least=0),
        math.radians(t.number("lean_deg", 0, default=0.0, at_least=-MOST_LEAN_DEG, at_most=MOST_LEAN_DEG)),
        math.radians(t.number("turn_deg", 0, default=0.0, at_least=-MOST_TURN_DEG, at_most=MOST_TURN_DEG)),
        t.number("glass_mm", 4, default=4.0, at_least=0, at_most=MOST_GLASS_MM),
        t.number("index", FLOAT_GLASS_INDEX, default=FLOAT_GLASS_INDEX, at_least=1.3, at_most=2.0),
        t.text("name", "arcade mirror", default=ONLY_MIRROR) or ONLY_MIRROR,
    )
    uncertainties = {}
    for field, key, to_own in (
        ("lean", "lean_doubt_deg", math.radians),
        ("turn", "turn_doubt_deg", math.radians),
        ("glass_mm", "glass_doubt_mm", float),
        ("at_y_mm", "distance_doubt_mm", float),
    ):
        half = to_own(t.number(key, 0.2, default=0.0, at_least=0))
        if half > 0:
            middle = mirror.at_mm[1] if field == "at_y_mm" else getattr(mirror, field)
            uncertainties[field] = (
                max(0.0, middle - half) if field == "glass_mm" else middle - half,
                middle + half,
            )
    which = int(t.number("measured_mirror", 1, default=1.0, at_least=1))
    sheet = t.numbers("sheet_at", "[0, 300]", 2) if t.has("sheet_at") else None
    sheet_turn = math.radians(t.number("sheet_turn_deg", 0, default=0.0, at_least=-90, at_most=90))
    source = t.text("measured", "check.json", default="")
    if not source:
        return replace(mirror, uncertainties=uncertainties), []
    from .measured import apply_measured

    mirror, measured, notes = apply_measured(t, mirror, folder / source, which, sheet, sheet_turn)
    return replace(mirror, uncertainties={**uncertainties, **measured}, measured_from=source), list(notes)


def _viewers(t: Table) -> Viewers:
    area = (*t.span("x", "[-500, 500]"), *t.span("y", "[-1100, -350]"))
    heights = t.numbers("eye_heights_mm", "[1000, 1405, 1745]", None, default=DEFAULT_EYES_MM)
    if min(heights) <= 0:
        t.fail(
            "eye_heights_mm",
            f"expected heights above the room's floor, found {min(heights):g}",
            "Measure from the floor that the visitors stand on, not from the scene's floor.",
        )
    return Viewers(area, tuple(sorted(heights)), t.number("spacing_mm", 100, default=100.0, above=0))


def _box(t: Table) -> Box:
    name = t.text("name", "warehouse")
    at = t.numbers("at", "[120, 300]", 2)
    size = _size(t)
    turn = math.radians(t.number("turn_deg", 0, default=0.0))
    return Box(name, (at[0], at[1]), size, t.number("base_mm", 0, default=0.0), turn)


def _size(t: Table) -> tuple[float, float, float]:
    size = t.numbers("size", "[100, 80, 150]", 3)
    if min(size) <= 0:
        t.fail(
            "size",
            f"expected three lengths above 0 (along x, along y, high), found {list(size)}",
            "Write the three outer measures in mm: size = [100, 80, 150]",
        )
    return size[0], size[1], size[2]


def _panel(t: Table) -> Box:
    name = t.text("name", "arcade front")
    start, end = t.numbers("from", "[-150, 430]", 2), t.numbers("to", "[150, 430]", 2)
    base, top = t.number("base_mm", 0, default=0.0), t.number("top_mm", 200)
    if start == end:
        t.fail("to", "the panel's two ends are one point", "Give the floor points of its two ends.")
    if top <= base:
        words = f"the panel has no area: its top {top:g} is not above its base {base:g}"
        t.fail("top_mm", words, "Its top must be above its base.")
    return panel(name, (start[0], start[1]), (end[0], end[1]), base, top)


def _thing(t: Table) -> Thing:
    name = t.text("name", "lighthouse")
    want = next(one for one in WANTS if one == t.choice("want", WANTS))
    at = t.numbers("at", "[-60, 350, 40]", 3)
    size = _size(t) if t.has("size") else (0.0, 0.0, 0.0)
    body = Box(name, (at[0], at[1]), size, at[2])
    if want in ("hide", "not reversed") and t.has("least_share"):
        t.fail(
            "least_share",
            'counts for "show", "mirror only" and "direct only"; what must not be seen, must be from nowhere',
            "Take the line out.",
        )
    least = t.number("least_share", 0.9, default=1.0, above=0, at_most=1)
    return Thing(name, want, body, t.flag("solid"), least, t.flag("lettering"))


def _lamp(t: Table) -> Lamp:
    name = t.text("name", "street lantern")
    at = t.numbers("at", "[-60, 460, 80]", 3)
    return Lamp(name, (at[0], at[1], at[2]), t.number("diameter_mm", 3, default=3.0, above=0))


def _path(t: Table) -> Path:
    run_on = None
    if t.has("run_on_deg"):
        run_on = math.radians(t.number("run_on_deg", 0, at_least=-120, at_most=120))
    return Path(
        t.text("name", "harbour street"),
        t.points("points", "[[0, 0], [0, 520]]"),
        t.number("width_mm", 60, default=0.0, at_least=0),
        t.number("pitch_mm", 20, default=0.0, at_least=0),
        run_on,
    )


def _opening(t: Table) -> Opening:
    names = ("bottom_mm", "right_mm", "top_mm", "left_mm", "rising_mm", "falling_mm")
    readings = {name: t.number(name, 250, above=0) for name in names}
    uncertainty = t.number("doubt_mm", 1, default=1.0, above=0)
    clearance = t.number("clearance_mm", 2, default=2.0, at_least=0)
    where = {name: t.lines.where(t.name, t.index, name) for name in (*names, "clearance_mm")}
    bottom, right, top, left, rising, falling = (readings[name] for name in names)
    return Opening(bottom, right, top, left, rising, falling, uncertainty, clearance, where)


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

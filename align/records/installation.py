"""The file `installation.toml` of a record's folder: what only people know, in their words."""

from __future__ import annotations

import datetime
import os
import sys
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from ..errors import AlignError, FileFormatError
from ..target.sheets import SHEETS
from ..toml_table import Lines, Table
from .plain_files import presentable, read_plain

FILE_NAME = "installation.toml"
FORMAT = "align-installation-1"
MOUNTS = ("wall", "foot")
EXAMPLE = Path(__file__).parent / "templates" / "installation.toml"
_REMEDY = "Write a fresh one to compare with: align record --start OTHER_FOLDER"


@dataclass(frozen=True)
class StatedMirror:
    """What is known of one mirror before any photo; None, "" or () where nothing was said. Lengths in mm.

    name : it may be empty where it is the only mirror; width_mm, height_mm, glass_mm (0: front-coated)
    mount, foot_depth_mm : how it is held; want_turn_deg, tolerance_deg : what is wanted, what counts as true
    sheet : the name of the printed sheet it is checked with; rule_mm : its printed 100 mm rule as measured, one
        length or two (across, along); exact_print : the print is known to be to scale
    board, square_mm : inner corners (columns, rows) and square of a plain checkerboard instead of a sheet
    camera : a camera file, its path from the record's folder; touching : the sheet's edge touches the glass
    flatness : each check also maps how flat the mirror is
    stock_mm : thicknesses of the packing at hand; shims_fitted, notes : in the builder's words
    """

    name: str = ""
    width_mm: float | None = None
    height_mm: float | None = None
    glass_mm: float | None = None
    mount: Literal["", "wall", "foot"] = ""
    foot_depth_mm: float | None = None
    want_turn_deg: float | None = None
    tolerance_deg: float | None = None
    sheet: str = ""
    rule_mm: float | tuple[float, float] | None = None
    exact_print: bool = False
    board: tuple[int, int] | None = None
    square_mm: float | None = None
    camera: str = ""
    touching: bool = False
    flatness: bool = False
    stock_mm: tuple[float, ...] = ()
    shims_fitted: str = ""
    notes: str = ""

    @property
    def size_mm(self) -> tuple[float, float] | None:
        """(width, height), when both are given."""
        if self.width_mm is None or self.height_mm is None:
            return None
        return self.width_mm, self.height_mm


@dataclass(frozen=True)
class Installation:
    """What the builder says of an installation; "" or () where nothing was said.

    name : of the scene; place : where it stands; who, when : who set the mirrors, and when
    mirrors : in the file's order; within_reach, sunlight, mains_lamps : which cautions fit
    """

    name: str
    place: str = ""
    who: str = ""
    when: str = ""
    notes: str = ""
    mirrors: tuple[StatedMirror, ...] = ()
    within_reach: bool = True
    sunlight: bool = True
    mains_lamps: bool = True

    @property
    def mirror_names(self) -> tuple[str, ...]:
        """The names of all mirrors, "" for a nameless one."""
        return tuple(mirror.name for mirror in self.mirrors)

    def mirror(self, name: str) -> StatedMirror:
        """The mirror of that name, capitals aside.

        Raises
        ------
        AlignError : there is none; the remedy lists those that there are.
        """
        wanted = name.strip().casefold()
        for mirror in self.mirrors:
            if mirror.name.casefold() == wanted:
                return mirror
        raise AlignError(
            f"{FILE_NAME} has no mirror named {name!r}.",
            f"Use {listed(self.mirror_names)}." if any(self.mirror_names) else "Name it there: [[mirror]], name.",
        )


def listed(names: Iterable[str]) -> str:
    """Names in quotes, the last after "or"."""
    quoted = [f'"{name}"' for name in names if name]
    return " or ".join([", ".join(quoted[:-1]), quoted[-1]] if len(quoted) > 1 else quoted)


def read_installation(folder: str | os.PathLike[str]) -> Installation:
    """The folder's installation.toml; without one, an installation that has the folder's name and no more.

    Raises
    ------
    FileFormatError : unreadable, of an unknown version, or an entry is wrong; the message names the line.
    """
    folder = Path(folder)
    path = folder / FILE_NAME
    try:
        text = read_plain(folder, path).decode("utf-8-sig")
    except FileNotFoundError:
        return Installation(presentable(folder.resolve().name) or "Scene")
    except UnicodeDecodeError:
        raise FileFormatError(f"{path}: expected UTF-8 text.", "Save it again as UTF-8.") from None
    except OSError as error:
        raise FileFormatError(f"{path} cannot be read: {error.strerror}.", "Check its permissions.") from None
    return installation_from_text(text)


def installation_from_text(text: str) -> Installation:
    """An installation from TOML text.

    Raises
    ------
    FileFormatError
    """
    lines = Lines(FILE_NAME, text)
    data = _parsed(text)
    top = Table({key: value for key, value in data.items() if not _is_table(value)}, lines, "")
    found = top.text("format", FORMAT)
    if found != FORMAT:
        top.fail("format", f'expected "{FORMAT}", found "{found}"', f"This version reads no other. {_REMEDY}")
    general: dict[str, Any] = {key: top.text(key, key, default="") for key in ("place", "who", "notes")}
    name, when = top.text("name", "Harbour street"), _date(top, "when")
    top.finish()
    for key in data:
        if key != "mirror" and _is_table(data[key]) and not (key == "cautions" and isinstance(data[key], dict)):
            Table({}, lines, key).fail("", "is not a table that this file has", "Use [[mirror]] and [cautions].")
    cautions = Table(data.get("cautions", {}), lines, "cautions")
    flags: dict[str, Any] = {key: _flag(cautions, key) for key in ("within_reach", "sunlight", "mains_lamps")}
    cautions.finish()
    return Installation(name=name, when=when, **general, mirrors=_mirrors(data.get("mirror", []), lines), **flags)


def _is_table(value: Any) -> bool:
    """[name], or one [[name]] or more."""
    return isinstance(value, dict) or (isinstance(value, list) and all(isinstance(item, dict) for item in value))


def _mirrors(found: Any, lines: Lines) -> tuple[StatedMirror, ...]:
    """All [[mirror]] tables, or the one of a [mirror] table; none whose name another has."""
    tables = [found] if isinstance(found, dict) else found
    read: list[StatedMirror] = []
    for number, data in enumerate(tables):
        table = Table(data, lines, "mirror", number)
        mirror = _mirror(table)
        if len(tables) > 1 and not mirror.name:
            table.fail("name", "is missing", 'Of several mirrors each needs its own: name = "arcade mirror"')
        if any(mirror.name.casefold() == other.name.casefold() for other in read):
            table.fail("name", f'another mirror is named "{mirror.name}" too', "Give each a name of its own.")
        read.append(mirror)
    return tuple(read)


def _parsed(text: str) -> dict[str, Any]:
    if sys.version_info >= (3, 11):
        import tomllib
    else:
        import tomli as tomllib
    try:
        return tomllib.loads(text)
    except (ValueError, RecursionError) as error:  # also thousands of digits or brackets
        raise FileFormatError(
            f"{FILE_NAME}: not readable as TOML: {error}.",
            "Look at that line: texts need quotes, and every entry its own line. " + _REMEDY,
        ) from None


#: Limits of the numbers in a [[mirror]] table, as `Table.number` takes them.
_NUMBERS: dict[str, dict[str, float]] = {
    "width_mm": {"example": 240, "above": 0, "at_most": 5000},
    "height_mm": {"example": 170, "above": 0, "at_most": 5000},
    "glass_mm": {"example": 4, "at_least": 0, "at_most": 25},
    "foot_depth_mm": {"example": 40, "above": 0, "at_most": 2000},
    "want_turn_deg": {"example": 0, "at_least": -180, "at_most": 180},
    "tolerance_deg": {"example": 0.1, "at_least": 0.001, "at_most": 45},
    "square_mm": {"example": 12, "at_least": 0.5, "at_most": 1000},
}


def _mirror(table: Table) -> StatedMirror:
    """A mirror's table; every entry may be left out."""
    mirror: dict[str, Any] = {
        **{key: table.number(key, **limit) if table.has(key) else None for key, limit in _NUMBERS.items()},
        "name": table.text("name", "arcade mirror", default=""),
        "shims_fitted": table.text("shims_fitted", "1.0 + 0.1 behind the bottom edge", default=""),
        "notes": table.text("notes", "cleaned with a soft brush", default=""),
        "camera": table.text("camera", "phone.json", default=""),
        "mount": table.choice("mount", MOUNTS) if table.has("mount") else "",
        "sheet": table.choice("sheet", tuple(SHEETS)) if table.has("sheet") else "",
        "touching": table.flag("touching"),
        "flatness": table.flag("flatness"),
        "exact_print": table.flag("exact_print"),
        "rule_mm": _rule(table),
        "board": _board(table),
        "stock_mm": table.numbers("stock_mm", "[0.1, 0.2, 0.5, 1.0]", None) if table.has("stock_mm") else (),
    }
    table.finish()
    _refuse_contradictions(table, mirror)
    return StatedMirror(**mirror)


def _rule(table: Table) -> float | tuple[float, float] | None:
    """The printed rule as measured: one length, or two in square brackets."""
    if not table.has("rule_mm"):
        return None
    if isinstance(table.data["rule_mm"], list):
        across, along = table.numbers("rule_mm", "[100.0, 99.8]", 2)
        if not all(20 <= length <= 500 for length in (across, along)):
            table.fail("rule_mm", "expected lengths of 20 to 500", "Write: rule_mm = [100.0, 99.8]")
        return across, along
    return table.number("rule_mm", 100, at_least=20, at_most=500)


def _board(table: Table) -> tuple[int, int] | None:
    """The inner corners of a plain checkerboard."""
    if not table.has("board"):
        return None
    columns, rows = table.numbers("board", "[9, 6]", 2)
    if not all(number == int(number) and 3 <= number <= 100 for number in (columns, rows)):
        table.fail("board", "expected 3 to 100 inner corners each way", "Write: board = [9, 6]")
    return int(columns), int(rows)


def _refuse_contradictions(table: Table, found: dict[str, Any]) -> None:
    if (found["board"] is None) != (found["square_mm"] is None):
        missing = "square_mm" if found["square_mm"] is None else "board"
        table.fail(
            missing, "is missing", "board and square_mm belong together: inner corners, and a square's side."
        )
    if found["board"] is not None and found["sheet"]:
        table.fail("sheet", "a plain board is no sheet", "Take either sheet, or board and square_mm, out.")
    if any(thickness <= 0 for thickness in found["stock_mm"]):
        table.fail("stock_mm", "expected thicknesses of more than 0", "Write: stock_mm = [0.1, 0.2, 0.5, 1.0]")


def _date(table: Table, key: str) -> str:
    """A TOML date, or words in quotes."""
    if table.has(key) and isinstance(table.data[key], datetime.date):
        return str(table.data[key].isoformat()[:10])
    return table.text(key, "2026-07-14", default="")


def _flag(table: Table, key: str) -> bool:
    """true or false; true where it is not there: a caution too many does no harm."""
    return table.flag(key) if table.has(key) else True

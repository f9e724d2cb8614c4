"""The file `installation.toml` of a record's folder: what only people know, in their words."""

from __future__ import annotations

import datetime
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from ..errors import FileFormatError
from ..toml_table import Lines, Table
from ..whole_file import write_whole

FILE_NAME = "installation.toml"
FORMAT = "align-installation-1"
MOUNTS = ("wall", "foot")
EXAMPLE = Path(__file__).parent / "templates" / "installation.toml"
_REMEDY = "Write a fresh one to compare with: align record --start OTHER_FOLDER"


@dataclass(frozen=True)
class Installation:
    """What the builder says of an installation; empty or None where nothing was said. Lengths in mm.

    name : of the scene; place : where it stands; who, when : who set the mirror, and when
    mirror_name, width_mm, height_mm, glass_mm : of the mirror (glass 0: front-coated)
    mount, foot_depth_mm : how it is held; want_turn_deg : the turn that is wanted
    shims_fitted : which packing went in; within_reach, sunlight, mains_lamps : which cautions fit
    """

    name: str
    place: str = ""
    who: str = ""
    when: str = ""
    notes: str = ""
    mirror_name: str = ""
    width_mm: float | None = None
    height_mm: float | None = None
    glass_mm: float | None = None
    mount: str = ""
    foot_depth_mm: float | None = None
    want_turn_deg: float | None = None
    shims_fitted: str = ""
    within_reach: bool = True
    sunlight: bool = True
    mains_lamps: bool = True

    @property
    def size_mm(self) -> tuple[float, float] | None:
        """(width, height), when both are given."""
        if self.width_mm is None or self.height_mm is None:
            return None
        return self.width_mm, self.height_mm


def write_start(folder: Path) -> Path:
    """Write a commented installation.toml into a folder, made if need be; nothing is overwritten.

    Raises
    ------
    AlignError : the file exists already, or cannot be written.
    """
    path = folder / FILE_NAME
    write_whole(path, EXAMPLE.read_bytes(), make_folder=True, new=True)
    return path


def read_installation(folder: Path) -> Installation:
    """The folder's installation.toml; without one, an installation that has the folder's name and no more.

    Raises
    ------
    FileFormatError : unreadable, of an unknown version, or an entry is wrong; the message names the line.
    """
    path = folder / FILE_NAME
    try:
        text = path.read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        return Installation(folder.resolve().name or "Scene")
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
    top = Table({key: value for key, value in data.items() if not isinstance(value, dict)}, lines, "")
    found = top.text("format", FORMAT)
    if found != FORMAT:
        top.fail("format", f'expected "{FORMAT}", found "{found}"', f"This version reads no other. {_REMEDY}")
    general: dict[str, Any] = {key: top.text(key, key, default="") for key in ("place", "who", "notes")}
    name, when = top.text("name", "Harbour street"), _date(top, "when")
    top.finish()
    for key in data:
        if isinstance(data[key], dict) and key not in ("mirror", "cautions"):
            Table({}, lines, key).fail("", "is not a table that this file has", "Use [mirror] and [cautions].")
    mirror = _mirror(Table(data.get("mirror", {}), lines, "mirror"))
    cautions = Table(data.get("cautions", {}), lines, "cautions")
    flags: dict[str, Any] = {key: _flag(cautions, key) for key in ("within_reach", "sunlight", "mains_lamps")}
    cautions.finish()
    return Installation(name=name, when=when, **general, **mirror, **flags)


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


def _mirror(table: Table) -> dict[str, Any]:
    """The [mirror] table; every entry may be left out."""
    mirror: dict[str, Any] = {
        "mirror_name": table.text("name", "arcade mirror", default=""),
        "shims_fitted": table.text("shims_fitted", "1.0 + 0.1 behind the bottom edge", default=""),
        "mount": table.choice("mount", MOUNTS) if table.has("mount") else "",
    }
    limits: dict[str, dict[str, float]] = {
        "width_mm": {"example": 240, "above": 0, "at_most": 5000},
        "height_mm": {"example": 170, "above": 0, "at_most": 5000},
        "glass_mm": {"example": 4, "at_least": 0, "at_most": 25},
        "foot_depth_mm": {"example": 40, "above": 0, "at_most": 2000},
        "want_turn_deg": {"example": 0, "at_least": -89, "at_most": 89},
    }
    for key, limit in limits.items():
        mirror[key] = table.number(key, **limit) if table.has(key) else None
    table.finish()
    return mirror


def _date(table: Table, key: str) -> str:
    """A TOML date, or words in quotes."""
    if table.has(key) and isinstance(table.data[key], datetime.date):
        return str(table.data[key].isoformat()[:10])
    return table.text(key, "2026-07-14", default="")


def _flag(table: Table, key: str) -> bool:
    """true or false; true where it is not there: a caution too many does no harm."""
    return table.flag(key) if table.has(key) else True

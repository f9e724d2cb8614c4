"""A measured mirror, taken from what `align check --json` wrote, put into a planned scene."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path as FilePath
from typing import Any

from ..ordinary_file import CannotRead, read_text
from ..quantity import Quantity
from ..toml_table import Table
from .scene import Mirror

FORMAT = "align-check-1"


def apply_measured(
    table: Table,
    mirror: Mirror,
    file: FilePath,
    which: int,
    sheet: tuple[float, ...] | None,
    sheet_turn: float = 0.0,
) -> tuple[Mirror, dict[str, tuple[float, float]], tuple[str, ...]]:
    """The scene's mirror with lean, turn and glass as measured, and its distance where the sheet's place is
    known.

    Parameters
    ----------
    table : the [mirror] table, for the error messages
    file : output of `align check --json`; which : the mirror's number in it, from 1
    sheet : (x, y) [mm] of the middle of the target's far edge in the scene
    sheet_turn : [rad] how far the sheet itself lay turned in the scene, anticlockwise seen from above

    Returns
    -------
    The mirror; 95 % intervals of its measured fields; notes for the reader.

    Raises
    ------
    FileFormatError : the file is not what `align check --json` writes, or has no such mirror.
    """
    found = _mirror_entry(table, file, which)
    lean, turn = (_quantity(table, file, found, key) for key in ("lean_deg", "turn_deg"))
    changes: dict[str, Any] = {
        "lean": math.radians(lean.value),
        "turn": math.radians(turn.value) + sheet_turn,
    }
    uncertainties = {
        "lean": (math.radians(lean.low), math.radians(lean.high)),
        "turn": (math.radians(turn.low) + sheet_turn, math.radians(turn.high) + sheet_turn),
    }
    notes = _glass(table, file, found, changes, uncertainties)
    if sheet is None:
        notes.append("The mirror's place is the scene file's own: with sheet_at the measured distance would count.")
    else:
        if found.get("distance_mm", 0) is None:
            table.fail(
                "measured",
                f"the mirror in {file.name} runs along the sheet, so that its distance from it is not known",
                "Lay the sheet with its contact edge towards this mirror and check again, or leave sheet_at out.",
            )
        distance = _quantity(table, file, found, "distance_mm")
        # The distance runs along the sheet's own y, at its middle; `at` may lie to one side of that line.
        places = []
        for along in (distance.value, distance.low, distance.high):
            x, y = sheet[0] - along * math.sin(sheet_turn), sheet[1] + along * math.cos(sheet_turn)
            places.append(y + (mirror.at_mm[0] - x) * math.tan(changes["turn"]))
        changes["at_mm"] = (mirror.at_mm[0], places[0])
        uncertainties["at_y_mm"] = (min(places), max(places))
    return replace(mirror, **changes), uncertainties, tuple(notes)


def _mirror_entry(table: Table, file: FilePath, which: int) -> dict[str, Any]:
    hint = "Write it with: align check PHOTO --json > check.json"
    try:
        data = json.loads(read_text(file))
    except FileNotFoundError:
        table.fail("measured", f"cannot read {file}: there is no such file", hint)
    except CannotRead as error:
        table.fail("measured", f"{file} {error}", hint)
    except (ValueError, RecursionError):
        table.fail("measured", f"{file.name} is not one JSON object", hint)
    if not isinstance(data, dict) or data.get("format") != FORMAT:
        found = data.get("format") if isinstance(data, dict) else type(data).__name__
        table.fail("measured", f'expected the format "{FORMAT}" in {file.name}, found {found!r}', hint)
    mirrors = data.get("mirrors")
    if not isinstance(mirrors, list) or len(mirrors) < which or not isinstance(mirrors[which - 1], dict):
        count = len(mirrors) if isinstance(mirrors, list) else 0
        table.fail(
            "measured_mirror",
            f"{file.name} holds {count} mirror(s), number {which} is asked for",
            "Mirrors are counted from 1; correct measured_mirror, or take the photo again.",
        )
    entry: dict[str, Any] = mirrors[which - 1]
    return entry


def _quantity(table: Table, file: FilePath, entry: dict[str, Any], key: str) -> Quantity:
    try:
        value, low, high = (float(entry[key][part]) for part in ("value", "low", "high"))
    except (KeyError, TypeError, ValueError, OverflowError):
        table.fail(
            "measured",
            f"{key} in {file.name} is not a value with its interval",
            "Check the photo again and pass on its output unchanged.",
        )
    return Quantity(value, low, high)


def _glass(
    table: Table,
    file: FilePath,
    entry: dict[str, Any],
    changes: dict[str, Any],
    uncertainties: dict[str, tuple[float, float]],
) -> list[str]:
    """Put the measured glass into `changes` and `uncertainties`; a note where it was not determined."""
    glass = entry.get("glass") if isinstance(entry.get("glass"), dict) else {}
    verdict = glass.get("verdict") if glass else None
    if verdict == "front-coated":
        changes["glass_mm"] = 0.0
    elif verdict == "back-silvered" and glass and glass.get("thickness_mm"):
        thickness = _quantity(table, file, glass, "thickness_mm")
        changes["glass_mm"] = max(0.0, thickness.value)
        uncertainties["glass_mm"] = (max(0.0, thickness.low), max(0.0, thickness.high))
    else:
        return ["The photo did not settle the glass's thickness: the scene file's glass_mm is used."]
    return []

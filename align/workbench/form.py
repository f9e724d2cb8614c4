"""The mirror's form: from what a person writes to what the record keeps, every complaint at its field."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from ..drawing.wording import MM_PER_INCH
from ..records.installation import StatedMirror
from .form_fields import FIELDS, Field

#: How people write inches; in a row of numbers the last one's unit is that of all.
INCHES = ("in", '"', "″")
#: The longest text that a field takes.
LONGEST = 300
LONGEST_NOTES = 5000


@dataclass(frozen=True)
class FormErrors(Exception):
    """What is wrong, by the field's entry."""

    by_entry: Mapping[str, str]


def mirror_from_form(values: Mapping[str, str], before: StatedMirror, cameras: tuple[str, ...]) -> StatedMirror:
    """The mirror that a filled-in form describes; what the form does not ask stays as it was before.

    Parameters
    ----------
    values : the form's entries as they were written; cameras : the camera files there are to choose from

    Raises
    ------
    FormErrors : a complaint for every field that is wrong.
    """
    found: dict[str, Any] = {}
    errors: dict[str, str] = {}
    for field in FIELDS:
        written = plain_text(field, values)
        try:
            found[field.entry] = value_of(field, written)
        except ValueError as error:
            errors[field.entry] = str(error)
    found["camera"] = values.get("camera", "")
    if found["camera"] not in ("", *cameras):
        errors["camera"] = "Choose one of the camera files that are listed."
    _check_together(found, errors)
    if errors:
        raise FormErrors(errors)
    return replace(before, **found)


def written_of(mirror: StatedMirror) -> dict[str, str]:
    """What the form shows of a mirror."""
    shown: dict[str, str] = {"camera": mirror.camera}
    for field in FIELDS:
        value = getattr(mirror, field.entry)
        if isinstance(value, tuple):
            value = (", " if field.entry == "stock_mm" else " x ").join(f"{item:g}" for item in value)
        if isinstance(value, bool):
            shown[field.entry] = "on" if value else ""
        else:
            shown[field.entry] = "" if value is None else f"{value:g}" if isinstance(value, float | int) else value
    shown["mount"] = shown["mount"] or "wall"
    return shown


def plain_text(field: Field, values: Mapping[str, str]) -> str:
    """What was written into a field, blanks at its ends and doubled ones left out; of notes line by line."""
    lines = values.get(field.entry, "").splitlines() if field.kind == "lines" else [values.get(field.entry, "")]
    longest = LONGEST_NOTES if field.kind == "lines" else LONGEST
    return "\n".join(" ".join(line.split()) for line in lines).strip()[:longest]


def value_of(field: Field, written: str) -> Any:
    """What a field holds as the record keeps it; ValueError where it is wrong."""
    if field.kind in ("text", "lines"):
        if not written.replace("\n", "").isprintable():
            raise ValueError("Write letters and signs that can be printed.")
        return written
    if field.kind == "flag":
        return bool(written)
    if field.kind == "choice":
        if written not in [value for value, _ in field.choices]:
            raise ValueError("Choose one of what is listed.")
        return written
    if field.kind == "numbers":
        return _numbers(field, written)
    return number_of(field, written)


def _numbers(field: Field, written: str) -> Any:
    """One number or several: a rule alone, both as 99.4 x 99.7, a stock as 0.1, 0.25 (each comma with a space)."""
    plain = written.removesuffix("mm").strip()
    ending = next((ending for ending in INCHES if plain.endswith(ending)), "")
    parts = [part for part in re.split(r"\s*[x×;]\s*|,\s+|\s+", plain.removesuffix(ending).strip()) if part]
    parts = [part if not ending or part.endswith(INCHES) else part + ending for part in parts]
    found = [number for part in parts if (number := number_of(field, part)) is not None]
    if len(found) > field.most:
        raise ValueError(f"Expected at most {field.most} numbers, found {len(found)}.")
    if field.entry == "rule_mm":
        return None if not found else found[0] if len(found) == 1 else tuple(found)
    if field.entry == "board":
        if len(found) == 1 or any(number != int(number) for number in found):
            raise ValueError("Expected two whole numbers, as in 7 x 6.")
        return tuple(int(number) for number in found) or None
    return tuple(found)


def number_of(field: Field, written: str) -> float | None:
    """A number in the field's unit, a length also as "12 in"; None where nothing is written.

    Raises
    ------
    ValueError : it is no number, or out of the field's bounds.
    """
    plain, in_mm = written.strip(), 1.0
    for ending in INCHES if field.unit == "mm" else ():
        if plain.endswith(ending):
            plain, in_mm = plain.removesuffix(ending), MM_PER_INCH
    plain = plain.removesuffix("mm").removesuffix("°").removesuffix("deg").strip()
    plain = plain.replace(",", ".").replace("−", "-")
    if not plain:
        return None
    try:
        number = float(plain) * in_mm
    except ValueError:
        unit = f" in {field.unit}" if field.unit else ""
        raise ValueError(f"Expected a number{unit}, found “{written[:40]}”.") from None
    low, high = field.bounds
    if not math.isfinite(number) or not low <= number <= high:
        unit = f" {field.unit}" if field.unit else ""
        raise ValueError(f"Expected {low:g} to {high:g}{unit}, found {written[:40]}.")
    return number


def _check_together(found: dict[str, Any], errors: dict[str, str]) -> None:
    if not found.get("name") and "name" not in errors:
        errors["name"] = "Give it a name, such as: arcade mirror."
    for one, other in (("width_mm", "height_mm"), ("height_mm", "width_mm")):
        if found.get(one) is not None and found.get(other, 0) is None:
            errors[other] = "Width and height belong together."
    if found.get("mount") == "foot" and found.get("foot_depth_mm", 0) is None:
        errors["foot_depth_mm"] = "A foot needs its depth from front to rear."
    own = [found.get("board") is not None, found.get("square_mm") is not None]
    if any(own) and not all(own) and not errors.keys() & {"board", "square_mm"}:
        errors["square_mm" if own[0] else "board"] = (
            "Board and square belong together: inner corners, and their side."
        )
    if own[0] and (found.get("sheet") or found.get("rule_mm") or found.get("exact_print")):
        errors["board"] = (
            "A board of your own is no printed sheet: take sheet, rule and exact print out, or the board."
        )
    if found.get("mount") == "wall":
        found["foot_depth_mm"] = None

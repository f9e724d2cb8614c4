"""The mirror's form: from what a person writes to what the record keeps, every complaint at its field."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any, Literal

from ..records.installation import StatedMirror
from ..target.sheets import SHEETS

Kind = Literal["text", "number", "choice", "flag"]


@dataclass(frozen=True)
class Field:
    """One field of the form: the mirror's entry, its label, what to know of it, its unit and bounds."""

    entry: str
    label: str
    hint: str = ""
    kind: Kind = "number"
    unit: str = ""
    bounds: tuple[float, float] = (0.0, 0.0)
    choices: tuple[tuple[str, str], ...] = ()


MAIN = (
    Field("name", "Name", "As you speak of it: arcade mirror", "text"),
    Field(
        "width_mm",
        "Width",
        "Of the glass. With it the packing comes out for the corners.",
        "number",
        "mm",
        (5, 5000),
    ),
    Field("height_mm", "Height", "", "number", "mm", (5, 5000)),
    Field(
        "mount",
        "How it is held",
        "",
        "choice",
        choices=(
            ("wall", "Against a wall: packed behind its corners"),
            ("foot", "On a foot: packed under its foot"),
        ),
    ),
    Field("foot_depth_mm", "Depth of its foot", "From front to rear; only for a foot.", "number", "mm", (1, 2000)),
)
MORE = (
    Field(
        "want_turn_deg",
        "Wanted turn",
        "0 is square to the sheet's edge; more than 0: its left edge nearer to you.",
        "number",
        "°",
        (-180, 180),
    ),
    Field(
        "tolerance_deg",
        "What counts as true",
        "Lean and turn within this; 0.1 if left empty.",
        "number",
        "°",
        (0.001, 45),
    ),
    Field(
        "glass_mm",
        "Thickness of its glass",
        "0 for a front-coated mirror; empty if not known.",
        "number",
        "mm",
        (0, 25),
    ),
    Field(
        "sheet",
        "Printed sheet",
        "A photo tells by itself which one it shows.",
        "choice",
        choices=(("", "any"), *((name, name) for name in SHEETS)),
    ),
    Field(
        "rule_mm", "Length of the sheet's 100 mm rule", "As you measure it on the print.", "number", "mm", (20, 500)
    ),
    Field("touching", "The sheet's far edge touches the glass", "", "flag"),
    Field("shims_fitted", "Packing fitted", "What went in, in your own words; for the record.", "text"),
)
FIELDS = MAIN + MORE
#: The longest text that a field takes.
LONGEST = 300


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
        written = " ".join(values.get(field.entry, "").split())[:LONGEST]
        try:
            found[field.entry] = _value(field, written)
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
            value = sum(value) / len(value)
        if isinstance(value, bool):
            shown[field.entry] = "on" if value else ""
        else:
            shown[field.entry] = "" if value is None else f"{value:g}" if isinstance(value, float | int) else value
    shown["mount"] = shown["mount"] or "wall"
    return shown


def _value(field: Field, written: str) -> Any:
    if field.kind == "text":
        if not written.isprintable():
            raise ValueError("Write letters and signs that can be printed.")
        return written
    if field.kind == "flag":
        return bool(written)
    if field.kind == "choice":
        if written not in [value for value, _ in field.choices]:
            raise ValueError("Choose one of what is listed.")
        return written
    return _number(field, written)


def _number(field: Field, written: str) -> float | None:
    plain = (
        written.removesuffix("mm").removesuffix("°").removesuffix("deg").strip().replace(",", ".").replace("−", "-")
    )
    if not plain:
        return None
    try:
        number = float(plain)
    except ValueError:
        raise ValueError(f"Expected a number in {field.unit}, found “{written[:40]}”.") from None
    low, high = field.bounds
    if not math.isfinite(number) or not low <= number <= high:
        raise ValueError(f"Expected {low:g} to {high:g} {field.unit}, found {written[:40]}.")
    return number


def _check_together(found: dict[str, Any], errors: dict[str, str]) -> None:
    if not found.get("name") and "name" not in errors:
        errors["name"] = "Give it a name, such as: arcade mirror."
    for one, other in (("width_mm", "height_mm"), ("height_mm", "width_mm")):
        if found.get(one) is not None and found.get(other, 0) is None:
            errors[other] = "Width and height belong together."
    if found.get("mount") == "foot" and found.get("foot_depth_mm", 0) is None:
        errors["foot_depth_mm"] = "A foot needs its depth from front to rear."
    if found.get("mount") == "wall":
        found["foot_depth_mm"] = None

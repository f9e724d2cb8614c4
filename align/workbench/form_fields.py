"""The fields of the mirror's form, in the order in which they are asked."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from ..checking.settings import (
    BOARD_CORNERS,
    FOOT_DEPTH_MM,
    GLASS_MM,
    MOST_SIZES_OF_STOCK,
    RULE_RANGE_MM,
    SIDE_MM,
    SQUARE_MM,
    STOCK_MM,
    TOLERANCE_DEG,
    TURN_DEG,
)
from ..target.sheets import SHEETS

Kind = Literal["text", "lines", "number", "numbers", "choice", "flag"]


@dataclass(frozen=True)
class Field:
    """One field: the mirror's entry, its label, what to know of it, unit and bounds, how many values at most."""

    entry: str
    label: str
    hint: str = ""
    kind: Kind = "number"
    unit: str = ""
    bounds: tuple[float, float] = (0.0, 0.0)
    most: int = 1
    choices: tuple[tuple[str, str], ...] = ()


_HELD = (("wall", "against a wall"), ("foot", "on a foot"))
_SIZE = "Of the glass. With it the packing comes out for the corners. Inches as 12 in."
_TURN = "0 is square to the sheet's edge; more than 0: its left edge nearer to you."
_TOLERANCE = "Lean and turn within this; 0.1 if left empty."
_GLASS = "0 for a front-coated mirror; empty if not known."
_RULE = "As you measure it on the print; both rules as 99.4 x 99.7."
_STOCK = "Thicknesses, as 0.1, 0.25, 0.5, 1; the common ones if left empty."
_FITTED = "What went in, in your own words; for the record."

MAIN = (
    Field("name", "Name", "As you speak of it: arcade mirror", "text"),
    Field("width_mm", "Width", _SIZE, unit="mm", bounds=SIDE_MM),
    Field("height_mm", "Height", unit="mm", bounds=SIDE_MM),
    Field("mount", "How it is held", "Packing goes behind corners, or under a foot.", "choice", choices=_HELD),
    Field(
        "foot_depth_mm",
        "Depth of its foot",
        "From front to rear; only for a foot.",
        unit="mm",
        bounds=FOOT_DEPTH_MM,
    ),
)
MORE = (
    Field("want_turn_deg", "Wanted turn", _TURN, unit="°", bounds=TURN_DEG),
    Field("tolerance_deg", "What counts as true", _TOLERANCE, unit="°", bounds=TOLERANCE_DEG),
    Field("glass_mm", "Thickness of its glass", _GLASS, unit="mm", bounds=GLASS_MM),
    Field("stock_mm", "Packing at hand", _STOCK, "numbers", "mm", STOCK_MM, MOST_SIZES_OF_STOCK),
    Field(
        "sheet",
        "Printed sheet",
        "A photo tells by itself which one it shows.",
        "choice",
        choices=(("", "any"), *((name, name) for name in SHEETS)),
    ),
    Field("rule_mm", "Length of the sheet's 100 mm rule", _RULE, "numbers", "mm", RULE_RANGE_MM, 2),
    Field("exact_print", "The sheet is known to be exactly to scale (plotted, engraved)", kind="flag"),
    Field("flatness", "Each answer also maps how flat the mirror is", kind="flag"),
    Field("touching", "The sheet's far edge touches the glass", kind="flag"),
    Field(
        "board",
        "Inner corners of a checkerboard of your own",
        "Instead of a printed sheet, as 7 x 6.",
        "numbers",
        bounds=BOARD_CORNERS,
        most=2,
    ),
    Field("square_mm", "Side of that board's squares", "As you measure it.", unit="mm", bounds=SQUARE_MM),
    Field("shims_fitted", "Packing fitted", _FITTED, "text"),
    Field("notes", "Notes", "For the record's page.", "lines"),
)
FIELDS = MAIN + MORE
#: What a camera is measured with, where that is no sheet printed to scale.
CAMERA = (
    Field("rule_mm", "Length of the sheet's 100 mm rule", "As you measure it.", unit="mm", bounds=RULE_RANGE_MM),
    next(field for field in MORE if field.entry == "board"),
    next(field for field in MORE if field.entry == "square_mm"),
)
#: What the record says of the scene.
SCENE = (
    Field("name", "Name of the scene", "As it stands in headings and captions.", "text"),
    Field("place", "Where it stands", "A room, a showcase.", "text"),
    Field("who", "Who set the mirrors", "Leave it out if the page goes public.", "text"),
    Field("notes", "Notes", kind="lines"),
)

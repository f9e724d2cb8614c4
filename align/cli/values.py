"""Kinds of values on the command line: numbers with their unit, WxH, COLSxROWS, wall|foot:DEPTH.

Only how a value is written is looked at here; for `align check`, `CheckSettings` knows what can be meant.
"""

from __future__ import annotations

import math
import re
from pathlib import Path
from typing import Any

import click

#: A number as people write it: digits, a point or a comma, an exponent. No digits in groups: 1,000 may be one
#: millimetre or a metre.
_NUMBER = re.compile(r"[+-]?([0-9]+([.,][0-9]*)?|[.,][0-9]+)([eE][+-]?[0-9]+)?")
_GROUPED = re.compile(r"[+-]?[1-9][0-9]{0,2},[0-9]{3}")
_TIMES = re.compile(r"\s*[xX×*]\s*")
_COMMAS = re.compile(r"\s*[,;]\s*|\s+(?=[0-9.])")
#: Units of length, in millimetres.
UNITS_MM = {"mm": 1.0, "cm": 10.0, "in": 25.4, "inch": 25.4, "inches": 25.4, '"': 25.4, "″": 25.4}
_LENGTH = re.compile(r"([-+0-9.,]+)\s*(mm|cm|inches|inch|in|\"|″)?", re.IGNORECASE)


def _number(text: str) -> float:
    """A finite number, with a decimal point or comma; ValueError otherwise, or where it may be meant otherwise."""
    text = text.strip().replace("\N{MINUS SIGN}", "-")
    if not _NUMBER.fullmatch(text) or _GROUPED.fullmatch(text):
        raise ValueError(text)
    number = float(text.replace(",", "."))
    if not math.isfinite(number):
        raise ValueError(text)
    return number


def _whole(text: str) -> int:
    if not (text.isascii() and text.isdigit()):
        raise ValueError(text)
    return int(text)


class FilePath(click.Path):
    """A file's or folder's path. Whether it can be read is told by who reads it, for its photo alone."""

    def __init__(self, **how: Any) -> None:
        super().__init__(path_type=Path, readable=False, **how)

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """The path, or a usage error for an empty name, which would mean the current folder."""
        if value == "":
            self.fail("the name is empty; name a file or folder.", param, ctx)
        return super().convert(value, param, ctx)


class Number(click.ParamType):
    """A finite number, within bounds if any, in one unit, which may be written behind it."""

    name = "number"

    def __init__(self, unit: str, low: float = -math.inf, high: float = math.inf) -> None:
        self.unit, self.low, self.high = unit, low, high

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """The number, or a usage error that says what was expected."""
        if isinstance(value, (int, float)):
            return float(value)
        try:
            number = _number(str(value).strip().removesuffix(self.unit))
        except ValueError:
            plainly = ", with a decimal point and no digits in groups" if any(c in str(value) for c in ",_") else ""
            self.fail(f"expected a number in {self.unit}{plainly}, found {value!r}.", param, ctx)
        if not self.low <= number <= self.high:
            self.fail(f"{number:g} {self.unit} is not between {self.low:g} and {self.high:g}.", param, ctx)
        return number


class OneForEach(Number):
    """A number that may be given once for all mirrors or once for each: says so where it cannot be read."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """The number, or a usage error that says how to name several."""
        try:
            if isinstance(value, str) and "," in value:  # 1,2 may be one and a fifth, or 1 and 2
                self.fail(f"expected one number in {self.unit} with a decimal point, found {value!r}.", param, ctx)
            return super().convert(value, param, ctx)
        except click.BadParameter as error:
            if any(mark in str(value).strip(" ,;/") for mark in ",;/ "):
                flag = param.opts[0] if param is not None else "the option"
                words = f"{error.message} For several mirrors give {flag} once for each, from left to right."
                raise click.BadParameter(words, ctx, param) from None
            raise


def _lengths_mm(parts: list[str]) -> list[float]:
    """Lengths [mm] that may name their unit each, or once behind the last; ValueError otherwise."""
    found = [_LENGTH.fullmatch(part.strip()) for part in parts]
    matches = [match for match in found if match is not None]
    if not parts or len(matches) != len(found):
        raise ValueError(parts)
    last = matches[-1][2]
    return [_number(match[1]) * UNITS_MM[(match[2] or last or "mm").lower()] for match in matches]


class SizeMm(click.ParamType):
    """WIDTHxHEIGHT in millimetres, or in cm or in (inches) where that is written behind it."""

    name = "size"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> tuple[float, float]:
        """(width, height) [mm]."""
        if isinstance(value, tuple):
            return value
        try:
            width, height = _lengths_mm(_TIMES.split(str(value).strip()))
        except ValueError:
            expected = "expected WIDTHxHEIGHT in mm, as in 300x200, 30x20cm or 12x8in"
            self.fail(f"{expected}, found {value!r}.", param, ctx)
        return width, height


class StockMm(click.ParamType):
    """Thicknesses at hand in millimetres, with commas between; in inches where "in" is written behind them."""

    name = "stock"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> tuple[float, ...]:
        """Thicknesses [mm]."""
        if isinstance(value, tuple):
            return value
        try:
            return tuple(_lengths_mm([part for part in _COMMAS.split(str(value).strip()) if part]))
        except ValueError:
            self.fail(f"expected thicknesses in mm, as in 0.1,0.2,0.5,1, found {value!r}.", param, ctx)


class Rule(click.ParamType):
    """The printed rule's length in millimetres, or that of both rules, ACROSSxALONG."""

    name = "rule"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> float | tuple[float, float]:
        """One length, or (across, along) [mm]."""
        if isinstance(value, (int, float, tuple)):
            return value
        lengths = [Number("mm").convert(part, param, ctx) for part in _TIMES.split(str(value).strip())]
        if len(lengths) > 2:
            self.fail(f"expected one length in mm, or both rules as 99.4x99.6, found {value!r}.", param, ctx)
        return lengths[0] if len(lengths) == 1 else (lengths[0], lengths[1])


class Board(click.ParamType):
    """COLSxROWS of inner corners."""

    name = "board"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> tuple[int, int]:
        """(columns, rows)."""
        if isinstance(value, tuple):
            return value
        try:
            columns, rows = (_whole(part) for part in _TIMES.split(str(value).strip()))
        except ValueError:
            self.fail(f"expected the inner corners as COLSxROWS, as in 7x6, found {value!r}.", param, ctx)
        return columns, rows


class MountHow(click.ParamType):
    """wall, or foot:DEPTH with the foot's depth from front to rear in millimetres."""

    name = "mount"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> tuple[str, float | None]:
        """("wall", None) or ("foot", depth [mm])."""
        if isinstance(value, tuple):
            return value
        kind, colon, depth = str(value).strip().partition(":")
        if kind == "wall" and not colon:
            return "wall", None
        if kind == "foot" and colon:
            return "foot", Number("mm").convert(depth, param, ctx)
        self.fail(f"expected wall, or foot:DEPTH in mm as in foot:40, found {value!r}.", param, ctx)

"""Kinds of values on the command line: numbers with their unit, WxH, COLSxROWS, wall|foot:DEPTH.

Only how a value is written is looked at here; for `align check`, `CheckSettings` knows what can be meant.
"""

from __future__ import annotations

import math
import re
from typing import Any

import click

_TIMES = re.compile(r"\s*[xX×*]\s*")


def _number(text: str) -> float:
    """A finite number, with a decimal point or comma; ValueError otherwise."""
    number = float(text.strip().replace(",", "."))
    if not math.isfinite(number):
        raise ValueError(text)
    return number


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
            self.fail(f"expected a number in {self.unit}, found {value!r}.", param, ctx)
        if not self.low <= number <= self.high:
            self.fail(f"{number:g} {self.unit} is not between {self.low:g} and {self.high:g}.", param, ctx)
        return number


class OneForEach(Number):
    """A number that may be given once for all mirrors or once for each: says so where it cannot be read."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """The number, or a usage error that says how to name several."""
        try:
            return super().convert(value, param, ctx)
        except click.BadParameter as error:
            if any(mark in str(value).strip(" ,;/") for mark in ",;/ "):
                flag = param.opts[0] if param is not None else "the option"
                words = f"{error.message} For several mirrors give {flag} once for each, from left to right."
                raise click.BadParameter(words, ctx, param) from None
            raise


class SizeMm(click.ParamType):
    """WIDTHxHEIGHT in millimetres."""

    name = "size"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> tuple[float, float]:
        """(width, height) [mm]."""
        if isinstance(value, tuple):
            return value
        parts = _TIMES.split(str(value).strip().removesuffix("mm"))
        try:
            width, height = (_number(part.strip().removesuffix("mm")) for part in parts)
        except ValueError:
            self.fail(f"expected WIDTHxHEIGHT in mm, as in 300x200, found {value!r}.", param, ctx)
        return width, height


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
            columns, rows = (int(part) for part in _TIMES.split(str(value).strip()))
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

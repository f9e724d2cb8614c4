"""Numbers of a plan in words: with their unit and, where they have one, their interval."""

from __future__ import annotations

import textwrap

from ..quantity import Quantity, scaled

_WIDTH = 100


def wrapped(line: str) -> str:
    """One line, broken at _WIDTH with its own indent and a little more."""
    if line.lstrip().startswith("align "):  # a command is copied whole
        return line
    indent = " " * (len(line) - len(line.lstrip()) + 2)
    return textwrap.fill(line, _WIDTH, subsequent_indent=indent, break_long_words=False, break_on_hyphens=False)


def spoken(quantity: Quantity, unit: str, digits: int = 1) -> str:
    """`3.5° (3.1 to 3.9)`, the interval only where there is one."""
    sep = "" if unit in ("°", "%", "′") else " "
    words = f"{plain(quantity.value, digits)}{sep}{unit}"
    if uncertain(quantity, digits):
        words += f" ({plain(quantity.low, digits)} to {plain(quantity.high, digits)})"
    return words


def uncertain(quantity: Quantity, digits: int = 1) -> bool:
    """Whether there is an interval that shows in so many digits."""
    wide = quantity.high - quantity.low > 0.5 * 10.0**-digits
    return wide and plain(quantity.low, digits) != plain(quantity.high, digits)


def plain(value: float, digits: int) -> str:
    """A number with a true minus sign and without a minus zero."""
    text = f"{value:.{digits}f}"
    return text.lstrip("-") if float(text) == 0.0 else text.replace("-", "−")


def percent(quantity: Quantity) -> str:
    """A share as percent, with its interval where it has one; a few of many are not none."""
    if 0.0 < quantity.value < 0.005 and quantity.high < 0.005:
        return "under 1%"
    return spoken(scaled(quantity, lambda share: 100.0 * share), "%", 0)


def glass_name(glass_mm: float) -> str:
    """`front-coated` or `4 mm glass`."""
    return "front-coated" if glass_mm == 0 else f"{glass_mm:.3g} mm glass"

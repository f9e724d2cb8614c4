"""Numbers and findings in plain words, for the text, the picture and the page. Words only: no computing.

A number is shown as finely as its uncertainty allows and no finer. Decimal points are points in every locale.
"""

from __future__ import annotations

import math
import re

from ..quantity import Quantity, scaled
from .thresholds import LENGTH_DECIMALS, LOPSIDED_SHARE

#: The international inch.
MM_PER_INCH = 25.4

#: A space that no line breaks at.
KEEP = "\N{NO-BREAK SPACE}"


def kept_together(words: str) -> str:
    """The words with spaces that do not break between a number and its unit, and within a stack."""
    return re.sub(r"(?<=[0-9°±×+]) (?=mm|in\b|px|±|×|\+|[0-9])", KEEP, words)


def decimals_of(half: float, most: int) -> int:
    """Decimals that show an uncertainty `half` with one digit, with two where the first is a 1; at most `most`."""
    if not half > 0:
        return most
    exponent = math.floor(math.log10(half))
    first_digit = half / 10**exponent
    return min(most, -exponent + (1 if first_digit < 1.95 else 0))


def number_text(value: float, decimals: int) -> str:
    """A number with a true minus and no "-0"."""
    rounded = round(value, decimals)
    text = f"{rounded:.{max(decimals, 0)}f}"
    if not any(digit in text for digit in "123456789"):
        text = text.lstrip("-")
    return text.replace("-", "−")


def with_uncertainty(quantity: Quantity, unit: str, most: int = LENGTH_DECIMALS) -> str:
    """ "0.62° ± 0.02°", or "0 mm to 1.4 mm" where the interval is lopsided; the unit is at every number."""
    gap = "" if unit == "°" else " "
    above, below = quantity.high - quantity.value, quantity.value - quantity.low
    half = quantity.half_width
    if not half > 0:
        exact = number_text(quantity.value, min(most, 2))
        return f"{exact.rstrip('0').rstrip('.') if '.' in exact else exact}{gap}{unit}"
    decimals = decimals_of(half, most)
    if abs(above - below) > LOPSIDED_SHARE * half:
        ends = (number_text(end, decimals) for end in (quantity.low, quantity.high))
        return " to ".join(f"{end}{gap}{unit}" for end in ends)
    uncertainty = max(half, 10.0**-decimals)
    return f"{number_text(quantity.value, decimals)}{gap}{unit} ± {number_text(uncertainty, decimals)}{gap}{unit}"


def length_words(length_mm: Quantity, units: str, most: int = LENGTH_DECIMALS) -> str:
    """A length with its uncertainty in millimetres, or in inches ("in"), where a decimal more shows as much."""
    if units != "in":
        return with_uncertainty(length_mm, "mm", most)
    return with_uncertainty(scaled(length_mm, lambda mm: mm / MM_PER_INCH), "in", most + 1)


def size_with_uncertainty(quantity: Quantity, unit: str, most: int = LENGTH_DECIMALS) -> str:
    """The size of a quantity whose sign is said in words."""
    if quantity.value >= 0:
        return with_uncertainty(quantity, unit, most)
    return with_uncertainty(Quantity(-quantity.value, -quantity.high, -quantity.low), unit, most)


def has_sign(quantity: Quantity) -> bool:
    """Whether the interval lies wholly on one side of zero."""
    return quantity.low > 0 or quantity.high < 0


def plain_size(quantity: Quantity) -> str:
    """The size alone, rounded to its uncertainty; tenths are fine enough for a view."""
    return number_text(abs(quantity.value), max(0, decimals_of(quantity.half_width, 1)))

"""One table of a scene file: its entries checked at the door, every complaint with its line and a remedy."""

from __future__ import annotations

import difflib
import math
import re
from collections.abc import Mapping
from typing import Any, NoReturn

import numpy as np
from numpy.typing import NDArray

from .errors import FileFormatError

Array = NDArray[np.float64]

#: No scene's measure is larger [mm]; what is, is a slip of the pen, and would be sampled to death.
MOST = 30_000.0
_HEADER = re.compile(r"^\s*(\[\[?)\s*([A-Za-z0-9_-]+)\s*\]")
_KEY = re.compile(r"^\s*([A-Za-z0-9_-]+)\s*=")


class Lines:
    """Where in the text each table and each entry stands, for the error messages."""

    def __init__(self, file_name: str, text: str) -> None:
        self.file_name = file_name
        self._at: dict[tuple[str, int, str], int] = {}
        table, index, seen = "", 0, dict[str, int]()
        for number, line in enumerate(text.splitlines(), start=1):
            if header := _HEADER.match(line):
                table = header.group(2)
                index = seen.get(table, 0)
                seen[table] = index + 1
                self._at[table, index, ""] = number
            elif key := _KEY.match(line):
                self._at[table, index, key.group(1)] = number

    def where(self, table: str, index: int = 0, key: str = "") -> str:
        """`file, line 12` of an entry; of its table where the entry is missing; else the file alone."""
        line = self._at.get((table, index, key)) or self._at.get((table, index, ""))
        if table == "" and line is None:
            line = self._at.get((key, index, ""))  # a whole table that does not belong
        return f"{self.file_name}, line {line}" if line else self.file_name


class Table:
    """A table whose entries are asked for one by one; `finish` then refuses any that nobody asked for.

    Every reading method raises FileFormatError where the entry is missing or not of its kind.
    """

    def __init__(self, data: Mapping[str, Any], lines: Lines, name: str, index: int = 0) -> None:
        self.data, self.lines, self.name, self.index = data, lines, name, index
        self._asked: list[str] = []

    def fail(self, key: str, message: str, remedy: str) -> NoReturn:
        """Refuse an entry, naming its line."""
        place = self.lines.where(self.name, self.index, key)
        key_words = f"[{key}]" if not self.name and _is_table(self.data.get(key)) else key
        what = " ".join(part for part in (f"[{self.name}]" if self.name else "", key_words) if part)
        raise FileFormatError(f"{place}: {what}: {message}", remedy)

    def has(self, key: str) -> bool:
        """Whether the entry is there; it counts as asked for."""
        self._asked.append(key)
        return key in self.data

    def _get(self, key: str, example: str, default: Any) -> Any:
        if self.has(key):
            return self.data[key]
        if default is None:
            self.fail(key, "is missing", f"Add a line such as: {example}")
        return default

    def number(
        self,
        key: str,
        example: float,
        *,
        default: float | None = None,
        above: float = -math.inf,
        at_least: float = -math.inf,
        at_most: float = math.inf,
    ) -> float:
        """A number within its limits; a unit belongs to the key's name, never to the value."""
        line = f"{key} = {example:g}"
        value = self._get(key, line, default)
        if not _is_number(value):
            self.fail(key, f"expected a plain number, found {value!r}", f"Write it without a unit: {line}")
        if abs(value) > MOST:
            self.fail(key, f"{value:g} is beyond any scene ({MOST:g} at most)", f"In millimetres, e.g. {line}")
        if not (value > above and at_least <= value <= at_most):
            self.fail(
                key,
                f"expected {_limits(above, at_least, at_most)}, found {value:g}",
                f"Correct the number, for example: {line}",
            )
        return float(value)

    def text(self, key: str, example: str, *, default: str | None = None) -> str:
        """A text in quotes."""
        value = self._get(key, f'{key} = "{example}"', default)
        if not isinstance(value, str) or (not value.strip() and default is None):
            self.fail(key, f"expected a text in quotes, found {value!r}", f'Write: {key} = "{example}"')
        return value.strip()

    def choice(self, key: str, choices: tuple[str, ...]) -> str:
        """One of a few words."""
        value = self.text(key, choices[0])
        if value not in choices:
            options = ", ".join(f'"{choice}"' for choice in choices)
            self.fail(key, f'expected one of {options}, found "{value}"', _nearest(value, choices))
        return value

    def flag(self, key: str) -> bool:
        """true or false; false where it is not there."""
        value = self._get(key, f"{key} = true", False)
        if not isinstance(value, bool):
            self.fail(key, f"expected true or false, found {value!r}", f"Write: {key} = true")
        return value

    def numbers(self, key: str, example: str, count: int | None, *, default: Any = None) -> tuple[float, ...]:
        """A list of numbers; `count` of them, or any number but none."""
        line = f"{key} = {example}"
        value = self._get(key, line, default)
        wanted = "numbers" if count is None else f"{count} numbers"
        good = isinstance(value, list | tuple) and all(_is_number(item) for item in value)
        if not good or len(value) == 0 or (count is not None and len(value) != count):
            self.fail(key, f"expected {wanted} in square brackets, found {value!r}", f"Write: {line}")
        if max(abs(item) for item in value) > MOST:
            self.fail(key, f"expected {MOST:g} mm or less, found {value!r}", f"In millimetres, e.g. {line}")
        return tuple(float(item) for item in value)

    def span(self, key: str, example: str) -> tuple[float, float]:
        """Two numbers, the smaller one first."""
        low, high = self.numbers(key, example, 2)
        if low > high:
            self.fail(
                key,
                f"expected the smaller number first, found [{low:g}, {high:g}]",
                f"Write: {key} = [{high:g}, {low:g}]",
            )
        return low, high

    def points(self, key: str, example: str) -> Array:
        """(n, 2) at least two points of the floor, all different from their neighbours."""
        value = self._get(key, f"{key} = {example}", None)
        good = isinstance(value, list) and len(value) >= 2
        good = good and all(
            isinstance(point, list) and len(point) == 2 and all(_is_number(item) for item in point)
            for point in value
        )
        if not good:
            self.fail(key, f"expected two or more points [x, y], found {value!r}", f"Write: {key} = {example}")
        points = np.array(value, float)
        if np.abs(points).max() > MOST:
            self.fail(key, f"expected {MOST:g} mm or less, found {np.abs(points).max():g}", "Write millimetres.")
        if np.any(np.all(np.diff(points, axis=0) == 0.0, axis=1)):
            self.fail(key, "the same point stands twice in a row", "Take one of the two out.")
        return points

    def finish(self) -> None:
        """Refuse entries that nobody asked for: they are misspelt, or meant for another table."""
        for key in self.data:
            if key not in self._asked:
                known = tuple(dict.fromkeys(self._asked))
                owner = "this table" if self.name else "a scene"
                self.fail(key, f"is not an entry that {owner} has", _nearest(key, known))


def _is_table(value: object) -> bool:
    """Whether an entry is a table, or tables of one name."""
    return isinstance(value, dict) or (isinstance(value, list) and any(isinstance(one, dict) for one in value))


def _is_number(value: object) -> bool:
    if not isinstance(value, int | float) or isinstance(value, bool):
        return False
    try:
        return math.isfinite(value)
    except OverflowError:  # a whole number of more than 308 digits
        return False


def _limits(above: float, at_least: float, at_most: float) -> str:
    parts = []
    if above > -math.inf:
        parts.append(f"more than {above:g}")
    if at_least > -math.inf:
        parts.append(f"{at_least:g} or more")
    if at_most < math.inf:
        parts.append(f"{at_most:g} or less")
    return "a number of " + " and ".join(parts)


def _nearest(word: str, known: tuple[str, ...]) -> str:
    close = difflib.get_close_matches(word, known, 1, 0.6)
    if close:
        return f"Did you mean {close[0]}?"
    return "Use one of these: " + ", ".join(known) + "."

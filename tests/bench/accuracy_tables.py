"""Tables of the bench pages in Markdown, and what a row of "In short" is made of."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from tests.bench.accuracy_summary import wilson

#: What, its reach, what was measured, whether that is enough.
Row = tuple[str, str, str, bool]


def table(head: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """A Markdown table, followed by an empty line."""
    lines = ["| " + " | ".join(head) + " |", "|" + "---|" * len(head)]
    lines += ["| " + " | ".join(row) + " |" for row in rows]
    return "\n".join(lines) + "\n"


def percent(held: int, count: int) -> str:
    """A share with its 95 % interval; a dash where there is nothing to count."""
    if not count:
        return "–"
    low, high = wilson(held, count)
    return f"{100 * held / count:.1f} % ({100 * low:.1f} to {100 * high:.1f}; {held} of {count})"

"""Words broken into lines, for everything that is read on a terminal."""

from __future__ import annotations

import textwrap

from .wording import KEEP, kept_together

#: A terminal's usual width [characters]; common practice, no source.
COLUMNS = 80


def wrapped_lines(words: str, first: str = "", later: str = "", *, columns: int = COLUMNS) -> list[str]:
    """Lines of at most `columns` characters; a number stays with its unit, a stack in one piece.

    first, later : what the first line and those after it begin with
    """
    lines = textwrap.wrap(
        kept_together(words),
        columns,
        initial_indent=first,
        subsequent_indent=later,
        break_long_words=False,
        break_on_hyphens=False,
    )
    return [line.replace(KEEP, " ") for line in lines]


def filled(words: str, later: str = "") -> str:
    """The words as lines of at most COLUMNS characters."""
    return "\n".join(wrapped_lines(words, "", later))

"""What goes out by the standard streams: words that no terminal obeys, and JSON that every reader takes."""

from __future__ import annotations

import codecs
import contextlib
import io
import json
import os
import re
import sys
from collections.abc import Iterator, Mapping
from typing import Any

import click

#: What an output that cannot show a character gets in its place.
PLAIN = {"°": " deg", "±": "+/-", "−": "-", "×": "x", "–": "-", "’": "'", "“": '"', "”": '"', "…": "..."}
#: Control characters by which a file's name could move the cursor, recolour or rename a terminal (ECMA-48), and
#: what is no character at all.
_UNFIT = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\ud800-\udfff]")
#: Our own way of writing over the line before.
ERASE_LINE = "\r\x1b[K"
#: In JSON text: a backslash, a pair of surrogates (a character beyond the first 65536), a lone surrogate.
_ESCAPES = re.compile(r"\\\\|\\ud[89ab][0-9a-f]{2}\\ud[c-f][0-9a-f]{2}|\\ud[89a-f][0-9a-f]{2}")


def printable(words: str) -> str:
    """Words for a terminal: control characters other than line ends and tabs become �."""
    start = ERASE_LINE if words.startswith(ERASE_LINE) else ""
    return start + _UNFIT.sub("�", words[len(start) :].replace("\r\n", "\n"))


def json_text(answer: Mapping[str, Any]) -> str:
    """One line of JSON; what is no text in a file's name (a lone surrogate) becomes �, which every reader takes."""
    text = json.dumps(answer, allow_nan=False)
    return (
        _ESCAPES.sub(lambda found: "\\ufffd" if len(found[0]) == 6 else found[0], text) if "\\ud" in text else text
    )


def print_json(answer: Mapping[str, Any]) -> None:
    """Print an answer as one line of JSON."""
    click.echo(json_text(answer))


class _Printable(io.TextIOWrapper):
    """A text stream that writes words for a terminal only, and remembers why something could not be written."""

    lost: str | None = None

    def write(self, words: str, /) -> int:
        with self._noticed():
            return super().write(printable(words))

    def flush(self) -> None:
        with self._noticed():
            super().flush()

    @contextlib.contextmanager
    def _noticed(self) -> Iterator[None]:
        try:
            yield
        except BrokenPipeError:
            raise
        except OSError as error:
            self.lost = error.strerror or str(error)
            raise


def _in_plain_characters(error: UnicodeError) -> tuple[str, int]:
    if not isinstance(error, UnicodeEncodeError):
        raise error
    return "".join(PLAIN.get(c, "?") for c in error.object[error.start : error.end]), error.end


def prepare_streams() -> bool:
    """Make standard output and error safe to write any words to; False where there is no output to answer to."""
    codecs.register_error("align_plain", _in_plain_characters)
    if sys.stderr is None:
        sys.stderr = open(os.devnull, "w", encoding="utf-8")  # noqa: SIM115
    there = sys.stdout is not None
    if not there:  # the place is taken, lest a file that is opened later be written to as if it were the output
        sys.stdout = open(os.devnull, "w", encoding="utf-8")  # noqa: SIM115
    for name in ("stdout", "stderr"):
        stream = getattr(sys, name)
        if isinstance(stream, io.TextIOWrapper):
            safe = _Printable(stream.buffer, stream.encoding, "align_plain", line_buffering=stream.line_buffering)
            setattr(sys, name, safe)
    return there


def lost_output() -> str | None:
    """Why what was written to standard output cannot get there; None where it can, or where nobody reads on."""
    with contextlib.suppress(OSError, ValueError):
        sys.stdout.flush()
    return getattr(sys.stdout, "lost", None)

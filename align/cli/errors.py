"""Errors as the command line gives them: two plain lines on stderr, or the contract's JSON object on stdout.

No user ever meets a traceback: what no AlignError explains is a fault of ours, and is said to be one.
ALIGN_DEBUG=1 in the environment shows the traceback instead.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager

import click

from ..errors import AlignError
from .streams import lost_output, print_json

EXIT_CANNOT_ANSWER = 1
DEBUG_VARIABLE = "ALIGN_DEBUG"
FAULT_REMEDY = f"Run it again with {DEBUG_VARIABLE}=1 and send us what it prints, with the photo if you may."


@contextmanager
def answer_errors(as_json: bool) -> Iterator[None]:
    """Turn any error raised inside into a message and exit code 1; click's own exceptions pass through.

    Parameters
    ----------
    as_json : print the "align-error-1" object on stdout instead of words on stderr
    """
    try:
        yield
    except AlignError as error:
        say_error(error, as_json)
        raise SystemExit(EXIT_CANNOT_ANSWER) from None
    except (click.ClickException, click.exceptions.Exit, click.Abort, BrokenPipeError):
        raise
    except KeyboardInterrupt:
        say_error(Interrupted("Interrupted before there was an answer.", "Run it again."), as_json)
        raise SystemExit(EXIT_CANNOT_ANSWER) from None
    except Exception as error:
        if os.environ.get(DEBUG_VARIABLE):
            raise
        lost = lost_output()
        if lost is not None:
            say_error(output_error(lost), as_json=False)
            raise SystemExit(EXIT_CANNOT_ANSWER) from None
        say_error(fault(error), as_json)
        raise SystemExit(EXIT_CANNOT_ANSWER) from None


def say_error(error: AlignError, as_json: bool) -> None:
    """Print an error; with `as_json` it is one line on stdout."""
    if as_json:
        print_json(error_json(error))
        return
    remedy = f"\n  Try: {error.remedy}" if error.remedy else ""
    sys.stderr.write(f"{error.message}{remedy}\n")
    sys.stderr.flush()


def error_json(error: AlignError) -> dict[str, str]:
    """The contract's "align-error-1" object."""
    return {
        "format": "align-error-1",
        "error": error.name,
        "message": error.message,
        "try": error.remedy,
    }


class UsageFault(AlignError):
    """Wrong usage, as click found it, for the contract's error object."""

    def __init__(self, error: click.ClickException) -> None:
        context = getattr(error, "ctx", None)
        command = context.command_path if context is not None else "align"
        super().__init__(error.format_message(), f"See: {command} --help")

    @property
    def name(self) -> str:
        """The word that JSON has for it."""
        return "UsageError"


class Interrupted(AlignError):
    """Ctrl-C, before there was an answer."""


class OutputError(AlignError):
    """The answer cannot be written to standard output."""


def output_error(reason: str) -> OutputError:
    """Why an answer was not printed, in one line."""
    return OutputError(f"The answer cannot be printed: {reason}.", "Send it where there is room, or to a terminal.")


class InternalFault(AlignError):
    """A fault of ours."""


def fault(error: Exception) -> InternalFault:
    """An exception that nobody foresaw, as one line that says where it arose."""
    where = error.__traceback__
    while where is not None and where.tb_next is not None:
        where = where.tb_next
    place = ""
    if where is not None:
        file = os.path.basename(where.tb_frame.f_code.co_filename)
        place = f" ({file}, line {where.tb_lineno})"
    words = " ".join(str(error).split())
    return InternalFault(f"This is a fault in align: {type(error).__name__}: {words}{place}", FAULT_REMEDY)

"""Errors as the command line gives them: two plain lines on stderr, or the contract's JSON object on
stdout."""

from __future__ import annotations

import json
import sys
from collections.abc import Iterator
from contextlib import contextmanager

from .errors import AlignError

EXIT_CANNOT_ANSWER = 1


@contextmanager
def answer_errors(as_json: bool) -> Iterator[None]:
    """Turn an AlignError raised inside into a message and exit code 1; everything else passes through.

    Parameters
    ----------
    as_json : print the "align-error-1" object on stdout instead of words on stderr
    """
    try:
        yield
    except AlignError as error:
        if as_json:
            answer = {
                "format": "align-error-1",
                "error": error.name,
                "message": error.message,
                "try": error.remedy,
            }
            sys.stdout.write(json.dumps(answer, ensure_ascii=False) + "\n")
        else:
            remedy = f"\n  Try: {error.remedy}" if error.remedy else ""
            sys.stderr.write(f"{error.message}{remedy}\n")
        raise SystemExit(EXIT_CANNOT_ANSWER) from None

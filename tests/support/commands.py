"""`align`'s commands inside the tests' own process, with stdout and stderr apart whatever click's version."""

from __future__ import annotations

import inspect

import click
from click.testing import CliRunner, Result

from align.cli.main import align_group

#: click before 8.2 mixes the two unless told not to; later ones know no such word.
APART = {"mix_stderr": False} if "mix_stderr" in inspect.signature(CliRunner).parameters else {}


def invoke(*words: object, command: click.Command = align_group) -> Result:
    """`align` (or one of its commands) with arguments."""
    return CliRunner(**APART).invoke(command, [str(word) for word in words])

"""The command `align`: finds each command's module when it is called for, and nothing more.

Nothing heavy is imported here, nor at the top of any of its sister modules: `align --help` answers at once.
"""

from __future__ import annotations

import codecs
import importlib
import importlib.util
import os
import sys
import warnings
from dataclasses import dataclass

import click

from .errors import DEBUG_VARIABLE, EXIT_CANNOT_ANSWER, fault, say_error


@dataclass(frozen=True)
class LazyCommand:
    """Where a command lives, and its line in `align --help`."""

    module: str
    attribute: str
    help: str


COMMANDS = {
    "target": LazyCommand("align.cli.target", "target_command", "Make the target: a PDF to print at 100 %."),
    "check": LazyCommand("align.cli.check", "check_command", "Is the mirror true? Photos to lean, turn and shims."),
    "camera": LazyCommand("align.cli.camera", "camera_command", "Measure a camera once, for narrower answers."),
    "glass": LazyCommand("align.cli.glass", "glass_command", "Which glass is it? Photos of lamps to thickness."),
    "record": LazyCommand("align.cli.record", "record_command", "Keep a record: a folder of checks to a page."),
    "plan": LazyCommand("align.cli.plan", "plan_command", "Plan a mirror before it is bought."),
    "bench": LazyCommand("align.cli.bench", "bench_command", "Serve a page at the mirror, for computer and phone."),
}


class LazyGroup(click.Group):
    """A group that imports a command's module only when that command is invoked."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """The commands whose module exists, in the order of a project: target first."""
        return [name for name, lazy in COMMANDS.items() if importlib.util.find_spec(lazy.module)]

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Import one command."""
        if cmd_name not in self.list_commands(ctx):
            return None
        lazy = COMMANDS[cmd_name]
        command: click.Command = getattr(importlib.import_module(lazy.module), lazy.attribute)
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """The commands with their one line each, without importing any."""
        with formatter.section("Commands"):
            formatter.write_dl([(name, COMMANDS[name].help) for name in self.list_commands(ctx)])


def _print_version(ctx: click.Context, _option: click.Parameter, wanted: bool) -> None:
    if not wanted or ctx.resilient_parsing:
        return
    from importlib.metadata import version

    click.echo(f"align {version('align')}")
    ctx.exit()


@click.group("align", cls=LazyGroup, context_settings={"help_option_names": ["-h", "--help"]})
@click.option(
    "--version",
    is_flag=True,
    is_eager=True,
    expose_value=False,
    callback=_print_version,
    help="Show the version and exit.",
)
def align_group() -> None:
    """Is the mirror at the end of the street true? A photo to the shim in millimetres.

    Print a target (align target), lay it on the scene's floor before the mirror, photograph it together
    with its reflection, and check the photo (align check PHOTO).
    """


#: What an output that cannot show a character gets in its place.
PLAIN = {"°": " deg", "±": "+/-", "−": "-", "×": "x", "–": "-", "’": "'", "“": '"', "”": '"', "…": "..."}


def _in_plain_characters(error: UnicodeError) -> tuple[str, int]:
    if not isinstance(error, UnicodeEncodeError):
        raise error
    return "".join(PLAIN.get(c, "?") for c in error.object[error.start : error.end]), error.end


def _run() -> None:
    """Run the command line: every way out is an exit code, none a traceback."""
    # The solve's matrices are small: more threads only spin, and the sums would depend on their number.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    codecs.register_error("align_plain", _in_plain_characters)
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="align_plain")
    if not os.environ.get(DEBUG_VARIABLE):
        warnings.simplefilter("ignore")  # libraries' asides help no builder; the tests see them
    try:
        align_group(prog_name="align")
    except Exception as error:
        if os.environ.get(DEBUG_VARIABLE):
            raise
        say_error(fault(error), as_json=False)
        sys.exit(EXIT_CANNOT_ANSWER)


def main() -> None:
    """The program `align`: answers, and ends without taking every module and picture apart first.

    That would take some 0.03 s, a twentieth of a check. As mypy ends (mypy/util.py, hard_exit).
    """
    try:
        _run()
    except SystemExit as end:
        if not isinstance(end.code, int):
            raise
        try:
            sys.stdout.flush()
            sys.stderr.flush()
        except (OSError, ValueError):  # nobody reads any more: Python's own way out knows what to say
            raise end from None
        os._exit(end.code)


if __name__ == "__main__":
    main()

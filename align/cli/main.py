"""The command `align`: finds each command's module when it is called for, and nothing more.

Nothing heavy is imported here, nor at the top of any of its sister modules: `align --help` answers at once.
"""

from __future__ import annotations

import contextlib
import importlib
import importlib.util
import os
import sys
import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import click

from .errors import DEBUG_VARIABLE, EXIT_CANNOT_ANSWER, Interrupted, UsageFault, fault, output_error, say_error
from .streams import lost_output, prepare_streams


@dataclass(frozen=True)
class LazyCommand:
    """Where a command lives, and its line in `align --help`."""

    module: str
    attribute: str
    help: str


COMMANDS = {
    "target": LazyCommand("align.cli.target", "target_command", "Make the sheet: a PDF to print at 100 %."),
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

    def main(  # type: ignore[override]  # click overloads it by the mode
        self, args: Sequence[str] | None = None, prog_name: str | None = None, *, standalone_mode: bool = True
    ) -> Any:
        """As click's own, except that with --json wrong usage and an interrupt are told by a JSON object too."""
        if not standalone_mode or "--json" not in (sys.argv[1:] if args is None else args):
            return super().main(args, prog_name, standalone_mode=standalone_mode)
        try:
            code = super().main(args, prog_name, standalone_mode=False)
        except click.ClickException as error:
            say_error(UsageFault(error), as_json=True)
            sys.exit(error.exit_code)
        except click.Abort:
            say_error(Interrupted("Interrupted before there was an answer.", "Run it again."), as_json=True)
            sys.exit(EXIT_CANNOT_ANSWER)
        sys.exit(code if isinstance(code, int) else 0)

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """The command that was named; of a file or a misspelt one, which command was probably meant."""
        name = args[0]
        if name not in COMMANDS and not name.startswith("-"):
            ctx.fail(_meant(name))
        return super().resolve_command(ctx, args)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """The commands with their one line each, without importing any."""
        with formatter.section("Commands"):
            formatter.write_dl([(name, COMMANDS[name].help) for name in self.list_commands(ctx)])


def _meant(name: str) -> str:
    """What to say of a word that is no command."""
    import difflib

    suffix = os.path.splitext(name)[1].lower()
    near = difflib.get_close_matches(name.lower(), COMMANDS, n=1)
    if near:
        return f"There is no command {name!r}. Did you mean: align {near[0]}"
    if suffix == ".toml":
        return f"{name!r} is a file, not a command. Did you mean: align plan {name}"
    if os.path.isdir(name):
        return f"{name!r} is a folder, not a command. Did you mean: align record {name}"
    if suffix or os.path.exists(name):
        return f"{name!r} is a file, not a command. Did you mean: align check {name}"
    return f"There is no command {name!r}. There are: {', '.join(COMMANDS)}."


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
    """Is the mirror at the end of the street true? From a photo to shims in millimetres.

    Print a sheet (align target), lay it on the scene's floor before the mirror, photograph it together
    with its reflection, and check the photo (align check PHOTO).
    """


def _run() -> None:
    """Run the command line: every way out is an exit code, none a traceback."""
    # The solve's matrices are small: more threads only spin, and the sums would depend on their number.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    if not prepare_streams():
        say_error(output_error("standard output is closed"), as_json=False)
        sys.exit(EXIT_CANNOT_ANSWER)
    if not os.environ.get(DEBUG_VARIABLE):
        warnings.simplefilter("ignore")  # libraries' asides help no builder; the tests see them
    try:
        align_group(prog_name="align")
    except Exception as error:
        if os.environ.get(DEBUG_VARIABLE):
            raise
        lost = lost_output()
        say_error(fault(error) if lost is None else output_error(lost), as_json=False)
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
        code = end.code
        lost = lost_output()
        with contextlib.suppress(OSError, ValueError):  # nobody may be there to read it
            if lost is not None and code != EXIT_CANNOT_ANSWER:
                say_error(output_error(lost), as_json=False)
                code = EXIT_CANNOT_ANSWER
            sys.stderr.flush()
        os._exit(code)


if __name__ == "__main__":
    main()

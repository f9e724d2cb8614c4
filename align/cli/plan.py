"""The `plan` command: parse, call, print, exit code."""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path

import click

from .errors import answer_errors
from .streams import print_json
from .values import FilePath

#: Answered, but not as wished: as `align check` says that a mirror is out of tolerance.
EXIT_NOT_AS_WISHED = 3
#: A plan that is done sooner says nothing of its progress [s].
_SILENT_S = 2.0


@click.command("plan")
@click.argument("scene", required=False, type=FilePath(), metavar="SCENE.toml")
@click.option(
    "--start",
    type=FilePath(),
    metavar="FILE",
    help="Write a commented example scene to FILE, to be changed into your own.",
)
@click.option(
    "--out",
    type=FilePath(file_okay=False),
    metavar="FOLDER",
    help="Also draw the plan's pictures, and put the text with them, into FOLDER.",
)
@click.option(
    "--into",
    type=FilePath(file_okay=False),
    metavar="RECORD",
    help="Tell a record what each mirror is to be: size, glass, wanted turn, tolerance; a check that goes into "
    "the record goes by it.",
)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object and nothing else.")
@click.pass_context
def plan_command(
    ctx: click.Context, scene: Path | None, start: Path | None, out: Path | None, into: Path | None, as_json: bool
) -> None:
    """Plan a mirror before it is bought: angle, glass, seam, sightlines.

    SCENE.toml describes the scene in millimetres, as a tape measure gives them; begin with --start FILE.
    The exit code is 0 when all is as wished, and 3 when the plan was worked out but a wish is not met or a path
    does not run on as it should; 1: it could not answer, 2: wrong usage.
    """
    if (scene is None) == (start is None):
        raise click.UsageError("Give either SCENE.toml, or --start FILE to write an example.")
    if start is not None and (out is not None or into is not None):
        raise click.UsageError("--out and --into need a SCENE.toml to plan.")
    code = 0
    with answer_errors(as_json):
        if start is not None:
            _start(start, as_json)
        elif scene is not None and not _plan(scene, out, into, as_json):
            code = EXIT_NOT_AS_WISHED
    ctx.exit(code)


def _start(file: Path, as_json: bool) -> None:
    from ..planning.scene_file import start_file

    start_file(file)
    if as_json:
        print_json({"format": "align-plan-start-1", "file": str(file)})
    else:
        click.echo(f"Wrote {file}. Put your own measures into it, then: align plan {file} --out FOLDER")


def _plan(scene: Path, out: Path | None, into: Path | None, as_json: bool) -> bool:
    """Plan, draw, hand over, print; whether all is as wished."""
    from ..planning.job import plan
    from ..planning.text import plan_text

    say = _late_progress()
    result = plan(scene, say)
    record = "" if into is None else str(into)
    pictures: list[Path] = []
    if out is not None:
        from ..planning.pictures.sheets import draw_plan

        say("pictures")
        pictures = draw_plan(result, out)
    if into is not None:
        from ..records.planned import hand_over

        hand_over(into, result)
    if as_json:
        answer = result.to_json()
        answer["pictures"] = [str(picture) for picture in pictures]
        print_json(answer)
        return result.as_wished
    click.echo(plan_text(result, record))
    if pictures:
        click.echo("\nPictures: " + ", ".join(str(picture) for picture in pictures))
    if into is not None:
        click.echo(f"\n{into} knows what each mirror is to be.")
    return result.as_wished


def _late_progress() -> Callable[[str], None]:
    """Says on stderr what is being worked out, once the plan has taken two seconds."""
    start = time.monotonic()

    def say(words: str) -> None:
        if time.monotonic() - start > _SILENT_S:
            click.echo(f"… {words}", err=True)

    return say

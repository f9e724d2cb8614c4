"""The `plan` command: parse, call, print, exit code."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import click

from .errors import answer_errors
from .streams import print_json
from .values import FilePath

if TYPE_CHECKING:
    from ..planning.clothes.result import Clothed
    from ..planning.result import PlanResult
    from ..planning.scene import Scene

#: Answered, but not as wished: as `align check` says that a mirror is out of tolerance.
EXIT_NOT_AS_WISHED = 3
#: A plan that is done sooner says nothing of its progress [s].
_SILENT_S = 2.0


START_HELP = "Write a commented example scene to FILE, to be changed into your own."
OUT_HELP = "Also draw the plan's pictures, and put the text with them, into FOLDER."
INTO_HELP = (
    "Tell a record what each mirror is to be: size, glass, wanted turn, tolerance; a check that goes into the "
    "record goes by it."
)
PHOTOS_HELP = (
    "Photos of the scene as it stands, the sheet lying where the scene file says (sheet_at): the scene is drawn as "
    "it will look, and a page to walk along it is written. Needs --out."
)


@click.command("plan")
@click.argument("files", nargs=-1, type=FilePath(), metavar="SCENE.toml")
@click.option("--start", type=FilePath(), metavar="FILE", help=START_HELP)
@click.option("--out", type=FilePath(file_okay=False), metavar="FOLDER", help=OUT_HELP)
@click.option("--photos", multiple=True, type=FilePath(), metavar="PHOTO...", help=PHOTOS_HELP)
@click.option("--camera", type=FilePath(), metavar="FILE", help="With --photos: a file of `align camera`.")
@click.option("--into", type=FilePath(file_okay=False), metavar="RECORD", help=INTO_HELP)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object and nothing else.")
@click.pass_context
def plan_command(
    ctx: click.Context,
    files: tuple[Path, ...],
    start: Path | None,
    out: Path | None,
    photos: tuple[Path, ...],
    camera: Path | None,
    into: Path | None,
    as_json: bool,
) -> None:
    """Plan a mirror before it is bought: angle, glass, seam, sightlines.

    SCENE.toml describes the scene in millimetres, as a tape measure gives them; begin with --start FILE.
    The exit code is 0 when all is as wished, and 3 when the plan was worked out but a wish is not met or a path
    does not run on as it should; 1: it could not answer, 2: wrong usage.
    """
    scene, photos = _scene_and_photos(files, photos)
    if (scene is None) == (start is None):
        raise click.UsageError("Give either SCENE.toml, or --start FILE to write an example.")
    if start is not None and (out is not None or into is not None or photos):
        raise click.UsageError("--out, --photos and --into need a SCENE.toml to plan.")
    if photos and out is None:
        raise click.UsageError("--photos draws pictures: say where they go with --out FOLDER.")
    if camera is not None and not photos:
        raise click.UsageError("--camera belongs to --photos.")
    code = 0
    with answer_errors(as_json):
        if start is not None:
            _start(start, as_json)
        elif scene is not None and not _plan(_Asked(scene, out, photos, camera, into, as_json)):
            code = EXIT_NOT_AS_WISHED
    ctx.exit(code)


def _scene_and_photos(files: tuple[Path, ...], photos: tuple[Path, ...]) -> tuple[Path | None, tuple[Path, ...]]:
    """The scene file, and all photos: those after the first one that --photos names count as named by it."""
    if not photos:
        if len(files) > 1:
            raise click.UsageError(f"One SCENE.toml is planned at a time; what is {files[1]}?")
        return (files[0] if files else None), ()
    scene = next((file for file in files if file.suffix.lower() == ".toml"), None)
    if scene is None and files:
        raise click.UsageError("With --photos the scene file's name has to end in .toml; there is none.")
    return scene, (*photos, *(file for file in files if file is not scene))


@dataclass(frozen=True)
class _Asked:
    """What was asked for, by the options' names."""

    scene: Path
    out: Path | None
    photos: tuple[Path, ...]
    camera: Path | None
    into: Path | None
    as_json: bool


def _start(file: Path, as_json: bool) -> None:
    from ..planning.scene_file import start_file

    start_file(file)
    if as_json:
        print_json({"format": "align-plan-start-1", "file": str(file)})
    else:
        click.echo(f"Wrote {file}. Put your own measures into it, then: align plan {file} --out FOLDER")


def _plan(asked: _Asked) -> bool:
    """Plan, draw, clothe, hand over, print; whether all is as wished."""
    from ..planning.job import plan
    from ..planning.scene_file import read_scene

    say = _late_progress()
    scene = read_scene(asked.scene)
    clothed = _clothed(scene, asked, say)  # a photo without the sheet is told before anything long
    result = plan(scene, say)
    pictures: list[Path] = []
    seen: list[Path] = []
    if asked.out is not None:
        from ..planning.pictures.sheets import draw_plan

        say("pictures")
        pictures = draw_plan(result, asked.out)
        if clothed is not None:
            from ..planning.pictures.clothed import draw_clothed

            seen = draw_clothed(clothed, asked.out, say)
    if asked.into is not None:
        from ..records.planned import hand_over

        hand_over(asked.into, result)
    _print_plan(result, clothed, [*pictures, *seen], asked)
    return result.as_wished


def _print_plan(result: PlanResult, clothed: Clothed | None, pictures: list[Path], asked: _Asked) -> None:
    """The plan as one JSON object, or in words."""
    from ..planning.text import plan_text

    if asked.as_json:
        answer = result.to_json()
        answer["pictures"] = [str(picture) for picture in pictures]
        if clothed is not None:
            answer["clothed"] = clothed.to_json()
        print_json(answer)
        return
    click.echo(plan_text(result, "" if asked.into is None else str(asked.into)))
    if clothed is not None:
        from ..planning.text_clothed import clothed_text

        click.echo("\n" + clothed_text(clothed))
    if pictures:
        click.echo("\nPictures: " + ", ".join(str(picture) for picture in pictures))
    if asked.into is not None:
        click.echo(f"\n{asked.into} knows what each mirror is to be.")


def _clothed(scene: Scene, asked: _Asked, say: Callable[[str], None]) -> Clothed | None:
    if not asked.photos:
        return None
    from ..planning.clothes.job import clothe

    return clothe(scene, asked.photos, camera=asked.camera, progress=say)


def _late_progress() -> Callable[[str], None]:
    """Says on stderr what is being worked out, once the plan has taken two seconds."""
    start = time.monotonic()

    def say(words: str) -> None:
        if time.monotonic() - start > _SILENT_S:
            click.echo(f"… {words}", err=True)

    return say

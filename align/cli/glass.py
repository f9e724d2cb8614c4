"""The `glass` command: parse, call, print, exit code."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from .answers import PICTURE_SUFFIXES, Kept, progress_words
from .errors import EXIT_CANNOT_ANSWER, answer_errors
from .streams import print_json
from .values import FilePath

if TYPE_CHECKING:
    from ..ghosts.result import GlassResult
    from ..records.filing import Filing

EPILOG = "Exit code: 0 answered; 1 no answer, or it cannot be told from these photos; 2 wrong usage."

DISTANCE_HELP = "Without the sheet in the photo: from phone to lamps by way of the mirror."
GLASS_HELP = "Without the sheet in the photo: what the glass is thought to be."


@click.command("glass", epilog=EPILOG)
@click.argument("photos", nargs=-1, required=True, metavar="PHOTO...", type=FilePath())
@click.option("--camera", type=FilePath(), metavar="FILE", help="A file of `align camera`.")
@click.option("--distance", type=click.FloatRange(min=1), metavar="MM", help=DISTANCE_HELP)
@click.option("--glass", type=click.FloatRange(min=0.5), metavar="MM", help=GLASS_HELP)
@click.option("--picture", type=FilePath(), metavar="FILE", help="Draw the answer (.png or .jpg).")
@click.option("--into", type=FilePath(), metavar="FOLDER", help="Add the answer to a record.")
@click.option("--mirror-name", metavar="NAME", help="With --into: which of the record's mirrors it is.")
@click.option("--start", is_flag=True, help="With --into: make FOLDER a record if it is none yet.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON and nothing else.")
@click.pass_context
def glass_command(
    ctx: click.Context,
    photos: tuple[Path, ...],
    camera: Path | None,
    distance: float | None,
    glass: float | None,
    picture: Path | None,
    into: Path | None,
    mirror_name: str | None,
    start: bool,
    as_json: bool,
) -> None:
    """Which glass is it: front-coated or back-silvered, and how thick? From lamps and their ghosts.

    Each PHOTO shows the sheet and its reflection, and one or more small lit lamps with theirs, by day or in the
    dark. Several photos are of the same mirrors, by one camera and zoom; several mirrors are told apart, from the
    left.
    """
    _refuse_wrong_usage(photos, picture)
    if into is None and (mirror_name or start):
        raise click.UsageError("--mirror-name and --start belong to --into FOLDER, the record.")
    with answer_errors(as_json):
        from ..ghosts.job import glass_of

        filing, names = _filing(into, mirror_name, start)
        camera = camera or _camera_of(filing, names)
        result = glass_of(
            list(photos), camera=camera, progress=progress_words(), distance_mm=distance, glass_mm=glass
        )
        drawn = _drawn(result, picture)
        kept = None if filing is None else _kept(filing, names, result, camera, drawn)
        _print(result, drawn, as_json, kept)
        code = EXIT_CANNOT_ANSWER if result.glass.verdict == "undetermined" else 0
    ctx.exit(code)


def _refuse_wrong_usage(photos: tuple[Path, ...], picture: Path | None) -> None:
    if picture is None:
        return
    if picture.suffix.lower() not in PICTURE_SUFFIXES:
        raise click.UsageError(f"--picture must end in .png or .jpg; found {picture.name!r}.")
    if picture.resolve() in {path.resolve() for path in photos}:
        raise click.UsageError("--picture would overwrite a photo; give it another name.")


def _drawn(result: GlassResult, picture: Path | None) -> Path | None:
    if picture is None:
        return None
    from ..ghosts.picture import save_glass_picture

    return save_glass_picture(result, picture)


def _filing(into: Path | None, mirror_name: str | None, start: bool) -> tuple[Filing | None, tuple[str, ...]]:
    """How the answer goes into its record, and the name of the mirror that it is of."""
    if into is None:
        return None, ()
    from ..records.filing import open_filing

    filing = open_filing(into, [mirror_name] if mirror_name else [], start=start)
    return filing, filing.only_names()


def _camera_of(filing: Filing | None, names: tuple[str, ...]) -> Path | None:
    """The camera file that the record's form states of the mirror."""
    if filing is None or not names:
        return None
    camera = filing.installation.mirror(names[0]).camera
    return filing.folder / camera if camera else None


def _kept(
    filing: Filing, names: tuple[str, ...], result: GlassResult, camera: Path | None, drawn: Path | None
) -> Kept:
    from ..records.job import add_entry

    settings = {} if camera is None else {"camera": str(camera)}
    pictures = None if drawn is None else [drawn, *[None] * (len(result.photos) - 1)]
    path = add_entry(filing.folder, result, settings=settings, pictures=pictures, mirrors=names)
    return Kept(filing.folder, int(path.name.rsplit("-", 1)[-1]), names, ())


def _print(result: GlassResult, drawn: Path | None, as_json: bool, kept: Kept | None) -> None:
    if as_json:
        answer: dict[str, Any] = result.to_json()
        if drawn is not None:
            answer["pictures"] = [str(drawn)]
        if kept is not None:
            answer["record"] = kept.to_json()
        print_json(answer)
        return
    from ..ghosts.text import glass_text

    click.echo(glass_text(result))
    if drawn is not None:
        click.echo(f"\nPicture: {drawn}")
    if kept is not None:
        click.echo(f"\n{kept.words()}")

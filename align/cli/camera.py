"""The `camera` command: parse, call, print, exit code."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import click

from .errors import answer_errors
from .streams import print_json
from .values import Board, FilePath, Number

PICTURE_SUFFIXES = (".png", ".jpg", ".jpeg")


@click.command("camera", epilog="Exit code: 0 measured and written; 1 no answer; 2 wrong usage.")
@click.argument("photos", nargs=-1, required=True, metavar="PHOTO...", type=FilePath())
@click.option(
    "--out",
    type=FilePath(),
    metavar="CAMERA.json",
    required=True,
    help="Where the camera file goes.",
)
@click.option("--rule", type=Number("mm", 20, 500), metavar="MM", help="Length of the sheet's printed 100 mm rule.")
@click.option("--board", type=Board(), metavar="COLSxROWS", help="Inner corners of a plain board of your own.")
@click.option("--square", type=Number("mm", 0.5, 1000), metavar="MM", help="Side of a square of that board.")
@click.option(
    "--picture",
    type=FilePath(),
    metavar="FILE",
    help="Draw coverage, residuals and distortion (.png or .jpg).",
)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object and nothing else.")
def camera_command(photos: tuple[Path, ...], out: Path, as_json: bool, **options: Any) -> None:
    """Measure a camera once, for narrower answers.

    Each PHOTO shows the sheet from another side: five or more, tilted and in every corner of the frame, one
    phone, one zoom. Then: align check PHOTO --camera CAMERA.json.
    """
    _refuse_wrong_usage(photos, out, options)
    with answer_errors(as_json):
        _measure(photos, out, options, as_json)


def _refuse_wrong_usage(photos: tuple[Path, ...], out: Path, options: dict[str, Any]) -> None:
    if (options["board"] is None) != (options["square"] is None):
        raise click.UsageError("--board and --square belong together: inner corners, and a square's side in mm.")
    if options["board"] is not None and options["rule"] is not None:
        raise click.UsageError("--rule is for our printed sheets; for --board give the measured --square.")
    picture = options["picture"]
    if picture is not None and picture.suffix.lower() not in PICTURE_SUFFIXES:
        raise click.UsageError(f"--picture must end in .png or .jpg; found {picture.name!r}.")
    inputs = {path.resolve() for path in photos}
    for name, path in (("--out", out), ("--picture", picture)):
        if path is not None and path.resolve() in inputs:
            raise click.UsageError(f"{name} would overwrite a photo; give it another name.")
    if picture is not None and picture.resolve() == out.resolve():
        raise click.UsageError("--out and --picture name the same file.")


def _measure(photos: tuple[Path, ...], out: Path, options: dict[str, Any], as_json: bool) -> None:
    from ..calibration.job import calibrate, camera_file_of
    from ..errors import AlignError
    from ..photo.camera_file import write_camera_file

    for path in (out, options["picture"]):
        if path is not None and not path.parent.is_dir():  # before any work is done
            raise AlignError(f"There is no folder {path.parent} for {path.name}.", "Make the folder first.")
    rule = {} if options["rule"] is None else {"rule_mm": options["rule"]}
    progress = (lambda words: click.echo(words, err=True)) if sys.stderr.isatty() else None
    result = calibrate(list(photos), board=options["board"], square_mm=options["square"], progress=progress, **rule)
    write_camera_file(camera_file_of(result), out)
    if options["picture"] is not None:
        from ..calibration.picture import save_calibration_picture

        save_calibration_picture(result, options["picture"])
    _print_result(result, out, options["picture"], as_json)


def _print_result(result: Any, out: Path, picture: Path | None, as_json: bool) -> None:
    if as_json:
        answer = result.to_json()
        answer["file"] = str(out)
        answer["pictures"] = [] if picture is None else [str(picture)]
        print_json(answer)
        return
    from ..calibration.text import calibration_text

    click.echo(calibration_text(result, out))
    if picture is not None:
        click.echo(f"\nPicture: {picture}")

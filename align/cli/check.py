"""The `check` command: parse, call, print, exit code."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from .answers import (
    EXIT_CODES,
    PICTURE_SUFFIXES,
    kept_in,
    map_path,
    open_pictures,
    pictures_for,
    print_result,
    progress_words,
    save_maps,
    stated_fields,
)
from .errors import answer_errors
from .values import Board, FilePath, MountHow, Number, OneForEach, Rule, SizeMm, StockMm

if TYPE_CHECKING:
    from ..checking.result import CheckResult
    from ..checking.settings import CheckSettings
    from ..records.filing import Filing

EPILOG = (
    "Exit code: 0 true within the tolerance; 1 no answer, or an interval too wide to tell; 2 wrong usage; "
    "3 answered, out of tolerance. With --each the worst of all: 1 before 3 before 0."
)


@click.command("check", epilog=EPILOG)
@click.argument("photos", nargs=-1, required=True, metavar="PHOTO...", type=FilePath())
@click.option("--camera", type=FilePath(), metavar="FILE", help="A file of `align camera`.")
@click.option(
    "--mirror",
    type=SizeMm(),
    metavar="WxH",
    multiple=True,
    help="The mirror's width and height in mm, for the shims; also 30x15cm, 12x6in. Of mirrors that differ, once "
    "for each from the left.",
)
@click.option("--glass", type=Number("mm"), metavar="MM", help="Thickness of its glass; 0: front-coated.")
@click.option(
    "--want-turn",
    type=OneForEach("deg"),
    metavar="DEG",
    multiple=True,
    help="Wanted turn; else square. Positive: the left edge is nearer to you. Once for all mirrors, or once for "
    "each from the left.",
)
@click.option(
    "--mount", type=MountHow(), metavar="wall|foot:DEPTH", help="How it is held; DEPTH in mm. Else: wall."
)
@click.option(
    "--stock",
    type=StockMm(),
    metavar="MM,...",
    help="Thicknesses of sheets at hand to pack with. Else: common ones.",
)
@click.option("--units", type=click.Choice(["mm", "in"]), help="Show lengths in mm or in inches. Else: mm.")
@click.option("--tolerance", type=Number("deg"), metavar="DEG", help="What counts as true. Else: 0.1.")
@click.option(
    "--rule", type=Rule(), metavar="MM[xMM]", help="Length of the sheet's printed 100 mm rule; or of both."
)
@click.option(
    "--beside",
    type=click.Choice(["card", "euro-1", "euro-2", "cent-50", "us-quarter"]),
    help="A bank card or coin lies flat beside the sheet: its size tells the print's scale.",
)
@click.option("--exact-print", is_flag=True, help="The print is exact: a plotted or engraved plate, a render.")
@click.option("--board", type=Board(), metavar="COLSxROWS", help="Inner corners of a plain board of your own.")
@click.option("--square", type=Number("mm"), metavar="MM", help="Side of a square of that board.")
@click.option("--touching", is_flag=True, help="The sheet's contact edge touches the glass.")
@click.option(
    "--touching-mirror",
    type=click.IntRange(1, 20),
    metavar="N",
    multiple=True,
    help="Of several mirrors, the one it touches, counted from the left.",
)
@click.option(
    "--turned-sheet",
    is_flag=True,
    help="The sheet was turned on its spot between the photos, by 90 or 180 degrees: takes the print's faults out.",
)
@click.option(
    "--flatness",
    is_flag=True,
    help="Map how flat the mirror is; with --picture NAME.png into NAME-flatness.png. Best from several photos, "
    "the camera on a stand and the sheet in several places.",
)
@click.option("--each", is_flag=True, help="Every photo is a check of its own, not one check together.")
@click.option("--picture", type=FilePath(), metavar="FILE", help="Draw the answer (.png or .jpg).")
@click.option("--open", "opened", is_flag=True, help="Show the picture; without --picture, one made for it.")
@click.option("--into", type=FilePath(), metavar="FOLDER", help="Add the answer to a record.")
@click.option(
    "--mirror-name",
    metavar="NAME",
    multiple=True,
    help="With --into: which of the record's mirrors it is; of several in the photo once for each from the left.",
)
@click.option("--start", is_flag=True, help="With --into: make FOLDER a record if it is none yet.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON and nothing else; with --each, an object a line.")
@click.pass_context
def check_command(
    ctx: click.Context, /, photos: tuple[Path, ...], each: bool, as_json: bool, **options: Any
) -> None:
    """Is the mirror true: square to the sheet, in lean and turn? From photos to lean, turn and shims.

    Each PHOTO shows the sheet on the floor and its reflection. Several are one check of one mirror: same
    phone, same zoom, nothing moved. With several photos --picture NAME.png writes NAME-1.png, NAME-2.png ...
    """
    refuse_wrong_usage(photos, options)
    if each and options["turned_sheet"]:
        raise click.UsageError("--turned-sheet is of several photos together; --each checks each alone.")
    options |= _single(options)
    stated = stated_fields(options)
    if as_json and options["units"] is not None:
        raise click.UsageError("--units is for words; the lengths of --json are always in mm.")
    with answer_errors(as_json):
        picture = options["picture"] or (_passing_picture(photos) if options["opened"] else None)
        _check_folder(picture)
        settings, filing = _settings(stated, options)
        _refuse_ignored(settings)
        if each:
            from .each import check_each

            code = check_each(photos, settings, picture, filing, as_json)
        else:
            code = _check_together(photos, settings, picture, filing, as_json)
        if options["opened"] and picture is not None:
            open_pictures([path for path in pictures_for(picture, len(photos)) if path.is_file()])
    ctx.exit(code)


def _single(options: dict[str, Any]) -> dict[str, Any]:
    """The options that may be given for each mirror: one number where they were given once, None for never."""
    each = {name: options[name] for name in ("mirror", "want_turn")}
    single = {name: given[0] if len(given) == 1 else given or None for name, given in each.items()}
    return {**single, "touching_mirror": options["touching_mirror"] or None}


def refuse_wrong_usage(photos: tuple[Path, ...], options: dict[str, Any]) -> None:
    """Usage errors that only two options together make."""
    if options["into"] is None and (options["mirror_name"] or options["start"]):
        raise click.UsageError("--mirror-name and --start belong to --into FOLDER, the record.")
    picture = options["picture"]
    if picture is None:
        return
    if picture.suffix.lower() not in PICTURE_SUFFIXES:
        raise click.UsageError(f"--picture must end in .png or .jpg; found {picture.name!r}.")
    places = {path.resolve() for path in photos}
    drawn = [*pictures_for(picture, len(photos)), map_path(picture)]
    if any(path.resolve() in places for path in drawn):
        raise click.UsageError("--picture would overwrite a photo; give it another name.")


def _passing_picture(photos: tuple[Path, ...]) -> Path:
    """Where a picture goes that is only to be looked at."""
    import tempfile

    return Path(tempfile.mkdtemp(prefix="align-")) / f"{photos[0].stem}-answer.png"


def _refuse_ignored(settings: CheckSettings) -> None:
    """Refuse what would be stated in vain: a record's form may have given what an option needs."""
    if settings.stock_mm is not None and settings.mirror_size_mm is None and settings.mount.kind == "wall":
        raise click.UsageError(
            "--stock needs --mirror WIDTHxHEIGHT (or --mount foot:DEPTH): per 100 mm no sheets are stacked."
        )


def _check_folder(picture: Path | None) -> None:
    """Refuse a picture that could not be written before any work is done."""
    if picture is not None and not picture.parent.is_dir():
        from ..errors import AlignError

        raise AlignError(f"There is no folder {picture.parent} for the picture.", "Make the folder first.")


def _settings(stated: dict[str, Any], options: dict[str, Any]) -> tuple[CheckSettings, Filing | None]:
    """The settings to check with, and how the answer goes into its record, whose form then counts too."""
    from ..checking.settings import CheckSettings

    if options["into"] is None:
        return CheckSettings(**stated), None
    from ..records.filing import open_filing

    filing = open_filing(options["into"], options["mirror_name"], stated, start=options["start"])
    return filing.settings()[0], filing


def _check_together(
    photos: tuple[Path, ...], settings: CheckSettings, picture: Path | None, filing: Filing | None, as_json: bool
) -> int:
    from ..checking.job import check

    def checked(settings: CheckSettings) -> CheckResult:
        return check(list(photos), settings, progress=progress_words())

    result = checked(settings)
    filed = None if filing is None else filing.settle(result, checked)
    result = result if filed is None else filed.result
    written = []
    if picture is not None:
        from ..checking.picture import save_check_picture

        for number, path in enumerate(pictures_for(picture, len(photos))):
            written.append(save_check_picture(result, path, number))
        written += save_maps(result, picture)
    kept = None if filing is None or filed is None else kept_in(filing, filed)
    print_result(result, written, as_json, kept)
    return EXIT_CODES[result.verdict]

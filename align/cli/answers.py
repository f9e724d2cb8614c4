"""What commands share: an answer on stdout or into a record, and options as the Python functions take them."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from .errors import EXIT_CANNOT_ANSWER

if TYPE_CHECKING:
    from ..checking.result import CheckResult
    from ..checking.settings import CheckSettings


EXIT_CODES = {"square": 0, "undetermined": EXIT_CANNOT_ANSWER, "out of square": 3}
PICTURE_SUFFIXES = (".png", ".jpg", ".jpeg")


def pictures_for(picture: Path, count: int) -> list[Path]:
    """The files that pictures of `count` photos go to: NAME.png for one, else NAME-1.png, NAME-2.png ..."""
    if count == 1:
        return [picture]
    return [picture.with_name(f"{picture.stem}-{number}{picture.suffix}") for number in range(1, count + 1)]


#: Which field of the settings each option states.
FIELDS = {
    "camera": "camera",
    "mirror": "mirror_size_mm",
    "glass": "glass_mm",
    "want_turn": "want_turn_deg",
    "mount": "mount",
    "tolerance": "tolerance_deg",
    "rule": "rule_mm",
    "board": "board",
    "square": "square_mm",
    "touching": "touching",
    "touching_mirror": "touching_mirrors",
}


def check_settings(options: dict[str, Any]) -> CheckSettings:
    """The settings that options state; one that cannot be meant is a usage error, in the settings' own words."""
    from ..checking.settings import CheckSettings, Mount

    stated = {field: options[name] for name, field in FIELDS.items() if options[name] is not None}
    try:
        if "mount" in stated:
            stated["mount"] = Mount(*stated["mount"])
        return CheckSettings(**stated)
    except ValueError as error:
        raise click.UsageError(str(error)) from None


def settings_of(options: dict[str, Any]) -> dict[str, Any]:
    """The options that shaped the answer, ready for JSON, for a record."""
    left_out = ("picture", "into")
    return {
        name: str(value) if isinstance(value, Path) else value
        for name, value in options.items()
        if name not in left_out and value not in (None, False)
    }


def print_result(result: CheckResult, pictures: list[Path], as_json: bool) -> None:
    """The answer on stdout: one JSON object on one line, or words."""
    if as_json:
        import json

        answer = result.to_json()
        if pictures:
            answer["pictures"] = [str(path) for path in pictures]
        click.echo(json.dumps(answer, allow_nan=False))
        return
    from ..checking.text import check_text

    click.echo(check_text(result))
    if pictures:
        click.echo(f"\nPicture: {', '.join(str(path) for path in pictures)}")


def add_to_record(folder: Path, result: CheckResult, options: dict[str, Any]) -> None:
    """Add the answer to a record's folder."""
    from ..records.job import add_entry

    add_entry(folder, result, settings=settings_of(options))


def progress_words() -> Any:
    """A function that says progress on stderr when a person sees it; None otherwise."""
    if not sys.stderr.isatty():
        return None
    return lambda words: click.echo(words, err=True)

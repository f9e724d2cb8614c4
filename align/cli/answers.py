"""What commands share: an answer on stdout or into a record, and options as the Python functions take them."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from .errors import EXIT_CANNOT_ANSWER

if TYPE_CHECKING:
    from ..checking.result import CheckResult


EXIT_CODES = {"square": 0, "undetermined": EXIT_CANNOT_ANSWER, "out of square": 3}
PICTURE_SUFFIXES = (".png", ".jpg", ".jpeg")


def pictures_for(picture: Path, count: int) -> list[Path]:
    """The files that pictures of `count` photos go to: NAME.png for one, else NAME-1.png, NAME-2.png ..."""
    if count == 1:
        return [picture]
    return [picture.with_name(f"{picture.stem}-{number}{picture.suffix}") for number in range(1, count + 1)]


def check_keywords(options: dict[str, Any]) -> dict[str, Any]:
    """The options as `align.check` takes them."""
    from ..checking.shims import Mount

    keywords = {
        "camera": options["camera"],
        "mirror_size_mm": options["mirror"],
        "glass_mm": options["glass"],
        "want_turn_deg": options["want_turn"],
        "mount": Mount(*options["mount"]) if options["mount"] else None,
        "tolerance_deg": options["tolerance"],
        "rule_mm": options["rule"],
        "board": options["board"],
        "square_mm": options["square"],
        "touching": options["touching"],
        "touching_mirrors": options["touching_mirror"],
    }
    return {name: value for name, value in keywords.items() if value is not None}


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

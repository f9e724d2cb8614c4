"""What commands share: an answer on stdout or into a record, and options as the Python functions take them."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from .errors import EXIT_CANNOT_ANSWER
from .streams import print_json

if TYPE_CHECKING:
    from ..checking.result import CheckResult
    from ..records.filing import Filed, Filing


EXIT_CODES = {"square": 0, "undetermined": EXIT_CANNOT_ANSWER, "out of square": 3}
PICTURE_SUFFIXES = (".png", ".jpg", ".jpeg")


def pictures_for(picture: Path, count: int) -> list[Path]:
    """The files that pictures of `count` photos go to: NAME.png for one, else NAME-1.png, NAME-2.png ..."""
    if count == 1:
        return [picture]
    return [picture.with_name(f"{picture.stem}-{number}{picture.suffix}") for number in range(1, count + 1)]


def map_path(picture: Path, which: str = "") -> Path:
    """The file that a map goes to: NAME-flatness.png beside NAME.png."""
    return picture.with_name(f"{picture.stem}-flatness{which}{picture.suffix}")


def save_maps(result: CheckResult, picture: Path) -> list[Path]:
    """Beside a picture the map of each mirror's flatness, where it was asked for; the files."""
    maps = [(m.number, m.flatness.map) for m in result.mirrors if m.flatness is not None and m.flatness.map]
    if not maps:
        return []
    from ..checking.flatness_picture import save_flatness_picture

    written = []
    for number, shown in maps:
        several = len(result.mirrors) > 1
        path = map_path(picture, f"-{number}" if several else "")
        heading = f"Mirror {number}" if several else ""
        written.append(save_flatness_picture(shown, path, heading=heading, units=result.settings.units))
    return written


#: Which field of the settings each option states.
FIELDS = {
    "camera": "camera",
    "mirror": "mirror_size_mm",
    "glass": "glass_mm",
    "want_turn": "want_turn_deg",
    "mount": "mount",
    "tolerance": "tolerance_deg",
    "rule": "rule_mm",
    "beside": "beside",
    "exact_print": "exact_print",
    "board": "board",
    "square": "square_mm",
    "touching": "touching",
    "turned_sheet": "turned_sheet",
    "flatness": "flatness",
    "touching_mirror": "touching_mirrors",
    "stock": "stock_mm",
    "units": "units",
}


def stated_fields(options: dict[str, Any]) -> dict[str, Any]:
    """The fields of the settings that options state; one that cannot be meant is a usage error."""
    from ..checking.settings import CheckSettings, Mount

    given = {field: options[name] for name, field in FIELDS.items()}
    stated = {field: value for field, value in given.items() if value is not None and value is not False}
    try:
        if "mount" in stated:
            stated["mount"] = Mount(*stated["mount"])
        CheckSettings(**stated)
    except ValueError as error:
        raise click.UsageError(str(error)) from None
    return stated


@dataclass(frozen=True)
class Kept:
    """Where an answer was kept: the record, the entry's number, names of its mirrors, what was stated otherwise."""

    folder: Path
    number: int
    names: tuple[str, ...]
    notes: tuple[str, ...]

    def words(self) -> str:
        """One line, and one for each note."""
        which = f" ({', '.join(self.names)})" if any(self.names) else ""
        return "\n".join([f"Added to {self.folder} as entry {self.number}{which}.", *self.notes])

    def to_json(self) -> dict[str, Any]:
        """All fields."""
        names, notes = list(self.names), list(self.notes)
        return {"folder": str(self.folder), "entry": self.number, "mirrors": names, "notes": notes}


def kept_in(filing: Filing, filed: Filed) -> Kept:
    """Add a settled answer to its record."""
    from ..records.job import add_entry

    settings = filed.result.settings.to_json() if filed.result.settings is not None else {}
    path = add_entry(filing.folder, filed.result, settings=settings, mirrors=filed.names, stated=filed.notes)
    return Kept(filing.folder, int(path.name.rsplit("-", 1)[-1]), filed.names, filed.notes)


def print_result(result: CheckResult, pictures: list[Path], as_json: bool, kept: Kept | None = None) -> None:
    """The answer on stdout: one JSON object on one line, or words."""
    if as_json:
        answer = result.to_json()
        if pictures:
            answer["pictures"] = [str(path) for path in pictures]
        if kept is not None:
            answer["record"] = kept.to_json()
        print_json(answer)
        return
    from ..checking.text import check_text

    click.echo(check_text(result, kept=kept is not None))
    if pictures:
        click.echo(f"\nPicture: {', '.join(str(path) for path in pictures)}")
    if kept is not None:
        click.echo(f"\n{kept.words()}")


def open_pictures(pictures: Sequence[Path]) -> None:
    """Show pictures with the program that the computer has for them; where it has none, nothing happens."""
    for path in pictures:
        click.launch(str(path))


def progress_words() -> Any:
    """A function that says progress on stderr when a person sees it; None otherwise."""
    if not sys.stderr.isatty():
        return None
    return lambda words: click.echo(words, err=True)

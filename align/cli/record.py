"""The `record` command: parse, call, print, exit code."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path

import click

from .errors import answer_errors
from .values import FilePath


@click.command("record")
@click.argument("folder", required=False, type=FilePath(file_okay=False), metavar="FOLDER")
@click.option(
    "--start",
    type=FilePath(file_okay=False),
    metavar="FOLDER",
    help="Begin a record: write FOLDER/installation.toml with comments, to be filled in.",
)
@click.option(
    "--out",
    type=FilePath(dir_okay=False),
    metavar="FILE.html",
    help="Where the page goes. Else: FOLDER/record.html.",
)
@click.option("--remove", type=click.IntRange(min=1), metavar="N", help="Take entry N out; it is kept in removed/.")
@click.option(
    "--note",
    type=(click.IntRange(min=1), str),
    metavar="N TEXT",
    help="Give entry N a note, or put its note right.",
)
def record_command(
    folder: Path | None, start: Path | None, out: Path | None, remove: int | None, note: tuple[int, str] | None
) -> None:
    """Keep a record: from a folder of checks to a page that lasts.

    Every check and glass answer made with --into FOLDER is an entry of the record. The page is one file that
    needs no network; pictures that stand alone lie in FOLDER/pictures.
    """
    if (folder is None) == (start is None):
        raise click.UsageError("Give either FOLDER, or --start FOLDER to begin a record.")
    if start is not None and (out is not None or remove is not None or note is not None):
        raise click.UsageError("--out, --remove and --note belong to a record that is there; --start begins one.")
    with answer_errors(False):
        if start is not None:
            _start(start)
        elif folder is not None:
            _change(folder, remove, note)
            if out is not None or (remove is None and note is None):
                _make(folder, out)


def _change(folder: Path, remove: int | None, note: tuple[int, str] | None) -> None:
    """Note first: a note says why an entry is taken out."""
    from ..records.entry_folders import remove_entry
    from ..records.notes import write_note

    if note is not None:
        written = write_note(folder, *note)
        click.echo(
            f"Entry {note[0]} says now: {written.text}" if written.text else f"Entry {note[0]} has no note now."
        )
    if remove is not None:
        place = remove_entry(folder, remove)
        click.echo(
            f"Entry {remove} was taken out; it lies in {place}. To put it back, move it to {folder / 'entries'}."
        )
    if note is not None or remove is not None:
        click.echo(f"The page will say so: align record {folder}")


def _start(folder: Path) -> None:
    from ..records.job import start_record

    path = start_record(folder)
    click.echo(f"Wrote {path}. Fill in what you know, then add entries: align check PHOTO --into {folder}")


def _make(folder: Path, out: Path | None) -> None:
    from ..records.job import make_page

    say, finish = progress_line()
    try:
        page = make_page(folder, out, progress=say)
    finally:
        finish()
    click.echo(f"Wrote {page}. Pictures that stand alone: {folder / 'pictures'}")


def progress_line() -> tuple[Callable[[str], None], Callable[[], None]]:
    """Functions that show progress on one line of stderr, and that end it; files get plain lines."""
    if not sys.stderr.isatty():
        return lambda words: click.echo(words, err=True), lambda: None
    return (
        lambda words: click.echo(f"\r\x1b[K{words}", err=True, nl=False),
        lambda: click.echo("\r\x1b[K", err=True, nl=False),
    )

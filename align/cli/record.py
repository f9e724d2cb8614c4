"""The `record` command: parse, call, print, exit code."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path

import click

from .errors import answer_errors


@click.command("record")
@click.argument("folder", required=False, type=click.Path(path_type=Path, file_okay=False), metavar="FOLDER")
@click.option(
    "--start",
    type=click.Path(path_type=Path, file_okay=False),
    metavar="FOLDER",
    help="Begin a record: write FOLDER/installation.toml with comments, to be filled in.",
)
@click.option(
    "--out",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE.html",
    help="Where the page goes. Else: FOLDER/record.html.",
)
def record_command(folder: Path | None, start: Path | None, out: Path | None) -> None:
    """Keep a record: from a folder of checks to a page that lasts.

    Every check and glass answer made with --into FOLDER is an entry of the record. The page is one file that
    needs no network; pictures that stand alone lie in FOLDER/pictures.
    """
    if (folder is None) == (start is None):
        raise click.UsageError("Give either FOLDER, or --start FOLDER to begin a record.")
    if start is not None and out is not None:
        raise click.UsageError("--out belongs to the page; --start makes none.")
    with answer_errors(False):
        if start is not None:
            _start(start)
        elif folder is not None:
            _make(folder, out)


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

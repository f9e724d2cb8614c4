"""The `bench` command: parse, call, print, exit code."""

from __future__ import annotations

import threading
from pathlib import Path

import click

from .errors import answer_errors
from .values import FilePath

DEFAULT_FOLDER = Path("align-record")


@click.command("bench", epilog="Ctrl-C ends it. Exit code: 0 ended; 1 it could not begin; 2 wrong usage.")
@click.argument("folder", required=False, type=FilePath(file_okay=False), metavar="[FOLDER]")
@click.option(
    "--port", type=click.IntRange(1, 65535), metavar="N", help="Where it listens. Else: 8620, or the next."
)
@click.option("--phone", is_flag=True, help="Also listen on the local network, and show a code for the phone.")
@click.option("--no-open", is_flag=True, help="Do not open the browser.")
@click.option(
    "--camera-index",
    type=click.IntRange(0, 99),
    metavar="N",
    help="Live: follow what this computer's camera N shows, from 0 (a webcam, or a phone that acts as one).",
)
@click.option(
    "--watch",
    type=FilePath(file_okay=False, exists=True),
    metavar="FOLDER",
    help="Take the photos that arrive in a folder, from a phone that syncs or a tethered camera.",
)
@click.option(
    "--watch-every",
    type=click.FloatRange(0.1, 600),
    metavar="SECONDS",
    default=1.0,
    show_default=True,
    help="How often that folder is looked through.",
)
def bench_command(
    folder: Path | None,
    port: int | None,
    phone: bool,
    no_open: bool,
    camera_index: int | None,
    watch: Path | None,
    watch_every: float,
) -> None:
    """Serve a page at the mirror: photos in from computer or phone, answers out.

    FOLDER is the record that keeps everything, made if it is missing; without it, align-record here. The page is
    for this computer only, unless --phone is given. On a network without encryption, others on it could read what
    a phone sends.
    """
    with answer_errors(as_json=False):
        from ..workbench.feeds import Wanted
        from ..workbench.server import code_in_terminal, listen, require_libraries, serve

        require_libraries()
        source = None
        if camera_index is not None:
            from ..photo.camera_feed import CameraSource

            source = CameraSource(camera_index)
        folder = folder or DEFAULT_FOLDER
        folder.mkdir(parents=True, exist_ok=True)
        listening = listen(port, phone=phone)
        click.echo(f"The page: {listening.address}   (Ctrl-C ends it)")
        click.echo(f"The record: {folder}")
        if phone:
            click.echo(
                f"\nFor the phone, on the same network:\n\n{code_in_terminal(listening.doors.phone_address)}"
            )
            click.echo(listening.doors.phone_address)
            click.echo("\nThis network's own users could read what the phone sends: it is not encrypted.")
        if source is not None:
            click.echo(f"Live: camera {camera_index}")
        if watch is not None:
            click.echo(f"Watching: {watch}")
        if not no_open:
            threading.Timer(0.8, click.launch, [listening.address]).start()
        done = serve(folder, listening, wanted=Wanted(source, watch, watch_every))
        click.echo("Ended." if done else "Ended; the photo at work is taken up again at the next start.")

"""Files that are there whole or as they were before."""

from __future__ import annotations

import contextlib
import io
import os
from pathlib import Path
from typing import Any

from .errors import AlignError

REMEDY = "Make room, or name another file or folder, one that you may write to."
OTHER_NAME = "Give a new name, or move the old file away first."


def write_whole(
    path: Path, data: bytes, *, to_disk: bool = True, make_folder: bool = False, new: bool = False
) -> None:
    """Write a file so that it is there whole or as it was before.

    A link is followed; what is no ordinary file (a pipe, a device) is written straight into.

    Parameters
    ----------
    to_disk : wait until the disk has it; what can be made again need not
    make_folder : make the file's folder if need be
    new : never write over a file that is there

    Raises
    ------
    AlignError : it cannot be written, or it is there already and must be new.
    """
    import secrets  # it brings hashlib and more, which a check without a picture does not need

    place = Path(os.path.realpath(path))
    unfinished = place.with_name(f".unfinished-{secrets.token_hex(4)}-{place.name}"[:200])
    try:
        if make_folder:
            place.parent.mkdir(parents=True, exist_ok=True)
        elif not place.parent.is_dir():
            raise FileNotFoundError(0, "there is no such folder")
        if place.exists() and not place.is_file() and not place.is_dir():
            place.write_bytes(data)
            return
        with unfinished.open("xb") as file:
            file.write(data)
            file.flush()
            if to_disk:
                os.fsync(file.fileno())
        _land(unfinished, place, new)
    except OSError as error:
        if new and isinstance(error, FileExistsError) and place.exists():
            words, remedy = "exists already; it was left as it is", OTHER_NAME
        else:
            words, remedy = f"cannot be written: {error.strerror or error}", REMEDY
        raise AlignError(f"{path} {words}.", remedy) from None
    finally:
        with contextlib.suppress(OSError):
            unfinished.unlink(missing_ok=True)


def _land(unfinished: Path, place: Path, new: bool) -> None:
    """Give a finished file its name; a link, unlike a rename, fails on a name that is taken."""
    if new:
        try:
            os.link(unfinished, place)
            return
        except FileExistsError:
            raise
        except OSError:  # memory cards' file systems have no links
            if place.exists():
                raise FileExistsError(str(place)) from None
    os.replace(unfinished, place)


def write_figure(figure: Any, path: Path, **how: Any) -> None:
    """Write a matplotlib figure whole, of the kind that the name ends in; `how` goes to its `savefig`."""
    drawn = io.BytesIO()
    figure.savefig(drawn, **{"format": path.suffix[1:].lower(), **how})
    write_whole(path, drawn.getvalue(), to_disk=False)


def sync_folder(folder: Path) -> None:
    """Bring a folder's own list to the disk; not every system lets one."""
    with contextlib.suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)

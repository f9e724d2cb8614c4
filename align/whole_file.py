"""Files that are there whole or as they were before."""

from __future__ import annotations

import contextlib
import os
import secrets
from pathlib import Path

from .errors import AlignError


def write_whole(path: Path, data: bytes, *, to_disk: bool = True) -> None:
    """Write a file so that it is there whole or as it was before.

    to_disk : wait until the disk has it; what can be made again need not

    Raises
    ------
    AlignError : it cannot be written.
    """
    unfinished = path.with_name(f".unfinished-{secrets.token_hex(4)}-{path.name}")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with unfinished.open("xb") as file:
            file.write(data)
            file.flush()
            if to_disk:
                os.fsync(file.fileno())
        os.replace(unfinished, path)
    except OSError as error:
        raise AlignError(
            f"{path} cannot be written: {error.strerror or error}.", "Make room, or name another file."
        ) from None
    finally:
        with contextlib.suppress(OSError):
            unfinished.unlink(missing_ok=True)

"""A record's own files: ordinary ones that lie in its folder, no links and no devices."""

from __future__ import annotations

import os
import stat
from pathlib import Path

from ..errors import AlignError
from .thresholds import MOST_FILE_BYTES

_REMEDY = "A record holds its own files: replace the link by the file itself, or move it out of the record."


_BINARY = getattr(os, "O_BINARY", 0)


class LinkError(AlignError):
    """Something in a record's folder is a link, or no ordinary file."""


def refuse_links(folder: Path, path: Path) -> None:
    """Refuse a path inside a record of which any part below the record's folder is a link.

    The folder itself may be reached by a link: that one the user has named.

    Raises
    ------
    LinkError
    """
    for part in [path, *path.parents]:
        if part == folder or part == part.parent:
            return
        if part.is_symlink():
            raise LinkError(f"{part} is a link; it was neither followed nor overwritten.", _REMEDY)


def read_plain(folder: Path, path: Path) -> bytes:
    """The contents of an ordinary file inside a record.

    Raises
    ------
    LinkError : a link, a pipe, a device, or larger than anything that a record holds
    OSError : it is not there, or cannot be read.
    """
    refuse_links(folder, path)
    # Without waiting: a pipe that nobody writes into would hold the program up for ever.
    handle = os.open(path, os.O_RDONLY | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_NONBLOCK", 0) | _BINARY)
    with os.fdopen(handle, "rb") as file:
        found = os.fstat(handle)
        if stat.S_ISDIR(found.st_mode):
            raise IsADirectoryError(21, "it is a folder")
        if not stat.S_ISREG(found.st_mode):
            raise LinkError(f"{path} is no ordinary file.", _REMEDY)
        if found.st_size > MOST_FILE_BYTES:
            raise LinkError(f"{path} is larger than any file of a record.", _REMEDY)
        return file.read()


def presentable(words: str) -> str:
    """Words that any page and terminal can show: what is no text, and control characters, become �.

    A file's name need not be text; Python then keeps its bytes as lone surrogates, which no file can be
    written with.
    """
    return "".join("\N{REPLACEMENT CHARACTER}" if _unfit(sign) else sign for sign in words)


def _unfit(sign: str) -> bool:
    return "\ud800" <= sign <= "\udfff" or (sign < " " and sign not in "\n\t") or "\x7f" <= sign <= "\x9f"

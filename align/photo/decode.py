"""Decoding JPEG data, with a decoder that raises on damage.

libjpeg carries on over damage: the blocks behind it land in wrong places, so that corners shift by whole
blocks. Most readers pass that over, or say it on the process's standard error stream only. Here it is an error,
in libjpeg's own words (jerror.h), of the very call that decodes: any number of threads may do so at once.
"""

from __future__ import annotations

import contextlib
import re
from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from .formats import jpeg_scan_place

Pixels = NDArray[np.uint8]

_EXTRA_BYTES = re.compile(r"(\d+) extraneous bytes before marker 0xd9")
_END = b"\xff\xd9"
_BEGINNING = "Corrupt JPEG data: "


class Damaged(ValueError):
    """What is wrong with the data, in the decoder's words."""


def decode_gray(data: bytes, *, halved: bool = False) -> Pixels:
    """(h, w) grey pixels of a JPEG, as the file has them (not turned upright); of half its size if wanted.

    Raises
    ------
    Damaged : the data are damaged, cut off, or coded in a way that is not read.
    """
    return _decoded(data, "GRAY", halved)[:, :, 0]


def decode_colour(data: bytes, *, halved: bool = False) -> Pixels:
    """(h, w, 3) RGB pixels; otherwise as `decode_gray`."""
    return _decoded(data, "RGB", halved)


def refuse_damaged_inks(data: bytes) -> None:
    """Refuse a damaged JPEG of four inks; its colours are made elsewhere, without a word of damage."""
    _decoded(data, "CMYK", False)


def _decoded(data: bytes, colours: str, halved: bool) -> Pixels:
    """The pixels; zeros before the end marker, with which some phones fill up, are no damage."""
    try:
        return _strictly(data, colours, halved)
    except ValueError as error:
        for shorter in _without_filling(data, str(error)):
            with contextlib.suppress(ValueError):
                return _strictly(shorter, colours, halved)
        raise Damaged(str(error).removeprefix(_BEGINNING)) from None


def _strictly(data: bytes, colours: str, halved: bool) -> Pixels:
    import simplejpeg

    least: dict[str, float] = {}
    if halved:
        height, width, *_ = simplejpeg.decode_jpeg_header(data)
        least = {"min_factor": 2.0, "min_height": (height + 1) // 2, "min_width": (width + 1) // 2}
    return np.asarray(simplejpeg.decode_jpeg(data, colours, **least), np.uint8)


def _without_filling(data: bytes, words: str) -> Iterator[bytes]:
    """The data without the zeros before their end marker, where the decoder's words are of nothing else.

    Without all of them, lest zeros stand in for pixels that were lost; or with the one that may belong to the last
    pixel.
    """
    told = _EXTRA_BYTES.search(words)
    end = data.find(_END, jpeg_scan_place(data)) if told else -1
    if told and end > 0 and not any(data[end - int(told[1]) : end]):
        start = len(data[:end].rstrip(b"\0"))
        yield data[:start] + _END
        yield data[: start + 1] + _END

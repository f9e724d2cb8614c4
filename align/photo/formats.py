"""Which kinds of files are opened as photos: JPEG (with more pictures behind the first too), PNG, TIFF, WebP, HEIC.

The kind is told by a file's first bytes, and its reader alone is called. Pillow's own `open` asks every reader it
knows, and one of them starts another program; it also switches nothing off for the process that calls us.
"""

from __future__ import annotations

import io
import re
from typing import TYPE_CHECKING

from . import thresholds

if TYPE_CHECKING:
    from PIL.ImageFile import ImageFile

#: Pillow's words for JPEG files; MPO: with a second picture behind the first.
JPEG = ("JPEG", "MPO")
PNG_SIGNATURE = b"\x89PNG\r\n\x1a\n"
_TIFF = (b"II*\0", b"MM\0*")
#: Major brands of HEIF images coded with HEVC, alone or as a sequence; source: ISO/IEC 23008-12, annex B.
_HEIC_BRANDS = (b"heic", b"heix", b"heim", b"heis", b"hevc", b"hevx", b"mif1", b"msf1")

#: A marker that begins a segment, with fill bytes before it (ITU-T T.81, B.1.1.2); none that ends a picture.
_MARKER = re.compile(rb"\xff{1,4096}[^\x00\x01\xd0-\xd9\xff]", re.DOTALL)
_START_OF_SCAN = 0xDA


class NoPhoto(ValueError):
    """Why data are no photo, as the end of a sentence."""


def is_jpeg(data: bytes) -> bool:
    """Whether data begin as a JPEG does (ITU-T T.81, B.1.1.3)."""
    return data.startswith(b"\xff\xd8\xff")


def opened(data: bytes) -> ImageFile:
    """The image with its header read, its pixels not yet; the first one, where there are several.

    Raises
    ------
    NoPhoto : of no kind that is admitted, or its header is damaged.
    """
    try:
        image = _by_its_reader(data)
    except NoPhoto:
        raise
    except Exception:  # decoders raise many kinds on damaged files, EOFError and RuntimeError among them
        raise NoPhoto("its contents are no image that can be read here") from None
    if image is None:
        raise NoPhoto("it is no JPEG, HEIC, PNG, TIFF or WebP file")
    return image


def _by_its_reader(data: bytes) -> ImageFile | None:
    """The classes themselves, for Pillow's `open` refuses by a size of its own, in words that name none."""
    file = io.BytesIO(data)
    if is_jpeg(data):
        jpeg_scan_place(data)
        from PIL.JpegImagePlugin import jpeg_factory

        return jpeg_factory(file)
    if data.startswith(PNG_SIGNATURE):
        from PIL.PngImagePlugin import PngImageFile

        return PngImageFile(file)
    if data.startswith(_TIFF):
        from PIL.TiffImagePlugin import TiffImageFile

        return TiffImageFile(file)
    if data[:4] == b"RIFF" and data[8:12] == b"WEBP":
        from PIL.WebPImagePlugin import WebPImageFile

        return WebPImageFile(file)
    if data[4:8] == b"ftyp" and data[8:12] in _HEIC_BRANDS:
        from pillow_heif import HeifImageFile

        image: ImageFile = HeifImageFile(file)  # type: ignore[no-untyped-call]
        return image
    return None


def jpeg_scan_place(data: bytes) -> int:
    """Where a JPEG's first scan begins, behind its header's segments.

    Pillow would look for a lost segment byte by byte, to the end of the file.

    Raises
    ------
    NoPhoto : segments do not follow one another up to a scan, or there are too many.
    """
    place = 2
    for _ in range(thresholds.MAX_JPEG_SEGMENTS):
        filled = _MARKER.match(data, place)
        if filled is None:
            raise NoPhoto("its header is damaged or cut off")
        place = filled.end()
        if data[place - 1] == _START_OF_SCAN:
            return place - 2
        place += int.from_bytes(data[place : place + 2], "big")
    raise NoPhoto("its header has more parts than any camera writes")

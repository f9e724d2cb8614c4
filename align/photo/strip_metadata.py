"""Pictures without what their files tell of people: no location, no serial number, no name, no thumbnail.

A JPEG keeps its pixels bit for bit; of its metadata it keeps the colour profile and the four facts that a
later check of the same photo needs (orientation, focal lengths, zoom).
"""

from __future__ import annotations

import io
import re
import struct
import zlib
from collections.abc import Iterator
from pathlib import Path

from ..errors import PhotoError

#: EXIF tags kept: orientation (first directory); focal length, zoom and 35 mm focal length (second one).
_KEPT, _KEPT_INNER = (0x0112,), (0x920A, 0xA404, 0xA405)
_EXIF_DIRECTORY = 0x8769
#: JPEG segments kept: all that the pixels need, the JFIF and Adobe headers, and colour profiles.
_APP0, _APP1, _APP2, _APP14, _APP15, _COMMENT = 0xE0, 0xE1, 0xE2, 0xEE, 0xEF, 0xFE
_START_OF_SCAN, _END = 0xDA, 0xD9
#: PNG chunks kept: the pixels, and how to show them.
_PNG_SIGNATURE = b"\x89PNG\r\n\x1a\n"
_PNG_KEPT = (
    b"IHDR",
    b"PLTE",
    b"IDAT",
    b"IEND",
    b"tRNS",
    b"gAMA",
    b"cHRM",
    b"sRGB",
    b"iCCP",
    b"pHYs",
    b"sBIT",
)
_JPEG_QUALITY = 95


def clean_photo(path: Path) -> tuple[bytes, str]:
    """A photo's file without metadata: (contents, suffix).

    JPEG and PNG keep their pixels; every other kind (HEIC, TIFF ...) becomes an upright JPEG.

    Raises
    ------
    PhotoError : the file cannot be read as a photo.
    """
    try:
        data = path.read_bytes()
    except OSError as error:
        raise PhotoError(
            f"{path} cannot be read: {error.strerror}.", "Check the name and the file's permissions."
        ) from None
    try:
        if data[:2] == b"\xff\xd8":
            return stripped_jpeg(data), ".jpg"
        if data[:8] == _PNG_SIGNATURE:
            return stripped_png(data), ".png"
    except ValueError:
        pass  # its structure is damaged though it may still decode: write it anew
    return _encoded_anew(path), ".jpg"


def stripped_jpeg(data: bytes) -> bytes:
    """The same JPEG without metadata; what follows its end (a second picture, a film) is cut off.

    Raises
    ------
    ValueError : the structure is damaged.
    """
    parts = [b"\xff\xd8", _kept_exif(data)]
    for marker, segment in _jpeg_segments(data):
        profile = marker == _APP2 and segment[4:16] == b"ICC_PROFILE\0"
        needed = not (_APP0 <= marker <= _APP15 or marker == _COMMENT) or marker in (_APP0, _APP14)
        if (needed or profile) and not (marker == _APP0 and segment[4:9] != b"JFIF\0"):
            parts.append(segment)
    # JFIF wants its header first, EXIF too: readers accept EXIF behind it.
    if len(parts) > 2 and parts[2][1:2] == b"\xe0":
        parts[1], parts[2] = parts[2], parts[1]
    return b"".join(parts)


def _jpeg_segments(data: bytes) -> Iterator[tuple[int, bytes]]:
    """(marker, whole segment) up to and with the end marker; a scan comes with its pixels."""
    place = 2
    scan_end = re.compile(rb"\xff[^\x00\xd0-\xd7\xff]")
    while place + 4 <= len(data) or data[place : place + 2] == b"\xff\xd9":
        if data[place] != 0xFF:
            raise ValueError(f"no JPEG marker at byte {place}")
        marker = data[place + 1]
        if marker == 0xFF:  # fill byte
            place += 1
            continue
        if marker == _END:
            yield marker, data[place : place + 2]
            return
        end = place + 2 + struct.unpack(">H", data[place + 2 : place + 4])[0]
        if marker == _START_OF_SCAN:
            found = scan_end.search(data, end)
            if not found:
                raise ValueError("a JPEG scan without end")
            end = found.start()
        yield marker, data[place:end]
        place = end
    raise ValueError("a JPEG without end marker")


def _kept_exif(data: bytes) -> bytes:
    """A small EXIF segment with the kept tags; b"" where the photo has none of them."""
    from PIL import Image

    new = Image.Exif()
    try:
        with Image.open(io.BytesIO(data)) as image:
            old = image.getexif()
            inner = old.get_ifd(_EXIF_DIRECTORY)
        for tag in _KEPT:
            if tag in old:
                new[tag] = int(old[tag])
        kept = {tag: inner[tag] for tag in _KEPT_INNER if tag in inner}
        if kept:
            new[_EXIF_DIRECTORY] = kept
        body = new.tobytes() if len(new) else b""
    except Exception:  # damaged metadata comes in many kinds; the pixels are still good
        return b""
    if not body:
        return b""
    body = body if body.startswith(b"Exif\0\0") else b"Exif\0\0" + body
    return b"\xff\xe1" + struct.pack(">H", len(body) + 2) + body


def stripped_png(data: bytes) -> bytes:
    """The same PNG with the chunks of its pixels and colours only.

    Raises
    ------
    ValueError : it is no PNG, or is cut off.
    """
    if data[:8] != _PNG_SIGNATURE:
        raise ValueError("not a PNG")
    parts, place = [_PNG_SIGNATURE], 8
    while place + 12 <= len(data):
        length = struct.unpack(">I", data[place : place + 4])[0]
        kind, end = data[place + 4 : place + 8], place + 12 + length
        if end > len(data):
            break
        if kind in _PNG_KEPT:
            parts.append(data[place:end])
        if kind == b"IEND":
            return b"".join(parts)
        place = end
    raise ValueError("the PNG is cut off")


def _encoded_anew(path: Path) -> bytes:
    from PIL import Image

    from .read import read_colour

    file = io.BytesIO()
    Image.fromarray(read_colour(path)).save(file, "JPEG", quality=_JPEG_QUALITY, subsampling=0)
    return file.getvalue()


def described_png(data: bytes, words: str) -> bytes:
    """The same PNG with a description of our own, which readers of files find without looking at pixels."""
    text = b"Description\0\0\0en\0\0" + words.encode()
    body = b"iTXt" + text
    chunk = struct.pack(">I", len(text)) + body + struct.pack(">I", zlib.crc32(body))
    after_header = 8 + 12 + 13
    return data[:after_header] + chunk + data[after_header:]


def description_of(path: Path) -> str:
    """The description that `described_png` put in; "" where there is none."""
    try:
        with path.open("rb") as file:
            file.seek(8 + 12 + 13)
            length, kind = struct.unpack(">I4s", file.read(8))
            text = file.read(min(length, 100_000)) if kind == b"iTXt" else b""
    except (OSError, struct.error):
        return ""
    start = b"Description\0\0\0en\0\0"
    return text[len(start) :].decode("utf-8", "replace") if text.startswith(start) else ""

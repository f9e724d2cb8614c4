"""Pictures without what their files tell of people: no location, no serial number, no name, no thumbnail.

A JPEG and a PNG keep their pixels bit for bit and their colour profile; of the metadata every copy keeps the four
facts that a later check of the same photo needs (orientation, focal lengths, zoom).
"""

from __future__ import annotations

import contextlib
import io
import re
import struct
import zlib
from collections.abc import Iterator
from pathlib import Path

from .facts import TAG_EXIF, TAG_FOCAL, TAG_FOCAL35, TAG_ORIENTATION, TAG_ZOOM, upright
from .file import PhotoFile
from .formats import PNG_SIGNATURE, is_jpeg, opened

#: EXIF tags kept of the second directory; of the first one, the orientation.
_KEPT_INNER = (TAG_FOCAL, TAG_ZOOM, TAG_FOCAL35)
#: JPEG segments kept: all that the pixels need, the JFIF header and that of the colour transform (ITU-T T.872,
#: APP14), and colour profiles.
_APP0, _APP1, _APP2, _APP14, _APP15, _COMMENT = 0xE0, 0xE1, 0xE2, 0xEE, 0xEF, 0xFE
_START_OF_SCAN, _END = 0xDA, 0xD9
#: PNG chunks kept: the pixels, and how to show them.
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
_EXIF_HEADER = b"Exif\0\0"


#: The orientation that undoes each of EXIF's eight.
_UNDONE = {1: 1, 2: 2, 3: 3, 4: 4, 5: 5, 6: 8, 7: 7, 8: 6}


def clean_photo(file: PhotoFile, data: bytes | None = None) -> tuple[bytes, str]:
    """A photo's file without metadata but the facts of its camera: (contents, suffix); data : its bytes.

    JPEG and PNG keep their pixels; every other kind (HEIC, TIFF ...) becomes a JPEG.

    Raises
    ------
    PhotoError : the file cannot be read as a photo, or has changed since it was read.
    """
    data = file.contents() if data is None else data
    with contextlib.suppress(ValueError):  # its structure is damaged though it may still decode: write it anew
        if is_jpeg(data):
            return stripped_jpeg(data), ".jpg"
        if data.startswith(PNG_SIGNATURE):
            return stripped_png(data, _kept_exif(data)), ".png"
    return _encoded_anew(file, data), ".jpg"


def stripped_jpeg(data: bytes) -> bytes:
    """The same JPEG without metadata; what follows its end (a second picture, a film) is cut off.

    Raises
    ------
    ValueError : the structure is damaged.
    """
    parts = [b"\xff\xd8", _exif_segment(_kept_exif(data))]
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


def _kept_exif(data: bytes, orientation: int | None = None) -> bytes:
    """EXIF data with the kept tags; b"" where the photo has none of them.

    orientation : the one to tell, where the file's own is not what it was
    """
    from PIL import Image

    new = Image.Exif()
    try:
        with opened(data) as image:
            old = image.getexif()
            inner = old.get_ifd(TAG_EXIF)
            if data.startswith(PNG_SIGNATURE) and not old:  # it may stand behind the pixels
                image.load()
                old = image.getexif()
                inner = old.get_ifd(TAG_EXIF)
        kept = {tag: inner[tag] for tag in _KEPT_INNER if tag in inner}
        if orientation is not None or TAG_ORIENTATION in old:
            new[TAG_ORIENTATION] = int(orientation or old[TAG_ORIENTATION])
        if kept:
            new[TAG_EXIF] = kept
        body = new.tobytes() if len(new) else b""
    except Exception:  # damaged metadata comes in many kinds; the pixels are still good
        return b""
    return body.removeprefix(_EXIF_HEADER)


def _exif_segment(body: bytes) -> bytes:
    """EXIF data as a JPEG segment (CIPA DC-008, 4.5.4)."""
    return b"\xff\xe1" + struct.pack(">H", len(_EXIF_HEADER) + len(body) + 2) + _EXIF_HEADER + body if body else b""


def stripped_png(data: bytes, exif: bytes = b"") -> bytes:
    """The same PNG with the chunks of its pixels and colours only, and EXIF data if given.

    Raises
    ------
    ValueError : it is no PNG, or is cut off.
    """
    if not data.startswith(PNG_SIGNATURE):
        raise ValueError("not a PNG")
    parts, place = [PNG_SIGNATURE], 8
    while place + 12 <= len(data):
        length = struct.unpack(">I", data[place : place + 4])[0]
        kind, end = data[place + 4 : place + 8], place + 12 + length
        if end > len(data):
            break
        if kind in _PNG_KEPT:
            parts.append(data[place:end])
        if kind == b"IHDR" and exif:
            parts.append(_png_chunk(b"eXIf", exif))
        if kind == b"IEND":
            return b"".join(parts)
        place = end
    raise ValueError("the PNG is cut off")


def _png_chunk(kind: bytes, content: bytes) -> bytes:
    """One chunk with its check sum (PNG, W3C, section 5.3)."""
    return struct.pack(">I", len(content)) + kind + content + struct.pack(">I", zlib.crc32(kind + content))


def _encoded_anew(file: PhotoFile, data: bytes) -> bytes:
    """A JPEG of the pixels as the sensor had them, with the orientation that turns them upright."""
    from PIL import Image

    from .read import colour_of, facts_in

    orientation = facts_in(file, data).orientation or 1
    pixels = upright(colour_of(file, data), _UNDONE[orientation])
    encoded = io.BytesIO()
    exif = _kept_exif(data, orientation if orientation > 1 else None)
    Image.fromarray(pixels).save(
        encoded, "JPEG", quality=_JPEG_QUALITY, subsampling=0, exif=_EXIF_HEADER + exif if exif else b""
    )
    return encoded.getvalue()


def described_png(data: bytes, words: str) -> bytes:
    """The same PNG with a description of our own, which readers of files find without looking at pixels."""
    text = b"Description\0\0\0en\0\0" + words.encode()
    chunk = _png_chunk(b"iTXt", text)
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

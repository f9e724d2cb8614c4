"""Receiving a photo: so many bytes and no more, in bounded time, cleaned before anything is kept."""

from __future__ import annotations

import tempfile
import time
from collections.abc import AsyncIterator
from typing import IO, Any

from ..errors import AlignError, PhotoError
from . import thresholds


class Refused(AlignError):
    """A body that is not taken, with its HTTP status."""

    def __init__(self, status: int, message: str, remedy: str = "") -> None:
        super().__init__(message, remedy)
        self.status = status


def too_large(limit: int) -> Refused:
    """The refusal of a body of more than `limit` bytes."""
    return Refused(
        413,
        f"That is more than the {limit / 1e6:.0f} MB that are taken.",
        "Send one photo as the phone wrote it; 12 megapixels are plenty.",
    )


async def limited(chunks: AsyncIterator[bytes], announced: str | None, limit: int) -> AsyncIterator[bytes]:
    """A body's chunks, within bounds of bytes and time.

    Parameters
    ----------
    announced : the Content-Length header; limit : bytes at most

    Raises
    ------
    Refused : too large, too slow, or broken off.
    """
    import asyncio

    if announced is not None and (not announced.isdigit() or int(announced) > limit):
        raise too_large(limit)
    began, received = time.monotonic(), 0
    while True:
        try:
            chunk = await asyncio.wait_for(anext(chunks), thresholds.SILENCE_S)
        except StopAsyncIteration:
            return
        except asyncio.TimeoutError:
            raise _too_slow() from None
        received += len(chunk)
        if received > limit:
            raise too_large(limit)
        passed = time.monotonic() - began
        if passed > thresholds.SILENCE_S and received < passed * thresholds.SLOWEST_BYTES_S:
            raise _too_slow()
        yield chunk


def _too_slow() -> Refused:
    return Refused(
        408, "The photo came too slowly, and was given up.", "Go nearer to the network's sender, and send it again."
    )


async def spooled(chunks: AsyncIterator[bytes]) -> IO[bytes]:
    """The chunks in a file without a name, which no ended program leaves behind."""
    import asyncio

    file = tempfile.TemporaryFile()  # noqa: SIM115
    try:
        async for chunk in chunks:
            await asyncio.to_thread(file.write, chunk)
    except BaseException:
        file.close()
        raise
    return file


async def file_in_form(chunks: AsyncIterator[bytes], content_type: str) -> tuple[IO[bytes], str]:
    """The first file of a form (multipart/form-data), in a file without a name, and what its first short entry says
    ("" where there is none); what else is in it is dropped.

    Raises
    ------
    Refused : it is no such form, or holds no file.
    """
    from python_multipart.exceptions import MultipartParseError
    from python_multipart.multipart import MultipartParser, parse_options_header

    kind, options = parse_options_header(content_type)
    if kind != b"multipart/form-data" or b"boundary" not in options:
        raise Refused(415, "A photo was expected, sent by this page's form.", "Open the page and choose a photo.")
    reader = _FormReader()
    try:
        parser = MultipartParser(options[b"boundary"], reader.callbacks())
        async for chunk in chunks:
            parser.write(chunk)
        parser.finalize()
    except MultipartParseError:
        reader.file.close()
        raise Refused(400, "The form came damaged.", "Send the photo again.") from None
    except BaseException:
        reader.file.close()
        raise
    if not reader.found:
        reader.file.close()
        raise Refused(400, "No photo was chosen.", "Choose a photo, then send it.")
    return reader.file, reader.said.decode("ascii", "replace")


#: No more is read of a form's entry than this [bytes].
LONGEST_ENTRY = 20


class _FormReader:
    """Writes a form's first file that is not empty, keeps its first entry that is none, and drops the rest."""

    def __init__(self) -> None:
        self.file: IO[bytes] = tempfile.TemporaryFile()  # noqa: SIM115
        self.found, self.said = False, b""
        self._header, self._value = b"", b""
        self._is_file = self._done = self._entered = False

    def callbacks(self) -> Any:
        """As the parser calls them."""
        return {
            "on_part_begin": self._begin,
            "on_header_field": self._field,
            "on_header_value": self._named,
            "on_header_end": self._header_ended,
            "on_part_data": self._data,
            "on_part_end": self._end,
        }

    def _begin(self) -> None:
        self._is_file = False

    def _field(self, data: bytes, start: int, end: int) -> None:
        self._header += data[start:end]

    def _named(self, data: bytes, start: int, end: int) -> None:
        self._value += data[start:end]

    def _header_ended(self) -> None:
        if self._header.lower() == b"content-disposition" and b"filename" in self._value:
            self._is_file = True
        self._header, self._value = b"", b""

    def _data(self, data: bytes, start: int, end: int) -> None:
        if self._is_file and not self._done:
            self.file.write(data[start:end])
            self.found = self.found or end > start
        elif not self._is_file and not self._entered:
            self.said = (self.said + data[start:end])[:LONGEST_ENTRY]

    def _end(self) -> None:
        self._done = self._done or (self._is_file and self.found)
        self._entered = self._entered or not self._is_file


def cleaned(data: bytes) -> tuple[bytes, str]:
    """A photo's contents without place, serial numbers and names, and the ending of its kind's name.

    Raises
    ------
    PhotoError : it is no photo that is read here, is too large, or a panorama.
    """
    from ..photo.file import file_of
    from ..photo.read import facts_in
    from ..photo.strip_metadata import clean_photo

    _refuse_pixels(data)
    file = file_of("The photo", data)
    facts_in(file, data)
    return clean_photo(file, data)


def _refuse_pixels(data: bytes) -> None:
    """Refuse by its header, before anything takes memory, what has too many pixels for a page that stays up."""
    from ..photo.formats import NoPhoto, opened

    try:
        with opened(data) as image:
            megapixels = image.size[0] * image.size[1] / 1e6
    except NoPhoto:
        return  # whoever reads it says so in better words
    most = thresholds.MOST_PHOTO_MEGAPIXELS
    if megapixels > most:
        raise PhotoError(
            f"The photo has {megapixels:.0f} megapixels; this page takes at most {most:g}.",
            "Use the phone's ordinary resolution (12 megapixels are plenty), or the command align check.",
        )

"""Reading photographs: upright pixels, and what the file says of its camera."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from ..errors import PhotoError
from . import thresholds
from .decode import decode_colour, decode_gray, refuse_damaged_inks
from .facts import Crop, Facts, Lens, facts_of, upright
from .file import PhotoFile, read_file
from .formats import JPEG, NoPhoto, opened
from .torn import step_row, torn_row

if TYPE_CHECKING:
    from PIL.ImageFile import ImageFile

Pixels = NDArray[np.uint8]


@dataclass(frozen=True, eq=False)
class Photo:
    """One photograph, upright.

    gray : (height, width) uint8; equivalent_mm : EXIF 35 mm-equivalent focal length or None;
    crop : "whole", "middle" (a screen shape cut from the sensor's middle), "screen" (such a shape without a word
    of its camera: a screenshot, say, with the photo anywhere in it) or "part" (the shape or the metadata say that
    it is some other part of what the camera took);
    orientation : EXIF orientation 1 to 8 by which the sensor's picture was turned upright; None: not named;
    halved_from : (width, height) [px] of the picture in the file, where it was read at half size;
    file : what it was read from, None for a photo that was made here;
    not_believed : focal lengths [mm] in its metadata that no lens has.
    """

    path: Path
    gray: Pixels
    equivalent_mm: float | None
    focal_mm: float | None
    crop: Crop
    device: str
    date: str
    orientation: int | None = None
    halved_from: tuple[int, int] | None = None
    file: PhotoFile | None = None
    not_believed: tuple[float, ...] = ()

    @property
    def lens(self) -> Lens:
        """Which lens and zoom the file names."""
        return Lens(self.focal_mm, self.equivalent_mm)

    @property
    def size(self) -> tuple[int, int]:
        """(width, height) [px] as displayed."""
        return self.gray.shape[1], self.gray.shape[0]

    @property
    def notes(self) -> list[str]:
        """What its user must know of how it was read."""
        notes = []
        if self.halved_from is not None:
            full, read = (f"{size[0]} x {size[1]} px" for size in (self.halved_from, self.size))
            notes.append(
                f"{self.path.name} has {full}, more than any answer needs: it was read at half size, and all pixel "
                f"figures are of {read}."
            )
        if self.crop == "screen":
            notes.append(
                f"{self.path.name} has a screen's shape and names no camera. That it is a screenshot, or part of a "
                "photo, is allowed for; the original would give a narrower answer."
            )
        if self.not_believed:
            lengths = " and ".join(f"{value:g} mm" for value in self.not_believed)
            notes.append(
                f"{self.path.name} names a focal length of {lengths}, which no lens has; that was passed over. The "
                "phone's original would give a narrower answer."
            )
        return notes


def read_photo(source: str | os.PathLike[str] | PhotoFile) -> Photo:
    """Read a photo, or one that was read before, as upright grey pixels with its camera facts.

    Raises
    ------
    PhotoError
        The file is missing, empty, no ordinary file, no photo of a kind that is read, damaged, too small, too
        large, or a panorama; or it has changed since it was read before.
    """
    file, data = (source, source.contents()) if isinstance(source, PhotoFile) else read_file(source)
    with _header(file, data) as header:
        facts, full = header.facts, header.size
        _refuse_panorama(file.path, facts)
        gray = _gray(file.path, data, header)
        if header.image.format in JPEG and header.image.mode != "CMYK":
            _refuse_steps(file.path, gray, header.image, 4 if header.halved else 8)
    torn = torn_row(gray)
    if torn is not None:
        row, shift = torn
        raise _unreadable(
            file.path, f"it is damaged: from row {row} on it is shifted sideways by some {abs(shift)} px"
        )
    return Photo(
        path=file.path,
        gray=upright(gray, facts.turn),
        equivalent_mm=facts.lens.equivalent_mm,
        focal_mm=facts.lens.focal_mm,
        crop=facts.crop,
        device=facts.device,
        date=facts.date,
        orientation=facts.orientation,
        halved_from=(full if facts.turn < 5 else full[::-1]) if header.halved else None,
        file=file,
        not_believed=facts.not_believed,
    )


def read_colour(path: str | os.PathLike[str]) -> Pixels:
    """(height, width, 3) uint8 RGB pixels of a photo, upright; size and errors as in `read_photo`."""
    file, data = read_file(path)
    return _colour(file, data)


def colour_of(file: PhotoFile, data: bytes | None = None) -> Pixels:
    """(height, width, 3) uint8 RGB pixels, upright, of a photo that was read before; data : its bytes, if at hand.

    Raises
    ------
    PhotoError
        As `read_photo`, or the file has changed since.
    """
    return _colour(file, file.contents() if data is None else data)


def facts_in(file: PhotoFile, data: bytes | None = None) -> Facts:
    """What a photo's file says of its camera; data, errors: as in `colour_of` and `read_photo`."""
    with _header(file, file.contents() if data is None else data) as header:
        _refuse_panorama(file.path, header.facts)
        return header.facts


def _colour(file: PhotoFile, data: bytes) -> Pixels:
    with _header(file, data) as header, _damage_named(file.path):
        image = header.image
        if image.format in JPEG and image.mode != "CMYK":
            pixels = decode_colour(data, halved=header.halved)
        else:
            pixels = np.asarray(image if image.mode == "RGB" else image.convert("RGB"))
    return upright(pixels, header.facts.turn)


@dataclass(frozen=True, eq=False)
class _Header:
    """An opened image of a size that can be read; size : in the file [px]; halved : it is read at half of it."""

    image: ImageFile
    facts: Facts
    size: tuple[int, int]
    halved: bool


@contextmanager
def _header(file: PhotoFile, data: bytes) -> Iterator[_Header]:
    try:
        image = opened(data)
    except NoPhoto as reason:
        raise _unreadable(file.path, str(reason)) from None
    with image:
        size = image.size
        halved = _halved(file.path, image)
        if image.format in ("PNG", "TIFF"):
            facts = _loaded_facts(file.path, data, image)
        else:
            facts = facts_of(image, data, size)
        yield _Header(image, facts, size, halved)


def _loaded_facts(path: Path, data: bytes, image: ImageFile) -> Facts:
    """The facts of a kind whose pixels are decoded for them: a PNG may hold its metadata behind its pixels, and a
    TIFF is turned upright by its decoder, which then tells no orientation any more.
    """
    told = facts_of(image, data, image.size) if image.format == "TIFF" else None
    _load(path, data, image)
    facts = facts_of(image, data, image.size)
    return facts if told is None else replace(told, turn=facts.turn)


def _load(path: Path, data: bytes, image: ImageFile) -> None:
    """Decode the pixels; what fails is refused at once: a second try would give half a picture as a whole one."""
    with _damage_named(path):
        if image.format == "PNG":  # decoding asks for no check sums
            with opened(data) as other:
                other.verify()
        image.load()


@contextmanager
def _damage_named(path: Path) -> Iterator[None]:
    """Whatever a decoder raises on damaged files, as a PhotoError; they raise many kinds."""
    try:
        yield
    except Exception as error:
        raise _unreadable(path, f"it is damaged or cut off ({error})") from None


def _refuse_panorama(path: Path, facts: Facts) -> None:
    if facts.panorama:
        raise PhotoError(
            f"{path} is a panorama: joined from views in many directions, it has no single perspective.",
            "Take an ordinary photo that shows the whole sheet and its reflection; step back if need be.",
        )


def _unreadable(path: Path, reason: str) -> PhotoError:
    return PhotoError(
        f"{path} cannot be read as a photo: {reason}.",
        "Send the original file from the phone (JPEG, HEIC or PNG), not a link or a partial download.",
    )


def _halved(path: Path, image: ImageFile) -> bool:
    """Refuse sizes that cannot be read; whether the image, by its size, is read at half size: it is set to be."""
    size = image.size
    megapixels = size[0] * size[1] / 1e6
    largest, largest_jpeg = thresholds.MAX_MEGAPIXELS, thresholds.MAX_JPEG_MEGAPIXELS
    most = largest_jpeg if image.format in JPEG else largest
    if megapixels > most:
        raise PhotoError(
            f"{path} has {megapixels:.0f} megapixels; at most {most} are read"
            + ("." if most == largest_jpeg else f", or {largest_jpeg} of a JPEG."),
            "Use the phone's ordinary resolution (12 megapixels are plenty).",
        )
    if min(size) < thresholds.MIN_SIDE_PX:
        raise PhotoError(
            f"{path} is only {size[0]} x {size[1]} pixels; at least {thresholds.MIN_SIDE_PX} on each side are "
            "needed.",
            "Send the photo itself rather than its preview.",
        )
    if megapixels <= largest:
        return False
    image.draft(None, (size[0] // 2, size[1] // 2))
    return True


def _gray(path: Path, data: bytes, header: _Header) -> Pixels:
    """Grey pixels, as the file has them."""
    with _damage_named(path):
        if header.image.format in JPEG:
            if header.image.mode != "CMYK":
                return decode_gray(data, halved=header.halved)
            refuse_damaged_inks(data)
        return _gray_by_pillow(header.image)


def _refuse_steps(path: Path, gray: Pixels, image: Any, block_px: int) -> None:
    """Refuse a JPEG whose brightness steps along a row of blocks: some of its data were lost or changed."""
    table = next(iter(image.quantization.values()), [8])
    # The first coefficient is 8 times the mean of a block; source: ITU-T T.81 (1992), A.3.3 and A.3.4.
    step = step_row(gray, table[0] / 8, block_px)
    if step is not None:
        row, grey = step
        way = "brighter" if grey > 0 else "darker"
        raise _unreadable(path, f"it is damaged: from row {row} on all is {way} at once, by {abs(grey)} of 255")


def _gray_by_pillow(image: ImageFile) -> Pixels:
    if image.mode in ("I;16", "I;16B", "I;16L", "I", "F"):
        values = np.asarray(image).astype(float)
        top = max(float(values.max()), 1.0)
        return np.asarray(np.round(values * (255.0 / (65535.0 if top > 255 else 255.0))), np.uint8)
    if image.mode in ("RGBA", "LA", "PA") or "transparency" in image.info:
        from PIL import Image as pil

        flat = pil.new("RGBA", image.size, "white")
        flat.alpha_composite(image.convert("RGBA"))
        return np.asarray(flat.convert("L"))
    return np.asarray(image.convert("L"))

"""Reading photographs: pixels, orientation, and what the file says of its camera.

Location, serial numbers and names in the metadata are never read.
"""

from __future__ import annotations

import contextlib
import os
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from ..errors import PhotoError
from .decode import decode_gray
from .torn import step_row, torn_row

if TYPE_CHECKING:
    from PIL.Image import Image

#: JPEGs beyond the first, from sensors of 200 megapixels, are read at half size; nothing else can be, in bounded
#: memory (docs/hard_use.md, "Memory").
MAX_MEGAPIXELS, MAX_JPEG_MEGAPIXELS = 120, 220
MIN_SIDE_PX = 200
_TAG_ORIENTATION, _TAG_MAKE, _TAG_MODEL, _TAG_EXIF = 0x0112, 0x010F, 0x0110, 0x8769
_TAG_DATE, _TAG_FOCAL, _TAG_FOCAL35, _TAG_ZOOM = 0x9003, 0x920A, 0xA405, 0xA404
_TAG_WIDTH, _TAG_HEIGHT = 0xA002, 0xA003
_TAG_RENDERED, _PANORAMA = 0xA401, 6  # CustomRendered; phones' 6 as in ExifTool's table of EXIF tags
_PANORAMA_XMP, _XMP_WITHIN = b"GPano:ProjectionType", 400_000  # photo sphere XMP; it stands among the first bytes
_JPEG = ("JPEG", "MPO")  # Pillow's words; MPO: with a second picture behind the first
_SENSOR_ORIENTATION = -1  # no tag: the orientation of pixels that their reader has turned upright already
#: Shapes that phone and camera sensors have, long side : short side; common practice, no source.
SENSOR_SHAPES = (4 / 3, 3 / 2)
#: Screen shapes that phones cut from the middle of the sensor when asked to; common practice, no source.
SCREEN_SHAPES = (1.0, 16 / 9, 18 / 9, 18.5 / 9, 19 / 9, 19.5 / 9, 20 / 9)


#: Shapes of one sensor agree to this share: rounding to whole pixels, and to whole blocks of them.
SAME_SHAPE = 0.006
#: Focal lengths of one lens agree to this share; the 35 mm-equivalent one is a whole number of millimetres.
SAME_LENS_SHARE, EQUIVALENT_STEP_MM = 0.02, 1.0


@dataclass(frozen=True)
class Lens:
    """Which lens and zoom a photo's file names [mm]: real and 35 mm-equivalent focal length, None: not named.

    The real one tells a phone's lenses apart; zoom by cutting and enlarging shows in the equivalent one only.
    """

    focal_mm: float | None = None
    equivalent_mm: float | None = None

    def differs(self, other: Lens) -> tuple[str, str] | None:
        """What this lens and another are, in words, where their files say that they differ; else None."""
        mine, its = self.focal_mm, other.focal_mm
        if mine and its and abs(mine / its - 1) > SAME_LENS_SHARE:
            return f"{mine:g} mm", f"{its:g} mm"
        mine, its = self.equivalent_mm, other.equivalent_mm
        if mine and its and abs(mine - its) > max(EQUIVALENT_STEP_MM, SAME_LENS_SHARE * mine):
            return f"{mine:g} mm (35 mm equivalent)", f"{its:g} mm (35 mm equivalent)"
        return None


@dataclass(frozen=True, eq=False)
class Photo:
    """One photograph, upright.

    gray : (height, width) uint8; equivalent_mm : EXIF 35 mm-equivalent focal length or None;
    crop : "whole", "middle" (a screen shape cut from the sensor's middle), "screen" (such a shape without a word
    of its camera: a screenshot, say, with the photo anywhere in it) or "part" (the shape or the metadata say that
    it is some other part of what the camera took);
    orientation : EXIF orientation 1 to 8 by which the sensor's picture was turned upright; None: not named;
    halved_from : (width, height) [px] of the picture in the file, where it was read at half size.
    """

    path: Path
    gray: NDArray[np.uint8]
    equivalent_mm: float | None
    focal_mm: float | None
    crop: str
    device: str
    date: str
    orientation: int | None = None
    halved_from: tuple[int, int] | None = None

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
        return notes


def read_photo(path: str | os.PathLike[str]) -> Photo:
    """Read a photo as upright grey pixels with its camera facts.

    Raises
    ------
    PhotoError
        The file is missing, empty, not an image, truncated, too small, too large, or a panorama.
    """
    import cv2

    path = Path(path)
    data = _file_bytes(path)
    with _opened(path, data) as image:
        full = image.size
        halved = _halved(path, image)
        exif = _exif(path, data, image)
        _refuse_panorama(path, data, exif)
        gray = None
        if image.format in _JPEG:
            kind = cv2.IMREAD_REDUCED_GRAYSCALE_2 if halved else cv2.IMREAD_GRAYSCALE
            gray, damage = decode_gray(data, kind | cv2.IMREAD_IGNORE_ORIENTATION)
            if damage:
                raise _unreadable(path, f"it is damaged or cut off ({damage})")
            if gray is not None:
                _refuse_steps(path, gray, image, 4 if halved else 8)
        if gray is None or image.mode == "CMYK":
            gray = _gray_by_pillow(path, image)
    torn = torn_row(gray)
    if torn is not None:
        row, shift = torn
        raise _unreadable(path, f"it is damaged: from row {row} on it is shifted sideways by some {abs(shift)} px")
    turned = _orientation(exif.get(_TAG_ORIENTATION)) or 1
    return Photo(
        path=path,
        gray=_upright(np.asarray(gray), turned),
        equivalent_mm=_positive(exif.get(_TAG_FOCAL35)),
        focal_mm=_positive(exif.get(_TAG_FOCAL)),
        crop=_crop(exif, full),
        device=" ".join(str(exif[tag]).strip("\0 ") for tag in (_TAG_MAKE, _TAG_MODEL) if exif.get(tag)),
        date=str(exif.get(_TAG_DATE, "")),
        orientation=_orientation(exif.get(_SENSOR_ORIENTATION, exif.get(_TAG_ORIENTATION))),
        halved_from=(full if turned < 5 else full[::-1]) if halved else None,
    )


def _refuse_steps(path: Path, gray: NDArray[np.uint8], image: Any, block_px: int) -> None:
    """Refuse a JPEG whose brightness steps along a row of blocks: some of its data were lost or changed."""
    table = next(iter(image.quantization.values()), [8])
    # The first coefficient is 8 times the mean of a block; source: ITU-T T.81 (1992), A.3.3 and A.3.4.
    step = step_row(gray, table[0] / 8, block_px)
    if step is not None:
        row, grey = step
        way = "brighter" if grey > 0 else "darker"
        raise _unreadable(path, f"it is damaged: from row {row} on all is {way} at once, by {abs(grey)} of 255")


def read_colour(path: str | os.PathLike[str]) -> NDArray[np.uint8]:
    """(height, width, 3) uint8 RGB pixels of a photo, upright; size and errors as in `read_photo`."""
    path = Path(path)
    data = _file_bytes(path)
    with _opened(path, data) as image:
        _halved(path, image)
        exif = _exif(path, data, image)
        try:
            pixels = np.asarray(image if image.mode == "RGB" else image.convert("RGB"))
        except Exception as error:  # decoders raise many kinds on damaged files
            raise _unreadable(path, f"it is damaged or cut off ({error})") from None
    return _upright(pixels, _orientation(exif.get(_TAG_ORIENTATION)) or 1)


def _file_bytes(path: Path) -> bytes:
    if path.is_dir():
        raise PhotoError(f"{path} is a folder; a photo was expected.", "Name the photo files themselves.")
    try:
        data = path.read_bytes()
    except FileNotFoundError:
        raise PhotoError(f"There is no file {path}.", "Check the name and the folder.") from None
    except OSError as error:
        raise PhotoError(f"{path} cannot be read: {error.strerror}.", "Check the file's permissions.") from None
    if not data:
        raise PhotoError(f"{path} is empty (0 bytes).", "Copy the photo from the phone again.")
    return data


@contextlib.contextmanager
def _opened(path: Path, data: bytes) -> Any:
    import io

    from PIL import Image

    Image.MAX_IMAGE_PIXELS = None  # our own limit, checked from the header before anything is decoded
    if data[4:8] == b"ftyp":
        import pillow_heif

        pillow_heif.register_heif_opener()
    try:
        image = _jpeg(data) if data.startswith(b"\xff\xd8\xff") else Image.open(io.BytesIO(data))
    except Exception:  # decoders raise many kinds on damaged files, EOFError and RuntimeError among them
        raise _unreadable(path, "its contents are no image that can be read here") from None
    try:
        yield image
    finally:
        image.close()


def _refuse_panorama(path: Path, data: bytes, exif: dict[int, Any]) -> None:
    if exif.get(_TAG_RENDERED) == _PANORAMA or _PANORAMA_XMP in data[:_XMP_WITHIN]:
        raise PhotoError(
            f"{path} is a panorama: joined from views in many directions, it has no single perspective.",
            "Take an ordinary photo that shows the whole sheet and its reflection; step back if need be.",
        )


def _jpeg(data: bytes) -> Image:
    """What `Image.open` gives for JPEG data, without the other formats' modules, which it would load first."""
    import io

    from PIL.JpegImagePlugin import jpeg_factory

    return jpeg_factory(io.BytesIO(data))


def _unreadable(path: Path, reason: str) -> PhotoError:
    return PhotoError(
        f"{path} cannot be read as a photo: {reason}.",
        "Send the original file from the phone (JPEG, HEIC or PNG), not a link or a partial download.",
    )


def _halved(path: Path, image: Image) -> bool:
    """Refuse sizes that cannot be read; whether the image, by its size, is read at half size: it is set to be."""
    size = image.size
    megapixels = size[0] * size[1] / 1e6
    most = MAX_JPEG_MEGAPIXELS if image.format in _JPEG else MAX_MEGAPIXELS
    if megapixels > most:
        raise PhotoError(
            f"{path} has {megapixels:.0f} megapixels; at most {most} are read"
            + ("." if most == MAX_JPEG_MEGAPIXELS else f", or {MAX_JPEG_MEGAPIXELS} of a JPEG."),
            "Use the phone's ordinary resolution (12 megapixels are plenty).",
        )
    if min(size) < MIN_SIDE_PX:
        raise PhotoError(
            f"{path} is only {size[0]} x {size[1]} pixels; at least {MIN_SIDE_PX} on each side are needed.",
            "Send the photo itself rather than its preview.",
        )
    if megapixels <= MAX_MEGAPIXELS:
        return False
    image.draft(None, (size[0] // 2, size[1] // 2))
    return True


def _gray_by_pillow(path: Path, image: Image) -> NDArray[np.uint8]:
    try:
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
    except Exception as error:  # decoders raise many kinds on damaged files
        raise _unreadable(path, f"it is damaged or cut off ({error})") from None


def _decode(path: Path, data: bytes, image: Image) -> None:
    """Decode the pixels; what fails is refused at once: a second try would give half a picture as a whole one."""
    import io

    from PIL import Image as pil

    try:
        if image.format == "PNG":  # decoding asks for no check sums
            pil.open(io.BytesIO(data)).verify()
        image.load()
    except Exception as error:  # decoders raise many kinds on damaged files
        raise _unreadable(path, f"it is damaged or cut off ({error})") from None


def _exif(path: Path, data: bytes, image: Image) -> dict[int, Any]:
    """The few facts we use, from both EXIF directories; {} when the metadata is damaged.

    Raises
    ------
    PhotoError
        The pixels are damaged, where Pillow decodes them before it gives the metadata (PNG) or keeps them
        upright without a word (TIFF).
    """
    turned = image.info.get("original_orientation")  # pillow_heif's word for it
    if image.format == "TIFF":
        with contextlib.suppress(Exception):  # as below
            turned = image.getexif().get(_TAG_ORIENTATION)
    if image.format in ("PNG", "TIFF"):
        _decode(path, data, image)
    try:
        exif = image.getexif()
        facts: dict[int, Any] = {
            tag: exif.get(tag) for tag in (_TAG_ORIENTATION, _TAG_MAKE, _TAG_MODEL) if exif.get(tag)
        }
        inner = exif.get_ifd(_TAG_EXIF)
        tags = (_TAG_DATE, _TAG_FOCAL, _TAG_FOCAL35, _TAG_ZOOM, _TAG_WIDTH, _TAG_HEIGHT, _TAG_RENDERED)
        facts.update({tag: inner[tag] for tag in tags if tag in inner})
        if turned is not None:
            facts[_SENSOR_ORIENTATION] = turned
    except Exception:  # damaged metadata comes in many kinds; the pixels are still good
        return {}
    if getattr(image, "format", "") == "HEIF":
        facts[_TAG_ORIENTATION] = 1  # the HEIF reader turns the pixels itself
    return facts


def _orientation(value: Any) -> int | None:
    """An EXIF orientation, or None where there is none or it is none of the eight."""
    try:
        return int(value) if 1 <= int(value) <= 8 else None
    except (TypeError, ValueError, OverflowError):
        return None


def orientation_matrix(orientation: int) -> NDArray[np.float64]:
    """(2, 2) turns directions in the sensor's picture into those in the upright photo (x right, y down).

    Source: CIPA DC-008 (EXIF), tag 274; a signed permutation, its determinant negative for mirrored pictures.
    """
    matrix = np.eye(2)
    if orientation in (5, 6, 7, 8):
        matrix = matrix[::-1]
    signs = [-1.0 if orientation in (2, 3, 6, 7) else 1.0, -1.0 if orientation in (3, 4, 7, 8) else 1.0]
    return np.asarray(np.diag(signs) @ matrix)


def _positive(value: Any) -> float | None:
    try:
        number = float(value)
    except (TypeError, ValueError, ZeroDivisionError):
        return None
    return number if np.isfinite(number) and number > 0 else None


def _crop(exif: dict[int, Any], size: tuple[int, int]) -> str:
    """Whether the photo is whole, or what part of what the camera took it seems to be."""
    shape = max(size) / min(size)
    nameless = not any(exif.get(tag) for tag in (_TAG_MAKE, _TAG_MODEL, _TAG_FOCAL, _TAG_FOCAL35))
    width, height = (_positive(exif.get(tag)) for tag in (_TAG_WIDTH, _TAG_HEIGHT))
    if width and height and abs(max(width, height) / min(width, height) / shape - 1) > SAME_SHAPE:
        return "part"
    if any(abs(shape / known - 1) < SAME_SHAPE for known in SENSOR_SHAPES):
        return "whole"
    if any(abs(shape / known - 1) < SAME_SHAPE for known in SCREEN_SHAPES):
        return "screen" if nameless else "middle"
    return "part"


def _upright(pixels: NDArray[np.uint8], orientation: int) -> NDArray[np.uint8]:
    """Pixels turned and flipped as EXIF orientation 1 to 8 says (CIPA DC-008, tag 274)."""
    if orientation in (5, 6, 7, 8):
        pixels = np.swapaxes(pixels, 0, 1)
    if orientation in (2, 3, 6, 7):
        pixels = pixels[:, ::-1]
    if orientation in (3, 4, 7, 8):
        pixels = pixels[::-1]
    return np.ascontiguousarray(pixels)

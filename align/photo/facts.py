"""What a photo's file says of its camera: orientation, focal lengths, device, date, and what part of a whole it is.

Location, serial numbers and names in the metadata are never read.
"""

from __future__ import annotations

import contextlib
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from numpy.typing import NDArray

from . import thresholds

if TYPE_CHECKING:
    from PIL.ImageFile import ImageFile

#: What part of what the camera took a photo seems to be; see `Photo`.
Crop = Literal["whole", "middle", "screen", "part"]

# Tags of CIPA DC-008 (EXIF).
TAG_ORIENTATION, TAG_EXIF, TAG_FOCAL, TAG_FOCAL35, TAG_ZOOM = 0x0112, 0x8769, 0x920A, 0xA405, 0xA404
_TAG_MAKE, _TAG_MODEL, _TAG_DATE = 0x010F, 0x0110, 0x9003
_TAG_WIDTH, _TAG_HEIGHT = 0xA002, 0xA003
_TAG_RENDERED, _PANORAMA = (
    0xA401,
    6,
)  # CustomRendered; that phones write 6 for panoramas: common practice, no source
#: The XMP property that tells a panorama's projection, as attribute or element; it stands among the first bytes.
_PROJECTION, _XMP_WITHIN = re.compile(rb":ProjectionType\s*(?:=\s*[\"']|>)\s*(\w*)"), 400_000
_NO_PANORAMA = (b"perspective", b"rectilinear")


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
        if mine and its and abs(mine / its - 1) > thresholds.SAME_LENS_SHARE:
            return f"{mine:g} mm", f"{its:g} mm"
        mine, its = self.equivalent_mm, other.equivalent_mm
        step = thresholds.EQUIVALENT_STEP_MM
        if mine and its and abs(mine - its) > max(step, thresholds.SAME_LENS_SHARE * mine):
            return f"{mine:g} mm (35 mm equivalent)", f"{its:g} mm (35 mm equivalent)"
        return None


@dataclass(frozen=True)
class Facts:
    """What is used of a file's metadata.

    turn : EXIF orientation, 1 to 8, by which decoded pixels are turned upright; orientation : the one by which
    the sensor's picture was, by us or by its decoder, None: not named; not_believed : focal lengths [mm] that no
    lens has.
    """

    turn: int = 1
    orientation: int | None = None
    lens: Lens = Lens()
    crop: Crop = "whole"
    device: str = ""
    date: str = ""
    panorama: bool = False
    not_believed: tuple[float, ...] = ()


def facts_of(image: ImageFile, data: bytes, size: tuple[int, int]) -> Facts:
    """The facts that an opened image and its file tell; damaged metadata tell none, for the pixels are still good.

    size : the picture's in the file [px], whatever size it is read at
    """
    exif, turned = _exif(image)
    turn = (
        1 if image.format == "HEIF" else _orientation(exif.get(TAG_ORIENTATION)) or 1
    )  # that decoder turns pixels
    focal, equivalent = _positive(exif.get(TAG_FOCAL)), _positive(exif.get(TAG_FOCAL35))
    believed = _within(focal, thresholds.FOCAL_MM), _within(equivalent, thresholds.EQUIVALENT_MM)
    projection = _PROJECTION.search(data, 0, _XMP_WITHIN)
    return Facts(
        turn=turn,
        orientation=_orientation(turned if turned is not None else exif.get(TAG_ORIENTATION)),
        lens=Lens(*believed),
        crop=_crop(exif, size),
        device=" ".join(str(exif[tag]).strip("\0 ") for tag in (_TAG_MAKE, _TAG_MODEL) if exif.get(tag)),
        date=str(exif.get(_TAG_DATE, "")),
        panorama=exif.get(_TAG_RENDERED) == _PANORAMA
        or (projection is not None and projection[1].lower() not in _NO_PANORAMA),
        not_believed=tuple(
            told
            for told, kept in zip((focal, equivalent), believed, strict=True)
            if told is not None and kept is None
        ),
    )


def _exif(image: ImageFile) -> tuple[dict[int, Any], Any]:
    """(the few facts we use, from both EXIF directories; the orientation that the decoder has applied, or None)."""
    facts: dict[int, Any] = {}
    turned = image.info.get("original_orientation")  # pillow_heif's word for it
    with contextlib.suppress(Exception):  # damaged metadata comes in many kinds
        exif = image.getexif()
        outer = {tag: exif.get(tag) for tag in (TAG_ORIENTATION, _TAG_MAKE, _TAG_MODEL) if exif.get(tag)}
        inner = exif.get_ifd(TAG_EXIF)
        tags = (_TAG_DATE, TAG_FOCAL, TAG_FOCAL35, TAG_ZOOM, _TAG_WIDTH, _TAG_HEIGHT, _TAG_RENDERED)
        facts = outer | {tag: inner[tag] for tag in tags if tag in inner}
    return facts, turned


def date_in_words(date: str) -> str:
    """EXIF's date, "2026:07:14 10:32:05", as "2026-07-14 10:32:05"; "" where it is none."""
    day, _, clock = date.strip("\0 ").partition(" ")
    return f"{day.replace(':', '-')} {clock}".strip() if day[:4].isdigit() else ""


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


def upright(pixels: NDArray[np.uint8], orientation: int) -> NDArray[np.uint8]:
    """Pixels turned and flipped as EXIF orientation 1 to 8 says (CIPA DC-008, tag 274)."""
    if orientation in (5, 6, 7, 8):
        pixels = np.swapaxes(pixels, 0, 1)
    if orientation in (2, 3, 6, 7):
        pixels = pixels[:, ::-1]
    if orientation in (3, 4, 7, 8):
        pixels = pixels[::-1]
    return np.ascontiguousarray(pixels)


def _positive(value: Any) -> float | None:
    try:
        number = float(value)
    except (TypeError, ValueError, ZeroDivisionError):
        return None
    return number if np.isfinite(number) and number > 0 else None


def _within(value: float | None, bounds: tuple[float, float]) -> float | None:
    return value if value is not None and bounds[0] <= value <= bounds[1] else None


def _crop(exif: dict[int, Any], size: tuple[int, int]) -> Crop:
    """Whether the photo is whole, or what part of what the camera took it seems to be."""
    shape = max(size) / min(size)
    nameless = not any(exif.get(tag) for tag in (_TAG_MAKE, _TAG_MODEL, TAG_FOCAL, TAG_FOCAL35))
    width, height = (_positive(exif.get(tag)) for tag in (_TAG_WIDTH, _TAG_HEIGHT))
    same = thresholds.SAME_SHAPE
    if width and height and abs(max(width, height) / min(width, height) / shape - 1) > same:
        return "part"
    if any(abs(shape / known - 1) < same for known in thresholds.SENSOR_SHAPES):
        return "whole"
    if any(abs(shape / known - 1) < same for known in thresholds.SCREEN_SHAPES):
        return "screen" if nameless else "middle"
    return "part"

"""Drawing on a photo: lines and text that stay legible on any ground, sized for a phone's screen.

Sizes are shares of the picture's width. A phone shows a picture about 70 mm wide, so that 1/28 of the
width is 2.5 mm there: the smallest text.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from ..errors import AlignError
from ..whole_file import write_whole
from .palette import BLACK, DARK, WHITE, Colour
from .thresholds import FAR_OUT

if TYPE_CHECKING:
    from PIL.ImageFont import FreeTypeFont, ImageFont

Array = NDArray[np.float64]
Pixels = NDArray[np.uint8]

#: From line to line of text, in text sizes.
LINE_HEIGHT = 1.3
LINE_SHARE = 1 / 320
HALO_SHARE = 1 / 500
#: cv2 takes places in 1/2**SHIFT px.
SHIFT = 4
BOX_OPACITY = 0.78


@dataclass(frozen=True)
class Words:
    """A line of text: where its top left lies [px], how large [px], and how."""

    text: str
    left: float
    top: float
    size_px: int
    colour: Colour = WHITE
    bold: bool = False


class Canvas:
    """An RGB picture with lines drawn at once and text drawn at the end, in one go."""

    def __init__(self, pixels: Pixels) -> None:
        self.pixels = np.ascontiguousarray(pixels)
        self._words: list[Words] = []

    @property
    def width(self) -> int:
        """Width [px]."""
        return int(self.pixels.shape[1])

    @property
    def height(self) -> int:
        """Height [px]."""
        return int(self.pixels.shape[0])

    @property
    def line_px(self) -> int:
        """Width of an ordinary line [px]."""
        return max(2, round(self.width * LINE_SHARE))

    def polyline(
        self,
        points: Array,
        colour: Colour,
        *,
        closed: bool = False,
        dashed: bool = False,
        weight: float = 1.0,
    ) -> None:
        """A line through (n, 2) points [px] with a dark halo; dashes keep their length along it."""
        usable = self._usable(points)
        if len(usable) < 2:
            return
        if closed:
            usable = np.concatenate([usable, usable[:1]])
        pieces = dashes(usable, self.line_px * 7.0, self.line_px * 5.0) if dashed else [usable]
        thick = max(1, round(self.line_px * weight))
        halo = max(1, round(self.width * HALO_SHARE))
        for colour_now, width in ((BLACK, thick + 2 * halo), (colour, thick)):
            self._lines(pieces, colour_now, width)

    def polygon(self, points: Array, colour: Colour, opacity: float) -> None:
        """A filled polygon that lets the photo show through."""
        import cv2

        usable = self._usable(points)
        if len(usable) < 3:
            return
        low = np.clip(np.floor(usable.min(axis=0)).astype(int), 0, [self.width, self.height])
        high = np.clip(np.ceil(usable.max(axis=0)).astype(int) + 1, 0, [self.width, self.height])
        region = self.pixels[low[1] : high[1], low[0] : high[0]]
        if region.size == 0:
            return
        filled = region.copy()
        fixed = np.round((usable - low) * 2**SHIFT).astype(np.int32)
        cv2.fillPoly(filled, [fixed], colour, cv2.LINE_AA, SHIFT)
        region[:] = cv2.addWeighted(filled, opacity, region, 1 - opacity, 0)

    def box(self, left: float, top: float, right: float, bottom: float) -> None:
        """A dark box to write on."""
        corners = np.array([[left, top], [right, top], [right, bottom], [left, bottom]])
        self.polygon(corners, DARK, BOX_OPACITY)

    def write(self, words: Words) -> None:
        """Remember a line of text; `finished` draws it."""
        self._words.append(words)

    def finished(self) -> Pixels:
        """(height, width, 3) RGB with all text."""
        from PIL import Image, ImageDraw

        image = Image.fromarray(self.pixels)
        draw = ImageDraw.Draw(image)
        for words in self._words:
            halo = max(1, words.size_px // 14)
            draw.text(
                (words.left, words.top),
                words.text,
                fill=words.colour,
                font=font(words.size_px, words.bold),
                stroke_width=halo,
                stroke_fill=BLACK,
            )
        return np.asarray(image)

    def _usable(self, points: Array) -> Array:
        """Points that are finite and not absurdly far outside."""
        points = np.asarray(points, float).reshape(-1, 2)
        limit = FAR_OUT * max(self.width, self.height)
        with np.errstate(invalid="ignore"):
            return points[np.isfinite(points).all(axis=1) & (np.abs(points) < limit).all(axis=1)]

    def _lines(self, pieces: Sequence[Array], colour: Colour, width: int) -> None:
        import cv2

        fixed = [np.round(piece * 2**SHIFT).astype(np.int32).reshape(-1, 1, 2) for piece in pieces]
        cv2.polylines(self.pixels, fixed, False, colour, width, cv2.LINE_AA, SHIFT)


def dashes(points: Array, dash: float, gap: float) -> list[Array]:
    """Pieces of a polyline: `dash` long, `gap` apart [px], measured along it."""
    steps = np.linalg.norm(np.diff(points, axis=0), axis=1)
    along = np.concatenate([[0.0], np.cumsum(steps)])
    pieces: list[Array] = []
    for start in np.arange(0.0, along[-1], dash + gap):
        stop = min(start + dash, along[-1])
        if stop - start < dash / 3 and pieces:
            break
        within = along[(along > start) & (along < stop)]
        places = np.concatenate([[start], within, [stop]])
        pieces.append(np.column_stack([np.interp(places, along, points[:, k]) for k in (0, 1)]))
    return pieces


@cache
def font(size_px: int, bold: bool = False) -> FreeTypeFont | ImageFont:
    """DejaVu Sans, which matplotlib brings along; matplotlib itself is not imported, as that takes long."""
    import importlib.util

    from PIL import ImageFont as image_font

    spec = importlib.util.find_spec("matplotlib")
    name = "DejaVuSans-Bold.ttf" if bold else "DejaVuSans.ttf"
    for folder in spec.submodule_search_locations or [] if spec is not None else []:
        file = Path(folder) / "mpl-data" / "fonts" / "ttf" / name
        if file.is_file():
            return image_font.truetype(str(file), size_px)
    return image_font.load_default(size_px)


def text_width(text: str, size_px: int, bold: bool = False) -> float:
    """Width of a line of text [px]."""
    return float(font(size_px, bold).getlength(text))


def wrapped(text: str, size_px: int, width_px: float, bold: bool = False) -> list[str]:
    """Text broken between words into lines of at most `width_px`."""
    lines: list[str] = []
    for word in text.split(" "):
        longer = f"{lines[-1]} {word}" if lines else word
        if lines and text_width(longer, size_px, bold) <= width_px:
            lines[-1] = longer
        elif lines and not lines[-1]:
            lines[-1] = word
        else:
            lines.append(word)
    return lines


def save_pixels(pixels: Pixels, path: Path) -> Path:
    """Write a picture, (h, w, 3) RGB, as a PNG or JPEG file without metadata, whole or not at all; its path.

    Raises
    ------
    AlignError
        The picture cannot be written.
    """
    import cv2

    suffix = path.suffix.lower()
    fast = [cv2.IMWRITE_PNG_COMPRESSION, 1] if suffix == ".png" else [cv2.IMWRITE_JPEG_QUALITY, 90]
    done, data = cv2.imencode(suffix, cv2.cvtColor(pixels, cv2.COLOR_RGB2BGR), fast)
    if not done:
        raise AlignError(f"The picture {path} could not be encoded.", "Name a file that ends in .png or .jpg.")
    write_whole(path, data.tobytes(), to_disk=False)
    return path

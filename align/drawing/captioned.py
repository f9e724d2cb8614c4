"""Pictures that stand alone: a strip above names scene, date and answer; before and after side by side."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ..errors import PhotoError
from .canvas import Canvas, Words, wrapped
from .palette import DARK, WHITE

Pixels = NDArray[np.uint8]

#: Text height as a share of the picture's width; the gap between two pictures likewise.
TEXT_SHARE, GAP_SHARE = 1 / 32, 1 / 100
LINE_HEIGHT = 1.35


def with_caption(picture: Pixels, caption: str, *, text_px: int | None = None) -> Pixels:
    """A picture below a strip of words.

    Parameters
    ----------
    picture : (height, width, 3) RGB; caption : lines separated by newlines, the first in bold
    text_px : height of the text; a share of the width where not given
    """
    width = picture.shape[1]
    size = text_px or max(10, round(width * TEXT_SHARE))
    pad = size // 2
    lines: list[tuple[str, bool]] = []
    for number, line in enumerate(caption.split("\n")):
        lines += [(piece, number == 0) for piece in wrapped(line, size, width - 2 * pad, number == 0)]
    height = round(len(lines) * size * LINE_HEIGHT) + 2 * pad
    canvas = Canvas(np.full((height, width, 3), DARK, np.uint8))
    for row, (text, bold) in enumerate(lines):
        canvas.write(Words(text, pad, pad + row * size * LINE_HEIGHT, size, WHITE, bold))
    return np.concatenate([canvas.finished(), picture])


def decoded(data: bytes) -> Pixels:
    """(height, width, 3) RGB of a picture of ours.

    Raises
    ------
    PhotoError : it is damaged.
    """
    import cv2

    ours = data.startswith((b"\x89PNG\r\n\x1a\n", b"\xff\xd8\xff"))  # no other kind is handed to a decoder
    pixels = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR) if ours else None
    if pixels is None:
        raise PhotoError("A picture of the record is damaged.", "Run the check again with --into.")
    return np.asarray(cv2.cvtColor(pixels, cv2.COLOR_BGR2RGB), np.uint8)


def as_png(pixels: Pixels) -> bytes:
    """A PNG without any metadata, packed fast rather than small."""
    import cv2

    done, data = cv2.imencode(".png", cv2.cvtColor(pixels, cv2.COLOR_RGB2BGR), [cv2.IMWRITE_PNG_COMPRESSION, 1])
    assert done, "cv2 encodes any 8-bit RGB picture"
    return bytes(data)


def as_jpeg(pixels: Pixels, longest_px: int, quality: int) -> bytes:
    """A JPEG without any metadata, reduced to `longest_px` on its longer side."""
    import cv2

    height, width = pixels.shape[:2]
    scale = min(1.0, longest_px / max(height, width))
    if scale < 1:
        size = (max(1, round(width * scale)), max(1, round(height * scale)))
        pixels = np.asarray(cv2.resize(pixels, size, interpolation=cv2.INTER_AREA), np.uint8)
    done, data = cv2.imencode(".jpg", cv2.cvtColor(pixels, cv2.COLOR_RGB2BGR), [cv2.IMWRITE_JPEG_QUALITY, quality])
    assert done, "cv2 encodes any 8-bit RGB picture"
    return bytes(data)

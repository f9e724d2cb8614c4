"""The answer of `align glass` drawn: each lamp magnified, its ghosts marked, and the light along their line."""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from ..drawing.canvas import Canvas, Words, save_pixels
from ..drawing.captioned import with_caption
from ..drawing.palette import DARK, ORANGE, SKY_BLUE, WHITE
from ..drawing.wording import with_uncertainty
from ..photo.read import colour_of, read_colour
from .result import GlassResult, LampSeen

Array = NDArray[np.float64]
Pixels = NDArray[np.uint8]

#: Side of a magnified lamp in the picture, and of its part of the photo [px].
SIDE_PX, SHOWN_PX = 640, 80
TEXT_PX = 28
#: The profile is drawn up to this light: ghosts are some 4 % of a lamp that is far brighter.
PROFILE_TOP = 1.1


def save_glass_picture(result: GlassResult, path: str | os.PathLike[str]) -> Path:
    """Draw the answer into a PNG or JPEG file without metadata.

    Raises
    ------
    AlignError
        The picture cannot be written.
    """
    return save_pixels(draw_glass(result), Path(path))


def draw_glass(result: GlassResult) -> Pixels:
    """(height, width, 3) RGB: a row for each lamp, the magnified photo and the profile side by side."""
    sources = {str(source.path): source for source in result.sources}
    rows = []
    for name in dict.fromkeys(lamp.photo for lamp in result.lamps):  # the pixels of one photo at a time
        pixels = colour_of(sources[name]) if name in sources else read_colour(name)
        for number, lamp in enumerate(result.lamps):
            if lamp.photo == name:
                rows.append((number, np.concatenate([_magnified(lamp, pixels), _profile(lamp)], axis=1)))
    rows_in_order = [row for _, row in sorted(rows, key=lambda numbered: numbered[0])]
    picture = np.concatenate(rows_in_order) if rows else np.full((SIDE_PX // 8, 2 * SIDE_PX, 3), DARK, np.uint8)
    return with_caption(picture, _caption(result))


def _caption(result: GlassResult) -> str:
    glass = result.glass
    words = "cannot tell yet" if glass.verdict == "undetermined" else glass.verdict
    if glass.verdict == "back-silvered" and glass.thickness_mm is not None:
        words += f", {with_uncertainty(glass.thickness_mm, 'mm', 2)}"
    return f"Glass: {words}\n{result.reason}\nLeft: the lamp's reflection, magnified. Right: light along the line."


def _magnified(lamp: LampSeen, photo: Pixels) -> Pixels:
    """The lamp's part of the photo with main image and ghosts marked."""
    import cv2

    left, top = (round(value) - SHOWN_PX // 2 for value in lamp.position_px)
    part = photo[max(top, 0) : top + SHOWN_PX, max(left, 0) : left + SHOWN_PX]
    scale = SIDE_PX / SHOWN_PX
    canvas = Canvas(np.asarray(cv2.resize(part, (SIDE_PX, SIDE_PX), interpolation=cv2.INTER_NEAREST), np.uint8))
    marks = [(lamp.position_px, "main", WHITE)]
    for ghost in lamp.ghosts:
        marks.append((ghost.position_px, f"{ghost.order}: {100 * ghost.ratio.value:.1f} %", ORANGE))
    for place, words, colour in marks:
        x, y = (np.array(place) - [max(left, 0), max(top, 0)] + 0.5) * scale - 0.5
        canvas.polyline(np.array([[x - 14, y], [x + 14, y]]), colour)
        canvas.polyline(np.array([[x, y - 14], [x, y + 14]]), colour)
        # Beside the spot, level with its mark: ghosts lie one above the other as often as not.
        canvas.write(Words(words, min(x + 110, SIDE_PX - 150), y - TEXT_PX / 2, TEXT_PX, colour))
    return canvas.finished()


def _profile(lamp: LampSeen) -> Pixels:
    """Light as seen and as fitted, against the distance from the main image."""
    canvas = Canvas(np.full((SIDE_PX, SIDE_PX, 3), DARK, np.uint8))
    along = np.array(lamp.profile.along_px)
    x = np.interp(along, (along.min(), along.max()), (40, SIDE_PX - 40))
    bottom, high = SIDE_PX - 70, SIDE_PX - 150

    def heights(light: tuple[float, ...]) -> Array:
        return bottom - high * np.clip(np.array(light) / PROFILE_TOP, 0.0, 1.0)

    canvas.polyline(np.array([[40, bottom], [SIDE_PX - 40, bottom]]), WHITE)
    canvas.polyline(np.column_stack([x, heights(lamp.profile.fitted)]), ORANGE, weight=0.8)
    canvas.polyline(np.column_stack([x, heights(lamp.profile.seen)]), SKY_BLUE, weight=0.8)
    canvas.write(Words("seen", 40, 14, TEXT_PX, SKY_BLUE))
    canvas.write(Words("fitted", 140, 14, TEXT_PX, ORANGE))
    canvas.write(Words(f"{along.min():.0f} px", 40, bottom + 16, TEXT_PX))
    canvas.write(Words(f"+{along.max():.0f} px", SIDE_PX - 150, bottom + 16, TEXT_PX))
    return canvas.finished()

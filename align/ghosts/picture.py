"""The answer of `align glass` drawn: each lamp magnified, its ghosts marked, and the light along their line."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from ..drawing.canvas import Canvas, Words, save_pixels, text_width
from ..drawing.captioned import with_caption
from ..drawing.palette import DARK, ORANGE, SKY_BLUE, WHITE
from ..drawing.wording import number_text, with_uncertainty
from ..photo.read import colour_of, read_colour
from .result import GlassResult, LampSeen

Array = NDArray[np.float64]
Pixels = NDArray[np.uint8]

#: Side of a magnified lamp in the picture, and of the smallest and largest part of the photo that is shown [px].
SIDE_PX, SHOWN_PX, MOST_SHOWN_PX = 640, 60, 240
TEXT_PX = 26
#: The profile is drawn up to this light: ghosts are some 4 % of a lamp that is far brighter.
PROFILE_TOP = 1.1
NAMES = {0: "front face", 2: "extra trip", 3: "second extra trip"}
#: Ghosts fainter than this share of the main image are not marked.
LEAST_MARKED = 0.01


def save_glass_picture(result: GlassResult, path: str | os.PathLike[str]) -> Path:
    """Draw the answer into a PNG or JPEG file without metadata.

    Raises
    ------
    AlignError
        The picture cannot be written.
    """
    return save_pixels(draw_glass(result), Path(path))


def draw_glass(result: GlassResult) -> Pixels:
    """(height, width, 3) RGB: a row for each lamp, the magnified photo and the profile side by side.

    Several mirrors stand under one another, each under its own words. Without a lamp there is nothing but words.
    """
    answers = (result, *result.other_mirrors)
    sources = {str(source.path): source for source in result.sources}
    rows: dict[tuple[int, int], Pixels] = {}
    seen = [
        (which, number, lamp) for which, answer in enumerate(answers) for number, lamp in enumerate(answer.lamps)
    ]
    for name in dict.fromkeys(lamp.photo for _, _, lamp in seen):  # the pixels of one photo at a time
        pixels = colour_of(sources[name]) if name in sources else read_colour(name)
        for which, number, lamp in seen:
            if lamp.photo == name:
                rows[which, number] = np.concatenate([_magnified(number + 1, lamp, pixels), _profile(lamp)], axis=1)
    parts = []
    for which, answer in enumerate(answers):
        own = [rows[which, number] for number in range(len(answer.lamps))]
        picture = np.concatenate(own) if own else np.full((8, 2 * SIDE_PX, 3), DARK, np.uint8)
        name = f"Mirror {which + 1} from the left: " if len(answers) > 1 else "Glass: "
        parts.append(with_caption(picture, name + _caption(answer)))
    return np.concatenate(parts)


def _caption(result: GlassResult) -> str:
    glass = result.glass
    words = "cannot tell yet" if glass.verdict == "undetermined" else glass.verdict
    if glass.verdict == "back-silvered" and glass.thickness_mm is not None:
        words += f", {with_uncertainty(glass.thickness_mm, 'mm', 2)}"
    words += f"\n{result.reason}"
    if result.lamps:
        words += "\nLeft: each lamp's reflection, magnified. Right: the light along the line of its ghosts."
    return words


def _magnified(number: int, lamp: LampSeen, photo: Pixels) -> Pixels:
    """The lamp's part of the photo with main image and ghosts marked, under the lamp's number in the answer."""
    import cv2

    marked = [ghost for ghost in lamp.ghosts if ghost.ratio.value >= LEAST_MARKED]
    reach = max((np.hypot(*np.subtract(ghost.position_px, lamp.position_px)) for ghost in marked), default=0.0)
    shown = int(np.clip(4 * reach, SHOWN_PX, MOST_SHOWN_PX))
    corner = np.array([round(value) - shown // 2 for value in lamp.position_px])
    padded = cv2.copyMakeBorder(photo, shown, shown, shown, shown, cv2.BORDER_REPLICATE)
    left, top = corner + shown
    part = padded[top : top + shown, left : left + shown]
    scale = SIDE_PX / shown
    canvas = Canvas(np.asarray(cv2.resize(part, (SIDE_PX, SIDE_PX), interpolation=cv2.INTER_NEAREST), np.uint8))
    marks = [(lamp.position_px, "main", WHITE)]
    for ghost in marked:
        marks.append(
            (ghost.position_px, f"{NAMES[ghost.order]}, {number_text(100 * ghost.ratio.value, 1)} %", ORANGE)
        )
    canvas.write(Words(f"Lamp {number}", 12, 10, TEXT_PX))
    places = [(np.array(place) - corner + 0.5) * scale - 0.5 for place, _, _ in marks]
    for (_, words, colour), (x, y), at in zip(marks, places, _levels(places), strict=True):
        canvas.polyline(np.array([[x - 14, y], [x + 14, y]]), colour)
        canvas.polyline(np.array([[x, y - 14], [x, y + 14]]), colour)
        width = text_width(words, TEXT_PX)
        beside = x + 40 if x + 40 + width < SIDE_PX - 8 else max(x - 40 - width, 8.0)
        canvas.polyline(
            np.array([[x + (18 if beside > x else -18), y], [beside + (-6 if beside > x else width + 6), at]]),
            colour,
        )
        canvas.write(Words(words, beside, at - TEXT_PX / 2, TEXT_PX, colour))
    return canvas.finished()


def _levels(places: Sequence[Array]) -> list[float]:
    """Heights at which the words of marks stand, none over another."""
    order = sorted(range(len(places)), key=lambda number: places[number][1])
    heights = [0.0] * len(places)
    last = -np.inf
    for number in order:
        last = max(float(places[number][1]), last + 1.5 * TEXT_PX)
        heights[number] = last
    return heights


def _profile(lamp: LampSeen) -> Pixels:
    """Light as seen and as fitted, against the distance from the main image."""
    canvas = Canvas(np.full((SIDE_PX, SIDE_PX, 3), DARK, np.uint8))
    along = np.array(lamp.profile.along_px)
    if len(along) < 2:
        return canvas.finished()
    left, right, bottom, high = 100, SIDE_PX - 30, SIDE_PX - 110, SIDE_PX - 220

    def across(place: Array | float) -> Array:
        return np.asarray(np.interp(place, (along.min(), along.max()), (left, right)))

    def heights(light: Sequence[float]) -> Array:
        return np.asarray(bottom - high * np.clip(np.array(light) / PROFILE_TOP, 0.0, 1.0))

    canvas.polyline(np.array([[left, bottom - high], [left, bottom], [right, bottom]], float), WHITE)
    for light, words in ((0.0, "0"), (0.5, "50 %"), (1.0, "100 %")):
        size = TEXT_PX - 4
        canvas.write(Words(words, left - 10 - text_width(words, size), float(heights([light])[0]) - size / 2, size))
    for place in (along.min(), 0.0, along.max()):
        words = f"{place:+.0f} px" if place else "0"
        half = text_width(words, TEXT_PX) / 2
        canvas.write(
            Words(words, float(np.clip(across(place), half + 4, SIDE_PX - half - 4)) - half, bottom + 12, TEXT_PX)
        )
    canvas.write(
        Words(
            "distance from the main image",
            (SIDE_PX - text_width("distance from the main image", TEXT_PX)) / 2,
            bottom + 54,
            TEXT_PX,
        )
    )
    canvas.write(Words("light, of the most that the photo can show", 20, 14, TEXT_PX))
    canvas.polyline(np.column_stack([across(along), heights(lamp.profile.fitted)]), ORANGE, weight=0.8)
    canvas.polyline(np.column_stack([across(along), heights(lamp.profile.seen)]), SKY_BLUE, weight=0.8)
    canvas.write(Words("seen", right - 190, 56, TEXT_PX, SKY_BLUE))
    canvas.write(Words("fitted", right - 90, 56, TEXT_PX, ORANGE))
    return canvas.finished()

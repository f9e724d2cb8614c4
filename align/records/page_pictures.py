"""The pictures of a record's page: inside the page as JPEG, with alternative text and caption."""

from __future__ import annotations

import base64
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from ..checking.wording import map_words, verdict_sentence
from ..drawing.wording import kept_together
from .mirror_part import CheckEntry, GlassEntry, MirrorPart
from .tables import entry_answer

if TYPE_CHECKING:
    from .standalone import BeforeAfter

Pixels = NDArray[np.uint8]

#: Sizes [px] of pictures in the page: one that is looked at, one among many.
LARGE_PX, SMALL_PX, QUALITY = 1600, 480, 80


@dataclass(frozen=True)
class Picture:
    """A picture in the page: its data URI, size [px], alternative text and caption."""

    uri: str
    width: int
    height: int
    alt: str
    caption: str


def picture_alt(item: CheckEntry | GlassEntry) -> str:
    """What a picture of an entry shows, for those who do not see it."""
    if isinstance(item, GlassEntry):
        return f"Photo of {item.day_in_words} of lamps in the mirror. Found: {entry_answer(item)}."
    return (
        f"Photo of {item.day_in_words}: the sheet on the floor before the mirror and its reflection, "
        f"outlined. {verdict_sentence(item.result)}"
    )


def large_picture(item: CheckEntry) -> Picture:
    """The first picture of a check."""
    words = f"Entry {item.number}, {item.day_in_words}: {entry_answer(item)}."
    return _preview(item, item.entry.photos[0].preview, LARGE_PX, picture_alt(item), words)


def gallery(part: MirrorPart, progress: Callable[[str], None] | None = None) -> list[Picture]:
    """A small picture of every photo of every entry."""
    found = []
    for item in part.entries:
        if progress:
            progress(f"entry {item.number} of {len(part.entries)}")
        for number, photo in enumerate(item.entry.photos, 1):
            which = f", photo {number}" if len(item.entry.photos) > 1 else ""
            words = f"{item.number}{which}: {item.day_in_words}, {entry_answer(item)}"
            found.append(_preview(item, photo.preview, SMALL_PX, picture_alt(item) + which, words))
    return [picture for picture in found if picture.uri]


def pair_in_page(part: MirrorPart, pair: BeforeAfter | None) -> Picture | None:
    """Before and after side by side."""
    if pair is None or part.before is None or part.now is None:
        return None
    how = {
        "target": "The earlier photo is laid over the later one by the sheet on the floor",
        "shift": "The earlier photo is laid over the later one by what the two photos share",
        "": "The two photos were taken from places too far apart to be laid over each other",
    }[pair.registered]
    first, last = (f"{i.day_in_words} (entry {i.number})" for i in (part.before, part.now))
    days = f"{first} and {last}"
    answers = f"Before: {entry_answer(part.before)}. After: {entry_answer(part.now)}."
    alt = f"Photos of {days} side by side. {answers}"
    return _picture(pair.path.read_bytes, LARGE_PX, alt, f"Before and after, {days}. {how}.")


def flatness_pictures(part: MirrorPart) -> list[Picture]:
    """The map of the mirror's flatness by the latest check that made one; [] where none did."""
    from ..checking.flatness_picture import draw_flatness

    for item in reversed(part.checks):
        flatness = item.result.mirrors[0].flatness
        if flatness is not None and flatness.map is not None:
            shown, units = flatness.map, item.result.settings.units
            words = map_words(shown, len(item.result.photos), units)
            alt = f"Map of the mirror's face, by colours how far it stands before its mean plane. {words}."
            caption = f"How flat it is: entry {item.number}, {item.day_in_words}."
            return [_embedded(draw_flatness(shown, units=units), LARGE_PX, alt, caption)]
    return []


def _preview(item: CheckEntry | GlassEntry, name: str, longest_px: int, alt: str, caption: str) -> Picture:
    return _picture(lambda: item.entry.contents(name), longest_px, alt, caption)


def _picture(read: Callable[[], bytes], longest_px: int, alt: str, caption: str) -> Picture:
    """A picture file as a JPEG data URI; an empty one where it cannot be read."""
    from ..drawing.captioned import decoded
    from ..errors import AlignError

    try:
        pixels = decoded(read())
    except (OSError, AlignError):
        return Picture("", 1, 1, alt, f"{caption} (The picture is missing.)")
    return _embedded(pixels, longest_px, alt, caption)


def _embedded(pixels: Pixels, longest_px: int, alt: str, caption: str) -> Picture:
    """Pixels (height, width, 3) as a JPEG data URI."""
    from ..drawing.captioned import as_jpeg

    data = as_jpeg(pixels, longest_px, QUALITY)
    scale = min(1.0, longest_px / max(pixels.shape[:2]))
    size = (round(pixels.shape[1] * scale), round(pixels.shape[0] * scale))
    return Picture(f"data:image/jpeg;base64,{base64.b64encode(data).decode()}", *size, alt, kept_together(caption))

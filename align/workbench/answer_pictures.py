"""What is drawn of an answer, kept beside it."""

from __future__ import annotations

from pathlib import Path

from .series import Answer
from .shelf import Shelf

#: How large and how good the pictures are that a phone gets [px, JPEG quality].
PICTURE_PX, PICTURE_QUALITY = 1700, 85


def drawn_answer(shelf: Shelf, answer: Answer, heading: str) -> Path | None:
    """The newest photo with the answer drawn on it; None where the answer does not hold what that takes."""
    from ..checking.picture import draw_check
    from ..drawing.captioned import as_jpeg

    if not answer.result.overlays:
        return None
    pixels = draw_check(answer.result, len(answer.photos) - 1, heading=heading)
    return shelf.put_picture(answer.number, as_jpeg(pixels, 10 * PICTURE_PX, PICTURE_QUALITY))


def drawn_map(shelf: Shelf, answer: Answer, number: int, heading: str) -> Path | None:
    """The map of one mirror's flatness; None where the answer has none."""
    from ..checking.flatness_picture import draw_flatness
    from ..drawing.captioned import as_jpeg

    mirror = next((mirror for mirror in answer.result.mirrors if mirror.number == number), None)
    if mirror is None or mirror.flatness is None or mirror.flatness.map is None:
        return None
    several = len(answer.result.mirrors) > 1
    pixels = draw_flatness(mirror.flatness.map, heading=heading + (f", mirror {number}" if several else ""))
    return shelf.put_picture(answer.number, as_jpeg(pixels, PICTURE_PX, PICTURE_QUALITY), f"map{number}")

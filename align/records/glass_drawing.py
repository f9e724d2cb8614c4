"""A section through the glass to scale: a lamp with its ghosts, and the seam, as inline SVG."""

from __future__ import annotations

from ..drawing.wording import number_text
from .mirror_part import Optics
from .svg import SMALL_TEXT, TEXT, WIDTH, box, dot, frame, line, scale_bar, text

#: Where the lamp stands before the glass [mm].
LAMP_MM = 20.0
MARGIN, LAMP_ROW, STREET_ROW, HEIGHT = 14.0, 78.0, 128.0, 196.0
IMAGE_WORDS = {0: "front ghost", 1: "main image", 2: "second ghost"}


def percent_words(ratio: float) -> str:
    """A brightness in per cent; what rounds to nothing is said to be less than that."""
    return f"{100 * ratio:.0f} %" if ratio >= 0.005 else "under 1 %"


def glass_drawing(optics: Optics, name: str) -> str:
    """Seen square on: where the images of a lamp lie, how bright they are, and how wide the seam is."""
    seam = optics.seam_mm[0][1]
    reach = LAMP_MM + 2 * optics.images[-1][1] / 2 + 3
    scale = (WIDTH - 2 * MARGIN) / (LAMP_MM + 3 + reach)
    zero = MARGIN + (LAMP_MM + 3) * scale

    def x_of(mm: float) -> float:
        return zero + mm * scale

    parts = [
        box(zero, 54, optics.thickness_mm * scale, STREET_ROW - 30, "glass"),
        line((x_of(optics.thickness_mm), 54), (x_of(optics.thickness_mm), 24 + STREET_ROW), "silver"),
        dot(x_of(-LAMP_MM), LAMP_ROW, 6, "lamp"),
        text(x_of(-LAMP_MM) - 6, LAMP_ROW - 12, "lamp", size=SMALL_TEXT),
        text(zero - 5, 106, "glass", size=SMALL_TEXT, anchor="end"),
    ]
    for row, (order, depth, ratio) in enumerate(reversed(optics.images)):
        parts += _image(x_of(LAMP_MM + depth), row, order, ratio)
    end = WIDTH - MARGIN
    parts += [
        box(MARGIN, STREET_ROW, zero - MARGIN, 10, "street"),
        box(x_of(seam), STREET_ROW, end - x_of(seam), 10, "street-reflected"),
        text(MARGIN, STREET_ROW - 5, "street", size=SMALL_TEXT),
        text(end, STREET_ROW - 5, "its reflection", anchor="end", size=SMALL_TEXT),
        line((zero, STREET_ROW + 16), (x_of(seam), STREET_ROW + 16), "error"),
        line((zero, STREET_ROW + 11), (zero, STREET_ROW + 21), "error"),
        line((x_of(seam), STREET_ROW + 11), (x_of(seam), STREET_ROW + 21), "error"),
        text(zero, STREET_ROW + 36, f"seam {number_text(seam, 1)} mm", size=TEXT),
        scale_bar(MARGIN, HEIGHT - 8, scale, 90.0),
    ]
    told = (
        f"Glass {number_text(optics.thickness_mm, 1)} mm thick, seen square on, to scale. Between the "
        f"street's end at the glass and its reflection lies a seam of {number_text(seam, 1)} mm. A lamp "
        "before it shows three times in a row: a faint ghost, the main image, another faint ghost."
    )
    return frame(name, "Section through the glass", told, HEIGHT, parts)


def _image(x: float, row: int, order: int, ratio: float) -> list[str]:
    """One image of the lamp with its name, in a row of names of its own."""
    y = 14 + 15 * row
    words = IMAGE_WORDS[order] + ("" if order == 1 else f", {percent_words(ratio)}")
    return [
        text(x - 5, y + 4, words, anchor="end", size=SMALL_TEXT),
        line((x, y), (x, LAMP_ROW - 6), "ink thin"),
        dot(x, LAMP_ROW, 6, "lamp" if order == 1 else "ghost"),
    ]

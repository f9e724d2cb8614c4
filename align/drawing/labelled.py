"""Labels written on a picture: words in a dark box near what they name, with a thin line to it where it is far."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from .canvas import LINE_HEIGHT, Canvas, Words, text_width
from .labels import LabelPlacer
from .palette import Colour
from .thresholds import NEAR, SMALLEST_TEXT_SHARE

#: Room about the words, in heights of the text.
PAD = 0.25


class Labels:
    """Writes labels on a canvas, the most important first, each where the placer finds room."""

    def __init__(self, canvas: Canvas, placer: LabelPlacer) -> None:
        self._canvas, self._placer = canvas, placer

    def write(self, lines: Sequence[str], colour: Colour, anchors: Sequence[tuple[float, float]]) -> None:
        """Words near one of the anchors; nothing where no anchor is on the picture or no room is left."""
        size = round(self._canvas.width * SMALLEST_TEXT_SHARE)
        pad = PAD * size
        width = max(text_width(line, size) for line in lines) + 2 * pad
        place = self._placer.place(anchors, (width, len(lines) * size * LINE_HEIGHT + pad))
        if place is None:
            return
        box, anchor = place
        x, y = box.nearest_to(*anchor)
        if np.hypot(x - anchor[0], y - anchor[1]) > NEAR * size:
            self._canvas.polyline(np.array([anchor, (x, y)]), colour, weight=0.4)
        self._canvas.box(box.left, box.top, box.right, box.bottom)
        for number, line in enumerate(lines):
            top = box.top + pad / 2 + number * size * LINE_HEIGHT
            self._canvas.write(Words(line, box.left + pad, top, size, colour))

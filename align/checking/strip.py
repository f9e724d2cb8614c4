"""The strip below a picture: the answer in words, and what the lines in the picture mean."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from ..drawing.canvas import LINE_HEIGHT, Canvas, Words, wrapped
from ..drawing.palette import DARK, GREEN, PURPLE, WHITE, YELLOW, Colour
from ..drawing.thresholds import ANGLE_DECIMALS, SMALLEST_TEXT_SHARE
from ..drawing.wording import kept_together, with_uncertainty
from .result import CheckResult, MirrorResult, Overlay, Shim
from .wording import (
    CORNER_WORDS,
    PLACE_WORDS,
    VERDICT_WORDS,
    flatness_short,
    lean_short,
    quality_short,
    shim_is_needed,
    shim_size_words,
    turn_short,
    verdict_sentence,
)

Pixels = NDArray[np.uint8]

#: Text sizes as shares of the width.
TITLE_SHARE, BODY_SHARE, LEGEND_SHARE = 1 / 22, 1 / 27, SMALLEST_TEXT_SHARE
#: Room at the edges, the length of a sample line, and where the words beside it begin.
PAD_SHARE, SAMPLE_SHARE, INDENT_SHARE = 0.03, 0.075, 0.13


def caption_lines(result: CheckResult, heading: str = "") -> list[tuple[str, float, bool]]:
    """The strip's words: (text, size as a share of the width, bold)."""
    lines = [(heading, BODY_SHARE, False)] if heading else []
    lines.append((verdict_sentence(result), TITLE_SHARE, True))
    for mirror in result.mirrors:
        if len(result.mirrors) > 1:
            lines.append((f"Mirror {mirror.number}: {VERDICT_WORDS[mirror.verdict]}", BODY_SHARE, True))
        lines.append((lean_short(mirror), BODY_SHARE, False))
        lines.append((turn_short(mirror, mirror.want_turn_deg), BODY_SHARE, False))
        needed = [shim for shim in mirror.shims.shims if shim_is_needed(shim)]
        if mirror.verdict != "square" and needed:
            lines.append((f"Pack: {_packing_sentence(mirror, needed)}", BODY_SHARE, False))
        if mirror.verdict != "square" and mirror.shims.turn_by:
            words = mirror.shims.turn_by
            then = needed and words.startswith("turn ")  # what is to be done next; else it asks or explains
            lines.append((f"Then {words}" if then else words[0].upper() + words[1:], BODY_SHARE, False))
        if mirror.flatness is not None:
            lines.append((flatness_short(mirror.flatness, result.settings.units), BODY_SHARE, False))
    for angle in result.angles:
        size = with_uncertainty(angle.angle_deg, "°", ANGLE_DECIMALS)
        lines.append((f"Angle between mirrors {angle.first} and {angle.second}: {size}", BODY_SHARE, False))
    if result.quality is not None and result.quality.grade != "good":
        lines.append((quality_short(result.quality), BODY_SHARE, False))
    return lines


def _packing_sentence(mirror: MirrorResult, needed: Sequence[Shim]) -> str:
    if mirror.shims.mount == "wall":
        return "behind " + ", ".join(f"{CORNER_WORDS[shim.place]} {shim_size_words(shim)}" for shim in needed)
    return "; ".join(f"{PLACE_WORDS.get(shim.place, shim.place)} {shim_size_words(shim)}" for shim in needed)


def legend_lines(result: CheckResult, overlay: Overlay, larger: int) -> list[tuple[str, Colour, bool]]:
    """What the lines mean: (words, colour, dashed); the sheet and the reflection are named on the photo."""
    shown = f"; difference shown {larger} times larger" if larger > 1 else ""
    lines: list[tuple[str, Colour, bool]] = [
        (f"the reflection if the mirror were true{shown}", WHITE, True),
    ]
    if any(mirror.size_known for mirror in overlay.mirrors):
        lines.append(("the mirror's edges: size as stated, place assumed", YELLOW, False))
    if overlay.inter_reflections_px:
        lines.append(("seen by way of several mirrors: left out", GREEN, False))
    packed = any(m.verdict != "square" and any(map(shim_is_needed, m.shims.shims)) for m in result.mirrors)
    if packed:
        words = "packing, not to scale"
        if not all(mirror.size_known for mirror in overlay.mirrors):
            words = "packing at that edge, not to scale: how far off the edge is, is not known"
        lines.append((words, PURPLE, False))
    return lines


def draw_strip(result: CheckResult, overlay: Overlay, heading: str, larger: int, width: int) -> Pixels:
    """The strip below the photo."""
    pad = round(width * PAD_SHARE)
    words: list[Words] = []
    samples: list[tuple[float, Colour, bool]] = []
    top = float(pad)
    for text, share, bold in caption_lines(result, heading):
        size = round(width * share)
        for line in wrapped(kept_together(text), size, width - 2 * pad, bold):
            words.append(Words(line, pad, top, size, WHITE, bold))
            top += size * LINE_HEIGHT
    top += pad * 0.5
    size, indent = round(width * LEGEND_SHARE), width * INDENT_SHARE
    for text, colour, dashed in legend_lines(result, overlay, larger):
        samples.append((top + 0.6 * size, colour, dashed))
        for line in wrapped(kept_together(text), size, width - indent - pad):
            words.append(Words(line, indent, top, size))
            top += size * LINE_HEIGHT
    canvas = Canvas(np.full((round(top + pad), width, 3), DARK, np.uint8))
    for y, colour, dashed in samples:
        canvas.polyline(np.array([[pad, y], [pad + width * SAMPLE_SHARE, y]]), colour, dashed=dashed)
    for line_of_words in words:
        canvas.write(line_of_words)
    return canvas.finished()

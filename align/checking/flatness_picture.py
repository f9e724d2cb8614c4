"""The map of a mirror's flatness as a picture: its front view, in colours that all kinds of colour vision tell."""

from __future__ import annotations

import math
import os
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from ..drawing.canvas import LINE_HEIGHT, Canvas, Words, save_pixels, text_width, wrapped
from ..drawing.palette import BLUE, DARK, GREY, INK, VERMILION, WHITE
from ..drawing.wording import MM_PER_INCH, kept_together
from ..optics.geometry import inside_convex
from .flatness_map import FlatnessMap
from .settings import Units
from .wording import map_title

Array = NDArray[np.float64]
Pixels = NDArray[np.uint8]

WIDTH_PX = 1400
TITLE_PX, TEXT_PX, SMALL_PX = 60, 48, 42
PAD_PX, AXIS_PX = 40, 190
#: The mirror is drawn no higher than this, and no lower.
HIGHEST_PX, LOWEST_PX = 1000, 260
#: Steps of colour from the middle to either end, and how wide the stripes of what is extrapolated are.
STEPS, STRIPE_PX = 6, 22
BAR_PX = 60
#: Heights of less than this at most are not drawn larger [mm].
LEAST_RANGE_MM = 0.006


def save_flatness_picture(
    flatness_map: FlatnessMap, path: str | os.PathLike[str], *, heading: str = "", units: Units = "mm"
) -> Path:
    """Draw a map into a PNG or JPEG file; AlignError where it cannot be written."""
    return save_pixels(draw_flatness(flatness_map, heading=heading, units=units), Path(path))


def draw_flatness(flatness_map: FlatnessMap, *, heading: str = "", units: Units = "mm") -> Pixels:
    """(height, width, 3) uint8 RGB: title, the mirror's front view, the key to its colours, and what it means."""
    parts = [
        _words([(heading, TEXT_PX, False)] if heading else [], top=PAD_PX),
        _words([(map_title(flatness_map, units), TITLE_PX, True)], top=PAD_PX),
        _front_view(flatness_map, units),
        _key(flatness_map, units),
        _words([(line, SMALL_PX, False) for line in _legend(flatness_map, units)], top=PAD_PX // 2),
    ]
    return np.concatenate([part for part in parts if len(part)])


def _legend(shown: FlatnessMap, units: Units) -> list[str]:
    lines = ["Clear colours inside the dark outlines: measured, where a photo shows the sheet."]
    if shown.beyond_mm is not None:
        beyond = _plain(shown.beyond_mm, units)
        lines.append(f"Striped: extrapolated, off by up to ± {beyond}.")
    if shown.size_known:
        lines.append("The whole mirror, as you face it; its foot on the floor.")
    return lines


def _plain(length_mm: float, units: Units) -> str:
    """ "0.012 mm", two digits that count."""
    value, unit = (length_mm / MM_PER_INCH, "in") if units == "in" else (length_mm, "mm")
    decimals = min(5, max(1, 1 - math.floor(math.log10(value)))) if value > 0 else 1
    return f"{value:.{decimals}f} {unit}"


def _words(lines: list[tuple[str, int, bool]], *, top: int) -> Pixels:
    """A strip of wrapped lines; empty for none."""
    placed: list[Words] = []
    y = float(top)
    for text, size, bold in lines:
        for line in wrapped(kept_together(text), size, WIDTH_PX - 2 * PAD_PX, bold):
            placed.append(Words(line, PAD_PX, y, size, WHITE, bold))
            y += size * LINE_HEIGHT
        y += size * 0.25
    canvas = Canvas(_ground(round(y) if placed else 0))
    for words in placed:
        canvas.write(words)
    return canvas.finished() if placed else canvas.pixels


def _ground(height: int) -> Pixels:
    return np.full((height, WIDTH_PX, 3), DARK, np.uint8)


def _range_mm(shown: FlatnessMap) -> float:
    """The height at which colours end: of what was measured, rounded up to a plain number."""
    most = max(abs(shown.lowest_mm.value), abs(shown.highest_mm.value), LEAST_RANGE_MM)
    power = 10.0 ** math.floor(math.log10(most))
    return next(step * power for step in (1.2, 1.8, 3.0, 6.0, 12.0) if step * power >= most)


def _colours(heights: Array, most: float) -> Pixels:
    """(..., 3) colours of heights in steps: blue behind the plane, white on it, orange before it."""
    steps = np.clip(np.round(heights / most * STEPS), -STEPS, STEPS) / STEPS
    ends = np.where(steps[..., None] < 0, np.array(BLUE, float), np.array(VERMILION, float))
    share = np.abs(steps)[..., None]
    return np.asarray(np.round((1 - share) * 255 + share * ends), np.uint8)


def _front_view(shown: FlatnessMap, units: Units) -> Pixels:
    """The face in colours with its axes, what is extrapolated striped, and where it is highest and lowest."""
    cell = float(np.diff(shown.right_mm).mean()), float(np.diff(shown.up_mm).mean())
    left, right = shown.right_mm[0] - cell[0] / 2, shown.right_mm[-1] + cell[0] / 2
    low, high = shown.up_mm[0] - cell[1] / 2, shown.up_mm[-1] + cell[1] / 2
    room = WIDTH_PX - AXIS_PX - 2 * PAD_PX
    scale = min(room / (right - left), HIGHEST_PX / (high - low))
    width, height = round((right - left) * scale), max(LOWEST_PX, round((high - low) * scale))
    up_scale = height / (high - low)
    x = left + (np.arange(width) + 0.5) / scale
    up = high - (np.arange(height) + 0.5) / up_scale
    heights, measured = _enlarged(shown.height_mm, shown, x, up), _inside(shown, x, up)
    picture = _colours(heights, _range_mm(shown))
    rows, columns = np.indices(heights.shape)
    stripes = ~measured & ((rows + columns) // STRIPE_PX % 2 == 0)
    picture[stripes] = (0.6 * picture[stripes] + 0.4 * np.array(GREY)).astype(np.uint8)
    frame = _Frame(PAD_PX + AXIS_PX, PAD_PX, left, high, scale, up_scale)
    total = _ground(height + 2 * PAD_PX + round(2.4 * SMALL_PX))
    total[PAD_PX : PAD_PX + height, frame.x : frame.x + width] = picture
    canvas = Canvas(total)
    canvas.polyline(
        frame.place(np.array([[left, low], [right, low], [right, high], [left, high]])), WHITE, closed=True
    )
    for outline in shown.outlines_mm:
        canvas.polyline(frame.place(outline), INK, closed=True, weight=0.35)
    _axes(canvas, frame, (left, right), (low, high), units)
    return canvas.finished()


@dataclass(frozen=True)
class _Frame:
    """Where a map lies in its picture: pixels of its upper left corner, its places there, pixels a millimetre."""

    x: int
    y: int
    left_mm: float
    high_mm: float
    across: float
    upright: float

    def place(self, points: Array) -> Array:
        """(n, 2) [px] of places right and up [mm]."""
        x = self.x + (points[:, 0] - self.left_mm) * self.across
        return np.column_stack([x, self.y + (self.high_mm - points[:, 1]) * self.upright])


def _ticks(low: float, high: float, most: int, unit_mm: float) -> list[float]:
    """Round numbers of a unit between two places [mm], at most so many."""
    span = (high - low) / unit_mm
    power = 10.0 ** math.floor(math.log10(span / most))
    step = next(by * power for by in (1, 2, 5, 10, 20) if span / (by * power) <= most)
    first = math.ceil(low / unit_mm / step)
    return [k * step for k in range(first, math.floor(high / unit_mm / step) + 1)]


def _axes(
    canvas: Canvas, frame: _Frame, across: tuple[float, float], upright: tuple[float, float], units: Units
) -> None:
    """Numbers below and to the left, and what they count from."""
    unit_mm = MM_PER_INCH if units == "in" else 1.0
    bottom = frame.place(np.array([[across[0], upright[0]]]))[0, 1]
    for number in _ticks(*across, 6, unit_mm):
        x = frame.place(np.array([[number * unit_mm, upright[0]]]))[0, 0]
        canvas.polyline(np.array([[x, bottom], [x, bottom + 12]]), WHITE, weight=0.5)
        words = f"{number:g}".replace("-", "−")
        left = min(x - text_width(words, SMALL_PX) / 2, WIDTH_PX - 8 - text_width(words, SMALL_PX))
        canvas.write(Words(words, left, bottom + 14, SMALL_PX))
    for number in _ticks(*upright, 4, unit_mm):
        y = frame.place(np.array([[across[0], number * unit_mm]]))[0, 1]
        canvas.polyline(np.array([[frame.x - 12, y], [frame.x, y]]), WHITE, weight=0.5)
        words = f"{number:g} {units}"
        canvas.write(Words(words, frame.x - 22 - text_width(words, SMALL_PX), y - 0.6 * SMALL_PX, SMALL_PX))
    words = f"{units} to the right of the sheet; up from the floor"
    canvas.write(Words(words, frame.x, bottom + 14 + SMALL_PX * 1.25, SMALL_PX))


def _key(shown: FlatnessMap, units: Units) -> Pixels:
    """The colours and their heights."""
    most = _range_mm(shown)
    canvas = Canvas(_ground(BAR_PX + round(3.4 * SMALL_PX)))
    left, right, top = PAD_PX + AXIS_PX, WIDTH_PX - PAD_PX, 10
    shades = _colours(np.linspace(-most, most, right - left), most)
    canvas.pixels[top : top + BAR_PX, left:right] = shades
    for share in (-1.0, -0.5, 0.0, 0.5, 1.0):
        value = share * most
        words = f"{value / MM_PER_INCH:+.4f}" if units == "in" else f"{value:+.{_decimals(most)}f}".rstrip("0")
        words = f"0 {units}" if share == 0 else words.replace("-", "−")
        wide = text_width(words, SMALL_PX)
        x = left + (share + 1) / 2 * (right - left) - wide / 2
        canvas.write(Words(words, float(np.clip(x, PAD_PX, WIDTH_PX - PAD_PX - wide)), top + BAR_PX + 4, SMALL_PX))
    below = top + BAR_PX + 4 + SMALL_PX * 1.25
    canvas.write(Words("behind its mean plane", left, below, SMALL_PX))
    words = "before it, towards you"
    canvas.write(Words(words, right - text_width(words, SMALL_PX), below, SMALL_PX))
    return canvas.finished()


def _decimals(most: float) -> int:
    """Decimals that show half of a plain number."""
    return max(1, 2 - math.floor(math.log10(most)))


def _enlarged(values: Array, shown: FlatnessMap, x: Array, up: Array) -> Array:
    """(rows, columns) of a map's values between its cells, row by row and column by column."""
    across = np.array([np.interp(x, shown.right_mm, row) for row in values])
    return np.array([np.interp(up, shown.up_mm, column) for column in across.T]).T


def _inside(shown: FlatnessMap, x: Array, up: Array) -> NDArray[np.bool_]:
    """(rows, columns) whether a photo shows the sheet there."""
    places = np.column_stack([part.ravel() for part in np.meshgrid(x, up)])
    inside = np.any([inside_convex(places, outline) for outline in shown.outlines_mm], axis=0)
    return np.asarray(inside.reshape(len(up), len(x)))

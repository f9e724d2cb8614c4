"""Lean and turn over the checks, with their intervals and the tolerance band, as inline SVG."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from ..checking.result import MirrorResult
from ..checking.wording import VERDICT_WORDS
from ..drawing.wording import ANGLE_DECIMALS, number_text, with_uncertainty
from ..quantity import Quantity
from .contents import CheckEntry
from .svg import SMALL_TEXT, WIDTH, box, dot, element, frame, line, polygon, text

LEFT, RIGHT, PANEL_HEIGHT, TITLE_HEIGHT, FOOT_HEIGHT = 46.0, 12.0, 130.0, 24.0, 34.0
#: An interval this many times wider than the rest is cut off at the panel's edge rather than flatten it.
CUT_INTERVAL = 1.8
#: Room that a number under the axis needs.
LABEL_PX = 26.0


@dataclass(frozen=True)
class Series:
    """One angle of one mirror over the checks [deg]; wanted and tolerance are the latest check's."""

    name: str
    numbers: tuple[int, ...]
    days: tuple[str, ...]
    values: tuple[Quantity, ...]
    verdicts: tuple[str, ...]
    wanted: float
    tolerance: float


def history_chart(checks: Sequence[CheckEntry], mirror: int, name: str, title: str) -> str:
    """The chart of one mirror, lean above turn."""
    seen = [(item, m) for item in checks for m in item.result.mirrors if m.number == mirror]
    latest = checks[-1].result
    wanted = seen[-1][1].want_turn_deg if seen else 0.0
    lean = _series("Lean", seen, [m.lean_deg for _, m in seen], 0.0, latest.tolerance_deg)
    turn = _series("Turn", seen, [m.turn_deg for _, m in seen], wanted, latest.tolerance_deg)
    panel = TITLE_HEIGHT + PANEL_HEIGHT + FOOT_HEIGHT
    parts = [_panel(lean, 0.0, f"{name}-lean"), _panel(turn, panel, f"{name}-turn")]
    return frame(name, title, f"{_told(lean)} {_told(turn)}", 2 * panel, parts)


def _series(
    name: str,
    seen: Sequence[tuple[CheckEntry, MirrorResult]],
    values: Sequence[Quantity],
    wanted: float,
    tolerance: float,
) -> Series:
    return Series(
        name,
        tuple(item.number for item, _ in seen),
        tuple(item.entry.day for item, _ in seen),
        tuple(values),
        tuple(m.verdict for _, m in seen),
        wanted,
        tolerance,
    )


def _told(series: Series) -> str:
    """What a series shows, for those who hear the page."""
    first, last = (with_uncertainty(series.values[k], "°", ANGLE_DECIMALS) for k in (0, -1))
    course = f"from {first} in the first to {last} in the latest" if len(series.values) > 1 else f"{first} in one"
    return f"{series.name}: {course} of the checks; wanted {series.wanted:g}° within {series.tolerance:g}°."


def _panel(series: Series, top: float, clip: str) -> str:
    low, high = _range(series)
    upper, lower = top + TITLE_HEIGHT, top + TITLE_HEIGHT + PANEL_HEIGHT

    def y_of(value: float) -> float:
        return lower - (value - low) / (high - low) * PANEL_HEIGHT

    wide = WIDTH - LEFT - RIGHT
    band_top, band_bottom = y_of(series.wanted + series.tolerance), y_of(series.wanted - series.tolerance)
    parts = [
        text(LEFT, top + 16, f"{series.name}, degrees", class_="words strong"),
        element("clipPath", box(LEFT, upper, wide, PANEL_HEIGHT, "none"), id=clip),
        box(LEFT, band_top, wide, band_bottom - band_top, "band"),
        line((LEFT, y_of(series.wanted)), (LEFT + wide, y_of(series.wanted)), "faint dashed"),
    ]
    for tick in ticks(low, high):
        parts.append(line((LEFT - 4, y_of(tick)), (LEFT, y_of(tick)), "ink"))
        label = number_text(tick, _tick_decimals(high - low))
        parts.append(text(LEFT - 7, y_of(tick) + 4, label, anchor="end", size=SMALL_TEXT))
    parts.append(line((LEFT, upper), (LEFT, lower), "ink") + line((LEFT, lower), (LEFT + wide, lower), "ink"))
    step = wide / len(series.values)
    marks = []
    for place, (value, verdict) in enumerate(zip(series.values, series.verdicts, strict=True)):
        x = LEFT + (place + 0.5) * step
        marks.append(_interval(x, y_of(value.low), y_of(value.high), min(5.0, step / 3)))
        marks.append(_mark(x, y_of(value.value), verdict, min(5.0, max(2.5, step / 3))))
    parts.append(element("g", "".join(marks), clip_path=f"url(#{clip})"))
    parts.append(_feet(series, step, lower))
    return "".join(parts)


def _range(series: Series) -> tuple[float, float]:
    """What the axis spans: all values, the tolerance band, and intervals that are not absurdly wide."""
    reach = max(abs(v.value - series.wanted) for v in series.values)
    most = CUT_INTERVAL * max(reach, 2 * series.tolerance)
    ends = [max(v.low, series.wanted - most) for v in series.values]
    ends += [min(v.high, series.wanted + most) for v in series.values]
    ends += [series.wanted - 1.4 * series.tolerance, series.wanted + 1.4 * series.tolerance]
    ends += [v.value for v in series.values]
    margin = 0.07 * (max(ends) - min(ends))
    return min(ends) - margin, max(ends) + margin


def ticks(low: float, high: float) -> list[float]:
    """About four round numbers between low and high."""
    rough = (high - low) / 4
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(power * m for m in (1, 2, 5, 10) if power * m >= rough)
    return [k * step for k in range(math.ceil(low / step), math.floor(high / step) + 1)]


def _tick_decimals(span: float) -> int:
    return max(0, 1 - math.floor(math.log10(span / 4)))


def _interval(x: float, low: float, high: float, half: float) -> str:
    caps = line((x - half, low), (x + half, low), "mark") + line((x - half, high), (x + half, high), "mark")
    return line((x, low), (x, high), "mark") + caps


def _mark(x: float, y: float, verdict: str, size: float) -> str:
    """Shapes, not colours, tell the verdicts apart: disc true, square out of true, ring not decided."""
    if verdict == "square":
        return dot(x, y, size, "mark-true")
    if verdict == "undetermined":
        return dot(x, y, size, "mark-open")
    return polygon(
        [(x - size, y - size), (x + size, y - size), (x + size, y + size), (x - size, y + size)], "mark-out"
    )


def _feet(series: Series, step: float, lower: float) -> str:
    """Numbers of the entries under the axis, and the first and the last day."""
    every = max(1, math.ceil(LABEL_PX / step))
    parts = []
    for place, number in enumerate(series.numbers):
        x = LEFT + (place + 0.5) * step
        parts.append(line((x, lower), (x, lower + 3), "ink"))
        if place % every == 0:
            parts.append(text(x, lower + 15, str(number), anchor="middle", size=SMALL_TEXT))
    first, last = series.days[0], series.days[-1]
    if len(series.days) == 1:
        return "".join(parts) + text(LEFT + step / 2, lower + 29, first, anchor="middle", size=SMALL_TEXT)
    parts.append(text(LEFT, lower + 29, first, size=SMALL_TEXT))
    parts.append(text(WIDTH - RIGHT, lower + 29, last, anchor="end", size=SMALL_TEXT))
    return "".join(parts)


def legend_words() -> str:
    """What the marks mean."""
    return (
        f"Disc: {VERDICT_WORDS['square']}; square: {VERDICT_WORDS['out of square']}; ring: "
        f"{VERDICT_WORDS['undetermined']}. The bar is the 95 % interval, the band the tolerance, the numbers "
        "below are those of the entries."
    )

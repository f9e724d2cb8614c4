"""Lean and turn over time, with their intervals and the tolerance band, as inline SVG."""

from __future__ import annotations

import datetime
import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

from ..checking.wording import VERDICT_WORDS, turn_error
from ..drawing.thresholds import ANGLE_DECIMALS
from ..drawing.wording import number_text, with_uncertainty
from ..quantity import Quantity
from .entry import in_words
from .mirror_part import CheckEntry
from .svg import SMALL_TEXT, WIDTH, box, dot, element, frame, line, polygon, text

LEFT, RIGHT, PANEL_HEIGHT, TITLE_HEIGHT, FOOT_HEIGHT = 46.0, 12.0, 130.0, 24.0, 34.0
#: An interval this many times wider than the rest is cut off at the panel's edge rather than flatten it.
CUT_INTERVAL = 1.8
#: Width of a digit under the axis; what marks keep from each other and from the panel's edges [px].
DIGIT_PX, MARK_GAP_PX, EDGE_PX = 6.6, 11.0, 9.0
#: Checks within so short a time stand in their order, evenly [days]: an axis of hours tells nobody anything.
SHORTEST_AXIS_DAYS = 2.0
#: Dates under the axis, at most; half the width of one [px].
MOST_DATES, HALF_DATE_PX = 4, 26.0


@dataclass(frozen=True)
class Series:
    """One angle of one mirror over the checks, less the one wanted then [deg]; tolerance: the latest's."""

    name: str
    numbers: tuple[int, ...]
    at: tuple[datetime.datetime, ...]
    values: tuple[Quantity, ...]
    verdicts: tuple[str, ...]
    tolerance: float


def history_chart(checks: Sequence[CheckEntry], name: str, title: str) -> str:
    """The chart of one mirror, lean above turn."""
    mirrors = [item.result.mirrors[0] for item in checks]
    wanted = any(mirror.want_turn_deg for mirror in mirrors)
    lean = _series("Lean", checks, [mirror.lean_deg for mirror in mirrors])
    turn = _series(
        "Turn, less the wanted turn" if wanted else "Turn",
        checks,
        [turn_error(mirror, mirror.turn_deg.value - mirror.turn_off_deg) for mirror in mirrors],
    )
    panel = TITLE_HEIGHT + PANEL_HEIGHT + FOOT_HEIGHT
    parts = [_panel(lean, 0.0, f"{name}-lean"), _panel(turn, panel, f"{name}-turn")]
    return frame(name, title, f"{_told(lean)} {_told(turn)}", 2 * panel, parts)


def _series(name: str, checks: Sequence[CheckEntry], values: Sequence[Quantity]) -> Series:
    return Series(
        name,
        tuple(item.number for item in checks),
        tuple(item.at for item in checks),
        tuple(values),
        tuple(item.result.mirrors[0].verdict for item in checks),
        checks[-1].result.tolerance_deg,
    )


def _told(series: Series) -> str:
    """What a series shows, for those who hear the page."""
    first, last = (with_uncertainty(series.values[k], "°", ANGLE_DECIMALS) for k in (0, -1))
    if len(series.values) == 1:
        course = f"{first} on {in_words(series.at[0])}"
    else:
        course = f"from {first} on {in_words(series.at[0])} to {last} on {in_words(series.at[-1])}"
    return f"{series.name}: {course}; wanted 0° within {series.tolerance:g}°."


def _panel(series: Series, top: float, clip: str) -> str:
    low, high = _range(series)
    upper, lower = top + TITLE_HEIGHT, top + TITLE_HEIGHT + PANEL_HEIGHT

    def y_of(value: float) -> float:
        return lower - (value - low) / (high - low) * PANEL_HEIGHT

    wide = WIDTH - LEFT - RIGHT
    band_top, band_bottom = y_of(series.tolerance), y_of(-series.tolerance)
    parts = [
        text(LEFT, top + 16, f"{series.name}, degrees", class_="words strong"),
        element("clipPath", box(LEFT, upper, wide, PANEL_HEIGHT, "none"), id=clip),
        box(LEFT, band_top, wide, band_bottom - band_top, "band"),
        line((LEFT, y_of(0.0)), (LEFT + wide, y_of(0.0)), "faint dashed"),
    ]
    for tick in ticks(low, high):
        parts.append(line((LEFT - 4, y_of(tick)), (LEFT, y_of(tick)), "ink"))
        label = number_text(tick, _tick_decimals(high - low))
        parts.append(text(LEFT - 7, y_of(tick) + 4, label, anchor="end", size=SMALL_TEXT))
    parts.append(line((LEFT, upper), (LEFT, lower), "ink") + line((LEFT, lower), (LEFT + wide, lower), "ink"))
    across = places(series.at)
    gap = min((b - a for a, b in pairwise(across)), default=wide)
    marks = []
    for x, value, verdict in zip(across, series.values, series.verdicts, strict=True):
        marks.append(_interval(x, y_of(value.low), y_of(value.high), min(5.0, gap / 2.5)))
        marks.append(_mark(x, y_of(value.value), verdict, min(5.0, max(2.5, gap / 3))))
    parts.append(element("g", "".join(marks), clip_path=f"url(#{clip})"))
    parts += [_feet(series, across, lower), _dates(series.at, lower)]
    return "".join(parts)


def _axis(at: Sequence[datetime.datetime]) -> tuple[datetime.datetime, float]:
    """Where the axis of time begins, and how long it is [s]; 0 where the checks stand in their order."""
    length = (at[-1] - at[0]).total_seconds()
    return at[0], length if length >= SHORTEST_AXIS_DAYS * 86400.0 else 0.0


def _x_of(moment: datetime.datetime, at: Sequence[datetime.datetime]) -> float:
    start, length = _axis(at)
    return LEFT + EDGE_PX + (moment - start).total_seconds() / length * (WIDTH - LEFT - RIGHT - 2 * EDGE_PX)


def places(at: Sequence[datetime.datetime]) -> list[float]:
    """Where each check stands across [px]: by its time, those that would lie on each other side by side."""
    wide = WIDTH - LEFT - RIGHT
    if _axis(at)[1] == 0.0:
        return [LEFT + (place + 0.5) * wide / len(at) for place in range(len(at))]
    gap = min(MARK_GAP_PX, (wide - 2 * EDGE_PX) / max(1, len(at) - 1))
    across = [_x_of(moment, at) for moment in at]
    for k in range(1, len(across)):
        across[k] = max(across[k], across[k - 1] + gap)
    across[-1] = min(across[-1], LEFT + wide - EDGE_PX)
    for k in range(len(across) - 2, -1, -1):
        across[k] = min(across[k], across[k + 1] - gap)
    return across


def _range(series: Series) -> tuple[float, float]:
    """What the axis spans: all values, the tolerance band, and intervals that are not absurdly wide."""
    reach = max(abs(v.value) for v in series.values)
    most = CUT_INTERVAL * max(reach, 2 * series.tolerance)
    ends = [max(v.low, -most) for v in series.values] + [min(v.high, most) for v in series.values]
    ends += [-1.4 * series.tolerance, 1.4 * series.tolerance, *(v.value for v in series.values)]
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


def _feet(series: Series, across: Sequence[float], lower: float) -> str:
    """Numbers of the entries under the axis: the latest, and of the others those for which there is room."""
    parts = []
    free = math.inf
    for x, number in zip(reversed(across), reversed(series.numbers), strict=True):
        half = DIGIT_PX * len(str(number)) / 2
        parts.append(line((x, lower), (x, lower + 3), "ink"))
        if x + half + 3 <= free:
            parts.append(text(x, lower + 14, str(number), anchor="middle", size=SMALL_TEXT))
            free = x - half
    return "".join(parts)


def _dates(at: Sequence[datetime.datetime], lower: float) -> str:
    """Dates under the numbers; the day alone where all checks are of one or two."""
    row = lower + 29
    if _axis(at)[1] == 0.0:
        first, last = at[0].date().isoformat(), at[-1].date().isoformat()
        words = first if first == last else f"{first} and {last}"
        return text((LEFT + WIDTH - RIGHT) / 2, row, words, anchor="middle", size=SMALL_TEXT)
    parts = []
    for moment, words in date_ticks(at[0], at[-1]):
        x = _x_of(moment, at)
        anchor, place = "middle", x
        if x < LEFT + HALF_DATE_PX:
            anchor, place = "start", LEFT
        elif x > WIDTH - RIGHT - HALF_DATE_PX:
            anchor, place = "end", WIDTH - RIGHT
        parts.append(line((x, lower + 16), (x, lower + 20), "ink"))
        parts.append(text(place, row, words, anchor=anchor, size=SMALL_TEXT))
    return "".join(parts)


def date_ticks(first: datetime.datetime, last: datetime.datetime) -> list[tuple[datetime.datetime, str]]:
    """A few round dates from first to last, with their words: years, months or days."""
    from matplotlib import dates

    untyped: Any = dates

    locator = untyped.AutoDateLocator(minticks=3, maxticks=2 * MOST_DATES)
    moments = [untyped.num2date(number).replace(tzinfo=None) for number in locator.tick_values(first, last)]
    inside = [moment for moment in moments if first <= moment <= last and moment == _day(moment)]
    inside = inside[:: math.ceil(len(inside) / MOST_DATES)] if inside else [first, last]
    months = all(moment.day == 1 for moment in inside)
    years = months and all(moment.month == 1 for moment in inside)
    shown = (lambda m: str(m.year)) if years else _month if months else _day_words
    return [(moment, shown(moment)) for moment in inside]


def _day(moment: datetime.datetime) -> datetime.datetime:
    return moment.replace(hour=0, minute=0, second=0, microsecond=0)


def _month(moment: datetime.datetime) -> str:
    return f"{in_words(moment).split()[1][:3]} {moment.year}"


def _day_words(moment: datetime.datetime) -> str:
    return f"{moment.day} {in_words(moment).split()[1][:3]}"


def legend_words() -> str:
    """What the marks mean."""
    return (
        f"Disc: {VERDICT_WORDS['square']}; square: {VERDICT_WORDS['out of square']}; ring: "
        f"{VERDICT_WORDS['undetermined']}. The bar is the 95 % interval, the band the tolerance, the numbers "
        "below are those of the entries; marks of one day stand side by side."
    )

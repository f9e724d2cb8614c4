"""The page's drawings as inline SVG: numbers heading for the middle of a band, and the mirror from the front."""

from __future__ import annotations

import math

from ..checking.result import MirrorResult, Shim
from ..checking.wording import CORNER_WORDS, shim_is_needed, shim_size_words, stack_words
from ..records.svg import WIDTH, Point, box, dot, element, frame, line, polygon, text
from .words import Axis, packing_words, place_words

#: The band: half of it, and how much of that half the tolerance takes; beyond it decades, out to so many degrees.
HALF_BAND, WITHIN_SHARE, MOST_DEG = 164.0, 0.3, 20.0
_MIDDLE = WIDTH / 2
BAND_HEIGHT, BAND_TOP = 112.0, 34.0
#: The mirror's front view: the room it may take, and how far a corner's packing reaches at its thickest.
FACE_WIDTH, FACE_HEIGHT, FACE_TOP = 320.0, 130.0, 66.0
PACKED_PX, THINNEST_PX = 22.0, 5.0
LARGE, PLAIN, SMALL = 17.0, 13.0, 12.0


def band_drawing(axis: Axis, name: str) -> str:
    """A number as a marker on a band: the middle part is what is allowed, both ends are far off."""
    described = f"{axis.words}. {axis.against}"
    if axis.before is not None:
        described += f" A hollow mark shows the photo before: {abs(axis.before.value):.2g} degrees off."
    top, bottom = BAND_TOP, BAND_TOP + 30
    tolerance = axis.tolerance_deg
    left, right = place_on_band(-tolerance, tolerance), place_on_band(tolerance, tolerance)
    parts = [
        text(_MIDDLE, 20, f"true: ± {tolerance:g}°", anchor="middle", size=PLAIN, class_="words strong"),
        box(_MIDDLE - HALF_BAND, top, 2 * HALF_BAND, bottom - top, "track"),
        box(left, top, right - left, bottom - top, "band"),
        line((_MIDDLE, top - 5), (_MIDDLE, bottom + 5), "ink"),
    ]
    parts += _ticks(tolerance, bottom)
    parts.append(text(_MIDDLE - HALF_BAND, BAND_HEIGHT - 6, f"← {axis.ends[0]}", size=SMALL))
    parts.append(text(_MIDDLE + HALF_BAND, BAND_HEIGHT - 6, f"{axis.ends[1]} →", anchor="end", size=SMALL))
    middle = (top + bottom) / 2
    if axis.before is not None:
        parts.append(_hollow(place_on_band(axis.side * axis.before.value, tolerance), middle))
    low, high = (place_on_band(axis.side * end, tolerance) for end in (axis.error.low, axis.error.high))
    parts.append(line((low, middle), (high, middle), "interval"))
    parts.append(_marker(place_on_band(axis.side * axis.error.value, tolerance), top, axis.state))
    return frame(name, f"{axis.name} on its way to the middle", described, BAND_HEIGHT, parts)


def needle_drawing(now: Axis, number: Axis | None, name: str) -> str:
    """A needle above the band, which a page moves by its id; below it the stand's number, where there is one."""
    tolerance, top, bottom = now.tolerance_deg, BAND_TOP, BAND_TOP + 30
    left, right = place_on_band(-tolerance, tolerance), place_on_band(tolerance, tolerance)
    described = "The needle shows the newest picture."
    parts = [
        box(_MIDDLE - HALF_BAND, top, 2 * HALF_BAND, bottom - top, "track"),
        box(left, top, right - left, bottom - top, "band"),
        line((_MIDDLE, top - 5), (_MIDDLE, bottom + 5), "ink"),
        text(_MIDDLE, 15, f"true: ± {tolerance:g}°", anchor="middle", size=PLAIN, class_="words strong"),
        *_ticks(tolerance, bottom),
        text(_MIDDLE - HALF_BAND, BAND_HEIGHT - 6, f"← {now.ends[0]}", size=SMALL),
        text(_MIDDLE + HALF_BAND, BAND_HEIGHT - 6, f"{now.ends[1]} →", anchor="end", size=SMALL),
    ]
    if number is not None:
        described += f" The number of this stand: {number.words}. {number.against}"
        middle = (top + bottom) / 2
        low, high = (place_on_band(number.side * end, tolerance) for end in (number.error.low, number.error.high))
        parts.append(line((low, middle), (high, middle), "interval"))
        parts.append(_dot_on_band(place_on_band(number.side * number.error.value, tolerance), middle, number.state))
    at = place_on_band(now.side * now.error.value, tolerance)
    needle = line((0, top - 11), (0, bottom + 6), "needle") + polygon(
        [(-6, top - 13), (6, top - 13), (0, top - 2)], "needle-head"
    )
    parts.append(element("g", needle, id=name, transform=f"translate({at:.1f} 0)"))
    return frame(f"{name}-drawing", f"{now.name}, live", described, BAND_HEIGHT, parts)


def place_on_band(error_deg: float, tolerance_deg: float) -> float:
    """Where an error stands on the band: evenly within the tolerance, by decades beyond it [px]."""
    share = abs(error_deg) / tolerance_deg
    most = max(MOST_DEG / tolerance_deg, 10.0)
    if share <= 1:
        reach = WITHIN_SHARE * share
    else:
        reach = WITHIN_SHARE + (1 - WITHIN_SHARE) * min(math.log10(share) / math.log10(most), 1.0)
    return _MIDDLE + math.copysign(HALF_BAND * reach, error_deg)


def _ticks(tolerance_deg: float, bottom: float) -> list[str]:
    """Degrees under the band: the tolerance's decades, as long as they stand apart."""
    marks = [1.0, 10.0] if tolerance_deg < 0.5 else [10.0]
    parts = []
    for value in (v for v in marks if 2 * tolerance_deg < v <= MOST_DEG):
        for sign in (-1, 1):
            x = place_on_band(sign * value, tolerance_deg)
            parts.append(line((x, bottom), (x, bottom + 5), "ink thin"))
            parts.append(text(x, bottom + 18, f"{value:g}°", anchor="middle", size=SMALL))
    return parts


def _hollow(x: float, y: float) -> str:
    return element("circle", cx=x, cy=y, r=7.0, class_="mark-before")


def _marker(x: float, top: float, state: str) -> str:
    """A drop above the band that points to the value; its shape tells its state without colour."""
    tip = (x, top + 15.0)
    if state == "right":
        return (
            dot(x, top + 15, 8.5, "mark-right")
            + line((x - 4, top + 15), (x - 1, top + 19), "mark-tick")
            + line((x - 1, top + 19), (x + 5, top + 11), "mark-tick")
        )
    kind = "mark-off" if state == "off" else "mark-unsure"
    return polygon([(x - 9, top - 8), (x + 9, top - 8), tip], kind)


def _dot_on_band(x: float, y: float, state: str) -> str:
    """A mark within the band; its shape tells its state without colour, as that of the drop above it does."""
    if state == "right":
        ticks = line((x - 4, y), (x - 1, y + 4), "mark-tick") + line((x - 1, y + 4), (x + 5, y - 4), "mark-tick")
        return dot(x, y, 8.5, "mark-right") + ticks
    diamond = [(x - 8, y), (x, y - 8), (x + 8, y), (x, y + 8)]
    return polygon(diamond, "mark-off" if state == "off" else "mark-unsure")


def front_drawing(mirror: MirrorResult, size_mm: tuple[float, float] | None, name: str, units: str = "mm") -> str:
    """The mirror as one faces it, with what goes behind each corner, behind an edge, or under its foot."""
    needed = [shim for shim in mirror.shims.shims if shim_is_needed(shim)]
    told = "; ".join(f"{place_words(shim)}: {packing_words(shim, units)}" for shim in mirror.shims.shims)
    width, height = _face(size_mm)
    left, top = (WIDTH - width) / 2, FACE_TOP
    face = [(left, top), (left + width, top), (left + width, top + height), (left, top + height)]
    parts = [polygon(face, "face"), _sheen(left, top, width, height)]
    foot = mirror.shims.mount == "foot"
    if foot:
        parts.append(box(left - 8, top + height, width + 16, 9, "foot"))
    thickest = max((shim.thickness_mm.value for shim in needed), default=1.0)
    for shim in mirror.shims.shims:
        parts += _place_parts(shim, face, thickest, units)
    below = top + height + (74 if not foot else 62)
    return frame(name, "The mirror as you face it", told or "No packing.", below, parts)


def _face(size_mm: tuple[float, float] | None) -> tuple[float, float]:
    """Width and height of the drawn face, to scale where the mirror's size is known."""
    wide, high = size_mm or (3.0, 1.6)
    scale = min(FACE_WIDTH / wide, FACE_HEIGHT / high)
    return max(wide * scale, 60.0), max(high * scale, 40.0)


def _sheen(left: float, top: float, width: float, height: float) -> str:
    """Two slanting strokes, as one draws glass."""
    x, y, long = left + 0.42 * width, top + 0.36 * height, 0.22 * min(width, height)
    return line((x, y + long), (x + long, y), "sheen") + line((x + 14, y + long), (x + long + 14, y), "sheen")


def _place_parts(shim: Shim, face: list[Point], thickest: float, units: str) -> list[str]:
    """One place's packing and its words."""
    corners = ("top_left", "top_right", "bottom_right", "bottom_left")
    if shim.place in corners:
        return _corner_parts(shim, face[corners.index(shim.place)], thickest, units)
    (left, top), (right, _), (_, bottom), _ = face
    middle = (left + right) / 2
    if not shim_is_needed(shim):
        return []
    reach = max(THINNEST_PX, PACKED_PX * shim.thickness_mm.value / thickest)
    words = shim_size_words(shim, units=units)
    wide, high = right - left, bottom - top
    edges = {
        "behind_bottom_per_100_height": (
            (left, bottom - reach / 2, right - left, reach / 2),
            (middle, bottom + 24),
        ),
        "behind_top_per_100_height": ((left, top, wide, reach / 2), (middle, top - 26)),
        "behind_left_per_100_width": ((left, top, reach / 2, high), (left, bottom + 48)),
        "behind_right_per_100_width": ((right - reach / 2, top, reach / 2, high), (right, bottom + 48)),
        "front": ((left, bottom + 9, wide, reach / 2), (middle, bottom + 40)),
        "rear": ((left, bottom + 9, wide, reach / 2), (middle, bottom + 40)),
    }
    if shim.place not in edges:
        return []
    place, (at, baseline) = edges[shim.place]
    anchor = {"behind_left_per_100_width": "start", "behind_right_per_100_width": "end"}.get(shim.place, "middle")
    parts = [box(*place, "packing")]
    parts.append(text(at, baseline, place_words(shim), anchor=anchor, size=SMALL))
    parts.append(text(at, baseline + 16, words, anchor=anchor, size=PLAIN, class_="words strong"))
    return parts


def _corner_parts(shim: Shim, corner: Point, thickest: float, units: str) -> list[str]:
    x, y = corner
    upper, on_left = shim.place.startswith("top"), shim.place.endswith("left")
    edge = 8.0 if on_left else WIDTH - 8.0
    anchor = "start" if on_left else "end"
    parts: list[str] = []
    needed = shim_is_needed(shim)
    if needed:
        reach = max(THINNEST_PX, PACKED_PX * shim.thickness_mm.value / thickest)
        inward, down = (1 if on_left else -1), (1 if upper else -1)
        parts.append(polygon([(x, y), (x + inward * 1.6 * reach, y), (x, y + down * 1.6 * reach)], "packing"))
    else:
        parts.append(element("circle", cx=x, cy=y, r=4.0, class_="bare"))
    first = y - 44 if upper else y + 20
    size = shim_size_words(shim, units=units) if needed else "nothing"
    parts.append(text(edge, first, CORNER_WORDS[shim.place], anchor=anchor, size=SMALL))
    parts.append(text(edge, first + 19, size, anchor=anchor, size=LARGE, class_="words strong"))
    if needed:
        parts.append(text(edge, first + 35, stack_words(shim, units), anchor=anchor, size=SMALL))
    return parts

"""The mirror to scale from above and from the side, with its packing, as inline SVG."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from ..checking.result import Shim
from ..checking.wording import CORNER_WORDS, PER_100_WORDS, shim_is_needed, shim_size_words
from ..drawing.wording import number_text
from .mirror_part import Standing
from .svg import SMALL_TEXT, WIDTH, Point, frame, line, polygon, scale_bar, text

#: How many times larger than life an error may be drawn, and how far it may then reach.
EXAGGERATIONS = (100, 50, 20, 10, 5, 2)
ERROR_REACH_PX, MOST_DRAWN_DEG = 24.0, 40.0
MARGIN, TOP_ROOM, BOTTOM_ROOM, SIDE_TOP_PX = 14.0, 46.0, 44.0, 20.0
MOST_DEEP_PX, MOST_HIGH_PX = 260.0, 220.0
#: Room beside the mirror's back for the packing's labels, seen from the side; width of a letter of them [px].
LABEL_ROOM_PX, LETTER_PX, LINE_PX = 162.0, 7.0, 15.0
#: What a label keeps from the glass, and how long a leader must be to be drawn [px].
CLEAR_PX, SHORTEST_LEADER_PX = 8.0, 7.0
#: Packing thinner than this would vanish [px]; its width along the glass, as a share of the mirror's.
THINNEST_PX, PACKING_SHARE = 1.5, 0.09


@dataclass(frozen=True)
class View:
    """One drawing's scale and frame: millimetres across and up (or away) to places in the drawing."""

    px_per_mm: float
    left_px: float
    base_px: float
    height_px: float
    larger: int

    def at(self, across_mm: float, up_mm: float) -> Point:
        """The place of a point."""
        return self.left_px + across_mm * self.px_per_mm, self.base_px - up_mm * self.px_per_mm


def plan_view(standing: Standing) -> View:
    """The frame of the drawing from above: across is the target frame's x, up is its y."""
    half = standing.width_mm / 2
    swing = half * max(abs(math.sin(math.radians(turn))) for turn in (standing.turn_deg, standing.want_turn_deg))
    far = standing.distance_mm + standing.glass_mm + swing
    near = max(standing.sheet_depth_mm, swing - standing.distance_mm)
    wide = 1.06 * max(standing.width_mm, standing.sheet_width_mm)
    scale = min((WIDTH - 2 * MARGIN) / wide, MOST_DEEP_PX / (far + near))
    larger = exaggeration(standing.turn_deg - standing.want_turn_deg, half * scale)
    base = TOP_ROOM + ERROR_REACH_PX + far * scale
    return View(scale, WIDTH / 2, base, base + near * scale + BOTTOM_ROOM, larger)


def side_view(standing: Standing) -> View:
    """The frame of the drawing from the side: across is the target frame's y, up is z; labels behind the mirror."""
    before = standing.distance_mm + _sheet_shown_mm(standing)
    behind = max(standing.glass_mm, standing.foot_depth_mm or 0.0) + 4.0
    room = WIDTH - 2 * MARGIN - ERROR_REACH_PX - LABEL_ROOM_PX
    scale = min(room / (before + behind), MOST_HIGH_PX / standing.height_mm)
    left = WIDTH - MARGIN - LABEL_ROOM_PX - (behind + standing.distance_mm) * scale
    base = SIDE_TOP_PX + standing.height_mm * scale + 6
    return View(
        scale, left, base, base + BOTTOM_ROOM + 4, exaggeration(standing.lean_deg, standing.height_mm * scale)
    )


def exaggeration(error_deg: float, reach_px: float) -> int:
    """How many times larger an error is drawn so that it can be seen and stays in the drawing."""
    for times in EXAGGERATIONS:
        drawn = times * abs(error_deg)
        if drawn < MOST_DRAWN_DEG and math.tan(math.radians(drawn)) * reach_px <= ERROR_REACH_PX:
            return times
    return 1


def plan_drawing(standing: Standing, name: str) -> str:
    """From above: sheet, mirror and packing to scale; the turn's error drawn larger, dashed."""
    view, half = plan_view(standing), standing.width_mm / 2
    error = standing.turn_deg - standing.want_turn_deg
    near = -standing.sheet_depth_mm
    parts = [_sheet_from_above(standing, view)] if standing.sheet_depth_mm else []
    parts += [
        polygon([view.at(*_on_glass(standing, s * half, b)) for s, b in _ROUND], "glass"),
        _face_line(standing, view, standing.want_turn_deg, "ink thin"),
    ]
    for side, places in ((-1, ("top_left", "bottom_left")), (1, ("top_right", "bottom_right"))):
        thickness = _thickest(standing, places, standing.width_mm)
        inner, depth = half * (1 - 2 * PACKING_SHARE), standing.glass_mm
        parts.append(
            _packing(
                view,
                [_on_glass(standing, side * along, depth) for along in (inner, half)],
                _behind(standing, thickness, view),
            )
        )
    if view.larger > 1 and error:
        drawn = standing.want_turn_deg + view.larger * error
        parts.append(_face_line(standing, view, drawn, "error dashed"))
    parts += _end_labels(standing, view, -1) + _end_labels(standing, view, 1)
    parts += _foot_of(view, "viewers stand below")
    if standing.sheet_depth_mm:
        x, y = view.at(0, near / 2)
        parts.append(text(x, y, "sheet", anchor="middle", size=SMALL_TEXT))
    told = (
        f"To scale, from above. The mirror's turn is {number_text(standing.turn_deg, 2)}°, wanted "
        f"{number_text(standing.want_turn_deg, 2)}°. {_packing_told(standing)}"
    )
    return frame(name, f"Plan of mirror {standing.number}", told, view.height_px, parts)


def side_drawing(standing: Standing, name: str) -> str:
    """From the side: floor, mirror and packing to scale; the lean's error drawn larger, dashed."""
    view, high, face = side_view(standing), standing.height_mm, standing.distance_mm
    lean = math.radians(standing.lean_deg)

    def on_glass(up_mm: float, back_mm: float) -> Point:
        return (
            face - up_mm * math.sin(lean) + back_mm * math.cos(lean),
            up_mm * math.cos(lean) + back_mm * math.sin(lean),
        )

    corners = [on_glass(*place) for place in ((0, 0), (high, 0), (high, standing.glass_mm), (0, standing.glass_mm))]
    parts = [
        line((MARGIN, view.base_px), (WIDTH - MARGIN, view.base_px), "ink"),
        line(view.at(-_sheet_shown_mm(standing), 0), view.at(0, 0), "sheet-edge"),
        polygon([view.at(*corner) for corner in corners], "glass"),
        line(view.at(face, 0), view.at(face, high), "ink thin"),
    ]
    for low, top, places in (
        (1 - 2 * PACKING_SHARE, 1.0, ("top_left", "top_right")),
        (0.0, 2 * PACKING_SHARE, ("bottom_left", "bottom_right")),
    ):
        behind = [on_glass(share * high, standing.glass_mm) for share in (low, top)]
        thickness = _thickest(standing, places, high)
        parts.append(_packing(view, behind, (max(thickness, _least_mm(thickness, view)), 0.0)))
    if standing.foot_depth_mm:
        parts.append(_foot_packing(standing, view))
    if view.larger > 1 and standing.lean_deg:
        drawn = math.radians(view.larger * standing.lean_deg)
        top_end = view.at(face - high * math.sin(drawn), high * math.cos(drawn))
        parts.append(line(view.at(face, 0), top_end, "error dashed"))
    parts += _side_labels(standing, view)
    parts += _foot_of(view, "viewers stand to the left")
    told = f"To scale, from the side. The mirror's lean is {number_text(standing.lean_deg, 2)}°, wanted 0°."
    title = f"Side view of mirror {standing.number}"
    return frame(name, title, f"{told} {_packing_told(standing)}", view.height_px, parts)


#: Corners of the glass from above, as (side, whether at the back); see _on_glass.
_ROUND = ((-1, 0.0), (1, 0.0), (1, -1.0), (-1, -1.0))


def _on_face(standing: Standing, turn_deg: float, along_mm: float) -> Point:
    """(x, y) [mm] of a point of the front face seen from above, the mirror turned about its middle."""
    turn = math.radians(turn_deg)
    return along_mm * math.cos(turn), standing.distance_mm + along_mm * math.sin(turn)


def _face_line(standing: Standing, view: View, turn_deg: float, class_: str) -> str:
    """The whole front face from above, at some turn."""
    left, right = (_on_face(standing, turn_deg, side * standing.width_mm / 2) for side in (-1, 1))
    return line(view.at(*left), view.at(*right), class_)


def _on_glass(standing: Standing, along_mm: float, back_mm: float) -> Point:
    """(x, y) [mm] of a point of the glass as it stands; back -1 means its whole thickness."""
    back = standing.glass_mm if back_mm < 0 else back_mm
    turn = math.radians(standing.turn_deg)
    x, y = _on_face(standing, standing.turn_deg, along_mm)
    return x - back * math.sin(turn), y + back * math.cos(turn)


def _sheet_from_above(standing: Standing, view: View) -> str:
    half, near = standing.sheet_width_mm / 2, -standing.sheet_depth_mm
    return polygon([view.at(x, y) for x, y in ((-half, 0), (half, 0), (half, near), (-half, near))], "sheet")


def _sheet_shown_mm(standing: Standing) -> float:
    """How much of the sheet the side view shows: enough to see that it lies there."""
    return min(standing.sheet_depth_mm or 40.0, 0.6 * standing.height_mm)


def _shim_at(standing: Standing, place: str) -> Shim | None:
    return next((s for s in standing.shims.shims if s.place == place), None) if standing.shims else None


def _thickest(standing: Standing, corners: Sequence[str], side_mm: float) -> float:
    """The thickest packing [mm] of a side's corners, or of that edge when it is given per 100 mm."""
    edge = next(e for e in ("top", "bottom", "left", "right") if all(e in corner for corner in corners))
    found = [shim.thickness_mm.value for corner in corners if (shim := _shim_at(standing, corner))]
    for per in PER_100_WORDS:
        if shim := _shim_at(standing, f"behind_{edge}_per_100_{per}"):
            found.append(shim.thickness_mm.value * side_mm / 100)
    return max(found, default=0.0)


def _least_mm(thickness_mm: float, view: View) -> float:
    return THINNEST_PX / view.px_per_mm if thickness_mm > 0.05 else 0.0


def _behind(standing: Standing, thickness_mm: float, view: View) -> Point:
    """The packing's thickness as a step away from the glass, from above."""
    shown, turn = max(thickness_mm, _least_mm(thickness_mm, view)), math.radians(standing.turn_deg)
    return -shown * math.sin(turn), shown * math.cos(turn)


def _packing(view: View, behind: Sequence[Point], step: Point) -> str:
    """A block between two places on the glass's back and the same places a step behind it."""
    if step == (0.0, 0.0) or math.hypot(*step) == 0:
        return ""
    (ax, ay), (bx, by) = behind
    corners = ((ax, ay), (bx, by), (bx + step[0], by + step[1]), (ax + step[0], ay + step[1]))
    return polygon([view.at(*corner) for corner in corners], "packing")


def _foot_packing(standing: Standing, view: View) -> str:
    """The foot behind the mirror's face, and what goes under its front or rear edge."""
    depth, face = standing.foot_depth_mm or 0.0, standing.distance_mm
    foot = polygon([view.at(face + x, z) for x, z in ((0, 0), (depth, 0), (depth, 4), (0, 4))], "sheet")
    for place, start in (("front", 0.0), ("rear", 0.8 * depth)):
        shim = _shim_at(standing, place)
        if shim and shim_is_needed(shim):
            down = max(shim.thickness_mm.value, THINNEST_PX / view.px_per_mm)
            ends = ((start, 0), (start + 0.2 * depth, 0), (start + 0.2 * depth, -down), (start, -down))
            foot += polygon([view.at(face + x, z) for x, z in ends], "packing")
    return foot


def _label_lines(standing: Standing, places: Sequence[str]) -> list[str]:
    """What goes where in words, a line for each place; the one that gets nothing too."""
    lines = []
    for place in places:
        if shim := _shim_at(standing, place):
            size = shim_size_words(shim) if shim_is_needed(shim) else "none"
            lines.append(f"{CORNER_WORDS.get(place, place)}: {size}")
    return lines


def _end_labels(standing: Standing, view: View, side: int) -> list[str]:
    """From above: the packing of the left (-1) or right end, behind it, with a leader to it."""
    places = ("top_left", "bottom_left") if side < 0 else ("top_right", "bottom_right")
    lines = _label_lines(standing, places)
    if not lines:
        return []
    wide = LETTER_PX * max(len(words) for words in lines)
    outer = MARGIN if side < 0 else WIDTH - MARGIN
    end = view.at(*_on_glass(standing, side * 0.95 * standing.width_mm / 2, standing.glass_mm))
    outer = min(outer, end[0]) if side < 0 else max(outer, end[0])
    inner = outer - side * wide
    packing = _thickest(standing, places, standing.width_mm) * view.px_per_mm
    lowest = min(_glass_top(standing, view, x) for x in (outer, inner)) - packing - CLEAR_PX
    found = [
        text(outer, lowest - LINE_PX * (len(lines) - 1 - row), words, anchor="start" if side < 0 else "end")
        for row, words in enumerate(lines)
    ]
    if end[1] - lowest > CLEAR_PX + SHORTEST_LEADER_PX:
        found.append(line((end[0], lowest + 3), (end[0], end[1] - 3), "faint"))
    return found


def _glass_top(standing: Standing, view: View, x_px: float) -> float:
    """The highest place [px] of mirror and drawn error at a place across, from above."""
    half = standing.width_mm / 2
    larger = view.larger * (standing.turn_deg - standing.want_turn_deg)
    found = []
    for turn in (standing.turn_deg, standing.want_turn_deg, standing.want_turn_deg + larger):
        (ax, ay), (bx, by) = (view.at(*_on_face(standing, turn, side * half)) for side in (-1, 1))
        share = min(1.0, max(0.0, (x_px - ax) / (bx - ax))) if bx != ax else 0.5
        found.append(ay + share * (by - ay))
    return min(found) - standing.glass_mm * view.px_per_mm


def _side_labels(standing: Standing, view: View) -> list[str]:
    """From the side: the packing beside its place behind the mirror, or behind the foot that it goes under."""
    high, back = standing.height_mm, standing.glass_mm + standing.distance_mm
    lean = high * math.sin(math.radians(-standing.lean_deg))
    x = view.at(back + max(lean, standing.foot_depth_mm or 0.0, 0.0), 0)[0] + CLEAR_PX + 6
    top = view.at(0, high)[1] + LINE_PX
    bottom = view.base_px - 7
    upper = _label_lines(standing, ("top_left", "top_right"))
    lower = _label_lines(standing, ("bottom_left", "bottom_right")) + _label_lines(standing, ("front", "rear"))
    words = [(top + LINE_PX * row, one) for row, one in enumerate(upper)]
    words += [(bottom - LINE_PX * (len(lower) - 1 - row), one) for row, one in enumerate(lower)]
    return [text(x, y, one) for y, one in words]


def _foot_of(view: View, viewers: str) -> list[str]:
    return [
        scale_bar(MARGIN, view.height_px - 8, view.px_per_mm, 110.0),
        text(WIDTH - MARGIN, view.height_px - 8, viewers, anchor="end", size=SMALL_TEXT),
    ]


def _packing_told(standing: Standing) -> str:
    """The packing for those who hear the page."""
    needed = [s for s in standing.shims.shims if shim_is_needed(s)] if standing.shims else []
    if not needed:
        return "No packing was asked for."
    return "Packing: " + ", ".join(f"{s.place.replace('_', ' ')} {shim_size_words(s)}" for s in needed) + "."

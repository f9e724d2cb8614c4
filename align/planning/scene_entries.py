"""One table of a scene file each: from its checked entries to what it describes."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path as FilePath

from ..optics.slab import FLOAT_GLASS_INDEX
from ..target.sheets import SHEETS
from ..toml_table import Table
from .bodies import Box, Cutout, panel
from .scene import (
    DEFAULT_EYES_MM,
    ONLY_MIRROR,
    WANTS,
    Floor,
    Lamp,
    Light,
    Mirror,
    Opening,
    Path,
    SheetPlace,
    Thing,
    Viewers,
)

#: Limits that catch a slip of the pen (inches, radians, a missing digit); no mirror needs more.
MOST_LEAN_DEG, MOST_TURN_DEG, MOST_GLASS_MM = 45.0, 180.0, 25.0


def light_of(t: Table) -> Light:
    """[light]"""
    return Light(
        math.radians(t.number("shines_to_deg", 90, at_least=-180, at_most=180)),
        math.radians(t.number("fall_deg", 45, default=45.0, at_least=0, at_most=90)),
    )


def floor_of(t: Table) -> Floor:
    """[floor]"""
    area = (*t.span("x", "[-350, 350]"), *t.span("y", "[0, 560]"))
    return Floor(area, t.number("above_room_mm", 800, at_least=0))


def mirror_of(t: Table, folder: FilePath) -> tuple[Mirror, list[str]]:
    """[[mirror]] and notes on it: lean, turn, glass and distance from its measurement, where it names one."""
    at = t.numbers("at", "[0, 520]", 2)
    mirror = Mirror(
        (at[0], at[1]),
        t.number("width_mm", 240, above=0),
        t.number("height_mm", 170, above=0),
        t.number("foot_mm", 0, default=0.0, at_least=0),
        math.radians(t.number("lean_deg", 0, default=0.0, at_least=-MOST_LEAN_DEG, at_most=MOST_LEAN_DEG)),
        math.radians(t.number("turn_deg", 0, default=0.0, at_least=-MOST_TURN_DEG, at_most=MOST_TURN_DEG)),
        t.number("glass_mm", 4, default=4.0, at_least=0, at_most=MOST_GLASS_MM),
        t.number("index", FLOAT_GLASS_INDEX, default=FLOAT_GLASS_INDEX, at_least=1.3, at_most=2.0),
        t.text("name", "arcade mirror", default=ONLY_MIRROR) or ONLY_MIRROR,
    )
    uncertainties = {}
    for field, key, to_own in (
        ("lean", "lean_doubt_deg", math.radians),
        ("turn", "turn_doubt_deg", math.radians),
        ("glass_mm", "glass_doubt_mm", float),
        ("at_y_mm", "distance_doubt_mm", float),
    ):
        half = to_own(t.number(key, 0.2, default=0.0, at_least=0))
        if half > 0:
            middle = mirror.at_mm[1] if field == "at_y_mm" else getattr(mirror, field)
            uncertainties[field] = (
                max(0.0, middle - half) if field == "glass_mm" else middle - half,
                middle + half,
            )
    which = int(t.number("measured_mirror", 1, default=1.0, at_least=1))
    sheet = t.numbers("sheet_at", "[0, 300]", 2) if t.has("sheet_at") else None
    sheet_turn = math.radians(t.number("sheet_turn_deg", 0, default=0.0, at_least=-90, at_most=90))
    source = t.text("measured", "check.json", default="")
    if not source:
        return replace(mirror, uncertainties=uncertainties), []
    from .measured import apply_measured

    mirror, measured, notes = apply_measured(t, mirror, folder / source, which, sheet, sheet_turn)
    return replace(mirror, uncertainties={**uncertainties, **measured}, measured_from=source), list(notes)


def viewers_of(t: Table) -> Viewers:
    """[viewers]"""
    area = (*t.span("x", "[-500, 500]"), *t.span("y", "[-1100, -350]"))
    heights = t.numbers("eye_heights_mm", "[1000, 1405, 1745]", None, default=DEFAULT_EYES_MM)
    if min(heights) <= 0:
        t.fail(
            "eye_heights_mm",
            f"expected heights above the room's floor, found {min(heights):g}",
            "Measure from the floor that the visitors stand on, not from the scene's floor.",
        )
    return Viewers(area, tuple(sorted(heights)), t.number("spacing_mm", 100, default=100.0, above=0))


def box_of(t: Table) -> Box:
    """[[box]] and [[keep_clear]]"""
    name = t.text("name", "warehouse")
    at = t.numbers("at", "[120, 300]", 2)
    size = size_of(t)
    turn = math.radians(t.number("turn_deg", 0, default=0.0))
    return Box(name, (at[0], at[1]), size, t.number("base_mm", 0, default=0.0), turn)


def size_of(t: Table) -> tuple[float, float, float]:
    """The entry `size`: three lengths above 0 [mm]."""
    size = t.numbers("size", "[100, 80, 150]", 3)
    if min(size) <= 0:
        t.fail(
            "size",
            f"expected three lengths above 0 (along x, along y, high), found {list(size)}",
            "Write the three outer measures in mm: size = [100, 80, 150]",
        )
    return size[0], size[1], size[2]


def panel_of(t: Table) -> Box:
    """[[panel]]"""
    name = t.text("name", "arcade front")
    start, end = t.numbers("from", "[-150, 430]", 2), t.numbers("to", "[150, 430]", 2)
    base, top = t.number("base_mm", 0, default=0.0), t.number("top_mm", 200)
    if start == end:
        t.fail("to", "the panel's two ends are one point", "Give the floor points of its two ends.")
    if top <= base:
        words = f"the panel has no area: its top {top:g} is not above its base {base:g}"
        t.fail("top_mm", words, "Its top must be above its base.")
    return panel(name, (start[0], start[1]), (end[0], end[1]), base, top)


def thing_of(t: Table) -> Thing:
    """[[thing]]"""
    name = t.text("name", "lighthouse")
    want = next(one for one in WANTS if one == t.choice("want", WANTS))
    at = t.numbers("at", "[-60, 350, 40]", 3)
    size = size_of(t) if t.has("size") else (0.0, 0.0, 0.0)
    body = Box(name, (at[0], at[1]), size, at[2])
    if want in ("hide", "not reversed") and t.has("least_share"):
        t.fail(
            "least_share",
            'counts for "show", "mirror only" and "direct only"; what must not be seen, must be from nowhere',
            "Take the line out.",
        )
    least = t.number("least_share", 0.9, default=1.0, above=0, at_most=1)
    return Thing(name, want, body, t.flag("solid"), least, t.flag("lettering"))


def lamp_of(t: Table) -> Lamp:
    """[[lamp]]"""
    name = t.text("name", "street lantern")
    at = t.numbers("at", "[-60, 460, 80]", 3)
    return Lamp(name, (at[0], at[1], at[2]), t.number("diameter_mm", 3, default=3.0, above=0))


def path_of(t: Table) -> Path:
    """[[path]]"""
    run_on = None
    if t.has("run_on_deg"):
        run_on = math.radians(t.number("run_on_deg", 0, at_least=-120, at_most=120))
    return Path(
        t.text("name", "harbour street"),
        t.points("points", "[[0, 0], [0, 520]]"),
        t.number("width_mm", 60, default=0.0, at_least=0),
        t.number("pitch_mm", 20, default=0.0, at_least=0),
        run_on,
    )


def opening_of(t: Table) -> Opening:
    """[[opening]], of the first mirror until it is said of which."""
    names = ("bottom_mm", "right_mm", "top_mm", "left_mm", "rising_mm", "falling_mm")
    readings = {name: t.number(name, 250, above=0) for name in names}
    uncertainty = t.number("doubt_mm", 1, default=1.0, above=0)
    clearance = t.number("clearance_mm", 2, default=2.0, at_least=0)
    where = {name: t.lines.where(t.name, t.index, name) for name in (*names, "clearance_mm")}
    bottom, right, top, left, rising, falling = (readings[name] for name in names)
    return Opening(bottom, right, top, left, rising, falling, uncertainty, clearance, where)


def cutout_of(t: Table) -> Cutout:
    """[[cutout]]"""
    name = t.text("name", "quay crane")
    foot = t.numbers("foot", "[-120, 80, 0]", 3)
    height = t.number("height_mm", 120, above=0)
    return Cutout(name, (foot[0], foot[1], foot[2]), height, t.number("width_mm", 80, default=height, above=0))


def first_sheet_of(top: Table, mirrors: tuple[Mirror, ...], things: tuple[Thing, ...]) -> SheetPlace | None:
    """`sheet_at`, `sheet_turn_deg` and `sheet` at the file's top; None where it does not say."""
    turn = math.radians(top.number("sheet_turn_deg", 0, default=0.0, at_least=-180, at_most=180))
    kind = top.choice("sheet", tuple(SHEETS)) if top.has("sheet") else ""
    if not top.has("sheet_at"):
        return None
    return _placed(top, "sheet_at", turn, kind, mirrors, things)


def sheet_place_of(t: Table, mirrors: tuple[Mirror, ...], things: tuple[Thing, ...]) -> SheetPlace:
    """[[sheet_place]]: where another sheet lies in other photos."""
    turn = math.radians(t.number("turn_deg", 0, default=0.0, at_least=-180, at_most=180))
    kind = t.choice("sheet", tuple(SHEETS))
    t.has("at")
    return _placed(t, "at", turn, kind, mirrors, things)


def _placed(
    t: Table, key: str, turn: float, kind: str, mirrors: tuple[Mirror, ...], things: tuple[Thing, ...]
) -> SheetPlace:
    if not isinstance(t.data.get(key), str):
        at = t.numbers(key, "[0, 300]", 2)
        return SheetPlace((at[0], at[1]), turn, kind)
    name = t.text(key, "arcade mirror")
    for mirror in mirrors:
        if mirror.name == name:
            return SheetPlace(mirror.at_mm, mirror.turn + turn, kind)
    for thing in things:
        if thing.name == name:
            return SheetPlace(thing.body.centre_mm, turn, kind)
    names = ", ".join(f'"{name}"' for name in (*(m.name for m in mirrors), *(t.name for t in things)))
    t.fail(
        key,
        f'no mirror or thing is called "{name}"',
        f"Give the place of the middle of its far edge, {key} = [0, 300], or one of these names: {names}.",
    )

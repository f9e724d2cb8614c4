"""The plan's pictures: from above, from the side, the standing places, and what one viewer sees."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path as FilePath
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from ...whole_file import write_figure, write_whole
from ..bend import met_by_end
from ..bodies import Box
from ..scene import Scene
from ..street import band, before_glass, carried_to_glass, edges_to_glass, on_floor
from ..text import plan_text
from .number_places import Placed, Surroundings, outline_of, place_numbers
from .parts import (
    BLUE,
    GREY,
    INK,
    LAMP_PT,
    NUMBER_RADIUS_PT,
    ORANGE,
    PALE,
    SKY,
    STONE,
    TYPE,
    VERMILION,
    WIDE_INCH,
    Item,
    draw_key,
    draw_lamps,
    draw_numbers,
    key_inch,
    numbered_items,
    seeming_lamps,
    shows_on_map,
    tidy,
    virtual,
    wrapped_title,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from ..result import PlanResult

Array = NDArray[np.float64]

#: What a standing place is coloured by, the gravest that holds: words, colour, mark.
STATES = (
    ("all as wished", SKY, ""),
    ("something is missing", "#BBBBBB", "–"),
    ("something shows that must not", ORANGE, "×"),
    ("meets the own face", VERMILION, "●"),
)
_DPI = 110
#: A map is no higher than this [in].
_MOST_MAP_INCH = 14.0
#: The mirror's line [pt]; what covers more of the map than this share may have numbers on it.
_MIRROR_PT, _LARGE = 6.0, 0.15


def draw_plan(result: PlanResult, folder: FilePath) -> list[FilePath]:
    """Draw all pictures and write the text into a folder, made if needed.

    Raises
    ------
    AlignError : the folder cannot be written to.
    """
    from .from_the_eye import mirror_view
    from .from_the_side import side_view

    makers = {
        "plan_from_above.png": plan_view,
        "plan_from_the_side.png": side_view,
        "plan_standing_places.png": standing_places,
        "plan_mean_viewer.png": mirror_view,
    }
    text = folder / "plan.txt"
    write_whole(text, (plan_text(result) + "\n").encode(), make_folder=True)
    for name, make in makers.items():
        write_figure(make(result), folder / name, dpi=_DPI, facecolor="white", bbox_inches="tight", pad_inches=0.25)
    return [*(folder / name for name in makers), text]


def place_states(result: PlanResult) -> NDArray[np.int64]:
    """(heights, places) number of the gravest state in STATES that holds at each eye place."""
    views = result.views
    states = np.zeros(views.own_face.shape, dtype=np.int64)
    for thing in views.things:
        # Where a thing need not show from everywhere and shows from enough places, no place misses it.
        if not thing.met:
            missing = thing.trouble & ~thing.unwanted
            states[missing] = np.maximum(states[missing], 1)
    for thing in views.things:
        states[thing.unwanted] = 2
    states[views.own_face] = 3
    return states


def plan_view(result: PlanResult) -> Any:
    """From above, to scale: the scene, its image behind the glass, and the standing area by the worst
    seen."""
    from matplotlib.figure import Figure

    scene = result.scene
    low, high = _map_frame(scene)
    size = high - low
    items = numbered_items(scene)
    middles = [item.ring_mm.mean(axis=0) for item in items]
    inside = [item for item, at in zip(items, middles, strict=True) if np.all((at > low) & (at < high))]
    listed, kinds, words = _with_far(items, inside), _map_legend(scene), _cells_words(scene)
    height = min(_MOST_MAP_INCH, (WIDE_INCH - 0.9) * float(size[1] / size[0]))
    below = key_inch(listed, kinds, words)
    figure = Figure(figsize=(WIDE_INCH, height + below + 1.4), layout="constrained")
    ax, key = figure.subplots(2, 1, height_ratios=(height, below))
    ax.set_aspect("equal")
    ax.set_xlim(low[0], high[0])
    ax.set_ylim(low[1], high[1])
    _draw_places(ax, scene, place_states(result).max(axis=0))
    _draw_floor(ax, scene)
    for zone in scene.keep_clear:
        _outline(ax, zone, fill=False, hatch="///", ec=GREY, lw=1.0, zorder=4)
    _draw_paths(ax, scene)
    for box in scene.blockers:
        _outline(ax, box, fc=STONE, ec=INK, lw=1.5, zorder=6)
        _ghost_outline(ax, scene, box)
    for thing in scene.things:
        _outline(ax, thing.body, fc="white", ec=INK, lw=1.2, zorder=7)
        _ghost_outline(ax, scene, thing.body)
    draw_lamps(ax, scene, (0, 1))
    _draw_mirror_from_above(ax, scene)
    tidy(ax, "x: to the right [mm]", "y: away from the viewers [mm]")
    wrapped_title(figure, f"{scene.name}, seen from above", TYPE + 4)
    draw_key(key, listed, kinds, words)
    _number(ax, scene, inside)
    return figure


def _cells_words(scene: Scene) -> str:
    """What a cell of the standing places says."""
    names = [name.removeprefix("eyes at ").replace(" mm", "\N{NO-BREAK SPACE}mm") for name in scene.viewer_names]
    if len(names) == 1:
        return f"Standing places, with eyes at {scene.viewers.eye_heights_mm[0]:g} mm:"
    listed = ", ".join(names[:-1]) + f" and {names[-1]}"
    eyes = "eyes at " if scene.viewer_names[0].startswith("eyes") else ""
    count = {2: "two", 3: "three"}.get(len(names), str(len(names)))
    words = f"Standing places: each cell shows the worst of its {count} eye heights ({eyes}{listed})."
    return "\n".join(textwrap.wrap(words, 62))


def _number(ax: Axes, scene: Scene, items: list[Item]) -> None:
    """Numbers beside what they name; the layout is settled first, as only then a point has its place on the
    page."""
    figure = ax.figure
    figure.draw_without_rendering()  # type: ignore[union-attr]
    per_px = 72.0 / figure.dpi

    def on_page(points: Array) -> Array:
        return np.asarray(ax.transData.transform(points)) * per_px

    low, high = (on_page(np.array([corner]))[0] for corner in zip(ax.get_xlim(), ax.get_ylim(), strict=True))
    named = [outline_of(on_page(item.ring_mm), item.half_width_pt) for item in items]
    small = [outline for outline in named if np.prod(np.ptp(outline.ring, axis=0)) < _LARGE * np.prod(high - low)]
    glasses = [outline_of(on_page(mirror.corners[:2, :2]), _MIRROR_PT / 2) for mirror in scene.mirrors]
    images = [image for mirror in scene.mirrors for image in seeming_lamps(scene.led_by(mirror))]
    lamps = [outline_of(on_page(lamp[None, :2]), LAMP_PT / 2) for lamp in images]
    x0, x1, y0, y1 = scene.viewers.area_mm
    w, h = _half_cell(scene)
    area = np.array([(x0 - w, y0 - h), (x1 + w, y0 - h), (x1 + w, y1 + h), (x0 - w, y1 + h)])
    around = Surroundings(
        low,
        high,
        (*small, *glasses),
        tuple(on_page(line) for line in _lines_drawn(scene)),
        (outline_of(on_page(area), 0.0), *lamps, *(outline for outline in named if outline not in small)),
    )
    placed = place_numbers(named, around, NUMBER_RADIUS_PT)
    back = ax.transData.inverted()
    draw_numbers(ax, items, Placed(*(back.transform(points / per_px) for points in placed)))


def _lines_drawn(scene: Scene) -> list[Array]:
    """(n, 2) [mm] lines of the map that numbers had better not cover: edges of floor, paths, and images."""
    rings = [_floor_ring(scene), virtual(scene, before_glass(_floor_ring(scene), scene.mirror))]
    bodies = [*scene.blockers, *(thing.body for thing in scene.things)]
    rings += [virtual(scene, before_glass(body.corners[:4], scene.mirror)) for body in bodies]
    lines = [np.vstack([ring, ring[:1]])[:, :2] for ring in rings if len(ring)]
    for edge, image in _path_edges(scene):
        lines += [edge] if image is None else [edge, image]
    return lines


def _map_frame(scene: Scene) -> tuple[Array, Array]:
    x0, x1, y0, y1 = scene.floor.area_mm
    floor = np.array([(x, y, 0.0) for x in (x0, x1) for y in (y0, y1)])
    vx0, vx1, vy0, vy1 = scene.viewers.area_mm
    w, h = _half_cell(scene)
    viewers = np.array([(x, y, 0.0) for x in (vx0 - w, vx1 + w) for y in (vy0 - h, vy1 + h)])
    everything = np.vstack([floor, viewers, virtual(scene, floor)])[:, :2]
    margin = 0.03 * float(np.ptp(everything, axis=0).max())
    return everything.min(axis=0) - margin, everything.max(axis=0) + margin


def _with_far(items: list[Item], inside: list[Item]) -> list[Item]:
    """Items for the key; what lies outside the map says so."""
    return [item if item in inside else replace(item, name=f"{item.name}, off this map") for item in items]


def _map_legend(scene: Scene) -> list[tuple[str, Any]]:
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    places = [
        (f"standing place: {words}{f'  {mark}' if mark else ''}", Patch(fc=colour, ec=GREY))
        for words, colour, mark in STATES
    ]
    found = [*places, ("the mirror" if len(scene.mirrors) == 1 else "mirror", Line2D([], [], color=INK, lw=6))]
    if scene.lamps:
        found.append(("lamp", Line2D([], [], marker="*", ms=14, ls="", color=ORANGE, mec=INK)))
    found.append(("as it seems behind the glass", Line2D([], [], color=GREY, lw=1.8, ls="--")))
    if scene.paths:
        found.append(("path, and as it seems to run on", Line2D([], [], color=BLUE, lw=3)))
    return found


def _half_cell(scene: Scene) -> Array:
    """(2,) [mm] half the width and depth of a standing place's cell."""
    places = scene.viewers.places
    steps = [np.diff(np.unique(places[:, axis])) for axis in (0, 1)]
    return np.array([float(step.min()) if len(step) else scene.viewers.spacing_mm for step in steps]) / 2


def _draw_places(ax: Axes, scene: Scene, states: NDArray[np.int64]) -> None:
    from matplotlib.patches import Rectangle

    width, depth = 2 * _half_cell(scene)
    for (x, y), state in zip(scene.viewers.places, states, strict=True):
        _, colour, mark = STATES[state]
        corner = (x - width / 2, y - depth / 2)
        ax.add_patch(Rectangle(corner, width, depth, fc=colour, ec="white", lw=0.8, zorder=2))
        if mark:
            ax.text(x, y, mark, ha="center", va="center", fontsize=TYPE - 2, color=INK, zorder=3)


def _floor_ring(scene: Scene) -> Array:
    """(4, 3) [mm] corners of the floor."""
    x0, x1, y0, y1 = scene.floor.area_mm
    return np.array([(x0, y0, 0), (x1, y0, 0), (x1, y1, 0), (x0, y1, 0)], float)


def _draw_floor(ax: Axes, scene: Scene) -> None:
    corners = _floor_ring(scene)
    ax.fill(*corners[:, :2].T, fc=PALE, ec=INK, lw=1.5, zorder=1)
    ring = virtual(scene, before_glass(corners, scene.mirror))
    ax.fill(*ring[:, :2].T, fc="none", ec=GREY, lw=1.2, ls="--", zorder=1)


def _path_edges(scene: Scene) -> Iterator[tuple[Array, Array | None]]:
    """(n, 2) [mm] every edge of every path, and its image where the path meets the glass."""
    for path in scene.paths:
        mirror = met_by_end(scene, path)
        met = None if mirror is None else carried_to_glass(path, mirror)
        if mirror is None or met is None:
            yield from ((edge, None) for edge in band(path.points_mm, path.width_mm))
            continue
        for edge in edges_to_glass(met[0], path.width_mm, mirror):
            yield edge, virtual(scene.led_by(mirror), on_floor(edge))[:, :2]


def _draw_paths(ax: Axes, scene: Scene) -> None:
    for edge, image in _path_edges(scene):
        ax.plot(*edge.T, color=BLUE, lw=1.6, zorder=5)
        if image is not None:
            ax.plot(*image.T, color=BLUE, lw=1.3, ls="--", zorder=5)


def _outline(ax: Axes, box: Box, **style: Any) -> None:
    ring = box.corners[:4, :2]
    ax.fill(*ring.T, **style)


def _ghost_outline(ax: Axes, scene: Scene, box: Box) -> None:
    for mirror in scene.mirrors:
        led = scene.led_by(mirror)
        ring = virtual(led, before_glass(box.corners[:4], mirror))
        if len(ring) and (len(scene.mirrors) == 1 or shows_on_map(led, ring.mean(axis=0))):
            ax.fill(*ring[:, :2].T, fc="none", ec=GREY, lw=1.5, ls="--", zorder=3)


def _draw_mirror_from_above(ax: Axes, scene: Scene) -> None:
    for mirror in scene.mirrors:
        corners = mirror.corners
        ax.plot(*corners[:2, :2].T, color=INK, lw=_MIRROR_PT, solid_capstyle="butt", zorder=9)
        if abs(mirror.lean) > 1e-6:
            ax.plot(*corners[2:, :2].T, color=INK, lw=1.5, zorder=9)


def standing_places(result: PlanResult) -> Any:
    """One map of the standing area for each eye height, coloured by the gravest that is seen from there."""
    from matplotlib.figure import Figure
    from matplotlib.patches import Patch

    scene = result.scene
    states = place_states(result)
    count = len(states)
    x0, x1, y0, y1 = scene.viewers.area_mm
    shape = (y1 - y0 + 200.0) / (x1 - x0 + 200.0)
    width = WIDE_INCH - 1.2
    figure = Figure(figsize=(WIDE_INCH, count * (width * shape + 1.0) + 2.2), layout="constrained")
    axes = np.atleast_1d(figure.subplots(count, 1, sharex=True))
    for ax, state, name, height in zip(axes, states, scene.viewer_names, scene.viewers.eye_heights_mm, strict=True):
        ax.set_aspect("equal")
        _draw_places(ax, scene, state)
        ax.set_xlim(x0 - 100, x1 + 100)
        ax.set_ylim(y0 - 100, y1 + 100)
        words = "" if name.startswith("eyes") else f"{name}, "
        ax.set_title(f"{words}eyes at {height:.0f} mm\nall as wished from {(state == 0).mean():.0%}", fontsize=TYPE)
        tidy(ax, "", "y [mm]")
        ax.grid(visible=False)
    axes[-1].set_xlabel("x [mm]   (the scene is above each map)", fontsize=TYPE)
    there = [STATES[number] for number in sorted(set(states.ravel().tolist()) | {0})]
    figure.legend(
        [Patch(fc=colour, ec=GREY) for _, colour, _ in there],
        [f"{words}{f'  {mark}' if mark else ''}" for words, _, mark in there],
        loc="outside lower center",
        ncols=2,
        frameon=False,
        fontsize=TYPE,
    )
    wrapped_title(figure, f"{scene.name}: what is seen from where", TYPE + 4)
    return figure

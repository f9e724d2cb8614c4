"""The plan's pictures: from above, from the side, the standing places, and what the mean viewer sees."""

from __future__ import annotations

from pathlib import Path as FilePath
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from .figures_plan_parts import (
    BLUE,
    GREY,
    INK,
    ORANGE,
    PALE,
    SKY,
    STONE,
    TYPE,
    VERMILION,
    Item,
    draw_key,
    draw_labels,
    numbered_items,
    tidy,
)
from .geometry import reflect
from .paths import band, before_glass, carried_to_glass, edges_to_glass, on_floor
from .scene import Box, Scene
from .text_plan import plan_text
from .whole_file import write_figure, write_whole

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from .plan import PlanResult

Array = NDArray[np.float64]

#: What a standing place is coloured by, the gravest that holds: words, colour, mark.
STATES = (
    ("all as wished", SKY, ""),
    ("something is missing", "#BBBBBB", "–"),
    ("something shows that must not", ORANGE, "×"),
    ("meets the own face", VERMILION, "●"),
)
_DPI = 110


def draw_plan(result: PlanResult, folder: FilePath) -> list[FilePath]:
    """Draw all pictures and write the text into a folder, made if needed.

    Raises
    ------
    AlignError : the folder cannot be written to.
    """
    from .figures_plan_eye import mirror_view

    makers = {
        "plan_from_above.png": plan_view,
        "plan_from_the_side.png": side_view,
        "plan_standing_places.png": standing_places,
        "plan_mean_viewer.png": mirror_view,
    }
    text = folder / "plan.txt"
    write_whole(text, (plan_text(result) + "\n").encode(), make_folder=True)
    for name, make in makers.items():
        write_figure(
            make(result), folder / name, dpi=_DPI, facecolor="white", bbox_inches="tight", pad_inches=0.25
        )
    return [*(folder / name for name in makers), text]


def virtual(scene: Scene, points: Array) -> Array:
    """(n, 3) mirror images in the front face; the glass sets them deeper by a few mm, too little for a
    map."""
    return reflect(points, scene.mirror.normal, scene.mirror.foot_point)


def place_states(result: PlanResult) -> NDArray[np.int64]:
    """(heights, places) number of the gravest state in STATES that holds at each eye place."""
    views = result.views
    states = np.zeros(views.own_face.shape, dtype=np.int64)
    for thing in views.things:
        # Where a thing need not show from everywhere and shows from enough places, no place misses it.
        if thing.want != "hide" and not thing.met:
            missing = thing.trouble if thing.want == "show" else ~thing.shown_mirrored
            states[missing] = np.maximum(states[missing], 1)
    for thing in views.things:
        shows = {"hide": thing.trouble, "mirror only": thing.direct, "show": np.zeros_like(thing.direct)}
        states[shows[thing.want]] = 2
    states[views.own_face] = 3
    return states


def plan_view(result: PlanResult) -> Any:
    """From above, to scale: the scene, its image behind the glass, and the standing area by the worst
    seen."""
    from matplotlib.figure import Figure

    scene = result.scene
    low, high = _map_frame(scene)
    size = high - low
    height = 13.0
    width = height * size[0] / size[1]
    figure = Figure(figsize=(width + 7.2, height + 1.6), layout="constrained")
    ax, key = figure.subplots(1, 2, width_ratios=(width, 5.6))
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
    _draw_lamps(ax, scene, (0, 1))
    _draw_mirror_from_above(ax, scene)
    items = numbered_items(scene)
    inside = [item for item in items if np.all((item.at_mm[:2] > low) & (item.at_mm[:2] < high))]
    draw_labels(ax, inside, np.array([item.at_mm[:2] for item in inside]), 0.045 * float(size.max()))
    tidy(ax, "x: to the right [mm]", "y: away from the viewers [mm]")
    figure.suptitle(f"{scene.name}, seen from above", fontsize=TYPE + 5, fontweight="bold")
    draw_key(key, _with_far(items, inside), _map_legend())
    return figure


def _map_frame(scene: Scene) -> tuple[Array, Array]:
    x0, x1, y0, y1 = scene.floor.area_mm
    floor = np.array([(x, y, 0.0) for x in (x0, x1) for y in (y0, y1)])
    vx0, vx1, vy0, vy1 = scene.viewers.area_mm
    viewers = np.array([(x, y, 0.0) for x in (vx0, vx1) for y in (vy0, vy1)])
    everything = np.vstack([floor, viewers, virtual(scene, floor)])[:, :2]
    margin = 0.03 * float(np.ptp(everything, axis=0).max())
    return everything.min(axis=0) - margin, everything.max(axis=0) + margin


def _with_far(items: list[Item], inside: list[Item]) -> list[Item]:
    """Items for the key; what lies outside the map says so."""
    return [
        item if item in inside else Item(item.number, f"{item.name}, off this map", item.at_mm, item.colour)
        for item in items
    ]


def _map_legend() -> list[tuple[str, Any]]:
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    places = [
        (f"standing place: {words}{f'  {mark}' if mark else ''}", Patch(fc=colour, ec=GREY))
        for words, colour, mark in STATES
    ]
    return [
        *places,
        ("the mirror", Line2D([], [], color=INK, lw=6)),
        ("lamp", Line2D([], [], marker="*", ms=14, ls="", color=ORANGE, mec=INK)),
        ("as it seems behind the glass", Line2D([], [], color=GREY, lw=1.8, ls="--")),
        ("path, and as it seems to run on", Line2D([], [], color=BLUE, lw=3)),
    ]


def _draw_places(ax: Axes, scene: Scene, states: NDArray[np.int64]) -> None:
    from matplotlib.patches import Rectangle

    places = scene.viewers.places
    steps = [np.diff(np.unique(places[:, axis])) for axis in (0, 1)]
    width, depth = (float(step.min()) if len(step) else scene.viewers.spacing_mm for step in steps)
    for (x, y), state in zip(places, states, strict=True):
        _, colour, mark = STATES[state]
        corner = (x - width / 2, y - depth / 2)
        ax.add_patch(Rectangle(corner, width, depth, fc=colour, ec="white", lw=0.8, zorder=2))
        if mark:
            ax.text(x, y, mark, ha="center", va="center", fontsize=TYPE - 2, color=INK, zorder=3)


def _draw_floor(ax: Axes, scene: Scene) -> None:
    x0, x1, y0, y1 = scene.floor.area_mm
    corners = np.array([(x0, y0, 0), (x1, y0, 0), (x1, y1, 0), (x0, y1, 0)], float)
    ax.fill(*corners[:, :2].T, fc=PALE, ec=INK, lw=1.5, zorder=1)
    ring = virtual(scene, before_glass(corners, scene.mirror))
    ax.fill(*ring[:, :2].T, fc="none", ec=GREY, lw=1.2, ls="--", zorder=1)


def _draw_paths(ax: Axes, scene: Scene) -> None:
    for path in scene.paths:
        met = carried_to_glass(path, scene.mirror)
        points = path.points_mm if met is None else met[0]
        edges = band(points, path.width_mm) if met is None else edges_to_glass(points, path.width_mm, scene.mirror)
        for edge in edges:
            ax.plot(*edge.T, color=BLUE, lw=1.6, zorder=5)
            if met is not None:
                ax.plot(*virtual(scene, on_floor(edge))[:, :2].T, color=BLUE, lw=1.3, ls="--", zorder=5)


def _outline(ax: Axes, box: Box, **style: Any) -> None:
    ring = box.corners[:4, :2]
    ax.fill(*ring.T, **style)


def _ghost_outline(ax: Axes, scene: Scene, box: Box) -> None:
    ring = virtual(scene, before_glass(box.corners[:4], scene.mirror))[:, :2]
    if len(ring):
        ax.fill(*ring.T, fc="none", ec=GREY, lw=1.5, ls="--", zorder=3)


def _draw_lamps(ax: Axes, scene: Scene, axes: tuple[int, int]) -> None:
    """Lamps as stars, and hollow where they seem to be behind the glass; `axes` of the scene to draw along."""
    for lamp in scene.lamps:
        at = np.array([lamp.at_mm])
        ax.plot(*at[0, list(axes)], "*", ms=14, color=ORANGE, mec=INK, zorder=8)
        if (at[0] - scene.mirror.foot_point) @ scene.mirror.normal > 0:
            ax.plot(*virtual(scene, at)[0, list(axes)], "*", ms=14, color="white", mec=GREY, zorder=4)


def _draw_mirror_from_above(ax: Axes, scene: Scene) -> None:
    corners = scene.mirror.corners
    ax.plot(*corners[:2, :2].T, color=INK, lw=6, solid_capstyle="butt", zorder=9)
    if abs(scene.mirror.lean) > 1e-6:
        ax.plot(*corners[2:, :2].T, color=INK, lw=1.5, zorder=9)


def side_view(result: PlanResult) -> Any:
    """From the right, to scale: eye heights, the mirror, and lines of sight to what seems to lie behind
    it."""
    from matplotlib.figure import Figure

    scene = result.scene
    figure = Figure(figsize=(18, 9.5), layout="constrained")
    ax = figure.subplots()
    ax.set_aspect("equal")
    _, _, y0, y1 = scene.floor.area_mm
    far = virtual(scene, np.array([[0.0, y0, 0.0]]))[0, 1]
    eyes = scene.eyes()[:, :, 2].max(axis=1)
    top = max(float(eyes.max()), float(scene.mirror.corners[:, 2].max())) + 150.0
    ax.set_xlim(scene.viewers.area_mm[2] - 120.0, max(y1, far) + 60.0)
    ax.set_ylim(-150.0, top)
    ax.plot((y0, y1), (0, 0), color=INK, lw=4, zorder=3)
    ax.plot((y1, max(y1, far)), (0, 0), color=GREY, lw=1.5, ls="--", zorder=3)
    for box in scene.blockers:
        _draw_side_box(ax, scene, box, STONE)
    for thing in scene.things:
        _draw_side_box(ax, scene, thing.body, "white")
    _draw_lamps(ax, scene, (1, 2))
    corners = scene.mirror.corners
    ax.plot(corners[[0, 3], 1], corners[[0, 3], 2], color=INK, lw=6, solid_capstyle="butt", zorder=8)
    _draw_sights(ax, scene)
    _name_parts(ax, scene, max(y1, far))
    ax.legend(handles=_side_legend(scene), loc="upper right", frameon=True, framealpha=1.0, fontsize=TYPE - 1)
    tidy(ax, "y: away from the viewers [mm]", "above the scene's floor [mm]")
    figure.suptitle(
        f"{scene.name}, seen from the right: each viewer sees the mirror between two lines",
        fontsize=TYPE + 4,
        fontweight="bold",
    )
    return figure


def _draw_side_box(ax: Axes, scene: Scene, box: Box, colour: str) -> None:
    """A box from the side and, where it stands before the glass, where it seems to be."""
    ax.fill(*_side_ring(box.corners).T, fc=colour, ec=INK, lw=1.2, alpha=0.9, zorder=4)
    if ((box.corners - scene.mirror.foot_point) @ scene.mirror.normal > 0).all():
        ax.fill(*_side_ring(virtual(scene, box.corners)).T, fc="none", ec=GREY, lw=1.2, ls="--", zorder=3)


def _side_legend(scene: Scene) -> list[Any]:
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    handles: list[Any] = [Line2D([], [], color=INK, lw=6, label="the mirror")]
    if scene.blockers:
        handles.append(Patch(fc=STONE, ec=INK, label="what blocks the view"))
    if scene.things:
        handles.append(Patch(fc="white", ec=INK, label="thing to show or to hide"))
    if scene.lamps:
        handles.append(Line2D([], [], marker="*", ms=14, ls="", color=ORANGE, mec=INK, label="lamp"))
    handles.append(Line2D([], [], color=GREY, lw=1.5, ls="--", label="as it seems behind the glass"))
    return handles


def _name_parts(ax: Axes, scene: Scene, far: float) -> None:
    """Words below the floor line, where nothing else is drawn."""
    _, _, front, back = scene.viewers.area_mm
    ax.plot((front, back), (-45, -45), color=SKY, lw=10, solid_capstyle="butt", zorder=3)
    y0 = scene.floor.area_mm[2]
    foot = scene.mirror.at_mm[1]
    for place, words in (
        ((front + back) / 2, "standing area"),
        ((y0 + foot) / 2, "the scene"),
        ((foot + far) / 2, "as it seems behind the glass"),
    ):
        ax.text(place, -85, words, fontsize=TYPE, color=INK, ha="center", va="top")


def _side_ring(corners: Array) -> Array:
    """(4, 2) the rectangle that a box covers, seen from the side."""
    (y0, z0), (y1, z1) = corners[:, 1:].min(axis=0), corners[:, 1:].max(axis=0)
    return np.array([(y0, z0), (y1, z0), (y1, z1), (y0, z1)])


def _draw_sights(ax: Axes, scene: Scene) -> None:
    """For every eye height, in the middle of the area, the lines to the mirror's lower and upper edge."""
    y = scene.mean_eye[1]
    corners = scene.mirror.corners
    limit = ax.get_xlim()[1]
    colours = (VERMILION, BLUE, "#009E73", "#CC79A7", ORANGE)
    styles = ("-", "--", "-.", ":", "-")
    heights = np.array(scene.viewers.eye_heights_mm) - scene.floor.height_mm
    for number, (name, z) in enumerate(zip(scene.viewer_names, heights, strict=True)):
        colour, style = colours[number % 5], styles[number % 5]
        ax.plot(y, z, "o", ms=13, color=colour, mec=INK, zorder=9)
        room = scene.viewers.eye_heights_mm[number]
        words = name if name.startswith("eyes") else f"{name}\neyes at {room:.0f} mm"
        ax.annotate(
            words,
            (y, z),
            xytext=(-14, 0),
            textcoords="offset points",
            fontsize=TYPE,
            color=INK,
            ha="right",
            va="center",
            zorder=10,
        )
        for edge in (corners[0], corners[3]):
            reach = (limit - y) / (edge[1] - y)
            hit_floor = z / (z - edge[2]) if edge[2] < z else np.inf
            end = min(reach, hit_floor) if edge[2] < z - 1e-6 else reach
            ax.plot((y, edge[1]), (z, edge[2]), color=colour, lw=1.8, ls=style, zorder=7)
            ax.plot(
                (edge[1], y + end * (edge[1] - y)),
                (edge[2], z + end * (edge[2] - z)),
                color=colour,
                lw=1.0,
                ls=style,
                alpha=0.7,
                zorder=2,
            )


def standing_places(result: PlanResult) -> Any:
    """One map of the standing area for each eye height, coloured by the gravest that is seen from there."""
    from matplotlib.figure import Figure
    from matplotlib.patches import Patch

    scene = result.scene
    states = place_states(result)
    count = len(states)
    x0, x1, y0, y1 = scene.viewers.area_mm
    shape = (y1 - y0 + 400.0) / (x1 - x0 + 200.0)
    width = 6.2
    figure = Figure(figsize=(width * count, 0.86 * width * shape + 2.8), layout="constrained")
    axes = np.atleast_1d(figure.subplots(1, count, sharey=True))
    for ax, state, name, height in zip(axes, states, scene.viewer_names, scene.viewers.eye_heights_mm, strict=True):
        ax.set_aspect("equal")
        _draw_places(ax, scene, state)
        ax.set_xlim(x0 - 100, x1 + 100)
        ax.set_ylim(y0 - 100, y1 + 100)
        words = "" if name.startswith("eyes") else f"{name}, "
        ax.set_title(f"{words}eyes at {height:.0f} mm\nall as wished from {(state == 0).mean():.0%}", fontsize=TYPE)
        tidy(ax, "x [mm]", "")
        ax.grid(visible=False)
    axes[0].set_ylabel("y [mm]   (the scene is above)", fontsize=TYPE)
    figure.legend(
        [Patch(fc=colour, ec=GREY) for _, colour, _ in STATES],
        [f"{words}{f'  {mark}' if mark else ''}" for words, _, mark in STATES],
        loc="outside lower center",
        ncols=2,
        frameon=False,
        fontsize=TYPE,
    )
    figure.suptitle(f"{scene.name}: what is seen from where", fontsize=TYPE + 4, fontweight="bold")
    return figure

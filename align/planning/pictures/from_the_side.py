"""The plan's picture from the side."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from ..bodies import Box
from ..scene import SIDEWAYS, Scene
from ..sightlines import blocked
from .number_places import spread
from .parts import (
    BLUE,
    GREEN,
    GREY,
    INK,
    LAMP_PT,
    ORANGE,
    PURPLE,
    SKY,
    STONE,
    TYPE,
    VERMILION,
    WIDE_INCH,
    draw_lamps,
    tidy,
    virtual,
    wrapped_title,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.text import Text

    from ..result import PlanResult
    from ..scene import Mirror

Array = NDArray[np.float64]

#: Width of the drawing [in], and how often frame and words are settled in turn: after three times nothing moves.
_WIDTH_INCH, _PASSES = WIDE_INCH - 1.0, 4
#: Thickness of the bar that shows the standing area [pt].
_BAR_PT = 10.0


def side_view(result: PlanResult) -> Any:
    """From the right, to scale: eye heights, the mirror, and lines of sight to what seems to lie behind
    it."""
    from matplotlib.figure import Figure

    scene = result.scene
    _, _, y0, y1 = scene.floor.area_mm
    far = virtual(scene, np.array([[0.0, y0, 0.0]]))[0, 1]
    eyes = scene.eyes()[:, :, 2].max(axis=1)
    left, right = scene.viewers.area_mm[2] - 120.0, max(y1, far) + 60.0
    top = max(float(eyes.max()), float(scene.mirror.corners[:, 2].max())) + min(150.0, 0.1 * (right - left))
    height = float(np.clip(_WIDTH_INCH * (top + 150.0) / (right - left), 2.5, 8.0))
    figure = Figure(figsize=(WIDE_INCH, height + 3.6), layout="constrained")
    ax = figure.subplots()
    ax.set_aspect("equal")
    ax.set_xlim(left, right)
    ax.set_ylim(min(0.0, float(eyes.min())) - 150.0, top)
    ax.plot((y0, y1), (0, 0), color=INK, lw=4, zorder=3)
    ax.plot((y1, max(y1, far)), (0, 0), color=GREY, lw=1.5, ls="--", zorder=3)
    for box in scene.blockers:
        _draw_side_box(ax, scene, box, STONE)
    for thing in scene.things:
        _draw_side_box(ax, scene, thing.body, "white")
    draw_lamps(ax, scene, (1, 2))
    for mirror in scene.mirrors:
        _draw_side_mirror(ax, mirror)
    _draw_sights(ax, scene)
    figure.legend(handles=_side_legend(scene), loc="outside lower center", ncols=2, frameon=False, fontsize=TYPE)
    tidy(ax, "y: away from the viewers [mm]", "above the scene's floor [mm]")
    which = "the mirror" if len(scene.mirrors) == 1 else f'the mirror "{scene.mirror.name}"'
    wrapped_title(
        figure, f"{scene.name}, seen from the right: each viewer sees {which} between two lines", TYPE + 3
    )
    _write(ax, scene, max(y1, far))
    return figure


def _draw_side_mirror(ax: Axes, mirror: Mirror) -> None:
    """A mirror that faces the viewers as a line; one that faces sideways as its whole face, seen along it."""
    if abs(math.remainder(mirror.turn, math.pi)) <= SIDEWAYS:
        foot_and_top = mirror.corners[[0, 3]]
        ax.plot(foot_and_top[:, 1], foot_and_top[:, 2], color=INK, lw=6, solid_capstyle="butt", zorder=8)
    else:
        ax.fill(*_side_ring(mirror.corners).T, fc="none", ec=INK, lw=3, hatch="//", zorder=8)


def _write(ax: Axes, scene: Scene, far: float) -> None:
    """Words where nothing is drawn: viewers' names left of their eyes, names of parts in rows below the floor.

    How many mm a word takes depends on the scale, and that on the frame round all words: each is settled in
    turn, a few times.
    """
    from matplotlib.transforms import Bbox

    figure = ax.figure
    eye_y = float(scene.mean_eye[1])
    heights = np.array(scene.viewers.eye_heights_mm) - scene.floor.height_mm
    names = [
        ax.text(eye_y, z, words, fontsize=TYPE, color=INK, ha="right", va="center", zorder=10)
        for z, words in zip(heights, _eye_words(scene), strict=True)
    ]
    parts, middles = _part_words(ax, scene, far)
    _, _, front, back = scene.viewers.area_mm
    (bar,) = ax.plot((front, back), (0, 0), color=SKY, lw=_BAR_PT, solid_capstyle="butt", zorder=3)
    for _ in range(_PASSES):
        figure.draw_without_rendering()  # type: ignore[union-attr]
        per_px = float(np.ptp(ax.get_xlim())) / ax.bbox.width
        line = per_px * figure.dpi / 72.0 * TYPE  # height of the type [mm]
        boxes = [Bbox(ax.transData.inverted().transform(text.get_window_extent())) for text in (*names, *parts)]
        aside = eye_y - line
        places = spread(heights, np.array([1.1 * box.height for box in boxes[: len(names)]]))
        for text, place in zip(names, places, strict=True):
            text.set_position((aside, place))
        widest = max(box.width for box in boxes[: len(names)])
        left = min(front - 120.0, aside - widest - line)
        floor = min(0.0, float(places.min()) - boxes[0].height / 2) - 1.5 * line
        wider = max(0.0, line - (back - front)) / 2  # people in a line stand on an area of no depth
        bar.set_data((front - wider, back + wider), (floor, floor))
        rows = _rows(middles, [box.width for box in boxes[len(names) :]], left, ax.get_xlim()[1], line)
        for text, (middle, row) in zip(parts, rows, strict=True):
            text.set_position((middle, floor - (1.0 + 1.5 * row) * line))
        ax.set_xlim(left, ax.get_xlim()[1])
        ax.set_ylim(floor - (3.0 + 1.5 * max(row for _, row in rows)) * line, ax.get_ylim()[1])
    for z, place in zip(heights, places, strict=True):
        ax.plot((aside + 0.2 * line, eye_y), (place, z), color=INK, lw=1.2, zorder=5)


def _rows(
    middles: list[float], widths: list[float], left: float, right: float, apart: float
) -> list[tuple[float, int]]:
    """For words in a frame, each with its wished-for middle: the middle it gets, and the row in which it is
    clear."""
    taken: list[tuple[float, float, int]] = []
    found = []
    for wished, width in zip(middles, widths, strict=True):
        aside = (width + apart) / 2
        middle = min(max(wished, left + aside), right - aside)
        low, high = middle - width / 2 - apart, middle + width / 2 + apart
        hit = {row for start, end, row in taken if start < high and end > low}
        row = min(set(range(len(middles))) - hit)
        taken.append((low + apart, high - apart, row))
        found.append((middle, row))
    return found


def _eye_words(scene: Scene) -> list[str]:
    """What stands beside each eye."""
    return [
        name if name.startswith("eyes") else f"{name}\neyes at {height:.0f} mm"
        for name, height in zip(scene.viewer_names, scene.viewers.eye_heights_mm, strict=True)
    ]


def _part_words(ax: Axes, scene: Scene, far: float) -> tuple[list[Text], list[float]]:
    """The names of the parts, and where along y each had best stand [mm]."""
    _, _, front, back = scene.viewers.area_mm
    foot = scene.mirror.at_mm[1]
    words = {
        "standing area": (front + back) / 2,
        "the scene": (scene.floor.area_mm[2] + foot) / 2,
        "as it seems behind the glass": (foot + far) / 2,
    }
    texts = [ax.text(y, 0, name, fontsize=TYPE, color=INK, ha="center", va="top") for name, y in words.items()]
    return texts, list(words.values())


def _draw_side_box(ax: Axes, scene: Scene, box: Box, colour: str) -> None:
    """A box from the side and, where it stands before the glass, where it seems to be."""
    ax.fill(*_side_ring(box.corners).T, fc=colour, ec=INK, lw=1.2, alpha=0.9, zorder=4)
    if ((box.corners - scene.mirror.foot_point) @ scene.mirror.normal > 0).all():
        ax.fill(*_side_ring(virtual(scene, box.corners)).T, fc="none", ec=GREY, lw=1.2, ls="--", zorder=3)


def _side_legend(scene: Scene) -> list[Any]:
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    several = len(scene.mirrors) > 1
    handles: list[Any] = [Line2D([], [], color=INK, lw=6, label="mirror" if several else "the mirror")]
    if scene.blockers:
        handles.append(Patch(fc=STONE, ec=INK, label="what blocks the view"))
    if scene.things:
        handles.append(Patch(fc="white", ec=INK, label="thing to show or to hide"))
    if scene.lamps:
        handles.append(Line2D([], [], marker="*", ms=LAMP_PT, ls="", color=ORANGE, mec=INK, label="lamp"))
    handles.append(Line2D([], [], color=GREY, lw=1.5, ls="--", label="as it seems behind the glass"))
    return handles


def _side_ring(corners: Array) -> Array:
    """(4, 2) the rectangle that a box covers, seen from the side."""
    (y0, z0), (y1, z1) = corners[:, 1:].min(axis=0), corners[:, 1:].max(axis=0)
    return np.array([(y0, z0), (y1, z0), (y1, z1), (y0, z1)])


def _draw_sights(ax: Axes, scene: Scene) -> None:
    """For every eye height, in the middle of the area, lines to the lowest and highest part of the mirror that it
    sees, and on to where they meet the floor behind the glass."""
    eyes_y = float(scene.mean_eye[1])
    limit = ax.get_xlim()[1]
    colours = (VERMILION, BLUE, GREEN, PURPLE, ORANGE)
    styles = ("-", "--", "-.", ":", "-")
    heights = np.array(scene.viewers.eye_heights_mm) - scene.floor.height_mm
    for number, z in enumerate(heights):
        colour, style = colours[number % 5], styles[number % 5]
        ax.plot(eyes_y, z, "o", ms=13, color=colour, mec=INK, zorder=9)
        eye = np.array([scene.mean_eye[0], eyes_y, z])
        for part in seen_ends(scene, eye):
            reach = (limit - eyes_y) / (part[1] - eyes_y)
            end = reach if part[2] >= z - 1e-6 else min(reach, z / (z - part[2]))
            ax.plot((eyes_y, part[1]), (z, part[2]), color=colour, lw=1.8, ls=style, zorder=7)
            ax.plot(
                (part[1], eyes_y + end * (part[1] - eyes_y)),
                (part[2], z + end * (part[2] - z)),
                color=colour,
                lw=1.0,
                ls=style,
                alpha=0.7,
                zorder=2,
            )


def seen_ends(scene: Scene, eye: Array) -> Array:
    """(2 or 0, 3) [mm] the lowest and highest point of the mirror's middle line that an eye sees over the floor."""
    mirror = scene.mirror
    up = mirror.foot_mm + np.linspace(0.0, 1.0, 201) * mirror.height_mm
    points = mirror.just_before(mirror.on_face(np.zeros(len(up)), up))
    seen = points[~blocked(np.tile(eye, (len(points), 1)), points, [scene.floor.slab])]
    return seen[[0, -1]] if len(seen) and mirror.heights(eye) > 0 else seen[:0]

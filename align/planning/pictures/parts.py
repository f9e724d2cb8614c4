"""What the plan's pictures share: colours, type, numbers and their leaders, and the key that explains
them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from ...drawing import palette
from ...optics.geometry import reflect
from ..scene import Scene
from ..street import band, path_points
from .number_places import Placed

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Array = NDArray[np.float64]

BLUE, SKY, GREEN, ORANGE, VERMILION, PURPLE, YELLOW, INK, GREY, PALE = (
    palette.as_hex(colour)
    for colour in (
        palette.BLUE,
        palette.SKY_BLUE,
        palette.GREEN,
        palette.ORANGE,
        palette.VERMILION,
        palette.PURPLE,
        palette.YELLOW,
        palette.INK,
        palette.GREY,
        palette.PALE,
    )
)
STONE = "#C9C2B5"
TYPE = 15
#: Radius of the circle round a number [pt], its line included.
NUMBER_RADIUS_PT = 13.0
#: Size of a lamp's star [pt].
LAMP_PT = 14.0
WANT_COLOURS = {"show": GREEN, "hide": VERMILION, "mirror only": PURPLE}
WANT_WORDS = {"show": "should show", "hide": "must not show", "mirror only": "in the mirror only"}


@dataclass(frozen=True, eq=False)
class Item:
    """Something with a number in the pictures.

    ring_mm : (n, 2) its corners seen from above: four, the two ends of a path's beginning, or a lamp's place
    colour : of its number; half_width_pt : of what is drawn around the ring
    """

    number: int
    name: str
    ring_mm: Array
    colour: str
    half_width_pt: float = 1.0


def numbered_items(scene: Scene) -> list[Item]:
    """Every named thing of a scene with its number, the same in all pictures."""
    found: list[tuple[str, Array, str, float]] = []
    for box in scene.blockers:
        found.append((box.name, box.corners[:4, :2], INK, 1.0))
    for thing in scene.things:
        words = f"{thing.name} ({WANT_WORDS[thing.want]})"
        found.append((words, thing.body.corners[:4, :2], WANT_COLOURS[thing.want], 1.0))
    for lamp in scene.lamps:
        found.append((f"{lamp.name} (lamp)", np.array([lamp.at_mm[:2]]), ORANGE, LAMP_PT / 2 + 1.0))
    for path in scene.paths:
        beginning = np.array([edge[0] for edge in band(path_points(path), path.width_mm)])
        found.append((f"{path.name} (path)", beginning, BLUE, 1.0))
    for zone in scene.keep_clear:
        found.append((f"{zone.name} (keep clear)", zone.corners[:4, :2], GREY, 1.0))
    return [Item(number, *entry) for number, entry in enumerate(found, start=1)]


def virtual(scene: Scene, points: Array) -> Array:
    """(n, 3) mirror images in the front face; the glass sets them deeper by a few mm, too little for a
    map."""
    return reflect(points, scene.mirror.normal, scene.mirror.foot_point)


def seeming_lamps(scene: Scene) -> Array:
    """(n, 3) [mm] where the lamps before the glass seem to be behind it."""
    at = np.array([lamp.at_mm for lamp in scene.lamps], float).reshape(-1, 3)
    before = (at - scene.mirror.foot_point) @ scene.mirror.normal > 0
    return virtual(scene, at[before])


def draw_lamps(ax: Axes, scene: Scene, axes: tuple[int, int]) -> None:
    """Lamps as stars, and hollow where they seem to be behind the glass; `axes` of the scene to draw along."""
    for lamp in scene.lamps:
        ax.plot(*(lamp.at_mm[axis] for axis in axes), "*", ms=LAMP_PT, color=ORANGE, mec=INK, zorder=8)
    for image in seeming_lamps(scene):
        ax.plot(*image[list(axes)], "*", ms=LAMP_PT, color="white", mec=GREY, zorder=4)


def draw_numbers(ax: Axes, items: list[Item], placed: Placed) -> None:
    """Numbers in circles at their places on an axes, in its data's unit, each with a leader to what it names."""
    for item, place, tip in zip(items, placed.places, placed.tips, strict=True):
        ax.plot(*np.column_stack([place, tip]), color=item.colour, lw=1.3, zorder=19)
        ax.plot(*tip, "o", ms=4, color=item.colour, mec="white", mew=0.6, zorder=19)
        ax.plot(
            *place, "o", ms=2 * NUMBER_RADIUS_PT - 2, mfc="white", mec=item.colour, mew=1.8, zorder=20, gid="number"
        )
        ax.text(
            place[0],
            place[1],
            str(item.number),
            fontsize=TYPE - 1 if item.number < 100 else TYPE - 5,
            fontweight="bold",
            color=INK,
            ha="center",
            va="center_baseline",
            zorder=21,
        )


def draw_key(ax: Axes, items: list[Item], extra: list[tuple[str, Any]], heading: str) -> None:
    """The list of numbers, and under a heading that of line kinds (`extra`: words and a line or patch), in an
    empty set of axes."""
    ax.axis("off")
    lines = len(items) + len(extra) + heading.count("\n") + 2
    step = min(0.036, 0.98 / lines)
    y = 0.985
    for item in items:
        ax.text(
            0.05,
            y,
            str(item.number),
            fontsize=TYPE - 2,
            fontweight="bold",
            color=item.colour,
            ha="center",
            va="center",
            transform=ax.transAxes,
        )
        ax.text(0.11, y, item.name, fontsize=TYPE - 2, color=INK, va="center", transform=ax.transAxes)
        y -= step
    if extra:
        ax.legend(
            [handle for _, handle in extra],
            [words for words, _ in extra],
            loc="upper left",
            bbox_to_anchor=(-0.02, y + step * 0.3),
            frameon=False,
            fontsize=TYPE - 2,
            title=heading,
            title_fontproperties={"size": TYPE - 2, "weight": "bold"},
            alignment="left",
            handlelength=1.8,
            labelspacing=0.7,
        )


def tidy(ax: Axes, x_words: str, y_words: str) -> None:
    """Large type, a faint grid behind, no box on top and right."""
    ax.set_xlabel(x_words, fontsize=TYPE)
    ax.set_ylabel(y_words, fontsize=TYPE)
    ax.tick_params(labelsize=TYPE - 2)
    ax.grid(color="#DDDDDD", lw=0.8)
    ax.set_axisbelow(True)
    for side in ("top", "right"):
        ax.spines[side].set_visible(False)

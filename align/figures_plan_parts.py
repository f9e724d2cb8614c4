"""What the plan's pictures share: colours, type, numbered labels that keep apart, and the key that explains
them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from .scene import Scene

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Array = NDArray[np.float64]

# Okabe and Ito's palette, told apart by all common kinds of colour vision (Color Universal Design, 2008, from
# memory); marks and hatches say the same without colour.
BLUE, SKY, GREEN, ORANGE, VERMILION, PURPLE, YELLOW = (
    "#0072B2",
    "#56B4E9",
    "#009E73",
    "#E69F00",
    "#D55E00",
    "#CC79A7",
    "#F0E442",
)
INK, GREY, PALE, STONE = "#222222", "#777777", "#EEEEEE", "#C9C2B5"
TYPE = 15
WANT_COLOURS = {"show": GREEN, "hide": VERMILION, "mirror only": PURPLE}
WANT_WORDS = {"show": "should show", "hide": "must not show", "mirror only": "in the mirror only"}


@dataclass(frozen=True, eq=False)
class Item:
    """Something with a number in the pictures. at_mm : (3,) where its label points; colour : of the label."""

    number: int
    name: str
    at_mm: Array
    colour: str


def numbered_items(scene: Scene) -> list[Item]:
    """Every named thing of a scene with its number, the same in all pictures."""
    found: list[tuple[str, Array, str]] = []
    for box in scene.blockers:
        found.append((box.name, box.corners.mean(axis=0), INK))
    for thing in scene.things:
        words = f"{thing.name} ({WANT_WORDS[thing.want]})"
        found.append((words, thing.body.corners.mean(axis=0), WANT_COLOURS[thing.want]))
    for lamp in scene.lamps:
        found.append((f"{lamp.name} (lamp)", np.array(lamp.at_mm), ORANGE))
    for path in scene.paths:
        found.append((f"{path.name} (path)", np.append(path.points_mm[0], 0.0), BLUE))
    for zone in scene.keep_clear:
        found.append((f"{zone.name} (keep clear)", zone.corners.mean(axis=0), GREY))
    return [Item(number, *entry) for number, entry in enumerate(found, start=1)]


def spread_labels(points: Array, apart: float, low: Array, high: Array) -> Array:
    """Places for labels near their points, none nearer than `apart` to another, all within a frame.

    Parameters
    ----------
    points : (n, 2); low, high : (2,) of the frame, in the same unit

    Returns
    -------
    (n, 2). Found by pushing pairs apart while a weak spring pulls each back to its point.
    """
    places = points + 0.2 * apart * np.column_stack(
        [np.cos(2.4 * np.arange(len(points))), np.sin(2.4 * np.arange(len(points)))]
    )
    for _ in range(400):
        places = places + 0.03 * (points - places)
        for i in range(len(places)):
            offset = places - places[i]
            gap = np.linalg.norm(offset, axis=1)
            near = (gap < apart) & (np.arange(len(places)) != i)
            push = offset[near] / np.maximum(gap[near], 1e-6)[:, None] * (apart - gap[near])[:, None] / 2
            places[near] += push
            places[i] -= push.sum(axis=0)
        places = np.clip(places, low, high)
    return places


def draw_labels(ax: Axes, items: list[Item], points: Array, apart: float) -> None:
    """Numbers in circles near (n, 2) points, with a thin leader where they had to move."""
    if len(items) == 0:
        return
    x0, x1 = sorted(ax.get_xlim())
    y0, y1 = sorted(ax.get_ylim())
    margin = apart / 2
    places = spread_labels(
        points, apart, np.array([x0 + margin, y0 + margin]), np.array([x1 - margin, y1 - margin])
    )
    for item, point, place in zip(items, points, places, strict=True):
        if np.linalg.norm(place - point) > 0.3 * apart:
            ax.plot(*np.column_stack([point, place]), color=item.colour, lw=1.2, zorder=19)
            ax.plot(*point, "o", ms=4, color=item.colour, zorder=19)
        ax.text(
            place[0],
            place[1],
            str(item.number),
            fontsize=TYPE - 1,
            fontweight="bold",
            color=INK,
            ha="center",
            va="center",
            zorder=20,
            bbox={"boxstyle": "circle,pad=0.18", "fc": "white", "ec": item.colour, "lw": 1.8},
        )


def draw_key(ax: Axes, items: list[Item], extra: list[tuple[str, Any]]) -> None:
    """The list of numbers, and of line kinds (`extra`: words and a line or patch), in an empty set of
    axes."""
    ax.axis("off")
    lines = len(items) + len(extra) + 1
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

"""What the plan's pictures share: colours, type, numbers and their leaders, and the key that explains
them."""

from __future__ import annotations

import textwrap
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from ...drawing import palette
from ...optics.geometry import reflect
from ..scene import Scene, Want
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
#: Type of 15 points is readable on a phone, 390 pixels across, in a picture no wider than this [in].
WIDE_INCH = 8.6
#: Letters that a line holds: of a heading, and of the key below a map.
_TITLE_LETTERS, _KEY_LETTERS = 54, 66
_KEY_LINE_INCH = 0.27
_BROWN = "#7A5C00"
WANT_COLOURS: dict[Want, str] = {
    "show": GREEN,
    "hide": VERMILION,
    "mirror only": PURPLE,
    "direct only": BLUE,
    "not reversed": _BROWN,
}
WANT_WORDS: dict[Want, str] = {
    "show": "should show",
    "hide": "must not show",
    "mirror only": "in the mirror only",
    "direct only": "itself only, no twin",
    "not reversed": "not reversed",
}


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
    if len(scene.mirrors) > 1:
        for mirror in scene.mirrors:
            found.append((f"{mirror.name} (mirror)", mirror.corners[:2, :2], INK, 3.0))
    return [Item(number, *entry) for number, entry in enumerate(found, start=1)]


def wrapped_title(figure: Any, words: str, size: float) -> None:
    """A heading over a whole figure, in as many lines as it takes."""
    figure.suptitle("\n".join(textwrap.wrap(words, _TITLE_LETTERS)), fontsize=size, fontweight="bold")


def virtual(scene: Scene, points: Array) -> Array:
    """(n, 3) images in the first mirror's front face; glass sets them deeper by a few mm, too little for a map."""
    return reflect(points, scene.mirror.normal, scene.mirror.foot_point)


def seeming_lamps(scene: Scene) -> Array:
    """(n, 3) [mm] where the lamps before the glass seem to be behind it."""
    at = np.array([lamp.at_mm for lamp in scene.lamps], float).reshape(-1, 3)
    at = at[scene.mirror.heights(at) > 0]
    if len(scene.mirrors) > 1:
        at = at[[shows_on_map(scene, place) for place in virtual(scene, at)]]
    return virtual(scene, at)


def shows_on_map(scene: Scene, image: Array) -> bool:
    """Whether the line from the middle of the standing area to an image passes the first mirror's glass, seen from
    above: of several mirrors each shows a few things, and a map with all the images of all would be full."""
    mirror, eye = scene.mirror, scene.mean_eye
    near, far = float(mirror.heights(eye)), float(mirror.heights(image))
    if near <= 0 or far >= 0:
        return False
    meeting = eye + near / (near - far) * (image - eye)
    return bool(abs(float((meeting - mirror.foot_point) @ mirror.across)) <= mirror.width_mm / 2)


def draw_lamps(ax: Axes, scene: Scene, axes: tuple[int, int]) -> None:
    """Lamps as stars, and hollow where they seem to be behind the glass; `axes` of the scene to draw along."""
    for lamp in scene.lamps:
        ax.plot(*(lamp.at_mm[axis] for axis in axes), "*", ms=LAMP_PT, color=ORANGE, mec=INK, zorder=8)
    for mirror in scene.mirrors:
        for image in seeming_lamps(scene.led_by(mirror)):
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


def key_inch(items: list[Item], extra: list[tuple[str, Any]], heading: str) -> float:
    """How high `draw_key`'s axes must be [in]."""
    lines = sum(len(_key_lines(item)) for item in items) + 1.25 * len(extra) + heading.count("\n") + 3
    return _KEY_LINE_INCH * lines


def _key_lines(item: Item) -> list[str]:
    return textwrap.wrap(item.name, _KEY_LETTERS) or [""]


def draw_key(ax: Axes, items: list[Item], extra: list[tuple[str, Any]], heading: str) -> None:
    """The list of numbers, and under a heading that of line kinds (`extra`: words and a line or patch), in an
    empty set of axes as high as `key_inch` says. Long names take more lines."""
    ax.axis("off")
    step = _KEY_LINE_INCH / key_inch(items, extra, heading)
    y = 1.0 - step / 2
    style: dict[str, Any] = {"fontsize": TYPE - 2, "va": "center", "transform": ax.transAxes}
    for item in items:
        ax.text(0.04, y, str(item.number), fontweight="bold", color=item.colour, ha="center", **style)
        for line in _key_lines(item):
            ax.text(0.08, y, line, color=INK, **style)
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
            labelspacing=0.4,
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

"""Packing drawn at a mirror's edges: where it goes, how much of it, and which corner gets nothing."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ..drawing.canvas import Canvas
from ..drawing.labelled import Labels
from ..drawing.palette import PURPLE
from .result import MirrorResult, Shim
from .shims import WALL_CORNERS
from .wording import shim_is_needed, shim_size_words

Array = NDArray[np.float64]

#: The thickest packing is drawn this thick, as a share of the width.
PACKING_SHARE = 0.035
NO_PACKING = "no packing"

#: Which of the mirror's corners, clockwise from top left, need packing for a place that `align.shims` names.
PLACE_CORNERS = {
    "top_left": (0,),
    "top_right": (1,),
    "bottom_right": (2,),
    "bottom_left": (3,),
    "behind_top_per_100_height": (0, 1),
    "behind_bottom_per_100_height": (3, 2),
    "behind_left_per_100_width": (0, 3),
    "behind_right_per_100_width": (1, 2),
    "front": (3, 2),
    "rear": (3, 2),
}


def draw_packing(
    canvas: Canvas, labels: Labels, corners: Array, size_known: bool, found: MirrorResult, whose: str
) -> None:
    """Bars at the mirror's edges, thick where the packing is thick, with their millimetres.

    Parameters
    ----------
    corners : (4, 2) [px] the mirror's outline in the picture, clockwise from top left; where its size is not known
        that of the part in which the reflection is seen
    whose : what labels begin with, where there are several mirrors
    """
    needed = [shim for shim in found.shims.shims if shim_is_needed(shim) and shim.place in PLACE_CORNERS]
    if not needed or not np.isfinite(corners).all():
        return
    thickness = np.zeros(4)
    for shim in needed:
        np.add.at(thickness, list(PLACE_CORNERS[shim.place]), shim.thickness_mm.value)
    most = PACKING_SHARE * canvas.width
    outward = corners - corners.mean(axis=0)
    outward /= np.maximum(np.linalg.norm(outward, axis=1, keepdims=True), 1e-9)
    if size_known:
        grown = corners + outward * (most * thickness / thickness.max())[:, None]
        _draw_frame(canvas, corners, grown, thickness, found.shims.mount == "foot")
    else:
        grown = corners + outward * most
        thickest = max(shim.thickness_mm.value for shim in needed)
        for shim in needed:
            ends = list(PLACE_CORNERS[shim.place])
            share = shim.thickness_mm.value / thickest
            _draw_bar(canvas, corners[ends], (corners + outward * most * share)[ends])
    for shim in sorted(needed, key=lambda shim: shim.place.endswith("_height")):  # beside a side edge is less room
        _label(labels, _packing_words(shim, whose, size_known), grown[list(PLACE_CORNERS[shim.place])])
    if found.shims.mount == "wall" and size_known:
        for place in set(WALL_CORNERS) - {shim.place for shim in needed}:
            _label(labels, [whose + NO_PACKING], corners[list(PLACE_CORNERS[place])])


def _draw_frame(canvas: Canvas, corners: Array, grown: Array, thickness: Array, foot: bool) -> None:
    for first in range(4):
        ends = [first, (first + 1) % 4]
        if foot and thickness[ends].min() == 0:
            continue  # what lies under a foot does not run up the mirror's sides
        _draw_bar(canvas, corners[ends], grown[ends])


def _draw_bar(canvas: Canvas, inner: Array, outer: Array) -> None:
    canvas.polygon(np.concatenate([inner, outer[::-1]]), PURPLE, 0.8)


def _label(labels: Labels, lines: list[str], ends: Array) -> None:
    """Words at a corner, or anywhere along an edge."""
    along = np.linspace(ends[0], ends[-1], 7 if len(ends) > 1 else 1)
    labels.write(lines, PURPLE, [(float(x), float(y)) for x, y in along])


def _packing_words(shim: Shim, whose: str, size_known: bool) -> list[str]:
    """The label's lines: the millimetres, and what they count for."""
    size, per, rest = shim_size_words(shim).partition(" per ")
    if shim.place in ("front", "rear"):
        return [whose + size, f"under the foot's {shim.place}"]
    if per and not size_known:
        return [
            whose + size,
            f"/ {rest.partition(' of ')[0]}",
        ]  # short, for there may be little room beside an edge
    return [whose + size, f"per {rest}"] if per else [whose + size]

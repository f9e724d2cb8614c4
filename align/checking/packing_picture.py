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


class PackingPicture:
    """One mirror's packing: bars at its edges, thick where the packing is thick, and their millimetres.

    Parameters
    ----------
    corners : (4, 2) [px] the mirror's outline in the picture, clockwise from top left; where its size is not known
        that of the part in which the reflection is seen
    width : of the picture [px]; whose : what labels begin with, where there are several mirrors
    """

    def __init__(self, corners: Array, size_known: bool, found: MirrorResult, width: float, whose: str) -> None:
        shims = [shim for shim in found.shims.shims if shim_is_needed(shim) and shim.place in PLACE_CORNERS]
        self._needed = shims if np.isfinite(corners).all() else []
        self._corners, self._size_known, self._whose = corners, size_known, whose
        self._mount = found.shims.mount
        outward = corners - corners.mean(axis=0)
        self._outward = outward / np.maximum(np.linalg.norm(outward, axis=1, keepdims=True), 1e-9)
        self._outward *= PACKING_SHARE * width

    def draw(self, canvas: Canvas) -> list[Array]:
        """Draw the bars; returns their outlines, for labels to keep clear of."""
        bars = self._bars()
        for bar in bars:
            canvas.polygon(bar, PURPLE, 0.8)
        return bars

    def label(self, labels: Labels) -> None:
        """Write the millimetres, and which corner gets nothing."""
        # Beside a side edge there is less room than above or below: its label is placed first.
        for shim in sorted(self._needed, key=lambda shim: shim.place.endswith("_height")):
            ends = list(PLACE_CORNERS[shim.place])
            _label(labels, _packing_words(shim, self._whose, self._size_known), self._grown()[ends])
        if self._needed and self._mount == "wall" and self._size_known:
            for place in set(WALL_CORNERS) - {shim.place for shim in self._needed}:
                _label(labels, [self._whose + NO_PACKING], self._corners[list(PLACE_CORNERS[place])])

    def _thickness(self) -> Array:
        """(4,) [mm] at the corners."""
        thickness = np.zeros(4)
        for shim in self._needed:
            np.add.at(thickness, list(PLACE_CORNERS[shim.place]), shim.thickness_mm.value)
        return thickness

    def _grown(self) -> Array:
        """(4, 2) [px] the outline with the packing around it."""
        if not self._size_known:
            return np.asarray(self._corners + self._outward)
        thickness = self._thickness()
        return np.asarray(self._corners + self._outward * (thickness / thickness.max())[:, None])

    def _bars(self) -> list[Array]:
        if not self._needed:
            return []
        if self._size_known:
            thickness, grown = self._thickness(), self._grown()
            sides = [[first, (first + 1) % 4] for first in range(4)]
            if self._mount == "foot":  # what lies under a foot does not run up the mirror's sides
                sides = [ends for ends in sides if thickness[ends].min() > 0]
            return [_bar(self._corners[ends], grown[ends]) for ends in sides]
        thickest = max(shim.thickness_mm.value for shim in self._needed)
        bars = []
        for shim in self._needed:
            ends = list(PLACE_CORNERS[shim.place])
            outer = self._corners + self._outward * shim.thickness_mm.value / thickest
            bars.append(_bar(self._corners[ends], outer[ends]))
        return bars


def _bar(inner: Array, outer: Array) -> Array:
    return np.concatenate([inner, outer[::-1]])


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

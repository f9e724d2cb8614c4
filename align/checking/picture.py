"""The answer drawn on the photo: sheet, reflection, where it would be in a true mirror, and the packing.

The picture is cut to what matters, and below it a strip says the answer in words; see drawing/canvas.py for sizes.
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from ..drawing.canvas import Canvas, save_pixels
from ..drawing.labelled import Labels
from ..drawing.labels import LabelPlacer
from ..drawing.palette import GREEN, ORANGE, SKY_BLUE, WHITE, YELLOW, Colour
from ..errors import PhotoError
from .packing_picture import PackingPicture
from .result import CheckResult, Overlay
from .strip import draw_strip
from .wording import inter_reflection_short

Array = NDArray[np.float64]
Pixels = NDArray[np.uint8]

#: Long side of the photo's part in the picture [px]; a small photo is enlarged to the smaller one.
LONG_SIDE_PX, SHORT_LONG_SIDE_PX = 1700, 1200
#: Room around what matters, as a share of its extent; more at the sides where a mirror's edges are not known.
MARGIN_SHARE, WIDE_MARGIN_SHARE = 0.14, 0.34
#: The picture is no longer and thinner than this.
MOST_ELONGATED = 1.6
#: How much larger than life a difference may be shown, and how wide it may then be (share of the width).
EXAGGERATIONS = (10, 5, 2)
WIDE_DIFFERENCE_SHARE = 0.06
#: The sheet's white rim, as a share of its squares: labels keep off it too.
SHEET_RIM = 0.08


@dataclass(frozen=True, eq=False)
class View:
    """The part of the photo that is shown, and how much larger: photo pixels to picture pixels."""

    left: int
    top: int
    width: int
    height: int
    scale: float

    def to_picture(self, photo_px: Array) -> Array:
        """(n, 2) places in the picture; pixel centres stay pixel centres."""
        return (np.asarray(photo_px, float) - [self.left, self.top] + 0.5) * self.scale - 0.5


def save_check_picture(
    result: CheckResult, path: str | os.PathLike[str], photo_number: int = 0, *, heading: str = ""
) -> Path:
    """Draw one photo's answer into a PNG or JPEG file, which carries none of the photo's metadata.

    Raises
    ------
    PhotoError
        The photo cannot be read any more.
    AlignError
        The picture cannot be written.
    """
    return save_pixels(draw_check(result, photo_number, heading=heading), Path(path))


def draw_check(
    result: CheckResult,
    photo: int = 0,
    path: str | os.PathLike[str] | None = None,
    *,
    heading: str = "",
    long_side_px: int = LONG_SIDE_PX,
) -> Pixels:
    """The answer drawn on one photo.

    Parameters
    ----------
    photo : which of the result's photos, from 0; path : where it lies, if elsewhere than it was
    heading : a line above the answer, such as scene and date
    long_side_px : of the photo's part in the picture

    Returns
    -------
    (height, width, 3) uint8 RGB
    """
    from ..photo.read import colour_of, read_colour

    overlay = result.overlays[photo]
    known = path is None and photo < len(result.sources)
    pixels = colour_of(result.sources[photo]) if known else read_colour(path or overlay.file)
    if (pixels.shape[1], pixels.shape[0]) != tuple(overlay.size):
        raise PhotoError(f"{path or overlay.file} has changed since it was checked.", "Check the photo again.")
    view = view_of(overlay, long_side_px)
    canvas = Canvas(_cut(pixels, view))
    larger = exaggeration(result, view, overlay, canvas.width)
    lines = _draw_outlines(canvas, view, overlay, _off(result), larger)
    packings = _packings(result, view, overlay, canvas.width)
    lines += [bar for packing in packings for bar in packing.draw(canvas)]
    placer = LabelPlacer(canvas.width, canvas.height, sampled(lines, canvas.width / 100), sheets_in(view, overlay))
    labels = Labels(canvas, placer)
    for packing in packings:  # what matters most
        packing.label(labels)
    _name_outlines(labels, view, overlay, result, photo)
    strip = draw_strip(result, overlay, heading, larger, canvas.width)
    return np.concatenate([canvas.finished(), strip])


def view_of(overlay: Overlay, long_side_px: int = LONG_SIDE_PX) -> View:
    """The part of the photo around sheet, reflections and mirrors, not too elongated."""
    size = np.array(overlay.size, float)
    parts = [overlay.direct_outline_px, *(mirror.outline_px for mirror in overlay.mirrors)]
    parts += [*(mirror.mirror_px for mirror in overlay.mirrors), *overlay.inter_reflections_px]
    points = np.clip(_finite(np.concatenate(parts)), 0, size)
    low, high = points.min(axis=0), points.max(axis=0)
    known = all(mirror.size_known for mirror in overlay.mirrors)
    extent = (high - low) * (1 + 2 * np.array([MARGIN_SHARE if known else WIDE_MARGIN_SHARE, MARGIN_SHARE]))
    extent = np.minimum(np.maximum(extent, extent[::-1] / MOST_ELONGATED), size)
    corner = np.clip((low + high) / 2 - extent / 2, 0, size - extent)
    left, top = (int(value) for value in np.floor(corner))
    width, height = (int(value) for value in np.minimum(np.ceil(extent), size - [left, top]))
    longest = max(width, height)
    return View(left, top, width, height, float(np.clip(longest, SHORT_LONG_SIDE_PX, long_side_px)) / longest)


def _off(result: CheckResult) -> set[int]:
    """Numbers of the mirrors that are not said to be true."""
    return {mirror.number for mirror in result.mirrors if mirror.verdict != "square"}


def exaggeration(result: CheckResult, view: View, overlay: Overlay, width: float) -> int:
    """How many times larger than life differences are drawn: 1 where they can be seen, or all mirrors are true."""
    off = _off(result)
    if not off:
        return 1
    moved = max(
        (
            float(np.linalg.norm(_finite(mirror.true_outline_px - mirror.outline_px), axis=1).max(initial=0.0))
            for mirror in overlay.mirrors
            if mirror.number in off
        ),
        default=0.0,
    )
    for times in EXAGGERATIONS:
        if times * moved * view.scale <= WIDE_DIFFERENCE_SHARE * width:
            return times
    return 1


def sampled(lines: Sequence[Array], step: float) -> Array:
    """(n, 2) points along polylines, about `step` apart [px]."""
    points = [np.zeros((0, 2))]
    for line in lines:
        for a, b in pairwise(line):
            count = min(int(np.linalg.norm(b - a) / step) + 1, 400)
            points.append(a + (b - a) * np.linspace(0, 1, count)[:, None])
    return np.concatenate(points)


def sheets_in(view: View, overlay: Overlay) -> Array:
    """(n, 2) [px] samples of the sheet and its reflections with their rims, which labels should not cover."""
    insides: list[Array] = []
    seen = (*(mirror.outline_px for mirror in overlay.mirrors), *overlay.inter_reflections_px)
    for outline in (overlay.direct_outline_px, *seen):
        edge = _finite(view.to_picture(outline))
        middle = edge.mean(axis=0)
        shares = np.linspace(0.0, 1 + SHEET_RIM, 14)
        insides += [middle + share * (np.roll(edge, 1, axis=0) - middle) for share in shares]
    return np.concatenate(insides)


def _finite(points: Array) -> Array:
    return points[np.isfinite(points).all(axis=1)]


def _cut(pixels: Pixels, view: View) -> Pixels:
    import cv2

    part = pixels[view.top : view.top + view.height, view.left : view.left + view.width]
    size = (round(view.width * view.scale), round(view.height * view.scale))
    method = cv2.INTER_AREA if view.scale < 1 else cv2.INTER_CUBIC
    return np.asarray(cv2.resize(part, size, interpolation=method), np.uint8)


def _draw_outlines(canvas: Canvas, view: View, overlay: Overlay, off: set[int], larger: int) -> list[Array]:
    """All lines, what matters most last; returns them in picture pixels, for labels to keep clear of.

    off : numbers of the mirrors whose difference from a true one is drawn so many times `larger`
    """
    drawn = []

    def outline(photo_px: Array, colour: Colour, weight: float = 1.0, dashed: bool = False) -> None:
        points = _finite(view.to_picture(photo_px))
        canvas.polyline(points, colour, closed=True, weight=weight, dashed=dashed)
        drawn.append(np.concatenate([points, points[:1]]))

    for mirror in overlay.mirrors:
        if mirror.size_known:
            outline(mirror.mirror_px, YELLOW, 0.6)
    for inter_reflection in overlay.inter_reflections_px:
        outline(inter_reflection, GREEN, 0.6)
    outline(overlay.direct_outline_px, SKY_BLUE)
    for mirror in overlay.mirrors:
        outline(mirror.outline_px, ORANGE)
        times = larger if mirror.number in off else 1
        outline(mirror.outline_px + times * (mirror.true_outline_px - mirror.outline_px), WHITE, 0.7, dashed=True)
    return drawn


def _packings(result: CheckResult, view: View, overlay: Overlay, width: float) -> list[PackingPicture]:
    """The packing of each mirror in the photo that is not said to be true."""
    found = {mirror.number: mirror for mirror in result.mirrors if mirror.verdict != "square"}
    return [
        PackingPicture(
            view.to_picture(mirror.mirror_px),
            mirror.size_known,
            found[mirror.number],
            width,
            f"({mirror.number}) " if len(result.mirrors) > 1 else "",
        )
        for mirror in overlay.mirrors
        if mirror.number in found
    ]


def _name_outlines(labels: Labels, view: View, overlay: Overlay, result: CheckResult, photo: int) -> None:
    """The names of the outlines."""
    several = len(result.mirrors) > 1
    for mirror in overlay.mirrors:
        words = f"reflection {mirror.number}" if several else "reflection"
        labels.write([words], ORANGE, _edge(view, mirror.outline_px, "any" if several else "far"))
    labels.write(["sheet"], SKY_BLUE, _edge(view, overlay.direct_outline_px, "near"))
    for inter_reflection, outline_px in zip(
        result.photos[photo].inter_reflections, overlay.inter_reflections_px, strict=True
    ):
        labels.write([inter_reflection_short(inter_reflection)], GREEN, _edge(view, outline_px, "far"))


def _edge(view: View, outline_px: Array, side: str) -> list[tuple[float, float]]:
    """Places along an outline's upper ("far") or lower ("near") side in the picture, or all round ("any")."""
    points = _finite(view.to_picture(outline_px))
    middle = points[:, 1].mean()
    sides = {"far": points[:, 1] < middle, "near": points[:, 1] > middle, "any": np.isfinite(points[:, 1])}
    chosen = points[sides[side]]
    return [(float(x), float(y)) for x, y in chosen]

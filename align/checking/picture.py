"""The answer drawn on the photo: target, reflection, where it would be in a true mirror, and the packing.

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

from ..drawing.canvas import LINE_HEIGHT, SMALLEST_TEXT_SHARE, Canvas, Words, save_pixels, text_width
from ..drawing.labels import LabelPlacer
from ..drawing.palette import GREEN, ORANGE, PURPLE, SKY_BLUE, WHITE, YELLOW, Colour
from ..errors import PhotoError
from .result import CheckResult, MirrorOverlay, MirrorResult, Overlay, Shim
from .strip import draw_strip
from .wording import inter_reflection_short, shim_is_needed, shim_size_words

Array = NDArray[np.float64]
Pixels = NDArray[np.uint8]

#: Long side of the photo's part in the picture [px]; a small photo is enlarged to the smaller one.
LONG_SIDE_PX, SHORT_LONG_SIDE_PX = 1700, 1200
#: Room around what matters, as a share of its extent.
MARGIN_SHARE = 0.14
#: The picture is no longer and thinner than this.
MOST_ELONGATED = 1.6
#: How much larger than life a difference may be shown, and how wide it may then be (share of the width).
EXAGGERATIONS = (50, 20, 10, 5, 2)
WIDE_DIFFERENCE_SHARE = 0.06
#: The thickest packing is drawn this thick, as a share of the width.
PACKING_SHARE = 0.035

#: Which of the mirror's corners, clockwise from top left, need packing for a place that `align.shims` names.
PLACE_CORNERS = {
    "top_left": (0,),
    "top_right": (1,),
    "bottom_right": (2,),
    "bottom_left": (3,),
    "behind_top_per_100_height": (0, 1),
    "behind_bottom_per_100_height": (2, 3),
    "behind_left_per_100_width": (0, 3),
    "behind_right_per_100_width": (1, 2),
    "front": (2, 3),
    "rear": (2, 3),
}


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
    lines = _draw_outlines(canvas, view, overlay)
    placer = LabelPlacer(canvas.width, canvas.height, better_left_free(view, overlay, lines, canvas.width))
    _draw_labels(canvas, placer, view, overlay, result, photo)
    larger = exaggeration(view, overlay, canvas.width)
    strip = draw_strip(result, overlay, heading, larger, canvas.width)
    return np.concatenate([canvas.finished(), strip])


def view_of(overlay: Overlay, long_side_px: int = LONG_SIDE_PX) -> View:
    """The part of the photo around target, reflections and mirrors, not too elongated."""
    size = np.array(overlay.size, float)
    parts = [overlay.direct_outline_px, *(mirror.outline_px for mirror in overlay.mirrors)]
    parts += [*(mirror.mirror_px for mirror in overlay.mirrors), *overlay.inter_reflections_px]
    points = np.clip(_finite(np.concatenate(parts)), 0, size)
    low, high = points.min(axis=0), points.max(axis=0)
    extent = (high - low) * (1 + 2 * MARGIN_SHARE)
    extent = np.minimum(np.maximum(extent, extent[::-1] / MOST_ELONGATED), size)
    corner = np.clip((low + high) / 2 - extent / 2, 0, size - extent)
    left, top = (int(value) for value in np.floor(corner))
    width, height = (int(value) for value in np.minimum(np.ceil(extent), size - [left, top]))
    longest = max(width, height)
    return View(left, top, width, height, float(np.clip(longest, SHORT_LONG_SIDE_PX, long_side_px)) / longest)


def exaggeration(view: View, overlay: Overlay, width: float) -> int:
    """How many times larger than life the differences are drawn: 1 where they can be seen as they are."""
    moved = max(
        (
            float(np.linalg.norm(_finite(mirror.true_outline_px - mirror.outline_px), axis=1).max(initial=0.0))
            for mirror in overlay.mirrors
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


def better_left_free(view: View, overlay: Overlay, lines: Sequence[Array], width: float) -> Array:
    """(n, 2) [px] samples of what labels should not cover: the lines, and the insides of the outlines."""
    insides: list[Array] = []
    seen = (*(mirror.outline_px for mirror in overlay.mirrors), *overlay.inter_reflections_px)
    for outline in (overlay.direct_outline_px, *seen):
        edge = _finite(view.to_picture(outline))
        middle = edge.mean(axis=0)
        insides += [middle + share * (np.roll(edge, 1, axis=0) - middle) for share in np.linspace(0.0, 0.9, 10)]
    return np.concatenate([sampled(lines, width / 100), *insides])


def _finite(points: Array) -> Array:
    return points[np.isfinite(points).all(axis=1)]


def _cut(pixels: Pixels, view: View) -> Pixels:
    import cv2

    part = pixels[view.top : view.top + view.height, view.left : view.left + view.width]
    size = (round(view.width * view.scale), round(view.height * view.scale))
    method = cv2.INTER_AREA if view.scale < 1 else cv2.INTER_CUBIC
    return np.asarray(cv2.resize(part, size, interpolation=method), np.uint8)


def _draw_outlines(canvas: Canvas, view: View, overlay: Overlay) -> list[Array]:
    """All lines, what matters most last; returns them in picture pixels, for labels to keep clear of."""
    larger = exaggeration(view, overlay, canvas.width)
    drawn = []

    def outline(photo_px: Array, colour: Colour, weight: float = 1.0, dashed: bool = False) -> None:
        points = _finite(view.to_picture(photo_px))
        canvas.polyline(points, colour, closed=True, weight=weight, dashed=dashed)
        drawn.append(np.concatenate([points, points[:1]]))

    for mirror in overlay.mirrors:
        outline(mirror.mirror_px, YELLOW, 0.6, dashed=not overlay.mirror_size_known)
    for inter_reflection in overlay.inter_reflections_px:
        outline(inter_reflection, GREEN, 0.6)
    outline(overlay.direct_outline_px, SKY_BLUE)
    for mirror in overlay.mirrors:
        outline(mirror.outline_px, ORANGE)
        shifted = mirror.outline_px + larger * (mirror.true_outline_px - mirror.outline_px)
        outline(shifted, WHITE, dashed=True)
    return drawn


def _draw_labels(
    canvas: Canvas, placer: LabelPlacer, view: View, overlay: Overlay, result: CheckResult, photo: int
) -> None:
    """Names of the outlines, and the packing at the mirrors' edges."""
    by_number = {mirror.number: mirror for mirror in result.mirrors}
    several = len(result.mirrors) > 1
    for mirror in overlay.mirrors:
        words = f"reflection {mirror.number}" if several else "reflection"
        _label(canvas, placer, [words], ORANGE, _edge(view, mirror.outline_px, "far"))
    for mirror in overlay.mirrors:
        found = by_number[mirror.number]
        if found.verdict != "square":
            _draw_packing(canvas, placer, view, mirror, found, f"({mirror.number}) " if several else "")
    for inter_reflection, inter_reflection_px in zip(
        result.photos[photo].inter_reflections, overlay.inter_reflections_px, strict=True
    ):
        _label(
            canvas,
            placer,
            [inter_reflection_short(inter_reflection)],
            GREEN,
            _edge(view, inter_reflection_px, "far"),
        )
    _label(canvas, placer, ["target"], SKY_BLUE, _edge(view, overlay.direct_outline_px, "near"))


def _edge(view: View, outline_px: Array, side: str) -> list[tuple[float, float]]:
    """Places along an outline's upper ("far") or lower ("near") side in the picture."""
    points = _finite(view.to_picture(outline_px))
    middle = points[:, 1].mean()
    chosen = points[points[:, 1] < middle] if side == "far" else points[points[:, 1] > middle]
    return [(float(x), float(y)) for x, y in chosen]


def _draw_packing(
    canvas: Canvas, placer: LabelPlacer, view: View, mirror: MirrorOverlay, found: MirrorResult, whose: str
) -> None:
    """A frame about the mirror, thick where the packing is thick, with its millimetres."""
    corners = view.to_picture(mirror.mirror_px)
    needed = [shim for shim in found.shims.shims if shim_is_needed(shim) and shim.place in PLACE_CORNERS]
    if not needed or not np.isfinite(corners).all():
        return
    thickness = np.zeros(4)
    for shim in needed:
        thickness[list(PLACE_CORNERS[shim.place])] += shim.thickness_mm.value
    outward = corners - corners.mean(axis=0)
    outward /= np.maximum(np.linalg.norm(outward, axis=1, keepdims=True), 1e-9)
    grown = corners + outward * (PACKING_SHARE * canvas.width * thickness / thickness.max())[:, None]
    for first in range(4):
        second = (first + 1) % 4
        if found.shims.mount == "foot" and thickness[[first, second]].min() == 0:
            continue  # what lies under a foot does not run up the mirror's sides
        canvas.polygon(np.array([corners[first], corners[second], grown[second], grown[first]]), PURPLE, 0.8)
    for shim in needed:
        ends = grown[list(PLACE_CORNERS[shim.place])]
        along = np.linspace(ends[0], ends[-1], 7 if len(ends) > 1 else 1)
        _label(canvas, placer, _packing_words(shim, whose), PURPLE, [(float(x), float(y)) for x, y in along])


def _packing_words(shim: Shim, whose: str) -> list[str]:
    """The label's lines: the millimetres, and what they count for."""
    size, per, rest = shim_size_words(shim).partition(" per ")
    if shim.place in ("front", "rear"):
        return [whose + size, f"under the foot's {shim.place}"]
    return [whose + size, f"per {rest}"] if per else [whose + size]


def _label(
    canvas: Canvas,
    placer: LabelPlacer,
    lines: Sequence[str],
    colour: Colour,
    anchors: Sequence[tuple[float, float]],
) -> None:
    """Words in a dark box near one of the anchors, with a thin line to it when they lie farther off."""
    size = round(canvas.width * SMALLEST_TEXT_SHARE)
    pad = 0.25 * size
    width = max(text_width(line, size) for line in lines) + 2 * pad
    place = placer.place(anchors, (width, len(lines) * size * LINE_HEIGHT + pad))
    if place is None:
        return
    box, anchor = place
    x, y = box.nearest_to(*anchor)
    if np.hypot(x - anchor[0], y - anchor[1]) > 0.6 * size:
        canvas.polyline(np.array([anchor, (x, y)]), colour, weight=0.4)
    canvas.box(box.left, box.top, box.right, box.bottom)
    for number, line in enumerate(lines):
        canvas.write(Words(line, box.left + pad, box.top + pad / 2 + number * size * LINE_HEIGHT, size, colour))

"""Before and after from one place: one photo laid over another by the target that lies in both."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..drawing.captioned import GAP_SHARE, with_caption
from ..drawing.palette import DARK
from ..optics.geometry import apply_homography, fit_homography
from .thresholds import LEAST_COMMON_SHARE, LEAST_LIKENESS, MOST_STRETCH

Array = NDArray[np.float64]
Pixels = NDArray[np.uint8]

#: Pictures are made this small to find a shift [px]: it is found to half a pixel of the photo all the same.
SHIFT_PX = 800


Registered = Literal["target", "shift", ""]


@dataclass(frozen=True, eq=False)
class Pair:
    """Two pictures, (height, width, 3) RGB, of one size where the first is laid over the second.

    registered : by what it is: "target" by the target's outline, "shift" by what both photos share, "" not at all
    """

    before: Pixels
    after: Pixels
    registered: Registered


def register(before: Pixels, after: Pixels, before_px: ArrayLike, after_px: ArrayLike) -> Pair:
    """Bring the earlier photo into the later one's view, and cut both to what they share.

    Parameters
    ----------
    before, after : (height, width, 3) RGB photos
    before_px, after_px : (n, 2) the same places of the target in each; empty where they are not known

    Notes
    -----
    A homography holds for the plane of the target only; things that stand up shift a little unless both
    photos were taken from one place. Photos too unlike are left as they are, side by side at one height.
    """
    places, wanted = np.asarray(before_px, float).reshape(-1, 2), np.asarray(after_px, float).reshape(-1, 2)
    if len(places) < 4 or places.shape != wanted.shape:
        return shifted(before, after)
    if stretch(places, wanted) > MOST_STRETCH:
        return side_by_side(before, after)
    homography = fit_homography(places, wanted)
    common = _common_part(homography, before.shape, after.shape)
    if common is None:
        return side_by_side(before, after)
    left, top, right, bottom = common
    shift = np.array([[1.0, 0, -left], [0, 1, -top], [0, 0, 1]])
    import cv2

    moved = cv2.warpPerspective(
        before,
        shift @ homography,
        (right - left, bottom - top),
        flags=cv2.INTER_CUBIC,
        borderMode=cv2.BORDER_REPLICATE,
    )
    return Pair(np.asarray(moved, np.uint8), np.ascontiguousarray(after[top:bottom, left:right]), "target")


def shifted(before: Pixels, after: Pixels) -> Pair:
    """Bring the earlier photo over the later one by a shift alone, where the target's outline is not known.

    Phase correlation (scikit-image's `phase_cross_correlation`, after M. Guizar-Sicairos et al., Optics Letters
    33, 156 (2008), from memory) on pictures made small. Photos of other sizes, and such as have little in common
    after the shift, are left as they are, side by side.
    """
    if before.shape != after.shape:
        return side_by_side(before, after)
    import cv2
    from skimage import registration

    untyped: Any = registration
    scale = min(1.0, SHIFT_PX / max(after.shape[:2]))
    small = [_grey(cv2.resize(p, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)) for p in (before, after)]
    found, _, _ = untyped.phase_cross_correlation(small[1], small[0], upsample_factor=round(1 / scale) * 2)
    down, right = (round(float(step) / scale) for step in found)
    first, second = _overlap(before, down, right), _overlap(after, -down, -right)
    if first.size < LEAST_COMMON_SHARE * before.size or _likeness(first, second) < LEAST_LIKENESS:
        return side_by_side(before, after)
    return Pair(first, second, "shift")


def _grey(pixels: Any) -> Array:
    grey: Array = np.asarray(pixels, float).mean(axis=2)
    return grey


def _overlap(pixels: Pixels, down: int, right: int) -> Pixels:
    """The part of a picture that stays in its own frame when it is moved down and to the right."""
    height, width = pixels.shape[:2]
    part = pixels[max(0, -down) : max(0, height - max(0, down)), max(0, -right) : max(0, width - max(0, right))]
    return np.ascontiguousarray(part)


def _likeness(first: Pixels, second: Pixels) -> float:
    """The correlation coefficient of two pictures' grey values; 0 where one is even."""
    a, b = (_grey(p[::4, ::4]).ravel() for p in (first, second))
    if a.std() == 0 or b.std() == 0:
        return 0.0
    return float(np.corrcoef(a, b)[0, 1])


def stretch(places: Array, wanted: Array) -> float:
    """How unlike two views of the target are: 1 for the same shape and size, up to turning and shifting.

    The largest ratio, either way, between distances in one view and in the other.
    """
    step = max(1, len(places) // 12)
    few, few_wanted = places[::step], wanted[::step]
    first, second = np.triu_indices(len(few), 1)
    lengths = np.linalg.norm(few[first] - few[second], axis=1)
    wanted_lengths = np.linalg.norm(few_wanted[first] - few_wanted[second], axis=1)
    good = (lengths > 1.0) & (wanted_lengths > 1.0)
    if not good.any():
        return float("inf")
    ratios = lengths[good] / wanted_lengths[good]
    return float(max(ratios.max(), 1 / ratios.min()))


def _common_part(
    homography: Array, before_shape: tuple[int, ...], after_shape: tuple[int, ...]
) -> tuple[int, int, int, int] | None:
    """(left, top, right, bottom) [px] of the later photo that the earlier one fills; None where it is little.

    Shrinks the later photo's frame from the side that has most of the outside on it, on a coarse grid.
    """
    height, width = after_shape[:2]
    columns, rows = np.linspace(0, width - 1, 65), np.linspace(0, height - 1, 49)
    x, y = np.meshgrid(columns, rows)
    inverse: Array = np.asarray(np.linalg.inv(homography), float)
    back = apply_homography(inverse, np.column_stack([x.ravel(), y.ravel()]))
    limits = np.array([before_shape[1] - 1, before_shape[0] - 1])
    with np.errstate(invalid="ignore"):
        inside = np.asarray(((back >= 0) & (back <= limits)).all(axis=1)).reshape(x.shape)
    left, top, right, bottom = 0, 0, len(columns), len(rows)
    while right - left > 1 and bottom - top > 1 and not inside[top:bottom, left:right].all():
        part = ~inside[top:bottom, left:right]
        outside = [edge.mean() for edge in (part[:, 0], part[:, -1], part[0], part[-1])]
        side = int(np.argmax(outside))
        if outside[side] == 0:
            return None
        left, right = left + (side == 0), right - (side == 1)
        top, bottom = top + (side == 2), bottom - (side == 3)
    if (right - left) * (bottom - top) < LEAST_COMMON_SHARE * x.size:
        return None
    return int(columns[left]), int(rows[top]), int(columns[right - 1]) + 1, int(rows[bottom - 1]) + 1


def side_by_side(before: Pixels, after: Pixels) -> Pair:
    """Two photos as they are, the earlier one scaled to the later one's height."""
    import cv2

    height = after.shape[0]
    width = max(1, round(before.shape[1] * height / before.shape[0]))
    scaled = cv2.resize(before, (width, height), interpolation=cv2.INTER_AREA)
    return Pair(np.asarray(scaled, np.uint8), after, "")


def pair_picture(pair: Pair, before_caption: str, after_caption: str) -> Pixels:
    """Two captioned pictures side by side."""
    size = max(10, round(min(pair.before.shape[1], pair.after.shape[1]) / 28))
    pictures = [
        with_caption(pair.before, before_caption, text_px=size),
        with_caption(pair.after, after_caption, text_px=size),
    ]
    height = max(picture.shape[0] for picture in pictures)
    # Captions of unlike length: both pictures keep their lower edges together.
    padded = [np.concatenate([np.full((height - p.shape[0], p.shape[1], 3), DARK, np.uint8), p]) for p in pictures]
    gap = np.full((height, round(sum(p.shape[1] for p in padded) * GAP_SHARE), 3), DARK, np.uint8)
    return np.concatenate([padded[0], gap, padded[1]], axis=1)

"""Why a photo in which no target can be read cannot be read: dark, washed out, all grain, blurred."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .thresholds import (
    BLOCK_PX,
    BLURRED_PX,
    BURNT_SHARE,
    BURNT_VALUE,
    DARK_VALUE,
    EDGE_SHARE,
    MIN_BLOCKS,
    SHARPEST_SHARE,
)

Array = NDArray[np.float64]


def complaint(gray: NDArray[np.uint8]) -> tuple[str, str] | None:
    """(what is amiss with a grey photo of some 2000 px, what to try), or None where nothing plainly is."""
    if float(np.quantile(gray[::3, ::3], 0.99)) < DARK_VALUE:
        return "the photo is too dark", "Bring more light, so that the paper looks white in the photo."
    if float(np.mean(gray[::3, ::3] >= BURNT_VALUE)) > BURNT_SHARE:
        return (
            "much of the photo is burnt out",
            "Tap on the sheet to expose for it, and keep lamps and the sun off it.",
        )
    blur = edge_blur_px(gray)
    if blur is not None and blur > BLURRED_PX:
        return "the photo is blurred", "Hold the phone still, tap on the sheet to focus, and bring more light."
    return None


def edge_blur_px(gray: NDArray[np.uint8]) -> float | None:
    """Standard deviation of the blur of the sharpest edges [px], in the direction where they are least sharp.

    A step of height A under a Gaussian blur of sd b is steepest by A / (b sqrt(2 pi)). Motion blurs edges across
    its direction only, so four directions are looked at. None where the photo has too few edges to tell.

    skimage.measure.blur_effect was tried in its place: it averages over all that a photo shows, so that scenes of
    one blur scatter as far as a blur of 1 px does, and takes seven times as long (DEVELOPERS.md).
    """
    rows, columns = (size // BLOCK_PX for size in gray.shape)
    if rows * columns < MIN_BLOCKS:
        return None
    picture = gray[: rows * BLOCK_PX, : columns * BLOCK_PX].astype(np.int16)
    height = _blockwise(picture, rows, columns, np.max) - _blockwise(picture, rows, columns, np.min)
    low, high = np.quantile(gray[::3, ::3], [0.01, 0.99])
    edged = height > max(EDGE_SHARE * (float(high) - float(low)), 12.0)
    if edged.sum() < MIN_BLOCKS:
        return None
    worst = 0.0
    for down, right in ((0, 2), (2, 0), (2, 2), (2, -2)):
        moved = np.roll(picture, (down, right), axis=(0, 1))
        slope = _blockwise(np.abs(picture - moved), rows, columns, np.max, skip=2) / math.hypot(down, right)
        blur = height[edged] / np.maximum(slope[edged], 0.1) / math.sqrt(2 * math.pi)
        worst = max(worst, float(np.quantile(blur, SHARPEST_SHARE)))
    return worst


def _blockwise(
    picture: NDArray[np.int16], rows: int, columns: int, pick: Callable[..., Any], skip: int = 0
) -> Array:
    """The largest or smallest value of each block, but for its outermost `skip` pixels."""
    blocks = picture.reshape(rows, BLOCK_PX, columns, BLOCK_PX)
    inner = slice(skip, BLOCK_PX - skip)
    return np.asarray(pick(blocks[:, inner, :, inner], axis=(1, 3)), float)

"""Pictures torn along a row: what lies below is shifted sideways, as a broken transfer leaves it.

The target and its reflection lie one above the other: a tear between them changes nothing but how they stand
to one another, and no fit of their corners would notice. Damaged JPEG data lose or gain blocks, and mostly go on
brighter or darker as well: a block's brightness is coded as its difference from the one before.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ..optics.robust import median
from .thresholds import (
    ALIKE_GREY,
    ALIKE_SHARE,
    BAR_ROWS,
    COLUMNS,
    NEIGHBOURS,
    PARTS,
    PLACE_PX,
    PLAIN_GREY,
    STEP_BESIDE,
    STEP_GREY,
    STEP_QUANTA,
    SUSPECT_GREY,
    SUSPECT_RATIO,
    SUSPECTS,
    TORN_SHARE,
    USUAL_RATIO,
    WORST_SHARE,
)

#: Rows whose differences are worked out at once: half a megabyte of them.
ROWS_AT_ONCE = 128


def step_row(gray: NDArray[np.uint8], quantum_grey: float, block_px: int = 8) -> tuple[int, int] | None:
    """(row, grey values) of an even step in brightness along a JPEG's blocks in (h, w) uint8, or None.

    quantum_grey : the step in which a block's brightness is coded, block_px : their side in `gray`.
    """
    rows = np.arange(block_px, len(gray) - block_px, block_px)
    steps, least = _steps(gray, rows), max(STEP_GREY, STEP_QUANTA * quantum_grey)
    for side in (slice(0, PARTS), slice(PARTS, None)):
        middle = median(steps[:, side], axis=1)
        size = np.abs(middle)
        alike = np.abs(steps[:, side] - middle[:, None]) <= np.maximum(ALIKE_GREY, ALIKE_SHARE * size)[:, None]
        columns = slice(0, gray.shape[1] // 2) if side.start == 0 else slice(gray.shape[1] // 2, None)
        for number in np.flatnonzero((alike.sum(axis=1) >= PARTS - 1) & (size >= least)):
            row = int(rows[number])
            beside = np.abs(_steps(gray, np.array([row - 2, row + 2]))[:, side]).max(axis=0)
            abrupt = (beside <= STEP_BESIDE * size[number]).sum() >= PARTS - 1
            above, below = gray[row - BAR_ROWS : row, columns], gray[row : row + BAR_ROWS, columns]
            if abrupt and min(above.std(), below.std()) >= PLAIN_GREY:
                return row, round(float(middle[number]))
    return None


def _steps(gray: NDArray[np.uint8], rows: NDArray[np.int64]) -> NDArray[np.float64]:
    """(rows, 2 PARTS) by how much each part is brighter than the row above: the median over its columns."""
    sampled = gray[:, :: max(1, gray.shape[1] // COLUMNS)]
    sampled = sampled[:, : sampled.shape[1] // (2 * PARTS) * 2 * PARTS]
    apart = sampled[rows].astype(np.int16) - sampled[rows - 1]
    return np.asarray(median(apart.reshape(len(rows), 2 * PARTS, -1), axis=2))


def torn_row(gray: NDArray[np.uint8]) -> tuple[int, int] | None:
    """(row, shift to the right [px]) of a tear in (h, w) uint8, or None."""
    differs = _row_differences(gray[:, :: max(1, gray.shape[1] // COLUMNS)])
    padded = np.pad(differs, NEIGHBOURS, mode="edge")
    usual = median(np.lib.stride_tricks.sliding_window_view(padded, 2 * NEIGHBOURS + 1), axis=1)
    # A straight edge that climbs slowly is a shift as well, but from each row to the next.
    beside = np.max([padded[NEIGHBOURS + off : NEIGHBOURS + off + len(differs)] for off in (-3, -2, 2, 3)], axis=0)
    ratio = np.where(differs > SUSPECT_GREY, differs / np.maximum(np.maximum(usual, beside), 0.5), 0.0)
    for row in np.argsort(-ratio)[:SUSPECTS]:
        if ratio[row] < SUSPECT_RATIO:
            break
        upper, lower = gray[row].astype(float), gray[row + 1].astype(float)
        shift = _best_shift(upper, lower)
        before, after = _differences(upper, lower, 0), _differences(upper, lower, shift)
        smaller = after.mean() < TORN_SHARE * before.mean() and after.max() < WORST_SHARE * before.max()
        if shift and smaller and after.mean() < USUAL_RATIO * usual[row] + 0.5:
            return int(row) + 1, shift
    return None


def _row_differences(sampled: NDArray[np.uint8]) -> NDArray[np.float64]:
    """(h - 1,) mean difference of each row of (h, w) from the next, in parts that a core's cache holds."""
    import cv2

    sums = []
    for start in range(0, len(sampled) - 1, ROWS_AT_ONCE):
        rows = np.ascontiguousarray(sampled[start : start + ROWS_AT_ONCE + 1])
        sums.append(cv2.reduce(cv2.absdiff(rows[1:], rows[:-1]), 1, cv2.REDUCE_SUM, dtype=cv2.CV_32S)[:, 0])
    return np.asarray(np.concatenate(sums) / sampled.shape[1])


def _best_shift(upper: NDArray[np.float64], lower: NDArray[np.float64]) -> int:
    """By how much the lower row is likeliest to be shifted, up to half the width: by their correlation."""
    size = 2 * len(upper)
    transforms = [np.fft.rfft(row - row.mean(), size) for row in (upper, lower)]
    correlation = np.fft.irfft(transforms[1] * np.conj(transforms[0]), size)
    reach = len(upper) // 2
    correlation[reach : size - reach] = -np.inf
    shift = int(np.argmax(correlation))
    return shift if shift <= reach else shift - size


def _differences(upper: NDArray[np.float64], lower: NDArray[np.float64], shift: int) -> NDArray[np.float64]:
    """Differences of the rows where they overlap once the shift is undone, smoothed over PLACE_PX."""
    right, left, width = max(0, shift), max(0, -shift), len(upper)
    apart = np.abs(upper[left : width - right] - lower[right : width - left])
    return np.convolve(apart, np.full(PLACE_PX, 1 / PLACE_PX), mode="valid")

"""Pictures torn along a row: what lies below is shifted sideways, as a broken transfer leaves it.

The target and its reflection lie one above the other: a tear between them changes nothing but how they stand
to one another, and no fit of their corners would notice.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

#: Columns that are looked at to find rows that differ from the one above.
COLUMNS = 2000
#: A row is suspect where it differs so many times more than its neighbours do, and by so many grey values.
SUSPECT_RATIO, SUSPECT_GREY = 2.0, 2.0
NEIGHBOURS, SUSPECTS = 8, 6
#: It is torn where a shift makes the difference so many times smaller, on average and at the worst place, and no
#: larger than between neighbours: the edge of a checkerboard's row fits one shifted by a square but at its ends.
TORN_SHARE, WORST_SHARE, PLACE_PX, USUAL_RATIO = 0.6, 0.75, 9, 1.4


def torn_row(gray: NDArray[np.uint8]) -> tuple[int, int] | None:
    """(row, shift to the right [px]) of a tear in (h, w) uint8, or None."""
    sampled = gray[:, :: max(1, gray.shape[1] // COLUMNS)].astype(np.int16)
    differs = np.abs(np.diff(sampled, axis=0)).mean(axis=1)
    padded = np.pad(differs, NEIGHBOURS, mode="edge")
    usual = np.median(np.lib.stride_tricks.sliding_window_view(padded, 2 * NEIGHBOURS + 1), axis=1)
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

"""Median and quantiles, without the masked arrays that numpy's own import: these take a fortieth of a check."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray


def median(values: ArrayLike, axis: int | None = None) -> Any:
    """`numpy.median`: of all values, or along an axis; not a number where one of them is not, or there are none."""
    array = np.asarray(values)
    array = np.sort(array.ravel(), axis=0) if axis is None else np.moveaxis(np.sort(array, axis=axis), axis, 0)
    count = len(array)
    if not count:
        return np.float64(np.nan)
    middle = (array[(count - 1) // 2] + array[count // 2].astype(np.float64)) / 2
    last = array[-1]
    return np.where(np.isnan(last), np.nan, middle)[()]


def quantile(values: ArrayLike, shares: Sequence[float]) -> NDArray[np.float64]:
    """`numpy.quantile` of all values at shares from 0 to 1, between two values in proportion (its default)."""
    array = np.ravel(np.asarray(values))
    places = np.asarray(shares, np.float64) * (array.size - 1)
    low = np.floor(places).astype(int)
    high = np.minimum(low + 1, array.size - 1)
    ordered = np.partition(array, sorted({*low.tolist(), *high.tolist()}))
    first, second = ordered[low].astype(np.float64), ordered[high].astype(np.float64)
    return np.asarray(first + (second - first) * (places - low))

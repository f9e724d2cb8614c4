"""A mirror's flatness read back from its JSON; ValueError, KeyError or TypeError where it is none."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, get_args

import numpy as np
from numpy.typing import NDArray

from ..quantity import quantity_from_json
from .flatness import Flatness, WholeFace, Worst
from .flatness_map import FlatnessMap, FlatVerdict

Array = NDArray[np.float64]


def flatness_from_json(raw: Mapping[str, Any]) -> Flatness:
    """The inverse of `Flatness.to_json`."""
    part = tuple(float(raw["part_mm"][side]) for side in ("left", "right", "bottom", "top"))
    across, upright = (quantity_from_json(raw[f"sagitta_{way}_mm"]) for way in ("across", "upright"))
    left, right, bottom, top = part
    worst = raw.get("worst")
    if worst is None:  # written before it was said: the steeper edge
        steeper = max(abs(across.low), abs(across.high)) * (top - bottom)
        worst = "across" if steeper >= max(abs(upright.low), abs(upright.high)) * (right - left) else "upright"
    whole, shown = raw.get("whole_face"), raw.get("map")
    return Flatness(
        across,
        upright,
        quantity_from_json(raw["twist_mm"]),
        (left, right, bottom, top),
        quantity_from_json(raw["edge_deg"]),
        _one_of(Worst, worst) == "across",
        _one_of(FlatVerdict, raw["verdict"]),
        None
        if whole is None
        else WholeFace(**{str(name): quantity_from_json(item) for name, item in whole.items()}),
        None if shown is None else map_from_json(shown),
    )


def map_from_json(raw: Mapping[str, Any]) -> FlatnessMap:
    """The inverse of `FlatnessMap.to_json`."""
    right, up = (_numbers(raw[name], 1) for name in ("right_mm", "up_mm"))
    grid = (len(up), len(right))
    height, half, measured = (_numbers(raw[name], 2) for name in ("height_mm", "half_width_mm", "measured"))
    if min(grid) < 2 or not height.shape == half.shape == measured.shape == grid:
        raise ValueError(f"expected a map of {grid[0]} rows and {grid[1]} columns")
    at_right, at_up = (float(value) for value in raw["slope_at_mm"])
    return FlatnessMap(
        right_mm=right,
        up_mm=up,
        height_mm=height,
        half_width_mm=half,
        measured=measured > 0,
        outlines_mm=tuple(_numbers(outline, 2) for outline in raw["outlines_mm"]),
        size_known=raw["size_known"] is True,
        shifted_mm=float(raw["shifted_mm"]),
        lowest_mm=quantity_from_json(raw["lowest_mm"]),
        highest_mm=quantity_from_json(raw["highest_mm"]),
        slope_deg=quantity_from_json(raw["slope_deg"]),
        slope_at_mm=(at_right, at_up),
        beyond_mm=None if raw["beyond_mm"] is None else float(raw["beyond_mm"]),
        verdict=_one_of(FlatVerdict, raw["verdict"]),
    )


def _numbers(raw: Any, dimensions: int) -> Array:
    """Finite numbers in so many dimensions."""
    values = np.array(raw, float)
    if values.ndim != dimensions or not np.isfinite(values).all():
        raise ValueError(f"expected finite numbers in {dimensions} dimensions")
    return values


def _one_of(kinds: Any, found: Any) -> Any:
    if found not in get_args(kinds):
        raise ValueError(f"expected one of {', '.join(get_args(kinds))}, found {found!r}")
    return found

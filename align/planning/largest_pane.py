"""The largest rectangle of glass that goes into an opening that is no rectangle itself."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from ..optics.geometry import crossed

Array = NDArray[np.float64]

#: A pane is tried tilted by no more than this [rad] against the opening.
_MOST_TILT = math.radians(10.0)
#: The three half-planes that stay when each of the four in turn is left out.
_TRIPLES = np.array([[1, 2, 3], [0, 2, 3], [0, 1, 3], [0, 1, 2]])


def largest_pane(corners: Array, clearance_mm: float) -> tuple[float, float, Array] | None:
    """The rectangle of largest area inside the opening, `clearance_mm` from every side.

    Returns
    -------
    width, height [mm]; (4, 2) its corners. Found over its tilt and its proportion, coarse to fine; for either
    choice the largest size is a small linear programme (`_largest_scales`). None: nothing goes in.
    """
    outward, limits = _half_planes(corners, clearance_mm)
    size = np.ptp(corners, axis=0)
    middle = np.array([0.0, math.log(size[1] / size[0])])
    spread = np.array([_MOST_TILT, 0.5])
    best = (-1.0, 0.0, 0.0, np.zeros(2))
    for _ in range(14):
        tilts, ratios = (middle[k] + spread[k] * np.linspace(-1.0, 1.0, 9) for k in (0, 1))
        grid = np.array([(t, r) for t in tilts for r in ratios])
        centres, scales = _largest_scales(outward, limits, grid)
        top = int(np.argmax(scales))
        if scales[top] > best[0]:
            best = (float(scales[top]), float(grid[top, 0]), float(grid[top, 1]), centres[top])
            middle = grid[top]
        spread = spread / 2
    scale, tilt, ratio, centre = best
    if scale <= 0:
        return None
    width, height = scale * math.exp(-ratio / 2), scale * math.exp(ratio / 2)
    return width, height, _rectangle(centre, width, height, tilt)


def _half_planes(corners: Array, clearance_mm: float) -> tuple[Array, Array]:
    """Outward unit normals (4, 2) and limits (4,) of the opening, drawn in by the clearance."""
    along = np.roll(corners, -1, axis=0) - corners
    outward = np.column_stack([along[:, 1], -along[:, 0]]) / np.linalg.norm(along, axis=1, keepdims=True)
    return outward, (outward * corners).sum(axis=1) - clearance_mm


def _largest_scales(outward: Array, limits: Array, grid: Array) -> tuple[Array, Array]:
    """Centres (n, 2) and scales (n,) of the largest rectangles inside four half-planes.

    Parameters
    ----------
    grid : (n, 2) tilt [rad] and log of height over width of each

    Notes
    -----
    Maximise s with outward . c + reach s <= limits: four conditions, three unknowns, so three active
    conditions make the answer, and the fourth must hold. Scale -1 where none does.
    """
    cos, sin = np.cos(grid[:, 0]), np.sin(grid[:, 0])
    along = np.abs(outward[:, 0] * cos[:, None] + outward[:, 1] * sin[:, None])
    upward = np.abs(outward[:, 1] * cos[:, None] - outward[:, 0] * sin[:, None])
    reach = (along * np.exp(-grid[:, 1:] / 2) + upward * np.exp(grid[:, 1:] / 2)) / 2
    rows = np.concatenate([np.broadcast_to(outward, (len(grid), 4, 2)), reach[..., None]], axis=2)
    # Cramer's rule by cross products, all four triples at once: a linear-algebra library is slower on such small
    # systems.
    first, second, third = (rows[:, active] for active in _TRIPLES.T)
    by_limit = (crossed(second, third), crossed(third, first), crossed(first, second))
    determinant = (first * by_limit[0]).sum(axis=2)
    good = np.abs(determinant) > 1e-12
    weighted = sum(limits[k][:, None] * cross for k, cross in zip(_TRIPLES.T, by_limit, strict=True))
    solution = weighted / np.where(good, determinant, 1.0)[..., None]  # (n, 4, 3): centre and scale by triple
    holds = good & ((rows * solution).sum(axis=2) <= limits + 1e-9)
    scales = np.where(holds, solution[..., 2], -1.0)
    best = (np.arange(len(grid)), scales.argmax(axis=1))
    found = scales[best] > -1.0
    return np.where(found[:, None], solution[best][:, :2], 0.0), scales[best]


def _rectangle(centre: Array, width: float, height: float, tilt: float) -> Array:
    axes = np.array([[math.cos(tilt), math.sin(tilt)], [-math.sin(tilt), math.cos(tilt)]])
    corners = np.array([[-width, -height], [width, -height], [width, height], [-width, height]]) / 2
    return np.asarray(centre + corners @ axes)

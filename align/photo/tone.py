"""How a photo shows the print: the light of its ink and paper, and what is burnt out."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from ..optics.robust import quantile
from .thresholds import BURNT_VALUE, INK_SHARE, PAPER_SHARE

Array = NDArray[np.float64]

#: So many pixels of a board are looked at, evenly spread: their quantiles are then good to a few thousandths.
SAMPLES = 40_000


@cache
def _linear_table() -> NDArray[np.float32]:
    """8-bit code values to linear light, 0..1: the inverse sRGB curve (IEC 61966-2-1)."""
    value = np.arange(256) / 255.0
    return np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4).astype(np.float32)


def linear_light(gray: NDArray[np.uint8]) -> NDArray[np.float32]:
    """Grey code values to linear light 0..1; the camera's own curve is near sRGB's."""
    return _linear_table()[gray]


@dataclass(frozen=True)
class Light:
    """Linear light, 0 to 1, of a board's ink and paper; burnt_share : of its pixels that are burnt out."""

    ink: float
    paper: float
    burnt_share: float

    @property
    def contrast(self) -> float:
        """Paper against ink as (paper - ink) / (paper + ink): 0.89 for toner on office paper, 0 for no print."""
        return (self.paper - self.ink) / max(self.paper + self.ink, 1e-6)


def light_of(gray: NDArray[np.uint8], outline_px: Array) -> Light | None:
    """The light of a board in a grey photo, from its (4, 2) outline [px]; None where it lies outside the photo."""
    height, width = gray.shape
    low = np.clip(np.floor(outline_px.min(axis=0)), 0, [width, height]).astype(int)
    high = np.clip(np.ceil(outline_px.max(axis=0)) + 1, 0, [width, height]).astype(int)
    step = max(1, int(np.sqrt(np.prod(high - low) / SAMPLES)))
    part = gray[low[1] : high[1] : step, low[0] : high[0] : step]
    inside = _inside(part.shape, (outline_px - low) / step)
    if not inside.any():
        return None
    values = part[inside]
    ink, paper = quantile(linear_light(values), (INK_SHARE, PAPER_SHARE))
    return Light(float(ink), float(paper), float(np.mean(values >= BURNT_VALUE)))


def _inside(shape: tuple[int, ...], outline_px: Array) -> NDArray[np.bool_]:
    """(h, w) which pixels lie within a convex outline, wound either way."""
    rows, columns = np.ogrid[: shape[0], : shape[1]]
    sides = []
    for (x0, y0), (x1, y1) in zip(outline_px, np.roll(outline_px, -1, axis=0), strict=True):
        sides.append((x1 - x0) * (rows - y0) - (y1 - y0) * (columns - x0) > 0)
    return np.asarray(np.all(sides, axis=0) | ~np.any(sides, axis=0))

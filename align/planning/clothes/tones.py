"""Linear light to bytes and back, by sRGB's curve."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ...photo.tone import linear_light

Light = NDArray[np.float32]


def as_bytes(light: Light) -> NDArray[np.uint8]:
    """Linear light 0 to 1 as sRGB code values (IEC 61966-2-1)."""
    light = np.clip(light, 0.0, 1.0)
    curve = np.where(light <= 0.0031308, 12.92 * light, 1.055 * np.maximum(light, 1e-6) ** (1 / 2.4) - 0.055)
    return np.asarray(np.round(255.0 * curve), np.uint8)


def as_light(pixels: NDArray[np.uint8]) -> Light:
    """Inverse of `as_bytes`."""
    return np.asarray(linear_light(pixels))

"""Finishing a traced picture as a phone would: exposure, blur, noise, tone curve, JPEG, EXIF.

Lens distortion is not here: `trace` sends its rays along distorted directions already.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image

FULL_FRAME_DIAGONAL_MM = 43.2666  # of the 24 mm x 36 mm frame (CIPA DCG-001)
WHITE_LINEAR = 0.74  # where the exposure puts the 99th percentile
SHOULDER_START = 0.72
_EXIF_IFD = 0x8769


@dataclass(frozen=True)
class PhoneSpec:
    """What the phone does to the light, and what it writes into its files.

    blur_px : standard deviation of lens and sensor blur; shot_noise : noise at full scale, as a share of it;
    read_noise : likewise in the dark; turned : the picture is stored on its side, EXIF orientation 6.
    """

    blur_px: float = 0.8
    shot_noise: float = 0.012
    read_noise: float = 0.002
    quality: int = 88
    equivalent_mm: int = 26
    focal_mm: float = 5.6
    make: str = "Harbour"
    model: str = "H1"
    taken: str = "2024:05:14 10:32:00"
    turned: bool = False
    white: float = WHITE_LINEAR


def nominal_focal_px(size_px: tuple[int, int], equivalent_mm: float = 26.0) -> float:
    """Focal length [px] that a 35 mm-equivalent focal length stands for, by the diagonal."""
    return float(equivalent_mm / FULL_FRAME_DIAGONAL_MM * np.hypot(*size_px))


def develop(radiance: NDArray[np.float32], phone: PhoneSpec, seed: int) -> NDArray[np.uint8]:
    """(h, w, 3) RGB bytes of a traced picture."""
    rng = np.random.default_rng(seed)
    light = radiance * (phone.white / np.percentile(radiance[::7, ::7].max(axis=2), 99))
    if phone.blur_px > 0:
        light = cv2.GaussianBlur(light, (0, 0), phone.blur_px)
    spread = np.sqrt(phone.read_noise**2 + phone.shot_noise**2 * np.maximum(light, 0))
    light = light + spread * rng.standard_normal(light.shape, dtype=np.float32)
    return np.round(255 * tone(light)).astype(np.uint8)


def tone(light: NDArray[np.float32]) -> NDArray[np.float32]:
    """sRGB's curve with a soft shoulder in place of a hard clip."""
    room = 1 - SHOULDER_START
    over = np.maximum(light - SHOULDER_START, 0)
    light = np.where(light > SHOULDER_START, SHOULDER_START + room * (1 - np.exp(-over / room)), light)
    light = np.clip(light, 0, 1)
    return np.where(light <= 0.0031308, 12.92 * light, 1.055 * np.maximum(light, 1e-6) ** (1 / 2.4) - 0.055)


def save(pixels: NDArray[np.uint8], path: Path, phone: PhoneSpec) -> None:
    """Write the JPEG with its EXIF block."""
    exif = Image.Exif()
    exif[0x010F], exif[0x0110] = phone.make, phone.model
    exif[0x0112] = 6 if phone.turned else 1
    exif[0x0132] = phone.taken
    exif[_EXIF_IFD] = {
        0x9003: phone.taken,
        0x920A: phone.focal_mm,
        0xA405: phone.equivalent_mm,
        0xA002: pixels.shape[1],
        0xA003: pixels.shape[0],
    }
    picture = Image.fromarray(pixels)
    picture.save(path, "JPEG", quality=phone.quality, exif=exif, optimize=True, subsampling="4:2:0")

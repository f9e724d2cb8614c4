"""Another phone than the traced set-up's: colour filter array, sharpening, an S-shaped tone curve, JPEG, EXIF."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image

Image32 = NDArray[np.float32]

FULL_FRAME_DIAGONAL_MM = 43.2666  # of 24 mm x 36 mm (CIPA DCG-001)
_EXIF_IFD = 0x8769
#: Steps of linear light in the tone table: the coarsest is a twentieth of a grey value, in the dark.
_STEPS = 65535
#: Kernels of the gradient-corrected linear interpolation of a Bayer picture, times 8. Source: H. Malvar, L. He,
#: R. Cutler, High-quality linear interpolation for demosaicing of Bayer-patterned color images, ICASSP 2004.
_GREEN = np.array([[0, 0, -1, 0, 0], [0, 0, 2, 0, 0], [-1, 2, 4, 2, -1], [0, 0, 2, 0, 0], [0, 0, -1, 0, 0]])
_ALONG = np.array([[0, 0, 0.5, 0, 0], [0, -1, 0, -1, 0], [-1, 4, 5, 4, -1], [0, -1, 0, -1, 0], [0, 0, 0.5, 0, 0]])
_CROSS = np.array([[0, 0, -1.5, 0, 0], [0, 2, 0, 2, 0], [-1.5, 0, 6, 0, -1.5], [0, 2, 0, 2, 0], [0, 0, -1.5, 0, 0]])


@dataclass(frozen=True)
class Finish:
    """What the phone does to the light.

    blur_px : sd of the lens's blur; exposure : light that becomes white is 1 / exposure; shot_noise : sd at full
    scale; read_noise : sd in the dark; mosaic : whether colours come from a colour filter array; sharpen : share of
    the unsharp mask; curve : strength of the S; corner_dark : light lost at the corners.
    """

    blur_px: float = 0.8
    exposure: float = 0.95
    shot_noise: float = 0.010
    read_noise: float = 0.002
    mosaic: bool = True
    sharpen: float = 0.5
    curve: float = 0.12
    corner_dark: float = 0.15
    quality: int = 92
    equivalent_mm: int = 26
    seed: int = 0


#: Nothing but blur, sRGB and a whiff of noise: for judging the drawing itself.
BARE = Finish(0.8, 0.95, 0.002, 0.0005, mosaic=False, sharpen=0.0, curve=0.0, corner_dark=0.0, quality=98)


def nominal_focal_px(size_px: tuple[int, int], equivalent_mm: float) -> float:
    """Focal length [px] that the EXIF block stands for."""
    return float(equivalent_mm / FULL_FRAME_DIAGONAL_MM * np.hypot(*size_px))


def develop(light: Image32, finish: Finish) -> NDArray[np.uint8]:
    """(h, w, 3) RGB bytes of linear light."""
    rng = np.random.default_rng(finish.seed)
    light = light * np.float32(finish.exposure)
    if finish.blur_px:
        light = cv2.GaussianBlur(light, (0, 0), finish.blur_px)
    if finish.corner_dark:
        light = light * _vignette(light.shape[:2], finish.corner_dark)[:, :, None]
    sensed = _noisy(_mosaic(light) if finish.mosaic else light, finish, rng)
    light = _demosaiced(sensed) if finish.mosaic else sensed
    curve = _tone_table(finish.curve)[(np.clip(light, 0, 1) * np.float32(_STEPS)).astype(np.int32)]
    if finish.sharpen:
        luma = curve @ np.array([0.299, 0.587, 0.114], np.float32)
        curve = curve + np.float32(finish.sharpen) * (luma - cv2.GaussianBlur(luma, (0, 0), 1.3))[:, :, None]
    return np.asarray(np.clip(np.round(255 * curve), 0, 255).astype(np.uint8))


def _vignette(shape: tuple[int, int], dark: float) -> Image32:
    y, x = (np.linspace(-1, 1, n, dtype=np.float32) for n in shape)
    return np.asarray(1 - np.float32(dark / 2) * (y[:, None] ** 2 + x[None, :] ** 2), np.float32)


def _noisy(light: Image32, finish: Finish, rng: np.random.Generator) -> Image32:
    spread = np.sqrt(finish.read_noise**2 + finish.shot_noise**2 * np.maximum(light, 0)).astype(np.float32)
    return np.asarray(light + spread * rng.standard_normal(light.shape, dtype=np.float32), np.float32)


def _mosaic(light: Image32) -> Image32:
    """Red at even rows and columns, blue at odd ones, green between."""
    one = light[:, :, 1].copy()
    one[0::2, 0::2], one[1::2, 1::2] = light[0::2, 0::2, 0], light[1::2, 1::2, 2]
    return one


def _demosaiced(one: Image32) -> Image32:
    kernels = [(k / 8).astype(np.float32) for k in (_GREEN, _ALONG, _ALONG.T.copy(), _CROSS)]
    green, along, down, cross = (cv2.filter2D(one, -1, k, borderType=cv2.BORDER_REFLECT_101) for k in kernels)
    red, mid, blue = one.copy(), one.copy(), one.copy()
    mid[0::2, 0::2], mid[1::2, 1::2] = green[0::2, 0::2], green[1::2, 1::2]
    red[0::2, 1::2], red[1::2, 0::2], red[1::2, 1::2] = along[0::2, 1::2], down[1::2, 0::2], cross[1::2, 1::2]
    blue[1::2, 0::2], blue[0::2, 1::2], blue[0::2, 0::2] = along[1::2, 0::2], down[0::2, 1::2], cross[0::2, 0::2]
    return np.stack([red, mid, blue], axis=2)


def _tone_table(curve: float) -> Image32:
    """sRGB's curve (IEC 61966-2-1), then an S about its middle, in the middle of each of so many steps."""
    light = np.minimum((np.arange(_STEPS + 1) + 0.5) / _STEPS, 1.0)
    value = np.where(light <= 0.0031308, 12.92 * light, 1.055 * np.maximum(light, 1e-6) ** (1 / 2.4) - 0.055)
    return np.asarray(value - curve / (2 * np.pi) * np.sin(2 * np.pi * value), np.float32)


def save(pixels: NDArray[np.uint8], path: Path, finish: Finish) -> None:
    """Write the JPEG with its EXIF block."""
    exif = Image.Exif()
    exif[0x010F], exif[0x0110] = "Quay", "Q7"
    exif[_EXIF_IFD] = {
        0xA405: finish.equivalent_mm,
        0x920A: finish.equivalent_mm / 4.9,
        0xA002: pixels.shape[1],
        0xA003: pixels.shape[0],
    }
    Image.fromarray(pixels).save(path, "JPEG", quality=finish.quality, exif=exif, subsampling="4:2:0")

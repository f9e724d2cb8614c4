"""Whole photos of lamps before a mirror, for `align glass`: drawn scenes, and a phone's finish of its own.

Half of them are day-lit, a third of the mirrors front-coated; lamps are 0.8 to 5 mm across, round or oval, 0.3 to
1.2 m from the phone; lenses from 24 to 77 mm-equivalent. All numbers come from the case's own seed. SETS: "trial"
photos are for finding causes and fixing thresholds; "fresh" ones, later "second" and then "third" ones, were scored
once.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image

from align.target.sheets import SHEETS, Sheet, raster

from .flat_world import Bulb, Patch, World, image_px, picture_of
from .phone import FULL_FRAME_DIAGONAL_MM, tone
from .spec import Mirror, RenderCamera

Array = NDArray[np.float64]
SETS = {"trial": 83, "fresh": 89, "second": 101, "third": 131}
#: Large photos first: 8 to 12 megapixels; the others have 2.5 to 5.
LARGE = 60
LARGE_PX = ((4032, 3024), (3648, 2736), (3264, 2448))
SMALL_PX = ((2592, 1944), (2304, 1728), (1920, 1440))
GLASS_MM = (2.0, 3.0, 4.0, 5.0, 6.0, None, None)  # None: any from 1.8 to 8
LENSES_MM = (24, 26, 26, 28, 35, 48, 52, 70, 77)
_EXIF_IFD = 0x8769


@dataclass(frozen=True)
class Finish:
    """What the phone does. white: light of the paper; the rest as in `developed`."""

    white: float
    blur_px: float
    glare: float
    shot_noise: float
    read_noise: float
    mosaic: bool
    sharpen: float
    shoulder: bool
    quality: int


@dataclass(frozen=True, eq=False)
class LampPhoto:
    """One case: the world, its finish, the sheet, the nominal lens."""

    name: str
    world: World
    finish: Finish
    sheet: Sheet
    equivalent_mm: int

    def truth(self) -> dict[str, Any]:
        """What is true, as plain JSON."""
        world, mirror = self.world, self.world.mirror
        return {
            "format": "lamp-photo-truth-1",
            "lean_deg": mirror.lean_deg, "turn_deg": mirror.turn_deg, "distance_mm": mirror.distance_mm,
            "thickness_mm": mirror.thickness_mm, "index": mirror.index, "size_px": list(world.camera.size_px),
            "equivalent_mm": self.equivalent_mm, "day_lit": self.finish.white >= 0.25,
            "finish": self.finish.__dict__, "sheet": self.sheet.name,
            "eye_mm": [float(v) for v in world.eye],
            "lamps": [
                {
                    "at_mm": [float(v) for v in bulb.middle],
                    "half_axes_mm": sorted(float(v) for v in np.linalg.norm(bulb.half_axes, axis=0)),
                    "light": bulb.light,
                    "colour": list(bulb.colour),
                    "direct_px": [float(v) for v in image_px(world, bulb.middle, -1)],
                    "reflected_px": [float(v) for v in image_px(world, bulb.middle, 1)],
                }
                for bulb in world.bulbs
            ],
        }  # fmt: skip


def case_of(which: str, number: int) -> LampPhoto:
    """Draw scenes until sheet, lamps and reflections are all in the picture."""
    rng = np.random.default_rng([SETS[which], number])
    sizes = LARGE_PX if number < LARGE else SMALL_PX
    size = sizes[number % 3]
    thickness: float | None = 0.0
    if number % 3:
        thickness = GLASS_MM[int(rng.integers(len(GLASS_MM)))]
        thickness = float(rng.uniform(1.8, 8.0)) if thickness is None else thickness
    day = number % 2 == 0
    while True:
        world, sheet, equivalent = _tried(rng, size, thickness)
        if _complete(world, sheet):
            break
    finish = _finish(rng, day)
    world = replace(
        world,
        day=finish.white / 0.86,
        sky=tuple(c * finish.white * rng.uniform(0.4, 0.9) for c in (0.93, 0.97, 1.0)),
    )
    brightest = [
        float(np.exp(rng.uniform(np.log(max(1.6 * finish.white, 0.7)), np.log(40.0)))) for _ in world.bulbs
    ]
    world = replace(world, bulbs=[replace(b, light=light) for b, light in zip(world.bulbs, brightest, strict=True)])
    return LampPhoto(f"{which}_{number:03d}", world, finish, sheet, equivalent)


def _finish(rng: np.random.Generator, day: bool) -> Finish:
    white = float(rng.uniform(0.3, 0.78)) if day else float(np.exp(rng.uniform(np.log(0.04), np.log(0.22))))
    return Finish(
        white, float(rng.uniform(0.6, 1.4)), float(rng.choice([0.0, 0.0, 0.01, 0.03])),
        float(rng.uniform(0.005, 0.018)),
        float(rng.uniform(0.001, 0.003)), bool(rng.random() < 0.6), float(rng.choice([0.0, 0.0, 0.3, 0.6])),
        bool(rng.random() < 0.5), int(rng.integers(84, 96)),
    )  # fmt: skip


def _tried(rng: np.random.Generator, size: tuple[int, int], thickness: float) -> tuple[World, Sheet, int]:
    equivalent = int(rng.choice(LENSES_MM))
    far = float(rng.uniform(0.3, 1.2)) * 1000
    sheet = SHEETS[str(rng.choice(["card", "a6", "a5"]))]
    deep = sheet.depth_mm
    lean, turn = float(rng.normal(0, 1.0)), float(rng.choice([rng.normal(0, 2.0), rng.uniform(-14, 14)]))
    mirror = Mirror(
        float(rng.uniform(4, 70)), lean, turn, thickness,
        float(rng.uniform(240, 400)), float(rng.uniform(170, 260)),
        index=float(np.clip(rng.normal(1.52, 0.004), 1.51, 1.53)), reflectance=float(rng.uniform(0.86, 0.95)),
    )  # fmt: skip
    half = sheet.width_mm / 2
    count = int(rng.integers(1, 6))
    places = np.column_stack(
        [
            rng.uniform(-half, half, count),
            rng.uniform(-deep * 0.6, mirror.distance_mm - 6, count),
            rng.uniform(12, 110 if half > 60 else 70, count),
        ]
    )
    elevation, azimuth = np.radians(rng.uniform(14, 48)), np.radians(rng.uniform(-35, 35))
    aim = np.array([rng.uniform(-10, 10), rng.uniform(-15, 25), rng.uniform(10, 40)])
    step = np.array([np.sin(azimuth) * np.cos(elevation), -np.cos(azimuth) * np.cos(elevation), np.sin(elevation)])
    nominal = equivalent / FULL_FRAME_DIAGONAL_MM * np.hypot(*size)
    camera = RenderCamera(
        tuple(aim + far * step), tuple(aim), size,
        float(nominal * (1 + np.clip(0.01 * rng.standard_normal(), -0.02, 0.02))),
        tuple((np.array(size) - 1) / 2 + 0.003 * size[0] * rng.standard_normal(2)),
        float(0.02 * rng.standard_normal()), float(0.01 * rng.standard_normal()), float(rng.normal(0, 3)),
    )  # fmt: skip
    bulbs = [_bulb(rng, place) for place in places]
    day_colour = (1.0, float(rng.uniform(0.93, 1.0)), float(rng.uniform(0.85, 1.0)))
    patches = [_floor(rng, day_colour), sheet_patch(sheet, day_colour), *_houses(rng, half, mirror, step)]
    return World(camera, mirror, patches, bulbs, (0.0, 0.0, 0.0), 1.0), sheet, equivalent


def _bulb(rng: np.random.Generator, place: Array) -> Bulb:
    radius = float(np.exp(rng.uniform(np.log(0.4), np.log(2.5))))
    axes = np.full(3, radius)
    if rng.random() < 0.35:
        axes[2 if rng.random() < 0.6 else 0] *= float(rng.uniform(1.3, 2.2))
        axes *= min(1.0, 2.5 / axes.max())
    tilt = rng.uniform(-0.3, 0.3)
    turn = np.array([[np.cos(tilt), 0, np.sin(tilt)], [0, 1, 0], [-np.sin(tilt), 0, np.cos(tilt)]])
    colour = (
        (1.0, 0.86, 0.62)
        if rng.random() < 0.5
        else (1.0, float(rng.uniform(0.9, 1.0)), float(rng.uniform(0.75, 1.0)))
    )
    return Bulb(place, turn * axes, 1.0, colour)


def _complete(world: World, sheet: Sheet) -> bool:
    """Sheet and reflection, lamps and reflections in the picture and in the mirror; lamps apart from one
    another.
    """
    width, depth = sheet.width_mm / 2, -sheet.depth_mm
    points = np.array(
        [[x, y, 0.0] for x in (-width, width) for y in (0.0, depth)] + [b.middle for b in world.bulbs]
    )
    heights = (points - world.mirror.foot_point) @ world.mirror.normal
    eye_height = float((world.eye - world.mirror.foot_point) @ world.mirror.normal)
    if heights.min() < 3.0 or eye_height < 60:
        return False
    images = points - 2 * heights[:, None] * world.mirror.normal
    share = eye_height / (eye_height + heights)
    crossing = world.eye + share[:, None] * (images - world.eye) - world.mirror.foot_point
    across, up = crossing @ world.mirror.across, crossing @ world.mirror.upward
    if (
        (np.abs(across) > world.mirror.width_mm / 2 - 5).any()
        or (up < 1).any()
        or (up > world.mirror.height_mm - 8).any()
    ):
        return False
    pixels = world.camera.project(np.concatenate([points, images]))
    size = np.array(world.camera.size_px)
    if (pixels < 60).any() or (pixels > size - 60).any():
        return False
    far = np.linalg.norm(points - world.eye, axis=1)
    if far.min() < 250 or far.max() > 1300:
        return False
    # Squares of the reflection at least 9 px high: below, the sheet is another tool's matter.
    square = sheet.square_mm * world.camera.focal_px / (far.max() + 2 * heights.max())
    rise = float(world.eye[2]) / (far.max() + 2 * heights.max())
    if square * rise < 9:
        return False
    bulbs = len(world.bulbs)
    direct, mirrored = pixels[4 : 4 + bulbs], pixels[8 + bulbs :]
    spots = np.concatenate([direct, mirrored])
    apart = np.hypot(*(spots[:, None] - spots[None]).T) + 1e9 * np.eye(len(spots))
    sizes = np.array(
        [float(np.linalg.norm(b.half_axes, axis=0).max()) * world.camera.focal_px / 400 for b in world.bulbs]
    )
    return bool(apart.min() > 12 + sizes.max())


def _floor(rng: np.random.Generator, colour: tuple[float, float, float]) -> Patch:
    """Ground with cobbles or mottles: reflectance 0.08 to 0.4."""
    size = 1400
    texture = np.full((size, size), float(rng.uniform(0.12, 0.32)), np.float32)
    for scale in (4, 16, 64):
        grain = rng.standard_normal((size // scale, size // scale)).astype(np.float32)
        texture *= 1 + 0.12 * cv2.resize(grain, (size, size), interpolation=cv2.INTER_CUBIC)
    half = 900.0
    return Patch(
        np.array([-half, -half, 0.0]),
        np.array([2 * half, 0, 0]),
        np.array([0, 2 * half, 0.0]),
        np.clip(texture, 0.04, 0.5),
        colour,
    )


def sheet_patch(sheet: Sheet, colour: tuple[float, float, float]) -> Patch:
    """The print with its margins, flat on the floor; texture rows run from the near edge."""
    per_mm = 8
    per_square = round(sheet.square_mm * per_mm / 8) * 8
    scale = per_square / sheet.square_mm
    margins = [
        round(m * scale)
        for m in (sheet.contact_margin_mm, sheet.near_margin_mm, sheet.side_margin_mm, sheet.side_margin_mm)
    ]
    ink = cv2.copyMakeBorder(raster(sheet, per_square), *margins, cv2.BORDER_CONSTANT, value=255)
    far = sheet.contact_margin_mm - margins[0] / scale
    height, width = ink.shape[0] / scale, ink.shape[1] / scale
    texture = np.where(ink > 127, 0.86, 0.05).astype(np.float32)[::-1]
    corner = np.array([-width / 2, -far - height, 0.0])
    return Patch(
        corner,
        np.array([width, 0, 0.0]),
        np.array([0, height, 0.0]),
        np.ascontiguousarray(cv2.GaussianBlur(texture, (0, 0), 0.6)),
        colour,
        3,
    )


def _houses(rng: np.random.Generator, half: float, mirror: Mirror, step: Array) -> list[Patch]:
    """Up to six upright fronts beside the street, with windows, that face each other or the viewer."""
    fronts = []
    for _ in range(int(rng.integers(2, 7))):
        side = float(rng.choice([-1, 1]))
        wide, high = rng.uniform(30, 80), rng.uniform(40, 130)
        x, y = side * (half + rng.uniform(30, 110)), rng.uniform(-180, mirror.distance_mm - 90)
        if side * step[0] > 0.1 and y < 0:  # not between the phone and the sheet
            x += side * 150
        texture = np.full((130, 90), float(rng.uniform(0.08, 0.5)), np.float32)
        for row in range(12, 110, 30):
            for column in range(10, 75, 24):
                texture[row : row + 16, column : column + 11] = rng.uniform(0.05, 0.75)
        colour = tuple(float(v) for v in rng.uniform(0.45, 1.0, 3))
        along = np.array([wide, 0, 0.0]) if rng.random() < 0.5 else np.array([0, wide, 0.0])
        fronts.append(Patch(np.array([x, y, 0.0]), along, np.array([0, 0, high]), texture, colour))
    return fronts


def developed(light: NDArray[np.float32], finish: Finish, seed: int) -> NDArray[np.uint8]:
    """(h, w, 3) RGB codes: lens blur and glare, noise, the sensor's clip, mosaic, tone curve, sharpening, in this
    order.

    The light is clipped before anything resamples it: what rings beside a lamp 40 times too bright is no ghost.
    """
    rng = np.random.default_rng([97, seed])
    light = cv2.GaussianBlur(light, (0, 0), finish.blur_px)
    if finish.glare:
        small = cv2.resize(light, None, fx=0.25, fy=0.25, interpolation=cv2.INTER_AREA)
        wide = cv2.filter2D(small, -1, _wide(), borderType=cv2.BORDER_REPLICATE)
        light += finish.glare * (cv2.resize(wide, light.shape[1::-1], interpolation=cv2.INTER_LINEAR) - light)
    grain = rng.standard_normal(light.shape, dtype=np.float32)
    light += grain * np.sqrt(finish.read_noise**2 + finish.shot_noise**2 * np.maximum(light, 0))
    np.clip(light, 0, 2.0 if finish.shoulder else 1.0, out=light)
    if finish.mosaic:
        light = _through_mosaic(light)
    codes = tone(light) if finish.shoulder else _srgb(np.clip(light, 0, 1))
    if finish.sharpen:
        codes += finish.sharpen * (codes - cv2.GaussianBlur(codes, (0, 0), 1.2))
    return np.round(255 * np.clip(codes, 0, 1)).astype(np.uint8)


def _srgb(light: NDArray[np.float32]) -> NDArray[np.float32]:
    return np.where(light <= 0.0031308, 12.92 * light, 1.055 * np.maximum(light, 1e-6) ** (1 / 2.4) - 0.055).astype(
        np.float32
    )


def _through_mosaic(light: NDArray[np.float32]) -> NDArray[np.float32]:
    """One colour a pixel (RGGB), the others made up from the neighbours."""
    top = 2.0
    raw = light[..., 1].copy()
    raw[::2, ::2], raw[1::2, 1::2] = light[::2, ::2, 0], light[1::2, 1::2, 2]
    codes = np.round(raw * (65535 / top)).astype(np.uint16)
    return cv2.cvtColor(codes, cv2.COLOR_BayerBG2RGB).astype(np.float32) * np.float32(top / 65535)


def _wide(scale_px: float = 3.0, half: int = 15) -> NDArray[np.float32]:
    """Moffat's profile of ghost_photos.py at a quarter of the fineness."""
    rows, columns = np.mgrid[-half : half + 1, -half : half + 1]
    kernel = (1 + (rows**2 + columns**2) / scale_px**2) ** -1.5
    return np.asarray(kernel / kernel.sum(), np.float32)


def write_case(which: str, number: int, folder: Path) -> Path:
    """Draw, develop and save one photo and its truth; what is there already stays."""
    case = case_of(which, number)
    path = folder / f"{case.name}.jpg"
    if path.exists():
        return path
    codes = developed(picture_of(case.world), case.finish, number)
    exif = Image.Exif()
    exif[0x010F], exif[0x0110], exif[0x0112] = "Harbour", "H1", 1
    exif[_EXIF_IFD] = {0x920A: 5.6, 0xA405: case.equivalent_mm, 0xA002: codes.shape[1], 0xA003: codes.shape[0]}
    path.with_suffix(".truth.json").write_text(json.dumps(case.truth(), indent=1))
    Image.fromarray(codes).save(path, "JPEG", quality=case.finish.quality, exif=exif, subsampling="4:2:0")
    return path

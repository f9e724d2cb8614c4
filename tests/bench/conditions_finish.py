"""What befalls a photo between the scene and the file: shake, focus, darkness, glare, a dirty mirror.

All of it acts on linear light, before the phone's own blur, noise and tone curve (`rendering.phone.develop`).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from align.target.sheets import sheet_named
from tests.rendering.phone import PhoneSpec, develop
from tests.rendering.spec import SceneSpec

Light = NDArray[np.float32]
Array = NDArray[np.float64]

#: The phone that took all of them; its files are those of `rendering.phone`.
PHONE = replace(PhoneSpec(), quality=90)
#: Where a lens is focused instead of on the sheet: on something this much nearer, or far behind [mm].
NEAR_FOCUS_SHARE, FAR_FOCUS_MM = 0.45, 5000.0
#: Blurs between which the blur of a place is blended: discs of these shares of the largest.
DISC_STEPS = 6


@dataclass(frozen=True, eq=False)
class Places:
    """What each pixel shows of the floor's plane, (h, w) each: x and y [mm, target frame], the depth [mm] along
    the line of sight by way of the mirror, whether it is seen in the mirror."""

    x: Array
    y: Array
    depth: Array
    mirrored: NDArray[np.bool_]


def places_of(spec: SceneSpec) -> Places:
    """The floor seen by each pixel; lens distortion and the glass's refraction are left out."""
    camera, (mirror,) = spec.camera, spec.mirrors
    width, height = camera.size_px
    columns, rows = np.meshgrid(np.arange(width, dtype=float), np.arange(height, dtype=float))
    pixels = np.stack([columns, rows, np.ones_like(rows)], axis=-1)
    rays = pixels @ np.linalg.inv(camera.matrix).T @ camera.cam_from_target_R
    eye = np.asarray(camera.position_mm, float)
    mask = np.zeros((height, width), np.uint8)
    face = np.round(camera.project(mirror.face_corners())).astype(np.int32)
    cv2.fillConvexPoly(mask, face, 1)
    mirrored = mask > 0
    # The mirror world's floor is hit by the straight line from the eye; where, is read off in the real floor.
    n, foot = mirror.normal, mirror.foot_point
    turned = rays - 2 * (rays @ n)[..., None] * n
    start = eye - 2 * ((eye - foot) @ n) * n
    direction = np.where(mirrored[..., None], turned, rays)
    origin = np.where(mirrored[..., None], start, eye)
    share = -origin[..., 2] / np.where(np.abs(direction[..., 2]) < 1e-9, -1e-9, direction[..., 2])
    share = np.where(share > 0, share, 1e5)
    hit = origin + share[..., None] * direction
    # Rays have a unit component along the optical axis: the share is the depth.
    return Places(hit[..., 0], hit[..., 1], np.minimum(share, 1e5), mirrored)


def shaken(light: Light, length_px: float, angle_rad: float, rng: np.random.Generator) -> Light:
    """The phone moved during the exposure: a slightly curved stroke of `length_px`, end to end."""
    reach = math.ceil(length_px / 2) + 2
    along = np.linspace(-0.5, 0.5, 400)
    bend = rng.uniform(-0.2, 0.2) * (along**2 - np.mean(along**2))
    x = length_px * (along * math.cos(angle_rad) - bend * math.sin(angle_rad))
    y = length_px * (along * math.sin(angle_rad) + bend * math.cos(angle_rad))
    kernel = np.zeros((2 * reach + 1, 2 * reach + 1))
    left, top = np.floor(x).astype(int), np.floor(y).astype(int)
    for step_x in (0, 1):
        for step_y in (0, 1):
            weight = np.abs(1 - step_x - (x - left)) * np.abs(1 - step_y - (y - top))
            np.add.at(kernel, (top + step_y + reach, left + step_x + reach), weight)
    return _filtered(light, kernel)


def _filtered(light: Light, kernel: Array) -> Light:
    # cv2.filter2D correlates; a kernel turned by 180 degrees convolves.
    turned = np.ascontiguousarray(kernel[::-1, ::-1] / kernel.sum(), np.float32)
    return np.asarray(cv2.filter2D(light, -1, turned, borderType=cv2.BORDER_REPLICATE), np.float32)


def _disc(diameter_px: float) -> Array:
    """A uniform disc with soft pixels at its rim."""
    reach, finer = math.ceil(diameter_px / 2) + 1, 9
    side = (2 * reach + 1) * finer
    place = (np.arange(side) + 0.5) / finer - 0.5 - reach
    inside = (place[:, None] ** 2 + place[None] ** 2 <= (diameter_px / 2) ** 2).astype(float)
    return inside.reshape(2 * reach + 1, finer, 2 * reach + 1, finer).sum(axis=(1, 3)) + 1e-12


def defocused(light: Light, spec: SceneSpec, diameter_px: float, *, near: bool) -> Light:
    """Focused on something nearer, or far off: a disc of `diameter_px` at the reflection, others elsewhere."""
    places = places_of(spec)
    sheet = sheet_named(spec.sheet_name)
    on_sheet = (np.abs(places.x) < sheet.width_mm / 2) & (places.y < 0) & (places.y > -sheet.depth_mm)
    direct = float(np.median(places.depth[on_sheet & ~places.mirrored]))
    reflected = float(np.median(places.depth[on_sheet & places.mirrored]))
    focus = NEAR_FOCUS_SHARE * direct if near else FAR_FOCUS_MM
    size = diameter_px * np.abs(1 / places.depth - 1 / focus) / abs(1 / reflected - 1 / focus)
    largest = float(np.quantile(size, 0.999))
    levels = [light]
    for step in range(1, DISC_STEPS + 1):
        levels.append(_filtered(light, _disc(largest * step / DISC_STEPS)))
    position = np.clip(size / largest, 0, 1) * DISC_STEPS
    result = np.zeros_like(light)
    for step, level in enumerate(levels):
        share = np.clip(1 - np.abs(position - step), 0, 1).astype(np.float32)
        result += share[..., None] * level
    return result


def glaring(light: Light, spec: SceneSpec, rng: np.random.Generator) -> Light:
    """A window mirrored by glossy paper: one bright patch on the sheet, and for every other photo one on its
    reflection, elsewhere, for the mirror sees the sheet from elsewhere."""
    places = places_of(spec)
    sheet = sheet_named(spec.sheet_name)
    white = float(np.percentile(light[::7, ::7].max(axis=2), 99))
    result = light.copy()
    for mirrored in (False, True):
        middle = rng.uniform(-0.3, 0.3, 2)
        radii = rng.uniform(0.10, 0.24, 2) * [sheet.width_mm, sheet.depth_mm * 1.3]
        strength = rng.uniform(0.4, 3.0)
        if mirrored and rng.random() < 0.5:
            break
        u = (places.x - middle[0] * sheet.width_mm) / radii[0]
        v = (places.y + (0.5 + middle[1]) * sheet.depth_mm) / radii[1]
        # A window's panes are square with soft edges: the fourth power, through paper that scatters a little.
        shape = 1 / (1 + (np.abs(u) ** 4 + np.abs(v) ** 4) ** 2)
        paper = (np.abs(places.x) < sheet.width_mm / 2) & (places.y < 0) & (places.y > -sheet.depth_mm)
        shown = np.where(paper & (places.mirrored == mirrored), shape, 0)
        tint = np.array([0.97, 0.99, 1.04])
        result += (strength * white * shown[..., None] * tint).astype(np.float32)
    return result


def dirtied(light: Light, spec: SceneSpec, strength: float, rng: np.random.Generator) -> Light:
    """A mirror with wiped smears, which veil and blur, and with dust. strength: 1 is a mirror never cleaned."""
    places = places_of(spec)
    white = float(np.percentile(light[::7, ::7].max(axis=2), 99))
    smears = _smears(light.shape[:2], rng) * places.mirrored
    veil = (strength * smears)[..., None]
    hazy = cv2.GaussianBlur(light, (0, 0), 5.0)
    blended = light + np.clip(0.6 * veil, 0, 0.9) * (hazy - light)
    result = blended * (1 - np.clip(0.35 * veil, 0, 0.8)) + 0.16 * white * veil
    dust = _dust(light.shape[:2], round(900 * strength), rng) * places.mirrored
    return (result + dust[..., None] * (0.45 * white - result)).astype(np.float32)


def _smears(shape: tuple[int, int], rng: np.random.Generator) -> Array:
    """0 to 1: soft blotches, drawn out in the direction of wiping."""
    angle = float(rng.uniform(-30, 30))
    noise = rng.standard_normal(shape).astype(np.float32)
    streaks = cv2.GaussianBlur(noise, (0, 0), sigmaX=60, sigmaY=5)
    turn = cv2.getRotationMatrix2D((shape[1] / 2, shape[0] / 2), angle, 1.3)
    streaks = cv2.warpAffine(streaks, turn, shape[::-1], borderMode=cv2.BORDER_REFLECT)
    blotches = cv2.GaussianBlur(noise, (0, 0), 40)
    field = streaks / streaks.std() + blotches / blotches.std()
    return np.clip(0.5 + 0.35 * field, 0, 1)


def _dust(shape: tuple[int, int], specks: int, rng: np.random.Generator) -> Array:
    """0 to 1: soft specks of 1 to 4 pixels."""
    field = np.zeros(shape, np.float32)
    for x, y, radius in zip(
        rng.uniform(0, shape[1], specks),
        rng.uniform(0, shape[0], specks),
        rng.uniform(0.5, 2.2, specks),
        strict=True,
    ):
        cv2.circle(field, (round(16 * x), round(16 * y)), round(16 * radius), 1.0, -1, cv2.LINE_AA, 4)
    return np.asarray(cv2.GaussianBlur(field, (0, 0), 1.0), float)


def darkened(light: Light, white: float, noise: float, seed: int) -> NDArray[np.uint8]:
    """Developed dark: white where the exposure puts it (0.74 as a rule), shot noise (0.012 as a rule), smoothed
    as phones do."""
    phone = replace(PHONE, white=white, shot_noise=noise, read_noise=noise / 5, blur_px=1.0)
    return np.asarray(cv2.bilateralFilter(develop(light, phone, seed), 5, 12, 1.2), np.uint8)

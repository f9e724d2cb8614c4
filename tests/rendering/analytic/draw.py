"""The light on the sensor: sub-pixels followed to the print, their ink by area.

A sub-pixel's share of ink is the mean over the box on the print that has its footprint's extents, from the print's
integral: no texture is sampled, so no edge is moved by a texel or a rounded place. Only where the sheet or its
reflection shows are rays many; the rest is drawn coarsely and enlarged.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import cv2
import numpy as np
from numpy.typing import NDArray

from align.target.sheets import Sheet, raster

from .exact import exact_pixels
from .rays import Vector, from_mirror, lens_rays, on_paper, through_mirror, to_mirror
from .scene import BentScene, Look

Array = NDArray[np.float64]

#: Every edge of the print lies on a grid of this many cells a square.
CELLS = 8
#: Rounds the fine parts reach beyond the sheet and its reflection [px]; the coarse part's step [px].
BEYOND_PX, COARSE_STEP = 26, 3
#: Pixels drawn at once: small enough for the processor's cache.
BATCH = 6000
GHOST_ORDERS = (0, 2)
#: The floor's half width, near end, and the wall behind the mirror [mm].
FLOOR_HALF_MM, FLOOR_NEAR_MM, WALL_MM = 520.0, -1500.0, 260.0


def picture(scene: BentScene, rays: int = 2, *, ghosts: bool = True) -> NDArray[np.float32]:
    """(height, width, 3) linear light; rays : their square is the sub-pixels of a pixel; ghosts : of glass."""
    image = _coarse(scene)
    fine = _fine_parts(scene)
    rows, columns = np.nonzero(fine)
    orders = (1, *GHOST_ORDERS) if ghosts and scene.mirror.thickness_mm else (1,)
    for start in range(0, len(rows), BATCH):
        part = slice(start, start + BATCH)
        x, y = columns[part].astype(float), rows[part].astype(float)
        image[rows[part], columns[part]] = _pixels(scene, x, y, rays, orders)
    return image


@cache
def ink_integral(sheet: Sheet) -> Array:
    """Ink between the board's far-left corner, less two cells, and each cell's corner, in cells' areas."""
    ink = np.pad(1.0 - raster(sheet, CELLS) / 255.0, 2)
    total = np.zeros((ink.shape[0] + 1, ink.shape[1] + 1))
    total[1:, 1:] = ink.cumsum(axis=0).cumsum(axis=1)
    return total


def ink_share(sheet: Sheet, x: Array, y: Array, wide: Array, deep: Array) -> Array:
    """Share of ink in boxes of extents `wide`, `deep` [mm] about places of the design [mm]."""
    from scipy.ndimage import map_coordinates

    table = ink_integral(sheet)
    cell = sheet.square_mm / CELLS
    column = (x + sheet.squares_x * sheet.square_mm / 2) / cell + 2
    row = (-sheet.contact_margin_mm - y) / cell + 2
    half_w, half_d = np.maximum(wide / cell, 1e-4) / 2, np.maximum(deep / cell, 1e-4) / 2
    shape = x.shape
    corners = np.empty((2, 4, x.size))
    for number, (down, right) in enumerate(((1, 1), (-1, 1), (1, -1), (-1, -1))):
        corners[0, number] = np.clip(row + down * half_d, 0, table.shape[0] - 1).ravel()
        corners[1, number] = np.clip(column + right * half_w, 0, table.shape[1] - 1).ravel()
    found = map_coordinates(table, corners.reshape(2, -1), order=1, mode="nearest", prefilter=False).reshape(4, -1)
    area = (4 * half_w * half_d).ravel()
    return np.asarray(((found[0] - found[1] - found[2] + found[3]) / area).reshape(shape))


def paper_share(sheet: Sheet, x: Array, y: Array, wide: Array, deep: Array) -> Array:
    """Share of such boxes that lies on the sheet."""
    across = np.clip((sheet.width_mm / 2 - np.abs(x)) / np.maximum(wide, 1e-6) + 0.5, 0, 1)
    far = np.clip(-y / np.maximum(deep, 1e-6) + 0.5, 0, 1)
    near = np.clip((y + sheet.depth_mm) / np.maximum(deep, 1e-6) + 0.5, 0, 1)
    return np.asarray(across * np.minimum(far, near))


@dataclass(frozen=True, eq=False)
class _Seen:
    """Sub-pixels' shares of ink and of bare paper, the light's cosine, and where the first of each pixel fell."""

    ink: Array
    paper: Array
    shade: Array
    x: Array
    y: Array


def _pixels(scene: BentScene, x: Array, y: Array, rays: int, orders: tuple[int, ...]) -> NDArray[np.float32]:
    """(n, 3) light of pixels, each the mean over its sub-pixels."""
    offsets = (np.arange(rays) + 0.5) / rays - 0.5
    at_x = x[:, None, None] + offsets[None, None, :] + np.zeros((1, rays, 1))
    at_y = y[:, None, None] + offsets[None, :, None] + np.zeros((1, 1, rays))
    ray = lens_rays(scene.camera, at_x, at_y)
    before = _mirror_first(scene, ray)
    light = np.zeros((len(x), 3))
    direct = ~before.all(axis=(1, 2))
    if direct.any():
        eye = _eye(scene, direct.sum(), rays)
        seen = _on_sheet(scene, eye, _chosen(ray, direct))
        light[direct] += _light(scene, seen, (~before[direct]).astype(float), scene.look)
    mirrored = before.any(axis=(1, 2))
    if mirrored.any():
        place, turned = to_mirror(scene.mirror, _eye(scene, mirrored.sum(), rays), _chosen(ray, mirrored))
        for order in orders:
            out, away, weight, _ = through_mirror(scene.mirror, place, turned, order)
            seen = _on_sheet(scene, *from_mirror(scene.mirror, out, away))
            light[mirrored] += _light(scene, seen, weight * before[mirrored], scene.look)
    return light.astype(np.float32)


def _chosen(vector: Vector, which: NDArray[np.bool_]) -> Vector:
    return vector[0][which], vector[1][which], vector[2][which]


def _eye(scene: BentScene, count: int, rays: int) -> Vector:
    eye = [np.full((count, rays, rays), value) for value in scene.camera.eye_mm]
    return eye[0], eye[1], eye[2]


def _mirror_first(scene: BentScene, ray: Vector) -> NDArray[np.bool_]:
    """Whether rays from the eye meet the mirror's face before the floor (its mean plane: bends do not matter)."""
    mirror, eye = scene.mirror, np.asarray(scene.camera.eye_mm, float)
    facing = sum(mirror.axes[2, i] * ray[i] for i in range(3))
    reach = -float((eye - mirror.foot) @ mirror.axes[2]) / facing
    place = [sum(mirror.axes[j, i] * (eye[i] + reach * ray[i] - mirror.foot[i]) for i in range(3)) for j in (0, 1)]
    height = eye[2] + reach * ray[2]
    return np.asarray((reach > 0) & (height > 0) & mirror.face.holds(np.asarray(place[0]), np.asarray(place[1])))


def _on_sheet(scene: BentScene, origin: Vector, ray: Vector) -> _Seen:
    """Where sub-pixels' rays come down, and how much of each footprint is ink and bare paper."""
    down = np.where(ray[2] < -0.02, ray[2], -0.02)  # rays to the wall or the room: they fall far off the sheet
    level = (ray[0], ray[1], down)
    x, y, by_x, by_y = on_paper(scene.paper, origin, level)
    flat_x, flat_y = scene.paper.unrolled(x, y)
    at_x, at_y = scene.fault.designed(flat_x, flat_y)
    wide, deep = _footprint(at_x), _footprint(at_y)
    sheet = scene.sheet
    paper = np.where(ray[2] < -0.02, paper_share(sheet, at_x, at_y, wide, deep), 0.0)
    ink = np.zeros_like(paper)
    on = paper > 0
    if on.any():
        ink[on] = ink_share(sheet, at_x[on], at_y[on], wide[on], deep[on])
    # Lambert's cosine of a light from above, the left and the front, over that of the level floor.
    tilted = (1 + 0.35 * by_x + 0.45 * by_y) / np.sqrt(1 + by_x**2 + by_y**2)
    return _Seen(ink * paper, paper - ink * paper, tilted, x[:, 0, 0], y[:, 0, 0])


def _footprint(place: Array) -> Array:
    """Extent along one axis of the print of each sub-pixel's footprint, by differences within the pixel."""
    if place.shape[1] == 1:
        raise ValueError("expected at least 2 by 2 sub-pixels, found one")
    right = np.diff(place, axis=2).mean(axis=(1, 2))
    down = np.diff(place, axis=1).mean(axis=(1, 2))
    extent = np.minimum(np.sqrt(right**2 + down**2), 5.0)
    return np.broadcast_to(extent[:, None, None], place.shape)


def _light(scene: BentScene, seen: _Seen, weight: Array, look: Look) -> Array:
    """(n, 3) mean light of pixels whose sub-pixels have been looked up."""
    ink = (seen.ink * seen.shade * weight).mean(axis=(1, 2))
    paper = (seen.paper * seen.shade * weight).mean(axis=(1, 2))
    rest = ((1 - seen.ink - seen.paper) * weight).mean(axis=(1, 2))
    lit = _lit(look, seen.x, seen.y)[:, None]
    colour = ink[:, None] * np.array(look.ink) + paper[:, None] * np.array(look.paper)
    return np.asarray(lit * (colour + rest[:, None] * _grain(look, seen.x, seen.y)))


def _lit(look: Look, x: Array, y: Array) -> Array:
    """How strongly the floor is lit at (x, y): 1 at the contact edge's middle."""
    return np.asarray(np.clip(1 + (look.light[0] * x + look.light[1] * y) / 100, 0.25, 1.6))


def _grain(look: Look, x: Array, y: Array) -> Array:
    """(n, 3) colour of a floor of long boards."""
    rng = np.random.default_rng(look.seed)
    phase, wave = rng.uniform(0, 6.28, 6), rng.uniform(0.6, 1.5, 6)
    board = np.floor(x / 62 + 0.3)
    tint = 0.12 * np.sin(board * 12.9898 + phase[0])
    veins = 0.05 * np.sin(wave[0] * x / 2.1 + 2.5 * np.sin(wave[1] * y / 90 + board) + phase[1])
    veins += 0.03 * np.sin(wave[2] * x / 0.9 + 1.5 * np.sin(wave[3] * y / 37 + 2 * board) + phase[2])
    return np.asarray((1 + tint + veins)[:, None] * np.array(look.floor))


def _coarse(scene: BentScene) -> NDArray[np.float32]:
    """The whole picture without the sheet, drawn at every third pixel and enlarged."""
    width, height = scene.camera.size_px
    columns = np.arange(-COARSE_STEP, width + 2 * COARSE_STEP, COARSE_STEP, dtype=float)
    rows = np.arange(-COARSE_STEP, height + 2 * COARSE_STEP, COARSE_STEP, dtype=float)
    small = np.empty((len(rows), len(columns), 3), np.float32)
    for start in range(0, len(rows), 24):
        part = rows[start : start + 24]
        x, y = (grid.ravel()[:, None, None] for grid in np.meshgrid(columns, part))
        small[start : start + 24] = _surroundings(scene, lens_rays(scene.camera, x, y)).reshape(
            len(part), len(columns), 3
        )
    large = cv2.resize(small, None, fx=COARSE_STEP, fy=COARSE_STEP, interpolation=cv2.INTER_LINEAR)
    edge = COARSE_STEP + 1
    return np.ascontiguousarray(large[edge : edge + height, edge : edge + width])


def _surroundings(scene: BentScene, ray: Vector) -> Array:
    """(n, 3) light of floor, wall, room and what the mirror shows of them."""
    eye = _eye(scene, len(ray[0]), 1)
    before = _mirror_first(scene, ray)[:, 0, 0]
    light = _bare(scene.look, eye, ray)
    if before.any():
        place, turned = to_mirror(scene.mirror, _chosen(eye, before), _chosen(ray, before))
        out, away, weight, _ = through_mirror(scene.mirror, place, turned, 1)
        shown = _bare(scene.look, *from_mirror(scene.mirror, out, away))
        light[before] = weight[:, 0, 0][:, None] * shown
    return light


def _bare(look: Look, origin: Vector, ray: Vector) -> Array:
    """(n, 3) light along rays in a room without sheet and mirror."""
    o, d = [part[:, 0, 0] for part in origin], [part[:, 0, 0] for part in ray]
    falls = d[2] < -1e-3
    reach = np.where(falls, -o[2] / np.where(falls, d[2], -1.0), np.inf)
    ahead = d[1] > 1e-6
    to_wall = np.where(ahead, (WALL_MM - o[1]) / np.where(ahead, d[1], 1.0), np.inf)
    x, y = (o[i] + np.where(falls, reach, 0.0) * d[i] for i in (0, 1))
    floor = falls & (reach < to_wall) & (np.abs(x) < FLOOR_HALF_MM) & (y > FLOOR_NEAR_MM)
    up = np.arctan2(d[2], np.hypot(d[0], d[1]))
    room = (0.30 + 0.55 * np.clip(up / 0.9 + 0.25, 0, 1))[:, None] * np.array([0.95, 0.97, 1.0])
    stripes = 1 + 0.1 * np.tanh(6 * np.sin(9 * np.arctan2(d[0], np.abs(d[1]) + 1e-9)))
    wall = (stripes * (0.75 + 0.2 * np.clip(up + 0.5, 0, 1)))[:, None] * np.array(look.wall)
    light = np.where(ahead[:, None], wall, room)
    light[floor] = _lit(look, x[floor], y[floor])[:, None] * _grain(look, x[floor], y[floor])
    return light


def outline_design(sheet: Sheet, each: int = 12) -> Array:
    """(n, 2) [mm] places round the sheet's edge."""
    half, deep = sheet.width_mm / 2, sheet.depth_mm
    corners = np.array([[-half, 0], [half, 0], [half, -deep], [-half, -deep]])
    share = np.arange(each)[:, None] / each
    sides = [a + share * (b - a) for a, b in zip(corners, np.roll(corners, -1, axis=0), strict=True)]
    return np.concatenate(sides)


def _fine_parts(scene: BentScene) -> NDArray[np.bool_]:
    """(height, width) where the sheet or its reflection shows, and a little beyond."""
    width, height = scene.camera.size_px
    mask = np.zeros((height, width), np.uint8)
    for outline in exact_pixels(scene, outline_design(scene.sheet))[:2]:
        places = np.round(outline).astype(np.int32)
        cv2.fillPoly(mask, [places], 1)
        cv2.polylines(mask, [places], True, 1, thickness=2 * BEYOND_PX)
    return mask > 0

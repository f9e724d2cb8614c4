"""Pictures of flat things and small lamps before one slab mirror, by exact rays, without Mitsuba.

Everything but the lamps is a flat patch with a texture. What a pixel sees of a patch is a homography, plus, in a
mirror of glass, a small smooth correction: the sideways step of the ray inside the slab, worked out exactly at
every STRIDE-th pixel. Lamps are ellipsoids, met ray by ray. Refraction and Fresnel's formulae are written out
here for rays from the eye, on purpose not taken from align.optics, which solves for the ray between two points.

A photo of 12 megapixels takes some 5 s; tests/bench/lamp_photos.py compares a few with Mitsuba's.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import cv2
import numpy as np
from numpy.typing import NDArray

from .spec import Mirror, RenderCamera

Array = NDArray[np.float64]
Picture = NDArray[np.float32]

#: The exact rays are worked out at every so many pixels.
STRIDE = 16
#: Rays a pixel and direction through a lamp.
LAMP_GRID = 6
DIRECT = -1
#: Orders of image of the flat world that are drawn in a slab; a lamp shows one more.
WORLD_ORDERS, LAMP_ORDERS = (1, 0, 2), (1, 0, 2, 3)


@dataclass(frozen=True, eq=False)
class Patch:
    """A flat textured parallelogram: corner, two edges [mm], (h, w) reflectance, colour, drawn so many times
    finer.
    """

    corner: Array
    along: Array
    up: Array
    texture: Picture
    colour: tuple[float, float, float] = (1.0, 1.0, 1.0)
    finer: int = 1

    @property
    def middle(self) -> Array:
        """(3,) [mm]."""
        return np.asarray(self.corner + (self.along + self.up) / 2)


@dataclass(frozen=True, eq=False)
class Bulb:
    """A glowing ellipsoid: middle, (3, 3) half axes as columns [mm], light on the scale of full white, colour."""

    middle: Array
    half_axes: Array
    light: float
    colour: tuple[float, float, float]


@dataclass(frozen=True, eq=False)
class World:
    """Patches before the mirror, lamps, and the light of the day (sky: (3,) light of the background).

    more_mirrors : beside the first, each showing the world as if it were the only one.
    """

    camera: RenderCamera
    mirror: Mirror
    patches: Sequence[Patch]
    bulbs: Sequence[Bulb]
    sky: tuple[float, float, float]
    day: float
    more_mirrors: Sequence[Mirror] = ()

    @cached_property
    def eye(self) -> Array:
        """(3,) [mm]."""
        return np.asarray(self.camera.position_mm, float)


def undistorted(camera: RenderCamera, pixels: Array) -> Array:
    """(..., 2) x / z and y / z of pixels, by fixed point."""
    plane = (pixels - camera.matrix[:2, 2]) / camera.focal_px
    result = plane.copy()
    for _ in range(25):
        r2 = (result**2).sum(axis=-1, keepdims=True)
        result = plane / (1 + camera.k1 * r2 + camera.k2 * r2**2)
    return result


def directions(camera: RenderCamera, pixels: Array) -> Array:
    """(..., 3) unit directions of sight in the target frame."""
    plane = undistorted(camera, pixels)
    inside = np.concatenate([plane, np.ones((*plane.shape[:-1], 1))], axis=-1)
    world = inside @ camera.cam_from_target_R
    return world / np.linalg.norm(world, axis=-1, keepdims=True)


def bounced(mirror: Mirror, eye: Array, ways: Array, order: int) -> tuple[Array, Array, Array]:
    """(origins, directions, weights) of sight after the mirror; weight 0 where the face is missed."""
    normal = mirror.normal
    toward = ways @ normal
    with np.errstate(divide="ignore", invalid="ignore"):
        far = ((mirror.foot_point - eye) @ normal) / toward
    met = eye + far[..., None] * ways
    cosine = -toward
    flat = ways + cosine[..., None] * normal
    after = ways + 2 * cosine[..., None] * normal
    sine2 = np.clip(1 - cosine**2, 0, 1)
    cosine_inside = np.sqrt(1 - sine2 / mirror.index**2)
    if mirror.thickness_mm:
        step = 2 * order * mirror.thickness_mm / (mirror.index * cosine_inside)
        met = met + step[..., None] * flat
        weight = slab_share(cosine, cosine_inside, mirror, order)
    else:
        weight = np.full(cosine.shape, mirror.reflectance)
    place = met - mirror.foot_point
    across, up = place @ mirror.across, place @ mirror.upward
    on_face = (
        (np.abs(across) < mirror.width_mm / 2) & (up > mirror.foot_mm) & (up < mirror.foot_mm + mirror.height_mm)
    )
    return met, after, np.where(on_face & (far > 0) & (toward < 0), weight, 0.0)


def slab_share(cosine: Array, cosine_inside: Array, mirror: Mirror, order: int) -> Array:
    """Share of unpolarised light in the image of an order (E. Hecht, Optics, 5th ed., eqs 4.34 and 4.40,
    squared).
    """
    n = mirror.index
    across = ((cosine - n * cosine_inside) / (cosine + n * cosine_inside)) ** 2
    within = ((n * cosine - cosine_inside) / (n * cosine + cosine_inside)) ** 2
    if order == 0:
        return (across + within) / 2
    silver = mirror.reflectance
    return sum((1 - r) ** 2 * silver**order * r ** (order - 1) for r in (across, within)) / 2


def picture_of(world: World) -> Picture:
    """(h, w, 3) linear light, full scale being 1, before lens blur; lamps may be far brighter."""
    width, height = world.camera.size_px
    light = np.empty((height, width, 3), np.float32)
    light[:] = np.array(world.sky, np.float32)
    ordered = sorted(world.patches, key=lambda patch: -float(np.linalg.norm(patch.middle - world.eye)))
    flat = [patch for patch in ordered if patch.corner[2] == 0 and patch.up[2] == 0]
    standing = [patch for patch in ordered if patch.up[2] != 0]
    flat.sort(key=lambda patch: patch.finer)  # the sheet over the floor
    for patch in flat:
        _paint(light, world, patch, DIRECT)
    for mirror in (world.mirror, *world.more_mirrors):
        _paint_mirror(light, replace(world, mirror=mirror), flat)
    for patch in standing:
        _paint(light, world, patch, DIRECT)
    for bulb in world.bulbs:
        _shine(light, world, bulb, DIRECT)
    return light


def _paint_mirror(light: Picture, world: World, flat: list[Patch]) -> None:
    """What the mirror's face shows: the flat world and the lamps by way of every order."""
    height, width = light.shape[:2]
    seen = np.zeros_like(light)
    mirror = world.mirror
    face = _face_share(world, (height, width))
    for order in WORLD_ORDERS if mirror.thickness_mm else (1,):
        part = np.empty_like(light)
        part[:] = np.array(world.sky, np.float32)
        middle = world.eye - 2 * float((world.eye - mirror.foot_point) @ mirror.normal) * mirror.normal
        standing = [patch for patch in world.patches if patch.up[2] != 0]
        standing.sort(key=lambda patch: -float(np.linalg.norm(patch.middle - middle)))
        for patch in flat + standing:
            _paint(part, world, patch, order)
        seen += part * _weight_map(world, order, (height, width))[..., None]
    for bulb in world.bulbs:
        for order in LAMP_ORDERS if mirror.thickness_mm else (1,):
            _shine(seen, world, bulb, order)
    light += face[..., None] * (seen - light)


def _grid(width: int, height: int) -> tuple[Array, Array]:
    return np.meshgrid(
        np.arange(0, width + STRIDE, STRIDE, dtype=float), np.arange(0, height + STRIDE, STRIDE, dtype=float)
    )


def _weight_map(world: World, order: int, shape: tuple[int, int]) -> Picture:
    """(h, w) share of light of an order, the face taken to be endless."""
    columns, rows = _grid(shape[1], shape[0])
    ways = directions(world.camera, np.stack([columns, rows], axis=-1))
    endless = replace(world.mirror, width_mm=1e9, height_mm=2e9, foot_mm=-1e9)
    coarse = bounced(endless, world.eye, ways, order)[2]
    return _upsampled(coarse, (0, 0), shape, 1)


def _face_share(world: World, shape: tuple[int, int]) -> Picture:
    """(h, w) how much of each pixel the mirror's face covers: its outline, drawn finely."""
    corners = world.mirror.face_corners()
    edges = np.concatenate([np.linspace(corners[i], corners[(i + 1) % 4], 40)[:-1] for i in range(4)])
    pixels = world.camera.project(edges)
    mask = np.zeros(shape, np.uint8)
    cv2.fillPoly(mask, [np.round(pixels * 16).astype(np.int32)], 255, cv2.LINE_AA, 4)
    return mask.astype(np.float32) / 255


def _upsampled(coarse: Array, low: tuple[int, int], shape: tuple[int, int], finer: int) -> Picture:
    """A coarse map at the pixels of a region (rows, columns) of the photo, drawn `finer` times."""
    down = ((np.arange(shape[0] * finer, dtype=np.float32) + 0.5) / finer - 0.5 + low[0]) / STRIDE
    across = ((np.arange(shape[1] * finer, dtype=np.float32) + 0.5) / finer - 0.5 + low[1]) / STRIDE
    x, y = np.meshgrid(across.astype(np.float32), down.astype(np.float32))
    return np.asarray(cv2.remap(coarse.astype(np.float32), x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE))


def _paint(light: Picture, world: World, patch: Patch, order: int) -> None:
    """Draw one patch as seen directly or by way of an order, over what is there."""
    height, width = light.shape[:2]
    columns, rows = _grid(width, height)
    plane = undistorted(world.camera, np.stack([columns, rows], axis=-1))
    ways = np.concatenate([plane, np.ones((*plane.shape[:-1], 1))], axis=-1) @ world.camera.cam_from_target_R
    if order == DIRECT:
        origins, after = np.broadcast_to(world.eye, ways.shape), ways
    else:
        unit = ways / np.linalg.norm(ways, axis=-1, keepdims=True)
        origins, after, _ = bounced(world.mirror, world.eye, unit, order)
    normal = np.cross(patch.along, patch.up)
    with np.errstate(divide="ignore", invalid="ignore"):
        far = ((patch.corner - origins) @ normal) / (after @ normal)
        place = origins + far[..., None] * after - patch.corner
    basis = np.linalg.pinv(np.stack([patch.along, patch.up], axis=1))
    exact = place @ basis.T
    valid = (far > 0) & np.isfinite(exact).all(axis=-1)
    if order != DIRECT:  # only what stands before the face
        valid &= ((origins - world.eye) @ world.mirror.normal) < 0
    inside = valid & (exact > -0.1).all(axis=-1) & (exact < 1.1).all(axis=-1)
    near = np.asarray(cv2.dilate(inside.astype(np.uint8), np.ones((3, 3), np.uint8)))
    if not near.any():
        near = _touched(world, patch, order, near)
        if not near.any():
            return
    lines, places = np.flatnonzero(near.any(axis=1)), np.flatnonzero(near.any(axis=0))
    top, bottom = lines[0] * STRIDE, min(lines[-1] * STRIDE + 1, height)
    left, right = places[0] * STRIDE, min(places[-1] * STRIDE + 1, width)
    homography = _plane_homography(world, patch, order)
    smooth = _applied(homography, plane)
    rest = np.where(inside[..., None] | (near > 0)[..., None], exact - smooth, 0.0)
    rest = (
        np.where(np.isfinite(rest), np.clip(rest, -0.5, 0.5), 0.0)
        if order > 0 and world.mirror.thickness_mm
        else None
    )
    for first in range(top, bottom, 512):
        _paint_rows(
            light, patch, plane, homography, rest, (first, min(first + 512, bottom)), (left, right), world.day
        )


def _touched(world: World, patch: Patch, order: int, near: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """The coarse cells of a direct patch too thin for any of their corners."""
    if order != DIRECT:
        return near
    corners = np.array(
        [patch.corner, patch.corner + patch.along, patch.corner + patch.along + patch.up, patch.corner + patch.up]
    )
    pixels = world.camera.project(corners) / STRIDE
    cv2.fillPoly(near, [np.round(pixels).astype(np.int32)], 1)
    return np.asarray(cv2.dilate(near, np.ones((3, 3), np.uint8)))


def _paint_rows(
    light: Picture, patch: Patch, plane: Array, homography: Array, rest: Array | None,
    rows: tuple[int, int], columns: tuple[int, int], day: float,
) -> None:  # fmt: skip
    low, shape, finer = (rows[0], columns[0]), (rows[1] - rows[0], columns[1] - columns[0]), patch.finer
    x, y = (_upsampled(plane[..., axis], low, shape, finer) for axis in (0, 1))
    h = homography.astype(np.float32)
    depth = h[2, 0] * x + h[2, 1] * y + h[2, 2]
    u = (h[0, 0] * x + h[0, 1] * y + h[0, 2]) / depth
    v = (h[1, 0] * x + h[1, 1] * y + h[1, 2]) / depth
    if rest is not None:
        u += _upsampled(rest[..., 0], low, shape, finer)
        v += _upsampled(rest[..., 1], low, shape, finer)
    u, v = (np.where(depth > 0, part, -9).astype(np.float32) for part in (u, v))
    size = patch.texture.shape
    cover = ((u > 0) & (u < 1) & (v > 0) & (v < 1)).astype(np.float32)
    values = cv2.remap(
        patch.texture, u * size[1] - 0.5, v * size[0] - 0.5, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    )
    values = values * cover
    if finer > 1:
        values, cover = (cv2.resize(part, shape[::-1], interpolation=cv2.INTER_AREA) for part in (values, cover))
    region = light[rows[0] : rows[1], columns[0] : columns[1]]
    region *= (1 - cover)[..., None]
    region += values[..., None] * (np.array(patch.colour, np.float32) * np.float32(day))


def _plane_homography(world: World, patch: Patch, order: int) -> Array:
    """(3, 3) from (x / z, y / z, 1) of the camera to the patch's own (u, v, 1); orders as in a mirror without
    glass.
    """
    eye, turn = world.eye, world.camera.cam_from_target_R.T
    if order != DIRECT:
        normal = world.mirror.normal
        flip = np.eye(3) - 2 * np.outer(normal, normal)
        eye = flip @ (eye - world.mirror.foot_point) + world.mirror.foot_point
        turn = flip @ turn
    # corner + u along + v up = eye + s turn (x, y, 1)
    matrix = np.column_stack([patch.along, patch.up, patch.corner - eye])
    return np.linalg.inv(matrix) @ turn


def _applied(homography: Array, plane: Array) -> Array:
    inside = np.concatenate([plane, np.ones((*plane.shape[:-1], 1))], axis=-1) @ homography.T
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(inside[..., :2] / inside[..., 2:])


def image_px(world: World, point: Array, order: int) -> Array:
    """(2,) [px] about where an image lies: the slab's paraxial depth, good to a few pixels."""
    if order == DIRECT:
        return world.camera.project(point[None])[0]
    mirror = world.mirror
    height = float((point - mirror.foot_point) @ mirror.normal)
    return world.camera.project(
        (point - 2 * (height + order * mirror.thickness_mm / mirror.index) * mirror.normal)[None]
    )[0]


def _shine(light: Picture, world: World, bulb: Bulb, order: int) -> None:
    """Add one image of a lamp; the lamp itself covers what is behind it."""
    middle = image_px(world, bulb.middle, order)
    far = float(np.linalg.norm(bulb.middle - world.eye))
    largest = float(np.linalg.norm(bulb.half_axes, axis=0).max())
    shift = 0.25 * max(order, 0) * world.mirror.thickness_mm * world.camera.focal_px / far
    half = int(np.ceil(1.15 * largest * world.camera.focal_px / far + shift)) + 4
    left, top = (max(int(value) - half, 0) for value in middle)
    right, bottom = (
        min(int(value) + half + 1, size) for value, size in zip(middle, world.camera.size_px, strict=True)
    )
    if right <= left or bottom <= top:
        return
    fine = (np.arange(LAMP_GRID) + 0.5) / LAMP_GRID - 0.5
    columns = (np.arange(left, right)[:, None] + fine).ravel()
    rows = (np.arange(top, bottom)[:, None] + fine).ravel()
    ways = directions(world.camera, np.stack(np.meshgrid(columns, rows), axis=-1))
    if order == DIRECT:
        origins, weight = np.broadcast_to(world.eye, ways.shape), np.ones(ways.shape[:2])
    else:
        origins, ways, weight = bounced(world.mirror, world.eye, ways, order)
    to_ball = np.linalg.inv(bulb.half_axes)
    start, way = (origins - bulb.middle) @ to_ball.T, ways @ to_ball.T
    along, squared = (start * way).sum(-1), (way**2).sum(-1)
    hit = (along**2 - squared * ((start**2).sum(-1) - 1) > 0) & (along < 0)
    share = (hit * weight).reshape(bottom - top, LAMP_GRID, right - left, LAMP_GRID).mean(axis=(1, 3))[..., None]
    region = light[top:bottom, left:right]
    if order == DIRECT:
        region *= (1 - share).astype(np.float32)
    region += (share * bulb.light * np.array(bulb.colour)).astype(np.float32)

"""Taking the picture: camera rays through a lit `World`.

Every pixel is the mean over a square grid of jittered rays (a box filter: a sensor's own). Rays start along
the lens's distorted directions, so no picture is ever resampled. Mirrors are followed image by image: the
order k of the *first* glass mirror on a ray is chosen, not drawn at random; Mitsuba's own dielectric gives
the weight, so that a 4 % ghost costs no noise. Rays go on from a surface along themselves, never pushed off
along the normal: Mitsuba's usual push would move reflections by several hundredths of a pixel.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from . import engine
from .scene import World
from .spec import RenderCamera

Image = NDArray[np.float32]

ALL_ORDERS = (0, 1, 2, 3)  # order 4 is some 30 000 times weaker than the main image
DAY_ORDERS = (0, 1, 2)  # order 3 shows for lamps only
MAX_BOUNCES = 24
LANES = 8_000_000
STEP_MM = 2e-3  # how far along itself a ray starts from the surface it left
SECOND_GLASS_REFLECTED = 0.1  # share of rays that take the front face of a *second* glass mirror


def picture(
    world: World,
    camera: RenderCamera,
    grid: int = 4,
    *,
    ghost_grid: int = 2,
    orders: tuple[int, ...] = DAY_ORDERS,
    fine: NDArray[np.bool_] | None = None,
) -> Image:
    """(height, width, 3) linear radiance.

    grid, ghost_grid : their squares are the rays per pixel, for the main image and for each weak one;
    orders : which images in the first glass mirror are drawn (1: the main one and all that is not in glass);
    fine : (height, width), where these hold: elsewhere one ray a pixel has to do; None: everywhere.
    """
    width, height = camera.size_px
    image = np.zeros((height * width, 3), np.float32)
    everywhere = np.arange(height * width, dtype=np.uint32)
    parts = [(everywhere, grid, ghost_grid)]
    if fine is not None:
        chosen = fine.ravel()
        parts = [(everywhere[chosen], grid, ghost_grid), (everywhere[~chosen], 1, 1)]
    for part, rays, ghost_rays in parts:
        batch = max(1, LANES // rays**2)
        for start in range(0, len(part), batch):
            pixels = part[start : start + batch]
            radiance, glassy = _trace_pixels(world, camera, pixels, rays, 1)
            if 1 in orders:
                image[pixels] += radiance
            for order in set(orders) - {1}:
                if glassy.any():
                    image[pixels[glassy]] += _trace_pixels(world, camera, pixels[glassy], ghost_rays, order)[0]
    return image.reshape(height, width, 3)


def _trace_pixels(
    world: World, camera: RenderCamera, pixels: NDArray[np.uint32], grid: int, order: int
) -> tuple[Image, NDArray[np.bool_]]:
    """((n, 3) mean radiance, whether any ray of the pixel met glass)."""
    mi, dr = engine.start()
    rays = grid * grid
    lane = dr.arange(mi.UInt32, len(pixels) * rays)
    pixel = dr.gather(mi.UInt32, mi.UInt32(pixels), lane // rays)
    # Opaque: a literal seed would be compiled into the kernel, and each batch would compile its own.
    seed = dr.opaque(mi.UInt64, int(pixels[0]) + 1)
    random = mi.PCG32(size=len(pixels) * rays, initstate=seed, initseq=mi.UInt64(order + 7))
    column, row = pixel % camera.size_px[0], pixel // camera.size_px[0]
    cell = lane % rays
    x = column + (cell % grid + random.next_float32()) / grid - 0.5
    y = row + (cell // grid + random.next_float32()) / grid - 0.5
    origin = mi.Point3f(*(_number(value) for value in camera.position_mm))
    ray = mi.Ray3f(origin, _direction(camera, mi.Float(x), mi.Float(y)))
    radiance, glassy = _follow(world.scene, ray, random, order)
    means = np.stack([np.array(dr.block_sum(radiance[i], rays)) for i in range(3)], axis=1) / rays
    touched = np.array(dr.block_sum(dr.select(glassy, mi.UInt32(1), mi.UInt32(0)), rays)) > 0
    return means.astype(np.float32), touched


def _direction(camera: RenderCamera, x: Any, y: Any) -> Any:
    """Unit rays in the target frame for pixel places (x, y), lens distortion undone."""
    mi, dr = engine.start()
    matrix, focal = camera.matrix, _number(camera.focal_px)
    k1, k2 = _number(camera.k1), _number(camera.k2)
    u = (x - _number(matrix[0, 2])) / focal
    v = (y - _number(matrix[1, 2])) / focal
    bent = dr.sqrt(u * u + v * v)
    radius = mi.Float(bent)
    for _ in range(6):  # Newton for r (1 + k1 r^2 + k2 r^4) = bent
        r2 = radius * radius
        value = radius * (1 + k1 * r2 + k2 * r2 * r2) - bent
        radius = radius - value / (1 + 3 * k1 * r2 + 5 * k2 * r2 * r2)
    stretch = dr.select(bent > 0, radius / dr.maximum(bent, 1e-9), 1.0)
    local = (u * stretch, v * stretch, mi.Float(1))
    rotation = camera.cam_from_target_R
    turned = [sum(_number(rotation[j, i]) * local[j] for j in range(3)) for i in range(3)]
    return dr.normalize(mi.Vector3f(*turned))


def _number(value: float) -> Any:
    """A number that the kernel reads instead of holding: one kernel serves all cameras, without compiling anew."""
    mi, dr = engine.start()
    return dr.opaque(mi.Float, float(value))


def _follow(scene: Any, ray: Any, random: Any, order: int) -> tuple[Any, Any]:
    """Radiance along rays that take image `order` of the first glass they meet, and whether they met any."""
    mi, dr = engine.start()
    needed = mi.RayFlags.UV | mi.RayFlags.ShadingFrame
    reflect, transmit = mi.BSDFContext(), mi.BSDFContext()
    reflect.type_mask = mi.BSDFFlags.DeltaReflection
    transmit.type_mask = mi.BSDFFlags.DeltaTransmission
    ray = mi.Ray3f(ray)
    radiance, weight = mi.Color3f(0), mi.Color3f(1)
    active, glassy, through = mi.Bool(True), mi.Bool(False), mi.Bool(False)
    passes = mi.Int32(order)
    bounce = mi.UInt32(0)
    state = (ray, radiance, weight, active, glassy, through, passes, bounce, random)

    def going_on(ray, radiance, weight, active, glassy, through, passes, bounce, random):
        return active

    def one_surface(ray, radiance, weight, active, glassy, through, passes, bounce, random):
        si = scene.ray_intersect(ray, needed, False, active)
        bsdf = si.bsdf()
        # Orders other than 1 draw nothing before the glass: order 1 has drawn that already.
        shown = active & (glassy | mi.Bool(order == 1))
        radiance += dr.select(shown, weight * si.emitter(scene).eval(si, shown), 0)
        painted = si.is_valid() & mi.has_flag(bsdf.flags(), mi.BSDFFlags.DiffuseReflection)
        light = si.shape.eval_attribute_3("vertex_light", si, shown & painted)
        albedo = bsdf.eval_diffuse_reflectance(si, shown & painted)
        radiance += dr.select(shown & painted, weight * albedo * mi.Color3f(light), 0)
        active &= si.is_valid() & ~painted

        glass = active & mi.has_flag(bsdf.flags(), mi.BSDFFlags.DeltaTransmission)
        outside = mi.Frame3f.cos_theta(si.wi) > 0
        first = glass & ~through
        draw = random.next_float32() < SECOND_GLASS_REFLECTED
        again = (outside & mi.Bool(order == 0)) | (~outside & (passes > 1))
        goes_back = (first & again) | (glass & through & outside & draw)
        odds = dr.select(draw, SECOND_GLASS_REFLECTED, 1 - SECOND_GLASS_REFLECTED)
        weight /= dr.select(glass & through & outside, odds, 1.0)
        passes = dr.select(first & ~outside, passes - 1, passes)
        glassy |= glass

        bounced = active & (goes_back | ~glass)
        sample_r, value_r = bsdf.sample(reflect, si, mi.Float(0.5), mi.Point2f(0.5), bounced)
        sample_t, value_t = bsdf.sample(transmit, si, mi.Float(0.5), mi.Point2f(0.5), active & ~bounced)
        weight *= dr.select(bounced, value_r, value_t)
        through |= first & ((outside & mi.Bool(order == 0)) | (~outside & ~goes_back))
        direction = si.to_world(dr.select(bounced, sample_r.wo, sample_t.wo))
        ray.o = dr.fma(direction, STEP_MM, si.p)
        ray.d = direction
        ray.maxt = dr.largest(mi.Float)
        bounce += 1
        active &= (dr.max(weight) > 1e-5) & (bounce < MAX_BOUNCES)
        return ray, radiance, weight, active, glassy, through, passes, bounce, random

    names = ("ray", "radiance", "weight", "active", "glassy", "through", "passes", "bounce", "random")
    state = dr.while_loop(state, going_on, one_surface, labels=names)
    return state[1], state[4]

"""The diffuse light of a scene, measured once per vertex by Mitsuba's path tracer, then looked up.

Why bake: at a phone's 12 megapixels a path tracer would need thousands of rays a pixel to be quieter than a
phone. The light on painted surfaces varies slowly, so thousands of rays a *vertex* do, and the picture itself
is then traced with none of that noise. The glass is left out of nothing: camera rays meet it in `trace`.

Lamps are measured apart, over a black world and with the mirrors dead, because a small lamp near a mirror
throws caustics that never settle. So what a lamp lights *by way of a mirror* is missing.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from . import engine
from .scene import Baked, World, build
from .spec import SceneSpec

Array = NDArray[np.float64]

MAX_DEPTH = 9
LANES = 6_000_000  # rays traced at once
BURIED_SHARE = 0.6
NEAR_MM = 1.4
PROBE_LIFT_MM = 0.03


def lit_world(spec: SceneSpec, rays: int = 768, seed: int = 1) -> World:
    """The scene of `spec` with the light of day and lamps in `vertex_light`, ready for `trace`."""
    world = build(spec, day=spec.day, lamps=True)
    lights = [np.zeros((len(item.probes), 3)) for item in world.baked]
    if spec.day > 0:
        _add(lights, _measure(build(spec, day=spec.day, lamps=False), rays, seed))
    if spec.lamps:
        _add(lights, _measure(build(spec, day=0.0, lamps=True, mirrors=False), rays, seed + 1))
    for item, light in zip(world.baked, lights, strict=True):
        _set_light(item, light)
    return world


def flat_world(spec: SceneSpec) -> World:
    """The scene of `spec` under light 1 from everywhere, no shadows: fast, and enough to check geometry."""
    world = build(spec, day=0.0, lamps=True)
    for item in world.baked:
        _set_light(item, np.ones((len(item.probes), 3)))
    return world


def _set_light(item: Baked, light: Array) -> None:
    mi, _ = engine.start()
    params = mi.traverse(item.mesh)
    params["vertex_light"] = light.astype(np.float32).ravel()
    params.update()


def _add(lights: list[Array], parts: list[Array]) -> None:
    for light, part in zip(lights, parts, strict=True):
        light += part


def _measure(world: World, rays: int, seed: int) -> list[Array]:
    """Irradiance / pi at every vertex of every baked mesh, as (n, 3) arrays."""
    result = []
    for number, item in enumerate(world.baked):
        light, buried = _gather(world, item, rays * item.ray_factor, seed * 1000 + number)
        result.append(_tidy(light, buried, item.grids))
    return result


def _gather(world: World, item: Baked, rays: int, seed: int) -> tuple[Array, NDArray[np.bool_]]:
    """(cosine-weighted mean radiance, whether the vertex is inside or under something)."""
    light, buried = [], []
    batch = max(1, LANES // rays)
    for start in range(0, len(item.probes), batch):
        part = slice(start, start + batch)
        a, b = _gather_batch(world, item.probes[part], item.normals[part], rays, seed * 100_000 + start)
        light.append(a)
        buried.append(b > BURIED_SHARE)
    return np.concatenate(light), np.concatenate(buried)


def _gather_batch(world: World, probes: Array, normals: Array, rays: int, seed: int) -> tuple[Array, Array]:
    mi, dr = engine.start()
    count = len(probes)
    lane = dr.arange(mi.UInt32, count * rays)
    vertex = lane // rays
    lifted = (probes + PROBE_LIFT_MM * normals).T.astype(np.float32)
    origin = dr.gather(mi.Point3f, mi.Point3f(lifted), vertex)
    normal = dr.gather(mi.Vector3f, mi.Vector3f(normals.T.astype(np.float32)), vertex)
    sampler = mi.load_dict({"type": "independent"})
    # Opaque: a literal seed would be compiled into the kernel, and each batch would compile its own.
    sampler.seed(dr.opaque(mi.UInt32, seed & 0x7FFFFFFF), count * rays)
    direction = mi.Frame3f(normal).to_world(mi.warp.square_to_cosine_hemisphere(sampler.next_2d()))
    ray = mi.RayDifferential3f(mi.Ray3f(origin, direction))
    integrator = mi.load_dict({"type": "path", "max_depth": MAX_DEPTH, "rr_depth": 5})
    radiance, _, _ = integrator.sample(world.scene, sampler, ray)
    hit = world.scene.ray_intersect_preliminary(mi.Ray3f(origin, direction), coherent=False)
    si = hit.compute_surface_interaction(mi.Ray3f(origin, direction))
    behind = si.is_valid() & ((si.t < NEAR_MM) | (dr.dot(si.n, direction) > 0))
    # One spiky path must not stain its whole neighbourhood, hence the clamp.
    radiance = mi.Color3f(dr.minimum(radiance, 30.0))
    means = [dr.block_sum(radiance[i], rays) / rays for i in range(3)]
    share = dr.block_sum(dr.select(behind, mi.Float(1), mi.Float(0)), rays) / rays
    return np.stack([np.array(mean) for mean in means], axis=1).astype(float), np.array(share)


def _tidy(light: Array, buried: NDArray[np.bool_], grids: tuple[tuple[int, int, int], ...]) -> Array:
    """Fill buried vertices from their neighbours, then smooth the last sampling noise away, patch by patch.

    A vertex under a window frame or inside a house is black, and would bleed into the visible wall beside it.
    """
    result = light.copy()
    for first, columns, rows in grids:
        part = slice(first, first + columns * rows)
        grid = light[part].reshape(rows, columns, 3)
        known = (~buried[part]).reshape(rows, columns).astype(float)
        result[part] = _fill(grid, known).reshape(-1, 3)
    return result


def _fill(grid: Array, known: Array) -> Array:
    """Normalised smoothing: narrow where vertices are known, ever wider where they are not."""
    result, certain = np.zeros_like(grid), np.zeros_like(known)
    for sigma in (0.6, 1.5, 4.0, 12.0, 40.0):
        weight = cv2.GaussianBlur(known, (0, 0), sigma, borderType=cv2.BORDER_REPLICATE)
        blurred = cv2.GaussianBlur(grid * known[..., None], (0, 0), sigma, borderType=cv2.BORDER_REPLICATE)
        fresh = (certain == 0) & (weight > 0.02)
        result[fresh] = blurred.reshape(*grid.shape)[fresh] / weight[fresh][:, None]
        certain[fresh] = 1
    return result

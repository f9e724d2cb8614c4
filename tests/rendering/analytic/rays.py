"""Following rays: out of the lens, through and off bent glass, down to the paper. Arrays of any one shape.

A vector is a tuple of its three components. Everything is in double precision, and every surface is met by
Newton's method on the ray's own equation.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from .scene import BentMirror, LensCamera
from .shapes import PaperShape

Array = NDArray[np.float64]
Vector = tuple[Array, Array, Array]
#: Rounds of Newton. Faces depart from planes by half a millimetre in hundreds: two rounds leave 1e-10 mm; paper
#: curls more.
_FACE_ROUNDS, _PAPER_ROUNDS, _LENS_ROUNDS = 2, 3, 3


def lens_rays(camera: LensCamera, x: Array, y: Array) -> Vector:
    """Unit directions, target frame, of pixel places."""
    k1, k2, p1, p2 = camera.distortion
    goal_u, goal_v = (x - camera.centre_px[0]) / camera.focal_px, (y - camera.centre_px[1]) / camera.focal_px
    u, v = goal_u, goal_v
    if any(camera.distortion):
        for _ in range(_LENS_ROUNDS):
            uu, vv, uv = u * u, v * v, u * v
            r2 = uu + vv
            radial, slope = 1 + r2 * (k1 + k2 * r2), 2 * (k1 + 2 * k2 * r2)
            off_u = u * radial + 2 * p1 * uv + p2 * (r2 + 2 * uu) - goal_u
            off_v = v * radial + 2 * p2 * uv + p1 * (r2 + 2 * vv) - goal_v
            a = radial + slope * uu + 2 * p1 * v + 6 * p2 * u
            b = slope * uv + 2 * p1 * u + 2 * p2 * v
            d = radial + slope * vv + 6 * p1 * v + 2 * p2 * u
            det = a * d - b * b
            u, v = u - (d * off_u - b * off_v) / det, v - (a * off_v - b * off_u) / det
    m = camera.rotation
    length = np.sqrt(u * u + v * v + 1)
    rays = [(u * m[0, i] + v * m[1, i] + m[2, i]) / length for i in range(3)]
    return rays[0], rays[1], rays[2]


def on_paper(paper: PaperShape, origin: Vector, ray: Vector) -> tuple[Array, Array, Array, Array]:
    """Where rays meet the paper's surface: x, y [mm] and the surface's slopes there. Rays must go down."""
    reach = -origin[2] / ray[2]
    x, y = origin[0] + reach * ray[0], origin[1] + reach * ray[1]
    by_x, by_y = np.zeros_like(x), np.zeros_like(x)
    if paper.flat:
        return x, y, by_x, by_y
    for _ in range(_PAPER_ROUNDS):
        height, by_x, by_y = paper.of(x, y)
        off = origin[2] + reach * ray[2] - height
        reach = reach - off / (ray[2] - by_x * ray[0] - by_y * ray[1])
        x, y = origin[0] + reach * ray[0], origin[1] + reach * ray[1]
    return x, y, by_x, by_y


def to_mirror(mirror: BentMirror, point: Vector, ray: Vector) -> tuple[Vector, Vector]:
    """Points and directions in the mirror's own frame: across, up, towards the viewer, from its foot."""
    off = [point[i] - mirror.foot[i] for i in range(3)]
    places = [sum(mirror.axes[j, i] * off[i] for i in range(3)) for j in range(3)]
    turned = [sum(mirror.axes[j, i] * ray[i] for i in range(3)) for j in range(3)]
    return (places[0], places[1], places[2]), (turned[0], turned[1], turned[2])


def from_mirror(mirror: BentMirror, point: Vector, ray: Vector) -> tuple[Vector, Vector]:
    """The way back from the mirror's own frame."""
    places = [mirror.foot[i] + sum(mirror.axes[j, i] * point[j] for j in range(3)) for i in range(3)]
    turned = [sum(mirror.axes[j, i] * ray[j] for j in range(3)) for i in range(3)]
    return (places[0], places[1], places[2]), (turned[0], turned[1], turned[2])


def through_mirror(
    mirror: BentMirror, point: Vector, ray: Vector, order: int
) -> tuple[Vector, Vector, Array, Array]:
    """Rays in the mirror's frame after its image `order` (0: front face, 1: silvering, 2: one extra trip).

    Returns
    -------
    point, ray : as they leave; weight : share of the light; on_face : whether the face was met within its edges.
    """
    place, normal = _meet(mirror, point, ray, 0.0)
    on_face = mirror.face.holds(place[0], place[1])
    if mirror.thickness_mm == 0:
        return place, _reflected(ray, normal), np.full_like(place[0], mirror.silvering), on_face
    share = _fresnel(ray, normal, mirror.index)
    if order == 0:
        return place, _reflected(ray, normal), share, on_face
    ray = _refracted(ray, normal, 1 / mirror.index)
    for trip in range(order):
        if trip:
            place, normal = _meet(mirror, place, ray, 0.0)
            ray = _reflected(ray, normal)
        place, normal = _meet(mirror, place, ray, mirror.thickness_mm)
        ray = _reflected(ray, normal)
    place, normal = _meet(mirror, place, ray, 0.0)
    inwards = (-normal[0], -normal[1], -normal[2])
    weight = (1 - share) ** 2 * mirror.silvering**order * share ** (order - 1)
    return place, _refracted(ray, inwards, mirror.index), weight, on_face


def _meet(mirror: BentMirror, point: Vector, ray: Vector, depth_mm: float) -> tuple[Vector, Vector]:
    """Where rays meet the front face moved back by `depth_mm`, and its unit normal towards the viewer."""
    reach = -(point[2] + depth_mm) / ray[2]
    if mirror.face.flat:
        flat = np.zeros_like(reach)
        place = (point[0] + reach * ray[0], point[1] + reach * ray[1], flat - depth_mm)
        return place, (flat, flat, flat + 1)
    for _ in range(_FACE_ROUNDS):
        height, by_a, by_b = mirror.face.of(point[0] + reach * ray[0], point[1] + reach * ray[1])
        off = point[2] + reach * ray[2] - height + depth_mm
        reach = reach - off / (ray[2] - by_a * ray[0] - by_b * ray[1])
    place = (point[0] + reach * ray[0], point[1] + reach * ray[1], point[2] + reach * ray[2])
    _, by_a, by_b = mirror.face.of(place[0], place[1])
    length = np.sqrt(1 + by_a * by_a + by_b * by_b)
    return place, (-by_a / length, -by_b / length, 1 / length)


def _dot(a: Vector, b: Vector) -> Array:
    return np.asarray(a[0] * b[0] + a[1] * b[1] + a[2] * b[2])


def _reflected(ray: Vector, normal: Vector) -> Vector:
    twice = 2 * _dot(ray, normal)
    return ray[0] - twice * normal[0], ray[1] - twice * normal[1], ray[2] - twice * normal[2]


def _refracted(ray: Vector, normal: Vector, ratio: float) -> Vector:
    """Snell's law as a vector; the normal is on the side that the ray comes from; ratio = n_from / n_to."""
    cosine = -_dot(ray, normal)
    along = ratio * cosine - np.sqrt(1 - ratio**2 * (1 - cosine * cosine))
    return (
        ratio * ray[0] + along * normal[0],
        ratio * ray[1] + along * normal[1],
        ratio * ray[2] + along * normal[2],
    )


def _fresnel(ray: Vector, normal: Vector, index: float) -> Array:
    """Unpolarised reflectance of a bare face (Born & Wolf, Principles of Optics, section 1.5.2)."""
    out = -_dot(ray, normal)
    within = np.sqrt(1 - (1 - out * out) / index**2)
    across = (out - index * within) / (out + index * within)
    along = (index * out - within) / (index * out + within)
    return np.asarray((across**2 + along**2) / 2)

"""A planned scene as the renderer sees it from a viewer's eye: which body each pixel shows, by how many mirrors.

Every body shines by itself in a colour of its own, every silvering sends back a tenth of the light, and the front
faces refract but do not reflect: a pixel's colour then names the body, and its brightness the number of mirrors.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from align.planning.bodies import Box
from align.planning.scene import Mirror, Scene

Array = NDArray[np.float64]

#: What a silvering sends back: so little that even at a grazing angle the numbers of mirrors stay apart.
SILVERING = 0.1
#: Brightness below which a pixel has met one, two, three mirrors more: glass lets 30 % or more through twice.
_LIMITS = (0.3, 0.015, 0.0009)
SIZE_PX = (320, 240)
_SAMPLES = 64


@dataclass(frozen=True, eq=False)
class View:
    """A picture as numbers, (h, w) each, and the rays through its pixels' middles.

    body : number of the body (as in the list given), -1 for none; mirrors : how many; sure : no mixture of colours
    start : (3,) the eye; directions : (h * w, 3)
    """

    body: NDArray[np.int64]
    mirrors: NDArray[np.int64]
    sure: NDArray[np.bool_]
    start: Array
    directions: Array


def render_view(scene: Scene, bodies: list[Box], eye: Array, target: Array, fov_deg: float) -> View:
    """Render a scene from an eye that looks at a target."""
    from tests.rendering import engine

    mi, _ = engine.start()
    colours = _colours(len(bodies))
    parts: dict[str, object] = {
        "type": "scene",
        "integrator": {"type": "path", "max_depth": 16, "rr_depth": 20},
        "sensor": {
            "type": "perspective",
            "fov": fov_deg,
            "fov_axis": "x",
            "near_clip": 1.0,
            "far_clip": 1e5,
            "to_world": mi.ScalarTransform4f().look_at(list(eye), list(target), [0, 0, 1]),
            "film": {
                "type": "hdrfilm",
                "width": SIZE_PX[0],
                "height": SIZE_PX[1],
                "rfilter": {"type": "box"},
                "component_format": "float32",
            },
            "sampler": {"type": "independent", "sample_count": _SAMPLES},
        },
    }
    for number, (box, colour) in enumerate(zip(bodies, colours, strict=True)):
        parts[f"body{number}"] = {
            "type": "cube",
            "to_world": _placed(mi, box),
            "bsdf": {"type": "diffuse", "reflectance": {"type": "rgb", "value": [0.0, 0.0, 0.0]}},
            "emitter": {"type": "area", "radiance": {"type": "rgb", "value": [float(part) for part in colour]}},
        }
    for number, mirror in enumerate(scene.mirrors):
        parts |= _mirror_parts(mi, mirror, number)
    built = mi.load_dict(parts)
    picture = np.array(mi.render(built, spp=_SAMPLES))[..., :3]
    body, mirrors, sure = _read(picture, colours)
    return View(body, mirrors, sure, eye, _directions(mi, built))


def _placed(mi: object, box: Box) -> object:
    (x, y), (w, d, h) = box.centre_mm, box.size_mm
    place = mi.ScalarTransform4f().translate([x, y, box.base_mm + h / 2])  # type: ignore[attr-defined]
    return place.rotate([0, 0, 1], math.degrees(box.turn)).scale([w / 2, d / 2, h / 2])


def _mirror_parts(mi: object, mirror: Mirror, number: int) -> dict[str, object]:
    def face(depth: float) -> object:
        matrix = np.eye(4)
        matrix[:3, 0] = mirror.across * mirror.width_mm / 2
        matrix[:3, 1] = mirror.upward * mirror.height_mm / 2
        matrix[:3, 2], matrix[:3, 3] = mirror.normal, mirror.middle - depth * mirror.normal
        return mi.ScalarTransform4f(matrix)  # type: ignore[attr-defined]

    silver = {"type": "conductor", "material": "none", "specular_reflectance": {"type": "rgb", "value": SILVERING}}
    parts: dict[str, object] = {
        f"silver{number}": {"type": "rectangle", "to_world": face(mirror.glass_mm), "bsdf": silver}
    }
    if mirror.glass_mm > 0:
        glass = {
            "type": "dielectric",
            "int_ior": mirror.index,
            "ext_ior": 1.0,
            "specular_reflectance": {"type": "rgb", "value": 0.0},
        }
        parts[f"glass{number}"] = {"type": "rectangle", "to_world": face(0.0), "bsdf": glass}
    return parts


def _colours(count: int) -> Array:
    """(count, 3) colours that add up to 1, far apart: a triangular grid over red, green and blue."""
    steps = 1
    while (steps + 1) * (steps + 2) // 2 < count:
        steps += 1
    grid = [(i, j, steps - i - j) for i in range(steps + 1) for j in range(steps + 1 - i)]
    return np.array(grid[:count], float) / steps


def _read(picture: Array, colours: Array) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.bool_]]:
    bright = picture.sum(axis=2)
    share = picture / np.maximum(bright, 1e-12)[..., None]
    off = np.linalg.norm(share[:, :, None, :] - colours, axis=3)
    body = np.where(bright > 1e-6, off.argmin(axis=2), -1)
    mirrors = np.sum([bright < limit for limit in _LIMITS], axis=0)
    return body, np.where(body >= 0, mirrors, 0), np.asarray((off.min(axis=2) < 0.02) | (bright <= 1e-6))


def _directions(mi: object, built: object) -> Array:
    """(h * w, 3) through the middles of the pixels, row by row, from the renderer's own camera."""
    columns, rows = np.meshgrid(
        (np.arange(SIZE_PX[0]) + 0.5) / SIZE_PX[0], (np.arange(SIZE_PX[1]) + 0.5) / SIZE_PX[1]
    )
    film = mi.Point2f(columns.ravel().astype(np.float32), rows.ravel().astype(np.float32))  # type: ignore[attr-defined]
    ray, _ = built.sensors()[0].sample_ray(0.0, 0.5, film, mi.Point2f(0.5, 0.5))  # type: ignore[attr-defined]
    return np.array(ray.d, dtype=float).T

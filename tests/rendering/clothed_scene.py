"""A planned scene as something to photograph: every face of its boxes painted, its cut-outs built, the sheet on it.

Faces are meshes with a painted picture each and baked light (`daylight`), so that a photo of the scene without its
mirrors and a viewer's picture with them are traced by `trace`, which nobody took from `align`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from align.planning.bodies import Box, Cutout
from align.planning.scene import Scene, SheetPlace

from . import daylight, engine
from .scene import PAPER_LIFT_MM, Baked, World, _mesh, _mirror, _painted, _sheet, _sky, _texture
from .spec import Mirror, RenderCamera, SceneSpec
from .surfaces import Patch, box, mesh_of

Array = NDArray[np.float64]

#: Texels per mm of the painted faces.
FINENESS = 2.5
_WOOD, _STEEL = np.array([0.36, 0.2, 0.1]), np.array([0.05, 0.16, 0.3])


@dataclass(frozen=True, eq=False)
class PaintedFace:
    """A parallelogram and its picture: corner, edges u, v [mm] (outward: u x v), (h, w, 3) reflectance, top row
    along the far end of v.
    """

    corner: Array
    along: Array
    up: Array
    picture: Array


def world_of(scene: Scene, *, sheet: SheetPlace | None, mirrors: bool, rays: int = 256, seed: int = 1) -> World:
    """The scene lit by day, ready for `trace.picture`."""
    mi, _ = engine.start()
    parts: dict[str, Any] = {"type": "scene", "sky": _sky(1.0)}
    baked = [_baked(face) for face in painted_faces(scene)]
    if scene.cutouts:
        patches = [patch for cutout in scene.cutouts for patch in crane(cutout)]
        baked.append(_painted(mesh_of(patches, 3)))
    if sheet is not None:
        baked.append(_laid(sheet))
    for number, item in enumerate(baked):
        parts[f"mesh{number}"] = item.mesh
    if mirrors:
        for number, one in enumerate(scene.mirrors):
            parts |= {f"mirror{number}_{key}": part for key, part in _mirror(mirror_of(one), True).items()}
    world = World(mi.load_dict(parts), tuple(baked))
    for item, light in zip(baked, daylight._measure(world, rays, seed), strict=True):
        daylight._set_light(item, light)
    return world


def mirror_of(planned: Any) -> Mirror:
    """A planned mirror as the renderer has it; it hangs a hair behind its place, off the floor's edge."""
    return Mirror(
        distance_mm=planned.at_mm[1],
        lean_deg=math.degrees(planned.lean),
        turn_deg=math.degrees(planned.turn),
        thickness_mm=planned.glass_mm,
        width_mm=planned.width_mm,
        height_mm=planned.height_mm,
        foot_mm=planned.foot_mm,
        index=planned.index,
        x_mm=planned.at_mm[0],
    )


def _baked(face: PaintedFace) -> Baked:
    shape = mesh_of([Patch(face.corner, face.along, face.up, np.ones(3))])
    axes = np.array([face.along, face.up])
    uv = (shape.vertices - face.corner) @ (axes / (axes**2).sum(axis=1, keepdims=True)).T
    mesh = _mesh(shape.vertices, shape.faces, np.column_stack([uv[:, 0], 1 - uv[:, 1]]), _texture(face.picture))
    return Baked(mesh, shape.probes, shape.normals, shape.grids)


def _laid(place: SheetPlace) -> Baked:
    """The printed sheet at its place."""
    mi, _ = engine.start()
    item = _sheet(SceneSpec(RenderCamera((0, -500, 300), (0, 0, 0)), sheet_name=place.kind or "a5"))
    assert item is not None
    params = mi.traverse(item.mesh)
    vertices = np.array(params["vertex_positions"]).reshape(-1, 3) @ place.rotation.T + place.origin
    params["vertex_positions"] = vertices.astype(np.float32).ravel()
    params.update()
    return Baked(item.mesh, item.probes @ place.rotation.T + place.origin, item.normals, item.grids, 4)


# --- paint -------------------------------------------------------------------------------------------------


def painted_faces(scene: Scene) -> list[PaintedFace]:
    """Floor and all bodies within it."""
    x0, x1, y0, y1 = scene.floor.area_mm
    rng = np.random.default_rng(5)
    ground = np.array([x0, y0, -PAPER_LIFT_MM])
    along, up = np.array([x1 - x0, 0.0, 0.0]), np.array([0.0, y1 - y0, 0.0])
    found = [PaintedFace(ground, along, up, _street(scene, rng))]
    for body in (*scene.blockers, *(thing.body for thing in scene.things)):
        if max(body.size_mm) > 0 and x0 <= body.centre_mm[0] <= x1 and y0 <= body.centre_mm[1] <= y1:
            found += _faces_of(body, rng)
    return found


def _faces_of(body: Box, rng: np.random.Generator) -> list[PaintedFace]:
    a, b, c, d, e, f, g, h = body.corners
    sides = [(a, b, e), (b, c, f), (c, d, g), (d, a, h)]  # front, right, back, left
    paint = _PAINTS.get(body.name, _house)
    found = [
        PaintedFace(low, right - low, above - low, paint(_shape(right - low, above - low), rng))
        for low, right, above in sides
    ]
    found.append(PaintedFace(e, f - e, h - e, _roof(_shape(f - e, h - e), rng)))
    if body.base_mm > 0:
        found.append(PaintedFace(d, c - d, a - d, paint(_shape(c - d, a - d), rng)))
    return found


def _shape(along: Array, up: Array) -> tuple[int, int]:
    return tuple(max(2, round(float(np.linalg.norm(edge)) * FINENESS)) for edge in (up, along))  # type: ignore[return-value]


def _mm(length: float) -> int:
    return max(1, round(length * FINENESS))


def _bricks(shape: tuple[int, int], rng: np.random.Generator, colour: Array, course: float, length: float) -> Array:
    """Courses of bricks in tints of a colour, with pale joints."""
    rows, columns = np.indices(shape)
    row = rows // _mm(course)
    column = (columns + (row % 2) * _mm(length / 2)) // _mm(length)
    tints = 1 + 0.22 * rng.standard_normal((row.max() + 1, column.max() + 1, 1))
    picture = colour * tints[row, column]
    joint = (rows % _mm(course) < _mm(0.7)) | ((columns + (row % 2) * _mm(length / 2)) % _mm(length) < _mm(0.7))
    picture[joint] = 0.55
    return np.clip(picture, 0.02, 0.9)


def _windows(picture: Array, rng: np.random.Generator) -> None:
    """Rows of windows, and a door in the middle of a wall that is large enough."""
    height, width = picture.shape[:2]
    wide, high, step_x, step_y = _mm(15), _mm(21), _mm(32), _mm(42)
    left = (width - (width - wide - _mm(10)) // step_x * step_x - wide) // 2
    for top in range(_mm(12), height - high - _mm(6), step_y):
        for x in range(left, width - wide - _mm(4), step_x):
            cv2.rectangle(
                picture, (x - _mm(2), top - _mm(2)), (x + wide + _mm(2), top + high + _mm(2)), (0.7,) * 3, -1
            )
            glass = (0.03, 0.07, 0.12) if rng.random() < 0.75 else (0.5, 0.42, 0.2)
            cv2.rectangle(picture, (x, top), (x + wide, top + high), glass, -1)
            cv2.line(picture, (x + wide // 2, top), (x + wide // 2, top + high), (0.7,) * 3, _mm(1))
            cv2.line(picture, (x, top + high // 3), (x + wide, top + high // 3), (0.7,) * 3, _mm(1))
    if width > _mm(60) and height > _mm(50):
        door = (width // 2 - _mm(9), height - _mm(34))
        cv2.rectangle(
            picture, (door[0] - _mm(2), door[1] - _mm(2)), (door[0] + _mm(20), height), (0.65, 0.6, 0.5), -1
        )
        cv2.rectangle(picture, door, (door[0] + _mm(18), height), (0.03, 0.18, 0.12), -1)


def _house(shape: tuple[int, int], rng: np.random.Generator) -> Array:
    colours = ([0.42, 0.16, 0.1], [0.5, 0.36, 0.16], [0.3, 0.32, 0.34], [0.52, 0.45, 0.36])
    picture = _bricks(shape, rng, np.array(colours[int(rng.integers(len(colours)))]), 6.0, 14.0)
    _windows(picture, rng)
    return picture


def _arcade(shape: tuple[int, int], rng: np.random.Generator) -> Array:
    """Dressed stone."""
    return _bricks(shape, rng, np.array([0.5, 0.44, 0.33]), 15.0, 28.0)


def _planks(shape: tuple[int, int], rng: np.random.Generator) -> Array:
    picture = (
        np.tile(_WOOD, (*shape, 1))
        * (1 + 0.2 * rng.standard_normal((shape[0] // _mm(5) + 1, 1, 1))).repeat(_mm(5), axis=0)[: shape[0]]
    )
    picture[:: _mm(5)] = 0.05
    return np.clip(picture, 0.02, 0.9)


def _postman(shape: tuple[int, int], rng: np.random.Generator) -> Array:
    picture = np.tile([0.04, 0.1, 0.35], (*shape, 1))
    picture[: shape[0] // 5] = [0.6, 0.38, 0.28]
    return picture


def _sign(shape: tuple[int, int], rng: np.random.Generator) -> Array:
    picture = np.tile([0.05, 0.25, 0.12], (*shape, 1))
    if shape[1] > _mm(20):
        letters = np.zeros(shape, np.uint8)
        cv2.putText(letters, "INN", (_mm(4), shape[0] - _mm(4)), 0, _mm(14) / 24, 255, _mm(1.6))
        picture[letters > 0] = [0.85, 0.75, 0.3]
    return picture


def _roof(shape: tuple[int, int], rng: np.random.Generator) -> Array:
    return _bricks(shape, rng, np.array([0.28, 0.13, 0.1]), 8.0, 9.0)


_PAINTS = {
    "arcade, left pier": _arcade,
    "arcade, right pier": _arcade,
    "arcade, lintel": _arcade,
    "handcart": _planks,
    "postman": _postman,
    "inn sign": _sign,
}


def _street(scene: Scene, rng: np.random.Generator) -> Array:
    """Paving stones, with the paths' setts and their kerbs."""
    x0, x1, y0, y1 = scene.floor.area_mm
    shape = round((y1 - y0) * FINENESS), round((x1 - x0) * FINENESS)
    picture = _bricks(shape, rng, np.array([0.36, 0.34, 0.31]), 22.0, 30.0)
    setts = _bricks(shape, rng, np.array([0.17, 0.17, 0.18]), 9.0, 12.0)
    for path in scene.paths:
        line = np.round((path.points_mm - [x0, y0]) * [1, -1] * FINENESS + [0, shape[0]]).astype(np.int32)
        for extra, stone in ((8.0, None), (0.0, setts)):
            mask = np.zeros(shape, np.uint8)
            cv2.polylines(mask, [line], False, 1, _mm(path.width_mm + extra))
            picture[mask > 0] = 0.6 if stone is None else stone[mask > 0]
        along = np.diff(line, axis=0)[0]
        across = np.array([-along[1], along[0]]) / np.linalg.norm(along)
        for aside in (-12.0, 12.0):  # rails
            moved = np.round(line + aside * FINENESS * across).astype(np.int32)
            cv2.polylines(picture, [moved], False, (0.08, 0.07, 0.07), _mm(2.5))
    return picture


def crane(cutout: Cutout) -> list[Patch]:
    """A quay crane: mast, cab and jib, as high and as wide as its cut-out."""
    x, y, z = cutout.foot_mm
    width, height = cutout.width_mm, cutout.height_mm
    return [
        *box((x - 9, y - 9, z), (18, 18, 6), _STEEL),
        *box((x - 3, y - 3, z + 6), (6, 6, height - 12), _STEEL, spacing_mm=3.0),
        *box((x - 9, y - 8, z + 0.45 * height), (18, 16, 18), np.array([0.7, 0.5, 0.05])),
        *box((x - 0.3 * width, y - 3, z + height - 8), (0.8 * width, 6, 5), _STEEL, spacing_mm=3.0),
        *box((x - 0.3 * width, y - 6, z + height - 20), (14, 12, 12), np.array([0.3, 0.3, 0.3])),
        *box((x + 0.4 * width, y - 1, z + height - 45), (2, 2, 38), np.array([0.1, 0.1, 0.1]), spacing_mm=3.0),
    ]

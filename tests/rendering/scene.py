"""A Mitsuba scene from a `SceneSpec`: printed sheet, painted surfaces, mirrors, lamps, sky.

A glass mirror is one dielectric front face and a conductor at its back, joined by dark edges: the back of the
glass *is* the silvering, without a gap that would add images of its own. Every painted surface carries its
light as the vertex attribute `vertex_light` (see `daylight`), zero until baked.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from align.target.sheets import Sheet, raster, sheet_named

from . import decor, engine
from .spec import Ball, Lamp, Mirror, SceneSpec, Window
from .surfaces import Patch, PatchMesh, box, grid_faces, mesh_of

Array = NDArray[np.float64]

PAPER_REFLECTANCE = 0.80  # office paper; common practice
PIXELS_PER_SQUARE = 192  # marker cells fall on whole texels, squares are finer than any photo's
PAPER_LIFT_MM = 0.12  # the floor lies this far under the print, which is at z = 0
SHEET_SPACING_MM = 4.0
FACE_SPACING_MM = 1.5  # a bend of half a millimetre departs from such facets by 0.03 micrometres
# Too few rays mottle the sheet with noise, and pull its corners alike in every photo of it: with 128 rays, turn was
# off by 0.002 to 0.003 degrees in 6 of 6 sets; with 1536, by less than 0.001. The sheet is 3 % of the vertices.
SHEET_RAY_FACTOR = 16


@dataclass(frozen=True, eq=False)
class Baked:
    """A mesh of the scene whose light can be measured and set."""

    mesh: Any
    probes: Array
    normals: Array
    grids: tuple[tuple[int, int, int], ...]
    ray_factor: int = 1  # times the rays of other meshes


@dataclass(frozen=True, eq=False)
class World:
    """A loaded Mitsuba scene and the meshes in it that carry light."""

    scene: Any
    baked: tuple[Baked, ...]


def build(spec: SceneSpec, *, day: float, lamps: bool, mirrors: bool = True) -> World:
    """Load the scene of `spec`.

    day : strength of the sky (0 leaves it black); lamps : whether they glow;
    mirrors : False puts dead black in their place.
    """
    mi, _ = engine.start()
    parts: dict[str, Any] = {"type": "scene"}
    baked = []
    painted, ground = _surfaces(spec)
    for name, item in (("painted", painted), ("ground", ground), ("sheet", _sheet(spec))):
        if item is not None:
            parts[name] = item.mesh
            baked.append(item)
    for number, mirror in enumerate(spec.mirrors):
        parts |= {f"mirror{number}_{key}": part for key, part in _mirror(mirror, mirrors).items()}
    for number, lamp in enumerate(spec.lamps):
        parts[f"lamp{number}"] = _lamp(lamp, lamps)
    for number, ball in enumerate(spec.balls):
        parts[f"ball{number}"] = _ball(ball)
    for number, window in enumerate(spec.windows):
        parts[f"window{number}"] = _window(window)
    if day > 0:
        parts["sky"] = _sky(day)
    return World(mi.load_dict(parts), tuple(baked))


# --- painted surfaces -------------------------------------------------------------------------------------


def _surfaces(spec: SceneSpec) -> tuple[Baked | None, Baked]:
    """(everything painted, the floor)."""
    patches: list[Patch] = []
    for occluder in spec.occluders:
        patches += box(occluder.corner_mm, occluder.size_mm, np.array(occluder.colour))
    if spec.decor == "harbour":
        patches += decor.harbour_street(spec)
    elif spec.decor != "plain":
        raise ValueError(f"There is no decor called {spec.decor!r}; choose plain or harbour.")
    painted = _painted(mesh_of(patches, spec.seed)) if patches else None
    return painted, _floor(spec)


def _painted(shape: PatchMesh) -> Baked:
    reflectance = {"type": "mesh_attribute", "name": "vertex_colour"}
    mesh = _mesh(shape.vertices, shape.faces, None, reflectance)
    mesh.add_attribute("vertex_colour", 3, shape.colours.astype(np.float32).ravel())
    return Baked(mesh, shape.probes, shape.normals, shape.grids)


def _floor(spec: SceneSpec) -> Baked:
    """The street's floor, textured; its top lies PAPER_LIFT_MM under z = 0."""
    floor = decor.floor(spec)
    shape = mesh_of([floor.patch])
    extent = np.linalg.norm([floor.patch.edge_u_mm, floor.patch.edge_v_mm], axis=1)
    uv = (shape.vertices - floor.patch.corner_mm)[:, :2] / extent
    # v runs down the picture's rows, hence against y.
    mesh = _mesh(shape.vertices, shape.faces, np.column_stack([uv[:, 0], 1 - uv[:, 1]]), _texture(floor.image))
    return Baked(mesh, shape.probes, shape.normals, shape.grids)


def _sheet(spec: SceneSpec) -> Baked | None:
    """The printed sheet, flat at z = 0 or arched by `sheet_bow_mm`."""
    if spec.sheet_name is None:
        return None
    sheet = sheet_named(spec.sheet_name)
    columns = int(sheet.width_mm / SHEET_SPACING_MM) + 2
    rows = int(sheet.depth_mm / SHEET_SPACING_MM) + 2
    x, y = np.meshgrid(
        np.linspace(-sheet.width_mm / 2, sheet.width_mm / 2, columns), np.linspace(-sheet.depth_mm, 0, rows)
    )
    flat = np.column_stack([x.ravel(), y.ravel()])
    vertices = np.column_stack([flat, sheet_height_mm(sheet, spec.sheet_bow_mm, flat[:, 0])])
    mesh = _mesh(
        vertices,
        grid_faces(columns, rows),
        _sheet_uv(sheet, flat),
        _texture(_print_image(sheet, spec.ink_reflectance)),
    )
    inside = np.clip(flat, flat.min(axis=0) + 1, flat.max(axis=0) - 1)
    normals = np.tile([0.0, 0.0, 1.0], (len(flat), 1))
    probes = np.column_stack([inside, vertices[:, 2]])
    return Baked(mesh, probes, normals, ((0, columns, rows),), SHEET_RAY_FACTOR)


def sheet_height_mm(sheet: Sheet, bow_mm: float, x_mm: Array) -> Array:
    """Height of the paper above the floor at x: a parabola of sagitta `bow_mm`, edges on the floor."""
    return bow_mm * (1 - (2 * np.asarray(x_mm, float) / sheet.width_mm) ** 2)


def _print_image(sheet: Sheet, ink_reflectance: float) -> Array:
    """(h, w, 3) reflectance of the print with one square's width of white paper all round."""
    ink = np.pad(raster(sheet, PIXELS_PER_SQUARE), PIXELS_PER_SQUARE, constant_values=255)
    reflectance = ink_reflectance + (PAPER_REFLECTANCE - ink_reflectance) * (ink[..., None] / 255.0)
    _draw_rule(reflectance, sheet, ink_reflectance)
    return reflectance * np.array([1.0, 0.99, 0.965])


def _draw_rule(reflectance: Array, sheet: Sheet, ink: float) -> None:
    """The 100 mm rule in the near margin, where there is room for it."""
    texels_per_mm = PIXELS_PER_SQUARE / sheet.square_mm
    middle_mm = np.array([sheet.squares_x * sheet.square_mm / 2, sheet.squares_y * sheet.square_mm])
    if sheet.near_margin_mm < 8 or 2 * middle_mm[0] < 110:
        return
    for position_mm in range(-50, 51, 10):
        length_mm = 2.4 if position_mm % 50 == 0 else 1.4
        _ink(
            reflectance,
            middle_mm + np.array([position_mm - 0.12, 4.0 - length_mm]),
            [0.24, length_mm],
            texels_per_mm,
            ink,
        )
    _ink(reflectance, middle_mm + np.array([-50.12, 3.9]), [100.24, 0.24], texels_per_mm, ink)


def _ink(reflectance: Array, corner_mm: Array, size_mm: list[float], texels_per_mm: float, ink: float) -> None:
    start = PIXELS_PER_SQUARE + np.round(np.asarray(corner_mm) * texels_per_mm).astype(int)
    stop = start + np.maximum(np.round(np.asarray(size_mm) * texels_per_mm).astype(int), 1)
    reflectance[start[1] : stop[1], start[0] : stop[0]] = ink


def _sheet_uv(sheet: Sheet, xy_mm: Array) -> Array:
    """Texture coordinates of points of the sheet (v down the picture, towards the viewer)."""
    board = np.column_stack(
        [xy_mm[:, 0] + sheet.squares_x * sheet.square_mm / 2, -sheet.contact_margin_mm - xy_mm[:, 1]]
    )
    padded = (np.array([sheet.squares_x, sheet.squares_y]) + 2) * sheet.square_mm
    return (board + sheet.square_mm) / padded


def _texture(image: Array) -> dict[str, Any]:
    mi, _ = engine.start()
    pixels = np.ascontiguousarray(image, dtype=np.float32)
    return {
        "type": "bitmap",
        "bitmap": mi.Bitmap(pixels),
        "raw": True,
        "filter_type": "bilinear",
        "wrap_mode": "clamp",
    }


def _mesh(vertices: Array, faces: NDArray, uv: Array | None, reflectance: dict[str, Any]) -> Any:
    """A diffuse mesh with a zero `vertex_light`."""
    mi, _ = engine.start()
    props = mi.Properties()
    props["mesh_bsdf"] = mi.load_dict({"type": "diffuse", "reflectance": reflectance})
    mesh = mi.Mesh("mesh", len(vertices), len(faces), props=props, has_vertex_texcoords=uv is not None)
    params = mi.traverse(mesh)
    params["vertex_positions"] = np.asarray(vertices, np.float32).ravel()
    params["faces"] = np.asarray(faces, np.uint32).ravel()
    if uv is not None:
        params["vertex_texcoords"] = np.asarray(uv, np.float32).ravel()
    params.update()
    mesh.add_attribute("vertex_light", 3, np.zeros(3 * len(vertices), np.float32))
    return mesh


# --- mirrors, lamps, sky ----------------------------------------------------------------------------------


def _mirror(mirror: Mirror, alive: bool) -> dict[str, Any]:
    """Shapes of one mirror; `alive` False gives a black board of the same outline."""
    black = {"type": "diffuse", "reflectance": {"type": "rgb", "value": 0.0}}
    edge = {"type": "diffuse", "reflectance": {"type": "rgb", "value": [0.03, 0.05, 0.045]}}
    coat = {"type": "conductor", "material": "none"}
    coat["specular_reflectance"] = {"type": "rgb", "value": mirror.reflectance}
    front = mirror.face_corners()
    if not alive:
        return {"front": _quad(front, black)}
    if mirror.thickness_mm == 0:
        return {"front": _face(mirror, 0.0, coat)}
    back = mirror.face_corners(mirror.thickness_mm)
    glass = {"type": "dielectric", "int_ior": mirror.index, "ext_ior": 1.0}
    parts = {"front": _face(mirror, 0.0, glass), "back": _face(mirror, mirror.thickness_mm, coat)}
    for i in range(4):
        j = (i + 1) % 4
        parts[f"edge{i}"] = _quad(np.array([front[j], front[i], back[i], back[j]]), edge)
    return parts


def _face(mirror: Mirror, depth_mm: float, bsdf: dict[str, Any]) -> Any:
    """The front face moved back by `depth_mm`: a rectangle, or a fine mesh with the bent face's own normals."""
    if mirror.face.flat:
        return _quad(mirror.face_corners(depth_mm), bsdf)
    mi, _ = engine.start()
    columns, rows = (int(side / FACE_SPACING_MM) + 2 for side in (mirror.width_mm, mirror.height_mm))
    across, up = np.meshgrid(
        np.linspace(-mirror.width_mm / 2, mirror.width_mm / 2, columns),
        mirror.foot_mm + np.linspace(0, mirror.height_mm, rows),
    )
    local = np.column_stack([across.ravel(), up.ravel()])
    height, by_across, by_up = mirror.face.of(local[:, 0], local[:, 1])
    axes = np.array([mirror.across, mirror.upward, mirror.normal])
    vertices = mirror.foot_point + np.column_stack([local, height - depth_mm]) @ axes
    normals = np.column_stack([-by_across, -by_up, np.ones(len(height))]) @ axes
    normals /= np.linalg.norm(normals, axis=1, keepdims=True)
    props = mi.Properties()
    props["mesh_bsdf"] = mi.load_dict(bsdf)
    faces = grid_faces(columns, rows)
    mesh = mi.Mesh("face", len(vertices), len(faces), props=props, has_vertex_normals=True)
    params = mi.traverse(mesh)
    params["vertex_positions"] = np.asarray(vertices, np.float32).ravel()
    params["vertex_normals"] = np.asarray(normals, np.float32).ravel()
    params["faces"] = np.asarray(faces, np.uint32).ravel()
    params.update()
    return mesh


def _quad(corners: Array, bsdf: dict[str, Any]) -> dict[str, Any]:
    """A rectangle through four corners (anticlockwise seen from its outer side)."""
    mi, _ = engine.start()
    across, up = (corners[1] - corners[0]) / 2, (corners[3] - corners[0]) / 2
    normal = np.cross(across, up)
    to_world = np.eye(4)
    to_world[:3, :3] = np.column_stack([across, up, normal / np.linalg.norm(normal)])
    to_world[:3, 3] = corners.mean(axis=0)
    return {"type": "rectangle", "to_world": mi.ScalarTransform4f(to_world), "bsdf": bsdf}


def _lamp(lamp: Lamp, glows: bool) -> dict[str, Any]:
    part: dict[str, Any] = {"type": "sphere", "center": list(lamp.position_mm), "radius": lamp.radius_mm}
    part["bsdf"] = {"type": "diffuse", "reflectance": {"type": "rgb", "value": 0.0}}
    if glows:
        radiance = [lamp.radiance * value for value in lamp.colour]
        part["glow"] = {"type": "area", "radiance": {"type": "rgb", "value": radiance}}
    return part


def _ball(ball: Ball) -> dict[str, Any]:
    gloss = {"type": "conductor", "material": "none"}
    gloss["specular_reflectance"] = {"type": "rgb", "value": ball.reflectance}
    return {"type": "sphere", "center": list(ball.position_mm), "radius": ball.radius_mm, "bsdf": gloss}


def _window(window: Window) -> dict[str, Any]:
    half = np.array([[1, 0, -1], [-1, 0, -1], [-1, 0, 1], [1, 0, 1]]) / 2  # outer side towards +y, the mirror
    corners = window.middle_mm + half * np.array([window.size_mm[0], 1.0, window.size_mm[1]])
    part = _quad(corners, {"type": "diffuse", "reflectance": {"type": "rgb", "value": 0.0}})
    part["glow"] = {"type": "area", "radiance": {"type": "rgb", "value": window.radiance}}
    return part


def _sky(day: float) -> dict[str, Any]:
    """The workshop round the diorama: pale walls, bright ceiling, one wide soft window on the left."""
    mi, _ = engine.start()
    rows, columns = 64, 128
    elevation = np.pi * (0.5 - (np.arange(rows) + 0.5) / rows)[:, None]
    azimuth = 2 * np.pi * (np.arange(columns) + 0.5)[None] / columns - np.pi
    wall = np.array([0.50, 0.47, 0.43])
    ceiling = np.array([0.95, 0.96, 1.0])
    bench = np.array([0.20, 0.17, 0.14])
    up = np.clip(np.sin(elevation) * 1.6, 0, 1)[..., None]
    image = wall + (ceiling - wall) * up + 0 * azimuth[..., None]
    down = np.clip((-elevation - 0.35) / 0.2, 0, 1)[..., None]  # the room's floor, well below the horizon
    image = image + (bench - image) * down
    offset = np.abs((azimuth - np.radians(-35) + np.pi) % (2 * np.pi) - np.pi)
    window = np.exp(-((offset / 0.45) ** 2) - ((elevation - np.radians(46)) / 0.28) ** 2)
    image = image + window[..., None] * np.array([10.0, 10.2, 10.6])
    image = cv2.GaussianBlur(image, (0, 0), 1.5, borderType=cv2.BORDER_REPLICATE)
    # Mitsuba's sky has y up and its middle column along +z (test_rendering.py looks): turn it to z up.
    to_world = mi.ScalarTransform4f().rotate([1, 0, 0], 90)
    bitmap = mi.Bitmap((day * image).astype(np.float32))
    return {"type": "envmap", "bitmap": bitmap, "to_world": to_world}

"""What was true when a picture was taken, as plain JSON."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

import numpy as np

from align.target.sheets import corners_target, sheet_named

from .phone import PhoneSpec
from .scene import sheet_height_mm
from .spec import Mirror, SceneSpec


def corners_mm(spec: SceneSpec) -> np.ndarray:
    """(n, 3) inner corners where they really lie, bow included."""
    sheet = sheet_named(spec.sheet_name)
    corners = corners_target(sheet)
    corners[:, 2] += sheet_height_mm(sheet, spec.sheet_bow_mm, corners[:, 0])
    return corners


def truth_of(spec: SceneSpec, phone: PhoneSpec | None = None) -> dict[str, Any]:
    """Everything known about the scene: mirror(s), camera, sheet, lamps, glass.

    The first mirror's figures are repeated at the top level. Pixels are those of the picture *as stored*; a
    reader that obeys EXIF orientation 6 turns the picture a quarter clockwise, and `camera.upright` holds the
    camera of that turned picture.
    """
    truth: dict[str, Any] = {"format": "align-render-truth-1", "note": spec.note, "sheet": spec.sheet_name}
    if spec.mirrors:
        first = _mirror(spec.mirrors[0])
        truth |= {key: first[key] for key in ("lean_deg", "turn_deg", "distance_mm", "thickness_mm", "index")}
    truth["mirrors"] = [_mirror(mirror) for mirror in spec.mirrors]
    truth["camera"] = _camera(spec, phone)
    truth["sheet_bow_mm"] = spec.sheet_bow_mm
    truth["lamps"] = [
        {"position_mm": list(lamp.position_mm), "radius_mm": lamp.radius_mm, "radiance": lamp.radiance}
        for lamp in spec.lamps
    ]
    return truth | spec.extra


def _mirror(mirror: Mirror) -> dict[str, Any]:
    return {
        "lean_deg": mirror.lean_deg,
        "turn_deg": mirror.turn_deg,
        "distance_mm": mirror.distance_mm,
        "x_mm": mirror.x_mm,
        "thickness_mm": mirror.thickness_mm,
        "index": mirror.index,
        "reflectance": mirror.reflectance,
        "width_mm": mirror.width_mm,
        "height_mm": mirror.height_mm,
        "normal": mirror.normal.tolist(),
        "bends": [asdict(bend) for bend in mirror.bends],
    }


def _camera(spec: SceneSpec, phone: PhoneSpec | None) -> dict[str, Any]:
    camera = spec.camera
    matrix, rotation, translation = camera.matrix, camera.cam_from_target_R, camera.cam_from_target_t
    truth = _view(camera.size_px, matrix, rotation, translation) | {"distortion": camera.distortion.tolist()}
    if phone is not None and phone.turned:
        height = camera.size_px[1]
        # A quarter clockwise: stored (x, y) shows at (height - 1 - y, x).
        quarter = np.array([[0.0, -1, 0], [1, 0, 0], [0, 0, 1]])
        upright = matrix.copy()
        upright[0, 2], upright[1, 2] = height - 1 - matrix[1, 2], matrix[0, 2]
        truth["upright"] = _view(camera.size_px[::-1], upright, quarter @ rotation, quarter @ translation)
    return truth


def _view(size_px: tuple[int, int], matrix: np.ndarray, rotation: np.ndarray, translation: np.ndarray) -> dict:
    return {
        "size_px": list(size_px),
        "fx_px": float(matrix[0, 0]),
        "fy_px": float(matrix[1, 1]),
        "cx_px": float(matrix[0, 2]),
        "cy_px": float(matrix[1, 2]),
        "cam_from_target_R": rotation.tolist(),
        "cam_from_target_t_mm": translation.tolist(),
    }

"""What was true when a photo was drawn, as plain JSON; and the mean plane of a part of a bent mirror."""

from __future__ import annotations

import math
from dataclasses import asdict
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .exact import exact_pixels
from .finish import Finish
from .scene import BentMirror, BentScene

Array = NDArray[np.float64]

_ACROSS_POINTS = 61


def angles_of_plane(mirror: BentMirror, slope_across: float, slope_up: float) -> tuple[float, float]:
    """(lean, turn) [deg] of a plane with such slopes over the mirror's mean plane."""
    normal = np.array([-slope_across, -slope_up, 1.0]) @ mirror.axes
    normal /= np.linalg.norm(normal)
    return math.degrees(math.asin(-normal[2])), math.degrees(math.atan2(normal[0], -normal[1]))


def part_shape(mirror: BentMirror, low: Array, high: Array) -> dict[str, float]:
    """Shape of the face over a rectangle of it [mm across and up]: lean, turn of its mean plane and sagittae.

    Sagittae as in `z = across (1/3 - u^2) + upright (1/3 - v^2) + twist u v` fitted by least squares over the
    rectangle, u and v from -1 to 1 over it: the middle's height over the edges', towards the viewer positive.
    """
    grid = (np.arange(_ACROSS_POINTS) + 0.5) / _ACROSS_POINTS * 2 - 1
    u, v = (part.ravel() for part in np.meshgrid(grid, grid))
    middle, half = (low + high) / 2, (high - low) / 2
    height = mirror.face.of(middle[0] + half[0] * u, middle[1] + half[1] * v)[0]
    columns = np.column_stack([np.ones_like(u), u, v, 1 / 3 - u * u, 1 / 3 - v * v, u * v])
    found = np.linalg.lstsq(columns, height, rcond=None)[0]
    lean, turn = angles_of_plane(mirror, found[1] / half[0], found[2] / half[1])
    rest = height - columns @ found
    return {
        "lean_deg": lean,
        "turn_deg": turn,
        "sagitta_across_mm": float(found[3]),
        "sagitta_upright_mm": float(found[4]),
        "twist_mm": float(found[5]),
        "rest_rms_mm": float(np.sqrt((rest**2).mean())),
    }


def corners_plane(mirror: BentMirror, on_face: Array) -> tuple[float, float]:
    """(lean, turn) [deg] of the least-squares plane of the face at the corners' places alone."""
    height = mirror.face.of(on_face[:, 0], on_face[:, 1])[0]
    columns = np.column_stack([np.ones(len(height)), on_face])
    found = np.linalg.lstsq(columns, height, rcond=None)[0]
    return angles_of_plane(mirror, float(found[1]), float(found[2]))


def truth_of(scene: BentScene, finish: Finish, *, case: str, group: str) -> dict[str, Any]:
    """Everything known about one photo."""
    direct, reflected, on_face = exact_pixels(scene)
    mirror, camera = scene.mirror, scene.camera
    low, high = on_face.min(axis=0), on_face.max(axis=0)
    whole_low = np.array([-mirror.face.width_mm / 2, mirror.face.foot_mm])
    whole_high = whole_low + np.array([mirror.face.width_mm, mirror.face.height_mm])
    by_corners = corners_plane(mirror, on_face)
    rotation = camera.rotation
    return {
        "format": "align-bent-truth-1",
        "case": case,
        "group": group,
        "sheet": scene.sheet_name,
        "exact_print": scene.fault.exact,
        "mirrors": [
            {
                "lean_deg": mirror.lean_deg,
                "turn_deg": mirror.turn_deg,
                "distance_mm": mirror.distance_mm,
                "thickness_mm": mirror.thickness_mm,
                "index": mirror.index,
                "normal": mirror.axes[2].tolist(),
                "width_mm": mirror.face.width_mm,
                "height_mm": mirror.face.height_mm,
                "whole_face": part_shape(mirror, whole_low, whole_high),
                "measured_part": part_shape(mirror, low, high)
                | {
                    "low_mm": low.tolist(),
                    "high_mm": high.tolist(),
                    "share_of_width": float((high - low)[0]) / mirror.face.width_mm,
                },
                "at_corners": {"lean_deg": by_corners[0], "turn_deg": by_corners[1]},
                "foot_mm": mirror.face.foot_mm,
                "bends": [asdict(bend) for bend in mirror.face.bends],
            }
        ],
        "curls": [asdict(curl) for curl in scene.paper.curls],
        "print_fault": asdict(scene.fault),
        "camera": {
            "size_px": list(camera.size_px),
            "fx_px": camera.focal_px,
            "cx_px": camera.centre_px[0],
            "cy_px": camera.centre_px[1],
            "distortion": [*camera.distortion, 0.0],
            "cam_from_target_R": rotation.tolist(),
            "cam_from_target_t_mm": (-rotation @ np.asarray(camera.eye_mm, float)).tolist(),
        },
        "finish": asdict(finish),
        "corners": {
            "direct_px": np.round(direct, 5).tolist(),
            "reflected_px": np.round(reflected, 5).tolist(),
            "on_face_mm": np.round(on_face, 4).tolist(),
        },
    }

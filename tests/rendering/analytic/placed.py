"""A scene as it is told from a sheet that lies elsewhere on its floor: moved, or turned."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from .scene import BentScene


def with_sheet_at(scene: BentScene, x_mm: float, y_mm: float, turned_deg: float = 0.0) -> BentScene:
    """The scene with its sheet moved by (x, y) and turned anticlockwise, seen from above, about its origin there.

    All lengths are in the frame of the sheet as it lies then; camera and mirror stay where they are.
    """
    angle = math.radians(turned_deg)
    rotation = np.array(
        [[math.cos(angle), -math.sin(angle), 0.0], [math.sin(angle), math.cos(angle), 0.0], [0, 0, 1.0]]
    )

    def told(point: tuple[float, float, float]) -> tuple[float, float, float]:
        x, y, z = rotation.T @ np.subtract(point, (x_mm, y_mm, 0.0))
        return float(x), float(y), float(z)

    mirror, camera = scene.mirror, scene.camera
    beside, distance, _ = told((mirror.beside_mm, mirror.distance_mm, 0.0))
    mirror = replace(mirror, beside_mm=beside, distance_mm=distance, turn_deg=mirror.turn_deg - turned_deg)
    camera = replace(camera, eye_mm=told(camera.eye_mm), aim_mm=told(camera.aim_mm))
    return replace(scene, camera=camera, mirror=mirror)

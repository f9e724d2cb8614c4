"""Small drawn photos between which a sheet was turned on its spot, or moved before a camera on a stand."""

from __future__ import annotations

import functools
import math
import tempfile
from dataclasses import replace
from pathlib import Path

import numpy as np

from align.target.sheets import corners_target
from tests.rendering.analytic.draw import picture
from tests.rendering.analytic.finish import Finish, develop, nominal_focal_px, save
from tests.rendering.analytic.placed import with_sheet_at
from tests.rendering.analytic.scene import BentMirror, BentScene, LensCamera
from tests.rendering.analytic.shapes import Face

SIZE = (1400, 1050)
#: Width and height of the mirror [mm]; its lean and turn [deg].
MIRROR_MM, LEAN_DEG, TURN_DEG = (420.0, 200.0), 0.3, -0.4


def photo_of_sheet(
    x_mm: float = 0.0, y_mm: float = 0.0, turned_deg: float = 0.0, *, lean_deg: float = LEAN_DEG, seed: int = 0
) -> bytes:
    """A JPEG of the sheet moved by (x, y) and turned about its middle; mirror and camera stand where they stand."""
    mirror = BentMirror(50.0, lean_deg, TURN_DEG, Face(*MIRROR_MM, 0.3), 0.0)
    camera = LensCamera(
        (0.0, -420.0, 270.0), (0.0, -30.0, 10.0), SIZE, nominal_focal_px(SIZE, 26.0), (699.5, 524.5)
    )
    return _drawn(BentScene(camera, mirror), x_mm, y_mm, turned_deg, seed)


@functools.cache
def _drawn(scene: BentScene, x_mm: float, y_mm: float, turned_deg: float, seed: int) -> bytes:
    angle, (x, y, _) = math.radians(turned_deg), corners_target(scene.sheet).mean(axis=0)
    x_mm += x - x * math.cos(angle) + y * math.sin(angle)
    y_mm += y - x * math.sin(angle) - y * math.cos(angle)
    placed = with_sheet_at(replace(scene), float(x_mm), float(y_mm), turned_deg)
    finish = Finish(seed=1000 * seed + int(abs(np.round(x_mm + 7 * y_mm))))
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "photo.jpg"
        save(develop(picture(placed), finish), path, finish)
        return path.read_bytes()

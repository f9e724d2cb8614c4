"""What stands before the lens: a camera, one mirror whose faces may be bent, a sheet, and the light."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from align.target.sheets import Sheet, sheet_named

from .shapes import Face, PaperShape, PrintFault

Array = NDArray[np.float64]


@dataclass(frozen=True)
class LensCamera:
    """A camera at `eye_mm` that looks at `aim_mm`; OpenCV's k1, k2, p1, p2; pixel (0, 0) is a pixel's centre."""

    eye_mm: tuple[float, float, float]
    aim_mm: tuple[float, float, float]
    size_px: tuple[int, int]
    focal_px: float
    centre_px: tuple[float, float]
    distortion: tuple[float, float, float, float] = (0.0, 0.0, 0.0, 0.0)
    roll_deg: float = 0.0

    @cached_property
    def rotation(self) -> Array:
        """(3, 3) from the target frame to the camera's."""
        forward = np.subtract(self.aim_mm, self.eye_mm)
        forward = forward / np.linalg.norm(forward)
        right = np.cross(forward, [0.0, 0.0, 1.0])
        right /= np.linalg.norm(right)
        down = np.cross(forward, right)
        c, s = math.cos(math.radians(self.roll_deg)), math.sin(math.radians(self.roll_deg))
        return np.array([c * right + s * down, c * down - s * right, forward])


@dataclass(frozen=True)
class BentMirror:
    """A mirror whose mean plane passes through (beside_mm, distance_mm, 0); thickness_mm 0: front-coated.

    The back face is the front one moved back by the thickness: glass that is bent stays as thick as it was.
    """

    distance_mm: float
    lean_deg: float
    turn_deg: float
    face: Face
    thickness_mm: float = 4.0
    index: float = 1.52
    silvering: float = 0.92
    beside_mm: float = 0.0

    @cached_property
    def axes(self) -> Array:
        """(3, 3) rows: across the face to the viewer's right, up it, and its normal towards the viewer."""
        lean, turn = math.radians(self.lean_deg), math.radians(self.turn_deg)
        normal = np.array([math.sin(turn) * math.cos(lean), -math.cos(turn) * math.cos(lean), -math.sin(lean)])
        across = np.array([math.cos(turn), math.sin(turn), 0.0])
        return np.array([across, np.cross(normal, across), normal])

    @cached_property
    def foot(self) -> Array:
        """(3,) [mm] where the mean plane's distance is measured."""
        return np.array([self.beside_mm, self.distance_mm, 0.0])


@dataclass(frozen=True)
class Look:
    """Colours and light of a scene, and the seed of its floor's grain.

    light : relative slope of the light along x and y, per 100 mm; ink : of the print's black.
    """

    floor: tuple[float, float, float] = (0.33, 0.24, 0.16)
    wall: tuple[float, float, float] = (0.42, 0.46, 0.48)
    paper: tuple[float, float, float] = (0.82, 0.81, 0.78)
    ink: tuple[float, float, float] = (0.042, 0.041, 0.043)
    light: tuple[float, float] = (0.04, -0.03)
    seed: int = 0


@dataclass(frozen=True)
class BentScene:
    """Everything that one photo shows."""

    camera: LensCamera
    mirror: BentMirror
    sheet_name: str = "a5"
    paper: PaperShape = field(default_factory=PaperShape)
    fault: PrintFault = field(default_factory=PrintFault)
    look: Look = field(default_factory=Look)

    @property
    def sheet(self) -> Sheet:
        """The printed sheet."""
        return sheet_named(self.sheet_name)

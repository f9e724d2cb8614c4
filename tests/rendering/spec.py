"""What is photographed: camera, mirrors, lamps, sheet. Frozen descriptions, no renderer in sight.

Target frame and signs: docs/conventions.md. Lengths in mm, angles in degrees, pixels from the centre of the
top-left one.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from .analytic.shapes import Bend, Face

Array = NDArray[np.float64]
Point = tuple[float, float, float]
Colour = tuple[float, float, float]

INK_REFLECTANCE = 0.045  # laser toner; common practice


@dataclass(frozen=True)
class Mirror:
    """One mirror standing on the floor. Its front face passes through (x_mm, distance_mm, 0).

    thickness_mm = 0 is a front-coated mirror; otherwise a glass slab, silvered at the back.
    reflectance is that of the silvering (or front coating), the same for all colours and angles. bends : how both
    faces depart from their mean planes, to which lean, turn and distance belong.
    """

    distance_mm: float
    lean_deg: float = 0.0
    turn_deg: float = 0.0
    thickness_mm: float = 4.0
    width_mm: float = 300.0
    height_mm: float = 150.0
    index: float = 1.52
    reflectance: float = 0.92
    x_mm: float = 0.0
    foot_mm: float = 0.3  # lower edge above the floor
    bends: tuple[Bend, ...] = ()

    @property
    def face(self) -> Face:
        """The shape of its faces."""
        return Face(self.width_mm, self.height_mm, self.foot_mm, self.bends)

    @property
    def normal(self) -> Array:
        """Unit normal towards the viewer."""
        lean, turn = math.radians(self.lean_deg), math.radians(self.turn_deg)
        return np.array([math.sin(turn) * math.cos(lean), -math.cos(turn) * math.cos(lean), -math.sin(lean)])

    @property
    def across(self) -> Array:
        """Unit vector in the face, level, to the viewer's right."""
        turn = math.radians(self.turn_deg)
        return np.array([math.cos(turn), math.sin(turn), 0.0])

    @property
    def upward(self) -> Array:
        """Unit vector in the face, up the glass."""
        return np.cross(self.normal, self.across)

    @property
    def foot_point(self) -> Array:
        """The point of the front face's plane that the distance is measured to."""
        return np.array([self.x_mm, self.distance_mm, 0.0])

    def face_corners(self, depth_mm: float = 0.0) -> Array:
        """(4, 3) corners, foot left, foot right, top right, top left, `depth_mm` behind the front."""
        sides = np.array([[-1, 0], [1, 0], [1, 1], [-1, 1]], float)
        across = sides[:, :1] * self.width_mm / 2 * self.across
        up = (self.foot_mm + sides[:, 1:] * self.height_mm) * self.upward
        return self.foot_point + across + up - depth_mm * self.normal


@dataclass(frozen=True)
class Lamp:
    """A small glowing ball. radiance is on the scale where white paper in the day's light is about 1."""

    position_mm: Point
    radius_mm: float = 1.5
    radiance: float = 12.0
    colour: Colour = (1.0, 0.86, 0.62)


@dataclass(frozen=True)
class Ball:
    """A glossy ball that mirrors what is round it; reflectance as of varnish, the same at all angles."""

    position_mm: Point
    radius_mm: float = 6.0
    reflectance: float = 0.05


@dataclass(frozen=True)
class Window:
    """A bright upright rectangle that faces the mirror: middle, (width, height), radiance."""

    middle_mm: Point
    size_mm: tuple[float, float] = (60.0, 90.0)
    radiance: float = 1.0


@dataclass(frozen=True)
class Box:
    """A plain box, for occluders: lower corner, size, reflectance."""

    corner_mm: Point
    size_mm: Point
    colour: Colour = (0.45, 0.2, 0.15)


@dataclass(frozen=True)
class RenderCamera:
    """A phone camera: OpenCV's pinhole with k1, k2, placed by position and aim."""

    position_mm: Point
    look_at_mm: Point
    size_px: tuple[int, int] = (4032, 3024)
    focal_px: float = 3000.0
    centre_px: tuple[float, float] | None = None  # None: the middle of the picture
    k1: float = 0.0
    k2: float = 0.0
    roll_deg: float = 0.0  # > 0: the camera turns clockwise about its line of sight

    @property
    def matrix(self) -> Array:
        """(3, 3) camera matrix K [px]."""
        width, height = self.size_px
        centre_x, centre_y = self.centre_px or ((width - 1) / 2, (height - 1) / 2)
        return np.array([[self.focal_px, 0, centre_x], [0, self.focal_px, centre_y], [0, 0, 1]])

    @property
    def distortion(self) -> Array:
        """(5,) k1, k2, p1, p2, k3."""
        return np.array([self.k1, self.k2, 0.0, 0.0, 0.0])

    @property
    def cam_from_target_R(self) -> Array:
        """(3, 3) rotation: p_cam = R p_target + t."""
        forward = np.subtract(self.look_at_mm, self.position_mm)
        forward = forward / np.linalg.norm(forward)
        right = np.cross(forward, [0.0, 0.0, 1.0])
        right = right / np.linalg.norm(right)
        down = np.cross(forward, right)
        roll = math.radians(self.roll_deg)
        return np.array(
            [
                math.cos(roll) * right + math.sin(roll) * down,
                -math.sin(roll) * right + math.cos(roll) * down,
                forward,
            ]
        )

    @property
    def cam_from_target_t(self) -> Array:
        """(3,) translation [mm]: p_cam = R p_target + t."""
        return -self.cam_from_target_R @ np.asarray(self.position_mm, float)

    def project(self, points_mm: Array) -> Array:
        """(n, 2) pixels of (n, 3) points of the target frame."""
        in_camera = np.atleast_2d(points_mm) @ self.cam_from_target_R.T + self.cam_from_target_t
        plane = in_camera[:, :2] / in_camera[:, 2:]
        radius2 = (plane**2).sum(axis=1, keepdims=True)
        plane = plane * (1 + self.k1 * radius2 + self.k2 * radius2**2)
        return self.focal_px * plane + self.matrix[:2, 2]


@dataclass(frozen=True)
class SceneSpec:
    """Everything in front of the lens.

    decor: "plain" (a bare grey floor) or "harbour" (the diorama, built to fit the first mirror).
    sheet_bow_mm: sagitta of a sheet that arches up in the middle, about a fold line along y;
    ink_reflectance: of the print's black; a printer that saves toner prints grey.
    """

    camera: RenderCamera
    mirrors: tuple[Mirror, ...] = ()
    sheet_name: str | None = "a5"
    sheet_bow_mm: float = 0.0
    ink_reflectance: float = INK_REFLECTANCE
    lamps: tuple[Lamp, ...] = ()
    occluders: tuple[Box, ...] = ()
    balls: tuple[Ball, ...] = ()
    windows: tuple[Window, ...] = ()
    decor: str = "plain"
    day: float = 1.0  # strength of the day's light; 0 = night
    seed: int = 0
    note: str = ""
    extra: dict[str, object] = field(default_factory=dict)  # copied into the truth as it is

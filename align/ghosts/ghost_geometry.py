"""Where a lamp and its images lie: a lamp and its reflection are a stereo pair before a solved mirror.

With the mirror known, the place of every ghost relative to the main image follows from the glass's thickness alone
(slab.virtual_point), and its brightness from Fresnel (slab.image_strength). What is known of the mirror is itself
known for one thickness at a time: thicker glass puts its front face nearer to the viewer and the lamp elsewhere on
its line of sight, for the main image stays where it is seen.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from ..optics.camera_model import Camera
from ..optics.slab import FLOAT_GLASS_INDEX, image_strength, virtual_depth, virtual_point
from . import thresholds as limits
from .lamps import Spot

Array = NDArray[np.float64]

#: Where the plane is not known, brightness is taken at this incidence: it hardly changes below 45 degrees.
SUPPOSED_INCIDENCE = np.radians(30.0)
#: Orders of the ghosts that are modelled beside the main image.
GHOST_ORDERS = (0, 2, 3)


@dataclass(frozen=True, eq=False)
class Ghosts:
    """The ghosts of GHOST_ORDERS: (3, 2) [px] from the main image, (3,) size over the main image's."""

    offsets: Array
    sizes: Array


class GhostView(Protocol):
    """Where a lamp's ghosts lie and how bright they are: all that the fit knows of a mirror."""

    def ghosts(self, lamp: Lamp, thickness_mm: float) -> Ghosts:
        """Places and sizes in glass of a thickness."""

    def ghost_ratios(self, position_mm: Array) -> Array:
        """(3,) brightness of the ghosts as shares of the main image."""


@dataclass(frozen=True, eq=False)
class Lamp:
    """A lamp seen in the mirror: its reflection's spot, its place, and its direct spot where there is one.

    scale_sd : uncertainty of its ghosts' distances, as the sd of their logarithm; cost : how unlikely the pair is;
    size_ratio : its reflection's size over its own, by the distances; None: not known; may_be_ghost : what is taken
    for its reflection lies where a brighter spot's ghost may
    """

    reflected: Spot
    direct: Spot | None
    position_mm: Array
    scale_sd: float = limits.SCALE_SD_PAIRED
    cost: float = 0.0
    size_ratio: float | None = None
    may_be_ghost: bool = False


@dataclass(frozen=True, eq=False)
class MirrorView:
    """One photo's camera before one mirror, target frame, mm.

    rotation, translation : p_cam = R p_target + t; normal : of the mirror, towards the viewer;
    plane_point : on the glass's front face; thickness_mm : of the glass that all this holds for;
    given : the same view, were the glass as thick as it is told; None: nothing but the lamps' places changes.
    """

    camera: Camera
    rotation: Array
    translation: Array
    normal: Array
    plane_point: Array
    thickness_mm: float
    index: float = FLOAT_GLASS_INDEX
    given: Callable[[float], MirrorView] | None = None

    def at(self, thickness_mm: float) -> MirrorView:
        """What is known of camera and mirror, were the glass of this thickness."""
        if self.given is not None:
            return self.given(thickness_mm)
        return replace(self, thickness_mm=thickness_mm)

    @property
    def eye(self) -> Array:
        """(3,) centre of projection."""
        return np.asarray(-self.rotation.T @ self.translation)

    def pixels(self, points: Array) -> Array:
        """(n, 2) [px] of (n, 3) points."""
        return self.camera.project(np.atleast_2d(points) @ self.rotation.T + self.translation)

    def ray(self, pixel: Sequence[float]) -> Array:
        """(3,) unit direction of a pixel's line of sight."""
        plane = self.camera.normalise(np.atleast_2d(np.asarray(pixel, float)))[0]
        direction = self.rotation.T @ np.array([plane[0], plane[1], 1.0])
        return np.asarray(direction / np.linalg.norm(direction))

    def height(self, points: Array) -> Array:
        """(n,) [mm] before the front face."""
        return np.asarray((np.atleast_2d(points) - self.plane_point) @ self.normal)

    def image_pixels(self, points: Array, order: int, thickness_mm: float) -> Array:
        """(n, 2) [px] of the images of order k."""
        return self.pixels(
            virtual_point(
                points,
                self.eye,
                normal=self.normal,
                plane_point=self.plane_point,
                thickness_mm=thickness_mm,
                order=order,
                index=self.index,
            )
        )

    def ghost_offsets(self, position_mm: Array, thickness_mm: float) -> Array:
        """(3, 2) [px] from the main image to the ghosts of GHOST_ORDERS."""
        main = self.image_pixels(position_mm, 1, thickness_mm)[0]
        return np.stack([self.image_pixels(position_mm, k, thickness_mm)[0] - main for k in GHOST_ORDERS])

    def ghosts(self, lamp: Lamp, thickness_mm: float) -> Ghosts:
        """Places and sizes of the ghosts of GHOST_ORDERS in glass of a thickness, the lamp where it then is."""
        view = self.at(thickness_mm)
        place = lamp.position_mm
        if lamp.direct is not None:
            place = view.place_of(lamp.direct.centre_px, lamp.reflected.centre_px, place)
        far = [view.image_distance(place, k, thickness_mm) for k in (1, *GHOST_ORDERS)]
        return Ghosts(view.ghost_offsets(place, thickness_mm), far[0] / np.array(far[1:]))

    def image_distance(self, point: Array, order: int, thickness_mm: float) -> float:
        """[mm] from the eye to the image of an order."""
        rise, lateral = self.rise_and_lateral(point)
        depth = float(virtual_depth(rise, lateral, order * thickness_mm, self.index)) if order else 0.0
        return float(np.hypot(rise + depth, lateral))

    def place_of(self, direct_px: Sequence[float], reflected_px: Sequence[float], near: Array) -> Array:
        """(3,) place on the direct line of sight whose main image is nearest to the reflection; `near`: a guess.

        By Newton's method along the line, which is nearly straight in the photo.
        """
        ray, eye, target = self.ray(direct_px), self.eye, np.asarray(reflected_px, float)
        along = float((near - eye) @ ray)
        for _ in range(3):
            here, ahead = self.image_pixels(eye + np.array([[along], [along + 0.01]]) * ray, 1, self.thickness_mm)
            slope = (ahead - here) / 0.01
            along += float(np.clip((target - here) @ slope / max(float(slope @ slope), 1e-12), -30.0, 30.0))
        return np.asarray(eye + along * ray)

    def mirrored_angle(self, point: Array, angle: float) -> float:
        """Direction in the photo [rad] of a lamp's long axis in the mirror, from that of the lamp seen directly."""
        along = 0.1 * (self.rotation.T @ np.array([np.cos(angle), np.sin(angle), 0.0]))
        first, second = self.image_pixels(np.stack([point - along, point + along]), 1, self.thickness_mm)
        return float(np.arctan2(second[1] - first[1], second[0] - first[0]))

    def ghost_ratios(self, position_mm: Array) -> Array:
        """(3,) brightness of the ghosts of GHOST_ORDERS as shares of the main image; unpolarised light."""
        angle = self.incidence(position_mm)
        main = image_strength(1, angle, index=self.index)
        return np.array([float(image_strength(k, angle, index=self.index) / main) for k in GHOST_ORDERS])

    def incidence(self, point: Array) -> float:
        """Angle at which the lamp's main image meets the glass [rad]."""
        rise, lateral = self.rise_and_lateral(point)
        return float(np.arctan2(lateral, rise))

    def incidence_deg(self, point: Array) -> float:
        """The same in degrees, from the square to the glass."""
        return float(np.degrees(self.incidence(point)))

    def ghost_step_mm(self, point: Array, thickness_mm: float) -> float:
        """How far apart main image and first extra trip seem, across the line of sight [mm]."""
        rise, lateral = self.rise_and_lateral(point)
        one, two = (float(virtual_depth(rise, lateral, k * thickness_mm, self.index)) for k in (1, 2))
        return (two - one) * float(np.sin(self.incidence(point)))

    def rise_and_lateral(self, point: Array) -> tuple[float, float]:
        """[mm] heights of point and eye before the face, added, and the distance between their feet on it."""
        own, eyes = float(self.height(point)[0]), float(self.height(self.eye)[0])
        apart2 = float(((self.eye - point) ** 2).sum()) - (eyes - own) ** 2
        return own + eyes, float(np.sqrt(max(apart2, 0.0)))


@dataclass(frozen=True, eq=False)
class LineView:
    """Stands for a mirror whose ghosts lie `step_px` apart for every millimetre of a supposed thickness.

    step_px : (2,) [px], towards the first extra trip
    """

    step_px: Array
    index: float = FLOAT_GLASS_INDEX

    def ghosts(self, lamp: Lamp, thickness_mm: float) -> Ghosts:
        """Places of the ghosts, all as large as the main image."""
        return Ghosts(np.outer([-thickness_mm, thickness_mm, 2 * thickness_mm], self.step_px), np.ones(3))

    def ghost_ratios(self, position_mm: Array) -> Array:
        """(3,) brightness of the ghosts as shares of the main image."""
        orders = (1, *GHOST_ORDERS)
        strengths = np.array([float(image_strength(k, SUPPOSED_INCIDENCE, index=self.index)) for k in orders])
        return np.asarray(strengths[1:] / strengths[0])

"""Where a lamp and its images lie: a lamp and its reflection are a stereo pair before a solved mirror.

With the mirror's front face known, the place of every ghost relative to the main image follows from the
glass's thickness alone (glass.virtual_point), and its brightness from Fresnel (glass.image_strength).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from ..optics.camera_model import Camera
from ..optics.slab import FLOAT_GLASS_INDEX, image_strength, virtual_depth, virtual_point
from .lamps import Spot

Array = NDArray[np.float64]

#: A lamp's two spots are a pair when some place of the lamp explains both within this [px of a 4000 px photo].
PAIR_MISS_PX = 6.0
#: Their sizes agree within this factor, allowing for what saturation and ghosts do to a spot.
PAIR_SIZE_FACTOR = 1.6
#: Lamps are looked for between these heights before the glass [mm].
NEAREST_MM, FARTHEST_MM = 2.0, 700.0
#: Where a lamp is not seen directly, this height before the glass is supposed [mm] ...
SUPPOSED_HEIGHT_MM = 80.0
#: ... and the scale of its ghosts' distances is uncertain by this (sd of its logarithm); otherwise by the second.
SCALE_SD_UNPAIRED, SCALE_SD_PAIRED = 0.25, 0.006
#: Where the plane is not known, brightness is taken at this incidence: it hardly changes below 45 degrees.
SUPPOSED_INCIDENCE = np.radians(30.0)
#: Orders of the ghosts that are modelled beside the main image.
GHOST_ORDERS = (0, 2, 3)


class GhostView(Protocol):
    """Where a lamp's ghosts lie and how bright they are: all that the fit knows of a mirror."""

    def ghost_offsets(self, position_mm: Array, thickness_mm: float) -> Array:
        """(3, 2) [px] from the main image to the ghosts of GHOST_ORDERS."""

    def ghost_ratios(self, position_mm: Array) -> Array:
        """(3,) brightness of the ghosts as shares of the main image."""


@dataclass(frozen=True, eq=False)
class MirrorView:
    """One photo's camera before one mirror, target frame, mm.

    rotation, translation : p_cam = R p_target + t; normal : of the mirror, towards the viewer;
    plane_point : on the glass's front face; thickness_mm : the solve's own, to pair spots with.
    """

    camera: Camera
    rotation: Array
    translation: Array
    normal: Array
    plane_point: Array
    thickness_mm: float
    index: float = FLOAT_GLASS_INDEX

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

    def ghost_ratios(self, position_mm: Array) -> Array:
        """(3,) brightness of the ghosts of GHOST_ORDERS as shares of the main image; unpolarised light."""
        angle = self.incidence(position_mm)
        main = image_strength(1, angle, index=self.index)
        return np.array([float(image_strength(k, angle, index=self.index) / main) for k in GHOST_ORDERS])

    def incidence(self, point: Array) -> float:
        """Angle at which the lamp's main image meets the glass [rad]."""
        rise, lateral = self._rise_and_lateral(point)
        return float(np.arctan2(lateral, rise))

    def ghost_step_mm(self, point: Array, thickness_mm: float) -> float:
        """How far apart main image and first extra trip seem, across the line of sight [mm]."""
        rise, lateral = self._rise_and_lateral(point)
        one, two = (float(virtual_depth(rise, lateral, k * thickness_mm, self.index)) for k in (1, 2))
        return (two - one) * float(np.sin(self.incidence(point)))

    def _rise_and_lateral(self, point: Array) -> tuple[float, float]:
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

    def ghost_offsets(self, position_mm: Array, thickness_mm: float) -> Array:
        """(3, 2) [px] from the main image to the ghosts of GHOST_ORDERS."""
        return np.outer([-thickness_mm, thickness_mm, 2 * thickness_mm], self.step_px)

    def ghost_ratios(self, position_mm: Array) -> Array:
        """(3,) brightness of the ghosts as shares of the main image."""
        orders = (1, *GHOST_ORDERS)
        strengths = np.array([float(image_strength(k, SUPPOSED_INCIDENCE, index=self.index)) for k in orders])
        return np.asarray(strengths[1:] / strengths[0])


@dataclass(frozen=True, eq=False)
class Lamp:
    """A lamp seen in the mirror: its reflection's spot, its place, and its direct spot where there is one."""

    reflected: Spot
    direct: Spot | None
    position_mm: Array
    ghosts_scaled: bool = True  # False: the fit's own thickness is nothing but the scale of the ghosts' distances

    @property
    def scale_sd(self) -> float:
        """Uncertainty of its ghosts' distances, as the sd of their logarithm."""
        return SCALE_SD_PAIRED if self.direct is not None or not self.ghosts_scaled else SCALE_SD_UNPAIRED


def lamps_of(spots: Sequence[Spot], view: MirrorView, long_side_px: int) -> tuple[Lamp, ...]:
    """Pair direct spots with reflections, best first; spots without a partner come last, as reflections.

    Each spot is used once. A spot without a partner may be a lamp outside the photo, or no reflection at all.
    """
    limit = PAIR_MISS_PX * max(long_side_px / 4000.0, 0.5)
    places = [_places_along(view, spot) for spot in spots]
    options = []
    for first, direct in enumerate(spots):
        for second, reflected in enumerate(spots):
            if first != second:
                miss, position = _stereo(view, direct, reflected, places[first])
                if miss < limit:
                    options.append((miss, first, second, position))
    used: set[int] = set()
    lamps = []
    for _, first, second, position in sorted(options, key=lambda option: option[0]):
        if not used & {first, second}:
            used |= {first, second}
            lamps.append(Lamp(spots[second], spots[first], position))
    alone = [spot for number, spot in enumerate(spots) if number not in used]
    for spot in alone:
        supposed = _supposed_place(view, spot)
        if supposed is not None:
            lamps.append(Lamp(spot, None, supposed))
    return tuple(lamps)


def _places_along(view: MirrorView, spot: Spot) -> tuple[Array, Array]:
    """(n, 3) places of a lamp along a direct spot's line of sight, and (n, 2) [px] their main images."""
    ray = view.ray(spot.centre_px)
    approach, start = float(ray @ view.normal), float(view.height(view.eye)[0])
    heights = np.geomspace(NEAREST_MM, min(FARTHEST_MM, 0.95 * start), 400)
    along = (heights - start) / approach if approach < -1e-6 else np.array([])
    places = view.eye + along[:, None] * ray
    if len(places) == 0:
        return places, np.zeros((0, 2))
    return places, view.image_pixels(places, 1, view.thickness_mm)


def _stereo(view: MirrorView, direct: Spot, reflected: Spot, places: tuple[Array, Array]) -> tuple[float, Array]:
    """(how far the best place misses the reflection [px], that place); infinity for no pair."""
    points, images = places
    if len(points) < 2:
        return np.inf, np.zeros(3)
    target = np.asarray(reflected.centre_px)
    step = np.diff(images, axis=0)
    share = np.clip(((target - images[:-1]) * step).sum(axis=1) / (step**2).sum(axis=1), 0, 1)
    miss = np.linalg.norm(images[:-1] + share[:, None] * step - target, axis=1)
    best = int(miss.argmin())
    point = points[best] + share[best] * (points[best + 1] - points[best])
    rise, lateral = view._rise_and_lateral(point)
    expected = np.hypot(rise, lateral) / np.linalg.norm(point - view.eye)
    factor = direct.radius_px / reflected.radius_px / expected
    if not 1 / PAIR_SIZE_FACTOR < factor < PAIR_SIZE_FACTOR:
        return np.inf, point
    return float(miss[best]), point


def _supposed_place(view: MirrorView, spot: Spot) -> Array | None:
    """The place of a lamp SUPPOSED_HEIGHT_MM before the glass whose main image is the spot."""
    ray = view.ray(spot.centre_px)
    approach = float(ray @ view.normal)
    if approach > -0.05:
        return None
    depth = SUPPOSED_HEIGHT_MM + 2 * view.thickness_mm / view.index
    behind = view.eye + ray * ((-depth - float(view.height(view.eye)[0])) / approach)
    return np.asarray(behind + (depth + SUPPOSED_HEIGHT_MM) * view.normal)

"""Does a camera see the whole target and its whole reflection, and how large? (Mirror planes, no glass.)"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from .phone import PhoneSpec, nominal_focal_px
from .spec import Mirror, RenderCamera, SceneSpec
from .truth import corners_mm

MIRROR_EDGE_MM = 6.0
PICTURE_EDGE_PX = 40.0


@dataclass(frozen=True)
class Framing:
    """Whether all corners show, and the smallest height of a reflected square [px]."""

    direct_in_picture: bool
    reflected_in_picture: bool
    reflected_in_mirror: bool
    reflected_square_px: float

    @property
    def complete(self) -> bool:
        """Everything is in the picture and in the mirror."""
        return self.direct_in_picture and self.reflected_in_picture and self.reflected_in_mirror


def framing_of(spec: SceneSpec) -> Framing:
    """Framing of the sheet and its reflection in the first mirror."""
    mirror, camera = spec.mirrors[0], spec.camera
    corners = corners_mm(spec)
    heights = (corners - mirror.foot_point) @ mirror.normal
    images = corners - 2 * heights[:, None] * mirror.normal
    # The first column of corners runs along y: neighbours in it are one square apart in depth.
    columns = int((np.abs(corners[:, 1] - corners[0, 1]) < 1e-6).sum())
    column = camera.project(images)[::columns]
    return Framing(
        _inside(camera, corners),
        _inside(camera, images),
        _in_mirror(mirror, camera, images),
        float(np.linalg.norm(np.diff(column, axis=0), axis=1).min()),
    )


def _inside(camera: RenderCamera, points: np.ndarray) -> bool:
    pixels = camera.project(points)
    limit = np.array(camera.size_px) - PICTURE_EDGE_PX
    return bool(((pixels > PICTURE_EDGE_PX) & (pixels < limit)).all())


def _in_mirror(mirror: Mirror, camera: RenderCamera, images: np.ndarray) -> bool:
    """Whether the lines of sight to the images pass through the mirror's face."""
    eye = np.asarray(camera.position_mm, float)
    share = ((mirror.foot_point - eye) @ mirror.normal) / ((images - eye) @ mirror.normal)
    crossing = eye + share[:, None] * (images - eye) - mirror.foot_point
    across, up = crossing @ mirror.across, crossing @ mirror.upward
    return bool(
        (np.abs(across) < mirror.width_mm / 2 - MIRROR_EDGE_MM).all()
        and (up > mirror.foot_mm).all()
        and (up < mirror.height_mm - MIRROR_EDGE_MM).all()
    )


def phone_camera(
    aim_mm: tuple[float, float, float],
    distance_mm: float,
    elevation_deg: float,
    azimuth_deg: float = 0.0,
    *,
    rng: np.random.Generator,
    size_px: tuple[int, int] = (4032, 3024),
    roll_deg: float = 0.0,
    phone: PhoneSpec | None = None,
) -> RenderCamera:
    """A phone held `distance_mm` from `aim_mm`, with the lens errors that phones have.

    The true focal length differs from what the EXIF block says by 1.2 % (standard deviation, at most
    2.5 %), the centre by 0.5 % of the width, k1 and k2 spread by 0.03. azimuth_deg > 0: seen from the right.
    """
    phone = phone or PhoneSpec()
    elevation, azimuth = math.radians(elevation_deg), math.radians(azimuth_deg)
    level = distance_mm * math.cos(elevation)
    position = np.add(
        aim_mm,
        [level * math.sin(azimuth), -level * math.cos(azimuth), distance_mm * math.sin(elevation)],
    )
    width, height = size_px
    nominal = nominal_focal_px(size_px, phone.equivalent_mm)
    focal = nominal * (1 + np.clip(0.012 * rng.standard_normal(), -0.025, 0.025))
    centre = [(width - 1) / 2, (height - 1) / 2] + 0.005 * width * rng.standard_normal(2)
    k1, k2 = np.clip(0.03 * rng.standard_normal(2), -0.06, 0.06)
    return RenderCamera(
        tuple(position.tolist()),
        aim_mm,
        size_px,
        float(focal),
        (float(centre[0]), float(centre[1])),
        float(k1),
        float(k2),
        roll_deg,
    )

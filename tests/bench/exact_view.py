"""Where corners truly appear, and how well they can be known: written apart from align/ to check it.

The ray through the glass is found by its angle, OpenCV projects it, derivatives are differences: none of
`align.model`, `align.glass` or `align.camera` takes part, so an error there shows in the tables.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from align.target.sheets import Sheet

Array = NDArray[np.float64]

#: Order of the unknowns of one photo of one mirror; the pose's rotation vector multiplies from the left.
UNKNOWNS = (
    *("log_focal", "centre_x_px", "centre_y_px", "k1", "k2", "p1", "p2", "k3", "glass_index"),
    *("bow_x_mm", "bow_y_mm", "twist_mm", "lean_rad", "turn_rad", "distance_mm", "thickness_mm"),
    *("rot_x", "rot_y", "rot_z", "t_x_mm", "t_y_mm", "t_z_mm"),
)
#: Half the difference that a derivative is taken over, for each unknown.
STEPS = np.array(
    [1e-5, 1e-2, 1e-2, 1e-5, 1e-5, 1e-6, 1e-6, 1e-5, 1e-4, 1e-3, 1e-3, 1e-3, 1e-6, 1e-6, 1e-3, 1e-3]
    + [1e-6] * 3
    + [1e-3] * 3
)


@dataclass(frozen=True, eq=False)
class Truth:
    """One camera before one mirror.

    focal_px; centre_px : (2,); distortion : (5,) k1, k2, p1, p2, k3; rotation, translation :
    `cam_from_target` [mm]; the others: the mirror, distance_mm along y at x = 0 to its front face.
    """

    focal_px: float
    centre_px: Array
    distortion: Array
    rotation: Array
    translation: Array
    lean_rad: float
    turn_rad: float
    distance_mm: float
    thickness_mm: float
    index: float

    @property
    def eye(self) -> Array:
        """(3,) [mm] centre of projection, target frame."""
        return -self.rotation.T @ self.translation

    @property
    def normal(self) -> Array:
        """(3,) unit normal of the mirror towards the viewer."""
        c = np.cos(self.lean_rad)
        return np.array([np.sin(self.turn_rad) * c, -np.cos(self.turn_rad) * c, -np.sin(self.lean_rad)])

    def direct_px(self, points_mm: Array) -> Array:
        """(n, 2) pixels of (n, 3) points seen directly."""
        matrix = np.array(
            [[self.focal_px, 0, self.centre_px[0]], [0, self.focal_px, self.centre_px[1]], [0, 0, 1.0]]
        )
        vector = cv2.Rodrigues(self.rotation)[0]
        pixels, _ = cv2.projectPoints(points_mm, vector, self.translation, matrix, self.distortion)
        return pixels.reshape(-1, 2)

    def reflected_px(self, points_mm: Array) -> Array:
        """(n, 2) pixels of (n, 3) points seen in the mirror: refracted, silvered, refracted again."""
        normal, face = self.normal, np.array([0.0, self.distance_mm, 0.0])
        eye = self.eye
        height, eye_height = (points_mm - face) @ normal, float((eye - face) @ normal)
        across = (points_mm - height[:, None] * normal) - (eye - eye_height * normal)
        lateral = np.linalg.norm(across, axis=1)
        angle = self._ray_angle(height + eye_height, lateral)
        along = across / lateral[:, None] * np.sin(angle)[:, None] - np.cos(angle)[:, None] * normal
        # Any point of the ray will do; one at about the image's distance keeps the arithmetic well scaled.
        return self.direct_px(eye + along * np.hypot(lateral, height + eye_height)[:, None])

    def _ray_angle(self, height_sum: Array, lateral: Array) -> Array:
        """(n,) angle outside the glass [rad]: rho = (a + b) tan(theta) + 2 t tan(theta'), by Newton."""
        angle = np.arctan2(lateral, height_sum + 2 * self.thickness_mm / self.index)
        for _ in range(12):
            sine, cosine = np.sin(angle), np.cos(angle)
            inside = np.sqrt(self.index**2 - sine**2)
            value = height_sum * sine / cosine + 2 * self.thickness_mm * sine / inside - lateral
            slope = height_sum / cosine**2 + 2 * self.thickness_mm * self.index**2 * cosine / inside**3
            angle = angle - value / slope
        return angle


def bowed(sheet: Sheet, points_mm: Array, bow_mm: Array) -> Array:
    """Flat corners lifted by the sheet's bow: sagittae along x and y and twist, mean plane unchanged."""
    u = points_mm[:, 0] / (sheet.squares_x * sheet.square_mm / 2)
    half = sheet.squares_y * sheet.square_mm / 2
    v = (points_mm[:, 1] + sheet.contact_margin_mm + half) / half
    lifted = points_mm.copy()
    lifted[:, 2] += bow_mm[0] * (u**2 - 1 / 3) + bow_mm[1] * (v**2 - 1 / 3) + bow_mm[2] * u * v
    return lifted


def bound_covariance(
    truth: Truth,
    sheet: Sheet,
    direct_mm: Array,
    reflected_mm: Array,
    *,
    bow_mm: Array,
    noise_px: float,
    prior_sd: Array,
) -> Array:
    """Cramér-Rao bound of all unknowns, with the prior's information added.

    Parameters
    ----------
    direct_mm, reflected_mm : (n, 3), (m, 3) flat places of the corners seen, target frame
    noise_px : sd of each coordinate; prior_sd : (22,) in the order of UNKNOWNS, 0: known exactly

    Returns
    -------
    (22, 22) inverse Fisher information at the truth; zero rows for what is known exactly. Source: S. Kay,
    Fundamentals of Statistical Signal Processing: Estimation Theory (1993), eq. (3.31); H. Van Trees,
    Detection, Estimation, and Modulation Theory I (1968), section 2.4.3, for the prior.
    """

    def pixels(step: Array) -> Array:
        there, bow = _moved(truth, step), bow_mm + step[9:12]
        direct = there.direct_px(bowed(sheet, direct_mm, bow))
        reflected = there.reflected_px(bowed(sheet, reflected_mm, bow))
        return np.concatenate([direct, reflected]).ravel()

    free = np.flatnonzero(prior_sd > 0)
    columns = []
    for which in free:
        step = np.zeros(len(UNKNOWNS))
        step[which] = STEPS[which]
        columns.append((pixels(step) - pixels(-step)) / (2 * STEPS[which]))
    jacobian = np.stack(columns, axis=1) / noise_px
    # Scaled by the columns' size: the unknowns' units differ by many orders.
    information = jacobian.T @ jacobian + np.diag(1 / prior_sd[free] ** 2)
    scale = 1 / np.sqrt(np.diag(information))
    covariance = np.zeros((len(UNKNOWNS),) * 2)
    inverse = np.linalg.inv(information * np.outer(scale, scale))
    covariance[np.ix_(free, free)] = inverse * np.outer(scale, scale)
    return covariance


def _moved(truth: Truth, step: Array) -> Truth:
    """The truth with every unknown but the bow moved by a step."""
    return replace(
        truth,
        focal_px=truth.focal_px * float(np.exp(step[0])),
        centre_px=truth.centre_px + step[1:3],
        distortion=truth.distortion + step[3:8],
        index=truth.index + step[8],
        lean_rad=truth.lean_rad + step[12],
        turn_rad=truth.turn_rad + step[13],
        distance_mm=truth.distance_mm + step[14],
        thickness_mm=truth.thickness_mm + step[15],
        rotation=cv2.Rodrigues(step[16:19])[0] @ truth.rotation,
        translation=truth.translation + step[19:22],
    )

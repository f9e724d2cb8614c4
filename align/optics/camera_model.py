"""The camera model: one focal length, centre and OpenCV's polynomial distortion, with derivatives.

Pixel origin: the centre of the top-left pixel. Camera frame: OpenCV's (x right, y down, z forward).
Parameter order everywhere: `CAMERA_PARAMETERS`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

CAMERA_PARAMETERS = ("log_focal", "centre_x_px", "centre_y_px", "k1", "k2", "p1", "p2", "k3")
N_CAMERA = len(CAMERA_PARAMETERS)
#: Diagonal of the 24 mm x 36 mm frame that "35 mm-equivalent" focal lengths refer to [mm]
#: (CIPA DCG-001, 35 mm film equivalent focal length).
FULL_FRAME_DIAGONAL_MM = math.hypot(24.0, 36.0)


@dataclass(frozen=True, eq=False)
class Camera:
    """Intrinsics for photos of one size.

    focal_px : focal length [px]; centre_px : (2,) principal point [px];
    distortion : (5,) k1, k2, p1, p2, k3 in OpenCV's order; reshape : stretch and shear of a picture that was
    edited (`reshaped`), no property of the lens.
    """

    focal_px: float
    centre_px: tuple[float, float]
    distortion: tuple[float, float, float, float, float] = (0.0, 0.0, 0.0, 0.0, 0.0)
    reshape: tuple[float, float] = (0.0, 0.0)

    @property
    def matrix(self) -> Array:
        """(3, 3) camera matrix K."""
        return np.array(
            [
                [self.focal_px, 0.0, self.centre_px[0]],
                [0.0, self.focal_px, self.centre_px[1]],
                [0.0, 0.0, 1.0],
            ]
        )

    @property
    def parameters(self) -> Array:
        """(8,) in the order of CAMERA_PARAMETERS."""
        return np.array([math.log(self.focal_px), *self.centre_px, *self.distortion])

    def with_focal(self, focal_px: float) -> Camera:
        """The same camera with another focal length."""
        return replace(self, focal_px=focal_px)

    def project(self, points_cam: Array) -> Array:
        """(n, 2) [px] pixels of (n, 3) points in the camera frame."""
        return reshaped(project(self.parameters, points_cam), np.array(self.centre_px), np.array(self.reshape))[0]

    def normalise(self, pixels: Array) -> Array:
        """(n, 2) undistorted coordinates x/z, y/z of (n, 2) pixels, by Newton's method.

        Wherever the distortion grows outwards as far as the pixel, this inverts `project` (OpenCV's
        fixed-point iteration diverges at the corners of ultra-wide photos); beyond, the result is finite but
        no inverse.
        """
        target = (np.asarray(pixels, float) - np.array(self.centre_px)) / self.focal_px
        target = target @ np.linalg.inv(reshape_matrix(*self.reshape)).T
        result = target.copy()
        k1, k2, p1, p2, k3 = self.distortion
        for _ in range(40):
            x, y = result[:, 0], result[:, 1]
            r2 = x * x + y * y
            radial = 1.0 + r2 * (k1 + r2 * (k2 + r2 * k3))
            slope = k1 + r2 * (2 * k2 + 3 * k3 * r2)
            off_x = x * radial + 2 * p1 * x * y + p2 * (r2 + 2 * x * x) - target[:, 0]
            off_y = y * radial + p1 * (r2 + 2 * y * y) + 2 * p2 * x * y - target[:, 1]
            xx = radial + 2 * x * x * slope + 2 * p1 * y + 6 * p2 * x
            xy = 2 * x * y * slope + 2 * p1 * x + 2 * p2 * y
            yy = radial + 2 * y * y * slope + 6 * p1 * y + 2 * p2 * x
            # Where the image folds over, the determinant is not positive: hold it up, and cap the step.
            determinant = np.maximum(xx * yy - xy * xy, 0.05)
            step = np.column_stack([yy * off_x - xy * off_y, xx * off_y - xy * off_x]) / determinant[:, None]
            length = np.linalg.norm(step, axis=1)
            step *= np.minimum(1.0, 0.3 / np.maximum(length, 1e-300))[:, None]
            result = result - step
            if float(length.max(initial=0.0)) < 1e-14:
                break
        return np.asarray(result)

    def rays(self, pixels: Array) -> Array:
        """(n, 3) unit directions of pixels, camera frame."""
        xy = self.normalise(pixels)
        directions = np.column_stack([xy, np.ones(len(xy))])
        return np.asarray(directions / np.linalg.norm(directions, axis=1, keepdims=True))


def camera_from_parameters(parameters: Array) -> Camera:
    """Inverse of `Camera.parameters`."""
    p = [float(value) for value in parameters]
    return Camera(math.exp(p[0]), (p[1], p[2]), (p[3], p[4], p[5], p[6], p[7]))


def project(parameters: Array, points_cam: Array) -> Array:
    """(n, 2) [px] of (n, 3) camera-frame points; points behind the camera give NaN."""
    focal = math.exp(parameters[0])
    k1, k2, p1, p2, k3 = parameters[3:8]
    with np.errstate(divide="ignore", invalid="ignore"):
        depth = np.where(points_cam[:, 2] > 0, points_cam[:, 2], np.nan)
        x, y = points_cam[:, 0] / depth, points_cam[:, 1] / depth
    r2 = x * x + y * y
    radial = 1.0 + r2 * (k1 + r2 * (k2 + r2 * k3))
    xd = x * radial + 2 * p1 * x * y + p2 * (r2 + 2 * x * x)
    yd = y * radial + p1 * (r2 + 2 * y * y) + 2 * p2 * x * y
    return np.column_stack([focal * xd + parameters[1], focal * yd + parameters[2]])


def project_with_derivatives(parameters: Array, points_cam: Array) -> tuple[Array, Array, Array]:
    """Projection with its derivatives.

    Returns
    -------
    pixels (n, 2) [px]; by_camera (n, 2, 8); by_point (n, 2, 3) [px/mm].
    """
    focal = math.exp(parameters[0])
    k1, k2, p1, p2, k3 = parameters[3:8]
    depth = points_cam[:, 2]
    x, y = points_cam[:, 0] / depth, points_cam[:, 1] / depth
    xx, yy, xy = x * x, y * y, x * y
    r2 = xx + yy
    r4, r6 = r2 * r2, r2 * r2 * r2
    radial = 1.0 + k1 * r2 + k2 * r4 + k3 * r6
    slope = k1 + 2 * k2 * r2 + 3 * k3 * r4  # d(radial)/d(r2)
    xd = x * radial + 2 * p1 * xy + p2 * (r2 + 2 * xx)
    yd = y * radial + p1 * (r2 + 2 * yy) + 2 * p2 * xy
    n = len(x)
    by_camera = np.zeros((n, 2, N_CAMERA))
    by_camera[:, 0, 0], by_camera[:, 1, 0] = focal * xd, focal * yd
    by_camera[:, 0, 1] = by_camera[:, 1, 2] = 1.0
    for column, power in ((3, r2), (4, r4), (7, r6)):
        by_camera[:, 0, column], by_camera[:, 1, column] = focal * x * power, focal * y * power
    by_camera[:, 0, 5], by_camera[:, 1, 5] = focal * 2 * xy, focal * (r2 + 2 * yy)
    by_camera[:, 0, 6], by_camera[:, 1, 6] = focal * (r2 + 2 * xx), focal * 2 * xy
    xx_term = radial + 2 * xx * slope + 2 * p1 * y + 6 * p2 * x
    xy_term = 2 * xy * slope + 2 * p1 * x + 2 * p2 * y
    yy_term = radial + 2 * yy * slope + 6 * p1 * y + 2 * p2 * x
    by_point = np.empty((n, 2, 3))
    scale = focal / depth
    by_point[:, 0, 0], by_point[:, 0, 1] = scale * xx_term, scale * xy_term
    by_point[:, 1, 0], by_point[:, 1, 1] = scale * xy_term, scale * yy_term
    by_point[:, 0, 2] = -scale * (xx_term * x + xy_term * y)
    by_point[:, 1, 2] = -scale * (xy_term * x + yy_term * y)
    pixels = np.column_stack([focal * xd + parameters[1], focal * yd + parameters[2]])
    return pixels, by_camera, by_point


def reshape_matrix(stretch: float, shear: float) -> Array:
    """(2, 2) [px per px] what stretching and shearing a picture does to directions; its area stays."""
    half = math.exp(stretch / 2)
    return np.array([[half, shear], [0.0, 1.0 / half]])


def reshaped(pixels: Array, centre_px: Array, reshape: Array) -> tuple[Array, Array]:
    """Pixels (n, 2) of a picture stretched and sheared about `centre_px`, and (n, 2, 2) by stretch and shear."""
    off = pixels - centre_px
    half = math.exp(reshape[0] / 2)
    by_reshape = np.zeros((len(pixels), 2, 2))
    by_reshape[:, 0, 0], by_reshape[:, 1, 0] = off[:, 0] * half / 2, -off[:, 1] / half / 2
    by_reshape[:, 0, 1] = off[:, 1]
    if not reshape.any():
        return pixels, by_reshape
    return centre_px + off @ reshape_matrix(*reshape).T, by_reshape


@dataclass(frozen=True, eq=False)
class CameraPrior:
    """What is known of a camera before the solve: mean and standard deviation of each parameter.

    covariance : (8, 8) where the parameters are known together, as after a calibration; else None;
    reshape_sd : of the stretch and the shear of a picture that may have been edited; 0: it was not.
    """

    mean: Array  # (8,)
    sd: Array  # (8,)
    source: str  # "file", "exif" or "guess"
    covariance: Array | None = None
    reshape_sd: float = 0.0

    @property
    def camera(self) -> Camera:
        """The prior's mean as a camera."""
        return camera_from_parameters(self.mean)


#: Prior standard deviations for phones whose photos are left whole (docs/theory.md says where each is from).
FOCAL_SD_WITH_EXIF = 0.04
FOCAL_SD_BLIND = 0.40
#: Of the long side, by how much of the sensor's picture the photo is.
CENTRE_SD_SHARE = {"whole": 0.008, "middle": 0.02, "screen": 0.20, "part": 0.20}
#: ... where the file names no camera: perspective may have been corrected, which shifts the centre.
CENTRE_SD_SHARE_BLIND = 0.03
K1_SD, K2_SD, P_SD, K3_SD = 0.08, 0.05, 0.0005, 0.0
#: How far pictures are stretched by hand or by a slip; own estimate.
RESHAPE_SD = 0.05
#: How far a picture whose file names no camera may have been stretched to another shape: from 4:3 to a square or to
#: 16:9 its sides' ratio changes by a third.
RESHAPE_SD_BLIND = 0.2


def prior_from_focal(size: tuple[int, int], equivalent_mm: float | None, *, crop: str = "whole") -> CameraPrior:
    """Prior of a phone camera from the photo's size and, where known, the 35 mm-equivalent focal length.

    Parameters
    ----------
    size : (width, height) [px]; equivalent_mm : EXIF FocalLengthIn35mmFilm or None;
    crop : "whole", "middle", "screen" or "part", see `Photo`: the focal length of a cut photo is a guess,
    and the centre of an off-centre part, or of a photo somewhere on a screen, is nearly free.
    """
    width, height = size
    diagonal = math.hypot(width, height)
    known = equivalent_mm is not None and crop == "whole"
    focal = diagonal * (equivalent_mm or 27.0) / FULL_FRAME_DIAGONAL_MM
    centre_sd = CENTRE_SD_SHARE[crop] * max(size)
    mean = np.array([math.log(focal), (width - 1) / 2, (height - 1) / 2, 0, 0, 0, 0, 0])
    focal_sd = FOCAL_SD_WITH_EXIF if known else FOCAL_SD_BLIND
    sd = np.array([focal_sd, centre_sd, centre_sd, K1_SD, K2_SD, P_SD, P_SD, K3_SD])
    reshape_sd = RESHAPE_SD if crop == "part" else 0.0
    return CameraPrior(mean, sd, "exif" if known else "guess", reshape_sd=reshape_sd)


def maybe_edited(prior: CameraPrior, size: tuple[int, int]) -> CameraPrior:
    """The prior for a picture whose file names no camera: it may have been stretched or slanted."""
    sd = prior.sd.copy()
    sd[1:3] = np.maximum(sd[1:3], CENTRE_SD_SHARE_BLIND * max(size))
    return replace(prior, sd=sd, reshape_sd=max(prior.reshape_sd, RESHAPE_SD_BLIND))

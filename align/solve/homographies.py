"""First guesses for the solve: focal length, poses and mirrors from homographies. Pure numpy."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from ..optics.camera_model import Camera
from ..optics.geometry import fit_homography, lean_turn_of_normal, mirror_normal

Array = NDArray[np.float64]


def focal_from_homographies(homographies: list[Array], centre: tuple[float, float]) -> float | None:
    """Focal length [px] from plane-to-image homographies, or None where they do not tell.

    Two constraints each, solved for 1 / f^2. Source: Z. Zhang, A flexible new technique for camera
    calibration, IEEE TPAMI 22 (2000), eqs (3)-(4), with the centre known and square pixels. A mirrored plane obeys
    the same constraints.
    """
    shift = np.array([[1, 0, -centre[0]], [0, 1, -centre[1]], [0, 0, 1.0]])
    left, right = [], []
    for homography in homographies:
        h = shift @ homography
        h = h / np.linalg.norm(h[:, 0])
        a, b = h[:, 0], h[:, 1]
        left += [a[0] * b[0] + a[1] * b[1], a[0] ** 2 + a[1] ** 2 - b[0] ** 2 - b[1] ** 2]
        right += [-a[2] * b[2], b[2] ** 2 - a[2] ** 2]
    lhs, rhs = np.array(left), np.array(right)
    inverse_square = float(lhs @ rhs / max(float(lhs @ lhs), 1e-300))
    return 1.0 / math.sqrt(inverse_square) if inverse_square > 0 else None


def plane_poses(normalised: Array, points: Array) -> list[tuple[Array, Array]]:
    """Camera poses (R, t) that may have seen plane points z = 0 at normalised image points.

    Parameters
    ----------
    normalised : (n, 2) x/z, y/z; points : (n, 3) [mm], z = 0.

    Returns
    -------
    One or two poses `cam_from_target`: the homography's own decomposition, and the one with the plane's
    normal mirrored about the line of sight, which small or distant targets cannot tell apart.
    """
    homography = fit_homography(points[:, :2], normalised)
    if homography[2, 0] * points[:, 0].mean() + homography[2, 1] * points[:, 1].mean() + homography[2, 2] < 0:
        homography = -homography
    scale = 2.0 / (np.linalg.norm(homography[:, 0]) + np.linalg.norm(homography[:, 1]))
    first, second, translation = (homography * scale).T
    rotation = _nearest_rotation(np.column_stack([first, second, np.cross(first, second)]))
    poses = [(rotation, translation)]
    centre = points.mean(axis=0)
    centre_cam = rotation @ centre + translation
    sight = centre_cam / np.linalg.norm(centre_cam)
    normal = rotation[:, 2]
    flipped = 2 * (normal @ sight) * sight - normal
    turn_axis = np.cross(normal, flipped)
    if np.linalg.norm(turn_axis) > 1e-3:
        turned = _rotation_between(normal, flipped) @ rotation
        poses.append((turned, centre_cam - turned @ centre))
    return poses


def pose_error(camera: Camera, pose: tuple[Array, Array], points: Array, pixels: Array) -> float:
    """Mean squared reprojection error [px^2], with poses under the floor set back."""
    rotation, translation = pose
    projected = camera.project(points @ rotation.T + translation)
    error = float(np.nan_to_num(((projected - pixels) ** 2).mean(), nan=1e12))
    eye = -rotation.T @ translation
    return error if eye[2] > 0 else error * 1e3 + 1e6


def _nearest_rotation(matrix: Array) -> Array:
    u, _, vt = np.linalg.svd(matrix)
    return np.asarray(u @ np.diag([1.0, 1.0, np.linalg.det(u @ vt)]) @ vt)


def _rotation_between(source: Array, destination: Array) -> Array:
    axis = np.cross(source, destination)
    cosine = float(source @ destination)
    skewed = np.array([[0, -axis[2], axis[1]], [axis[2], 0, -axis[0]], [-axis[1], axis[0], 0]])
    return np.asarray(np.eye(3) + skewed + skewed @ skewed / max(1.0 + cosine, 1e-9))


def mirror_candidates(
    camera: Camera,
    cam_from_target: tuple[Array, Array],
    points: Array,
    reflected_pixels: Array,
) -> list[Array]:
    """(lean, turn, offset) [rad, rad, mm] of plane mirrors that may show `points` at `reflected_pixels`.

    First the mirrors between the target and the pose of its reflection (found in the flipped camera,
    where the reflection is an ordinary target), then a fan of upright ones.
    """
    rotation, translation = cam_from_target
    eye = -rotation.T @ translation
    rays = camera.rays(reflected_pixels) @ rotation  # target frame
    candidates = []
    xy = camera.normalise(reflected_pixels)
    flip = np.diag([-1.0, 1.0, 1.0])
    for flipped_rotation, flipped_translation in plane_poses(xy * [-1.0, 1.0], points):
        virtual_cam = (points @ flipped_rotation.T + flipped_translation) @ flip
        virtual = (virtual_cam - translation) @ rotation
        offset = (points - virtual).mean(axis=0)
        length = float(np.linalg.norm(offset))
        if length < 1e-6:
            continue
        # For near mirrors the offset is short: the frames' own reflection tells the normal better.
        householder = np.eye(3) - rotation.T @ flip @ flipped_rotation
        values, vectors = np.linalg.eigh((householder + householder.T) / 2)
        normal = vectors[:, np.argmax(values)]
        middle = (points + virtual).mean(axis=0) / 2
        lean, turn = lean_turn_of_normal(normal)
        candidates.append(np.array([lean, turn, -float(normal @ middle)]))
    for turn_deg in (0.0, -20.0, 20.0, -45.0, 45.0, -70.0, 70.0, -90.0, 90.0):
        candidate = _upright_mirror(math.radians(turn_deg), points, eye, rays)
        if candidate is not None:
            candidates.append(candidate)
    return candidates


def _upright_mirror(turn: float, points: Array, eye: Array, rays: Array) -> Array | None:
    """The upright mirror of a given turn that best puts the reflections on their rays, or None."""
    normal = mirror_normal(0.0, turn)
    # |(X - 2 a n - E) x r| = 0 with a = n.X - c is linear in c: stack and solve.
    householder = points - 2.0 * (points @ normal)[:, None] * normal - eye
    left = np.cross(np.broadcast_to(2.0 * normal, rays.shape), rays).ravel()
    right = -np.cross(householder, rays).ravel()
    denominator = float(left @ left)
    if denominator < 1e-12:
        return None
    return np.array([0.0, turn, -float(left @ right) / denominator])

"""Rotations, planes and reflections in the target frame. Pure arrays; radians; millimetres.

Transforms read `cam_from_target`: p_cam = R @ p_target + t. A reflection has determinant -1 and is
never stored as a pose.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


def skew(vector: Array) -> Array:
    """(3, 3) cross-product matrix: skew(a) @ b = a x b."""
    x, y, z = vector
    return np.array([[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]])


def crossed(a: Array, b: Array) -> Array:
    """a x b of (..., 3) vectors, broadcast: `numpy.cross` in a fifth of its time."""
    ax, ay, az = a[..., 0], a[..., 1], a[..., 2]
    bx, by, bz = b[..., 0], b[..., 1], b[..., 2]
    return np.stack([ay * bz - az * by, az * bx - ax * bz, ax * by - ay * bx], axis=-1)


def rotation_from_vector(vector: Array) -> Array:
    """(3, 3) rotation matrix of a rotation vector [rad]: Rodrigues' formula."""
    angle = float(np.linalg.norm(vector))
    if angle < 1e-12:
        return np.eye(3) + skew(vector)
    axis = skew(np.asarray(vector, float) / angle)
    return np.asarray(np.eye(3) + math.sin(angle) * axis + (1 - math.cos(angle)) * axis @ axis)


def mirror_normal(lean: float, turn: float) -> Array:
    """Unit normal of a mirror, towards the viewer, target frame (docs/conventions.md).

    Parameters
    ----------
    lean, turn : float [rad]; lean > 0: the top overhangs towards the viewer;
        turn > 0: anticlockwise seen from above (the left edge is the nearer one).
    """
    return np.array(
        [
            math.sin(turn) * math.cos(lean),
            -math.cos(turn) * math.cos(lean),
            -math.sin(lean),
        ]
    )


def lean_turn_of_normal(normal: Array) -> tuple[float, float]:
    """(lean, turn) [rad] of a normal that points to the viewer's side; inverse of `mirror_normal`."""
    x, y, z = np.asarray(normal, float) / np.linalg.norm(normal)
    return math.asin(max(-1.0, min(1.0, -z))), math.atan2(x, -y)


def height_before(points: Array, normal: Array, offset: float) -> Array:
    """(n,) how far (n, 3) points stand before the plane `normal` . p + offset = 0; negative behind it."""
    return np.asarray(np.atleast_2d(points) @ normal + offset)


def reflect(points: Array, normal: Array, plane_point: Array) -> Array:
    """Mirror images of (n, 3) points in the plane through `plane_point` with unit `normal`."""
    points = np.asarray(points, float)
    heights = (points - plane_point) @ normal
    return np.asarray(points - 2.0 * heights[:, None] * normal)


def angle_between(first: Array, second: Array) -> float:
    """Angle between two directions [rad], accurate for small angles too."""
    return math.atan2(float(np.linalg.norm(np.cross(first, second))), float(np.dot(first, second)))


def apply_homography(homography: Array, points: Array) -> Array:
    """(n, 2) points through a (3, 3) homography."""
    points = np.asarray(points, float)
    mapped = points @ homography[:, :2].T + homography[:, 2]
    return np.asarray(mapped[:, :2] / mapped[:, 2:3])


def scale_pixels(pixels: Array, factor: float) -> Array:
    """Pixel places on a picture scaled by `factor`: pixel centres are at integers, so halves are in the way."""
    return np.asarray((np.asarray(pixels, float) + 0.5) * factor - 0.5)


def fit_homography(source: Array, destination: Array) -> Array:
    """(3, 3) homography from >= 4 point pairs: normalised direct linear transform.

    Source: R. Hartley, A. Zisserman, Multiple View Geometry, 2nd ed. (2004), algorithm 4.2.
    """

    def normaliser(points: Array) -> Array:
        centre = points.mean(axis=0)
        spread = math.sqrt(2.0) / max(float(np.sqrt(((points - centre) ** 2).sum(axis=1)).mean()), 1e-12)
        return np.array([[spread, 0, -spread * centre[0]], [0, spread, -spread * centre[1]], [0, 0, 1.0]])

    source, destination = np.asarray(source, float), np.asarray(destination, float)
    from_norm, to_norm = normaliser(source), normaliser(destination)
    a, b = apply_homography(from_norm, source), apply_homography(to_norm, destination)
    zero, one = np.zeros(len(a)), np.ones(len(a))
    x, y, u, v = a[:, 0], a[:, 1], b[:, 0], b[:, 1]
    rows = np.concatenate(
        [
            np.stack([-x, -y, -one, zero, zero, zero, u * x, u * y, u], axis=1),
            np.stack([zero, zero, zero, -x, -y, -one, v * x, v * y, v], axis=1),
        ]
    )
    solution = np.linalg.eigh(rows.T @ rows)[1][:, 0].reshape(3, 3)
    homography = np.linalg.inv(to_norm) @ solution @ from_norm
    return np.asarray(homography / homography[2, 2])


def convex_hull(points: Array) -> Array:
    """(h, 2) corners of the convex hull of (n, 2) points, anticlockwise.

    Source: A. M. Andrew, Another efficient algorithm for convex hulls in two dimensions, Information Processing
    Letters 9 (1979) 216.
    """
    ordered = [tuple(point) for point in np.unique(np.asarray(points, float), axis=0)]
    if len(ordered) < 3:
        return np.array(ordered)
    chains = []
    for way in (ordered, ordered[::-1]):
        chain: list[tuple[float, ...]] = []
        for x, y in way:
            while len(chain) > 1 and _left_turn(chain[-2], chain[-1], (x, y)) <= 0:
                chain.pop()
            chain.append((x, y))
        chains += chain[:-1]
    return np.array(chains)


def _left_turn(a: tuple[float, ...], b: tuple[float, ...], c: tuple[float, ...]) -> float:
    """Positive where the way from a by b to c turns to the left."""
    return (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0])


def inside_convex(points: Array, corners: Array) -> NDArray[np.bool_]:
    """(n,) whether (n, 2) points lie in a convex polygon, corners anticlockwise."""
    inside = np.ones(len(points), bool)
    for (x, y), (next_x, next_y) in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        inside &= (next_x - x) * (points[:, 1] - y) - (next_y - y) * (points[:, 0] - x) >= 0
    return inside

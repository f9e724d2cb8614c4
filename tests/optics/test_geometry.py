"""Rotations, reflections and homographies against scipy and OpenCV, signs against docs/conventions.md."""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.spatial import ConvexHull
from scipy.spatial.transform import Rotation

from align.optics.geometry import (
    angle_between,
    apply_homography,
    convex_hull,
    crossed,
    fit_homography,
    inside_convex,
    lean_turn_of_normal,
    mirror_normal,
    reflect,
    rotation_from_vector,
    skew,
)

angles = st.floats(-1.5, 1.5)
components = st.floats(-3.0, 3.0)
vectors = st.tuples(components, components, components).map(np.array)


def random_vectors(count, size, seed=0):
    """Rotation vectors of one length in random directions."""
    directions = np.random.default_rng(seed).normal(size=(count, 3))
    return size * directions / np.linalg.norm(directions, axis=1, keepdims=True)


# Rotations --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("size", [0.0, 1e-14, 1e-9, 1e-4, 0.3, 2.0, math.pi, 5.0])
def test_rotation_from_vector_is_scipys_and_opencvs(size):
    for vector in random_vectors(20, size):
        ours = rotation_from_vector(vector)
        np.testing.assert_allclose(ours, Rotation.from_rotvec(vector).as_matrix(), atol=1e-12)
        np.testing.assert_allclose(ours, cv2.Rodrigues(vector)[0], atol=1e-12)


@given(vectors)
def test_rotations_are_proper(vector):
    rotation = rotation_from_vector(vector)
    np.testing.assert_allclose(rotation @ rotation.T, np.eye(3), atol=1e-12)
    assert np.linalg.det(rotation) == pytest.approx(1.0, abs=1e-12)


@given(vectors)
def test_the_opposite_vector_is_the_inverse_rotation(vector):
    np.testing.assert_allclose(rotation_from_vector(-vector), rotation_from_vector(vector).T, atol=1e-12)


@given(vectors, vectors)
def test_skew_is_the_cross_product(a, b):
    np.testing.assert_allclose(skew(a) @ b, np.cross(a, b), atol=1e-12)


def test_quarter_turn_by_hand():
    # Right-handed: a quarter turn about z takes x to y.
    np.testing.assert_allclose(
        rotation_from_vector(np.array([0, 0, math.pi / 2])) @ [1, 0, 0], [0, 1, 0], atol=1e-15
    )


# Mirror normals ---------------------------------------------------------------------------------------


def test_true_mirror_faces_the_viewer():
    np.testing.assert_array_equal(mirror_normal(0.0, 0.0), [0.0, -1.0, 0.0])


def test_positive_lean_brings_the_top_towards_the_viewer():
    # A point of the plane 100 mm up must be nearer to the viewer (smaller y) than the foot.
    lean = math.radians(3)
    normal = mirror_normal(lean, 0.0)
    y_at_100 = -normal[2] * 100 / normal[1]
    assert y_at_100 == pytest.approx(-100 * math.tan(lean))
    assert y_at_100 < 0


def test_positive_turn_brings_the_left_edge_nearer():
    # Anticlockwise seen from above: y over x along the foot of the plane has the slope tan(turn).
    turn = math.radians(5)
    normal = mirror_normal(0.0, turn)
    y_left, y_right = (-normal[0] * x / normal[1] for x in (-100.0, 100.0))
    assert y_left == pytest.approx(-100 * math.tan(turn))
    assert y_left < 0 < y_right


def test_turn_is_a_rotation_about_z_of_the_leaning_mirror():
    for lean, turn in [(0.02, -0.3), (-0.1, 0.7), (0.3, 1.2)]:
        about_z = Rotation.from_euler("z", turn).as_matrix()
        np.testing.assert_allclose(mirror_normal(lean, turn), about_z @ mirror_normal(lean, 0.0), atol=1e-15)


@given(angles, st.floats(-3.0, 3.0), st.floats(0.01, 100.0))
def test_lean_and_turn_come_back_from_a_normal_of_any_length(lean, turn, length):
    normal = mirror_normal(lean, turn)
    assert np.linalg.norm(normal) == pytest.approx(1.0, abs=1e-12)
    back = lean_turn_of_normal(length * normal)
    assert back == pytest.approx((lean, turn), abs=1e-7)  # asin near +-90 degrees keeps half the digits


# Reflections ------------------------------------------------------------------------------------------


@given(angles, angles, vectors)
def test_reflecting_twice_is_the_identity(lean, turn, plane_point):
    points = np.random.default_rng(1).normal(0, 100, (10, 3))
    normal = mirror_normal(lean, turn)
    once = reflect(points, normal, plane_point)
    np.testing.assert_allclose(reflect(once, normal, plane_point), points, atol=1e-9)
    # The midpoint lies in the plane, the joining line along the normal.
    np.testing.assert_allclose(((points + once) / 2 - plane_point) @ normal, 0, atol=1e-9)
    np.testing.assert_allclose(np.cross(points - once, normal), 0, atol=1e-9)


@given(angles, angles)
def test_a_reflection_has_determinant_minus_one(lean, turn):
    normal = mirror_normal(lean, turn)
    matrix = reflect(np.eye(3), normal, np.zeros(3)).T
    np.testing.assert_allclose(matrix, np.eye(3) - 2 * np.outer(normal, normal), atol=1e-14)
    assert np.linalg.det(matrix) == pytest.approx(-1.0, abs=1e-12)


def test_two_mirrors_turn_by_twice_their_angle():
    # Textbook: the product of two reflections is a rotation by twice the angle between the mirrors
    # about their common line (H. S. M. Coxeter, Introduction to Geometry, 2nd ed. (1969), 3.1; from memory).
    first, second = mirror_normal(0.0, 0.1), mirror_normal(0.0, 0.45)
    both = reflect(reflect(np.eye(3), first, np.zeros(3)), second, np.zeros(3)).T
    np.testing.assert_allclose(both, Rotation.from_euler("z", 2 * 0.35).as_matrix(), atol=1e-14)


def test_reflection_by_hand():
    # A mirror 50 mm behind the origin, square to the floor: y becomes 100 - y.
    image = reflect(np.array([[3.0, -20.0, 7.0]]), mirror_normal(0, 0), np.array([0, 50.0, 0]))
    np.testing.assert_allclose(image, [[3.0, 120.0, 7.0]])


@pytest.mark.parametrize("angle", [1e-9, 1e-6, 0.1, math.pi / 2, 3.0])
def test_angle_between_keeps_small_angles(angle):
    # An arc cosine would give 0 for 1e-9.
    first = np.array([0.0, 2.0, 0.0])
    second = 3.0 * np.array([math.sin(angle), math.cos(angle), 0.0])
    assert angle_between(first, second) == pytest.approx(angle, rel=1e-9)


# Homographies -----------------------------------------------------------------------------------------

HOMOGRAPHY = np.array([[1.2, -0.3, 400.0], [0.2, 0.9, 250.0], [4e-4, -7e-4, 1.0]])


def grid_points():
    x, y = np.meshgrid(np.linspace(-100, 100, 6), np.linspace(-150, 0, 5))
    return np.column_stack([x.ravel(), y.ravel()])


def test_apply_homography_is_opencvs():
    points = grid_points()
    theirs = cv2.perspectiveTransform(points[None], HOMOGRAPHY)[0]
    np.testing.assert_allclose(apply_homography(HOMOGRAPHY, points), theirs, rtol=1e-12)


@pytest.mark.parametrize("count", [4, 5, 30])
def test_exact_points_give_the_exact_homography(count):
    points = grid_points()[:: 30 // count][:count] if count > 5 else grid_points()[[0, 5, 24, 29, 14][:count]]
    found = fit_homography(points, apply_homography(HOMOGRAPHY, points))
    np.testing.assert_allclose(found, HOMOGRAPHY, rtol=1e-6, atol=1e-9)


def test_noisy_points_give_nearly_the_best_homography():
    # OpenCV's findHomography (method 0) minimises the reprojection error after its own linear transform. The
    # best fit's squared movement is 8 sigma^2 in the mean (8 parameters, first order); the plain linear
    # transform gives a little away, a start for the solve may not give away more than a twentieth.
    rng = np.random.default_rng(3)
    points = grid_points()
    pixels = apply_homography(HOMOGRAPHY, points)
    moved_ours, moved_theirs = [], []
    for _ in range(200):
        noisy = pixels + rng.normal(0, 0.1, pixels.shape)
        ours = apply_homography(fit_homography(points, noisy), points)
        theirs = apply_homography(cv2.findHomography(points, noisy, 0)[0], points)
        assert ((theirs - noisy) ** 2).sum() <= ((ours - noisy) ** 2).sum() * (1 + 1e-9)
        moved_ours.append(((ours - pixels) ** 2).sum() / 0.01)
        moved_theirs.append(((theirs - pixels) ** 2).sum() / 0.01)
    # Mean of 200 chi-square(8) values: 8 +- 3 sd of sqrt(16 / 200) = 0.28.
    assert np.mean(moved_theirs) == pytest.approx(8.0, abs=0.85)
    assert np.mean(moved_ours) == pytest.approx(np.mean(moved_theirs), rel=0.05)


def test_homography_of_a_far_small_square_keeps_its_digits():
    # Hartley's normalisation is what keeps this: pixels near (4000, 3000), target in millimetres far away.
    points = np.array([1000.0, 2000.0]) + np.array([[0, 0], [1, 0], [1, 1], [0, 1], [0.5, 0.2]])
    pixels = np.array([4000.0, 3000.0]) + 7.0 * (points - [1000.0, 2000.0])
    found = fit_homography(points, pixels)
    np.testing.assert_allclose(apply_homography(found, points), pixels, atol=1e-5)


def test_hull_holds_all_points_and_ends_at_some():
    points = np.random.default_rng(4).normal(size=(60, 2))
    corners = convex_hull(points)
    expected = ConvexHull(points)
    assert len(corners) == len(expected.vertices)
    np.testing.assert_allclose(sorted(map(tuple, corners)), sorted(map(tuple, points[expected.vertices])))
    middle = corners.mean(axis=0)
    assert inside_convex(middle + 0.999 * (points - middle), corners).all()
    assert not inside_convex(middle + 1.001 * (corners - middle), corners).any()


def test_crossed_is_numpys_cross() -> None:
    """Broadcast as `numpy.cross` does."""
    rng = np.random.default_rng(4)
    a, b = rng.normal(size=(7, 1, 3)), rng.normal(size=(7, 2, 3))
    np.testing.assert_allclose(crossed(a, b), np.cross(a, b), rtol=1e-14, atol=1e-15)

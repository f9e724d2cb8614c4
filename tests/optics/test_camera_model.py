"""Projection against OpenCV, derivatives against finite differences, equivalents against their standard."""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest

from align.optics.camera_model import (
    CAMERA_PARAMETERS,
    CENTRE_SD_SHARE,
    FOCAL_SD_BLIND,
    FULL_FRAME_DIAGONAL_MM,
    Camera,
    camera_from_parameters,
    prior_from_focal,
    project,
    project_with_derivatives,
)

SIZE = (4000, 3000)


def random_camera(rng, strength=1.0):
    """A phone camera with random distortion, k3 and tangential terms included."""
    k1, k2, p1, p2, k3 = strength * rng.normal(0, [0.08, 0.05, 0.002, 0.002, 0.02])
    centre = (1999.5 + rng.normal(0, 30), 1499.5 + rng.normal(0, 30))
    return Camera(float(rng.uniform(2500, 4500)), centre, (k1, k2, p1, p2, k3))


def random_points(rng, count=40):
    """Points before the camera, inside a wide field of view [mm]."""
    depth = rng.uniform(100, 2000, count)
    return (
        np.column_stack([rng.uniform(-0.6, 0.6, count), rng.uniform(-0.45, 0.45, count), np.ones(count)])
        * (depth[:, None])
    )


def project_by_opencv(camera, points):
    """(n, 2) pixels by cv2.projectPoints."""
    still = np.zeros(3)
    pixels, _ = cv2.projectPoints(points, still, still, camera.matrix, np.array(camera.distortion))
    return pixels[:, 0]


# Projection -------------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(8))
def test_projection_is_opencvs(seed):
    # The model itself is OpenCV's (docs.opencv.org, calib3d, "Detailed Description").
    rng = np.random.default_rng(seed)
    camera, points = random_camera(rng), random_points(rng)
    theirs = project_by_opencv(camera, points)
    np.testing.assert_allclose(camera.project(points), theirs, atol=1e-9)
    np.testing.assert_allclose(project_with_derivatives(camera.parameters, points)[0], theirs, atol=1e-9)
    # The distortion matters in this test: it moves points by pixels, not by rounding.
    plain = Camera(camera.focal_px, camera.centre_px).project(points)
    assert np.abs(plain - theirs).max() > 5


def test_projection_by_hand():
    # f = 1000, centre (10, 20): 1 mm aside at 10 mm is 100 px from the centre.
    camera = Camera(1000.0, (10.0, 20.0))
    np.testing.assert_allclose(camera.project(np.array([[1.0, -2.0, 10.0]])), [[110.0, -180.0]], atol=1e-10)


@pytest.mark.parametrize("depth", [0.0, -50.0])
def test_points_behind_the_camera_have_no_pixel(depth):
    pixels = Camera(1000.0, (0.0, 0.0)).project(np.array([[1.0, 1.0, depth], [1.0, 1.0, 10.0]]))
    assert np.isnan(pixels[0]).all()
    assert np.isfinite(pixels[1]).all()


@pytest.mark.parametrize("seed", range(4))
def test_camera_derivatives_are_finite_differences(seed):
    rng = np.random.default_rng(seed)
    camera, points = random_camera(rng), random_points(rng)
    at = camera.parameters
    _, by_camera, by_point = project_with_derivatives(at, points)
    for number, name in enumerate(CAMERA_PARAMETERS):
        step = np.zeros(8)
        step[number] = 1e-3 if "px" in name else 1e-6
        numeric = (project(at + step, points) - project(at - step, points)) / (2 * step[number])
        scale = max(1.0, np.abs(numeric).max())
        np.testing.assert_allclose(by_camera[:, :, number] / scale, numeric / scale, atol=1e-6, err_msg=name)
    for axis in range(3):
        step = 1e-3 * np.eye(3)[axis]
        numeric = (project(at, points + step) - project(at, points - step)) / 2e-3
        scale = np.abs(numeric).max()
        np.testing.assert_allclose(by_point[:, :, axis] / scale, numeric / scale, atol=1e-7)


def test_distortion_derivatives_are_opencvs():
    # cv2.projectPoints returns its own Jacobian: columns rotation 3, translation 3, f 2, c 2, k1 k2 p1 p2 k3.
    rng = np.random.default_rng(5)
    camera, points = random_camera(rng), random_points(rng)
    still = np.zeros(3)
    _, jacobian = cv2.projectPoints(points, still, still, camera.matrix, np.array(camera.distortion))
    jacobian = jacobian.reshape(len(points), 2, -1)
    _, by_camera, by_point = project_with_derivatives(camera.parameters, points)
    np.testing.assert_allclose(by_camera[:, :, 3:8], jacobian[:, :, 10:15], rtol=1e-7, atol=1e-7)
    np.testing.assert_allclose(by_camera[:, :, 1:3], jacobian[:, :, 8:10], atol=1e-12)
    focal = (jacobian[:, :, 6] + jacobian[:, :, 7]) * camera.focal_px
    np.testing.assert_allclose(by_camera[:, :, 0], focal, rtol=1e-9, atol=1e-9)
    np.testing.assert_allclose(by_point, jacobian[:, :, 3:6], rtol=1e-7, atol=1e-9)


def test_parameters_round_trip():
    camera = random_camera(np.random.default_rng(6))
    again = camera_from_parameters(camera.parameters)
    assert again.focal_px == pytest.approx(camera.focal_px, rel=1e-14)
    assert (again.centre_px, again.distortion) == (camera.centre_px, camera.distortion)
    assert camera.with_focal(7.0).focal_px == 7.0


# Undistortion -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(8))
def test_normalise_is_opencvs(seed):
    rng = np.random.default_rng(seed)
    camera = random_camera(rng, strength=0.5)
    pixels = rng.uniform([800, 600], [3200, 2400], (50, 2))
    criteria = (cv2.TERM_CRITERIA_COUNT + cv2.TERM_CRITERIA_EPS, 500, 1e-15)
    undistort = getattr(cv2, "undistortPointsIter", cv2.undistortPoints)  # its name before OpenCV 5
    places = np.ascontiguousarray(pixels[:, None])
    theirs = undistort(places, camera.matrix, np.array(camera.distortion), R=None, P=None, criteria=criteria)
    np.testing.assert_allclose(camera.normalise(pixels), theirs[:, 0], atol=1e-9)


@pytest.mark.parametrize("equivalent_mm", [13, 15, 24, 26, 35])
@pytest.mark.parametrize(
    ("k1", "k2"),
    [(0.05, 0.05), (0.15, 0.0), (0.2, 0.1), (0.3, 0.2), (-0.1, 0.05), (-0.2, 0.1), (-0.3, 0.1), (-0.3, 0.0)],
)
def test_normalise_inverts_strong_distortion_to_the_corners(equivalent_mm, k1, k2):
    # OpenCV's fixed-point iteration is off by hundreds of pixels at the corners of a 13 mm-equivalent photo
    # with the first of these; ultra-wide phone lenses are of 13 to 15 mm.
    focal = 5000 * equivalent_mm / FULL_FRAME_DIAGONAL_MM
    camera = Camera(focal, (1999.5, 1499.5), (k1, k2, 0.001, -0.001, 0.0))
    x, y = np.meshgrid(np.linspace(-2000, 2000, 21) / focal, np.linspace(-1500, 1500, 15) / focal)
    ideal = np.column_stack([x.ravel(), y.ravel()])
    r2 = (ideal**2).sum(axis=1)
    grows = 1 + 3 * k1 * r2 + 5 * k2 * r2**2 > 0.05  # d(r distorted)/dr: beyond its zero there is no inverse
    ideal = ideal[grows]
    assert len(ideal) > 100
    pixels = camera.project(np.column_stack([ideal, np.ones(len(ideal))]))
    np.testing.assert_allclose(camera.normalise(pixels), ideal, atol=1e-10)


def test_normalise_beyond_the_fold_is_finite():
    camera = Camera(1500.0, (1999.5, 1499.5), (-0.3, 0.0, 0.0, 0.0, 0.0))
    assert np.isfinite(camera.normalise(np.array([[0.0, 0.0], [3999.0, 2999.0], [-4000.0, 9000.0]]))).all()


def test_rays_are_unit_vectors_through_the_pixels():
    rng = np.random.default_rng(9)
    camera = random_camera(rng)
    points = random_points(rng)
    rays = camera.rays(camera.project(points))
    np.testing.assert_allclose(rays, points / np.linalg.norm(points, axis=1, keepdims=True), atol=1e-10)


# What EXIF tells ---------------------------------------------------------------------------------------


def test_full_frame_diagonal():
    # CIPA DCG-001 defines the equivalent by the diagonal angle of view; camera-wiki.org: 43.3 mm; 43.27 mm.
    assert abs(FULL_FRAME_DIAGONAL_MM - 43.27) < 0.005


def test_worked_example_of_a_35_mm_equivalent():
    # camera-wiki.org, "35mm equivalent": 25 mm on a frame of 30.2 x 16.7 mm is equivalent to 31 mm (rounded).
    # A photo of that frame at 100 px/mm has the focal length 2500 px.
    prior = prior_from_focal((3020, 1670), 31)
    assert prior.camera.focal_px == pytest.approx(2500, rel=0.5 / 31)


@pytest.mark.parametrize("equivalent_mm", [13.0, 26.0, 77.0])
def test_equivalent_focal_length_keeps_the_diagonal_angle_of_view(equivalent_mm):
    # EXIF tag 41989, FocalLengthIn35mmFilm (CIPA DC-008, section 4.6.5), read by CIPA DCG-001.
    film = 2 * math.atan(FULL_FRAME_DIAGONAL_MM / 2 / equivalent_mm)
    for size in (SIZE, SIZE[::-1], (4032, 2268)):
        focal = prior_from_focal(size, equivalent_mm).camera.focal_px
        assert 2 * math.atan(math.hypot(*size) / 2 / focal) == pytest.approx(film, abs=1e-12)


def test_portrait_has_the_same_focal_length_and_swapped_centre():
    landscape, portrait = prior_from_focal(SIZE, 26.0), prior_from_focal(SIZE[::-1], 26.0)
    assert portrait.mean[0] == landscape.mean[0]
    assert tuple(portrait.mean[1:3]) == tuple(landscape.mean[2:0:-1])
    np.testing.assert_array_equal(portrait.sd, landscape.sd)


def test_centre_is_the_middle_of_the_pixels():
    # Pixel origin: the centre of the top-left pixel, so the middle of two pixels is at 0.5.
    assert tuple(prior_from_focal((2, 1000), 26.0).mean[1:3]) == (0.5, 499.5)


@pytest.mark.parametrize(
    ("equivalent_mm", "crop"), [(None, "whole"), (26.0, "part"), (None, "part"), (26.0, "middle")]
)
def test_without_whole_exif_the_focal_length_is_a_guess(equivalent_mm, crop):
    prior = prior_from_focal(SIZE, equivalent_mm, crop=crop)
    assert (prior.source, prior.sd[0]) == ("guess", FOCAL_SD_BLIND)
    # Two sd of the guess reach from ultra-wide (13 mm) to telephoto lenses (52 mm).
    low, high = np.exp(prior.mean[0] + np.array([-2, 2]) * prior.sd[0]) * FULL_FRAME_DIAGONAL_MM / 5000
    assert low < 13
    assert high > 52
    assert prior.sd[1] == CENTRE_SD_SHARE[crop] * 4000


def test_exif_gives_a_prior_that_covers_a_rounded_equivalent():
    # FocalLengthIn35mmFilm is a whole number of millimetres (CIPA DC-008): half a millimetre of 13 is 3.8 %.
    prior = prior_from_focal(SIZE, 13.0)
    assert prior.source == "exif"
    assert prior.sd[0] > 0.5 / 13.0

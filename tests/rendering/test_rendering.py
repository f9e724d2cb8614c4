"""The renderer against geometry that owes it nothing: pinhole, lens, mirror plane, glass slab, Fresnel."""

from __future__ import annotations

import math
from dataclasses import replace

import cv2
import numpy as np
import pytest

from tests.rendering.analytic.exact import stationary_path
from tests.rendering.analytic.scene import BentMirror
from tests.rendering.analytic.shapes import Bend
from tests.rendering.daylight import flat_world
from tests.rendering.framing import framing_of, phone_camera
from tests.rendering.make_accuracy_set import random_scene
from tests.rendering.phone import PhoneSpec, develop, nominal_focal_px, save
from tests.rendering.scene import build
from tests.rendering.spec import Lamp, Mirror, RenderCamera, SceneSpec
from tests.rendering.trace import picture
from tests.rendering.truth import corners_mm, truth_of

pytest.importorskip("mitsuba")


pytestmark = pytest.mark.render

LAMP_MM = np.array([-20.0, -45.0, 38.0])
GLASS = Mirror(30.0, lean_deg=0.8, turn_deg=-1.5, thickness_mm=5.0)
NO_LAMP = {"day": 0.0, "sheet_name": None}


def lamp_camera(aim_mm: tuple[float, float, float]) -> RenderCamera:
    """A small picture through a long lens."""
    return RenderCamera((60.0, -330.0, 240.0), aim_mm, (320, 240), 3000.0, k1=0.03, k2=-0.02)


def lamp_spec(camera: RenderCamera, mirror: Mirror | None = None) -> SceneSpec:
    lamp = Lamp(tuple(LAMP_MM), radius_mm=0.6, radiance=1.0, colour=(1.0, 1.0, 1.0))
    return SceneSpec(camera, (mirror,) if mirror else (), lamps=(lamp,), **NO_LAMP)


def centroid_and_flux(image: np.ndarray) -> tuple[np.ndarray, float]:
    """Centre [px] and sum of the only light in the picture."""
    light = image.mean(axis=2).astype(float)
    rows, columns = np.indices(light.shape)
    total = light.sum()
    return np.array([(columns * light).sum(), (rows * light).sum()]) / total, float(total)


def opencv_pixels(camera: RenderCamera, points_mm: np.ndarray) -> np.ndarray:
    """Where OpenCV's own projection puts points of the target frame."""
    vector = cv2.Rodrigues(camera.cam_from_target_R)[0]
    pixels, _ = cv2.projectPoints(
        np.atleast_2d(points_mm), vector, camera.cam_from_target_t, camera.matrix, camera.distortion
    )
    return pixels.reshape(-1, 2)


def slab_image(point: np.ndarray, eye: np.ndarray, mirror: Mirror, order: int) -> tuple[np.ndarray, float]:
    """(a point on the line of sight to image `order`, incidence [rad]), by bisection on the angle."""
    a, b = ((p - mirror.foot_point) @ mirror.normal for p in (point, eye))
    along = (point - eye) - ((point - eye) @ mirror.normal) * mirror.normal
    lateral = float(np.linalg.norm(along))
    low, high = 0.0, math.pi / 2 - 1e-9
    for _ in range(80):
        angle = (low + high) / 2
        inside = math.asin(math.sin(angle) / mirror.index)
        reach = (a + b) * math.tan(angle) + 2 * order * mirror.thickness_mm * math.tan(inside)
        low, high = (low, angle) if reach > lateral else (angle, high)
    on_face = eye - b * mirror.normal + b * math.tan(angle) * along / lateral
    return on_face, angle


def strength(order: int, angle: float, mirror: Mirror) -> float:
    """Share of the light in image `order`; the renderer knows no polarisation, so R is the mean of both."""
    inside = math.asin(math.sin(angle) / mirror.index)
    parallel = (math.tan(angle - inside) / math.tan(angle + inside)) ** 2
    across = (math.sin(angle - inside) / math.sin(angle + inside)) ** 2
    share = (parallel + across) / 2
    if order == 0:
        return share
    return (1 - share) ** 2 * mirror.reflectance**order * share ** (order - 1)


@pytest.mark.slow
def test_a_lamp_is_where_opencv_projects_it():
    camera = lamp_camera((-10.0, -30.0, 30.0))
    image = picture(build(lamp_spec(camera), day=0, lamps=True), camera, 6)
    centre, _ = centroid_and_flux(image)
    assert np.abs(centre - opencv_pixels(camera, LAMP_MM)[0]).max() < 0.02


@pytest.mark.parametrize("order", [0, 1, 2])
def test_ghosts_lie_and_shine_as_the_slab_says(order):
    aim, angle = slab_image(LAMP_MM, np.array([60.0, -330.0, 240.0]), GLASS, order)
    camera = lamp_camera(tuple(aim + np.array([2.0, 0.0, 1.0])))
    spec = lamp_spec(camera, GLASS)
    image = picture(build(spec, day=0, lamps=True), camera, 6, ghost_grid=6, orders=(order,))
    centre, flux = centroid_and_flux(image)
    assert np.abs(centre - opencv_pixels(camera, aim)[0]).max() < 0.05
    # The lamp's size in the picture, were it as far as the light has come and the glass were air.
    eye = np.asarray(camera.position_mm)
    heights = (np.array([LAMP_MM, eye]) - GLASS.foot_point) @ GLASS.normal
    distance = heights.sum() / math.cos(angle) + 2 * order * GLASS.thickness_mm / GLASS.index
    disc_px = math.pi * (0.6 * camera.focal_px / distance) ** 2
    assert flux / disc_px == pytest.approx(strength(order, angle, GLASS), rel=0.03)


BENDS = (
    Bend("parabola_across", 0.4),
    Bend("clip_across", -0.15, 0.3),
    Bend("parabola_upright", 0.2),
    Bend("twist", 0.1),
)


@pytest.mark.parametrize("thickness_mm", [0.0, 5.0])
@pytest.mark.parametrize("lamp_mm", [(-20.0, -45.0, 38.0), (45.0, -20.0, 3.0), (10.0, -90.0, 1.0)])
def test_in_a_bent_mirror_a_lamp_is_where_its_optical_path_is_stationary(thickness_mm, lamp_mm):
    mirror = replace(GLASS, thickness_mm=thickness_mm, bends=BENDS)
    eye = np.array([60.0, -330.0, 240.0])
    places = []
    for faces in (mirror.face, replace(mirror.face, bends=())):
        bent = BentMirror(
            mirror.distance_mm, mirror.lean_deg, mirror.turn_deg, faces, mirror.thickness_mm, mirror.index
        )
        places.append(stationary_path(bent, np.array([lamp_mm]), eye)[0, 2] @ bent.axes + bent.foot)
    camera = lamp_camera(tuple(places[0] + np.array([2.0, 0.0, 1.0])))
    lamp = Lamp(lamp_mm, radius_mm=0.6, radiance=1.0, colour=(1.0, 1.0, 1.0))
    spec = SceneSpec(camera, (mirror,), lamps=(lamp,), **NO_LAMP)
    image = picture(build(spec, day=0, lamps=True), camera, 6, orders=(1,))
    centre, _ = centroid_and_flux(image)
    expected, unbent = opencv_pixels(camera, np.array(places))
    assert np.abs(centre - expected).max() < 0.03
    assert np.abs(unbent - expected).max() > 0.5


@pytest.mark.slow
@pytest.mark.parametrize("bow_mm", [0.0, 1.5])
def test_printed_corners_are_where_they_are_projected(bow_mm):
    # A near view through a long lens: a hundredth of a typical photo's pixel is easily seen.
    camera = RenderCamera((30.0, -300.0, 260.0), (-5.0, -70.0, 0.0), (960, 720), 1500.0, k1=0.02)
    spec = SceneSpec(camera, (), sheet_bow_mm=bow_mm)
    grey = cv2.GaussianBlur(picture(flat_world(spec), camera, 4).mean(axis=2), (0, 0), 1.2)
    expected = opencv_pixels(camera, corners_mm(spec))
    found = expected.astype(np.float32).reshape(-1, 1, 2).copy()
    stop = (cv2.TERM_CRITERIA_COUNT + cv2.TERM_CRITERIA_EPS, 100, 1e-4)
    cv2.cornerSubPix((255 * grey / grey.max()).astype(np.float32), found, (8, 8), (-1, -1), stop)
    errors = found.reshape(-1, 2) - expected
    assert np.abs(errors.mean(axis=0)).max() < 0.01
    assert np.sqrt((errors**2).mean()) < 0.03


@pytest.mark.slow
def test_the_print_is_the_sheet_and_not_its_mirror_image():
    from align.target.sheets import marker_bits, sheet_named, white_squares

    sheet = sheet_named("a5")
    camera = RenderCamera((0.0, -72.0, 420.0), (0.0, -71.0, 0.0), (640, 480), 1000.0)
    grey = picture(flat_world(SceneSpec(camera)), camera, 3).mean(axis=2)
    column, row = white_squares(sheet)[0]
    cell = 0.75 * sheet.square_mm / 6
    steps = np.array([[c, r] for r in range(4) for c in range(4)]) * cell + 1.5 * cell
    board = np.array([column, row]) * sheet.square_mm + 0.125 * sheet.square_mm + steps
    pixels = np.round(opencv_pixels(camera, sheet.board_to_target(board))).astype(int)
    bits = (grey[pixels[:, 1], pixels[:, 0]] > grey.max() / 2).astype(int).reshape(4, 4)
    assert (bits == marker_bits(sheet.first_marker)).all()


def test_random_scenes_repeat_and_show_everything():
    assert random_scene(3) == random_scene(3)
    assert all(framing_of(random_scene(number)).complete for number in range(20))


def test_a_finished_photo_says_what_a_phone_says(tmp_path):
    from PIL import Image

    phone = PhoneSpec(turned=True)
    rng = np.random.default_rng(1)
    light = rng.uniform(0.05, 0.9, (60, 80, 3)).astype(np.float32)
    save(develop(light, phone, seed=4), tmp_path / "photo.jpg", phone)
    with Image.open(tmp_path / "photo.jpg") as photo:
        exif = photo.getexif()
        assert photo.size == (80, 60)
        assert exif[0x0112] == 6
        assert exif.get_ifd(0x8769)[0xA405] == 26


def test_the_turned_picture_has_its_own_true_camera():
    camera = phone_camera(
        (0.0, -15.0, 12.0), 500.0, 35.0, rng=np.random.default_rng(2), size_px=(800, 600), roll_deg=90.0
    )
    spec = SceneSpec(camera, (Mirror(30.0),))
    upright = truth_of(spec, PhoneSpec(turned=True))["camera"]["upright"]
    points = corners_mm(spec)
    stored = opencv_pixels(RenderCamera(**{**vars(camera), "k1": 0.0, "k2": 0.0}), points)
    in_camera = points @ np.array(upright["cam_from_target_R"]).T + upright["cam_from_target_t_mm"]
    x = upright["fx_px"] * in_camera[:, 0] / in_camera[:, 2] + upright["cx_px"]
    y = upright["fy_px"] * in_camera[:, 1] / in_camera[:, 2] + upright["cy_px"]
    assert np.allclose(np.column_stack([x, y]), np.column_stack([599 - stored[:, 1], stored[:, 0]]), atol=1e-6)
    assert (np.diff(y[::9]) > 0).all()  # the turned picture is the right way up: nearer rows lie lower
    assert upright["fx_px"] == pytest.approx(nominal_focal_px((800, 600)), rel=0.03)

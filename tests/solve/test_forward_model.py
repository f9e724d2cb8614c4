"""The forward model against a ray tracer of its own, finite differences and its limits."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from align.optics.geometry import mirror_normal, reflect, rotation_from_vector
from align.optics.slab import virtual_point
from align.solve.forward_model import DIRECT, Layout, State, bow_basis, offset_of_distance, predict
from align.solve.reflection import mirror_image
from align.solve.simulate import look_at
from align.target.sheets import SHEETS, corners_target

SHEET = SHEETS["a5"]
POINTS = corners_target(SHEET)
HALF = (SHEET.squares_x * SHEET.square_mm / 2, SHEET.squares_y * SHEET.square_mm / 2)
BASIS = bow_basis(POINTS, HALF, -SHEET.contact_margin_mm - HALF[1])


def state_of(rng, *, mirrors=2, photos=2, thickness=4.0):
    """A likely scene: phone cameras half a metre away, mirrors some centimetres behind the sheet."""
    layout = Layout(mirrors, photos)
    vector = np.zeros(layout.size)
    vector[layout.camera] = [math.log(3000), 1990, 1510, 0.05, -0.03, 5e-4, -4e-4, 0.01]
    vector[layout.index] = 1.52
    vector[layout.bow] = [0.4, -0.7, 0.3]
    for mirror in range(mirrors):
        vector[layout.mirror(mirror)] = [*rng.normal(0, 0.05, 2), rng.uniform(10, 60), thickness]
    rotations = []
    for photo in range(photos):
        eye = np.array([rng.uniform(-150, 150), rng.uniform(-600, -400), rng.uniform(150, 400)])
        rotation, translation = look_at(eye, np.array([0.0, -30.0, 0.0]), float(rng.normal(0, 0.1)))
        rotations.append(rotation)
        vector[layout.pose(photo)] = [0, 0, 0, *translation]
    return State(layout, vector, tuple(rotations))


# Layout and poses --------------------------------------------------------------------------------------


@pytest.mark.parametrize(("mirrors", "photos"), [(0, 1), (1, 1), (2, 3)])
def test_every_parameter_has_one_place_and_one_name(mirrors, photos):
    layout = Layout(mirrors, photos)
    indices = [*range(layout.size)[layout.camera], layout.index]
    indices += [*range(layout.size)[layout.reshape], *range(layout.size)[layout.bow]]
    for mirror in range(mirrors):
        indices += range(layout.size)[layout.mirror(mirror)]
    for photo in range(photos):
        indices += range(layout.size)[layout.pose(photo)]
    assert indices == list(range(layout.size))
    assert len(layout.names) == len(set(layout.names)) == layout.size
    assert layout.names[layout.index] == "glass_index"
    if mirrors:
        assert layout.names[layout.mirror(mirrors - 1).start] == f"lean_rad[{mirrors - 1}]"


def test_steps_compose_rotations_on_the_left():
    state = state_of(np.random.default_rng(0))
    step = np.zeros(state.layout.size)
    turn = np.array([0.2, -0.5, 0.3])
    step[state.layout.pose(1)] = [*turn, 1.0, 2.0, 3.0]
    moved = state.stepped(step)
    expected = Rotation.from_rotvec(turn).as_matrix() @ state.rotations[1]
    np.testing.assert_allclose(moved.rotations[1], expected, atol=1e-12)
    np.testing.assert_array_equal(moved.rotations[0], state.rotations[0])
    where = state.layout.pose(1)
    np.testing.assert_array_equal(moved.vector[where][:3], 0)
    np.testing.assert_allclose(moved.vector[where][3:], np.add(state.vector[where][3:], [1, 2, 3]))
    np.testing.assert_array_equal(state.vector[where][:3], 0)  # the first state is untouched


def test_the_eye_is_where_the_camera_is():
    state = state_of(np.random.default_rng(1))
    rotation, translation = state.cam_from_target(0)
    np.testing.assert_allclose(rotation @ state.eye(0) + translation, 0, atol=1e-9)


# The bow of the sheet ----------------------------------------------------------------------------------


def test_bow_leaves_the_sheets_mean_plane_alone():
    # Over the whole area of the squares (a fine midpoint grid): no height, no slope left.
    u, v = np.meshgrid((np.arange(400) + 0.5) / 200 - 1, (np.arange(400) + 0.5) / 200 - 1)
    centre = -SHEET.contact_margin_mm - HALF[1]
    points = np.column_stack([u.ravel() * HALF[0], v.ravel() * HALF[1] + centre, np.zeros(u.size)])
    heights = bow_basis(points, HALF, centre)
    plane = np.column_stack([np.ones(u.size), u.ravel(), v.ravel()])
    np.testing.assert_allclose(plane.T @ heights / u.size, 0, atol=1e-5)
    assert (np.abs(heights).max(axis=0) > 0.6).all()


def test_bow_is_a_sagitta_in_millimetres():
    centre = -SHEET.contact_margin_mm - HALF[1]
    middle, edge = np.array([[0.0, centre, 0.0]]), np.array([[HALF[0], centre, 0.0]])
    risen = bow_basis(edge, HALF, centre) - bow_basis(middle, HALF, centre)
    np.testing.assert_allclose(risen, [[1, 0, 0]])


# Derivatives -------------------------------------------------------------------------------------------


@pytest.mark.parametrize("order", [0, 1, 2])
@pytest.mark.parametrize("mirror", [DIRECT, 0, 1])
@pytest.mark.parametrize(("seed", "edited"), [(0, False), (1, True)])
def test_all_derivatives_are_finite_differences(seed, edited, mirror, order):
    rng = np.random.default_rng(seed)
    state = state_of(rng)
    if edited:
        state.vector[state.layout.reshape] = [0.08, -0.05]
    photo = 1
    _, jacobian = predict(state, photo, mirror, POINTS, BASIS, order)
    for number, name in enumerate(state.layout.names):
        size = 1e-3 if "mm" in name or "px" in name else 1e-5
        step = np.zeros(state.layout.size)
        step[number] = size
        ahead, _ = predict(state.stepped(step), photo, mirror, POINTS, BASIS, order)
        behind, _ = predict(state.stepped(-step), photo, mirror, POINTS, BASIS, order)
        numeric = (ahead - behind) / (2 * size)
        scale = max(np.abs(numeric).max(), 1.0)
        np.testing.assert_allclose(jacobian[:, :, number] / scale, numeric / scale, atol=2e-7, err_msg=name)


def test_what_plays_no_part_has_no_derivative():
    state = state_of(np.random.default_rng(2))
    layout = state.layout
    _, direct = predict(state, 0, DIRECT, POINTS, BASIS)
    assert not direct[:, :, layout.index].any()
    assert not direct[:, :, layout.mirror(0)].any()
    assert not direct[:, :, layout.pose(1)].any()
    _, reflected = predict(state, 0, 1, POINTS, BASIS)
    assert not reflected[:, :, layout.mirror(0)].any()
    assert np.abs(reflected[:, :, layout.mirror(1)]).max(axis=(0, 1)).min() > 1  # px per rad, mm
    _, front = predict(state, 0, 1, POINTS, BASIS, order=0)
    assert not front[:, :, layout.mirror(1)][:, :, 3].any()  # the front face's ghost knows no thickness


@pytest.mark.parametrize("order", [1, 2])
def test_mirror_image_derivatives_square_on(order):
    # Straight above the point the lateral distance is 0: the one place where a square root could break.
    point, eye = np.array([[0.0, -40.0, 10.0]]), np.array([0.0, -400.0, 10.0])
    mirror = np.array([0.0, 0.0, 20.0, 4.0])
    seen, derivatives = mirror_image(point, eye, mirror, 1.52, order)
    np.testing.assert_allclose(seen, [[0, 20 + 60 + order * 8 / 1.52, 10]], atol=1e-6)
    assert np.isfinite(derivatives).all()
    # By hand: the image moves with the front face twice, against the point once, and 2 k / n per thickness.
    np.testing.assert_allclose(derivatives[0, 1, [2, 3, 9]], [2, 2 * order / 1.52, -1], atol=1e-6)


# The image against a tracer ----------------------------------------------------------------------------


def refract(direction, normal, ratio):
    """Snell's law for unit vectors; `normal` against the ray; ratio = n before / n behind."""
    cosine = -direction @ normal
    inside = 1 - ratio**2 * (1 - cosine**2)
    return ratio * direction + (ratio * cosine - math.sqrt(inside)) * normal


def trace_from_eye(eye, direction, normal, face_point, thickness, index, passes):
    """A ray from the eye into the glass: where and whereto it leaves, after `passes` to the silvering."""

    def run_to(place, way, plane_point):
        return place + way * (((plane_point - place) @ normal) / (way @ normal))

    place = run_to(eye, direction, face_point)
    if passes == 0:
        return place, direction - 2 * (direction @ normal) * normal
    way = refract(direction, normal, 1 / index)
    for number in range(passes):
        place = run_to(place, way, face_point - thickness * normal)  # silvering
        way = way - 2 * (way @ normal) * normal
        place = run_to(place, way, face_point)
        if number < passes - 1:  # an inner reflection at the front face
            way = way - 2 * (way @ normal) * normal
    return place, refract(way, -normal, index)


@pytest.mark.parametrize("order", [0, 1, 2, 3])
@pytest.mark.parametrize("seed", range(4))
def test_the_line_of_sight_traced_through_the_glass_meets_the_corner(seed, order):
    rng = np.random.default_rng(seed)
    lean, turn = rng.normal(0, 0.15, 2)
    distance, thickness, index = rng.uniform(5, 80), rng.uniform(1, 8), rng.uniform(1.45, 1.6)
    eye = np.array([rng.uniform(-300, 300), rng.uniform(-700, -300), rng.uniform(60, 500)])
    offset = offset_of_distance(lean, turn, distance)
    seen, _ = mirror_image(POINTS, eye, np.array([lean, turn, offset, thickness]), index, order)
    normal, face = mirror_normal(lean, turn), np.array([0.0, distance, 0.0])
    for point, image in zip(POINTS, seen, strict=True):
        sight = (image - eye) / np.linalg.norm(image - eye)
        place, way = trace_from_eye(eye, sight, normal, face, thickness, index, order)
        to_point = point - place
        assert to_point @ way > 0
        assert np.linalg.norm(to_point - (to_point @ way) * way) < 1e-9 * np.linalg.norm(to_point) + 1e-9


def test_taking_the_glass_for_a_plane_mirror_would_be_seen():
    # The tracer is sensitive enough: the image in the silvering alone misses the corner by a millimetre.
    eye, normal, face = np.array([0.0, -500.0, 250.0]), mirror_normal(0, 0), np.array([0.0, 10.0, 0.0])
    image = reflect(POINTS[:1], normal, face - 4.0 * normal)[0]
    sight = (image - eye) / np.linalg.norm(image - eye)
    place, way = trace_from_eye(eye, sight, normal, face, 4.0, 1.52, 1)
    to_point = POINTS[0] - place
    assert np.linalg.norm(to_point - (to_point @ way) * way) > 0.5


def test_mirror_image_is_the_optics_modules():
    eye, mirror = np.array([50.0, -500.0, 250.0]), np.array([0.03, -0.2, 30.0, 5.0])
    for order in (0, 1, 2):
        seen, _ = mirror_image(POINTS, eye, mirror, 1.52, order)
        expected = virtual_point(
            POINTS,
            eye,
            normal=mirror_normal(*mirror[:2]),
            plane_point=-mirror[2] * mirror_normal(*mirror[:2]),
            thickness_mm=mirror[3],
            order=order,
        )
        np.testing.assert_allclose(seen, expected, atol=1e-8)


# Prediction --------------------------------------------------------------------------------------------


def test_front_coated_prediction_is_a_reflected_target():
    state = state_of(np.random.default_rng(4), thickness=0.0)
    layout = state.layout
    lean, turn, offset, _ = state.vector[layout.mirror(0)]
    normal = mirror_normal(lean, turn)
    bowed = POINTS + np.column_stack([0 * BASIS[:, :2], BASIS @ state.vector[layout.bow]])
    mirrored = reflect(bowed, normal, -offset * normal)
    flat = state.vector.copy()
    flat[layout.bow] = 0
    still = State(layout, flat, state.rotations)
    expected, _ = predict(still, 0, DIRECT, mirrored, BASIS)
    found, _ = predict(state, 0, 0, POINTS, BASIS)
    np.testing.assert_allclose(found, expected, atol=1e-8)


def test_look_at_puts_the_aim_on_the_axis_and_keeps_the_camera_upright():
    eye, aim = np.array([100.0, -500.0, 300.0]), np.array([5.0, -30.0, 0.0])
    rotation, translation = look_at(eye, aim)
    np.testing.assert_allclose(rotation @ aim + translation, [0, 0, np.linalg.norm(aim - eye)], atol=1e-9)
    assert np.linalg.det(rotation) == pytest.approx(1)
    assert (rotation @ [0, 0, 1])[1] < 0  # up in the world is up in the photo: negative y
    rolled, _ = look_at(eye, aim, 0.3)
    np.testing.assert_allclose(rolled, rotation_from_vector(np.array([0, 0, -0.3])) @ rotation, atol=1e-12)

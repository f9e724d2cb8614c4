"""The bisector rule, the reflected run, the kink of an error; against geometry and textbook cases."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from align.optics.geometry import angle_between, mirror_normal, reflect
from align.planning.bend import (
    needed_turn,
    plan_path,
    recommended_tolerance_deg,
    runs_on_direction,
    seen_angle,
)
from align.planning.bodies import Box
from align.planning.scene import Floor, Mirror, Path, Scene, Viewers
from align.planning.street import (
    band,
    before_glass,
    carried_to_glass,
    edges_to_glass,
    heading_of,
    heading_vector,
    on_floor,
    path_points,
)
from align.planning.thresholds import EYE_RESOLVES, JUST_SEEN_BEND

EYES = np.array([[0.0, -800.0, 400.0], [200.0, -600.0, 250.0]])


def scene_with(mirror, *paths, blockers=()):
    floor = Floor((-600.0, 600.0, -200.0, 1200.0), 900.0)
    return Scene("s", mirror, floor, Viewers((-100.0, 100.0, -900.0, -500.0)), blockers=blockers, paths=paths)


def straight(heading, end=(0.0, 500.0), length=400.0, run_on=None, width=0.0):
    end = np.array(end)
    return Path("p", np.vstack([end - length * heading_vector(heading)[:2], end]), width, 0.0, run_on)


angles = st.floats(-1.0, 1.0)


@given(arrives=angles, wanted=angles)
def test_bisector_rule_by_reflecting_points(arrives, wanted):
    """Points of the arriving path, mirrored, lie on the line that leaves with the wanted heading."""
    normal = mirror_normal(0.0, needed_turn(arrives, wanted))
    before = -np.linspace(0.0, 300.0, 7)[:, None] * heading_vector(arrives)
    images = reflect(before, normal, np.zeros(3))
    assert np.allclose(images, np.linspace(0.0, 300.0, 7)[:, None] * heading_vector(wanted), atol=1e-9)
    assert np.allclose(runs_on_direction(heading_vector(arrives), normal), heading_vector(wanted), atol=1e-12)


@given(turn=st.floats(-0.6, 0.6), error=st.floats(-0.2, 0.2))
def test_a_mirror_turned_by_an_angle_turns_the_image_by_twice_that(turn, error):
    """E. Hecht, Optics, 5th ed., section 5.4.1 (the rotating mirror, optical lever); from memory."""
    arriving = heading_vector(0.1)
    first = runs_on_direction(arriving, mirror_normal(0.0, turn))
    second = runs_on_direction(arriving, mirror_normal(0.0, turn + error))
    assert angle_between(first, second) == pytest.approx(2 * abs(error), abs=1e-12)


def test_heading_is_anticlockwise_from_above_like_turn():
    assert np.allclose(heading_vector(math.pi / 2), [-1, 0, 0])
    assert heading_of(heading_vector(0.7)) == pytest.approx(0.7)
    assert np.allclose(-mirror_normal(0.0, 0.3), heading_vector(0.3))


def test_plan_reports_needed_turn_and_kink():
    path = straight(math.radians(10), run_on=math.radians(-20))
    planned = plan_path(scene_with(Mirror((0, 500), 300, 200, turn=math.radians(-3), glass_mm=0), path), path, EYES)
    assert math.degrees(planned.needed_turn) == pytest.approx(-5.0)
    assert math.degrees(planned.runs_on) == pytest.approx(-16.0)
    assert math.degrees(planned.kink) == pytest.approx(4.0)  # twice the 2 degrees that the turn is off
    turned = scene_with(Mirror((0, 500), 300, 200, turn=planned.needed_turn, glass_mm=0), path)
    assert plan_path(turned, path, EYES).kink == pytest.approx(0.0, abs=1e-12)


def test_without_a_wish_the_path_runs_straight_on():
    path = straight(math.radians(8))
    planned = plan_path(scene_with(Mirror((0, 500), 300, 200, glass_mm=0), path), path, EYES)
    assert planned.wanted == pytest.approx(planned.arrives)
    assert math.degrees(planned.needed_turn) == pytest.approx(8.0)


def test_lean_makes_the_reflected_floor_rise_by_twice_itself():
    path = straight(0.0)
    mirror = Mirror((0, 500), 300, 200, lean=math.radians(1.5), glass_mm=0)
    planned = plan_path(scene_with(mirror, path), path, EYES)
    assert math.degrees(planned.rise) == pytest.approx(3.0)
    image = reflect(np.array([[0.0, 300.0, 0.0]]), mirror.normal, mirror.foot_point)
    assert image[0, 2] > 0  # top towards the viewer: the image of the floor rises


def test_run_ends_where_the_upper_edge_cuts_it_off():
    """Similar triangles: over an edge at H, an eye at h, D before the glass, sees D H / (h - H) past it."""
    path = straight(0.0, length=480.0)
    tall = Mirror((0, 500), 300, 120, glass_mm=0)
    assert 1300.0 * 120 / (400 - 120) > 480.0  # both eyes see the whole path
    assert plan_path(scene_with(tall, path), path, EYES).run_mm == pytest.approx([480.0, 480.0], abs=4.0)
    shorter = Mirror((0, 500), 300, 90, glass_mm=0)
    planned = plan_path(scene_with(shorter, path), path, EYES)
    expected = [1300.0 * 90 / (400 - 90), min(1100.0 * 90 / (250 - 90), 480.0)]
    assert planned.run_mm == pytest.approx(expected, abs=4.0)
    assert planned.longest_run_mm == pytest.approx(480.0, abs=4.0)


@pytest.mark.parametrize(
    ("height", "blockers", "ends"),
    [
        (60.0, (), "frame"),
        (400.0, (), "beginning"),
        (400.0, (Box("wall", (0, 100), (200, 10, 100)),), "blocked"),
    ],
)
def test_run_says_why_it_ends(height, blockers, ends):
    path = straight(0.0, length=480.0)
    scene = scene_with(Mirror((0, 500), 300, height, glass_mm=0), path, blockers=blockers)
    assert plan_path(scene, path, EYES).run_ends == ends


def test_meeting_point_aside_and_spare_glass():
    path = straight(math.radians(0), end=(40.0, 430.0), width=60.0)  # stops short: it is carried on to the glass
    planned = plan_path(scene_with(Mirror((-10, 500), 200, 100, glass_mm=0), path), path, EYES)
    assert planned.meets_mm == pytest.approx([40.0, 500.0])
    assert planned.aside_mm == pytest.approx(50.0)
    assert planned.spare_mm == pytest.approx(100 - 50 - 30)
    # Aslant the path's footprint on the glass is wider: 60 / cos(30 deg).
    aslant = straight(math.radians(30), width=60.0)
    planned = plan_path(scene_with(Mirror((0, 500), 200, 100, glass_mm=0), aslant), aslant, EYES)
    assert planned.spare_mm == pytest.approx(100 - 30 / math.cos(math.radians(30)))


def test_a_path_that_runs_away_from_the_glass_never_meets_it():
    path = Path("away", np.array([[0.0, 400.0], [0.0, 0.0]]))
    assert plan_path(scene_with(Mirror((0, 500), 200, 100), path), path, EYES) is None


def arc(radius, sweep, end=(30.0, 500.0)):
    """Three points of an arc that arrives at `end` with heading 0, its centre to the left."""
    centre = np.array([end[0] - radius, end[1]])
    angles = -np.array([sweep, sweep / 2, 0.0])
    return centre + radius * np.column_stack([np.cos(angles), np.sin(angles)])


def test_an_arc_that_meets_the_glass_square_goes_on_as_the_same_arc():
    points = arc(900.0, 0.5)
    path = Path("bend", points)
    scene = scene_with(Mirror((0, 500), 300, 200, glass_mm=0), path)
    planned = plan_path(scene, path, EYES)
    assert planned.arrives == pytest.approx(0.0, abs=2e-3)  # the last 2 mm of the sampled arc
    assert planned.kink == pytest.approx(0.0, abs=4e-3)
    met = carried_to_glass(path, scene.mirror)[0]
    images = reflect(on_floor(met), scene.mirror.normal, scene.mirror.foot_point)[:, :2]
    assert np.allclose(np.linalg.norm(images - [30.0 - 900.0, 500.0], axis=1), 900.0, atol=1e-6)
    assert np.all(images[:, 1] >= 500.0)


def test_three_points_make_their_arc_whichever_way_it_bends():
    for sign in (1.0, -1.0):
        given = np.array([[0.0, 0.0], [sign * 20.0, 150.0], [sign * 80.0, 300.0]])
        points = path_points(Path("a", given))
        assert np.abs(points[:, None] - given[None]).sum(axis=2).min(axis=0).max() < 1.1
        steps = np.linalg.norm(np.diff(points, axis=0), axis=1)
        assert steps.max() < 2.1
        turning = np.diff(np.unwrap(np.arctan2(*np.diff(points, axis=0).T)))
        assert np.allclose(turning, turning[0], atol=1e-9)  # constant curvature


def test_three_points_in_line_are_a_straight_path():
    points = path_points(Path("a", np.array([[0.0, 0.0], [0.0, 100.0], [0.0, 300.0]])))
    assert np.allclose(points[:, 0], 0.0)


def test_band_keeps_its_width():
    left, right = band(path_points(Path("a", arc(600.0, 0.4))), 50.0)
    assert np.allclose(np.linalg.norm(left - right, axis=1), 50.0, atol=1e-9)


def test_edges_end_on_the_glass_and_join_their_images():
    mirror = Mirror((0, 500), 300, 200, turn=0.3, glass_mm=0)
    met = carried_to_glass(straight(0.0), mirror)[0]
    for edge in edges_to_glass(met, 60.0, mirror):
        gap = (np.append(edge[-1], 0.0) - mirror.foot_point) @ mirror.normal
        assert gap == pytest.approx(0.0, abs=1e-9)
        assert np.allclose(edge[:, 0], edge[0, 0])
        assert np.all((on_floor(edge) - mirror.foot_point) @ mirror.normal > -1e-9)


def test_polygons_are_cut_at_the_mirrors_plane():
    mirror = Mirror((0, 500), 300, 200, glass_mm=0)
    square = np.array([[0, 400, 0], [100, 400, 0], [100, 600, 0], [0, 600, 0]], float)
    cut = before_glass(square, mirror)
    assert cut[:, 1].max() == pytest.approx(500.0)
    x, y = cut[:, 0], cut[:, 1]
    assert 0.5 * abs(x @ np.roll(y, -1) - y @ np.roll(x, -1)) == pytest.approx(100.0 * 100.0)
    assert len(before_glass(square + np.array([0, 200, 0]), mirror)) == 0


def test_seen_angle_is_the_angle_in_a_picture():
    """Against a pinhole picture: two floor lines through one point, photographed and measured."""
    eye = np.array([[100.0, -700.0, 350.0]])
    at = np.array([20.0, 500.0, 0.0])
    first, second = heading_vector(0.2), heading_vector(-0.1)
    forward = (at - eye[0]) / np.linalg.norm(at - eye[0])
    right = np.cross(forward, [0, 0, 1]) / np.linalg.norm(np.cross(forward, [0, 0, 1]))
    up = np.cross(right, forward)

    def pixel(point):
        d = point - eye[0]
        return np.array([d @ right, d @ up]) / (d @ forward)

    u, v = (pixel(at + 1e-3 * way) - pixel(at) for way in (first, second))
    angle = abs(math.atan2(u[0] * v[1] - u[1] * v[0], u @ v))
    assert seen_angle(eye, at, first, second)[0] == pytest.approx(angle, rel=1e-5)


def test_tolerance_is_the_error_that_is_just_noticed():
    """A turn off by the tolerance bends the seen line by a degree and moves its far end by an arcminute,
    whichever comes last; one eye, a line without width."""
    path = straight(0.0, length=450.0)
    mirror = Mirror((0, 500), 400, 400, glass_mm=0)
    for eye in (np.array([[0.0, -900.0, 60.0]]), np.array([[0.0, -300.0, 700.0]])):
        planned = plan_path(scene_with(mirror, path), path, eye)
        error = planned.turn_tolerance
        wrong = runs_on_direction(heading_vector(0.0), mirror_normal(0.0, error))
        at, run = np.array([0.0, 500.0, 0.0]), planned.run_mm[0]
        bend = seen_angle(eye, at, heading_vector(0.0), wrong)[0] / JUST_SEEN_BEND
        shift = angle_between(at + run * heading_vector(0.0) - eye[0], at + run * wrong - eye[0]) / EYE_RESOLVES
        assert min(bend, shift) == pytest.approx(1.0, rel=0.02)
    assert bend == pytest.approx(1.0, rel=0.02)  # the high eye: the bend decides; the low one: the arcminute


def test_lean_of_a_path_straight_ahead_shows_at_its_edges_only():
    narrow, wide = straight(0.0, length=450.0), straight(0.0, length=450.0, width=150.0)
    eye = np.array([[0.0, -700.0, 300.0]])
    mirror = Mirror((0, 500), 400, 400, glass_mm=0)
    without = plan_path(scene_with(mirror, narrow), narrow, eye).lean_tolerance
    within = plan_path(scene_with(mirror, wide), wide, eye).lean_tolerance
    assert without > 100 * within
    assert math.degrees(within) < 2.0


def test_recommended_tolerance_is_the_tightest_rounded_down():
    paths = [straight(0.0, length=450.0, width=w) for w in (40.0, 150.0)]
    mirror = Mirror((0, 500), 400, 400, glass_mm=0)
    planned = tuple(plan_path(scene_with(mirror, path), path, EYES) for path in paths)
    tightest = math.degrees(min(path.tolerance for path in planned))
    recommended = recommended_tolerance_deg(planned)
    assert tightest - 0.01 < recommended <= tightest
    assert recommended_tolerance_deg(()) is None


def test_far_end_of_an_error_is_the_run_times_tan_of_twice_the_error():
    path = straight(0.0, length=450.0)
    planned = plan_path(scene_with(Mirror((0, 500), 400, 400, glass_mm=0), path), path, EYES)
    expected = planned.longest_run_mm * math.tan(math.radians(1.0))
    assert planned.far_end_mm(math.radians(0.5)) == pytest.approx(expected)


def test_thick_glass_sets_an_aslant_path_aside_and_a_square_one_not():
    eye = np.array([[0.0, -700.0, 300.0]])
    square, aslant = straight(0.0), straight(math.radians(20), run_on=math.radians(-20))
    mirror = Mirror((0, 500), 400, 400, glass_mm=6.0)
    assert plan_path(scene_with(mirror, square), square, eye).jog_mm == pytest.approx(0.0, abs=1e-9)
    jog = plan_path(scene_with(mirror, aslant), aslant, eye).jog_mm
    # Depth between 2 t / n (square on) and a little less; its part across the path: sin 20 deg.
    assert 0.85 * 12 / 1.52 * math.sin(math.radians(20)) < jog <= 12 / 1.52 * math.sin(math.radians(20))

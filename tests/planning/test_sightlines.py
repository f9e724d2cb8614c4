"""Sightlines by hand, by brute force and by Fermat; a textbook mirror."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from align.optics.slab import virtual_point
from align.planning.bodies import Box, panel
from align.planning.reflections import seen_pairwise, ways
from align.planning.scene import Mirror
from align.planning.sightlines import (
    blocked,
    crosses_mirror,
    first_hit,
    mirror_legs,
    reflected_rays,
    seen_direct,
    seen_in_mirror,
)

EYE = np.array([[0.0, -1000.0, 300.0]])
POINT = np.array([[0.0, 200.0, 100.0]])
MIRROR = Mirror((0.0, 500.0), 200.0, 200.0, 0.0, glass_mm=0.0)


def own_points_seen(eyes, offsets, boxes, mirror):
    """(e, k) whether each eye sees the points at `offsets` from itself in the mirror."""
    (way,) = ways([mirror])
    return np.stack([seen_pairwise(way, eyes, eyes + offset, boxes, [mirror]) for offset in offsets], axis=1)


def test_a_wall_between_blocks_and_one_aside_does_not():
    assert blocked(EYE, POINT, [panel("w", (-50, 0), (50, 0), 0, 400)])[0]
    assert not blocked(EYE, POINT, [panel("w", (10, 0), (50, 0), 0, 400)])[0]
    assert not blocked(EYE, POINT, [panel("w", (-50, 0), (50, 0), 0, 100)])[0]  # the line passes at 133 mm
    assert blocked(EYE, POINT, [panel("w", (-50, 0), (50, 0), 0, 134)])[0]


def test_a_point_on_a_face_is_seen_from_outside_and_hidden_from_behind():
    box = Box("b", (0.0, 250.0), (100.0, 100.0, 200.0))
    assert not blocked(EYE, POINT, [box])[0]  # its front face is at y = 200, where the point lies
    assert blocked(EYE, POINT + np.array([0.0, 100.0, 0.0]), [box])[0]


def test_a_line_within_a_slab_of_the_box_is_judged_by_the_other_axes():
    start, end = (
        np.array([[0.0, 0.0, 50.0]]),
        np.array([[0.0, 100.0, 50.0]]),
    )  # parallel to two pairs of faces
    assert blocked(start, end, [Box("b", (0.0, 50.0), (10.0, 10.0, 100.0))])[0]
    assert not blocked(start, end, [Box("b", (20.0, 50.0), (10.0, 10.0, 100.0))])[0]


def sampled_inside(start, end, box):
    """Brute force: whether any of many points along the line lies inside the box."""
    points = start + np.linspace(0.0005, 0.9995, 4001)[:, None] * (end - start)
    own = box.to_own_frame(points)
    return bool(np.any(np.all((own > box.low) & (own < box.high), axis=1)))


@settings(max_examples=300, deadline=None)
@given(seed=st.integers(0, 2**32 - 1))
def test_blocked_agrees_with_points_along_the_line(seed):
    rng = np.random.default_rng(seed)
    start, end = rng.uniform(-200, 200, (2, 3))
    box = Box(
        "b",
        tuple(rng.uniform(-150, 150, 2)),
        tuple(rng.uniform(10, 200, 3)),
        rng.uniform(-150, 50),
        rng.uniform(-4, 4),
    )
    mine = bool(blocked(start[None], end[None], [box])[0])
    if mine != sampled_inside(start, end, box):
        # Only a corner cut finer than the samples may differ: the box made 1 mm smaller is then missed.
        shrunk = Box("s", box.centre_mm, tuple(s - 1 for s in box.size_mm), box.base_mm + 0.5, box.turn)
        assert mine
        assert not blocked(start[None], end[None], [shrunk])[0]


def test_batches_give_what_single_lines_give():
    rng = np.random.default_rng(1)
    starts, ends = rng.uniform(-300, 300, (2, 40_000, 3))
    boxes = [Box(str(k), tuple(rng.uniform(-200, 200, 2)), (80, 50, 90), 0.0, 0.3 * k) for k in range(4)]
    some = rng.choice(40_000, 300, replace=False)
    single = [any(blocked(starts[i : i + 1], ends[i : i + 1], [box])[0] for box in boxes) for i in some]
    assert np.array_equal(blocked(starts, ends, boxes)[some], single)


def test_the_mirror_itself_hides_what_is_behind_it():
    behind = np.array([[0.0, 700.0, 50.0], [400.0, 700.0, 50.0]])
    assert list(crosses_mirror(np.repeat(EYE, 2, axis=0), behind, MIRROR)) == [True, False]
    assert list(seen_direct(EYE, behind, [], MIRROR)[0]) == [False, True]


def test_a_finite_mirror_shows_what_its_edge_lets_through():
    # Image of a point at height z, 300 mm before the glass, eye 1500 mm before it at 300: the line crosses
    # the face at z + (300 - z) 300 / 1800.
    heights = np.array([60.0, 175.0, 185.0])
    points = np.column_stack([np.zeros(3), np.full(3, 200.0), heights])
    crossing = heights + (300.0 - heights) * 300.0 / 1800.0
    assert list(seen_in_mirror(EYE, points, [], MIRROR)[0]) == list(crossing <= 200.0)


def test_each_leg_can_be_blocked():
    near_eye = panel("n", (-50, -500), (50, -500), 0, 1000)
    near_point = panel("p", (-50, 300), (50, 300), 0, 109)  # the second leg passes here lower than the first
    assert seen_in_mirror(EYE, POINT, [], MIRROR)[0, 0]
    assert not seen_in_mirror(EYE, POINT, [near_eye], MIRROR)[0, 0]
    legs = mirror_legs(EYE, POINT, MIRROR)
    share = (300 - 200) / (legs.exit_mm[0, 0, 1] - 200)
    assert 100 + share * (legs.exit_mm[0, 0, 2] - 100) > 109
    assert seen_in_mirror(EYE, POINT, [near_point], MIRROR)[0, 0]
    assert not seen_in_mirror(EYE, POINT, [panel("p", (-50, 300), (50, 300), 0, 130)], MIRROR)[0, 0]


def test_points_behind_the_mirror_are_never_seen_in_it():
    assert not seen_in_mirror(EYE, np.array([[0.0, 520.0, 100.0]]), [], MIRROR)[0, 0]


def optical_path(entry, exit_, eye, point, mirror):
    """Length of a path through given points of the front face, the silvering hit half-way: Fermat's sum."""
    lateral = np.linalg.norm(entry - exit_) / 2
    in_glass = 2 * math.hypot(mirror.glass_mm, lateral)
    return np.linalg.norm(eye - entry) + mirror.index * in_glass + np.linalg.norm(point - exit_)


def test_legs_make_the_optical_path_stationary():
    """Fermat's principle, independent of the chief-ray formula (E. Hecht, Optics, 5th ed., section 4.5)."""
    rng = np.random.default_rng(3)
    for _ in range(40):
        mirror = Mirror(
            (0.0, 500.0),
            800.0,
            800.0,
            -400.0,
            *rng.uniform(-0.2, 0.2, 2),
            rng.uniform(2, 8),
            rng.uniform(1.4, 1.7),
        )
        eye = np.array([rng.uniform(-300, 300), rng.uniform(-900, -300), rng.uniform(-200, 200)])
        point = np.array([rng.uniform(-200, 200), rng.uniform(0, 380), rng.uniform(-150, 150)])
        legs = mirror_legs(eye[None], point[None], mirror)
        entry, exit_ = legs.entry_mm[0, 0], legs.exit_mm[0, 0]
        step = 0.01
        for axis in (mirror.across, mirror.upward):
            for end in (0, 1):
                moved = [
                    optical_path(
                        entry + (s * step * axis if end == 0 else 0),
                        exit_ + (s * step * axis if end else 0),
                        eye,
                        point,
                        mirror,
                    )
                    for s in (-1, 1)
                ]
                assert (moved[1] - moved[0]) / (2 * step) == pytest.approx(0.0, abs=2e-6)


def test_legs_agree_with_the_forward_models_virtual_point():
    rng = np.random.default_rng(4)
    mirror = Mirror((20.0, 480.0), 400.0, 300.0, 0.0, 0.05, -0.1, 5.0)
    eyes = np.column_stack([rng.uniform(-300, 300, 20), rng.uniform(-900, -300, 20), rng.uniform(50, 800, 20)])
    points = np.column_stack([rng.uniform(-100, 100, 15), rng.uniform(100, 400, 15), rng.uniform(0, 150, 15)])
    for order in (0, 1, 2):
        legs = mirror_legs(eyes, points, mirror, order)
        for e, eye in enumerate(eyes):
            image = virtual_point(
                points,
                eye,
                normal=mirror.normal,
                plane_point=mirror.foot_point,
                thickness_mm=mirror.glass_mm,
                order=order,
                index=mirror.index,
            )
            sight = legs.entry_mm[e] - eye
            cross = np.cross(sight, image - eye) / np.linalg.norm(image - eye, axis=1, keepdims=True)
            assert np.abs(cross).max() < 1e-8


def test_reflected_rays_run_back_along_the_legs():
    rng = np.random.default_rng(5)
    mirror = Mirror((0.0, 500.0), 400.0, 300.0, 0.0, 0.08, 0.12, 4.0)
    eye = np.array([100.0, -700.0, 500.0])
    points = np.column_stack([rng.uniform(-100, 100, 30), rng.uniform(0, 400, 30), rng.uniform(0, 150, 30)])
    legs = mirror_legs(eye[None], points, mirror)
    starts, directions = reflected_rays(eye, legs.entry_mm[0], mirror)
    assert np.allclose(starts, legs.exit_mm[0], atol=1e-9)
    miss = np.cross(points - starts, directions)
    assert np.abs(miss).max() < 1e-8


def test_half_your_height_of_mirror_shows_all_of_you():
    """The textbook plane mirror: to see oneself from crown to sole it takes half one's height, from half-way
    between eyes and crown down to half-way between eyes and sole, at any distance (H. Young, R. Freedman,
    University Physics, 13th ed., section 34.1, exercises; from memory)."""
    crown, eyes = 1700.0, 1590.0
    offsets = np.array([[0.0, 0.0, crown - eyes], [0.0, 0.0, -eyes]])
    for distance in (400.0, 1500.0, 4000.0):
        eye = np.array([[0.0, -distance, eyes]])
        low, high = eyes / 2, (eyes + crown) / 2
        assert high - low == crown / 2
        whole = Mirror((0.0, 0.0), 600.0, high - low + 0.2, low - 0.1, glass_mm=0.0)
        assert own_points_seen(eye, offsets, [], whole).all()
        for short in (
            Mirror((0, 0), 600, high - low, low - 0.5, glass_mm=0),
            Mirror((0, 0), 600, high - low, low + 0.5, glass_mm=0),
        ):
            assert own_points_seen(eye, offsets, [], short).sum() == 1


def test_own_face_needs_a_free_way_and_the_foot_of_the_perpendicular_on_the_glass():
    eye = np.array([[0.0, -800.0, 150.0], [150.0, -800.0, 150.0], [0.0, -800.0, 250.0]])
    assert list(own_points_seen(eye, np.zeros((1, 3)), [], MIRROR)[:, 0]) == [True, False, False]
    wall = panel("w", (-20, 0), (20, 0), 0, 300)
    assert not own_points_seen(eye, np.zeros((1, 3)), [wall], MIRROR)[0, 0]
    # A mirror that leans over by the angle under which the high eye looks down at its middle shows that eye.
    lean = math.atan2(250.0 - 100.0, 1300.0)
    leaning = Mirror((0.0, 500.0), 200.0, 200.0, 0.0, -lean, glass_mm=4.0)
    assert own_points_seen(eye[2:], np.zeros((1, 3)), [], leaning)[0, 0]


def test_own_face_agrees_with_the_general_routine():
    rng = np.random.default_rng(8)
    eyes = np.column_stack([rng.uniform(-150, 150, 60), rng.uniform(-900, -300, 60), rng.uniform(20, 300, 60)])
    mirror = Mirror((0.0, 500.0), 250.0, 180.0, 0.0, 0.03, -0.04, 5.0)
    boxes = [panel("w", (-60, 300), (20, 300), 60, 150)]
    offsets = rng.uniform(-120, 120, (3, 3))
    mine = own_points_seen(eyes, offsets, boxes, mirror)
    general = np.array(
        [[seen_in_mirror(e[None], (e + o)[None], boxes, mirror)[0, 0] for o in offsets] for e in eyes]
    )
    assert np.array_equal(mine, general)
    assert 0.1 < mine.mean() < 0.9


def test_first_hit_names_the_nearest_box():
    boxes = [
        Box("far", (0, 300), (50, 50, 50)),
        Box("near", (0, 100), (50, 50, 50)),
        Box("aside", (200, 0), (50, 50, 50)),
    ]
    starts = np.array([[0.0, 0.0, 20.0], [0.0, 0.0, 20.0], [0.0, 0.0, 80.0]])
    which, distance = first_hit(starts, np.array([[0.0, 1, 0], [1.0, 0, 0], [0.0, 1, 0]]), boxes)
    assert list(which) == [1, 2, -1]
    assert distance[:2] == pytest.approx([75.0, 175.0])

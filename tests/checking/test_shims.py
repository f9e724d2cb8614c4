"""Packing in millimetres: worked examples, geometry applied, and limits that standards set."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from align.checking.settings import Mount
from align.checking.shims import (
    WALL_CORNERS,
    Measured,
    packing_field,
    propagate,
    shims_for,
    wall_packing,
)
from align.checking.stacks import COMMON_SHEETS_MM, Stock
from align.optics.geometry import lean_turn_of_normal, mirror_normal

ANGLES = st.floats(-0.15, 0.15)  # 9 degrees: builders' errors are below that
SIZES = st.floats(40.0, 800.0)
KNOWN = np.diag([0.01**2, 0.01**2])  # covariance of lean and turn [rad^2]


def shims_of(lean_deg, turn_deg=0.0, *, want_deg=0.0, size=(200.0, 150.0), mount=None, covariance=KNOWN):
    """{place: Shim} and the ShimSet itself."""
    measured = Measured(np.radians([lean_deg, turn_deg]), covariance, 2.0, math.radians(want_deg))
    result = shims_for(measured, mirror_size_mm=size, mount=mount)
    return {shim.place: shim for shim in result.shims}, result


# Wall mount: worked examples ---------------------------------------------------------------------------


def test_top_overhanging_is_packed_behind_the_bottom():
    # 1 degree over 150 mm of height: 150 tan 1 = 2.618 mm (worked by hand), behind both bottom corners.
    packing = wall_packing(math.radians(1.0), 0.0, 0.0, 200.0, 150.0)
    np.testing.assert_allclose(packing, [0, 0, 2.618, 2.618], atol=5e-4)
    assert WALL_CORNERS == ("top_left", "top_right", "bottom_left", "bottom_right")


def test_top_leaning_away_is_packed_behind_the_top():
    packing = wall_packing(math.radians(-1.0), 0.0, 0.0, 200.0, 150.0)
    np.testing.assert_allclose(packing, [2.618, 2.618, 0, 0], atol=5e-4)


def test_left_edge_too_near_is_packed_behind_the_right():
    # turn > 0: the left edge is the nearer one. 2 degrees over 200 mm of width: 6.984 mm by hand.
    packing = wall_packing(0.0, math.radians(2.0), 0.0, 200.0, 150.0)
    np.testing.assert_allclose(packing, [0, 6.984, 0, 6.984], atol=5e-4)


def test_wanted_turn_is_what_counts_as_true():
    packing = wall_packing(0.0, math.radians(45.0), math.radians(45.0), 200.0, 150.0)
    np.testing.assert_allclose(packing, 0, atol=1e-12)
    packing = wall_packing(0.0, math.radians(43.0), math.radians(45.0), 200.0, 150.0)
    np.testing.assert_allclose(packing, [6.984, 0, 6.984, 0], atol=5e-4)


@given(ANGLES, ANGLES, st.floats(-1.0, 1.0), SIZES, SIZES)
def test_packing_makes_the_mirror_plane_true(lean, error, want_turn, width, height):
    """Move the mirror's corners off the wall by the packing: the plane must be the wanted one."""
    turn = want_turn + error
    packing = wall_packing(lean, turn, want_turn, width, height)
    normal = mirror_normal(lean, turn)
    right = np.array([math.cos(turn), math.sin(turn), 0.0])
    up = np.cross(normal, right)
    places = {"top_left": height * up, "top_right": width * right + height * up, "bottom_left": 0 * up}
    places["bottom_right"] = width * right
    moved = {name: places[name] + thickness * normal for name, thickness in zip(WALL_CORNERS, packing, strict=True)}
    new_normal = np.cross(moved["bottom_right"] - moved["bottom_left"], moved["top_left"] - moved["bottom_left"])
    new_lean, new_turn = lean_turn_of_normal(new_normal)
    assert (new_lean, new_turn) == pytest.approx((0.0, want_turn), abs=1e-9)
    # All four lie in one plane: the mirror is not bent.
    fourth = moved["top_right"] - moved["bottom_left"]
    assert fourth @ new_normal / np.linalg.norm(new_normal) == pytest.approx(0.0, abs=1e-9)
    assert up[2] > 0


@given(ANGLES, ANGLES, SIZES, SIZES)
def test_packing_is_only_added(lean, turn, width, height):
    packing = wall_packing(lean, turn, 0.0, width, height)
    assert packing.min() == 0.0
    # By trigonometry, along the mirror's own normal: tan(lean) upwards, tan(turn) / cos(lean) sideways.
    thickest = width * abs(math.tan(turn)) / math.cos(lean) + height * abs(math.tan(lean))
    assert packing.max() == pytest.approx(thickest, abs=1e-9)


def test_field_is_a_slope():
    lean, turn = math.radians(1), math.radians(2)
    expected = (math.tan(turn) / math.cos(lean), -math.tan(lean))
    assert packing_field(lean, turn, 0.0) == pytest.approx(expected, rel=1e-12)


def test_wall_shims_name_their_corners_and_carry_their_uncertainty():
    shims, result = shims_of(1.0)
    assert result.mount == "wall"
    assert tuple(shims) == WALL_CORNERS
    bottom = shims["bottom_left"].thickness_mm
    # Uncertainty of 0.01 rad, factor 2, over 150 mm: 3 mm (to first order).
    assert (bottom.value, bottom.high - bottom.value) == pytest.approx((2.618, 3.0), abs=5e-3)
    # The corner that everything is measured from carries no packing and no uncertainty.
    zero = [shim for shim in shims.values() if shim.thickness_mm.value == 0]
    assert all(shim.thickness_mm.low == 0 == shim.thickness_mm.high for shim in zero[:1])
    assert zero[0].stack_mm == ()


# No size, and a foot -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("lean_deg", "turn_deg", "vertical", "sideways"),
    [
        (1.0, 2.0, "behind_bottom_per_100_height", "behind_right_per_100_width"),
        (-1.0, 2.0, "behind_top_per_100_height", "behind_right_per_100_width"),
        (1.0, -2.0, "behind_bottom_per_100_height", "behind_left_per_100_width"),
        (-1.0, -2.0, "behind_top_per_100_height", "behind_left_per_100_width"),
    ],
)
def test_without_a_size_the_packing_is_per_hundred_millimetres(lean_deg, turn_deg, vertical, sideways):
    shims, _ = shims_of(lean_deg, turn_deg, size=None)
    assert set(shims) == {vertical, sideways}
    # 100 tan 1 = 1.746 and 100 tan 2 = 3.492 by hand; the other error changes each in the third digit.
    assert shims[vertical].thickness_mm.value == pytest.approx(1.746, rel=2e-3)
    assert shims[sideways].thickness_mm.value == pytest.approx(3.492, rel=2e-3)


@pytest.mark.parametrize(("lean_deg", "raised"), [(1.5, "front"), (-1.5, "rear")])
def test_a_foot_is_raised_where_the_mirror_falls_to(lean_deg, raised):
    # The top overhangs to the front: raise the front edge of the foot. 60 tan 1.5 = 1.571 mm by hand.
    shims, result = shims_of(lean_deg, mount=Mount("foot", 60.0))
    other = {"front": "rear", "rear": "front"}[raised]
    assert shims[raised].thickness_mm.value == pytest.approx(1.571, abs=5e-4)
    assert shims[other].thickness_mm.value == 0
    assert result.turn_by == ""


@pytest.mark.parametrize(("turn_deg", "way", "end"), [(1.0, "clockwise", "left"), (-1.0, "anticlockwise", "right")])
def test_a_foot_is_turned_in_words(turn_deg, way, end):
    # The left edge is too near: its end goes back, clockwise seen from above. 200 tan 1 = 3.5 mm by hand.
    _, result = shims_of(0.0, turn_deg, mount=Mount("foot", 60.0))
    assert f"turn the foot {way} seen from above" in result.turn_by
    assert f"push its {end} end back by 3.5 mm over the mirror's width" in result.turn_by


def test_a_foot_raised_by_its_shim_stands_upright():
    """Turn the foot about its resting edge by the shim: the lean is gone."""
    lean, depth = math.radians(2.0), 60.0
    shim = shims_of(2.0, mount=Mount("foot", depth))[0]["front"].thickness_mm.value
    turned_back = math.atan(shim / depth)
    normal = mirror_normal(lean, 0.0)
    about_x = np.array(
        [
            [1, 0, 0],
            [0, math.cos(turned_back), math.sin(turned_back)],
            [0, -math.sin(turned_back), math.cos(turned_back)],
        ]
    )
    # The front (negative y) goes up: y towards the mirror turns down, z turns away from the viewer.
    assert (about_x @ [0.0, -1.0, 0.0])[2] > 0
    np.testing.assert_allclose(about_x @ normal, [0, -1, 0], atol=1e-12)


# Uncertainty -------------------------------------------------------------------------------------------------


def test_propagation_is_the_first_order_law_with_correlation():
    # JCGM 100:2008 (GUM), eq (13): u^2 = (du/dx)^2 + ... + 2 cov; worked by hand for 3 l - 2 t.
    covariance = np.array([[4e-4, 1e-4], [1e-4, 9e-4]])
    result = propagate(lambda lean, turn: 3 * lean - 2 * turn, np.array([0.1, 0.2]), covariance, 2.0)
    spread = math.sqrt(9 * 4e-4 + 4 * 9e-4 - 12 * 1e-4)
    assert result.value == pytest.approx(-0.1)
    assert (result.low, result.high) == pytest.approx((-0.1 - 2 * spread, -0.1 + 2 * spread), rel=1e-6)


def test_intervals_of_shims_hold_what_sampling_gives():
    # Lean and turn drawn from their covariance: 95 % of the packings lie in the interval (binomial: +-1 %).
    rng = np.random.default_rng(0)
    covariance = np.array([[1.0, 0.4], [0.4, 2.0]]) * 1e-6
    mean = np.radians([1.0, 0.6])
    shims = shims_for(Measured(mean, covariance, 1.96), mirror_size_mm=(200.0, 150.0)).shims
    drawn = rng.multivariate_normal(mean, covariance, 4000)
    packings = np.array([wall_packing(*angles, 0.0, 200.0, 150.0) for angles in drawn])
    for shim, column in zip(shims, packings.T, strict=True):
        if shim.thickness_mm.value > 0:
            inside = (column >= shim.thickness_mm.low) & (column <= shim.thickness_mm.high)
            assert inside.mean() == pytest.approx(0.95, abs=0.011)


# Stacks of common sheets -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("thickness", "stack"),
    [
        (0.0, ()),
        (-1.0, ()),
        (0.04, ()),
        (0.06, (0.1,)),
        (0.2, (0.1, 0.1)),
        (0.25, (0.25,)),
        (0.45, (0.25, 0.1, 0.1)),
        (1.0, (1.0,)),
        (2.6, (2.0, 0.5, 0.1)),
        (4.0, (2.0, 2.0)),
        (3.0, (1.5, 1.5)),
        (8.27, (2.0, 2.0, 2.0, 2.0, 0.25)),
    ],
)
def test_stacks_by_hand(thickness, stack):
    assert sum(Stock().nearest(thickness)) == pytest.approx(sum(stack))
    assert len(Stock().nearest(thickness)) == len(stack)


@given(st.floats(0.0, 30.0))
def test_no_stack_comes_nearer(thickness):
    # Sums of 0.1 and 0.25 mm reach every multiple of 0.05 mm but 0.05 and 0.15 (worked by hand).
    reachable = np.setdiff1d(np.arange(0, 620), [1, 3]) * 0.05
    stack = Stock().nearest(thickness)
    assert set(stack) <= set(COMMON_SHEETS_MM)
    assert tuple(sorted(stack, reverse=True)) == stack
    assert abs(sum(stack) - thickness) == pytest.approx(np.abs(reachable - thickness).min(), abs=1e-6)


# Limits that standards set -----------------------------------------------------------------------------

#: Squareness tolerance [um] of steel squares, by length of blade [mm], for grades 00, 0, 1 and 2: DIN 875-1
#: (Stahlwinkel 90 degrees), as printed in steinle.com, Messtechnik-Lexikon, "Haarwinkel".
DIN_875_UM = {100: (3, 7, 15, 30), 200: (4, 9, 20, 40), 300: (5, 11, 25, 50), 500: (7, 15, 35, 70)}


@pytest.mark.parametrize("length", DIN_875_UM)
def test_an_engineers_square_as_a_shim(length):
    # Grade 2 is 20 + L / 10 um. A mirror that is out by just that needs just that packing over its height.
    grade_2_mm = DIN_875_UM[length][3] / 1000
    assert grade_2_mm == pytest.approx((20 + length / 10) / 1000)
    packing = wall_packing(math.atan(grade_2_mm / length), 0.0, 0.0, 100.0, float(length))
    assert packing.max() == pytest.approx(grade_2_mm, rel=1e-6)


def test_the_reach_of_a_hundredth_degree_is_an_engineers_square():
    # Issue 2: "an engineer's square of the workshop grade allows about 0.02 degrees over 100 mm": grade 2.
    allowed = math.degrees(math.atan(DIN_875_UM[100][3] / 1000 / 100))
    assert allowed == pytest.approx(0.017, abs=5e-4)
    # Our aim of 0.01 degrees is between grades 1 and 2, not better than grade 0.
    grades = [math.degrees(math.atan(um / 1e5)) for um in DIN_875_UM[100]]
    assert grades[1] < 0.01 < grades[3]


def test_a_reflection_doubles_the_error():
    # 1 degree of lean climbs 100 tan 2 = 3.492 mm per 100 mm (Hecht, section 5.4; from memory).
    normal = mirror_normal(math.radians(1.0), 0.0)
    floor = np.array([0.0, 1.0, 0.0])
    reflected = floor - 2 * (floor @ normal) * normal
    climb = 100 * reflected[2] / -reflected[1]
    assert abs(climb) == pytest.approx(3.492, abs=5e-4)


def test_a_mirror_that_lies_back_is_not_packed():
    # 55 degrees of lean: the sheet did not lie on the floor. 144 mm of packing per 100 mm would be no answer.
    angles, covariance = np.radians([-55.0, 0.8]), np.eye(2) * 1e-8
    for mount, kind in ((Mount(), "wall"), (Mount("foot", 40.0), "foot")):
        found = shims_for(Measured(angles, covariance, 1.96), mirror_size_mm=(200.0, 150.0), mount=mount)
        assert (found.mount, found.shims) == (kind, ())
        assert "cannot make up for 55° of lean" in found.turn_by
    upright = np.radians([-19.0, 0.8])
    assert shims_for(Measured(upright, covariance, 1.96)).shims

"""Optics against published values, worked examples, the `tmm` package, Fermat's principle and a tracer."""

from __future__ import annotations

import math

import numpy as np
import pytest
import tmm
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import brentq, minimize

from align.optics.slab import (
    FLOAT_GLASS_INDEX,
    FLOAT_GLASS_INDEX_SD,
    SILVERING_REFLECTANCE,
    fresnel_reflectance,
    image_strength,
    nearest_common_glass_mm,
    refracted_angle,
    seam_width_mm,
    solve_chief_ray,
    unpolarised_reflectance,
    virtual_depth,
    virtual_depth_derivatives,
    virtual_point,
)

INCIDENCE = np.radians(np.arange(0.0, 90.0))  # 0 to 89 degrees
indices = st.floats(1.01, 2.5)
heights = st.floats(1.0, 3000.0)
laterals = st.floats(0.0, 5000.0)
thicknesses = st.floats(0.0, 40.0)  # k t: up to six passes of 6 mm glass


def total_reflectance(incidence, index, silvering):
    """All orders of image_strength, summed until nothing is left."""
    return sum(image_strength(k, incidence, index=index, silvering=silvering) for k in range(400))


# Refraction: worked examples ---------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("incidence_deg", "index", "refracted_deg"),
    [
        (31.7, 1.52, 20.2),  # web2.0calc.com, question "physics_79740" (2017), worked answer
        (40.2, 1.52, 25.1),  # askanewquestion.com, question 506704 (crown glass), worked answer
        (60.0, 1.53, 34.47),  # debates2022.esen.edu.sv 17039162, worked answer with three-digit sines
        (30.0, 1.50, 19.47),  # arcsin(1/3): soulshift.co.in 15117, worked answer "about 20"
    ],
)
def test_refraction_worked_examples(incidence_deg, index, refracted_deg):
    found = math.degrees(float(refracted_angle(math.radians(incidence_deg), index)))
    assert found == pytest.approx(refracted_deg, abs=0.06)


def test_grazing_light_refracts_to_the_critical_angle():
    # D. Giancoli, Physics: Principles with Applications, 7th ed. (2014), chapter 24, problem 69: water 48.8
    # degrees (giancolianswers.com); Hecht, section 4.7, gives about 42 for glass of 1.5 (from memory).
    assert math.degrees(float(refracted_angle(math.pi / 2, 1.33))) == pytest.approx(48.8, abs=0.05)
    assert math.degrees(float(refracted_angle(math.pi / 2, 1.50))) == pytest.approx(41.8, abs=0.05)


def test_float_glass_index_is_the_published_one():
    # M. Rubin, Optical properties of soda lime silica glasses, Solar Energy Materials 12 (1985) 275-288, as
    # given by refractiveindex.info (window glass, wavelength in micrometres).
    yellow = 0.5893
    published = 1.5130 - 0.003169 * yellow**2 + 0.003962 / yellow**2
    assert published == pytest.approx(1.5233, abs=1e-4)
    assert abs(FLOAT_GLASS_INDEX - published) < FLOAT_GLASS_INDEX_SD


# Fresnel: published values -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("index", "percent", "tolerance"),
    [
        (1.52, 4.26, 0.005),  # ((n - 1) / (n + 1))^2: Born & Wolf, 7th ed., section 1.5.3, eq (36)
        (1.50, 4.0, 0.005),  # Hecht, Optics, 5th ed., section 4.6.3: about 4 % for glass (from memory)
        (1.333, 2.0, 0.05),  # water, Hecht, section 4.6.3: about 2 % (from memory)
        (2.417, 17.2, 0.05),  # diamond; from memory
    ],
)
def test_reflectance_square_on(index, percent, tolerance):
    for reflectance in (*fresnel_reflectance(0.0, index), unpolarised_reflectance(0.0, index)):
        assert 100 * float(reflectance) == pytest.approx(percent, abs=tolerance)


def test_two_faces_of_window_glass_reflect_eight_percent():
    # glassproperties.com/reflection: 2 R / (1 + R), about 8 % for soda-lime window glass.
    single = float(unpolarised_reflectance(0.0))
    assert 100 * 2 * single / (1 + single) == pytest.approx(8, abs=0.5)


def test_reflectance_at_thirty_degrees():
    # Hecht, Optics, section 4.6, problem on an air-glass face of 1.50 at 30 degrees: amplitude coefficients
    # -0.2404 (perpendicular) and 0.1589 (parallel); from memory.
    r_s, r_p = fresnel_reflectance(math.radians(30), 1.50)
    assert float(r_s) == pytest.approx(0.2404**2, abs=5e-5)
    assert float(r_p) == pytest.approx(0.1589**2, abs=5e-5)


def test_natural_light_on_dense_glass_at_75_degrees():
    # Formula/One calculator library (PC-SCC Inc., 1993), "Reflectance of natural light at an interface":
    # n = 1.61 at 75 degrees reflects 27.1 %, amplitude coefficients -0.66537 (s) and -0.31505 (p).
    r_s, r_p = fresnel_reflectance(math.radians(75), 1.61)
    assert math.sqrt(float(r_s)) == pytest.approx(0.6653652040734061, abs=1e-12)
    assert math.sqrt(float(r_p)) == pytest.approx(0.3150533609387719, abs=1e-12)
    assert 100 * float(unpolarised_reflectance(math.radians(75), 1.61)) == pytest.approx(27.1, abs=0.05)


@pytest.mark.parametrize(
    ("index", "brewster_deg"),
    [
        (1.33, 53.1),  # Giancoli, 7th ed., chapter 24, problem 69 (giancolianswers.com)
        (1.52, 56.7),  # arctan(n): Born & Wolf, section 1.5.3, eq (40); 56.66
        (1.52 / 1.33, 48.8),  # water to crown glass, complement of OpenStax College Physics 27.8: 41.2
    ],
)
def test_no_p_light_is_reflected_at_brewsters_angle(index, brewster_deg):
    exact = math.atan(index)
    assert math.degrees(exact) == pytest.approx(brewster_deg, abs=0.06)
    assert float(fresnel_reflectance(exact, index)[1]) < 1e-30
    either_side = fresnel_reflectance(np.radians([brewster_deg - 3, brewster_deg + 3]), index)[1]
    assert (either_side > 1e-5).all()
    # Reflected and refracted rays are then at right angles.
    assert exact + float(refracted_angle(exact, index)) == pytest.approx(math.pi / 2, abs=1e-12)


@given(indices)
def test_everything_is_reflected_at_grazing_incidence(index):
    for reflectance in fresnel_reflectance(math.pi / 2, index):
        assert float(reflectance) == pytest.approx(1.0, abs=1e-12)


def test_p_equals_s_squared_at_45_degrees():
    # An identity of the Fresnel formulae at 45 degrees; Born & Wolf, section 1.5.3 (from memory).
    for index in (1.33, 1.52, 2.4):
        r_s, r_p = fresnel_reflectance(math.pi / 4, index)
        assert float(r_p) == pytest.approx(float(r_s) ** 2, abs=1e-15)


@given(indices, st.floats(0.0, 1.57))
def test_stokes_relation_and_energy(index, incidence):
    # G. Stokes (1849), as in Hecht section 4.10: a face reflects equally from both of its sides (R = R'), and
    # t t' = 1 - r^2; here with the transmitted amplitudes of Born & Wolf, section 1.5.2, eq (20a).
    inside = float(refracted_angle(incidence, index))
    cos_out, cos_in = math.cos(incidence), math.cos(inside)
    t_s = 2 * cos_out / (cos_out + index * cos_in)
    t_s_back = 2 * index * cos_in / (cos_out + index * cos_in)
    t_p = 2 * cos_out / (index * cos_out + cos_in)
    t_p_back = 2 * index * cos_in / (index * cos_out + cos_in)
    r_s, r_p = (float(r) for r in fresnel_reflectance(incidence, index))
    assert t_s * t_s_back == pytest.approx(1 - r_s, abs=1e-12)
    assert t_p * t_p_back == pytest.approx(1 - r_p, abs=1e-12)
    carried = index * cos_in / cos_out  # the beam's change of width and speed
    assert r_s + carried * t_s**2 == pytest.approx(1.0, abs=1e-9)
    assert r_p + carried * t_p**2 == pytest.approx(1.0, abs=1e-9)


@given(indices, st.floats(0.0, 1.5), st.floats(0.001, 0.05))
def test_s_reflectance_grows_with_incidence(index, incidence, more):
    lower, _ = fresnel_reflectance(incidence, index)
    higher, _ = fresnel_reflectance(incidence + more, index)
    assert 0 <= float(lower) < float(higher) <= 1


@given(indices, st.floats(0.0, math.pi / 2))
def test_refraction_bends_towards_the_normal(index, incidence):
    inside = float(refracted_angle(incidence, index))
    assert 0 <= inside <= incidence
    assert index * math.sin(inside) == pytest.approx(math.sin(incidence), abs=1e-12)


def test_glass_of_index_one_is_no_glass():
    assert float(refracted_angle(0.7, 1.0)) == pytest.approx(0.7)
    assert float(unpolarised_reflectance(0.7, 1.0)) == pytest.approx(0.0, abs=1e-30)
    assert float(virtual_depth(300.0, 200.0, 4.0, 1.0)) == pytest.approx(8.0)


# Fresnel and the order sum: the tmm package -----------------------------------------------------------


@pytest.mark.parametrize("index", [1.33, 1.52, 1.9])
@pytest.mark.parametrize("polarisation", ["s", "p"])
def test_one_face_is_tmms(index, polarisation):
    ours = fresnel_reflectance(INCIDENCE, index)["sp".index(polarisation)]
    theirs = [tmm.coh_tmm(polarisation, [1, index], [np.inf, np.inf], th, 589)["R"] for th in INCIDENCE]
    np.testing.assert_allclose(ours, theirs, atol=1e-12)


def backing_of_reflectance(polarisation, incidence, index, silvering):
    """A real refractive index behind the glass that reflects the share `silvering` of this light."""

    def excess(backing):
        inside = math.asin(math.sin(incidence) / index)
        beyond = math.asin(math.sin(incidence) / backing)
        return tmm.interface_R(polarisation, index, backing, inside, beyond) - silvering

    return brentq(excess, 2.0 * index, 1e5, xtol=1e-12, rtol=1e-14)


@pytest.mark.parametrize("silvering", [0.80, SILVERING_REFLECTANCE])
def test_all_orders_together_are_tmms_incoherent_slab(silvering):
    for incidence in INCIDENCE[::6]:
        theirs = 0.0
        for polarisation in "sp":
            backing = backing_of_reflectance(polarisation, incidence, 1.52, silvering)
            stack = ([1, 1.52, backing], [np.inf, 4e6, np.inf], ["i", "i", "i"])  # 4 mm of glass [nm]
            theirs += tmm.inc_tmm(polarisation, *stack, incidence, 589)["R"] / 2
        assert float(total_reflectance(incidence, 1.52, silvering)) == pytest.approx(theirs, abs=1e-10)


#: Silver at 589 nm, about (P. Johnson, R. Christy, Phys. Rev. B 6 (1972) 4370; from memory).
SILVER = 0.06 + 4.0j


def test_orders_of_a_silver_mirror_are_tmms_to_half_a_percent():
    # What taking one reflectance for silver at all angles and polarisations costs.
    square_on = tmm.interface_R("s", 1.52, SILVER, 0, 0)
    for incidence in np.radians([0, 15, 30, 45, 60, 75]):
        slab = [
            tmm.inc_tmm(p, [1, 1.52, SILVER], [np.inf, 4e6, np.inf], ["i", "i", "i"], incidence, 589) for p in "sp"
        ]
        theirs = (slab[0]["R"] + slab[1]["R"]) / 2
        assert float(total_reflectance(incidence, 1.52, square_on)) == pytest.approx(theirs, abs=0.005)
        # The main image alone: both passes of the face times the silver's own reflectance.
        inside = math.asin(math.sin(incidence) / 1.52)
        beyond = tmm.snell(1.52, SILVER, inside)
        main = 0.0
        for polarisation in "sp":
            face = tmm.interface_R(polarisation, 1, 1.52, incidence, inside)
            back = tmm.interface_R(polarisation, 1.52, SILVER, inside, beyond)
            main += (1 - face) ** 2 * back / 2
        ours = float(image_strength(1, incidence, index=1.52, silvering=square_on))
        assert ours == pytest.approx(main, rel=0.01)


def test_our_silvering_is_no_better_than_silver():
    # Bare silver behind glass: some 98 %; a made mirror a few percent less (common practice, no source).
    assert 0.85 < SILVERING_REFLECTANCE < tmm.interface_R("s", 1.52, SILVER, 0, 0) < 0.99


@given(indices, st.floats(0.0, 1.57), st.floats(0.0, 1.0))
def test_a_mirror_gives_back_no_more_than_it_gets(index, incidence, silvering):
    total = float(total_reflectance(incidence, index, silvering))
    face = float(unpolarised_reflectance(incidence, index))
    assert face - 1e-12 <= total <= 1 + 1e-12


@given(indices, st.floats(0.0, 1.4))
def test_perfect_silver_gives_everything_back(index, incidence):
    assert float(total_reflectance(incidence, index, 1.0)) == pytest.approx(1.0, abs=1e-9)


def test_ghosts_flank_the_main_image_at_four_to_five_percent():
    # Square on (docs/theory.md): R / ((1 - R)^2 s) and s R with R = 0.0426, s = 0.93, worked by hand.
    strengths = [float(image_strength(k, 0.0, index=1.52, silvering=0.93)) for k in range(4)]
    assert strengths[0] / strengths[1] == pytest.approx(0.0426 / (0.9574**2 * 0.93), rel=2e-3)
    assert strengths[2] / strengths[1] == pytest.approx(0.93 * 0.0426, rel=2e-3)
    assert strengths[3] / strengths[2] == pytest.approx(0.93 * 0.0426, rel=2e-3)


# The chief ray: Fermat and a tracer -------------------------------------------------------------------


def optical_path(along, *, a, b, lateral, passes_thickness, index):
    """Length [mm] of point - face - (zigzag in the glass, unfolded) - face - eye, for two free places."""
    into, inside = along
    return (
        math.hypot(a, into)
        + index * math.hypot(2 * passes_thickness, inside)
        + math.hypot(b, lateral - into - inside)
    )


@pytest.mark.parametrize("seed", range(12))
def test_chief_ray_is_the_shortest_optical_path(seed):
    # Fermat's principle: Born & Wolf, section 3.3.2. The path is convex in both places, so its one minimum is
    # the ray; scipy finds it without Snell's law.
    rng = np.random.default_rng(seed)
    a, b, lateral = rng.uniform(5, 300), rng.uniform(50, 1000), rng.uniform(0, 1500)
    passes_thickness, index = rng.uniform(0.5, 20), rng.uniform(1.2, 1.9)
    setting = {"a": a, "b": b, "lateral": lateral, "passes_thickness": passes_thickness, "index": index}
    best = minimize(
        lambda along: optical_path(along, **setting),
        [lateral * a / (a + b), 0.0],
        method="Nelder-Mead",
        options={"xatol": 1e-9, "fatol": 1e-13, "maxiter": 4000, "maxfev": 8000},
    )
    tau = float(solve_chief_ray(a + b, lateral, passes_thickness, index))
    inside = 2 * passes_thickness * tau / math.sqrt(index**2 + (index**2 - 1) * tau**2)
    ours = optical_path((a * tau, inside), **setting)
    # No path is shorter than ours, and the places agree as far as a flat minimum tells.
    assert ours <= best.fun + 1e-9
    assert best.x == pytest.approx([a * tau, inside], abs=2e-3)
    # A tenth of a millimetre to either side is longer: the minimum is no accident of flatness.
    for aside in ((0.1, 0), (-0.1, 0), (0, 0.1), (0, -0.1)):
        assert optical_path((a * tau + aside[0], inside + aside[1]), **setting) > ours


@pytest.mark.parametrize("passes", [0, 1, 2, 3])
@pytest.mark.parametrize("incidence_deg", [0.0, 10.0, 45.0, 80.0, 89.0])
def test_a_ray_traced_forward_arrives_where_the_equation_says(passes, incidence_deg):
    a, b, thickness, index = 120.0, 310.0, 4.0, 1.52
    theta = math.radians(incidence_deg)
    x = a * math.tan(theta)  # down to the face
    for _ in range(passes):  # to the silvering and back up, one pass at a time
        x += 2 * thickness * math.tan(math.asin(math.sin(theta) / index))
    x += b * math.tan(theta)  # up to the eye
    found = float(solve_chief_ray(a + b, x, passes * thickness, index))
    assert found == pytest.approx(math.tan(theta), rel=1e-12, abs=1e-15)


@given(heights, laterals, thicknesses, indices)
def test_chief_ray_solves_its_equation(height_sum, lateral, passes_thickness, index):
    tau = float(solve_chief_ray(height_sum, lateral, passes_thickness, index))
    inside = math.asin(math.sin(math.atan(tau)) / index)
    reached = height_sum * tau + 2 * passes_thickness * math.tan(inside)
    assert reached == pytest.approx(lateral, rel=1e-9, abs=1e-9)


@given(heights, st.floats(0.0, 5000.0), st.floats(0.1, 100.0), thicknesses, indices)
def test_chief_ray_is_steeper_for_a_nearer_point(height_sum, lateral, farther, passes_thickness, index):
    near = float(solve_chief_ray(height_sum, lateral, passes_thickness, index))
    far = float(solve_chief_ray(height_sum, lateral + farther, passes_thickness, index))
    assert 0 <= near < far


@given(heights, laterals, st.floats(0.01, 40.0), indices)
def test_glass_always_makes_the_image_deeper_but_less_than_its_own_thickness(
    height_sum, lateral, passes_thickness, index
):
    depth = float(virtual_depth(height_sum, lateral, passes_thickness, index))
    assert 0 < depth <= 2 * passes_thickness / index * (1 + 1e-12)


@given(heights, laterals, indices)
def test_no_glass_is_a_plane_mirror(height_sum, lateral, index):
    assert float(virtual_depth(height_sum, lateral, 0.0, index)) == 0
    tau = float(solve_chief_ray(height_sum, lateral, 0.0, index))
    assert tau == pytest.approx(lateral / height_sum, rel=1e-14)


def test_continuous_through_square_on():
    laterals_mm = np.array([0.0, 1e-9, 1e-6, 1e-3, 1.0])
    depth = virtual_depth(400.0, laterals_mm, 4.0, 1.52)
    assert depth[0] == pytest.approx(8.0 / 1.52, rel=1e-15)
    assert (np.diff(depth) <= 0).all()
    # The fall is quadratic: (1 - 1/n^2) tan^2 / 2 of itself.
    tau = 1.0 / (400.0 + 8.0 / 1.52)
    assert 1 - depth[4] / depth[0] == pytest.approx((1 - 1 / 1.52**2) * tau**2 / 2, rel=1e-3)


def test_near_grazing_the_light_hardly_sinks_in():
    # The angle inside stays at the critical angle: depth * tan(theta) -> 2 k t / sqrt(n^2 - 1).
    height_sum, lateral = 1.0, 1e6
    tau = float(solve_chief_ray(height_sum, lateral, 4.0, 1.52))
    depth = float(virtual_depth(height_sum, lateral, 4.0, 1.52))
    assert depth * tau == pytest.approx(8.0 / math.sqrt(1.52**2 - 1), rel=1e-9)


# Apparent depth and the seam --------------------------------------------------------------------------


def test_apparent_depth_worked_example():
    # D. Davis, Eastern Illinois University, PHY 1160, chapter 24, quiz 2: toes that seem 0.75 m deep in water
    # of 1.33 are 1.0 m deep. k t = half of the depth: light passes it once, not down and back.
    assert float(virtual_depth(2000.0, 0.0, 1000.0 / 2, 1.33)) == pytest.approx(750, abs=5)


def test_image_in_a_thick_mirror_worked_example():
    # Textbook (e.g. Pedrotti, Introduction to Optics, 3rd ed., section 2; from memory): glass of thickness t
    # silvered behind acts, square on, as a mirror at t / n behind its front face.
    point, eye = np.array([[0.0, 0.0, 200.0]]), np.array([0.0, 0.0, 500.0])
    setting = {"normal": np.array([0, 0, 1.0]), "plane_point": np.zeros(3), "thickness_mm": 6.0, "index": 1.5}
    image = virtual_point(point, eye, **setting)
    np.testing.assert_allclose(image, [[0, 0, -(200 + 2 * 6 / 1.5)]], atol=1e-12)
    front = virtual_point(point, eye, order=0, **setting)
    np.testing.assert_allclose(front, [[0, 0, -200]], atol=1e-12)


def test_seam_square_on_is_twice_the_apparent_thickness():
    assert float(seam_width_mm(0.0, 6.0, 1.5)) == pytest.approx(8.0)


@given(st.floats(0.01, 1.55), st.floats(0.5, 10.0), indices)
def test_seam_formula_is_two_t_tan_ratio(incidence, thickness, index):
    inside = math.asin(math.sin(incidence) / index)
    expected = 2 * thickness * math.tan(inside) / math.tan(incidence)
    assert float(seam_width_mm(incidence, thickness, index)) == pytest.approx(expected, rel=1e-9)


@given(st.floats(50.0, 2000.0), st.floats(0.0, 3000.0), st.floats(0.5, 10.0))
def test_seam_is_the_depth_of_what_touches_the_glass(eye_height, lateral, thickness):
    depth = float(virtual_depth(eye_height, lateral, thickness, 1.52))
    tau = float(solve_chief_ray(eye_height, lateral, thickness, 1.52))
    assert float(seam_width_mm(math.atan(tau), thickness, 1.52)) == pytest.approx(depth, rel=1e-9)


# Derivatives ------------------------------------------------------------------------------------------


@pytest.mark.parametrize("lateral", [0.0, 0.5, 80.0, 2000.0])
@pytest.mark.parametrize("passes_thickness", [0.0, 4.0, 18.0])
def test_depth_derivatives_are_finite_differences(lateral, passes_thickness):
    at = np.array([430.0, lateral, passes_thickness, 1.52])
    steps = np.array([1e-2, 1e-2, 1e-3, 1e-4])
    value, *derivatives = virtual_depth_derivatives(
        np.array([at[0]]), np.array([at[1]]), float(at[2]), float(at[3])
    )
    assert float(value[0]) == pytest.approx(float(virtual_depth(*at)), rel=1e-14)
    for number, step in enumerate(np.diag(steps)):
        numeric = (virtual_depth(*(at + step)) - virtual_depth(*(at - step))) / (2 * steps[number])
        assert float(derivatives[number][0]) == pytest.approx(float(numeric), rel=1e-5, abs=1e-9)


# Names ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("measured", "sold"), [(0.3, 2), (2.4, 2), (3.9, 4), (4.6, 5), (9.0, 6)])
def test_nearest_common_glass(measured, sold):
    assert nearest_common_glass_mm(measured) == sold


def test_the_index_is_that_of_soda_lime_glass_in_the_literature():
    """M. Rubin, Solar Energy Materials 12 (1985) 275-288 (from memory), over the middle of the visible."""
    wavelength_um = np.linspace(0.5, 0.65, 7)
    index = 1.5130 - 0.003169 * wavelength_um**2 + 0.003962 / wavelength_um**2
    assert np.abs(index - FLOAT_GLASS_INDEX).max() < 2 * FLOAT_GLASS_INDEX_SD

"""The analytic set-up against what owes it nothing: a stationary optical path, OpenCV, arc lengths, areas."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import quad

from align.optics.slab import virtual_point
from align.solve.reflection import BEND_PARAMETERS, bent_mirror_image, hit_places
from align.solve.reflection import Face as SeenPart
from align.target.sheets import SHEETS, black_rectangles_board, corners_target
from tests.bench.bent_gate import MEAN_LIMIT_PX, gate_scenes, matched_errors, ray_misses_um
from tests.rendering.analytic.cases import GROUPS, draw_case
from tests.rendering.analytic.draw import ink_share, paper_share
from tests.rendering.analytic.exact import exact_pixels, placed, projected
from tests.rendering.analytic.finish import Finish
from tests.rendering.analytic.scene import BentMirror
from tests.rendering.analytic.shapes import (
    Bend,
    Face,
    PaperShape,
    PrintFault,
    beam_under_load,
    curl_of_corner,
    curl_of_edge,
)
from tests.rendering.analytic.truth import angles_of_plane, part_shape, truth_of

A5 = SHEETS["a5"]
BENDS = (
    Bend("parabola_across", 0.3),
    Bend("parabola_upright", -0.2),
    Bend("arch_across", -0.25),
    Bend("arch_upright", 0.15),
    Bend("clip_across", 0.4, -0.3),
    Bend("twist", 0.1),
    Bend("twist_sine", -0.12),
)


@pytest.mark.parametrize("bend", BENDS, ids=lambda bend: bend.kind)
def test_slopes_of_a_face_are_those_of_its_heights(bend):
    face = Face(300, 160, 0.3, (bend,))
    rng = np.random.default_rng(0)
    across, up, step = rng.uniform(-140, 140, 50), rng.uniform(5, 155, 50), 1e-3
    _, by_across, by_up = face.of(across, up)
    for slope, (da, du) in ((by_across, (step, 0)), (by_up, (0, step))):
        rise = face.of(across + da, up + du)[0] - face.of(across - da, up - du)[0]
        np.testing.assert_allclose(slope, rise / (2 * step), atol=1e-8)


@pytest.mark.parametrize("bend", BENDS, ids=lambda bend: bend.kind)
def test_a_face_has_its_mean_plane_taken_off_and_the_sagitta_it_is_said_to_have(bend):
    face = Face(300, 160, 0.3, (bend,))
    grid = (np.arange(400) + 0.5) / 400 * 2 - 1
    u, v = np.meshgrid(grid, grid)
    height = face.of(150 * u, 80.3 + 80 * v)[0]
    for weight in (1.0, u, v):
        assert abs((height * weight).mean()) < 2e-5
    bent = bend.of(u, v)[0]
    assert np.abs(bent).max() == pytest.approx(abs(bend.sagitta_mm), rel=0.01)


def test_a_beam_meets_its_ends_and_is_stiff():
    x = np.linspace(0, 1, 2001)
    height, slope = beam_under_load(x, 0.3)
    assert height[[0, -1]] == pytest.approx([0, 0], abs=1e-12)
    assert height.max() == pytest.approx(1, rel=1e-5)
    # Between supports and load nothing pushes: the bending moment, as the slope's slope, runs straight.
    moment = np.gradient(slope, x)
    assert np.abs(np.diff(moment[10:590], 2)).max() < 1e-6
    assert abs(moment[1]) < 0.005 * np.abs(moment).max()


CURLS = (
    curl_of_edge(A5, "far", 1.8, 45.0, 2.5),
    curl_of_edge(A5, "near", 2.0, 60.0, 2.0),
    curl_of_corner(A5, True, True, 1.5, 50.0, 3.0, 0.8),
)


@pytest.mark.parametrize("curl", CURLS)
def test_curled_paper_is_bent_and_not_stretched(curl):
    direction = np.array(curl.direction)
    start = direction * curl.onset_mm
    end = start + direction * 0.9 * curl.length_mm

    def slope(s):
        x, y = start + direction * s
        _, by_x, by_y = curl.of(np.array([x]), np.array([y]))
        return float(np.hypot(by_x, by_y)[0])

    length = quad(lambda s: np.sqrt(1 + slope(s) ** 2), 0, 0.9 * curl.length_mm, epsabs=1e-10)[0]
    flat = np.array([part[0] for part in PaperShape((curl,)).unrolled(end[:1], end[1:])])
    assert (flat - start) @ direction == pytest.approx(length, abs=2e-6)
    assert length - 0.9 * curl.length_mm > 0.01  # so much would be missed by a height alone


def test_paper_rises_at_its_edge_by_what_is_said_and_never_below_the_floor():
    shape = PaperShape(CURLS[:2])
    x, y = np.meshgrid(np.linspace(-100, 100, 41), np.linspace(-A5.depth_mm, 0, 41))
    height = shape.of(x.ravel(), y.ravel())[0]
    assert height.min() == 0
    assert shape.of(np.zeros(2), np.array([0.0, -A5.depth_mm]))[0] == pytest.approx([1.8, 2.0])


def test_a_print_fault_is_undone():
    fault = PrintFault(1.002, 0.997, 0.0015, 0.05, A5.width_mm)
    x, y = np.meshgrid(np.linspace(-95, 95, 9), np.linspace(-140, -5, 9))
    there = fault.printed(x, y)
    np.testing.assert_allclose(fault.designed(*there), (x, y), atol=1e-10)
    assert np.hypot(there[0] - x, there[1] - y).max() > 0.2


def test_the_drawings_rays_go_where_the_optical_path_is_stationary():
    # Snell and Fermat, backwards and forwards, through every kind of bend, curl and fault: 1e-6 micrometres.
    for number in range(4):
        for group in GROUPS:
            scene = draw_case(5, group, number, 1).photos[0][0]
            assert max(ray_misses_um(scene)) < 1e-6


def test_behind_a_flat_face_the_places_are_the_glass_slabs():
    scene = draw_case(5, "curled", 1, 1).photos[0][0]
    scene = replace(scene, mirror=replace(scene.mirror, thickness_mm=4.3))
    mirror, eye = scene.mirror, np.asarray(scene.camera.eye_mm)
    points = placed(scene, np.array([[-60.0, -20.0], [50.0, -120.0]]))
    images = virtual_point(
        points,
        eye,
        normal=mirror.axes[2],
        plane_point=mirror.foot,
        thickness_mm=mirror.thickness_mm,
        index=mirror.index,
    )
    _, reflected, _ = exact_pixels(scene, np.array([[-60.0, -20.0], [50.0, -120.0]]))
    np.testing.assert_allclose(reflected, projected(scene.camera, images), atol=1e-6)


def test_a_bend_of_a_tenth_moves_the_reflection_and_only_it():
    scene = draw_case(5, "flat", 2, 1).photos[0][0]
    face = replace(scene.mirror.face, bends=(Bend("parabola_across", 0.1),))
    bent = replace(scene, mirror=replace(scene.mirror, face=face))
    direct, reflected, _ = exact_pixels(scene)
    direct_bent, reflected_bent, _ = exact_pixels(bent)
    np.testing.assert_array_equal(direct, direct_bent)
    assert np.abs(reflected_bent - reflected).max() > 0.3


@pytest.mark.parametrize(("thickness_mm", "within_px"), [(0.0, 1e-5), (5.0, 0.004)])
def test_the_forward_model_puts_corners_in_bent_mirrors_where_the_path_is_stationary(thickness_mm, within_px):
    bends = (Bend("parabola_across", 0.3), Bend("parabola_upright", -0.15), Bend("twist", 0.1))
    for number in range(3):
        scene = draw_case(5, "curled", number, 1).photos[0][0]
        face = replace(scene.mirror.face, bends=bends)
        scene = replace(scene, mirror=replace(scene.mirror, face=face, thickness_mm=thickness_mm))
        mirror = scene.mirror
        along, up, normal = (float(axis @ mirror.foot) for axis in mirror.axes)
        middle_up = up + face.foot_mm + face.height_mm / 2
        bend = np.zeros(len(BEND_PARAMETERS))
        bend[:3] = [part.sagitta_mm for part in bends]
        seen, _ = bent_mirror_image(
            placed(scene, corners_target(scene.sheet)[:, :2]),
            np.asarray(scene.camera.eye_mm, float),
            np.array([*np.radians([mirror.lean_deg, mirror.turn_deg]), -normal, mirror.thickness_mm]),
            mirror.index,
            SeenPart(along, middle_up, face.width_mm / 2, face.height_mm / 2),
            bend,
        )
        _, reflected, _ = exact_pixels(scene)
        assert np.abs(projected(scene.camera, seen) - reflected).max() < within_px


def test_corners_are_reflected_in_a_bent_mirror_where_the_path_is_stationary():
    """The part of a mirror that an answer is about; a flat mirror's places are half a millimetre off."""
    scene = draw_case(5, "curled", 1, 1).photos[0][0]
    mirror = replace(
        scene.mirror, face=replace(scene.mirror.face, bends=(Bend("parabola_upright", 0.4),)), thickness_mm=0.0
    )
    scene, face = replace(scene, mirror=mirror), mirror.face
    along, up, normal = (float(axis @ mirror.foot) for axis in mirror.axes)
    part = SeenPart(along, up + face.foot_mm + face.height_mm / 2, face.width_mm / 2, face.height_mm / 2)
    bend = np.zeros(len(BEND_PARAMETERS))
    bend[1] = 0.4
    points, eye = placed(scene, corners_target(scene.sheet)[:, :2]), np.asarray(scene.camera.eye_mm, float)
    plane = np.array([*np.radians([mirror.lean_deg, mirror.turn_deg]), -normal, 0.0])
    _, _, on_face = exact_pixels(scene)
    bent, flat = (
        hit_places(points, eye, plane, mirror.index, *known) - [along, up] for known in ((part, bend), ())
    )
    assert np.abs(bent - on_face).max() < 0.005
    assert np.abs(flat - on_face).max() > 0.2


def test_ink_is_counted_by_area():
    rng = np.random.default_rng(3)
    x, y = rng.uniform(-90, 90, 40), rng.uniform(-130, -10, 40)
    wide, deep = rng.uniform(0.05, 9, 40), rng.uniform(0.05, 9, 40)
    found = ink_share(A5, x, y, wide, deep)
    left, top = x + 95 - wide / 2, -A5.contact_margin_mm - y - deep / 2
    expected = np.zeros(40)
    for rx, ry, rw, rh in black_rectangles_board(A5):
        across = np.clip(np.minimum(left + wide, rx + rw) - np.maximum(left, rx), 0, None)
        down = np.clip(np.minimum(top + deep, ry + rh) - np.maximum(top, ry), 0, None)
        expected += across * down / (wide * deep)
    np.testing.assert_allclose(found, expected, atol=1e-9)
    assert np.std(found) > 0.02


def test_paper_ends_at_its_edges():
    half = A5.width_mm / 2
    x, y = np.array([half, half - 1, half + 1, 0.0, 0.0]), np.array([-50.0, -50, -50, 0.0, 0.1])
    share = paper_share(A5, x, y, np.full(5, 0.4), np.full(5, 0.4))
    np.testing.assert_allclose(share, [0.5, 1, 0, 0.5, 0.25])


def test_the_truth_of_a_part_is_the_parts_own_plane():
    mirror = BentMirror(30, 0.5, -1.0, Face(300, 160, 0.0, (Bend("parabola_upright", 0.2),)))
    whole = part_shape(mirror, np.array([-150.0, 0]), np.array([150.0, 160]))
    assert whole["lean_deg"] == pytest.approx(0.5, abs=1e-4)
    assert whole["sagitta_upright_mm"] == pytest.approx(0.2, rel=0.01)
    lower = part_shape(mirror, np.array([-50.0, 0]), np.array([50.0, 80]))
    # Half the height: a quarter of the sagitta, and the chord's slope of 0.2 mm over 80 mm.
    assert lower["sagitta_upright_mm"] == pytest.approx(0.05, rel=0.01)
    assert abs(lower["lean_deg"] - 0.5) == pytest.approx(np.degrees(0.2 / 80), rel=0.01)
    assert angles_of_plane(mirror, 0.0, 0.0) == pytest.approx((0.5, -1.0))


def test_cases_repeat_and_truth_is_plain_json():
    first, again = draw_case(3, "combined", 1, 3), draw_case(3, "combined", 1, 3)
    assert first == again
    assert first != draw_case(4, "combined", 1, 3)
    scene, finish = first.photos[0]
    truth = truth_of(scene, finish, case=first.name, group=first.group)
    assert json.loads(json.dumps(truth))["case"] == first.name
    assert truth["group"] == "combined"
    assert len({photo[0].camera.eye_mm for photo in first.photos}) == 3
    assert isinstance(finish, Finish)


@pytest.mark.slow
def test_drawn_corners_are_matched_where_they_are():
    errors = matched_errors(next(gate_scenes(1)), ghosts=False)
    for name, limit in MEAN_LIMIT_PX.items():
        mean = np.nanmean(errors[name].error_px, axis=0)
        assert np.isfinite(errors[name].error_px).all()
        assert np.abs(mean).max() < limit
        assert np.sqrt(np.nanmean(errors[name].error_px ** 2)) < 0.01

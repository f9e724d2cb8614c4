"""Ghosts of lamps in a plan: the forward model, a textbook plate, and the advice drawn from them."""

import math

import numpy as np
import pytest

from align.optics.geometry import angle_between
from align.optics.slab import unpolarised_reflectance, virtual_point
from align.planning.advice import glass_advice
from align.planning.bodies import panel
from align.planning.lamp_ghosts import LampGhosts, ghost_angles, ghosts_of, lamp_ghosts
from align.planning.scene import Floor, Lamp, Mirror, Scene, Viewers
from align.planning.thresholds import EYE_RESOLVES

SMALL = Mirror((0.0, 520.0), 240.0, 170.0)
LAMP = Lamp("lantern", (-60.0, 440.0, 90.0), 3.0)


def make_scene(lamp=LAMP, **more):
    mirror = Mirror((0.0, 520.0), 240.0, 170.0, 0.0, 0.02, -0.05, 4.0)
    floor = Floor((-350.0, 350.0, 0.0, 560.0), 880.0)
    return Scene("s", mirror, floor, Viewers((-400.0, 400.0, -900.0, -400.0)), lamps=(lamp,), **more)


def test_separations_are_the_angles_between_the_forward_models_images():
    scene = make_scene()
    eyes = scene.eyes().reshape(-1, 3)[::17]
    at = np.array(LAMP.at_mm)
    angles = ghost_angles(at, eyes, scene.mirror)
    for e, eye in enumerate(eyes):
        ways = [
            virtual_point(
                at,
                eye,
                normal=scene.mirror.normal,
                plane_point=scene.mirror.foot_point,
                thickness_mm=scene.mirror.glass_mm,
                order=order,
                index=scene.mirror.index,
            )[0]
            - eye
            for order in (0, 1, 2)
        ]
        for k in (0, 2):
            assert angle_between(ways[1], ways[k]) == pytest.approx(abs(angles[1][e] - angles[k][e]), abs=1e-9)


def test_a_distant_lamp_gives_the_textbook_separation_of_a_plane_plate():
    """Rays of a distant source leave a plate's two faces 2 t tan(theta') cos(theta) apart (E. Hecht,
    Optics, 5th ed., section 9.4.1, fringes of equal inclination; from memory). For eye and lamp far away,
    distance times angle tends to that."""
    mirror = Mirror((0.0, 0.0), 1e9, 1e9, -5e8, glass_mm=5.0, index=1.5)
    theta = math.radians(40.0)
    far, near = 2e6, 1e6
    lamp = np.array([far * math.sin(theta), -far * math.cos(theta), 0.0])
    eye = np.array([[-near * math.sin(theta), -near * math.cos(theta), 0.0]])
    front, main, _ = ghost_angles(lamp, eye, mirror)
    inside = math.asin(math.sin(theta) / 1.5)
    apart = 2 * 5.0 * math.tan(inside) * math.cos(theta)
    assert abs(main - front)[0] * (far + near) == pytest.approx(apart, rel=1e-3)


def test_brightness_is_fresnels():
    scene = make_scene()
    eyes = np.array([[0.0, -500.0, 250.0]])
    row = ghosts_of(scene, LAMP, scene.mirror, eyes)
    _, main, _ = ghost_angles(np.array(LAMP.at_mm), eyes, scene.mirror)
    bare = float(unpolarised_reflectance(main, scene.mirror.index)[0])
    assert row.front_ratio == pytest.approx(bare / ((1 - bare) ** 2 * 0.93), rel=0.02)
    assert row.trip_ratio == pytest.approx(0.93 * bare, rel=0.02)


def test_table_holds_every_glass_and_front_coated_has_no_ghosts():
    scene = make_scene()
    rows = lamp_ghosts(scene, scene.eyes().reshape(-1, 3))
    assert [row.glass_mm for row in rows] == [0.0, 2.0, 3.0, 4.0, 5.0, 6.0]
    assert rows[0].separation_max == rows[0].front_ratio == rows[0].told_apart_share == 0.0
    apart = [row.separation_max for row in rows[1:]]
    assert apart == sorted(apart)
    assert apart[4] / apart[0] == pytest.approx(3.0, rel=0.01)  # in proportion to the thickness


def test_a_lamp_that_no_one_meets_has_no_ghosts_and_does_not_decide():
    walled = make_scene(blockers=(panel("wall", (-300, 300), (300, 300), 0, 900),))
    rows = lamp_ghosts(walled, walled.eyes().reshape(-1, 3))
    assert all(row.seen_share == 0 for row in rows)
    advice = glass_advice(rows, SMALL)
    assert advice.glass_mm == 4.0
    assert "No viewer" in advice.reasons[0]


def row(glass, apart_arcmin, doubled):
    apart = math.radians(apart_arcmin / 60)
    return LampGhosts("l", glass, 0.5, 0.0, apart, 0.003, float(apart > EYE_RESOLVES), doubled, 0.05, 0.04)


def test_advice_takes_the_thickest_glass_whose_ghosts_are_not_seen():
    rows = [row(0, 0, 0), row(2, 0.5, 0), row(3, 0.9, 0), row(4, 1.2, 0)]
    assert glass_advice(rows, SMALL).glass_mm == 3


def test_advice_then_takes_rims_rather_than_second_lamps():
    advice = glass_advice([row(0, 0, 0), row(2, 2, 0), row(3, 3, 0), row(4, 4, 0.1)], SMALL)
    assert advice.glass_mm == 3
    assert "rim" in advice.reasons[0]


def test_advice_is_front_coated_where_every_glass_doubles_the_lamp():
    advice = glass_advice([row(0, 0, 0), row(2, 20, 0.5), row(3, 30, 0.7)], SMALL)
    assert advice.glass_mm == 0
    assert "30.0′" in advice.reasons[0]  # 2 mm would bend at this size

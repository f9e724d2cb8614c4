"""Seam and mask: against the forward model, a textbook case, and lines of sight that a strip must stop."""

import math
from dataclasses import replace

import numpy as np
import pytest

from align.optics.slab import seam_width_mm, virtual_point
from align.planning.bodies import Box, panel
from align.planning.scene import Floor, Mirror, Scene, Viewers
from align.planning.seam import (
    MASK_THICKNESS_MM,
    foot_points,
    last_post_mm,
    lines_at_mask,
    seam_depth_mm,
    seam_widths,
    smallest_mask,
)
from align.planning.sightlines import blocked


def make_scene(mirror=None, **more):
    mirror = mirror or Mirror((0.0, 500.0), 200.0, 150.0, glass_mm=4.0)
    floor = Floor((-300.0, 300.0, 0.0, 520.0), 900.0)
    return Scene("s", mirror, floor, Viewers((-300.0, 300.0, -800.0, -300.0), (1100.0, 1500.0)), **more)


def eyes_of(scene):
    return scene.eyes().reshape(-1, 3)


def test_depth_is_the_forward_models_seam():
    mirror = Mirror((0.0, 500.0), 200.0, 150.0, 0.0, 0.05, -0.1, 5.0)
    eyes = np.array([[0.0, -500.0, 400.0], [300.0, -800.0, 150.0]])
    points = foot_points(mirror, 5)
    depth = seam_depth_mm(mirror, eyes, points)
    for e, eye in enumerate(eyes):
        way = eye - points
        height = way @ mirror.normal
        images = virtual_point(
            points,
            eye,
            normal=mirror.normal,
            plane_point=mirror.foot_point,
            thickness_mm=5.0,
            index=mirror.index,
        )
        assert np.allclose((points - images) @ mirror.normal, depth[e])
        # The point touches the glass, so its chief ray's angle follows from the image's direction.
        sight = eye - images
        incidence = np.arccos(sight @ mirror.normal / np.linalg.norm(sight, axis=1))
        assert np.allclose(seam_width_mm(incidence, 5.0, mirror.index), depth[e], atol=1e-6)
        assert np.all(height > 0)


def test_square_on_the_seam_is_twice_the_apparent_thickness():
    """Apparent depth t / n (E. Hecht, Optics, 5th ed., section 4.4 and its problems, from memory):
    6 mm glass of index 1.5 seems 4 mm deep, and the image lies as deep again."""
    mirror = Mirror((0.0, 500.0), 200.0, 150.0, glass_mm=6.0, index=1.5)
    eye = np.array([[0.0, -500.0, 0.0]])
    assert seam_depth_mm(mirror, eye, np.array([[0.0, 500.0, 0.0]]))[0, 0] == pytest.approx(8.0, abs=1e-9)


def test_every_glass_is_compared_and_thicker_is_wider():
    scene = make_scene(Mirror((0.0, 500.0), 200.0, 150.0, glass_mm=3.7))
    rows = seam_widths(scene, eyes_of(scene))
    assert [row.glass_mm for row in rows] == [0.0, 2.0, 3.0, 3.7, 4.0, 5.0, 6.0]
    assert rows[0].most_mm == rows[0].most_seen == 0.0
    assert np.all(np.diff([row.most_mm for row in rows]) > 0)
    assert all(row.least_mm <= row.most_mm for row in rows)


@pytest.mark.parametrize("lean", [-0.05, 0.05])
def test_a_leaning_mirror_has_its_seam_too(lean):
    scene = make_scene(Mirror((0.0, 500.0), 200.0, 150.0, lean=lean, glass_mm=4.0))
    assert len(seam_widths(scene, eyes_of(scene))) == 6
    assert smallest_mask(scene, eyes_of(scene)).height_mm > 0


def test_nothing_to_hide_where_no_one_sees_the_foot():
    scene = make_scene(blockers=(panel("wall", (-300, 480), (300, 480), 0, 140),))
    low = scene.eyes()[:1].reshape(-1, 3)
    assert seam_widths(scene, low) == ()
    assert smallest_mask(scene, low) is None


def seam_lines(scene, eyes, short):
    """(n, 3) starts and ends: from every eye that sees the foot to the far side of the seam, in the glass."""
    points = foot_points(scene.mirror)
    depth = seam_depth_mm(scene.mirror, eyes, points, short) + short
    far = points[None] - depth[..., None] * scene.mirror.normal
    starts = np.repeat(eyes, len(points), axis=0)
    return starts, far.reshape(-1, 3)


def strips(scene, mask, height):
    """The mask as boxes to block with: its back at its gap, its body towards the viewers."""
    mirror = scene.mirror
    forward = np.array([math.sin(mirror.turn), -math.cos(mirror.turn), 0.0])
    made = []
    for low, high in mask.pieces_mm:
        centre = mirror.foot_point + (low + high) / 2 * mirror.across + (mask.gap_mm + 0.005) * forward
        made.append(Box("mask", (centre[0], centre[1]), (high - low, 0.01, height), 0.0, mirror.turn))
    return made


@pytest.mark.parametrize("turn", [0.0, 0.15])
@pytest.mark.parametrize("foot", [0.0, 3.0])
def test_the_mask_stops_every_line_and_a_lower_or_narrower_one_does_not(turn, foot):
    scene = make_scene(Mirror((0.0, 480.0), 200.0, 150.0, foot, 0.0, turn, 5.0))
    eyes = eyes_of(scene)
    mask = smallest_mask(scene, eyes)
    starts, ends = seam_lines(scene, eyes, mask.end_short_mm - 1e-6)
    assert blocked(starts, ends, strips(scene, mask, mask.height_mm)).all()
    near = np.tile(foot_points(scene.mirror, 101) + foot * scene.mirror.upward, (len(eyes), 1))
    assert blocked(np.repeat(eyes, 101, axis=0), near, strips(scene, mask, mask.height_mm)).all()  # its near side
    starts, ends = seam_lines(scene, eyes, mask.end_short_mm + 0.2)
    assert not blocked(starts, ends, strips(scene, mask, mask.height_mm)).all()
    lines = lines_at_mask(scene.mirror, eyes, mask.gap_mm, 1.0)
    assert mask.height_mm - 0.5 < lines[1].max() <= mask.height_mm  # lower by a step would not do
    low, high = mask.pieces_mm[0][0], mask.pieces_mm[-1][1]
    assert low <= lines[0].min() < low + 1
    assert high - 1 < lines[0].max() <= high


def test_a_mask_nearer_the_glass_is_lower():
    scene = make_scene()
    eyes = eyes_of(scene)
    heights = [lines_at_mask(scene.mirror, eyes, gap, 1.0)[1].max() for gap in (1.0, 5.0, 20.0)]
    assert heights == sorted(heights)
    assert smallest_mask(scene, eyes).gap_mm == 1.0


def test_mask_stays_out_of_keep_clear_zones():
    zone = Box("tram", (20.0, 300.0), (60.0, 500.0, 80.0))
    scene = make_scene(keep_clear=(zone,))
    mask = smallest_mask(scene, eyes_of(scene))
    assert len(mask.pieces_mm) == 2
    assert mask.open_mm == ((-10.0, 50.0),)
    assert mask.open_share == 1.0
    for low, high in mask.pieces_mm:
        for across in np.linspace(low, high, 50):
            for gap in (mask.gap_mm, mask.gap_mm + MASK_THICKNESS_MM):
                own = zone.to_own_frame(np.array([across, 500.0 - gap, 0.0]))
                assert not np.all((own[:2] > zone.low[:2] + 1e-9) & (own[:2] < zone.high[:2] - 1e-9))


def test_a_zone_that_ends_before_the_glass_or_hangs_above_leaves_the_mask_whole():
    ends_early = Box("tram", (20.0, 240.0), (60.0, 500.0, 80.0))  # up to 10 mm before the glass
    hangs = Box("wire", (20.0, 300.0), (60.0, 500.0, 80.0), base_mm=60.0)
    for zone in (ends_early, hangs):
        scene = make_scene(keep_clear=(zone,))
        mask = smallest_mask(scene, eyes_of(scene))
        assert mask.open_mm == ()
        assert mask.open_share == 0.0
        assert len(mask.pieces_mm) == 1


def test_last_post_keeps_the_rhythm():
    mirror = Mirror((0.0, 500.0), 200.0, 150.0, glass_mm=4.0)
    eye, at = np.array([0.0, -700.0, 300.0]), np.array([0.0, 500.0, 0.0])
    gap = last_post_mm(mirror, eye, at, 20.0)
    post = at - [0.0, gap, 0.0]
    image = virtual_point(post, eye, normal=mirror.normal, plane_point=mirror.foot_point, thickness_mm=4.0)[0]
    assert np.linalg.norm(image - post) == pytest.approx(20.0, abs=0.02)
    tight = last_post_mm(mirror, eye, at, 3.0)  # a pitch smaller than the seam: the next multiple
    assert tight >= 0
    assert (2 * tight + seam_depth_mm(mirror, eye[None], at[None])[0, 0]) % 3.0 == pytest.approx(0.0, abs=1e-6)
    assert last_post_mm(replace(mirror, glass_mm=0.0), eye, at, 20.0) == pytest.approx(10.0)

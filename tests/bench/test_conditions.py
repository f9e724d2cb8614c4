"""The scenes of docs/conditions.md and what befalls their photos: nothing here needs the renderer."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from align.target.sheets import sheet_named
from tests.bench.conditions_finish import _disc, defocused, dirtied, glaring, places_of, shaken
from tests.bench.conditions_scenes import KINDS, SCENES, _crossings, scene
from tests.rendering.framing import framing_of
from tests.rendering.spec import SceneSpec
from tests.rendering.truth import corners_mm

WHOLE = ("as the guide asks", "upside down", "at 45 degrees", "printed at 97 %", "printed in grey", "a hand")


@pytest.mark.parametrize("kind", KINDS)
def test_scenes_are_what_their_kind_says(kind):
    for number in range(SCENES):
        drawn = scene(kind, number)
        spec, truth = drawn.spec, drawn.truth
        (mirror,) = spec.mirrors
        assert framing_of(spec).complete == (kind in WHOLE)
        sheet = sheet_named(spec.sheet_name)
        x, y = np.array([-1, 1, 1, -1]) * sheet.width_mm / 2, np.array([0, 0, -1, -1]) * sheet.depth_mm
        before = (np.column_stack([x, y, np.zeros(4)]) - mirror.foot_point) @ mirror.normal
        assert before.min() > 5  # no corner of the paper pierces the glass
        middle = np.array([0.0, truth.distance_mm / (0.97 if kind == "printed at 97 %" else 1.0), 0.0])
        assert (middle - mirror.foot_point) @ mirror.normal == pytest.approx(0.0, abs=1e-9)
        wanted = {"upside down": 180.0, "at 45 degrees": 45.0}.get(kind, 0.0)
        assert abs(abs(truth.turn_deg) - wanted) < 1.6


@pytest.mark.parametrize("number", range(SCENES))
def test_a_cut_mirror_shows_half_of_the_reflection_or_three_rows(number):
    half = scene("half outside", number).spec
    across = _crossings(half, corners_mm(half))[:, 0]
    assert 0.3 < np.mean(np.abs(across) < half.mirrors[0].width_mm / 2) < 0.7
    low = scene("three rows", number).spec
    sheet = sheet_named(low.sheet_name)
    up = _crossings(low, corners_mm(low))[:, 1].reshape(sheet.squares_y - 1, -1)
    assert (up[:2] < low.mirrors[0].height_mm).all()
    assert (up[3:] > low.mirrors[0].height_mm).all()


def test_blur_keeps_the_light_and_moves_nothing():
    spot = np.zeros((61, 61, 3), np.float32)
    spot[30, 30] = 1.0
    rng = np.random.default_rng(0)
    for angle in (0.0, 0.7, 2.5):
        moved = shaken(spot, 8.0, angle, rng)[..., 0].astype(float)
        assert moved.sum() == pytest.approx(1.0, rel=1e-4)
        rows, columns = np.indices(moved.shape)
        centre = np.array([(moved * columns).sum(), (moved * rows).sum()]) / moved.sum() - 30
        assert np.abs(centre).max() < 0.05
        along = (moved * ((columns - 30) * math.cos(angle) + (rows - 30) * math.sin(angle)) ** 2).sum()
        assert along == pytest.approx(8.0**2 / 12, rel=0.2)  # a stroke's variance, and half a pixel's own
    disc = _disc(6.0)
    assert disc.sum() == pytest.approx(81 * math.pi * 3**2, rel=0.02)
    assert (disc > 1).sum(axis=0).max() == 7


def quarter(spec: SceneSpec) -> SceneSpec:
    """The same view on a quarter of the pixels each way: quick."""
    camera = spec.camera
    size = (camera.size_px[0] // 4, camera.size_px[1] // 4)
    x, y = ((place + 0.5) / 4 - 0.5 for place in camera.centre_px)
    return replace(spec, camera=replace(camera, size_px=size, focal_px=camera.focal_px / 4, centre_px=(x, y)))


def test_dirt_is_on_the_mirror_glare_on_the_paper_and_focus_follows_depth():
    spec = quarter(scene("as the guide asks", 2).spec)
    places = places_of(spec)
    flat = np.full((*spec.camera.size_px[::-1], 3), 0.4, np.float32)
    dirty = dirtied(flat, spec, 1.0, np.random.default_rng(1))
    assert np.abs(dirty - flat)[~places.mirrored].max() < 0.02
    assert np.abs(dirty - flat)[places.mirrored].mean() > 0.01
    glare = glaring(flat, spec, np.random.default_rng(1)) - flat
    sheet = sheet_named(spec.sheet_name)
    paper = (np.abs(places.x) < sheet.width_mm / 2) & (places.y < 0) & (places.y > -sheet.depth_mm)
    assert glare[~paper].max() == pytest.approx(0.0, abs=1e-6)
    assert glare[paper].max() > 0.1
    # The mirror's own image of a corner is where the floor's place is the corner's: the sheet is seen twice.
    corners = corners_mm(spec)
    pixels = np.round(spec.camera.project(corners)).astype(int)
    # mm: a few pixels' worth, for lens distortion is left out
    assert np.abs(places.x[pixels[:, 1], pixels[:, 0]] - corners[:, 0]).max() < 3.0
    stripes = np.tile((np.arange(flat.shape[1]) // 8 % 2).astype(np.float32)[None, :, None], (flat.shape[0], 1, 3))
    blurred = defocused(stripes, spec, 6.0, near=True)
    nearest, farthest = blurred[-16:-6].std(), blurred[paper & places.mirrored].std()
    assert farthest < nearest

"""Maps of a mirror's flatness: measured and extrapolated parts, verdict, words, picture, and what was stored."""

from __future__ import annotations

import json
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from align.checking.flatness import Flatness
from align.checking.flatness_picture import draw_flatness, save_flatness_picture
from align.checking.flatness_stored import flatness_from_json, map_from_json
from align.checking.job import check_sighted
from align.checking.result import CheckResult
from align.checking.settings import CheckSettings
from align.checking.strip import caption_lines
from align.checking.text import check_text
from align.checking.wording import map_title, map_words
from align.errors import SolveError
from tests.bench.flatness_map import FACE_MM, errors, scene_of, sighted
from tests.rendering.analytic.placed import with_sheet_at
from tests.rendering.analytic.shapes import Bend, Face
from tests.support.answers import made_answer, made_map, made_mirror

BENT = Face(*FACE_MM, 0.3, (Bend("arch_across", 0.3), Bend("twist", 0.05)))
SETTINGS = CheckSettings(exact_print=True, flatness=True, mirror_size_mm=FACE_MM)


@cache
def answered(bent: bool) -> CheckResult:
    """A mirror seen with the sheet in five places."""
    rng = np.random.default_rng(5)
    scene = scene_of(rng, bent=False)
    if bent:
        scene = replace(scene, mirror=replace(scene.mirror, face=BENT))
    return check_sighted(sighted(scene, rng), SETTINGS)[0]


def flatness_of(bent: bool) -> Flatness:
    """Its flatness, which has a map."""
    found = answered(bent).mirrors[0].flatness
    assert found is not None
    assert found.map is not None
    return found


# What is measured -------------------------------------------------------------------------------------------------


def test_a_bent_mirror_is_mapped_and_its_intervals_hold():
    found = flatness_of(True)
    off = errors(found.map, BENT, found.part_mm)
    seen = found.map.measured
    assert 0.15 < found.map.measured_share < 0.6
    assert 2e-5 < np.sqrt((off[seen] ** 2).mean()) < 0.002
    for where in (seen, ~seen):
        assert (np.abs(off[where]) <= found.map.half_width_mm[where]).mean() > 0.9
    assert found.map.half_width_mm[~seen].max() > 3 * found.map.half_width_mm[seen].max()
    assert found.verdict == found.map.verdict == "bent"
    assert found.map.slope_deg.low > 0.1


def test_a_flat_mirror_is_flat():
    found = flatness_of(False)
    assert found.verdict == "flat"
    assert max(abs(found.map.lowest_mm.value), found.map.highest_mm.value) < 0.002


def test_the_mirror_holds_all_that_was_seen_on_it():
    """Seen farther to one side than a mirror reaches whose middle is the sheet's: its middle lies elsewhere."""
    rng = np.random.default_rng(8)
    scene = scene_of(rng, bent=False)
    photos = sighted(with_sheet_at(scene, -60, 0), rng, places=((0.0, 0.0),))
    shown = check_sighted(photos, SETTINGS)[0].mirrors[0].flatness.map
    narrow = check_sighted(photos, replace(SETTINGS, mirror_size_mm=(90.0, 130.0)))[0].mirrors[0].flatness.map
    assert shown.shifted_mm == 0
    for found in (shown, narrow):
        left, right = found.outlines_mm[0][:, 0].min(), found.outlines_mm[0][:, 0].max()
        reach = (found.right_mm[1] - found.right_mm[0]) / 2
        assert found.right_mm[0] - reach <= left + 1e-9
        assert right <= found.right_mm[-1] + reach + 1e-9


def test_where_sheet_and_camera_moved_it_says_what_is_needed():
    rng = np.random.default_rng(6)
    scene = scene_of(rng, bent=False)
    x, y, z = scene.camera.eye_mm
    other = replace(scene, camera=replace(scene.camera, eye_mm=(x + 60, y + 40, z + 30)))
    first = sighted(scene, rng, places=((0.0, 0.0),))
    turned = sighted(with_sheet_at(other, 40, -40, 12), rng, places=((0.0, 0.0),), names="b")
    with pytest.raises(SolveError) as raised:
        check_sighted([*first, *turned], SETTINGS)
    assert "camera on a stand" in raised.value.remedy


# Words, picture, store --------------------------------------------------------------------------------------------


def test_words_say_measured_and_extrapolated_parts_verdict_and_what_to_do():
    words = map_words(made_map(), 3)
    for part in ("bent", "47\N{NO-BREAK SPACE}% of the mirror", "0.100 mm", "0.52 mm per 100 mm", "± 0.05 mm"):
        assert part in words
    assert "70 mm to the right" in words
    assert "camera on a stand" in words
    assert "Slacken the clip" in words
    assert "in per 10 in" in map_words(made_map(), 3, "in")
    assert "--mirror" in map_words(made_map(size_known=False), 1)
    assert map_words(made_map(verdict="flat"), 3).startswith("yes")
    assert map_title(made_map(verdict="undetermined")).startswith("CANNOT TELL")


def test_text_and_strip_have_a_line_of_it():
    result = made_answer(replace(made_mirror(), flatness=flatness_of(True)))
    assert "  Flat    bent, over the" in check_text(result)
    texts = [text for text, _, _ in caption_lines(result)]
    assert any(text.startswith("Bent: middle stands out by 0.") and "mm" in text for text in texts)
    assert all(len(line) <= 80 for line in check_text(result).splitlines())


def test_the_picture_tells_before_from_behind_and_measured_from_extrapolated(tmp_path):
    pixels = draw_flatness(made_map()).astype(int)
    assert pixels.shape[1] == 1400
    middle = pixels[:, 800]  # the mirror's middle, all measured: orange and no stripes
    orange = (middle[:, 0] - middle[:, 2] > 120).sum()
    assert orange > 300
    edge = pixels[:, 240]  # its left end, extrapolated: blue, striped
    blue = edge[:, 2] - edge[:, 0]
    assert (blue > 40).sum() > 500
    assert 0.35 < (blue > 80).sum() / (blue > 40).sum() < 0.7
    path = save_flatness_picture(made_map(), tmp_path / "map.png", heading="Arcade mirror", units="in")
    assert path.stat().st_size > 10_000


@pytest.mark.parametrize("bent", [False, True])
def test_it_comes_back_the_same(bent):
    raw = json.loads(json.dumps(flatness_of(bent).to_json()))
    assert flatness_from_json(raw).to_json() == raw
    older = {name: value for name, value in raw.items() if name not in ("worst", "map")}
    assert flatness_from_json(older).across_is_worst == (raw["worst"] == "across")


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("height_mm", [[1.0]]),
        ("verdict", "round"),
        ("right_mm", ["far"]),
        ("beyond_mm", "far"),
        ("slope_at_mm", [1]),
    ],
)
def test_a_damaged_map_is_refused(name, value):
    raw = made_map().to_json() | {name: value}
    with pytest.raises((ValueError, TypeError)):
        map_from_json(raw)

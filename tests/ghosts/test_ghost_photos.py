"""A few photos that Mitsuba traced (tests/rendering/ghost_photos.py), through fit, verdict, causes and ghost pairs.

tests/ghost_photos/SCENE_FINISH.png; tests/bench/ghosts.py makes them and measures all of the set.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

from align.ghosts.blur import FOCUS, GLARE, SHAKE, causes_of, lamps_show_it_too
from align.ghosts.descent import fit_patch
from align.ghosts.ghost_pairs import MOST_SPOTS, ghost_pairs
from align.ghosts.job_without_sheet import _thickness_words, apart_per_mm, glass_without_sheet
from align.ghosts.lamps import drawn_out, find_spots, light_of
from align.ghosts.likelihood import fit_glass
from align.ghosts.patch import FRONT, LATER, LOG_SCALE, LONGER, N_ALL
from align.optics.slab import image_strength
from align.photo.file import read_file
from tests.bench.ghosts import answer_of, patches_of, view_of
from tests.rendering.ghost_photos import case_of

HERE = Path(__file__).parent


LONG_SIDE_PX = 4032


def photo(scene: int, variant: int = 0) -> np.ndarray:
    """(h, w, 3) RGB code values."""
    path = HERE / "photos" / f"{scene:03d}_{variant}.png"
    return np.asarray(cv2.imread(str(path))[..., ::-1])


@pytest.mark.slow
@pytest.mark.parametrize(("scene", "variant"), [(6, 0), (7, 0), (18, 1)])
def test_traced_glass_is_measured(scene: int, variant: int) -> None:
    """2, 3 and 4 mm glass: the verdict, the thickness, and the interval that holds it."""
    case = case_of(scene, variant)
    answer = answer_of(case, photo(scene, variant))
    assert answer["verdict"] == "back-silvered"
    assert answer["thickness"] == pytest.approx(case.mirror.thickness_mm, abs=0.3)
    assert answer["low"] < case.mirror.thickness_mm < answer["high"]
    assert answer["high"] - answer["low"] < 1.0


@pytest.mark.slow
def test_traced_front_coated_mirror() -> None:
    """So called, with the limit of what would have been seen."""
    answer = answer_of(case_of(0), photo(0))
    assert answer["verdict"] == "front-coated"
    assert 0.0005 < answer["limit"] < 0.03


def test_two_lamps_side_by_side_are_no_ghosts() -> None:
    """Two lamps 3 mm apart before 2 mm glass: no wrong verdict."""
    assert answer_of(case_of(46), photo(46))["verdict"] != "front-coated"


@pytest.mark.slow
@pytest.mark.parametrize(
    ("kernel", "cause"),
    [("none", None), ("focus", FOCUS), ("shake", SHAKE), ("glare", GLARE)],
)
def test_causes_of_blur(kernel: str, cause: str | None) -> None:
    """A traced photo as it is, and blurred further in each way; shake makes no glass of what is none.

    The front-coated one has one lamp, which alone may be long by itself: shake takes the one of 3 mm glass.
    """
    scene = 7 if kernel == "shake" else 0
    codes = _blurred(photo(scene), kernel)
    pairs = patches_of(codes, view_of(case_of(scene)))
    looks = [look for _, look in pairs]
    fit = fit_glass([patch for patch, _ in pairs])
    named = causes_of(looks, False, LONG_SIDE_PX)
    assert named is not None
    assert (not named) if cause is None else (cause in named)
    if kernel == "focus":  # soft edges hide ghosts: none is made up
        assert fit.evidence < 25


@pytest.mark.slow
def test_a_shaken_lamp_is_no_glass() -> None:
    """The front-coated photo, drawn out along the ghosts' line: the lamp itself gives it away, or its long shape
    does.
    """
    pairs = patches_of(_blurred(photo(0), "shake"), view_of(case_of(0)))
    fit = fit_glass([patch for patch, _ in pairs])
    assert fit.evidence < 25 or lamps_show_it_too(fit, [look for _, look in pairs])


def _blurred(codes: np.ndarray, kernel: str) -> np.ndarray:
    """Blurred in about linear light (a plain power of 2.2, saturation and all)."""
    from tests.rendering.ghost_photos import disc, path

    light = (codes / 255.0).astype(np.float32) ** 2.2 * 2.5
    if kernel == "focus":
        light = cv2.filter2D(light, -1, disc(9.0))
    elif kernel == "shake":
        light = cv2.filter2D(light, -1, path((-8.0, -11.0)))
    elif kernel == "glare":
        light = 0.6 * light + 0.4 * cv2.GaussianBlur(light, (0, 0), 14)
    return np.round(255 * np.clip(light, 0, 1) ** (1 / 2.2)).astype(np.uint8)


def test_drawn_out_says_which_way() -> None:
    """A bar of 21 by 9 px along the picture's rows: 12 px longer than wide; moments of a bar, not an ellipse."""
    part = np.zeros((41, 41))
    part[16:25, 10:31] = 1.0
    along, turned = drawn_out(part, 20)
    assert along == pytest.approx(12 * 4 / np.sqrt(12), rel=0.02)
    assert turned == pytest.approx(0.0, abs=0.1)


@pytest.mark.slow
def test_ghost_pairs_without_the_plane() -> None:
    """Direction and distance of the ghosts, with nothing known of the mirror; none on the front-coated one."""
    light, full = light_of(photo(7))
    told: list[str] = []
    spots = find_spots(light)
    pairs = ghost_pairs(light, full, spots, told.append)
    assert told[0] == f"ghosts alone: bright spot 1 of {len(told)}"
    assert len(told) == min(len(spots), MOST_SPOTS)
    case = case_of(7)
    true = [view_of(case).ghost_offsets(np.array(lamp.position_mm), 3.0)[1] for lamp in case.lamps]
    assert len(pairs) >= 2
    for pair in pairs:
        assert min(float(np.hypot(*(pair.apart_px - offset))) for offset in true) < 1.5
    light, full = light_of(photo(0))
    assert ghost_pairs(light, full, find_spots(light)) == ()


@pytest.mark.slow
def test_without_the_sheet_the_answer_says_how_far_it_goes() -> None:
    """Glass is told, its thickness is not; a photo that names no lens gives no millimetres."""
    path = HERE / "photos" / "007_0.png"
    result = glass_without_sheet([read_file(path)[0]], None, distance_mm=500.0, glass_mm=None)
    assert result is not None
    assert result.glass.verdict == "back-silvered"
    assert result.glass.thickness_mm is None
    assert "does not name its lens" in result.reason
    assert "sheet" in result.better_photo


def test_the_least_thickness_is_that_of_the_best_angle() -> None:
    """Square on nothing shows; about 48 degrees shows most, by hand 0.75 mm for each mm of glass."""
    assert apart_per_mm(0.0) == pytest.approx(0.0, abs=1e-9)
    tangent = np.tan(np.radians(48.0))
    by_hand = 2 * np.sin(np.radians(48.0)) / np.sqrt(1.52**2 + (1.52**2 - 1) * tangent**2)
    assert apart_per_mm(np.radians(48.0)) == pytest.approx(by_hand, rel=1e-4)
    words = _thickness_words(1.5, 0.1, None)
    assert "at least 1.9 mm" in words
    assert "3 mm if seen at 2" in words
    assert "more than the 1 mm" in _thickness_words(1.5, 0.1, 1.0)


def test_derivatives_of_the_fit_are_those_of_its_model(monkeypatch: pytest.MonkeyPatch) -> None:
    """Against differences, ghosts overlapping and a halo on; the profile's table made fine for it."""
    monkeypatch.setattr("align.ghosts.shape.DISC_NODES", 2000)
    patch = patches_of(photo(7), view_of(case_of(7)))[0][0]
    p = patch.start()
    p[4], p[5] = 0.4, 0.05
    p[LONGER] = 0.3, -0.2
    ghosts = patch.ghosts(3.3)
    slopes = patch._by_shape(patch.drawn(p, ghosts))
    for column, number in enumerate((0, 1, 3, 4, 9, 10, LOG_SCALE)):
        step = np.zeros(N_ALL)
        step[number] = 1e-4
        by_difference = (patch.model(p + step, ghosts) - patch.model(p - step, ghosts)) / 2e-4 / np.exp(p[2])
        away = float(np.linalg.norm(slopes[:, column] - by_difference))
        assert away < 0.02 * float(np.linalg.norm(by_difference))


def test_brightness_of_an_unsaturated_ghost_is_fresnels() -> None:
    """A clean copy of the model of one lamp, brightness of the ghosts as Fresnel has it, is fitted so to 2 %."""
    patch = patches_of(photo(6), view_of(case_of(6)))[0][0]
    p = patch.start()
    p[2], p[4] = np.log(0.5), 0.3
    clean = replace(patch, light=patch.model(p, patch.ghosts(2.0)), full=np.zeros(len(patch.light), bool))
    begin = p.copy()
    begin[[FRONT, LATER]] = 0.6, 1.5
    fitted = fit_patch(clean, 2.0, begin).parameters
    assert fitted[[FRONT, LATER]] == pytest.approx([1.0, 1.0], abs=0.02)
    assert float(image_strength(0, 0.5) / image_strength(1, 0.5)) == pytest.approx(patch.ratios[0], rel=0.2)

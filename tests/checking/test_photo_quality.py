"""What the answer says of the photo: how good it is, what would better it most, and why one cannot be read."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import cache
from pathlib import Path

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from align.checking.job import check
from align.checking.result import CheckResult, Quality
from align.checking.strip import caption_lines
from align.checking.text import check_text
from align.checking.wording import quality_words
from align.drawing.layout import COLUMNS
from align.errors import ReflectionError, TargetError
from align.photo.legibility import complaint, edge_blur_px
from align.photo.tone import light_of
from align.solve.forward_model import DIRECT
from align.target.sheets import SHEETS
from tests.support.answers import made_answer, made_mirror
from tests.support.synthetic import degrees_mirror, synthetic_photo, write_photo

Gray = NDArray[np.uint8]
EYE = (60.0, -420.0, 280.0)
SAMPLES = Path(__file__).resolve().parents[2] / "sample_images"


@cache
def drawn() -> tuple[Gray, NDArray[np.float64], NDArray[np.float64]]:
    """A sharp photo, and the corners of its sheet and of the reflection [px]."""
    photo, truth = synthetic_photo(SHEETS["a5"], EYE, [degrees_mirror(0.5, -0.4)])
    direct, reflected = sorted(truth.views, key=lambda view: view.mirror != DIRECT)
    return photo, direct.pixels, reflected.pixels


def stroke(gray: Gray, length: int) -> Gray:
    """Moved along a diagonal by `length` pixels each way."""
    return np.asarray(cv2.filter2D(gray, -1, np.eye(length + 1, dtype=np.float32) / (length + 1)), np.uint8)


def dark(gray: Gray) -> Gray:
    """An eighth of the light, in a curve of gamma 2.2, with its noise."""
    grain = np.random.default_rng(3).normal(0, 3.0, gray.shape)
    return np.clip(gray * 0.39 + grain, 0, 255).astype(np.uint8)


def veiled(gray: Gray) -> Gray:
    """The mirror's part of the photo in a haze; the sheet itself lies below it."""
    row = int(drawn()[2][:, 1].max()) + 6
    hazy = gray.copy()
    hazy[:row] = (0.45 * gray[:row] + 100).astype(np.uint8)
    return hazy


def half_a_reflection(gray: Gray) -> Gray:
    """What lies left of the reflection's middle is the wall beside the mirror."""
    x = round(float(np.median(drawn()[2][:, 0])))
    row = int(drawn()[2][:, 1].max()) + 6
    cut = gray.copy()
    cut[:row, :x] = 120
    return cut


def glaring(gray: Gray) -> Gray:
    """A lamp's glare on the middle of the sheet."""
    x, y = np.round(drawn()[1].mean(axis=0)).astype(int)
    burnt = np.zeros(gray.shape, np.float32)
    cv2.ellipse(burnt, (int(x), int(y)), (170, 95), 0, 0, 360, 400.0, -1)
    return np.clip(gray + cv2.GaussianBlur(burnt, (0, 0), 6), 0, 255).astype(np.uint8)


def answer_to(folder: Path, gray: Gray, **options: float) -> CheckResult:
    """The check's answer to a grey picture."""
    return check(write_photo(folder / "photo.jpg", gray), **options)  # type: ignore[arg-type]


def test_a_good_photo_is_called_good_and_nothing_is_asked(tmp_path: Path) -> None:
    """The grade comes from the widest interval against the tolerance."""
    result = answer_to(tmp_path, drawn()[0])
    quality, mirror = result.quality, result.mirrors[0]
    assert quality is not None
    widest = max(mirror.lean_deg.half_width, mirror.turn_deg.half_width)
    assert quality.widest_half_deg == pytest.approx(widest)
    assert quality.tolerance_share == pytest.approx(widest / 0.1)
    assert (quality.grade, quality.cause, quality.remedy) == ("good", "", "")
    assert result.to_json()["quality"]["grade"] == "good"


@pytest.mark.slow
def test_the_same_photo_is_poor_for_a_finer_tolerance(tmp_path: Path) -> None:
    """A sharp photo whose interval is too wide lacks knowledge of print or camera, not light or focus."""
    paper = answer_to(tmp_path, drawn()[0], tolerance_deg=0.005)
    plate = answer_to(tmp_path, drawn()[0], tolerance_deg=0.005, exact_print=True)
    assert paper.quality is not None
    assert plate.quality is not None
    assert paper.quality.grade == "poor"
    assert paper.quality.cause in ("print", "glass")
    assert plate.quality.widest_half_deg < paper.quality.widest_half_deg / 1.5
    assert plate.quality.cause in ("camera", "glass")


@pytest.mark.slow
@pytest.mark.parametrize(
    ("harm", "cause", "words"),
    [
        (lambda gray: stroke(gray, 6), "blur", "Hold the phone still"),
        (dark, "dark", "Bring more light"),
        (veiled, "veiled mirror", "Wipe the mirror"),
        (half_a_reflection, "hidden reflection", "Stand where the mirror shows the whole sheet"),
        (glaring, "glare", "glares on the paper"),
    ],
)
def test_the_fault_that_was_made_is_the_one_named(
    tmp_path: Path, harm: Callable[[Gray], Gray], cause: str, words: str
) -> None:
    """Each harm is named with its own remedy, and the answer's interval still holds the truth."""
    result = answer_to(
        tmp_path, harm(drawn()[0]), exact_print=True
    )  # as it is: a paper print may outweigh the harm
    assert result.quality is not None
    assert result.quality.cause == cause
    assert words in " ".join(check_text(result).split())
    (mirror,) = result.mirrors
    assert abs(mirror.lean_deg.value - 0.5) < 2 * mirror.lean_deg.half_width
    assert abs(mirror.turn_deg.value + 0.4) < 2 * mirror.turn_deg.half_width


@pytest.mark.parametrize(
    ("harm", "what"),
    [
        (lambda gray: stroke(gray, 40), "blurred"),
        (lambda gray: cv2.GaussianBlur(gray, (0, 0), 12), "blurred"),
        (lambda gray: (gray * 0.02).astype(np.uint8), "too dark"),
        (lambda gray: np.minimum(gray.astype(int) * 3 + 120, 255).astype(np.uint8), "burnt out"),
    ],
)
def test_what_cannot_be_read_is_refused_with_its_cause(
    tmp_path: Path, harm: Callable[[Gray], Gray], what: str
) -> None:
    """A photo too blurred, dark or bright is not merely without a target."""
    with pytest.raises((TargetError, ReflectionError), match=what):
        answer_to(tmp_path, harm(drawn()[0]))


def test_nothing_is_complained_of_where_nothing_is_amiss() -> None:
    """Neither a sharp photo nor one without edges is called blurred."""
    assert complaint(drawn()[0]) is None
    assert complaint(np.full((600, 800), 128, np.uint8)) is None
    assert edge_blur_px(np.full((600, 800), 128, np.uint8)) is None
    assert edge_blur_px(np.zeros((30, 30), np.uint8)) is None


@pytest.mark.parametrize("sd", [1.5, 2.5, 4.0])
def test_the_blur_of_edges_is_told(sd: float) -> None:
    """A checkerboard under a Gaussian blur: the formula of a step's slope, within a third of it."""
    board = np.kron(np.indices((20, 26)).sum(axis=0) % 2, np.ones((40, 40))).astype(np.uint8) * 200 + 20
    blurred = np.asarray(cv2.GaussianBlur(board.astype(np.uint8), (0, 0), sd), np.uint8)
    found = edge_blur_px(blurred)
    assert found is not None
    assert 0.67 * sd < found < 1.33 * sd


def test_light_tells_ink_paper_and_what_is_burnt() -> None:
    """Two thirds ink, a third paper, some of it burnt out; outside the photo there is no light."""
    gray = np.full((90, 90), 60, np.uint8)
    gray[:30] = 200
    gray[:9] = 255
    outline = np.array([[0, 0], [89, 0], [89, 89], [0, 89]], float)
    light = light_of(gray, outline)
    assert light is not None
    assert light.ink == pytest.approx((((60 / 255) + 0.055) / 1.055) ** 2.4, rel=1e-3)  # sRGB, IEC 61966-2-1
    assert light.paper > 0.5
    assert light.burnt_share == pytest.approx(0.1, abs=0.02)
    assert light_of(gray, outline + 500.0) is None
    backwards = light_of(gray, outline[::-1])
    assert backwards is not None
    assert backwards.ink == light.ink


@pytest.mark.slow
def test_a_sheet_the_wrong_way_round_is_said(tmp_path: Path) -> None:
    """Turned by 180 degrees it is measured all the same, with the cause named; 180 and -180 are one turn."""
    photo, _ = synthetic_photo(
        SHEETS["a5"], (40.0, 260.0, 280.0), [degrees_mirror(0.3, 179.7, -185.0)], aim=(0, -90, 0)
    )
    result = answer_to(tmp_path, photo)
    assert result.mirrors[0].turn_deg.value == pytest.approx(179.7, abs=0.02)
    assert any("its arrow points away from the mirror" in words for words in result.warnings)
    assert "Next: see that the sheet's arrow points to the mirror" in check_text(result)
    for want in (180.0, -180.0):
        wanted = answer_to(tmp_path, photo, want_turn_deg=want, tolerance_deg=0.5)
        assert wanted.verdict == "square"
        assert not wanted.warnings


@pytest.mark.slow
def test_a_sheet_askew_is_said(tmp_path: Path) -> None:
    """At 45 degrees too; with the turn that is wanted there is nothing to say."""
    photo, _ = synthetic_photo(SHEETS["a5"], (330.0, -330.0, 300.0), [degrees_mirror(0.3, 45.0, 60.0)])
    result = answer_to(tmp_path, photo)
    assert result.mirrors[0].turn_deg.value == pytest.approx(45.0, abs=0.02)
    assert result.mirrors[0].shims.asks_turn
    assert "stands 45.0° off square" in result.mirrors[0].shims.turn_by
    assert "--want-turn 45" in result.mirrors[0].shims.turn_by
    wanted = answer_to(tmp_path, photo, want_turn_deg=45.0)
    assert not wanted.warnings
    assert not wanted.mirrors[0].shims.asks_turn


def test_an_unmeasured_print_is_named(tmp_path: Path) -> None:
    """Lengths rest on the print's scale: the answer says so unless the rule was measured; angles do not."""
    plain, ruled = (answer_to(tmp_path, drawn()[0], **options) for options in ({}, {"rule_mm": 97.0}))
    assert "taken to be printed at 100 %" in " ".join(check_text(plain).split())
    assert "a rule of 97 mm" in check_text(ruled)
    assert plain.mirrors[0].distance_mm is not None
    assert ruled.mirrors[0].distance_mm is not None
    assert ruled.mirrors[0].distance_mm.value == pytest.approx(0.97 * plain.mirrors[0].distance_mm.value, rel=0.02)
    assert ruled.mirrors[0].lean_deg.value == pytest.approx(plain.mirrors[0].lean_deg.value, abs=2e-3)


@pytest.mark.parametrize(
    ("share", "words"), [(0.004, "under 1 % of"), (0.0368, "4 % of"), (0.5, "50 % of"), (3.2, "3 times")]
)
def test_shares_in_words(share: float, words: str) -> None:
    """The widest interval against what is allowed, in words that a builder says."""
    assert f"{words} the 0.1° allowed" in quality_words(Quality("good", 0.1 * share, share), 0.1)


def test_the_advice_is_not_said_twice() -> None:
    """What the quality line has said is left out of the next steps; the picture names what is not good."""
    advice = ("Hold the phone still and tap on the reflection to focus: the photo is blurred.", "Go nearer.")
    remedy = "Hold the phone still and tap on the reflection to focus."
    quality = Quality("poor", 0.3, 3.0, "blur", "blurred by 2.4 px", remedy, "b.jpg")
    answer = replace(made_answer(made_mirror(0.05, 0.0, 0.3), photos=2, advice=advice), quality=quality)
    text = check_text(answer)
    words = " ".join(text.split())
    assert words.count("Hold the phone still") == 1
    assert "Photos poor: b.jpg is the weakest: blurred by 2.4 px." in words
    assert text.endswith("Go nearer.")
    assert max(len(line) for line in text.splitlines()) <= COLUMNS
    assert any("Photo: poor, blurred by 2.4 px" in line for line, _, _ in caption_lines(answer))
    good = replace(answer, quality=Quality("good", 0.01, 0.1))
    assert not any("Photo" in line for line, _, _ in caption_lines(good))


def test_a_good_answer_from_a_low_camera_is_not_told_to_go_higher() -> None:
    """The lowest of the sample photos has the narrowest answer of all, and was told to hold the phone higher."""
    low = check(SAMPLES / "arcade_low.jpg")
    assert low.quality is not None
    assert low.quality.grade == "good"
    assert low.quality.cause != "low"
    assert not any("higher" in words for words in (low.quality.remedy, *low.advice))

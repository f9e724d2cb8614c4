"""Ghosts of lamps on docs/accuracy.md: counts by hand on made-up answers, and the sample photo whole."""

from __future__ import annotations

import json

import cv2
import pytest

from tests.bench import accuracy_text, run_all
from tests.bench.accuracy_figures import draw_ghosts, use_style
from tests.bench.accuracy_ghosts import Ghosts, ghosts_of, ghosts_section, reach_ghosts, shows_lamps
from tests.bench.accuracy_simulated import run_views
from tests.bench.accuracy_text import Measurements, page
from tests.bench.ghosts_summary import brightness, right, thickness_errors, wrong
from tests.bench.ghosts_text import brightness_words
from tests.support.places import BENCH, SAMPLES

GLASS, BARE, UNSURE = "back-silvered", "front-coated", "undetermined"


def glass(scene, true, measured, half, factors=(), saturated=()):
    """A made-up answer of glass, its interval even about what was measured."""
    low, high = measured - half, measured + half
    return {
        "scene": scene, "thickness_mm": true, "verdict": GLASS, "thickness": measured, "low": low, "high": high,
        "factors": list(factors), "saturated": list(saturated),
    }  # fmt: skip


@pytest.fixture
def answers():
    """Seven photos: glass of 3 and 4 mm right, one interval off; one each wrong, undetermined and unfounded."""
    lamps = [[[1.2, 0.05], [0.95, 0.03]], [[1.0, 0.07], [1.05, 0.03]], [[9.0, 0.3], [9.0, 0.3]]]
    return [
        glass(0, 3.0, 3.03, 0.1, lamps, [False, False, True]),
        glass(0, 3.0, 2.9, 0.05),
        glass(1, 4.0, 4.0, 0.2),
        {"scene": 2, "thickness_mm": 4.0, "verdict": BARE},
        {"scene": 2, "thickness_mm": 4.0, "verdict": UNSURE},
        {"scene": 3, "thickness_mm": 0.0, "verdict": BARE},
        glass(3, 0.0, 1.0, 0.1, lamps, [False] * 3),
    ]


@pytest.fixture(scope="module")
def sample():
    """Every sample photo that shows lamps, answered."""
    return ghosts_of(sorted(SAMPLES.glob("*.jpg")), None)


def test_counts_are_those_by_hand(answers):
    assert (right(answers), wrong(answers)) == (4, 2)
    told = thickness_errors(answers)
    assert told.true.tolist() == [3.0, 3.0, 4.0]
    assert told.rms_mm == pytest.approx(((0.03**2 + 0.1**2) / 3) ** 0.5)
    assert told.mean_mm == pytest.approx(-0.07 / 3)
    assert told.holds.tolist() == [True, False, True]
    assert told.within(0.05) == 2


def test_brightness_is_that_of_unsaturated_lamps_before_glass_that_was_called_so(answers):
    found = brightness(answers)
    assert found is not None
    assert found.ghosts == 4
    assert (found.front, found.later) == pytest.approx((1.1, 1.0))
    assert found.within_tenth == pytest.approx(0.75)
    assert found.own_sd == pytest.approx(0.04)
    assert brightness(answers[1:]) is None


def test_rows_of_a_folder_say_what_is_wrong(answers, tmp_path):
    (tmp_path / "results.jsonl").write_text("".join(json.dumps(answer) + "\n" for answer in answers))
    rows = {row[0].split(": ", 1)[1]: row for row in reach_ghosts(ghosts_of([], tmp_path))}
    words = "back-silvered: 3 right, 1 wrong, 1 undetermined; front-coated: 1 right, 1 wrong, 0 undetermined"
    assert rows["verdicts"][2:] == (words, False)
    assert rows["rms error of thickness"][2:] == ("0.060 mm", True)
    assert "2 of 3" in rows["95 % intervals of thickness"][2]
    assert "front ghost 1.100, first extra trip 1.000" in rows["ghosts' brightness / Fresnel's, means"][2]
    assert all(row[0].startswith("ghosts of lamps, 7 traced photos") for row in rows.values())


def test_section_has_each_glass_and_the_words_of_the_glass_page(answers):
    text = ghosts_section(Ghosts([], answers))
    assert "| front-coated | 2 | 1 | 1 | 0 | – | – | – |" in text
    assert "| 3 mm | 2 | 2 | 0 | 0 | 0.074 | -0.035 | 50.0 % (9.5 to 90.5; 1 of 2) |" in text
    assert "| all | 7 | 4 | 2 | 1 |" in text
    assert "7 photos finished from 4 scenes" in text
    assert brightness_words(answers) in text
    assert "No folder" not in text


def test_sample_photo_with_lamps_is_answered_whole(sample):
    assert [answer["photo"] for answer in sample.samples] == ["arcade_lamps"]
    (answer,) = sample.samples
    assert answer["verdict"] == GLASS
    assert answer["low"] < answer["thickness_mm"] == 4.0 < answer["high"]
    assert 0.2 < answer["high"] - answer["low"] < 2.0
    assert len(answer["ratios"]) == 3
    for lamp in answer["ratios"]:
        for value, half in lamp:
            assert 0.2 < half < 0.7  # the lamps are saturated: the prior's 30 % (sd), and a little less
            assert abs(value - 1) < half


def test_without_a_folder_the_section_claims_no_more_than_its_photo(sample):
    text = ghosts_section(sample)
    assert "rests on 1 sample photo alone" in text
    assert "`arcade_lamps`" in text
    assert "Traced lamps" not in text
    labels = [row[0] for row in reach_ghosts(sample)]
    assert len(labels) == 3
    assert all(label.startswith("ghosts of lamps, 1 sample photo:") for label in labels)
    assert not any("brightness" in label for label in labels)


def test_photos_without_lamps_give_no_section_of_figures():
    assert not shows_lamps(SAMPLES / "arcade_true.jpg")
    assert "No photo" in ghosts_section(Ghosts([], []))
    assert reach_ghosts(Ghosts([], [])) == []


def test_figure_is_drawn_of_what_there_is(answers, sample, tmp_path):
    use_style()
    for name, samples, traced in (("both", sample.samples, answers), ("one", sample.samples, [])):
        path = tmp_path / f"{name}.png"
        draw_ghosts(path, samples, traced)
        picture = cv2.imread(str(path))
        assert picture is not None
        assert picture.shape[1] == 1200
    draw_ghosts(tmp_path / "none.png", [], answers[3:])
    assert not (tmp_path / "none.png").exists()


@pytest.mark.filterwarnings("ignore:divide by zero")  # five views: some glass has one alone, whose scatter is 0
def test_page_has_the_section_and_its_rows(answers, sample, monkeypatch):
    monkeypatch.setattr(
        accuracy_text, "real_section", lambda: ""
    )  # half a minute, and none of this test's business
    views = run_views(5, seed=3)
    made = Measurements(3, views, [], [], frozenset(), [], [], Ghosts(sample.samples, answers))
    text = page(made)
    assert text.index("## Rendered photos") < text.index("## Ghosts of lamps") < text.index("## Time")
    assert "| ghosts of lamps, 7 traced photos: verdicts | none wrong |" in text
    assert "figures/accuracy_ghosts.png" in text


def test_traced_lamps_are_fitted_anew_where_their_light_is_there(monkeypatch, tmp_path):
    """Without the renderer too; light that is missing then leaves the sample photos alone."""
    ran: list[list[str]] = []
    monkeypatch.setattr(run_all, "_run", ran.append)
    monkeypatch.setattr(run_all, "_renderer", lambda: False)
    (tmp_path / "000.npz").write_bytes(b"")
    assert run_all.traced_lamps(tmp_path, 2) == []
    assert run_all.traced_lamps(tmp_path, 0) == []
    assert ran == []
    assert run_all.traced_lamps(tmp_path, 1) == ["--ghosts", str(tmp_path)]
    assert ran == [[str(BENCH / "ghosts.py"), str(tmp_path), "0", "--again"]]

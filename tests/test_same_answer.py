"""The same answer everywhere: threads, locale, terminal, folder, order, hash seed change nothing; pinned to truth.

Each run is a process of its own, as a user's is. What is compared is not the answer with itself alone: every
answer has to hold the rendered photo's truth, within a stated bound.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import align
from align.checking.job import check
from align.target.sheets import SHEETS
from tests.support.answers import SAME, assert_same
from tests.support.places import SAMPLES
from tests.support.synthetic import degrees_mirror, synthetic_photo, write_photo

#: How near the truth angles must be [deg]; docs/accuracy.md has as much for the samples.
NEAR_TRUTH_DEG = 0.02
OPTIONS = ("--mirror", "300x150", "--tolerance", "0.2")
#: Each of these may not matter. The odd locale writes capital letters and decimal commas in ways of its own; where
#: it is not installed, C stands in, as the C library has it.
PLACES: dict[str, dict[str, str]] = {
    "one thread": {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1", "OPENCV_FOR_THREADS_NUM": "1"},
    "four threads": {"OMP_NUM_THREADS": "4", "OPENBLAS_NUM_THREADS": "4", "OPENCV_FOR_THREADS_NUM": "4"},
    "C locale": {"LC_ALL": "C", "PYTHONUTF8": "0", "PYTHONCOERCECLOCALE": "0"},
    "Turkish locale": {"LC_ALL": "tr_TR.UTF-8", "LANG": "tr_TR.UTF-8"},
    "narrow terminal": {"COLUMNS": "40", "LINES": "10", "TERM": "dumb"},
    "wide terminal": {"COLUMNS": "200", "PYTHONHASHSEED": "1"},
    "another hash seed": {"PYTHONHASHSEED": "4711", "TZ": "Asia/Tokyo"},
}
ALL_ONE_WAY = PLACES["one thread"] | PLACES["C locale"] | PLACES["narrow terminal"] | PLACES["another hash seed"]
ALL_ANOTHER_WAY = PLACES["four threads"] | PLACES["Turkish locale"] | PLACES["wide terminal"]


def run(*words: object, folder: Path | None = None, **environment: str) -> str:
    """What `align check` prints, in a process of its own."""
    source = str(Path(align.__file__).parents[1])
    kept = {name: value for name, value in os.environ.items() if name not in ("ALIGN_DEBUG", "LC_ALL", "COLUMNS")}
    done = subprocess.run(
        [sys.executable, "-m", "align", "check", *map(str, words)],
        capture_output=True,
        check=False,
        cwd=folder,
        env=kept | {"PYTHONPATH": source} | environment,
    )
    assert done.returncode == 3, done.stderr
    assert done.stderr == b""
    return done.stdout.decode()


@cache
def plain_answer(name: str) -> dict[str, Any]:
    """A sample photo's answer where nothing is set."""
    return json.loads(run(SAMPLES / f"{name}.jpg", *OPTIONS, "--json"))


def assert_true(answer: dict[str, Any], name: str) -> None:
    """The interval holds the truth, and the value is near it."""
    truth = json.loads((SAMPLES / f"{name}.truth.json").read_text(encoding="utf-8"))
    [mirror] = answer["mirrors"]
    for angle in ("lean_deg", "turn_deg"):
        assert mirror[angle]["low"] <= truth[angle] <= mirror[angle]["high"], angle
        assert abs(mirror[angle]["value"] - truth[angle]) < NEAR_TRUTH_DEG, angle


@pytest.mark.slow
@pytest.mark.parametrize("place", PLACES)
def test_the_place_changes_nothing(place):
    answer = json.loads(run(SAMPLES / "arcade_leaning.jpg", *OPTIONS, "--json", **PLACES[place]))
    assert_true(answer, "arcade_leaning")
    assert_same(answer, plain_answer("arcade_leaning"))


@pytest.mark.parametrize("name", ["arcade_turned", "arcade_portrait"])
def test_no_places_together_change_anything(name):
    answers = [
        json.loads(run(SAMPLES / f"{name}.jpg", *OPTIONS, "--json", **place))
        for place in (ALL_ONE_WAY, ALL_ANOTHER_WAY)
    ]
    assert_true(answers[0], name)
    assert_same(answers[1], answers[0])


def test_another_folder_and_order_of_options_change_nothing(tmp_path):
    name = "arcade_leaning"
    (tmp_path / f"{name}.jpg").write_bytes((SAMPLES / f"{name}.jpg").read_bytes())
    before = json.loads(run("--json", *OPTIONS[2:], f"{name}.jpg", *OPTIONS[:2], folder=tmp_path))
    expected = json.loads(json.dumps(plain_answer(name)))
    expected["photos"][0]["file"] = f"{name}.jpg"
    assert_same(before, expected)


@pytest.mark.slow
def test_the_words_do_not_depend_on_locale_and_terminal():
    one, another = (run(SAMPLES / "arcade_leaning.jpg", **place) for place in (ALL_ONE_WAY, ALL_ANOTHER_WAY))
    assert "0.62" in one
    assert another == one


def test_the_order_of_photos_changes_nothing(tmp_path):
    eyes = [(60, -480, 280), (-120, -520, 330), (150, -450, 230)]
    paths = []
    for number, eye in enumerate(eyes):
        mirror = degrees_mirror(0.6, -0.35, 40.0, 3.0)
        rng = np.random.default_rng(number)
        pixels = synthetic_photo(SHEETS["a5"], eye, [mirror], size=(1600, 1200), rng=rng)[0]
        paths.append(write_photo(tmp_path / f"photo {number}.jpg", pixels))
    answers = [check([paths[number] for number in order]).mirrors[0] for order in ((0, 1, 2), (1, 2, 0), (2, 1, 0))]
    for answer in answers:
        for found, first, truth in (
            (answer.lean_deg, answers[0].lean_deg, 0.6),
            (answer.turn_deg, answers[0].turn_deg, -0.35),
        ):
            assert (found.value, found.low, found.high) == pytest.approx(
                (first.value, first.low, first.high), abs=SAME
            )
            assert found.low <= truth <= found.high
            assert abs(found.value - truth) < NEAR_TRUTH_DEG

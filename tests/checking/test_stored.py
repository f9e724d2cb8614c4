"""Answers read back from their JSON."""

from __future__ import annotations

import copy
import json
from dataclasses import replace
from typing import Any

import pytest

from align.checking.result import CheckResult, CurlSummary
from align.checking.settings import Mount
from align.checking.stored import check_from_json, glass_from_json
from align.checking.wording import verdict_sentence
from align.errors import FileFormatError
from tests.support.answers import FLATNESS, about, made_answer, made_mirror
from tests.support.record_samples import GLASS_ANSWER

ANSWERS = {
    "wall": made_answer(made_mirror(mirror_size_mm=(240, 170))),
    "per 100 mm": made_answer(made_mirror()),
    "foot": made_answer(made_mirror(mount=Mount("foot", 40.0))),
    "two": made_answer(made_mirror(), made_mirror(0.02, 0.0, number=2), warnings=("one",), advice=("two",)),
    "shape": replace(
        made_answer(replace(made_mirror(), flatness=FLATNESS)), curls=(CurlSummary("far", about(0.6, 0.05)),)
    ),
    "wanted": made_answer(made_mirror(0.0, 12.0, want_turn_deg=12.0)),
}


@pytest.mark.parametrize("name", ANSWERS)
def test_an_answer_comes_back_the_same(name: str) -> None:
    """To JSON, to an answer, to JSON: nothing is lost, and it says the same sentence."""
    answer: CheckResult = ANSWERS[name]
    raw = json.loads(json.dumps(answer.to_json()))
    back = check_from_json(raw, "here")
    assert back.to_json() == raw
    assert verdict_sentence(back) == verdict_sentence(answer)
    assert back.mirrors[0].shims.mount == answer.mirrors[0].shims.mount
    for old, new in zip(answer.mirrors[0].shims.shims, back.mirrors[0].shims.shims, strict=True):
        assert new.stack_mm == old.stack_mm


def damaged(path: list[Any], value: Any) -> dict[str, Any]:
    """An answer with one thing changed."""
    raw = copy.deepcopy(ANSWERS["wall"].to_json())
    place: Any = raw
    for step in path[:-1]:
        place = place[step]
    place[path[-1]] = value
    return raw


@pytest.mark.parametrize(
    ("path", "value"),
    [
        (["mirrors", 0, "lean_deg"], None),
        (["mirrors", 0, "lean_deg", "low"], float("nan")),
        (["mirrors", 0, "lean_deg", "low"], 99.0),
        (["mirrors", 0, "verdict"], "fine"),
        (["mirrors", 0, "glass", "verdict"], "plastic"),
        (["mirrors"], 3),
        (["photos", 0, "size"], [1]),
        (["camera"], "photo"),
        (["tolerance_deg"], "small"),
        (["mirrors", 0, "shims_mm"], {"top_left": 1.0}),
        (["mirrors", 0, "flatness"], {"verdict": "flat"}),
        (["sheet_shape", "curls"], [{"place": "far"}]),
    ],
)
def test_damage_is_refused(path: list[Any], value: Any) -> None:
    """With the name of the place that it was read from."""
    with pytest.raises(FileFormatError, match="here: the answer is damaged"):
        check_from_json(damaged(path, value), "here")


def test_unknown_versions_are_refused() -> None:
    """Expected and found."""
    with pytest.raises(FileFormatError, match="expected format 'align-check-1', found 'align-check-2'"):
        check_from_json(damaged(["format"], "align-check-2"), "here")
    with pytest.raises(FileFormatError, match="align-glass-1"):
        glass_from_json({"format": "align-glass-7"}, "here")


def test_a_glass_answer_is_read() -> None:
    """Glass, reason, ghosts with their brightness, plain or with an interval."""
    raw = copy.deepcopy(GLASS_ANSWER)
    raw["lamps"][0]["ghosts"][1]["ratio"] = {"value": 0.043, "low": 0.04, "high": 0.05}
    back = glass_from_json(raw, "here")
    assert back.glass.verdict == "back-silvered"
    assert [(g.order, g.ratio) for g in back.lamps[0]] == [(0, 0.051), (2, 0.043)]
    raw["glass"] = {}
    with pytest.raises(FileFormatError, match="damaged"):
        glass_from_json(raw, "here")

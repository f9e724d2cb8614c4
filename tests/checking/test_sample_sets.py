"""The samples that are made to be tried together: three heights, two mirrors, before and after packing."""

from __future__ import annotations

import json
from typing import Any

from align import check
from align.checking.result import MirrorResult
from tests.support.places import SAMPLES


def truth_of(name: str) -> list[dict[str, Any]]:
    """The mirrors of a rendered photo as they stood."""
    return list(json.loads((SAMPLES / f"{name}.truth.json").read_text(encoding="utf-8"))["mirrors"])


def holds(mirror: MirrorResult, truth: dict[str, Any]) -> bool:
    """Whether lean's and turn's intervals hold the truth."""
    lean, turn = mirror.lean_deg, mirror.turn_deg
    return lean.low <= truth["lean_deg"] <= lean.high and turn.low <= truth["turn_deg"] <= turn.high


def test_three_heights_narrow_the_interval() -> None:
    """Together they hold the truth with a narrower interval than any of them alone."""
    photos = [SAMPLES / f"three_heights_{number}.jpg" for number in (1, 2, 3)]
    together = check(photos, exact_print=True).mirrors[0]
    assert holds(together, truth_of("three_heights_1")[0])
    alone = check(photos[1], exact_print=True).mirrors[0]
    assert together.lean_deg.half_width < alone.lean_deg.half_width


def test_two_mirrors_each_stand_as_they_stood() -> None:
    """Both within their intervals, with the turns that are wanted; their angle is between 89 and 91 degrees."""
    result = check(SAMPLES / "two_mirrors.jpg", want_turn_deg=(45.0, -45.0), exact_print=True)
    assert [holds(*pair) for pair in zip(result.mirrors, truth_of("two_mirrors"), strict=True)] == [True, True]
    assert result.verdict == "out of square"
    angle = result.angles[0].angle_deg
    assert 89 < angle.low < angle.high < 91


def test_before_and_after_packing() -> None:
    """Out of true, then true, each as it stood."""
    verdicts = []
    for name in ("before_packing", "after_packing"):
        result = check(SAMPLES / f"{name}.jpg", mirror_size_mm=(300.0, 150.0), exact_print=True)
        assert holds(result.mirrors[0], truth_of(name)[0])
        verdicts.append(result.verdict)
    assert verdicts == ["out of square", "square"]

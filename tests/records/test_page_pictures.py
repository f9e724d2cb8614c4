"""Pictures of a record's page that are drawn for it."""

from __future__ import annotations

import base64
import json
from dataclasses import replace
from types import SimpleNamespace

from align.checking.stored import check_from_json
from align.records.page_pictures import flatness_pictures
from tests.support.answers import FLATNESS, made_answer, made_map, made_mirror


def part_with(*flatnesses):
    """A mirror's checks, each with such a flatness, as an entry keeps them."""
    checks = []
    for number, flatness in enumerate(flatnesses, 1):
        raw = json.loads(json.dumps(made_answer(replace(made_mirror(), flatness=flatness)).to_json()))
        result = check_from_json(raw, "here")
        checks.append(SimpleNamespace(number=number, day_in_words="14 July 2026", result=result))
    return SimpleNamespace(checks=checks)


def test_the_latest_map_is_drawn_and_said_in_words():
    mapped = replace(FLATNESS, map=made_map())
    (picture,) = flatness_pictures(part_with(mapped, FLATNESS))
    assert "entry 1, 14" in picture.caption
    assert "bent, over the 47" in picture.alt
    assert base64.b64decode(picture.uri.partition(",")[2]).startswith(b"\xff\xd8\xff")


def test_without_a_map_there_is_none():
    assert flatness_pictures(part_with(FLATNESS, None)) == []

"""A card or coin beside the sheet gives the answer its lengths: the whole road, on drawn photos of known scale."""

from __future__ import annotations

import pytest

from align import check
from align.checking.text import check_text
from align.drawing.wording import KEEP
from align.errors import TargetError
from align.sighting.known_length import THINGS
from align.target.sheets import SHEETS
from tests.support.synthetic import degrees_mirror, synthetic_photo, write_photo
from tests.support.things import with_thing

GAP_MM = 60.0


@pytest.fixture(scope="module")
def bare():
    """A sheet before a mirror, from 40 degrees above the floor, a little from the right."""
    mirror = degrees_mirror(0.4, -0.3, GAP_MM)
    return synthetic_photo(SHEETS["a6"], (70.0, -390.0, 330.0), [mirror], size=(2800, 2100), aim=(20.0, -60.0, 0.0))


@pytest.mark.slow
@pytest.mark.parametrize(
    ("name", "middle", "turned_deg"), [("card", (125.0, -60.0), 90.0), ("euro-1", (100.0, -40.0), 0)]
)
def test_lengths_are_those_of_the_print(bare, tmp_path, name, middle, turned_deg):
    """A sheet printed at 97 %: without the thing the gap is said 3 % too large."""
    photo, truth = bare
    picture = with_thing(photo, truth, THINGS[name], 0.97, middle, turned_deg)
    path = write_photo(tmp_path / "a.jpg", picture)
    result = check(path, beside=name)
    gap = result.mirrors[0].distance_mm
    assert gap.low <= 0.97 * GAP_MM <= gap.high
    assert any(
        f"By the {THINGS[name].words} beside it, the sheet is printed at 9" in words for words in result.warnings
    )
    assert result.settings.beside == name
    assert f"by the {THINGS[name].words} beside it" in " ".join(check_text(result).replace(KEEP, " ").split())
    assert result.mirrors[0].lean_deg.low <= 0.4 <= result.mirrors[0].lean_deg.high


@pytest.mark.slow
def test_what_is_not_there_is_said(bare, tmp_path):
    with pytest.raises(TargetError, match="No bank card was found beside the sheet"):
        check(write_photo(tmp_path / "a.jpg", bare[0]), beside="card")


@pytest.mark.parametrize("other", [{"rule_mm": 99.0}, {"exact_print": True}])
def test_a_scale_is_stated_once(other, tmp_path):
    with pytest.raises(ValueError, match="tells the print's scale"):
        check(tmp_path / "a.jpg", beside="card", **other)
    with pytest.raises(ValueError, match="expected one of card"):
        check(tmp_path / "a.jpg", beside="button")

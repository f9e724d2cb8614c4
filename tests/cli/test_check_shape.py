"""`align check --flatness` and `--turned-sheet` on the command line."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from align.target.sheets import SHEETS
from tests.support.commands import invoke
from tests.support.synthetic import degrees_mirror, synthetic_photo, write_photo


@pytest.fixture(scope="module")
def leaning(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A small photo of a leaning mirror."""
    pixels, _ = synthetic_photo(SHEETS["a5"], (60.0, -500.0, 280.0), [degrees_mirror(0.6, -0.35)])
    return write_photo(tmp_path_factory.mktemp("shape") / "leaning.jpg", pixels)


def test_a_map_comes_as_json_and_as_a_picture(leaning: Path, tmp_path: Path) -> None:
    """Beside the answer's own picture; without the option there is none."""
    picture = tmp_path / "answer.png"
    words = ("check", str(leaning), "--mirror", "300x150", "--picture", str(picture), "--json")
    answer = json.loads(invoke(*words, "--flatness").stdout)
    drawn = tmp_path / "answer-flatness.png"
    assert answer["pictures"] == [str(picture), str(drawn)]
    assert drawn.stat().st_size > 10_000
    shown = answer["mirrors"][0]["flatness"]["map"]
    assert shown["size_known"] is True
    assert 0.02 < shown["measured_share"] < 0.6
    assert len(shown["height_mm"]) == len(shown["up_mm"]) == len(shown["measured"])
    drawn.unlink()
    plain = json.loads(invoke(*words).stdout)
    assert plain["mirrors"][0]["flatness"]["map"] is None
    assert not drawn.exists()


def test_a_turned_sheet_needs_several_photos_together(leaning: Path) -> None:
    """Alone, or each by itself, a photo shows it one way round."""
    assert "one way round only" in invoke("check", str(leaning), "--turned-sheet").stderr
    answer = invoke("check", str(leaning), str(leaning), "--each", "--turned-sheet")
    assert answer.exit_code == 2
    assert "--each checks each alone" in answer.stderr


def test_a_map_overwrites_no_photo(leaning: Path) -> None:
    """Named like a photo with "-flatness" at its end."""
    other = leaning.with_name("mine-flatness.jpg")
    other.write_bytes(leaning.read_bytes())
    answer = invoke("check", str(other), "--flatness", "--picture", str(leaning.with_name("mine.jpg")))
    assert answer.exit_code == 2
    assert "overwrite a photo" in answer.stderr

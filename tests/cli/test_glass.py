"""`align glass` as a user meets it: contract, words, picture, exit codes."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from align.bundle.glass import GlassSummary
from align.checking.stored import glass_from_json
from align.drawing.canvas import Canvas, text_width
from align.ghosts.job import glass_of
from align.ghosts.picture import NAMES, SIDE_PX, TEXT_PX, draw_glass
from align.ghosts.result import GhostSeen, GlassResult, LampSeen, OtherGlass, Profile
from align.ghosts.text import glass_text
from align.quantity import Quantity
from align.target.sheets import SHEETS
from tests.support.commands import invoke
from tests.support.synthetic import degrees_mirror, synthetic_photo, write_photo


def result_for(photo: str) -> GlassResult:
    """A made-up answer."""
    ghost = GhostSeen(0, (112.0, 90.0), Quantity(0.05, 0.04, 0.06))
    profile = Profile((-2.0, -1.0, 0.0, 1.0), (0.1, 0.2, 0.9, 0.2), (0.1, 0.2, 1.4, 0.2))
    lamp = LampSeen(photo, (100.0, 100.0), (100.0, 300.0), 31.0, (ghost,), profile)
    thickness = Quantity(3.9, 3.7, 4.1)
    return GlassResult(
        (photo,),
        GlassSummary("back-silvered", thickness),
        "Ghosts on both sides.",
        "",
        4.0,
        None,
        (lamp,),
        (OtherGlass(2.0, 1.1, 2.4),),
    )


def test_json_is_the_contracts_and_what_a_record_reads() -> None:
    """ "align-glass-1" with glass, reason and lamps."""
    answer = json.loads(json.dumps(result_for("a.jpg").to_json()))
    assert answer["format"] == "align-glass-1"
    assert answer["glass"]["thickness_mm"] == {"value": 3.9, "low": 3.7, "high": 4.1}
    assert answer["lamps"][0]["ghosts"][0]["order"] == 0
    assert glass_from_json(answer, "here").glass.verdict == "back-silvered"


def test_words() -> None:
    """Verdict first; every line fits."""
    words = glass_text(result_for("a.jpg"))
    assert words.startswith("BACK-SILVERED, 3.9 mm ± 0.2 mm thick (the nearest common glass: 4 mm).")
    assert "2 mm glass: 1.1 mm" in words
    assert "31° from the square to the glass" in words
    assert max(map(len, words.splitlines())) <= 80


def test_picture(tmp_path: Path) -> None:
    """A row for each lamp, near the photo's edge too."""
    path = write_photo(tmp_path / "a.jpg", np.full((320, 240), 90, np.uint8))
    picture = draw_glass(result_for(str(path)))
    assert picture.shape[1] == 1280
    assert picture.std() > 10


def test_picture_names_images_and_axes(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The images by where they come from, the axes with their units; without a lamp nothing but the answer."""
    said: list[str] = []
    monkeypatch.setattr(Canvas, "write", lambda _, words: said.append(words.text))
    path = write_photo(tmp_path / "a.jpg", np.full((320, 240), 90, np.uint8))
    result = result_for(str(path))
    draw_glass(result)
    assert "main" in said
    assert "Lamp 1" in said
    assert "front face, 5.0 %" in said
    assert "distance from the main image" in said
    assert any(words.startswith("light, of the most") for words in said)
    assert any(words.endswith(" px") for words in said)
    # Beside a cross in the middle there is room for the words, on one side or the other.
    assert all(text_width(f"{NAMES[order]}, 5.0 %", TEXT_PX) < SIDE_PX / 2 - 48 for order in (0, 2))
    said.clear()
    draw_glass(replace(result, lamps=()))
    assert "main" not in said
    assert not any("distance" in words or words.startswith("light") for words in said)


def test_progress_names_the_photos(tmp_path: Path) -> None:
    """`align glass` says what it is at, as `align check` does."""
    pixels, _ = synthetic_photo(SHEETS["a5"], (60.0, -500.0, 280.0), [degrees_mirror(0.2, 0.1)], size=(900, 700))
    said: list[str] = []
    glass_of([write_photo(tmp_path / "a.png", pixels)], progress=said.append)
    assert any("a.png" in words for words in said)


@pytest.mark.parametrize("name", ["a.gif", "photo.jpg"])
def test_wrong_usage(name: str, tmp_path: Path) -> None:
    """Other kinds of picture, and a picture over the photo."""
    photo = tmp_path / "photo.jpg"
    done = invoke("glass", photo, "--picture", tmp_path / name)
    assert done.exit_code == 2


def test_no_photo_is_an_error_object(tmp_path: Path) -> None:
    """One JSON object, exit code 1."""
    done = invoke("glass", tmp_path / "none.jpg", "--json")
    assert done.exit_code == 1
    assert json.loads(done.stdout)["format"] == "align-error-1"


def test_a_photo_without_lamps_cannot_tell(tmp_path: Path) -> None:
    """Exit code 1, the reason, and a better photo."""
    photo, _ = synthetic_photo(SHEETS["a5"], (60, -500, 280), [degrees_mirror(0.4, -0.3, 40.0, 3.0)])
    path = write_photo(tmp_path / "photo.jpg", photo)
    done = invoke("glass", path, "--json")
    answer = json.loads(done.stdout)
    assert done.exit_code == 1
    assert answer["glass"]["verdict"] == "undetermined"
    assert "white paper" in answer["reason"]
    assert answer["better_photo"]
    assert answer["lamps"] == []

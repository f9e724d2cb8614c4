"""What the user states: checked once, in one place, with the same words for every way in."""

from __future__ import annotations

import json
import re
from dataclasses import fields
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import align
from align.checking.settings import CheckSettings, Mount
from align.errors import FileFormatError
from align.photo.camera_file import CameraFile
from tests.support.commands import invoke

MEAN = np.array([np.log(3000.0), 1999.5, 1499.5, 0, 0, 0, 0, 0])
CAMERA = CameraFile(MEAN, np.ones(8), (4000, 3000), "phone", 4.2, "2026-07-14", 0.1, 12)
FULL: dict[str, Any] = {
    "camera": "phone.json",
    "mirror_size_mm": (300, 150),
    "mirror_name": " arcade  mirror ",
    "mount": Mount("foot", 40),
    "want_turn_deg": (40.0, -40.0),
    "tolerance_deg": 0.2,
    "glass_mm": 4,
    "rule_mm": (99.4, 99.8),
    "exact_print": True,
    "turned_sheet": True,
    "touching": True,
    "touching_mirrors": [2, 1],
    "flatness": True,
    "stock_mm": [0.1, 1.0, 0.2, 0.1],
    "units": "in",
}


@pytest.mark.parametrize(
    ("stated", "words"),
    [
        ({"mirror_size_mm": (300, -150)}, "each side must be 5 to 5000 mm"),
        ({"mirror_size_mm": (-300, 150)}, "each side must be 5 to 5000 mm"),
        ({"mirror_size_mm": (300, float("nan"))}, "each side must be 5 to 5000 mm"),
        ({"mirror_size_mm": ((300, 150), (0, 150))}, "each side must be 5 to 5000 mm"),
        ({"mirror_size_mm": ((300, 150),) * 21}, "expected 1 to 20, found 21"),
        ({"mirror_size_mm": 300}, "expected its width and height in mm"),
        ({"tolerance_deg": 0}, "0 deg is not between 0.001 and 45"),
        ({"tolerance_deg": -0.1}, "is not between 0.001 and 45"),
        ({"tolerance_deg": "0.1"}, "expected a number in deg"),
        ({"square_mm": 10.0}, "Board and square belong together"),
        ({"board": (7, 6)}, "Board and square belong together"),
        ({"board": (2, 6), "square_mm": 10.0}, "expected 3 to 100 inner corners"),
        ({"board": (7.5, 6), "square_mm": 10.0}, "expected 3 to 100 inner corners"),
        ({"board": (7, 6), "square_mm": 10.0, "rule_mm": 99.4}, "of a board of your own give the measured square"),
        ({"board": (7, 6), "square_mm": 0}, "0 mm is not between 0.5 and 1000"),
        ({"glass_mm": -1}, "is not between 0 and 25"),
        ({"want_turn_deg": 200}, "is not between -180 and 180"),
        ({"want_turn_deg": (0, float("inf"))}, "expected a number in deg"),
        ({"rule_mm": 3.9}, "is not between 20 and 500"),
        ({"rule_mm": (99.4, 99.6, 99.5)}, "expected one length in mm, or both"),
        ({"mount": "foot"}, "expected align.Mount"),
        ({"touching_mirrors": (0,)}, "counted from 1 at the left"),
        ({"stock_mm": ()}, "expected 1 to 20 thicknesses"),
        ({"stock_mm": (0.0, 1.0)}, "is not between 0.01 and 50"),
        ({"units": "inch"}, "expected mm or in"),
        ({"mirror_name": "  "}, "expected 1 to 100 letters"),
        ({"camera": 3}, "expected a file of `align camera`"),
    ],
)
def test_what_cannot_be_meant_is_refused_before_any_photo(stated: dict[str, Any], words: str) -> None:
    """From Python as on the command line: a negative size once swapped the packing, without a word."""
    with pytest.raises(ValueError, match=re.escape(words)):
        align.check("no_such_photo.jpg", **stated)


@pytest.mark.parametrize(
    ("how", "words"),
    [
        (("fot", 40.0), "expected wall, or foot:DEPTH"),
        (("foot",), "A foot needs its depth"),
        (("wall", 40.0), "A foot needs its depth"),
        (("foot", -40.0), "is not between 1 and 2000"),
    ],
)
def test_a_mount_is_checked(how: tuple[Any, ...], words: str) -> None:
    """A misspelt foot was once taken for a wall."""
    with pytest.raises(ValueError, match=words):
        Mount(*how)


@pytest.mark.parametrize(
    ("options", "stated"),
    [
        (("--mirror", "300x-150"), {"mirror_size_mm": (300.0, -150.0)}),
        (("--tolerance", "0"), {"tolerance_deg": 0}),
        (("--square", "10"), {"square_mm": 10.0}),
        (("--rule", "99.4x3"), {"rule_mm": (99.4, 3)}),
        (("--board", "7x6", "--square", "10", "--rule", "99"), {"board": (7, 6), "square_mm": 10, "rule_mm": 99}),
    ],
)
def test_the_command_line_says_the_same_words(options: tuple[str, ...], stated: dict[str, Any]) -> None:
    """Exit code 2, and what `CheckSettings` says."""
    with pytest.raises(ValueError, match=r"[.]$") as caught:
        CheckSettings(**stated)
    answer = invoke("check", "no_such_photo.jpg", *options)
    assert answer.exit_code == 2
    assert str(caught.value) in " ".join(answer.stderr.split())


def test_an_unknown_keyword_is_refused() -> None:
    """As any Python function does."""
    with pytest.raises(TypeError, match="toleranc_deg"):
        align.check("no_such_photo.jpg", toleranc_deg=0.2)


def test_settings_come_back_from_json() -> None:
    """Through text, whole and tidied: a file by its name, its contents whole."""
    settings = CheckSettings(**FULL)
    assert settings.mirror_name == "arcade mirror"
    assert settings.stock_mm == (1.0, 0.2, 0.1)
    assert settings.touching_mirrors == (1, 2)
    raw = json.loads(json.dumps(settings.to_json(), allow_nan=False))
    assert raw["format"] == "align-settings-1"
    assert raw.keys() == {"format", *(field.name for field in fields(CheckSettings))}
    assert CheckSettings.from_json(raw) == settings
    with_contents = CheckSettings.from_json(json.loads(json.dumps(CheckSettings(camera=CAMERA).to_json())))
    assert isinstance(with_contents.camera, CameraFile)
    assert with_contents.camera.to_json() == CAMERA.to_json()
    board = CheckSettings(board=(7, 6), square_mm=10.0)
    assert CheckSettings.from_json(board.to_json()) == board
    assert CheckSettings.from_json({"format": "align-settings-1"}) == CheckSettings()


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"format": "align-settings-2"}, "expected format 'align-settings-1'"),
        ({"weight_kg": 3}, "unknown settings: weight_kg"),
        ({"tolerance_deg": -1}, "entry 4: The tolerance: -1 deg"),
        ({"mount": {"kind": "shelf"}}, "entry 4: The mount"),
        ({"mount": {"sort": "wall"}}, "entry 4: "),
        ({"board": 7}, "inner corners"),
    ],
)
def test_damaged_settings_say_where(change: dict[str, Any], words: str) -> None:
    """A stored object that cannot be meant is an error that names its place."""
    with pytest.raises(FileFormatError) as caught:
        CheckSettings.from_json({**CheckSettings().to_json(), **change}, "entry 4")
    assert words in caught.value.message


def test_mirrors_may_differ_in_size() -> None:
    """One for each from the left; one by itself is the size of all; stored and read back."""
    settings = CheckSettings(mirror_size_mm=[[300, 150], None])  # type: ignore[arg-type]
    assert settings.sizes_mm == ((300.0, 150.0), None)
    raw = json.loads(json.dumps(settings.to_json()))
    assert raw["mirror_size_mm"] == [[300.0, 150.0], None]
    assert CheckSettings.from_json(raw) == settings
    assert CheckSettings(mirror_size_mm=((300, 150),)) == CheckSettings(mirror_size_mm=(300, 150))
    assert CheckSettings().sizes_mm == ()


def test_plain_values_are_taken_as_meant() -> None:
    """One number for one turn, a path for a camera, touched mirrors for touching, two rules for their mean."""
    settings = CheckSettings(want_turn_deg=12, camera="a/b.json", touching_mirrors=(1,), rule_mm=(99.0, 101.0))  # type: ignore[arg-type]
    assert settings.want_turn_deg == (12.0,)
    assert settings.camera == Path("a/b.json")
    assert settings.touching
    assert settings.print_scale == 1.0
    assert CheckSettings(rule_mm=99.4).print_scale == pytest.approx(0.994)
    assert CheckSettings().own_board is None
    own = CheckSettings(board=(7, 6), square_mm=10.0).own_board
    assert own is not None
    assert own.corner_grid == (7, 6)

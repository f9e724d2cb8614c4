"""What a new user slips on: units, misspelt commands, options that would do nothing, many answers at once."""

from __future__ import annotations

import json
from pathlib import Path

import click
import pytest

from align.cli.each import Answer, _table
from align.cli.values import SizeMm, StockMm
from align.errors import AlignError
from align.target.sheets import SHEETS
from tests.support.answers import made_answer, made_mirror
from tests.support.commands import invoke
from tests.support.synthetic import degrees_mirror, synthetic_photo, write_photo


@pytest.fixture(scope="module")
def leaning(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A small photo of a leaning mirror."""
    pixels, _ = synthetic_photo(SHEETS["a5"], (60.0, -500.0, 280.0), [degrees_mirror(0.6, -0.35)])
    return write_photo(tmp_path_factory.mktemp("slips") / "leaning.jpg", pixels)


@pytest.mark.parametrize(
    ("written", "size_mm"),
    [
        ("300x150", (300.0, 150.0)),
        ("300x150mm", (300.0, 150.0)),
        ("300mm x 150mm", (300.0, 150.0)),
        ("30x15cm", (300.0, 150.0)),
        ("30 x 15,5 CM", (300.0, 155.0)),
        ("12x6in", (304.8, 152.4)),
        ('12"x6"', (304.8, 152.4)),
        ("30cmx150mm", (300.0, 150.0)),
    ],
)
def test_sizes_with_their_unit(written: str, size_mm: tuple[float, float]) -> None:
    """Centimetres and inches as people write them; the unit may stand once."""
    assert SizeMm().convert(written, None, None) == pytest.approx(size_mm)


@pytest.mark.parametrize("written", ["300", "30x15ft", "ax15", "30x15x10", ""])
def test_other_sizes_are_refused(written: str) -> None:
    """With what was expected."""
    with pytest.raises(click.BadParameter, match="expected WIDTHxHEIGHT in mm"):
        SizeMm().convert(written, None, None)


def test_stock_as_people_write_it() -> None:
    """Commas, semicolons or spaces between."""
    for written in ("0.1,0.2,0.5,1", "0.1; 0.2; 0.5; 1", "0.1 0.2 0.5 1mm"):
        assert StockMm().convert(written, None, None) == pytest.approx((0.1, 0.2, 0.5, 1.0))
    assert StockMm().convert("0.01,0.02in", None, None) == pytest.approx((0.254, 0.508))
    with pytest.raises(click.BadParameter, match="expected thicknesses"):
        StockMm().convert("thin", None, None)


@pytest.mark.parametrize(
    ("words", "meant"),
    [
        (("chek", "a.jpg"), "Did you mean: align check"),
        (("sample.jpg",), "Did you mean: align check sample.jpg"),
        (("scene.toml",), "Did you mean: align plan scene.toml"),
        (("nonsense",), "There are: target, check"),
    ],
)
def test_the_right_command_is_named(words: tuple[str, ...], meant: str) -> None:
    """A photo without a command, and a misspelt one: wrong usage, and what was meant."""
    answer = invoke(*words)
    assert answer.exit_code == 2
    assert meant in answer.stderr


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (("--stock", "1"), "--stock needs --mirror"),
        (("--units", "in", "--json"), "--json are always in mm"),
        (("--mirror-name", "arcade"), "belong to --into"),
    ],
)
def test_options_that_would_do_nothing_are_refused(options: tuple[str, ...], words: str) -> None:
    """Rather than ignored."""
    answer = invoke("check", "no_such_photo.jpg", *options)
    assert answer.exit_code == 2
    assert words in " ".join((answer.stderr + answer.stdout).split())


def test_a_missing_camera_file_is_said_to_be_missing(leaning: Path) -> None:
    """Not to be damaged."""
    answer = invoke("check", leaning, "--camera", "nofile.json")
    assert answer.exit_code == 1
    assert answer.stderr.startswith("There is no file nofile.json.")


@pytest.mark.slow
def test_inches_are_shown_when_asked_for(leaning: Path) -> None:
    """Sizes, stacks, gap and view; JSON stays in millimetres."""
    text = invoke("check", leaning, "--mirror", "12x6in", "--units", "in", "--stock", "0.01,0.02,0.04in").stdout
    assert " mm" not in text.partition("Sure")[0]
    assert " in ± 0.0" in text
    assert "in per 10 in" in text
    per_10 = invoke("check", leaning, "--units", "in").stdout
    assert "in per 10 in of height" in per_10
    raw = json.loads(invoke("check", leaning, "--mirror", "12x6in", "--stock", "0.01,0.04in", "--json").stdout)
    stacks = raw["mirrors"][0]["stacks_mm"]
    assert {sheet for stack in stacks.values() for sheet in stack} <= {0.254, 1.016}
    assert raw["settings"]["stock_mm"] == pytest.approx([1.016, 0.254])


def test_open_shows_a_picture(leaning: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Made for it where none was asked for."""
    shown: list[Path] = []
    monkeypatch.setattr(click, "launch", lambda path: shown.append(Path(path)) or 0)
    assert invoke("check", leaning, "--open").exit_code == 3
    (path,) = shown
    assert path.name == "leaning-answer.png"
    assert path.read_bytes().startswith(b"\x89PNG")


def test_each_ends_with_a_table() -> None:
    """A line for each mirror of each photo, and for what has no answer."""
    two = made_answer(made_mirror(0.01, 0.02, number=1), made_mirror(0.62, -0.35, number=2))
    answers = [
        Answer(Path("before.jpg"), made_answer()),
        Answer(Path("corner.jpg"), two),
        Answer(Path("dark.jpg"), error=AlignError("too dark", "light")),
    ]
    head, *rows = _table(answers)
    assert head.split() == ["photo", "lean", "turn"]
    assert [row.split()[0] for row in rows] == ["before.jpg", "corner.jpg", "corner.jpg", "dark.jpg"]
    assert rows[0].split("  ")[-1] == "out of true"
    assert "0.62° ± 0.02°" in rows[0]
    assert rows[1].endswith("true")
    assert "(2)" in rows[2]
    assert rows[3].endswith("no answer")


def test_the_table_stands_below_the_answers(leaning: Path) -> None:
    """After two photos; not in JSON."""
    text = invoke("check", leaning, leaning, "--each").stdout
    assert text.rstrip().splitlines()[-1].startswith("leaning.jpg  ")
    lines = invoke("check", leaning, leaning, "--each", "--json").stdout.splitlines()
    assert [json.loads(line)["format"] for line in lines] == ["align-check-1"] * 2

"""installation.toml: what people say of an installation."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from align.errors import AlignError, FileFormatError
from align.records.installation import FORMAT, Installation, installation_from_text, read_installation, write_start

START = f'format = "{FORMAT}"\nname = "Harbour street"\n'


def test_the_started_file_can_be_read_as_it_is(tmp_path: Path) -> None:
    """Comments and all; nothing in it is binding."""
    path = write_start(tmp_path / "new" / "record")
    found = read_installation(path.parent)
    assert found.name == "Harbour street"
    assert found.size_mm is None
    assert found.within_reach


def test_the_started_file_filled_in(tmp_path: Path) -> None:
    """Every commented line becomes an entry when its sign is taken away."""
    path = write_start(tmp_path)
    filled = path.read_text(encoding="utf-8")
    for key in ("when", "width_mm", "height_mm", "glass_mm", "mount", "foot_depth_mm", "want_turn_deg"):
        assert f"# {key} = " in filled
        filled = filled.replace(f"# {key} = ", f"{key} = ")
    path.write_text(filled, encoding="utf-8")
    found = read_installation(tmp_path)
    assert found.size_mm == (240, 170)
    assert (found.when, found.mount, found.foot_depth_mm, found.glass_mm) == ("2026-07-14", "wall", 40, 4)


def test_starting_again_overwrites_nothing(tmp_path: Path) -> None:
    """The file that somebody filled in stays."""
    path = write_start(tmp_path)
    path.write_text("mine", encoding="utf-8")
    with pytest.raises(AlignError, match="exists already"):
        write_start(tmp_path)
    assert path.read_text(encoding="utf-8") == "mine"


def test_a_folder_that_cannot_be_made(tmp_path: Path) -> None:
    """A file stands where the folder should."""
    (tmp_path / "file").write_text("", encoding="utf-8")
    with pytest.raises(AlignError, match="cannot be written"):
        write_start(tmp_path / "file" / "record")


def test_without_a_file_the_folder_names_the_scene(tmp_path: Path) -> None:
    """A record needs no words."""
    (tmp_path / "harbour").mkdir()
    assert read_installation(tmp_path / "harbour") == Installation("harbour")


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ('name = "x"\n', "format: is missing"),
        ('format = "align-installation-2"\nname = "x"\n', r'line 1: format: expected "align-installation-1"'),
        (
            START + "[mirror]\nwidth_mm = 0\n",
            r"line 4: \[mirror\] width_mm: expected a number of more than 0",
        ),
        (START + '[mirror]\nwidth_mm = "240 mm"\n', r"line 4: .*expected a plain number"),
        (START + "[mirror]\nwdith_mm = 240\n", r"line 4: .*is not an entry"),
        (START + '[mirror]\nmount = "shelf"\n', r'line 4: .*expected one of "wall", "foot"'),
        (START + "[cautions]\nsunlight = 1\n", r"line 4: .*expected true or false"),
        (START + "[mirrors]\nwidth_mm = 240\n", r"line 3: \[mirrors\]"),
        (START + "mirror = 3\n", r"line 3: mirror"),
        (START + "who = jane\n", r"not readable as TOML: .*line 3"),
        (START + "when = 2026\n", r"line 3: when"),
    ],
)
def test_errors_name_the_line(text: str, message: str) -> None:
    """What was expected, what was found, where."""
    with pytest.raises(FileFormatError, match=message) as caught:
        installation_from_text(text)
    assert caught.value.remedy


def test_other_encodings_are_refused(tmp_path: Path) -> None:
    """UTF-8 with a byte order mark is read, Latin-1 is not."""
    path = tmp_path / "installation.toml"
    path.write_bytes(b"\xef\xbb\xbf" + START.encode())
    assert read_installation(tmp_path).name == "Harbour street"
    path.write_bytes(f'format = "{FORMAT}"\nname = "Hafenstraße"\n'.encode("latin-1"))
    with pytest.raises(FileFormatError, match="UTF-8"):
        read_installation(tmp_path)


@pytest.mark.skipif(sys.platform == "win32", reason="names of files")
def test_a_folder_in_its_place_is_an_error(tmp_path: Path) -> None:
    """Not a traceback."""
    (tmp_path / "installation.toml").mkdir()
    with pytest.raises(FileFormatError, match="cannot be read"):
        read_installation(tmp_path)

"""installation.toml: what people say of an installation."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from align.errors import AlignError, FileFormatError
from align.records.installation import (
    FORMAT,
    Installation,
    StatedMirror,
    installation_from_text,
    read_installation,
)
from align.records.plain_files import LinkError
from align.records.write_installation import with_changes, write_mirror, write_scene, write_start

START = f'format = "{FORMAT}"\nname = "Harbour street"\n'


def test_the_started_file_can_be_read_as_it_is(tmp_path: Path) -> None:
    """Comments and all; nothing in it is binding."""
    path = write_start(tmp_path / "new" / "record")
    found = read_installation(path.parent)
    assert found.name == "Harbour street"
    assert found.mirrors == (StatedMirror(),)
    assert found.within_reach


def test_the_started_file_filled_in(tmp_path: Path) -> None:
    """Every commented line becomes an entry when its sign is taken away."""
    path = write_start(tmp_path)
    filled = path.read_text(encoding="utf-8")
    keys = ("when", "width_mm", "height_mm", "glass_mm", "mount", "foot_depth_mm", "want_turn_deg", "tolerance_deg")
    keys += ("sheet", "rule_mm", "camera", "touching", "flatness", "stock_mm")
    assert filled.count("\n# ") == 2 + len(keys), "two lines of introduction behind the first, and no other entry"
    for key in keys:
        assert f"# {key} = " in filled
        filled = filled.replace(f"# {key} = ", f"{key} = ")
    path.write_text(filled, encoding="utf-8")
    found = read_installation(tmp_path)
    assert found.when == "2026-07-14"
    assert found.mirrors == (
        StatedMirror(
            width_mm=240,
            height_mm=170,
            glass_mm=4,
            mount="wall",
            foot_depth_mm=40,
            want_turn_deg=0,
            tolerance_deg=0.1,
            sheet="a5",
            rule_mm=100,
            camera="phone.json",
            touching=True,
            flatness=True,
            stock_mm=(0.1, 0.2, 0.5, 1),
        ),
    )


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
        (START + "[[cautions]]\nsunlight = true\n", r"line 3: \[cautions\]"),
        (START + '[[mirror]]\nname = "a"\n[[mirror]]\nwidth_mm = 3\n', r"line 5: \[mirror\] name: is missing"),
        (START + '[[mirror]]\nname = "a"\n[[mirror]]\nname = "A"\n', r"line 6: .*another mirror"),
        (START + "[mirror]\nboard = [9, 6]\n", r"square_mm: is missing"),
        (START + "[mirror]\nboard = [9, 2]\nsquare_mm = 4\n", r"line 4: .*3 to 100 inner corners"),
        (START + '[mirror]\nsheet = "a3"\n', r'line 4: .*expected one of "card"'),
        (START + "[mirror]\nrule_mm = [100, 5]\n", r"line 4: .*20 to 500"),
        (START + "[mirror]\nstock_mm = [0.1, 0]\n", r"line 4: .*more than 0"),
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


TWO = """\
format = "align-installation-1"
name = "Harbour street"   # as the museum calls it
# our two mirrors
[[mirror]]
name = "arcade"           # the large one
width_mm = 300            # measured twice
height_mm = 150
want_turn_deg = 12
[[mirror]]
name = "yard"
sheet = "a6"
rule_mm = [100.2, 99.9]
"""


def test_several_mirrors_are_read_and_found_by_name() -> None:
    """Capitals aside; a name that none has is refused with those that there are."""
    found = installation_from_text(TWO)
    assert found.mirror_names == ("arcade", "yard")
    assert found.mirror("Arcade ").size_mm == (300, 150)
    assert found.mirror("yard").rule_mm == (100.2, 99.9)
    with pytest.raises(AlignError, match="no mirror named 'shed'") as caught:
        found.mirror("shed")
    assert '"arcade" or "yard"' in caught.value.remedy


def test_the_old_form_of_one_mirror_is_still_read() -> None:
    """[mirror] with what it had."""
    old = START + '[mirror]\nname = "x"\nwidth_mm = 240\nheight_mm = 170\nmount = "foot"\n'
    assert installation_from_text(old).mirrors == (StatedMirror("x", 240, 170, mount="foot"),)


def test_a_mirror_is_changed_and_comments_stay(tmp_path: Path) -> None:
    """Only the lines of what changed."""
    path = tmp_path / "installation.toml"
    path.write_text(TWO, encoding="utf-8")
    arcade = read_installation(tmp_path).mirror("arcade")
    write_mirror(tmp_path, with_changes(arcade, width_mm=301.5, glass_mm=4.0))
    changed = path.read_text(encoding="utf-8")
    expected = TWO.replace("width_mm = 300 ", "width_mm = 301.5 ")
    assert changed.replace("glass_mm = 4\n", "") == expected
    assert read_installation(tmp_path).mirror("arcade").glass_mm == 4
    renamed = write_mirror(tmp_path, with_changes(arcade, name="quay", want_turn_deg=None), instead_of="arcade")
    assert renamed.mirror_names == ("quay", "yard")
    assert "want_turn_deg" not in path.read_text(encoding="utf-8")
    with pytest.raises(ValueError, match="no widht_mm"):
        with_changes(arcade, widht_mm=3)


def test_a_mirror_is_added_and_the_old_form_becomes_the_first_of_several(tmp_path: Path) -> None:
    """Without a file one is begun; its commented lines come to life."""
    path = tmp_path / "installation.toml"
    path.write_text(START + '[mirror]  # mine\nname = "a"\nwidth_mm = 240\n[cautions]\nsunlight = false\n')
    found = write_mirror(tmp_path, StatedMirror("b", 200, 100, mount="foot", foot_depth_mm=40, touching=True))
    assert found.mirror_names == ("a", "b")
    assert found == read_installation(tmp_path)
    assert not found.sunlight
    assert "[[mirror]]  # mine" in path.read_text(encoding="utf-8")
    fresh = write_mirror(tmp_path / "fresh", StatedMirror("a", 200, 100, 4.0, want_turn_deg=-12.5))
    assert fresh.name == "fresh"
    text = (tmp_path / "fresh" / "installation.toml").read_text(encoding="utf-8")
    assert "\nwant_turn_deg = -12.5  " in text
    assert "# want_turn_deg" not in text
    assert "# tolerance_deg = 0.1" in text


def test_the_scene_is_changed(tmp_path: Path) -> None:
    """Quotes and line breaks too; what is not given stays."""
    path = write_start(tmp_path)
    found = write_scene(tmp_path, name='The "quay"', notes="one\n\ntwo")
    assert (found.name, found.notes, found.place) == ('The "quay"', "one\n\ntwo", "")
    assert "# of the scene, as it stands in headings" in path.read_text(encoding="utf-8")


def test_what_contradicts_itself_is_not_written(tmp_path: Path) -> None:
    """The file stays as it was."""
    path = write_start(tmp_path)
    before = path.read_bytes()
    for mirror in (StatedMirror("a", board=(9, 6)), StatedMirror("a", width_mm=-3), StatedMirror("a", sheet="a3")):
        with pytest.raises(FileFormatError):
            write_mirror(tmp_path, mirror)
    assert path.read_bytes() == before
    path.write_text(START + 'mirror = [{name = "a"}]\n', encoding="utf-8")
    with pytest.raises(FileFormatError, match="cannot be changed from here"):
        write_mirror(tmp_path, StatedMirror("b"))


@pytest.mark.skipif(sys.platform == "win32", reason="links need rights there")
def test_a_link_is_neither_read_nor_overwritten(tmp_path: Path) -> None:
    """installation.toml that points out of the record."""
    outside = tmp_path / "outside.toml"
    outside.write_text(TWO, encoding="utf-8")
    record = tmp_path / "record"
    record.mkdir()
    (record / "installation.toml").symlink_to(outside)
    for act in (lambda: read_installation(record), lambda: write_mirror(record, StatedMirror("c"))):
        with pytest.raises(LinkError, match="is a link"):
            act()
    (record / "installation.toml").unlink()
    (record / "installation.toml").symlink_to(tmp_path / "nowhere.toml")
    with pytest.raises(LinkError, match="is a link"):
        write_start(record)
    assert outside.read_text(encoding="utf-8") == TWO
    assert not (tmp_path / "nowhere.toml").exists()

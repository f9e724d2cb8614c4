"""What a record's entries say together."""

from __future__ import annotations

import copy
import json
from pathlib import Path

import pytest

from align.bundle.glass import GlassSummary
from align.errors import AlignError, FileFormatError
from align.records.contents import read_record
from align.records.installation import Installation, StatedMirror
from align.records.page import page_html
from tests.support.answers import about, made_answer, made_mirror
from tests.support.record_samples import (
    GLASS_ANSWER,
    TWO_MIRRORS,
    add_made,
    entry_of,
    made_check,
    made_record,
    part_with,
    record_with,
    small_photo,
    two_mirror_record,
    write_changed,
)


def test_first_and_latest_and_numbers(tmp_path: Path) -> None:
    """Entries are numbered as they came."""
    record = read_record(made_record(tmp_path / "record"))
    assert [item.number for item in record.entries] == [1, 2, 3, 4]
    [part] = record.parts
    assert part.before is not None
    assert part.now is not None
    assert part.standing is not None
    assert part.before.result.verdict == "out of square"
    assert part.now.result.verdict == "square"
    assert [asked.number for asked in part.standing.asked] == [1, 2]


def test_ghosts_tell_the_glass_before_corners_and_these_before_the_receipt() -> None:
    """The best that is known."""
    unknown = GlassSummary("undetermined", None)
    bought = Installation("x", mirrors=(StatedMirror(glass_mm=5.0),))
    vague = entry_of(made_answer(made_mirror(glass=unknown)), 1)
    assert part_with(bought, [vague]).glass == GlassSummary("back-silvered", about(5.0, 0.0), "stated")
    assert part_with(Installation("x"), [vague]).glass == unknown
    measured = entry_of(made_answer(made_mirror(glass=GlassSummary("back-silvered", about(3.05, 0.14)))), 2)
    record = part_with(bought, [measured, vague])
    assert record.optics is not None
    assert record.optics.thickness_mm == 3.05


def test_a_glass_photo_counts(tmp_path: Path) -> None:
    """Its thickness goes into seam, ghosts and weight."""
    [part] = read_record(made_record(tmp_path / "record")).parts
    assert part.optics is not None
    assert part.optics.thickness_mm == 3.96
    assert part.weight is not None
    assert part.weight.kilograms == pytest.approx(0.300 * 0.150 * 0.004 * 2500), "as bought"
    assert part.notes == ()


@pytest.mark.parametrize(
    ("bought", "found", "words"),
    [
        (3.0, GlassSummary("back-silvered", about(3.05, 0.14)), ""),
        (3.3, GlassSummary("back-silvered", about(3.05, 0.14)), ""),
        (4.0, GlassSummary("back-silvered", about(3.05, 0.14)), "bought as 4 mm, but measured 2.9 to 3.2 mm"),
        (0.0, GlassSummary("back-silvered", None), "bought as front-coated"),
        (3.0, GlassSummary("front-coated", None), "photos show none"),
        (3.0, GlassSummary("undetermined", None), ""),
    ],
)
def test_glass_that_is_not_as_bought_is_noted(bought: float, found: GlassSummary, words: str) -> None:
    """Within the interval and the makers' tolerance it is as bought."""
    check = entry_of(made_answer(made_mirror(glass=found)), 1)
    notes = part_with(Installation("x", mirrors=(StatedMirror(glass_mm=bought),)), [check]).notes
    assert words in (notes[0] if notes else "")
    assert bool(words) == bool(notes)


def test_a_front_coated_mirror_has_no_seam() -> None:
    """Nor ghosts; but a caution of its own."""
    coated = made_answer(made_mirror(glass=GlassSummary("front-coated", about(0.0, 0.1))))
    record = record_with(Installation("x", mirrors=(StatedMirror(glass_mm=0.0),)), [entry_of(coated, 1)])
    assert record.parts[0].optics is None
    assert any(caution.heading == "Front coating" for caution in record.cautions)


def test_size_comes_from_the_settings_when_nobody_wrote_it_down() -> None:
    """--mirror of the latest check that had it; nonsense counts as nothing."""
    checks = [
        entry_of(made_check(0.6, -0.3), 1, {"mirror": [240, 170], "mount": ["foot", 40.0]}),
        entry_of(made_check(0.0, 0.0), 2, {"mirror": "large", "mount": ["foot", 35.0]}),
    ]
    standing = part_with(Installation("x"), checks).standing
    assert standing is not None
    assert (standing.width_mm, standing.height_mm, standing.size_known) == (240, 170, True)
    assert standing.foot_depth_mm == 35.0


def test_a_refused_entry_costs_only_itself(tmp_path: Path) -> None:
    """A newer version's entry is left out, and the reader is told."""
    folder = made_record(tmp_path / "record")
    second = sorted((folder / "entries").iterdir())[1]
    raw = json.loads((second / "entry.json").read_text(encoding="utf-8"))
    write_changed(second, {**raw, "format": "align-entry-2"})
    record = read_record(folder)
    assert len(record.entries) == 3
    assert "align-entry-2" in record.refused[0]
    assert str(tmp_path) not in record.refused[0]


def test_a_changed_file_is_noted(tmp_path: Path) -> None:
    """By name."""
    folder = made_record(tmp_path / "record")
    first = min((folder / "entries").iterdir())
    (first / "picture-1.png").write_bytes(b"x")
    assert "picture-1.png" in read_record(folder).notes[0]


def test_no_record_says_how_to_begin(tmp_path: Path) -> None:
    """No folder, an empty one, and one with nothing readable."""
    with pytest.raises(AlignError, match="no folder"):
        read_record(tmp_path / "nothing")
    with pytest.raises(AlignError, match="no entry") as caught:
        read_record(tmp_path)
    assert "--into" in caught.value.remedy
    path = add_made(tmp_path, small_photo(tmp_path / "IMG.jpg"), made_check(0.1, 0.1))
    (path / "entry.json").write_text("{", encoding="utf-8")
    with pytest.raises(AlignError, match="no entry that can be read"):
        read_record(tmp_path)
    (tmp_path / "installation.toml").write_text("name = x\n", encoding="utf-8")
    with pytest.raises(FileFormatError, match="line 1"):
        read_record(tmp_path)


def test_a_record_of_glass_alone(tmp_path: Path) -> None:
    """Is a record, though no mirror was checked."""
    add_made(tmp_path / "record", small_photo(tmp_path / "IMG.jpg"), copy.deepcopy(GLASS_ANSWER))
    [record] = read_record(tmp_path / "record").parts
    assert record.now is None
    assert record.standing is None
    assert record.glass is not None
    assert record.glass.verdict == "back-silvered"


def edited(folder: Path, number: int, change: dict[str, object], *, signed: bool = True) -> None:
    """Change the answer's only mirror in one entry; signed : with the checksum that fits, else with none."""
    path = folder / "entries" / f"entry-{number:04d}"
    raw = json.loads((path / "entry.json").read_text(encoding="utf-8"))
    raw["result"] |= change if "mirrors" in change else {}
    raw["result"]["mirrors"] = [mirror | change for mirror in raw["result"]["mirrors"]]
    if signed:
        write_changed(path, raw)
        return
    del raw["own_sha256"]
    (path / "entry.json").write_text(json.dumps(raw), encoding="utf-8")


@pytest.mark.parametrize("signed", [True, False])
@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"lean_deg": {"value": 5.0, "low": 4.0, "high": 6.0}}, 'it says "square", but its lean may be 6° off'),
        ({"turn_deg": {"value": 0.0, "low": -0.3, "high": 0.3}}, 'it says "square", but its turn may be -0.3° off'),
        ({"mirrors": []}, "it is of no mirror"),
        ({"lean_deg": {"value": 9.0, "low": -0.01, "high": 0.01}}, "the lean lies outside its own interval"),
    ],
)
def test_an_entry_that_contradicts_itself_is_not_called_true(
    tmp_path: Path, change: dict[str, object], words: str, signed: bool
) -> None:
    """It alone is left out, and named; the page stands on the others."""
    folder = made_record(tmp_path / "record", [made_check(0.62, -0.35), made_check(0.02, -0.01)])
    edited(folder, 2, change, signed=signed)
    record = read_record(folder)
    [part] = record.parts
    assert part.now is not None
    assert part.now.result.verdict == "out of square"
    assert record.refused[0].startswith("Entry 2 was left out: entry-0002 contradicts itself")
    assert words in record.refused[0]


def test_what_stops_one_entry_does_not_stop_the_page(tmp_path: Path) -> None:
    """Lone surrogates, a date that no calendar has, a link: that entry alone is left out, and named."""
    folder = made_record(tmp_path / "record")
    for number, change in ((1, {"program": "\ud800"}), (2, {"date": "2026-W29-2T10:00:00+02:00"})):
        path = folder / "entries" / f"entry-{number:04d}"
        write_changed(path, {**json.loads((path / "entry.json").read_text(encoding="utf-8")), **change})
    record = read_record(folder)
    assert [item.number for item in record.entries] == [3, 4]
    assert [words[:21] for words in record.refused] == ["Entry 1 was left out:", "Entry 2 was left out:"]
    assert "<html" in page_html(record)


def test_two_mirrors_are_told_apart(tmp_path: Path) -> None:
    """A part each, with its own entries, wanted turn, size and drift; the removed one is named."""
    record = read_record(two_mirror_record(tmp_path / "two" / "record"))
    arcade, yard = record.parts
    assert (arcade.name, yard.name) == ("arcade mirror", "yard mirror")
    assert [item.number for item in arcade.checks] == [1, 3, 6, 8, 9, 11, 12]
    assert [item.number for item in yard.checks] == [2, 4, 7, 10]
    assert [entry.number for entry in record.removed] == [5]
    assert record.removed[0].note.text == "the sheet had slipped"
    assert record.notes_to[8].before == ("after the heating was repared",)
    assert arcade.drift is not None
    assert (arcade.drift.number, arcade.drift.changes[0].verdict) == (3, "moved")
    assert arcade.standing is not None
    assert yard.standing is not None
    assert (arcade.standing.width_mm, yard.standing.width_mm) == (300, 200)
    assert yard.standing.foot_depth_mm == 40
    assert record.refused == record.notes == ()


def test_answers_of_earlier_versions_find_their_mirrors(tmp_path: Path) -> None:
    """Without names: the first from the left is the first of the form, and so on."""
    both = made_answer(made_mirror(0.1), made_mirror(0.0, 30.0, number=2))
    folder = made_record(tmp_path / "record", [both, made_check(0.02, 0.0)])
    assert [part.name for part in read_record(folder).parts] == ["arcade mirror", "mirror 2"]
    (folder / "installation.toml").write_text(TWO_MIRRORS, encoding="utf-8")
    parts = read_record(folder).parts
    assert [part.name for part in parts] == ["arcade mirror", "yard mirror"]
    assert [len(part.checks) for part in parts] == [2, 1]


def test_a_mirror_that_the_form_does_not_name_any_more(tmp_path: Path) -> None:
    """It has its part, and the reader is told."""
    folder = two_mirror_record(tmp_path / "two" / "record")
    file = folder / "installation.toml"
    file.write_text(TWO_MIRRORS.replace('"yard mirror"', '"quay mirror"'), encoding="utf-8")
    record = read_record(folder)
    assert [part.name for part in record.parts] == ["arcade mirror", "yard mirror"]
    assert 'Entries name a mirror "yard mirror"' in record.notes[0]

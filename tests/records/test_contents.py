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
from tests.support.answers import about, made_answer, made_mirror
from tests.support.record_samples import (
    GLASS_ANSWER,
    add_made,
    entry_of,
    made_check,
    made_record,
    part_with,
    record_with,
    small_photo,
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

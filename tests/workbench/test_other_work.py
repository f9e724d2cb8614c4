"""Entries taken out, lamps without the sheet, lengths in inches: what the pages do as the commands do."""

from __future__ import annotations

from pathlib import Path

import pytest

from align.errors import AlignError
from align.records.contents import read_record
from align.records.installation import StatedMirror
from align.workbench.other_work import entries_of, take_out, without_sheet
from align.workbench.pages import mirrors_shown, page, size_words, table_contents
from align.workbench.receiving import Refused
from align.workbench.series import Answer
from align.workbench.session import Session
from tests.support.answers import made_answer, made_mirror
from tests.support.record_samples import made_record


@pytest.fixture
def session(tmp_path: Path) -> Session:
    """A session over a record with entries."""
    made_record(tmp_path / "record")
    one = Session(tmp_path / "record")
    one.worker.stop(5)
    return one


def test_an_entry_is_taken_out(session: Session) -> None:
    """It moves to `removed`, with the reason; the others stay; a second time there is none."""
    before = entries_of(session)
    assert len(before) > 1
    assert [entry.number for entry in before] == sorted((entry.number for entry in before), reverse=True)
    take_out(session, before[-1].number, "  taken  before the floor was laid ")
    assert [entry.number for entry in entries_of(session)] == [entry.number for entry in before[:-1]]
    (removed,) = read_record(session.folder).removed
    assert (removed.number, removed.note.text) == (before[-1].number, "taken before the floor was laid")
    with pytest.raises(AlignError):
        take_out(session, before[-1].number, "")
    plain = {"made": False, "waiting": [], "failed": None, "fields": (), "written": {}}
    html = page("record.html.j2", session, "record", entries=before, **plain)
    assert html.count('action="/record/remove"') == html.count('action="/record/note"') == len(before)


def test_lengths_for_lamps_without_the_sheet() -> None:
    """Millimetres or inches, or nothing; what is no length is refused at its field."""
    assert without_sheet({"distance_mm": "620", "glass_mm": "3,8"}) == {"distance_mm": 620.0, "glass_mm": 3.8}
    assert without_sheet({"distance_mm": "24 in"}) == {"distance_mm": pytest.approx(609.6), "glass_mm": None}
    with pytest.raises(Refused, match="lamps' reflections: Expected a number") as refused:
        without_sheet({"distance_mm": "far"})
    assert refused.value.status == 422


def test_lengths_are_shown_in_inches(tmp_path: Path) -> None:
    """On every part of the page, for answers that were there before, and at the next start."""
    one = Session(tmp_path)
    table = one.save_mirror(StatedMirror(name="m", width_mm=304.8, height_mm=152.4, mount="wall"))
    result = made_answer(made_mirror(0.6, -0.3, 0.005, mirror_size_mm=(304.8, 152.4)))
    answer = Answer(1, 1, (1,), None, None, "2026-07-14T10:32:05+02:00", result)
    table.series.answers.append(answer)
    table.shelf.put("answer", 1, answer.to_json())
    assert " mm" in mirrors_shown(table.series.now, None, table.mirror.size_mm)[0].front
    one.show_in("in")
    contents = table_contents(one, table)
    assert contents["size_words"] == "12 × 6 in"
    assert contents["stack_units"] == "in"
    front = contents["mirrors"][0].front
    assert " in<" in front
    assert " mm<" not in front
    facts = dict(contents["mirrors"][0].facts)
    assert " in from the sheet's edge to the glass" in facts["Gap"]
    assert facts["Glass"]
    assert one.settings(table.mirror).units == "in"
    one.worker.stop(5)
    again = Session(tmp_path)
    again.worker.stop(5)
    assert again.units == "in"
    assert again.tables[0].series.answers[0].result.settings.units == "in"
    assert size_words(None, "in") == ""

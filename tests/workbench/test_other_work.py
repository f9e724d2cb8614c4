"""Entries taken out, lamps without the sheet, lengths in inches: what the pages do as the commands do."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from align.errors import AlignError
from align.records.contents import read_record
from align.records.installation import StatedMirror, read_installation
from align.sighting.known_length import THINGS
from align.target.sheets import SHEETS
from align.workbench import plan_work
from align.workbench.form_fields import CAMERA
from align.workbench.other_work import (
    add_to_set,
    answer_of,
    entries_of,
    give_note,
    keep_rule,
    measure_camera,
    measure_print,
    print_shelf,
    save_scene,
    stated_in,
    take_out,
    without_sheet,
)
from align.workbench.pages import mirrors_shown, page, size_words, table_contents
from align.workbench.receiving import Refused
from align.workbench.series import Answer
from align.workbench.session import Session
from tests.support.answers import made_answer, made_mirror
from tests.support.patience import patient
from tests.support.record_samples import made_record
from tests.support.synthetic import degrees_mirror, synthetic_photo, write_photo
from tests.support.things import with_thing


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


def test_an_entry_gets_a_note_and_the_scene_its_words(session: Session) -> None:
    """As `align record --note` and the file itself would have them; what is shown is what was written."""
    number = entries_of(session)[0].number
    give_note(session, number, " seen  before the glue set ")
    assert entries_of(session)[0].note == "seen before the glue set"
    save_scene(session, {"name": "Fish market", "place": "room 3", "who": "", "notes": "two lines,\r\nno more"})
    assert (session.installation.name, session.installation.place) == ("Fish market", "room 3")
    assert read_installation(session.folder).notes == "two lines,\nno more"
    with pytest.raises(Refused, match="needs a name"):
        save_scene(session, {"name": " "})


@pytest.mark.parametrize(
    ("stated", "words"),
    [
        ({"board": (7, 6)}, "Board and square belong together"),
        ({"square_mm": 20.0}, "Board and square belong together"),
        ({"board": (7, 6), "square_mm": 20.0, "rule_mm": 99.0}, "the square is measured"),
    ],
)
def test_what_a_camera_is_measured_with_is_stated_whole(
    session: Session, stated: dict[str, Any], words: str
) -> None:
    """As on the command line, before anything is worked out."""
    with pytest.raises(Refused, match=words):
        measure_camera(session, stated)


def test_a_short_form_is_read_like_the_long_one() -> None:
    """Numbers with their units, nothing for what was left empty."""
    assert stated_in(CAMERA, {"rule_mm": "99,4 mm"}) == {"rule_mm": 99.4, "board": None, "square_mm": None}
    assert stated_in(CAMERA, {"board": "7 x 6", "square_mm": "1 in"})["board"] == (7, 6)
    with pytest.raises(Refused, match="100 mm rule: Expected 20 to 500 mm"):
        stated_in(CAMERA, {"rule_mm": "2"})


@pytest.mark.slow
def test_a_plan_tells_the_record(tmp_path: Path) -> None:
    """The example scene's mirror stands at the bench, with the size and glass that the plan gives it."""
    one = Session(tmp_path / "record")
    plan_work.start_scene(one)
    ticket = plan_work.hand_over(one, plan_work.scenes(one)[0])
    assert one.worker.wait(ticket, patient(120))
    one.worker.stop(5)
    assert ticket.state == "done", ticket.message
    (table,) = one.tables
    assert table.mirror.size_mm == (240.0, 170.0)
    assert table.mirror.glass_mm == 4
    assert table.mirror.notes.startswith("to be checked with")


@pytest.mark.slow
def test_a_card_beside_the_sheet_gives_the_rule(tmp_path: Path) -> None:
    """Measured as by `align check --beside card`, kept as the rule's length; a print is stated once."""
    mirror = degrees_mirror(0.4, -0.3, 60.0)
    bare = synthetic_photo(SHEETS["a6"], (70.0, -390.0, 330.0), [mirror], size=(2800, 2100), aim=(20.0, -60.0, 0.0))
    picture = with_thing(*bare, THINGS["card"], 0.97, (125.0, -60.0), 90.0)
    one = Session(tmp_path / "record")
    table = one.save_mirror(StatedMirror(name="arcade mirror", exact_print=True))
    with pytest.raises(AlignError, match="not measured yet"):
        keep_rule(one, table)
    with pytest.raises(Refused, match="what lies beside"):
        measure_print(one, table, "button")
    add_to_set(one, print_shelf(table), write_photo(tmp_path / "a.jpg", picture).read_bytes())
    ticket = measure_print(one, table, "card")
    assert one.worker.wait(ticket, patient(120))
    assert ticket.state == "done", ticket.message
    told = answer_of(print_shelf(table))
    assert told is not None
    assert "By the bank card beside it, the sheet is printed at 9" in told.text
    keep_rule(one, table)
    one.worker.stop(5)
    kept = one.tables[0].mirror
    assert kept.rule_mm == pytest.approx(97.0, abs=0.6)
    assert not kept.exact_print

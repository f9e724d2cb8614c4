"""A bench in use, without a server: photos in, a series of answers out, and what a new start finds."""

from __future__ import annotations

import json
import time
from pathlib import Path

import pytest

from align.errors import AlignError, PhotoError
from align.records.contents import read_record
from align.records.entry import read_entry
from align.records.installation import StatedMirror, read_installation
from align.workbench import thresholds
from align.workbench.receiving import Refused
from align.workbench.series import series_from_json
from align.workbench.session import NO_FOCAL_LENGTH, Session, Table
from align.workbench.words import next_step, what_changed
from tests.support.patience import patient
from tests.support.small_photos import photo_of_mirror

MIRROR = StatedMirror(name="arcade mirror", width_mm=300, height_mm=150, mount="wall")


def begun(folder: Path, mirror: StatedMirror = MIRROR) -> tuple[Session, Table]:
    """A session with one mirror."""
    session = Session(folder)
    return session, session.save_mirror(mirror)


def sent(session: Session, table: Table, *photos: bytes) -> None:
    """Photos one after the other, each answered."""
    for photo in photos:
        _, ticket = session.take_photo(table, photo)
        assert session.worker.wait(ticket, 60)


def all_done(session: Session) -> None:
    """Wait for what nobody waits for: the record's entries."""
    last = session.worker.put("", "the end", lambda ticket: None, later=True, quiet=True)
    assert session.worker.wait(last, 60)


@pytest.fixture(scope="module")
def worked(tmp_path_factory: pytest.TempPathFactory) -> tuple[Session, Table]:
    """Leaning, photographed twice; then packed and true; then one photo that shows no sheet."""
    session, table = begun(tmp_path_factory.mktemp("bench") / "record")
    leaning = [photo_of_mirror(0.6, -0.3, seed=seed) for seed in (1, 2)]
    sent(session, table, *leaning, photo_of_mirror(0.01, 0.0, seed=3), blank_photo())
    all_done(session)
    session.worker.stop(5)
    return session, table


def blank_photo() -> bytes:
    """A grey photo without a sheet."""
    import io

    import numpy as np
    from PIL import Image

    file = io.BytesIO()
    noise = np.random.default_rng(0).integers(110, 140, (600, 800), dtype=np.uint8)
    Image.fromarray(noise).save(file, "JPEG")
    return file.getvalue()


@pytest.mark.slow
def test_photos_of_one_stand_are_solved_together(worked: tuple[Session, Table]) -> None:
    """The second photo joins the first: a narrower interval that holds the truth."""
    first, second, _ = worked[1].series.answers
    assert (first.stand, first.photos, first.moved) == (1, (1,), None)
    assert (second.stand, second.photos, second.moved) == (1, (1, 2), False)
    lean = [answer.result.mirrors[0].lean_deg for answer in (first, second)]
    assert lean[1].half_width < lean[0].half_width
    assert lean[1].low < 0.6 < lean[1].high
    assert "2 photos are solved together" in what_changed(second, first)[0]


@pytest.mark.slow
def test_a_mirror_that_moved_begins_a_new_stand(worked: tuple[Session, Table]) -> None:
    """By the test on both answers, not by the clock; the page says what changed, and to stop."""
    series = worked[1].series
    _, second, third = series.answers
    assert (third.stand, third.photos, third.moved) == (2, (3,), True)
    assert third.probability is not None
    assert third.probability < thresholds.CHANGE_LEVEL
    assert third.result.verdict == "square"
    assert series.last_stand is second
    words = " ".join(what_changed(third, second))
    assert "The mirror has moved since photo 2." in words
    assert "The lean is right." in words
    assert "The turn is right." in words
    assert "No more packing is needed." in words
    step = next_step(series)
    assert step is not None
    assert step.stop


@pytest.mark.slow
def test_a_photo_without_a_sheet_is_refused_and_kept(worked: tuple[Session, Table]) -> None:
    """In the error's own words, and without a folder of this computer in them."""
    session, table = worked
    refusal = table.series.refused_last
    assert refusal is not None
    assert refusal.number == 4
    assert refusal.remedy
    assert str(session.folder) not in refusal.message
    assert table.shelf.read("refusal")[4]["message"] == refusal.message


@pytest.mark.slow
def test_every_answer_is_an_entry_of_the_record(worked: tuple[Session, Table]) -> None:
    """With its photos, its picture and the mirror's settings."""
    record = read_record(worked[0].folder)
    assert [len(item.entry.photos) for item in record.entries] == [1, 2, 1]
    drawn = [item.entry.photos[-1].picture for item in record.entries]
    assert drawn == ["picture-1.png", "picture-2.png", "picture-1.png"]
    settings = [read_entry(item.entry.folder).settings for item in record.entries]
    assert settings[0]["mirror_size_mm"] == [300, 150]
    assert settings[0]["mirror_name"] == "arcade mirror"
    assert len(record.parts) == 1
    assert not record.refused


@pytest.mark.slow
def test_a_new_start_goes_on_where_the_last_ended(worked: tuple[Session, Table]) -> None:
    """The series is there again; a photo of the same stand joins its photos, a moved mirror begins another."""
    again = Session(worked[0].folder)
    (table,) = again.tables
    stored, answered = ([a.to_json() for a in t.series.answers] for t in (table, worked[1]))
    assert stored == answered
    sent(again, table, photo_of_mirror(0.01, 0.0, seed=4))
    now = table.series.now
    assert now is not None
    assert (now.stand, now.photos, now.moved) == (2, (3, 5), False)
    all_done(again)
    again.worker.stop(5)


@pytest.mark.slow
def test_what_was_acknowledged_is_answered_after_a_new_start(tmp_path: Path) -> None:
    """A photo on the shelf without an answer is worked on; an answer without its entry gets one."""
    session, table = begun(tmp_path)
    session.worker.stop(5)
    number, _ = session.take_photo(table, photo_of_mirror(0.3, 0.1, seed=6))
    again = Session(tmp_path)
    (table,) = again.tables
    end = time.monotonic() + patient(60)
    while table.series.now is None and time.monotonic() < end:
        time.sleep(0.02)
    all_done(again)
    again.worker.stop(5)
    assert table.series.now is not None
    assert table.series.now.number == number
    (tmp_path / "bench" / table.key / "entry-0001.json").unlink()
    third = Session(tmp_path)
    all_done(third)
    third.worker.stop(5)
    assert len(list((tmp_path / "entries").iterdir())) == 2
    assert table.shelf.read("entry")[1]


@pytest.mark.slow
def test_a_photo_of_another_camera_is_compared_but_not_joined(tmp_path: Path) -> None:
    """Two zooms cannot be solved with one camera; that nothing moved is noticed all the same."""
    session, table = begun(tmp_path)
    sent(session, table, photo_of_mirror(0.4, 0.2, seed=7), photo_of_mirror(0.4, 0.2, seed=8, equivalent_mm=None))
    second = table.series.now
    all_done(session)
    session.worker.stop(5)
    assert second is not None
    assert second.stand == 1
    assert second.moved is False
    assert NO_FOCAL_LENGTH in second.notes


def test_a_mirror_is_written_into_the_records_form(tmp_path: Path) -> None:
    """The form keeps what the page was told; a change of name takes the photos along."""
    session, table = begun(tmp_path)
    assert read_installation(tmp_path).mirror("arcade mirror").size_mm == (300, 150)
    table.shelf.put_photo(b"x", ".jpg")
    renamed = session.save_mirror(StatedMirror(name="yard mirror", width_mm=120, height_mm=80), "arcade mirror")
    assert renamed.shelf.photos() == [1]
    assert [mirror.name for mirror in read_installation(tmp_path).mirrors] == ["yard mirror"]
    session.save_mirror(StatedMirror(name="arcade mirror"))
    with pytest.raises(AlignError, match="already"):
        session.save_mirror(StatedMirror(name="Arcade Mirror"))
    assert [table.name for table in session.tables] == ["yard mirror", "arcade mirror"]
    session.worker.stop(1)


def test_settings_are_those_of_the_form(tmp_path: Path) -> None:
    """Everything that the form states reaches the check."""
    session, table = begun(
        tmp_path,
        StatedMirror(
            name="m",
            width_mm=100,
            height_mm=50,
            mount="foot",
            foot_depth_mm=40,
            want_turn_deg=12,
            tolerance_deg=0.2,
            glass_mm=4,
            rule_mm=99.5,
            touching=True,
            stock_mm=(0.1, 1.0),
        ),
    )
    settings = session.settings(table.mirror)
    session.worker.stop(1)
    assert settings.mirror_size_mm == (100, 50)
    assert (settings.mount.kind, settings.mount.foot_depth_mm) == ("foot", 40)
    assert settings.want_turn_deg == (12,)
    assert settings.tolerance_deg == 0.2
    assert (settings.glass_mm, settings.rule_mm, settings.touching) == (4, 99.5, True)
    assert settings.stock_mm == (1.0, 0.1)


def test_there_are_so_many_places_and_no_more(tmp_path: Path) -> None:
    """Places are given back whatever became of the photo."""
    session, _ = begun(tmp_path)
    places = [session.place() for _ in range(thresholds.MOST_WAITING)]
    for place in places:
        place.__enter__()
    with pytest.raises(Refused) as refused, session.place():
        pass
    assert refused.value.status == 503
    places[0].__exit__(None, None, None)
    with session.place():
        pass
    session.worker.stop(1)


def test_what_is_no_photo_is_not_kept(tmp_path: Path) -> None:
    """Nothing lands on the shelf; the words name no file of this computer."""
    session, table = begun(tmp_path)
    with pytest.raises(PhotoError) as error:
        session.take_photo(table, b"not a photo at all")
    assert table.shelf.photos() == []
    assert "/" not in error.value.message
    session.worker.stop(1)


def test_a_damaged_answer_costs_only_itself() -> None:
    """What cannot be read is left out of the series."""
    series = series_from_json(
        {1: {"format": "other"}, 2: {"format": "align-bench-answer-1"}}, {3: {"message": "dark"}}
    )
    assert series.answers == []
    assert series.refusals[0].message == "dark"
    assert json.dumps(series.refusals[0].to_json())

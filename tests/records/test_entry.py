"""Entries of a record: whole or not at all, whatever happens to the program or the disk."""

from __future__ import annotations

import errno
import json
import os
import random
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from align.errors import AlignError, FileFormatError
from align.records.entry import EntryPhoto, kind_of, read_entry, without_folders, write_entry
from align.records.entry_folders import entry_folders, entry_places, remove_entry
from align.records.notes import read_note, write_note
from align.records.plain_files import LinkError
from tests.support.places import ROOT
from tests.support.record_samples import add_made, made_check, small_photo, write_changed

#: Adds entries; says when it begins. Told a number, it kills itself as it is about to touch a file of an
#: unfinished entry (or to rename it into the finished ones) for that many-th time: a moment that no clock misses.
WRITER = """
import os, signal, sys
sys.path[:0] = [{root!r}]
from pathlib import Path
from tests.support.record_samples import made_check, png_of
from align.records.job import add_entry
folder, photo, name, (count, last) = Path(sys.argv[1]), Path(sys.argv[2]), sys.argv[3], map(int, sys.argv[4:])
answer, picture, touched = made_check(0.5, 0.1).to_json(), png_of(photo), 0
def touch(event, arguments):
    global touched
    if event in ("open", "os.rename") and ".unfinished-" in str(arguments[0]):
        touched += 1
        if touched == last:
            os.kill(os.getpid(), signal.SIGKILL)
sys.addaudithook(touch)
print("ready", flush=True)
for _ in range(count):
    add_entry(folder, answer, settings={{"writer": name}}, photos=[photo], pictures=[picture])
"""


def start_writer(folder: Path, photo: Path, count: int, name: str, last: int = 0) -> subprocess.Popen[str]:
    """A program of its own that adds entries; killed by its `last`-th touch of an unfinished entry (0: never)."""
    code = WRITER.format(root=str(ROOT))
    writer = subprocess.Popen(
        [sys.executable, "-c", code, str(folder), str(photo), name, str(count), str(last)],
        stdout=subprocess.PIPE,
        text=True,
    )
    assert writer.stdout is not None
    assert writer.stdout.readline() == "ready\n"
    return writer


def whole_entries(folder: Path) -> list[str]:
    """Names of all entries, each read and every file of it compared with its checksum."""
    names = []
    for path in entry_folders(folder):
        entry = read_entry(path)
        assert entry.damaged_files() == []
        assert set(entry.sha256) | {"entry.json"} == {file.name for file in path.iterdir()}
        names.append(entry.name)
    return names


def unfinished_entries(folder: Path) -> list[Path]:
    """What killed programs left."""
    return list((folder / "entries").glob(".unfinished-*"))


def test_killed_at_twenty_moments_earlier_entries_stay_whole(tmp_path: Path) -> None:
    """After every kill -9 each entry that there ever was is there, whole; twelve kills land within writing."""
    moments, photo = random.Random(5), small_photo(tmp_path / "IMG.jpg", size=(1600, 1200))
    folder = tmp_path / "record"
    add_made(folder, photo, made_check(0.6, -0.3))
    known, left = set(whole_entries(folder)), 0
    # An entry has six such moments: three pictures, its text, its folder's list, and the rename.
    within = [1, 2, 3, 4, 5, 6, *moments.sample(range(7, 31), 6)]
    for last in moments.sample(within + [0] * 8, 20):
        writer = start_writer(folder, photo, 1000, "killed", last)
        if not last:  # a moment of the clock's choice
            time.sleep(moments.uniform(0.0, 0.25))
            writer.send_signal(signal.SIGKILL)
        assert writer.wait() == -signal.SIGKILL
        found, found_left = set(whole_entries(folder)), len(unfinished_entries(folder))
        assert known <= found
        if last:
            assert (found_left - left, len(found - known)) == (1, (last - 1) // 6)
        known, left = found, found_left
    assert left >= 12
    add_made(folder, photo, made_check(0.0, 0.0))
    assert len(whole_entries(folder)) == len(known) + 1


@pytest.mark.slow
def test_two_writers_at_once_both_land(tmp_path: Path) -> None:
    """Twelve entries each, at the same time: twenty-four."""
    folder, photo = tmp_path / "record", small_photo(tmp_path / "IMG.jpg")
    writers = [start_writer(folder, photo, 12, name) for name in ("first", "second")]
    assert [writer.wait() for writer in writers] == [0, 0]
    assert len(whole_entries(folder)) == 24
    by_writer = [read_entry(path).settings["writer"] for path in entry_folders(folder)]
    assert by_writer.count("first") == by_writer.count("second") == 12


@pytest.mark.slow
@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs POSIX limits")
def test_a_full_disk_midway_is_said_and_leaves_earlier_entries_whole(tmp_path: Path) -> None:
    """A limit on file size stands in for the full disk: the system itself refuses to write on."""
    folder, photo = tmp_path / "record", small_photo(tmp_path / "IMG.jpg", size=(1600, 1200))
    add_made(folder, photo, made_check(0.6, -0.3))
    before = whole_entries(folder)
    code = (
        "import resource, signal\n"
        "signal.signal(signal.SIGXFSZ, signal.SIG_IGN)\n"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (60_000, 60_000))\n" + WRITER.format(root=str(ROOT))
    )
    done = subprocess.run(
        [sys.executable, "-c", code, str(folder), str(photo), "full", "1", "0"],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode != 0
    assert "could not be written" in done.stderr
    assert "too large" in done.stderr
    assert whole_entries(folder) == before
    assert list((folder / "entries").glob(".unfinished-*")) == []


def test_no_room_is_an_error_with_a_remedy(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The message says that earlier entries are as they were."""

    def full(handle: int) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(AlignError, match="No space left") as caught:
        add_made(tmp_path / "record", small_photo(tmp_path / "IMG.jpg"), made_check(0.6, -0.3))
    assert "earlier entries are as they were" in caught.value.remedy


def test_an_entry_comes_back_as_it_was_written(tmp_path: Path) -> None:
    """Settings, answer and files."""
    answer = made_check(0.62, -0.35)
    path = add_made(tmp_path / "record", small_photo(tmp_path / "IMG.jpg"), answer, tolerance=0.1)
    entry = read_entry(path)
    assert entry.kind == "check"
    assert entry.result == json.loads(json.dumps(without_folders(answer.to_json())))
    assert entry.settings == {"tolerance": 0.1}
    assert entry.photos[0].name == "IMG.jpg"
    assert (entry.folder / entry.photos[0].photo).is_file()
    assert path.parent == tmp_path / "record" / "entries"


def test_entries_of_unknown_versions_are_refused(tmp_path: Path) -> None:
    """Of the entry itself and of the answer in it; the message names the file and what it expected."""
    path = add_made(tmp_path / "record", small_photo(tmp_path / "IMG.jpg"), made_check(0.62, -0.35))
    good = json.loads((path / "entry.json").read_text(encoding="utf-8"))
    newer = {**good, "format": "align-entry-2"}
    write_changed(path, newer)
    with pytest.raises(
        FileFormatError, match=r"entry\.json: expected format 'align-entry-1', found 'align-entry-2'"
    ):
        read_entry(path)
    unknown = {**good, "result": {**good["result"], "format": "align-check-9"}}
    write_changed(path, unknown)
    with pytest.raises(FileFormatError, match="align-check-9"):
        read_entry(path)


@pytest.mark.parametrize(
    "change",
    [
        {"photos": [{"name": "x"}]},
        {
            "photos": [
                {
                    "name": "x",
                    "photo": "../../etc/passwd",
                    "picture": "",
                    "preview": "",
                    "taken": "",
                    "outline_px": [],
                }
            ]
        },
        {"sha256": {"/etc/passwd": "0"}},
        {"date": "yesterday"},
        {"date": "20260714T103205+0200"},
        {"date": "2026-W29-2T10:00:00+02:00"},
        {"date": "2026-02-30T10:00:00+02:00"},
        {"date": "0001-01-01T00:00:00+00:00"},
        {"date": 20260714},
        {"program": "align \ud800"},
        {"settings": {"\udfff": 1}},
        {"mirrors": ["\x1b[31m"]},
        {"settings": 3},
        {"kind": "glass"},
        {"result": None},
    ],
)
def test_damaged_entries_are_refused(tmp_path: Path, change: dict[str, object]) -> None:
    """Missing parts, files outside the entry, a date that is none."""
    path = add_made(tmp_path / "record", small_photo(tmp_path / "IMG.jpg"), made_check(0.62, -0.35))
    raw = json.loads((path / "entry.json").read_text(encoding="utf-8"))
    write_changed(path, {**raw, **change})
    with pytest.raises(FileFormatError, match="damaged"):
        read_entry(path)


@pytest.mark.parametrize("number", ["1e999", "1e308", "NaN", "-Infinity", "9" * 400])
def test_numbers_that_no_entry_holds_are_refused(tmp_path: Path, number: str) -> None:
    """Found by tests/bench/corrupted.py (texts:2290): a tolerance of 1e999 reached the page's charts."""
    path = add_made(tmp_path / "record", small_photo(tmp_path / "IMG.jpg"), made_check(0.62, -0.35))
    text = (path / "entry.json").read_text(encoding="utf-8")
    assert '"tolerance_deg": 0.1' in text
    spoiled = text.replace('"tolerance_deg": 0.1', f'"tolerance_deg": {number}')
    (path / "entry.json").write_text(spoiled, encoding="utf-8")
    with pytest.raises(FileFormatError, match="no number in an entry"):
        read_entry(path)


@pytest.mark.parametrize("contents", [b"", b"{", b"[]", b"\xff\xfe", b'"align-entry-1"', b"[" * 100_000])
def test_what_is_no_entry_is_refused(tmp_path: Path, contents: bytes) -> None:
    """Whatever the bytes."""
    (tmp_path / "entry.json").write_bytes(contents)
    with pytest.raises(FileFormatError):
        read_entry(tmp_path)


def test_changed_and_missing_files_are_noticed(tmp_path: Path) -> None:
    """By their checksums."""
    path = add_made(tmp_path / "record", small_photo(tmp_path / "IMG.jpg"), made_check(0.62, -0.35))
    (path / "photo-1.jpg").unlink()
    (path / "preview-1.jpg").write_bytes(b"something else")
    assert sorted(read_entry(path).damaged_files()) == ["photo-1.jpg", "preview-1.jpg"]


def test_folders_never_get_into_an_entry(tmp_path: Path) -> None:
    """Paths are cut to file names: home folders carry names."""
    raw = {
        "format": "align-check-1",
        "photos": [{"file": "/home/jane/Pictures/IMG_1.jpg"}, {"file": r"C:\Users\jane\IMG_2.jpg"}],
        "warnings": ["/home/jane/IMG_1.jpg: blurred", "30 / 45 degrees and/or more"],
    }
    place = write_entry(tmp_path, raw, settings={"camera": Path("/home/jane/phone.json")}, photos=[], files={})
    text = (place.path / "entry.json").read_text(encoding="utf-8")
    assert "jane" not in text
    assert "IMG_2.jpg" in text
    assert "30 / 45 degrees and/or more" in text


def test_abandoned_folders_are_swept_young_ones_stay(tmp_path: Path) -> None:
    """A day old: no program is still writing it."""
    old, young = (tmp_path / "entries" / f".unfinished-{name}" for name in ("old", "young"))
    for path in (old, young):
        path.mkdir(parents=True)
    os.utime(old, (0, 0))
    write_entry(tmp_path, {"format": "align-check-1"}, settings={}, photos=[], files={})
    assert not old.exists()
    assert young.exists()


def test_only_answers_are_taken() -> None:
    """An error's object is no entry."""
    with pytest.raises(ValueError, match="align-error-1"):
        kind_of({"format": "align-error-1"})


def test_an_edited_entry_is_noticed_and_its_own_spacing_is_not(tmp_path: Path) -> None:
    """entry.json's own checksum goes by what it says."""
    path = add_made(tmp_path / "record", small_photo(tmp_path / "IMG.jpg"), made_check(0.62, -0.35))
    file = path / "entry.json"
    raw = json.loads(file.read_text(encoding="utf-8"))
    file.write_text(json.dumps(raw, indent=4), encoding="utf-8")
    assert read_entry(path).result["verdict"] == "out of square"
    raw["result"]["verdict"] = raw["result"]["mirrors"][0]["verdict"] = "square"
    file.write_text(json.dumps(raw), encoding="utf-8")
    with pytest.raises(FileFormatError, match="its check sum does not fit: it was changed"):
        read_entry(path)


def test_entries_without_a_checksum_are_still_read(tmp_path: Path) -> None:
    """Those of earlier versions, in folders named by their time; numbered as they came, new ones behind them."""
    folder, photo = tmp_path / "record", small_photo(tmp_path / "IMG.jpg")
    old = []
    for stamp in ("20240514T101200.000000Z-check-aaaaaa", "20240513T101200.000000Z-check-bbbbbb"):
        path = add_made(folder, photo, made_check(0.62, -0.35))
        raw = json.loads((path / "entry.json").read_text(encoding="utf-8"))
        for key in ("own_sha256", "mirrors", "stated"):
            del raw[key]
        (path / "entry.json").write_text(json.dumps(raw), encoding="utf-8")
        old.append(path.rename(path.with_name(stamp)))
    assert [(p.number, p.path) for p in entry_places(folder)] == [(1, old[1]), (2, old[0])]
    assert add_made(folder, photo, made_check(0.1, 0.1)).name == "entry-0003"
    assert [read_entry(path).mirrors for path in entry_folders(folder)] == [(), (), ()]


def test_a_removed_entry_keeps_its_number(tmp_path: Path) -> None:
    """It lies in `removed`, whole, and no later one takes its number."""
    folder, photo = tmp_path / "record", small_photo(tmp_path / "IMG.jpg")
    for _ in range(3):
        add_made(folder, photo, made_check(0.1, 0.1))
    moved = remove_entry(folder, 3)
    assert moved == folder / "removed" / "entry-0003"
    assert read_entry(moved).damaged_files() == []
    assert add_made(folder, photo, made_check(0.1, 0.1)).name == "entry-0004"
    remove_entry(folder, 1)
    assert [place.number for place in entry_places(folder) if not place.removed] == [2, 4]
    for number, words in ((3, "taken out of .* already"), (9, "has no entry 9")):
        with pytest.raises(AlignError, match=words):
            remove_entry(folder, number)


def test_a_note_is_put_right_and_what_it_said_is_kept(tmp_path: Path) -> None:
    """Beside the entry, which stays as it was written."""
    folder = tmp_path / "record"
    path = add_made(folder, small_photo(tmp_path / "IMG.jpg"), made_check(0.1, 0.1))
    before = (path / "entry.json").read_bytes()
    write_note(folder, 1, "heating repared")
    assert write_note(folder, 1, " heating repaired ").before == ("heating repared",)
    assert read_note(path).text == "heating repaired"
    assert write_note(folder, 1, "").before == ("heating repared", "heating repaired")
    assert (path / "entry.json").read_bytes() == before
    (path / "note.json").write_text("{", encoding="utf-8")
    with pytest.raises(AlignError, match="cannot be read as a note"):
        read_note(path)


def test_names_that_are_no_text_are_kept_presentable(tmp_path: Path) -> None:
    """A photo's name need not be text, nor free of control characters."""
    raw = {**made_check(0.1, 0.1).to_json(), "warnings": ["IMG_\udcff\x1b[31m.jpg: blurred"]}
    place = write_entry(tmp_path, raw, settings={}, photos=[EntryPhoto("a\udcff\x1b", "")], files={})
    entry = read_entry(place.path)
    assert entry.photos[0].name == "a\N{REPLACEMENT CHARACTER}\N{REPLACEMENT CHARACTER}"
    assert "\x1b" not in entry.result["warnings"][0]


@pytest.mark.skipif(sys.platform == "win32", reason="links need rights there")
@pytest.mark.parametrize("what", ["entry", "entry.json", "preview-1.jpg", "photo-1.jpg"])
def test_links_in_an_entry_are_not_followed(tmp_path: Path, what: str) -> None:
    """The entry's folder, its text, its pictures."""
    folder = tmp_path / "record"
    path = add_made(folder, small_photo(tmp_path / "IMG.jpg"), made_check(0.1, 0.1))
    linked = path if what == "entry" else path / what
    linked.rename(tmp_path / "outside")
    linked.symlink_to(tmp_path / "outside")
    if what.startswith("entry"):
        with pytest.raises(LinkError, match="is a link"):
            read_entry(path)
    else:
        assert read_entry(path).damaged_files() == [what]
        with pytest.raises(LinkError, match="is a link"):
            read_entry(path).contents(what)


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no pipes there")
def test_a_pipe_in_an_entry_holds_nothing_up(tmp_path: Path) -> None:
    """Nobody writes into it."""
    path = add_made(tmp_path / "record", small_photo(tmp_path / "IMG.jpg"), made_check(0.1, 0.1))
    (path / "preview-1.jpg").unlink()
    os.mkfifo(path / "preview-1.jpg")
    assert read_entry(path).damaged_files() == ["preview-1.jpg"]

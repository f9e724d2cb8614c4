"""A watched folder: whole files only, each once, whatever vanishes."""

from __future__ import annotations

import contextlib
import os
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from align.errors import AlignError, PhotoError
from align.workbench import thresholds
from align.workbench.receiving import Refused
from align.workbench.watch import FolderLooks, Watch, is_whole
from tests.support.patience import patient
from tests.support.small_photos import photo_of_mirror

PHOTO = photo_of_mirror(0.4, 0.2, seed=3)


def looks(folder: Path, whole: bool = True) -> FolderLooks:
    """A folder that was looked at once."""
    one = FolderLooks(folder, lambda path: whole)
    assert one.look(0.0) == []
    return one


def test_what_was_there_before_is_left_alone(tmp_path: Path) -> None:
    """Only what arrives counts; a file that is written anew arrives."""
    old = tmp_path / "old.jpg"
    old.write_bytes(b"1")
    watched = looks(tmp_path)
    assert watched.look(1.0) == []
    old.write_bytes(b"12")
    assert watched.look(2.0) == []
    assert watched.look(3.0) == [old]
    assert watched.look(4.0) == []


def test_a_growing_file_waits_until_it_stands_still(tmp_path: Path) -> None:
    """Its size, and its time of change where the size stands."""
    watched, path = looks(tmp_path), tmp_path / "new.JPG"
    for number in range(1, 4):
        path.write_bytes(b"x" * number)
        assert watched.look(float(number)) == []
    os.utime(path, ns=(1, 1))
    assert watched.look(4.0) == []
    assert watched.look(5.0) == [path]


def test_a_file_that_does_not_decode_waits_and_is_given_up(tmp_path: Path) -> None:
    """A slow network may pause in the middle; after a while the photo is handed on, to be refused in words."""
    watched = looks(tmp_path, whole=False)
    path = tmp_path / "half.jpg"
    path.write_bytes(b"x")
    found = [watched.look(float(second)) for second in range(1, 6)]
    assert found == [[]] * 5
    assert watched.look(thresholds.WATCH_PATIENCE_S + 2) == [path]


def test_what_vanishes_is_forgotten(tmp_path: Path) -> None:
    """Between two looks, and while the folder is read; names that no camera gives are passed over."""
    watched = looks(tmp_path)
    for name in ("a.jpg", ".hidden.jpg", "~b.jpg", "c.tmp", "d.jpg.part"):
        (tmp_path / name).write_bytes(b"x")
    (tmp_path / "folder.jpg").mkdir()
    (tmp_path / "gone.jpg").symlink_to(tmp_path / "nowhere.jpg")
    watched.look(1.0)
    (tmp_path / "a.jpg").unlink()
    assert watched.look(2.0) == []


def test_whole_means_decoded_to_the_end(tmp_path: Path) -> None:
    """A cut-off JPEG is not whole, nor is a file that has gone."""
    whole, half = tmp_path / "whole.jpg", tmp_path / "half.jpg"
    whole.write_bytes(PHOTO)
    half.write_bytes(PHOTO[: len(PHOTO) // 2])
    assert is_whole(whole)
    assert not is_whole(half)
    assert not is_whole(tmp_path / "gone.jpg")


class MadeSession:
    """Takes photos as a session does; errors : what it raises, one after the other, before it does."""

    def __init__(self, *errors: Exception, mirror: bool = True) -> None:
        self.errors, self.taken, self.attended = list(errors), list[bytes](), "a mirror" if mirror else None

    @contextlib.contextmanager
    def place(self) -> Iterator[None]:
        """There is one, or an error."""
        if self.errors:
            raise self.errors.pop(0)
        yield

    def take_photo(self, table: object, data: bytes) -> None:
        """Keep it."""
        self.taken.append(data)

    def changed(self) -> None:
        """Nobody looks."""


def watched_until(session: Any, folder: Path, name: str, done: Any) -> Watch:
    """A watch that saw a photo arrive, once something is so."""
    watch = Watch(session, folder, 0.03)
    time.sleep(0.1)
    (folder / name).write_bytes(PHOTO)
    end = time.monotonic() + patient(20)
    while not done(watch) and time.monotonic() < end:
        time.sleep(0.02)
    watch.stop()
    assert done(watch)
    return watch


def test_a_photo_is_taken_once(tmp_path: Path) -> None:
    """Also where there was no place for it at first."""
    session: Any = MadeSession(Refused(503, "six wait"), Refused(503, "six wait"))
    watch = watched_until(session, tmp_path, "one.jpg", lambda w: w.shown.taken == 1)
    assert session.taken == [PHOTO]
    assert (watch.shown.last, watch.shown.trouble) == ("one.jpg", "")


def test_a_refused_photo_is_named_on_the_page(tmp_path: Path) -> None:
    """In plain words, once."""
    session: Any = MadeSession(PhotoError("It is a panorama.", "Take a photo."))
    watch = watched_until(session, tmp_path, "wide.jpg", lambda w: w.shown.trouble)
    assert watch.shown.trouble == "wide.jpg: It is a panorama. Take a photo."
    assert session.taken == []


def test_a_photo_waits_for_its_mirror(tmp_path: Path) -> None:
    """The page says so."""
    session: Any = MadeSession(mirror=False)
    watch = watched_until(session, tmp_path, "one.jpg", lambda w: w.shown.trouble)
    assert "start a mirror" in watch.shown.trouble


def test_a_folder_that_goes_away_is_tried_again(tmp_path: Path) -> None:
    """A network folder that is not there for a while."""
    folder = tmp_path / "synced"
    folder.mkdir()
    session: Any = MadeSession()
    watch = Watch(session, folder, 0.03)
    time.sleep(0.1)
    folder.rename(tmp_path / "away")
    end = time.monotonic() + patient(20)
    while not watch.shown.trouble and time.monotonic() < end:
        time.sleep(0.02)
    assert "tried again" in watch.shown.trouble
    (tmp_path / "away").rename(folder)
    while watch.shown.trouble and time.monotonic() < end:
        time.sleep(0.02)
    watch.stop()
    assert watch.shown.trouble == ""


def test_there_has_to_be_a_folder(tmp_path: Path) -> None:
    """Said at once."""
    session: Any = MadeSession()
    with pytest.raises(AlignError, match="no folder"):
        Watch(session, tmp_path / "nowhere")

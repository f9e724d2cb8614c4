"""The command line's ways out: closed and full outputs, interrupts, names that are no text, wrong usage as JSON."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import click
import pytest

from align.cli.streams import ERASE_LINE, json_text, printable
from align.cli.values import Board, FilePath, Number, OneForEach, SizeMm
from tests.support.commands import invoke
from tests.support.places import SAMPLES
from tests.support.synthetic import write_photo

posix = pytest.mark.skipif(sys.platform == "win32", reason="POSIX signals and devices")
PHOTO = SAMPLES / "tunnel_card.jpg"


def align(*words: object, **how: object) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "align", *map(str, words)]
    return subprocess.run(command, text=True, check=False, **{"stderr": subprocess.PIPE} | how)


# Outputs that take nothing ---------------------------------------------------------------------------------


@posix
@pytest.mark.parametrize("words", [("--help",), ("check", "nowhere.jpg", "--json")])
def test_a_full_disk_is_one_line(words):
    with open("/dev/full", "w") as full:
        done = align(*words, stdout=full)
    assert done.returncode == 1
    assert done.stderr.startswith("The answer cannot be printed: No space left on device.\n  Try: ")
    assert len(done.stderr.splitlines()) == 2


@posix
def test_a_closed_output_is_one_line_and_said_before_any_work():
    done = align("check", PHOTO, "--json", preexec_fn=lambda: os.close(1))
    assert done.returncode == 1
    assert done.stderr.startswith("The answer cannot be printed: standard output is closed.")
    assert "Traceback" not in done.stderr


@posix
def test_without_a_place_for_errors_the_exit_code_says_it():
    done = align("check", "nowhere.jpg", stdout=subprocess.PIPE, stderr=None, preexec_fn=lambda: os.close(2))
    assert (done.returncode, done.stdout) == (1, "")


# Interrupts ------------------------------------------------------------------------------------------------


@posix
@pytest.mark.parametrize("after_s", [0.005, 0.06, 0.3])
def test_an_interrupt_at_once_is_one_json_object(after_s):
    # From the moment on that Python runs our first line; before, it knows of no handler of ours.
    started = "import os; from align.__main__ import main; os.write(2, b'on'); main()"
    child = subprocess.Popen(
        [sys.executable, "-c", started, "check", str(PHOTO), "--json"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),
    )
    assert child.stderr is not None
    child.stderr.read(2)
    time.sleep(after_s)
    child.send_signal(signal.SIGINT)
    out, err = child.communicate(timeout=60)
    assert "Traceback" not in err
    answer = json.loads(out)
    assert (answer["format"], answer["error"], child.returncode) == ("align-error-1", "Interrupted", 1)


def test_an_interrupt_in_the_middle_is_said(monkeypatch):
    import align.checking.job as job

    def interrupted(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(job, "check", interrupted)
    done = invoke("check", PHOTO, "--json")
    assert (done.exit_code, json.loads(done.stdout)["error"]) == (1, "Interrupted")
    done = invoke("check", PHOTO)
    assert (done.exit_code, done.stdout) == (1, "")
    assert done.stderr.startswith("Interrupted before there was an answer.\n  Try: ")


@posix
@pytest.mark.slow
@pytest.mark.parametrize("way", ["TERM", "KILL", "HUP", "INT INT INT"])
def test_workers_end_with_their_parent_and_let_go_of_the_output(way):
    command = [sys.executable, "-m", "align", "check", "--each", "--json", *[str(SAMPLES / "arcade_true.jpg")] * 12]
    parent = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, start_new_session=True)
    time.sleep(3)
    for name in way.split():
        parent.send_signal(getattr(signal, f"SIG{name}"))
        time.sleep(0.2)
    _, err = parent.communicate(timeout=20)  # it returns when nobody holds the pipes any more
    assert b"Traceback" not in err
    deadline = time.time() + 10
    while left := _alive(parent.pid):
        assert time.time() < deadline, left
        time.sleep(0.1)


def _alive(session: int) -> list[str]:
    """Processes of a session that still run; ended ones that nobody has asked for do not count."""
    listed = subprocess.run(["ps", "-o", "stat=,args=", "-s", str(session)], capture_output=True, text=True).stdout
    return [line for line in listed.splitlines() if line.strip() and not line.lstrip().startswith("Z")]


# --each ----------------------------------------------------------------------------------------------------


def test_a_photo_that_cannot_be_read_costs_the_others_nothing(tmp_path, monkeypatch):
    import numpy as np

    blank = write_photo(tmp_path / "blank.jpg", np.full((300, 400), 128, np.uint8))
    locked = write_photo(tmp_path / "locked.jpg", np.full((300, 400), 128, np.uint8))
    original = os.access
    monkeypatch.setattr(os, "access", lambda path, *how: Path(path) != locked and original(path, *how))
    locked.chmod(0)
    done = invoke("check", "--each", locked, tmp_path / "no such.jpg", blank, "--json")
    answers = [json.loads(line) for line in done.stdout.splitlines()]
    assert [Path(answer["file"]).name for answer in answers] == ["locked.jpg", "no such.jpg", "blank.jpg"]
    assert answers[1]["error"] == "PhotoError"
    assert done.exit_code == 1


# Names -----------------------------------------------------------------------------------------------------


def test_no_name_moves_the_terminal(tmp_path):
    name = "a\x1b[31m\x1b]0;title\x07\x9b2J.jpg"
    done = align("check", name, stdout=subprocess.PIPE)
    assert not any(sign in done.stderr for sign in "\x1b\x07\x9b")
    assert "[31m" in done.stderr
    assert printable(f"{ERASE_LINE}photo \x1b[2J") == f"{ERASE_LINE}photo �[2J"
    assert printable("two\nlines\tand ° ±") == "two\nlines\tand ° ±"


def test_json_is_text_whatever_a_name_is():
    lone = b"\xff\xfe photo.jpg".decode("utf-8", "surrogateescape")
    whole = {"file": lone, "face": "🪞 \\ud800 鏡"}
    text = json_text(whole)
    text.encode("ascii")
    found = json.loads(text)
    found["file"].encode()
    assert found == {"file": "�� photo.jpg", "face": "🪞 \\ud800 鏡"}


# Wrong usage -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("check", "--nonsense"), "nonsense"),
        (("check",), "PHOTO"),
        (("check", PHOTO, "--tolerance", "wide"), "--tolerance"),
        (("check", PHOTO, "--picture", "answer.txt"), "--picture"),
        (("nonsense",), "nonsense"),
        (("glass",), "PHOTO"),
    ],
)
def test_wrong_usage_with_json_is_a_json_error(words, told):
    done = invoke(*words, "--json")
    answer = json.loads(done.stdout)
    assert (done.exit_code, answer["format"], answer["error"]) == (2, "align-error-1", "UsageError")
    assert told in answer["message"]
    assert "--help" in answer["try"]
    assert done.stderr == ""


@pytest.mark.parametrize("option", ["--into", "--picture", "--camera"])
def test_an_empty_name_is_no_place(option, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    done = invoke("check", PHOTO, option, "")
    assert done.exit_code == 2
    assert "the name is empty" in done.stderr
    assert list(tmp_path.iterdir()) == []
    assert FilePath().convert("here", None, None) == Path("here")


AMBIGUOUS = ["1_0", "1,000", "12,345", "1.0.0", "1,2,3", "٣", "0x10", "nan", "inf", "1e999", ""]
PLAIN = [("0,1", 0.1), ("0.125", 0.125), (".5 mm", 0.5), ("1e2", 100), ("−2", -2)]


@pytest.mark.parametrize("text", AMBIGUOUS)
def test_numbers_that_may_be_meant_otherwise_are_refused(text):
    with pytest.raises(click.BadParameter):
        Number("mm").convert(text, None, None)


@pytest.mark.parametrize(("text", "value"), PLAIN)
def test_numbers_as_people_write_them(text, value):
    assert Number("mm").convert(text, None, None) == value


def test_a_comma_between_turns_is_refused_and_explained():
    with pytest.raises(click.BadParameter, match=r"decimal point.*once for each"):
        OneForEach("deg").convert("1,2", None, None)
    assert OneForEach("deg").convert("1.2", None, None) == 1.2
    for kind, text in ((Board(), "1_0x6"), (SizeMm(), "3_00x200")):
        with pytest.raises(click.BadParameter):
            kind.convert(text, None, None)

"""The command line: the contract of design section 7, and one clear message for whatever goes wrong."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from concurrent.futures import Future
from contextlib import nullcontext
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import align
import align.cli.each as cli_each
from align.cli.each import WORSE, Answer
from align.cli.main import COMMANDS
from align.errors import AlignError
from align.target.sheets import SHEETS
from tests.support.answers import assert_same
from tests.support.commands import invoke
from tests.support.synthetic import degrees_mirror, synthetic_photo, write_photo

EYE = (60.0, -500.0, 280.0)
SHEET = SHEETS["a5"]
#: A warm interpreter takes a tenth of a second; the contract allows 0.3.
HELP_WITHIN_S = 0.3


def run_apart(*words: object, **environment: str) -> subprocess.CompletedProcess[str]:
    """`align` with arguments, in a process of its own, as installed."""
    command = [sys.executable, "-m", "align", *map(str, words)]
    kept = {key: value for key, value in os.environ.items() if key != "ALIGN_DEBUG"}
    return subprocess.run(command, capture_output=True, text=True, env={**kept, **environment}, check=False)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Photos and files that are none."""
    place = tmp_path_factory.mktemp("photos")

    def photo(name: str, mirrors: list[np.ndarray], **how: bool) -> None:
        pixels, _ = synthetic_photo(SHEET, EYE, mirrors, **how)
        write_photo(place / name, pixels)

    photo("leaning.jpg", [degrees_mirror(0.6, -0.35)])
    photo("true.jpg", [degrees_mirror(0.01, 0.0)])
    photo("no_mirror.jpg", [])
    photo("only_reflection.jpg", [degrees_mirror(0.6, -0.35)], show_target=False)
    card, _ = synthetic_photo(SHEETS["a6"], EYE, [degrees_mirror(0.6, -0.35)])
    write_photo(place / "other_sheet.jpg", card)
    noise = np.random.default_rng(0).integers(90, 160, (900, 1200)).astype(np.uint8)
    write_photo(place / "static.jpg", noise)
    write_photo(place / "nothing.jpg", 40 + noise // 16 + np.arange(1200, dtype=np.uint8) // 8)
    whole = (place / "leaning.jpg").read_bytes()
    (place / "cut_off.jpg").write_bytes(whole[: len(whole) // 3])
    (place / "empty.jpg").write_bytes(b"")
    (place / "words.jpg").write_text("this is no photo", encoding="utf-8")
    (place / "folder.jpg").mkdir()
    write_photo(place / "tiny.png", noise[:50, :60])
    return place


def test_true_mirror_exits_0(folder: Path) -> None:
    """Done, and true within the tolerance."""
    answer = invoke("check", folder / "true.jpg")
    assert answer.exit_code == 0
    assert answer.stdout.startswith("TRUE.")


def test_leaning_mirror_exits_3(folder: Path) -> None:
    """Answered, out of tolerance; a wider tolerance makes it true."""
    answer = invoke("check", folder / "leaning.jpg")
    assert answer.exit_code == 3
    assert answer.stdout.startswith("OUT OF TRUE.")
    assert invoke("check", folder / "leaning.jpg", "--tolerance", "1").exit_code == 0


def test_undetermined_exits_1_with_its_numbers(folder: Path) -> None:
    """An interval across the tolerance cannot tell: the numbers are printed, the code is 1."""
    lean = json.loads(invoke("check", folder / "leaning.jpg", "--json").stdout)["mirrors"][0]["lean_deg"]
    answer = invoke("check", folder / "leaning.jpg", "--json", "--tolerance", f"{lean['value']:.4f}")
    assert answer.exit_code == 1
    assert json.loads(answer.stdout)["mirrors"][0]["verdict"] == "undetermined"


def test_json_is_one_object_and_nothing_else(folder: Path) -> None:
    """The contract's keys, and intervals that hold the truth's neighbourhood."""
    answer = invoke("check", folder / "leaning.jpg", "--json", "--mirror", "300x200")
    assert answer.stderr == ""
    raw = json.loads(answer.stdout)
    assert raw["format"] == "align-check-1"
    assert set(raw) >= {"photos", "camera", "mirrors", "warnings"}
    assert raw["photos"][0]["size"] == [1600, 1200]
    mirror = raw["mirrors"][0]
    keys = {"lean_deg", "turn_deg", "distance_mm", "glass", "shims_mm", "verdict"}
    assert set(mirror) >= keys
    assert set(mirror["shims_mm"]) == {"top_left", "top_right", "bottom_left", "bottom_right"}
    assert mirror["lean_deg"]["low"] < mirror["lean_deg"]["value"] < mirror["lean_deg"]["high"]
    assert abs(mirror["lean_deg"]["value"] - 0.6) < 0.02
    assert abs(mirror["turn_deg"]["value"] + 0.35) < 0.02


ERRORS = [
    ("missing.jpg", "PhotoError", "There is no file"),
    ("nothing.jpg", "TargetError", "No sheet was found"),
    ("static.jpg", "TargetError", "static.jpg"),
    ("no_mirror.jpg", "ReflectionError", "no reflection of it"),
    ("only_reflection.jpg", "TargetError", "reflection but not the sheet itself"),
    ("words.jpg", "PhotoError", "cannot be read as a photo"),
    ("folder.jpg", "PhotoError", "is a folder"),
    ("empty.jpg", "PhotoError", "is empty"),
    ("cut_off.jpg", "PhotoError", "cannot be read as a photo"),
    ("tiny.png", "PhotoError", "is only 60 x 50 pixels"),
]


@pytest.mark.slow
@pytest.mark.parametrize(("name", "error", "words"), ERRORS)
def test_what_cannot_be_answered_says_why(folder: Path, name: str, error: str, words: str) -> None:
    """One message with what to try on stderr, nothing on stdout, exit code 1, no traceback."""
    answer = invoke("check", folder / name)
    assert answer.exit_code == 1
    assert answer.stdout == ""
    assert words in answer.stderr
    assert answer.stderr.count("\n  Try: ") == 1
    assert "Traceback" not in answer.stderr
    assert "fault in align" not in answer.stderr


@pytest.mark.parametrize(("name", "error", "words"), ERRORS)
def test_what_cannot_be_answered_says_why_in_json(folder: Path, name: str, error: str, words: str) -> None:
    """The same as the contract's error object, alone on stdout."""
    answer = invoke("check", folder / name, "--json")
    assert answer.exit_code == 1
    assert answer.stderr == ""
    raw = json.loads(answer.stdout)
    assert raw["format"] == "align-error-1"
    assert raw["error"] == error
    assert words in raw["message"]
    assert raw["try"]


@pytest.mark.parametrize(
    "words",
    [
        ("leaning.jpg", "other_sheet.jpg"),  # two sheets in one check
        ("no_mirror.jpg", "--board", "7x6", "--square", "12.8"),  # a board that the photo does not show
        ("leaning.jpg", "--camera", "words.jpg"),
        ("leaning.jpg", "--camera", "missing.json"),
        ("leaning.jpg", "--picture", "no_such_folder/answer.png"),
    ],
)
def test_what_does_not_belong_together_says_why(folder: Path, words: tuple[str, ...]) -> None:
    """Wrong sheet, board, camera file or folder: one clear message, exit code 1."""
    placed = [folder / word if "." in word and not word[0].isdigit() else word for word in words]
    answer = invoke("check", *placed)
    assert answer.exit_code == 1, answer.output
    assert answer.stdout == ""
    assert "\n  Try: " in answer.stderr
    assert "fault in align" not in answer.stderr


@pytest.mark.parametrize(
    ("words", "message"),
    [
        ((), "Missing argument 'PHOTO...'"),
        (("a.jpg", "--mirror", "300"), "expected WIDTHxHEIGHT in mm"),
        (("a.jpg", "--mirror", "300xnan"), "expected WIDTHxHEIGHT in mm"),
        (("a.jpg", "--mirror", "0x200"), "each side must be 5 to 5000 mm"),
        (("a.jpg", "--glass", "thick"), "expected a number in mm"),
        (("a.jpg", "--glass", "-1"), "is not between 0 and 25"),
        (("a.jpg", "--glass", "inf"), "expected a number in mm"),
        (("a.jpg", "--tolerance", "0"), "is not between 0.001 and 45"),
        (("a.jpg", "--want-turn", "45,-45"), "For several mirrors give --want-turn once for each"),
        (("a.jpg", "--touching-mirror", "0"), "0 is not in the range"),
        (("a.jpg", "--want-turn", "200"), "is not between -180 and 180"),
        (("a.jpg", "--rule", "3.9"), "is not between 20 and 500"),
        (("a.jpg", "--mount", "foot"), "expected wall, or foot:DEPTH"),
        (("a.jpg", "--mount", "ceiling"), "expected wall, or foot:DEPTH"),
        (("a.jpg", "--mount", "foot:x"), "expected a number in mm"),
        (("a.jpg", "--board", "7"), "expected the inner corners as COLSxROWS"),
        (("a.jpg", "--board", "2x9", "--square", "10"), "expected 3 to 100 inner corners"),
        (("a.jpg", "--board", "7x6"), "Board and square belong together"),
        (("a.jpg", "--square", "10"), "Board and square belong together"),
        (("a.jpg", "--board", "7x6", "--square", "10", "--rule", "99"), "The rule is for our printed sheets"),
        (("a.jpg", "--picture", "a.gif"), "--picture must end in .png or .jpg"),
        (("a.jpg", "--picture", "./a.jpg"), "would overwrite a photo"),
        (("a.jpg", "--mirrors", "300x200"), "No such option"),
    ],
)
def test_wrong_usage_exits_2(words: tuple[str, ...], message: str) -> None:
    """Usage errors say what was expected and found, and read no photo."""
    answer = invoke("check", *words)
    assert answer.exit_code == 2
    assert message in " ".join(answer.stderr.split())
    assert answer.stdout == ""


def test_numbers_may_have_commas_and_units(folder: Path) -> None:
    """A builder's decimal comma and a unit behind the number are understood."""
    answer = invoke("check", folder / "leaning.jpg", "--mirror", "300,5 x 200 mm", "--glass", "3mm", "--json")
    assert answer.exit_code == 3, answer.output


def test_each_answers_in_order_and_exits_with_the_worst(folder: Path) -> None:
    """With --each: an object a line, an error in its place, the worst code."""
    names = ["true.jpg", "missing.jpg", "leaning.jpg", "no_mirror.jpg"]
    answer = invoke("check", "--each", "--json", *(folder / name for name in names))
    assert answer.exit_code == 1
    lines = [json.loads(line) for line in answer.stdout.splitlines()]
    assert [line["format"] for line in lines] == [
        "align-check-1",
        "align-error-1",
        "align-check-1",
        "align-error-1",
    ]
    assert [Path(line["file"]).name for line in (lines[1], lines[3])] == ["missing.jpg", "no_mirror.jpg"]
    assert lines[2]["mirrors"][0]["verdict"] == "out of square"
    good = invoke("check", "--each", "--json", folder / "true.jpg", folder / "leaning.jpg")
    assert good.exit_code == 3
    alone = invoke("check", "--json", folder / "leaning.jpg")
    assert_same(json.loads(good.stdout.splitlines()[1]), json.loads(alone.stdout))


def test_each_in_words_names_every_photo(folder: Path) -> None:
    """Headings tell the answers apart, errors go to stderr with their photo's name."""
    answer = invoke("check", "--each", folder / "true.jpg", folder / "empty.jpg", folder / "leaning.jpg")
    assert answer.stdout.count("== ") == 2
    assert answer.stdout.index("TRUE.") < answer.stdout.index("OUT OF TRUE.")
    assert "empty.jpg" in answer.stderr
    assert "Traceback" not in answer.output


def test_worst_code_order() -> None:
    """Not knowing is worse than out of tolerance, which is worse than true."""
    assert max((0, 3), key=WORSE.index) == 3
    assert max((3, 1), key=WORSE.index) == 1


def test_pictures_are_numbered_for_several_photos(folder: Path, tmp_path: Path) -> None:
    """One photo: the name given; several: -1, -2 ... in the order of the photos; named in the JSON."""
    single = invoke("check", folder / "leaning.jpg", "--json", "--picture", tmp_path / "one.png")
    assert json.loads(single.stdout)["pictures"] == [str(tmp_path / "one.png")]
    assert (tmp_path / "one.png").stat().st_size > 10_000
    invoke("check", "--each", folder / "leaning.jpg", folder / "true.jpg", "--picture", tmp_path / "many.jpg")
    assert sorted(path.name for path in tmp_path.glob("many*")) == ["many-1.jpg", "many-2.jpg"]


def test_into_hands_answer_and_settings_to_the_record(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The record gets the result and the options that shaped it."""
    record = pytest.importorskip("align.records.job")
    kept = []

    def add_entry(place: Path, result: object, **how: Any) -> Path:
        kept.append((place, result, how))
        return place / "entries" / "entry-0007"

    monkeypatch.setattr(record, "add_entry", add_entry)
    line = ("check", folder / "leaning.jpg", "--mirror", "300x200", "--want-turn", "1", "--into", tmp_path)
    assert invoke(*line).exit_code == 1, "it is no record"
    assert kept == []
    done = invoke(*line, "--start")
    assert done.stdout.endswith(f"Added to {tmp_path} as entry 7.\n")
    [(place, result, how)] = kept
    assert place == tmp_path
    assert result.verdict == "out of square"
    settings = {"mirror_size_mm": [300.0, 200.0], "want_turn_deg": [1.0]}
    assert {key: how["settings"][key] for key in settings} == settings
    json.dumps(how["settings"])


def test_a_fault_of_ours_is_one_line(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Whatever nobody foresaw says that it is our fault and where, without a traceback."""

    def fail(*_: object, **__: object) -> None:
        raise KeyError("gone\nmissing")

    monkeypatch.delenv("ALIGN_DEBUG", raising=False)
    monkeypatch.setattr(sys.modules["align.checking.job"], "check", fail)
    answer = invoke("check", folder / "leaning.jpg")
    assert answer.exit_code == 1
    assert answer.stderr.startswith("This is a fault in align: KeyError: ")
    assert "test_main.py, line " in answer.stderr.splitlines()[0]
    raw = json.loads(invoke("check", folder / "leaning.jpg", "--json").stdout)
    assert raw["error"] == "InternalFault"
    monkeypatch.setenv("ALIGN_DEBUG", "1")
    assert isinstance(invoke("check", folder / "leaning.jpg").exception, KeyError)


def test_target_writes_a_pdf(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The named sheet goes to the named file, or to align-NAME.pdf here."""
    monkeypatch.chdir(tmp_path)
    assert invoke("target", "--out", "mine.pdf").exit_code == 0
    assert invoke("target", "--sheet", "card").exit_code == 0
    assert (tmp_path / "mine.pdf").read_bytes().startswith(b"%PDF")
    assert (tmp_path / "align-card.pdf").is_file()
    unknown = invoke("target", "--sheet", "a0")
    assert unknown.exit_code == 2
    assert "card, a6, a5, a4, letter" in unknown.stderr
    assert invoke("target", "--out", "mine.png").exit_code == 2
    nowhere = invoke("target", "--out", "no_folder/mine.pdf")
    assert nowhere.exit_code == 1
    assert "Try: " in nowhere.stderr


def test_help_lists_only_what_there_is() -> None:
    """Every command whose module exists, none else; each answers --help."""
    listed = invoke("--help").stdout.partition("Commands:")[2]
    folder_of_modules = Path(align.__file__).parent
    for name, lazy in COMMANDS.items():
        exists = folder_of_modules.joinpath(*lazy.module.split(".")[1:]).with_suffix(".py").is_file()
        assert (f"\n  {name} " in listed) == exists
        assert invoke(name, "--help").exit_code == (0 if exists else 2)


def test_help_answers_at_once() -> None:
    """The best of five whole processes, in processor time where other work holds the machine up."""
    took = []
    for _ in range(5):
        start, before = time.perf_counter(), os.times()
        assert run_apart("--help").returncode == 0
        wall, after = time.perf_counter() - start, os.times()
        cores = after.children_user + after.children_system - before.children_user - before.children_system
        took.append(min(wall, cores))
    assert 0.01 < min(took) < HELP_WITHIN_S


@pytest.mark.slow
def test_outputs_that_know_few_characters(folder: Path) -> None:
    """Latin-1 has no true minus sign: a hyphen stands in, and nothing fails."""
    command = [sys.executable, "-m", "align", "check", str(folder / "leaning.jpg"), "--want-turn", "-2"]
    environment = {**os.environ, "PYTHONIOENCODING": "latin-1", "PYTHONUTF8": "0"}
    done = subprocess.run(command, capture_output=True, encoding="latin-1", env=environment, check=False)
    assert done.returncode == 3
    assert "wanted -2°" in done.stdout
    assert "?" not in done.stdout


def test_main_reports_version_and_faults_while_parsing() -> None:
    """`--version`, an unknown command, and a fault outside any command."""
    assert run_apart("--version").stdout.startswith("align ")
    assert run_apart("chek").returncode == 2
    code = (
        "import align.cli.main as c\n"
        "def fail(*a, **k): raise RuntimeError('odd')\n"
        "c.align_group.main = fail\n"
        "c.main()"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 1
    assert done.stderr.startswith("This is a fault in align: RuntimeError: odd")


@pytest.mark.skipif(os.name == "nt", reason="interrupts are sent as POSIX signals")
def test_interrupt_keeps_what_was_answered(folder: Path) -> None:
    """Ctrl-C during --each: whole lines only, in order, and an exit code that says it is not all."""
    # So many that they cannot all be done before the signal is sent, however busy the machine.
    photos = [str(folder / "leaning.jpg")] * 200
    command = [sys.executable, "-m", "align", "check", "--each", "--json", *photos]
    with subprocess.Popen(
        command,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        # Tests run in a shell's background are started deaf to interrupts, and so would this process be.
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),
    ) as process:
        assert process.stdout is not None
        assert process.stderr is not None
        first = process.stdout.readline()
        process.send_signal(signal.SIGINT)
        # Not `communicate`, which loses what `readline` has read beyond its line.
        rest, errors = process.stdout.read(), process.stderr.read()
    lines = [json.loads(line) for line in (first + rest).splitlines()]
    assert {line["format"] for line in lines[:-1]} == {"align-check-1"}
    assert lines[-1]["message"] == f"Interrupted: {201 - len(lines)} of 200 photos were not checked."
    assert process.returncode == 1
    assert "Traceback" not in errors


@pytest.mark.skipif(os.name == "nt", reason="interrupts are sent as POSIX signals")
@pytest.mark.parametrize("cores", [1, 2])
def test_an_interrupt_while_printing_loses_no_answer(monkeypatch: pytest.MonkeyPatch, cores: int) -> None:
    """What was in hand is printed too, and what was not begun is counted."""
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    waiting: list[Future[Answer]] = []

    def answered(photo: Path, *_: object) -> Answer:
        return Answer(photo, error=AlignError(f"seen {photo.name}", "nothing"))

    class Pool:
        """The first job is done, the second and third begun, the others wait: as two workers might have it."""

        def submit(self, _: object, photo: Path, *__: object) -> Future[Answer]:
            future: Future[Answer] = Future()
            if len(waiting) < 3:
                future.set_running_or_notify_cancel()
            if not waiting:
                future.set_result(answered(photo))
            waiting.append(future)
            return future

    def interrupted(photo: Path, error: AlignError, as_json: bool) -> None:
        if photo.name == "0.jpg":
            os.kill(os.getpid(), signal.SIGINT)
            for number in range(1, len(waiting[:3])):
                waiting[number].set_result(answered(Path(f"{number}.jpg")))
        printed.append(error.message)

    printed: list[str] = []
    monkeypatch.setattr(cli_each, "_cores", lambda: cores)
    monkeypatch.setattr(cli_each, "_pool", lambda _: nullcontext(Pool()))
    monkeypatch.setattr(cli_each, "answer_photo", answered)
    monkeypatch.setattr(cli_each, "_print_error", interrupted)
    try:
        done = invoke("check", "--each", *(f"{number}.jpg" for number in range(8)))
        assert signal.getsignal(signal.SIGINT) is signal.default_int_handler
    finally:
        signal.signal(signal.SIGINT, before)
    in_hand = 1 if cores == 1 else 3
    expected = [f"seen {number}.jpg" for number in range(in_hand)]
    assert printed == [*expected, f"Interrupted: {8 - in_hand} of 8 photos were not checked."]
    assert done.exit_code == 1


@pytest.mark.skipif(os.name == "nt", reason="interrupts are sent as POSIX signals")
def test_a_second_interrupt_ends_at_once() -> None:
    """The first is noted, the second raised."""
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    try:
        with cli_each.Interrupts() as interrupts:
            signal.raise_signal(signal.SIGINT)
            assert interrupts.came
            with pytest.raises(KeyboardInterrupt):
                signal.raise_signal(signal.SIGINT)
    finally:
        signal.signal(signal.SIGINT, before)


def test_errors_survive_the_way_from_a_worker() -> None:
    """An AlignError keeps message and remedy through pickling, as worker processes need."""
    import pickle

    error = pickle.loads(pickle.dumps(AlignError("what", "try this")))
    assert (error.message, error.remedy) == ("what", "try this")

"""Drive the commands over corrupted inputs and say what became of them.

    python -m tests.bench.corrupted [--pictures N] [--images N] [--texts N] [--hostile N] [--true N]
                                    [--seed N] [--minutes M] [--jobs N] [--log FILE]

Pictures of known truth are cropped, blurred, covered, stretched ...; image files, TOML and JSON are damaged.
Every case is made from its number alone, so that `--only KIND:NUMBER` runs one again. The log (one JSON object
a line) is added to: a run that was stopped goes on where it was. With --page, the tables of
docs/hard_use.md are printed from the log.
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np

from tests.bench.corrupted_files import IMAGE_KINDS, SCENE_TEXT, camera_text, damaged_bytes, damaged_text, encoded
from tests.bench.corrupted_hostile import hostile_case
from tests.bench.corrupted_pictures import Base, corrupted, drawn_base, sample_bases

ROOT = Path(__file__).resolve().parents[2]


KINDS = ("pictures", "images", "texts", "hostile")
#: Every seed has so many cases of each kind to itself; fewer than APART_FROM in all.
SEED_STEP = 50_000
#: Pictures of hostile use are no longer than this [px].
SMALL_PX = 1000
#: How many mirrors are drawn out of true by degrees, and how many within the tolerance, which can get exit code 0.
DRAWN_BASES, TRUE_BASES = 60, 30
#: Cases from this number on are by the real command line; those from that one on are of mirrors that are true.
APART_FROM, TRUE_FROM = 1_000_000, 2_000_000
#: A command that takes longer hangs [s]: of the processor in this process, for other work on the machine is none
#: of the command's; of the clock by the real command line.
HANG_S = 20.0
GIVEN_UP_S = 180


class GivenUp(BaseException):
    """No command catches it: the case took far too long."""


@lru_cache(maxsize=1)
def bases() -> list[Base]:
    """Every good picture, made once in each process."""
    return [drawn_base(number) for number in range(DRAWN_BASES)] + sample_bases()


@lru_cache(maxsize=1)
def small_bases() -> list[Base]:
    """The smaller drawn ones, some of mirrors that are true: for attacks that do not ask for many pixels."""
    drawn = [drawn_base(number) for number in range(DRAWN_BASES)] + true_bases()
    return [base for base in drawn if max(base.gray.shape) <= SMALL_PX]


@lru_cache(maxsize=1)
def true_bases() -> list[Base]:
    """Good pictures of mirrors that are true."""
    return [drawn_base(number, true=True) for number in range(TRUE_BASES)]


@lru_cache(maxsize=1)
def good_record() -> Path:
    """A record with one entry, as `align check --into` writes it."""
    folder = Path(tempfile.mkdtemp())
    photo = folder / "good.jpg"
    photo.write_bytes(encoded(bases()[0].gray, "JPEG"))
    _invoke(["record", "--start", str(folder / "record")])
    _invoke(["check", str(photo), "--into", str(folder / "record")])
    return folder / "record"


def _invoke(words: list[str]) -> tuple[int, str, str]:
    """(exit code, stdout, stderr) of a command in this process; an escaped exception is told in stderr."""
    from click.testing import CliRunner

    from align.cli.main import align_group

    done = CliRunner().invoke(align_group, words)
    escaped = done.exception is not None and not isinstance(done.exception, SystemExit)
    told = f"\nTraceback: {type(done.exception).__name__}: {done.exception}" if escaped else ""
    return done.exit_code, done.stdout, done.stderr + told


def _apart(words: list[str]) -> tuple[int, str, str]:
    """The same by the real command line."""
    command = [sys.executable, "-m", "align", *words]
    done = subprocess.run(command, capture_output=True, text=True, check=False, cwd=ROOT)
    return done.returncode, done.stdout, done.stderr


def _case_files(
    kind: str, rng: np.random.Generator, folder: Path, chosen: list[Base]
) -> tuple[list[str], str, Base | None]:
    """Write a case's files, of one of the pictures; (the command's words, what was done, the truth if any)."""
    if kind == "texts":
        return _text_case(rng, folder)
    if kind == "hostile":
        chosen = small_bases()
    base = chosen[int(rng.integers(len(chosen)))]
    if kind == "hostile":
        return hostile_case(rng, folder, base)
    photo = folder / str(rng.choice(["photo.jpg", "my photo – 鏡.JPG", "IMG 1.heic", "noext"]))
    known = 26.0 if rng.random() < 0.7 else None
    if kind == "pictures":
        gray, names = corrupted(base, rng)
        data = encoded(gray, "JPEG" if rng.random() < 0.8 else "PNG", known)
        done = " + ".join(names)
    else:
        data, done = damaged_bytes(encoded(base.gray, str(rng.choice(IMAGE_KINDS)), known), rng)
    photo.write_bytes(data)
    words = ["check", str(photo), "--json"]
    draw = rng.random()
    if draw < 0.15:
        words += ["--picture", str(folder / "out" / "answer.png")]
    elif draw < 0.25:
        words += ["--into", str(folder / "out" / "record"), "--start"]
    elif draw < 0.33:
        words = ["glass", str(photo), "--json"]
    elif draw < 0.40:
        words = ["camera", str(photo), "--out", str(folder / "out" / "camera.json"), "--json"]
    elif draw < 0.45:
        words += ["--each"]
    elif draw < 0.48:
        words += ["--board", "8x6", "--square", "12.8"]
    return words, done, base


def _text_case(rng: np.random.Generator, folder: Path) -> tuple[list[str], str, None]:
    draw = rng.random()
    if draw < 0.45:
        data, done = damaged_text(SCENE_TEXT, rng)
        scene = folder / "scene.toml"
        scene.write_bytes(data)
        return ["plan", str(scene), "--json"], f"scene: {done}", None
    if draw < 0.75:
        data, done = damaged_text(camera_text(), rng)
        camera, photo = folder / "camera.json", folder / "photo.jpg"
        camera.write_bytes(data)
        # Without a target: the camera file is what is tried, and what it lets through ends soon.
        photo.write_bytes(encoded(np.full((300, 400), 120, np.uint8), "JPEG"))
        return ["check", str(photo), "--camera", str(camera), "--json"], f"camera: {done}", None
    record = folder / "out" / "record"
    shutil.copytree(good_record(), record)
    [entry] = record.rglob("entry.json")
    spoiled = record / "installation.toml" if draw < 0.85 else entry
    data, done = damaged_text(spoiled.read_text(encoding="utf-8"), rng)
    spoiled.write_bytes(data)
    return ["record", str(record)], f"{spoiled.name}: {done}", None


def run_case(kind: str, number: int, apart: bool = False) -> dict[str, Any]:
    """One case: what was done, what came of it, and everything that must not be."""
    rng = np.random.default_rng([{"pictures": 1, "images": 2, "texts": 3, "hostile": 4}[kind], number])
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "out").mkdir()
        words, done, base = _case_files(kind, rng, folder, true_bases() if number >= TRUE_FROM else bases())
        before = _listed(folder)
        wall, cpu = time.perf_counter(), time.process_time()
        signal.signal(signal.SIGALRM, _give_up)
        signal.alarm(GIVEN_UP_S)
        try:
            code, out, err = (_apart if apart else _invoke)(words)
        except GivenUp:
            code, out, err = -1, "", "Traceback: given up"
        finally:
            signal.alarm(0)
        wall, cpu = time.perf_counter() - wall, time.process_time() - cpu
        problems = [
            *_outside(folder, before),
            *_problems(words, code, out, err, wall if apart else cpu),
            *_unfinished(folder / "out"),
            *(_left_running(folder) if apart else ()),
        ]
    command = words[0] + "".join(f" {word}" for word in words if word.startswith("--") and word != "--json")
    case = {"kind": kind, "number": number, "apart": apart, "done": done, "command": command, "code": code}
    case |= {"wall_s": round(wall, 3), "cpu_s": round(cpu, 3), "problems": problems}
    return case | _judged(words, code, out, err, base)


def _problems(words: list[str], code: int, out: str, err: str, seconds: float) -> Iterator[str]:
    if "Traceback" in err or "Traceback" in out or "fault in align" in err + out:
        yield f"traceback: {(err + out)[-600:]}"
    if code not in (0, 1, 2, 3):
        yield f"exit code {code}"
    if seconds > HANG_S:
        yield f"took {seconds:.0f} s"
    if "--json" in words:
        try:
            answer = json.loads(out)
            if answer.get("format") == "align-error-1" and not (answer["message"] and answer["try"]):
                yield f"an error that says nothing to try: {out[:300]}"
        except ValueError:
            yield f"stdout is no JSON object: {out[:200]!r} {err[:200]!r}"
    elif code == 1 and "Try: " not in err and "CANNOT TELL YET" not in out:  # an open verdict is an answer
        yield f"an error without anything to try: {err[:300]}"


def _listed(folder: Path) -> dict[str, int]:
    """Everything outside the output folder, with its length."""
    return {
        str(path): path.lstat().st_size for path in folder.rglob("*") if folder / "out" not in [path, *path.parents]
    }


def _outside(folder: Path, before: dict[str, int]) -> Iterator[str]:
    """Files that were made, changed or removed outside the output folder."""
    after = _listed(folder)
    for path in sorted(before.keys() | after.keys()):
        if before.get(path) != after.get(path):
            yield f"touched outside: {path!r}"


def _left_running(folder: Path) -> Iterator[str]:
    """Processes that still name the case's folder after the command's end."""
    for path in Path("/proc").glob("[0-9]*/cmdline"):
        try:
            words = path.read_bytes()
        except OSError:  # it has ended meanwhile
            continue
        if os.fsencode(folder) in words:
            yield f"left running: {words[:200]!r}"


def _unfinished(folder: Path) -> Iterator[str]:
    """Files in the output folder that are not whole."""
    from PIL import Image

    for path in folder.rglob("*"):
        if not path.is_file() or path.name == "entry.json":
            continue
        try:
            if ".unfinished" in path.name or path.stat().st_size == 0:
                raise ValueError("left behind")
            if path.suffix in (".png", ".jpg"):
                with Image.open(path) as image:
                    image.load()
            elif path.suffix == ".html" and not path.read_text(encoding="utf-8").rstrip().endswith("</html>"):
                raise ValueError("cut off")
        except Exception as error:
            yield f"half-written {path.relative_to(folder)}: {error}"


def _judged(words: list[str], code: int, out: str, err: str, base: Base | None) -> dict[str, Any]:
    """What the answer was, against the truth where there is one."""
    try:
        answer = json.loads(out)
    except ValueError:
        answer = {}
    if answer.get("format") == "align-error-1":
        return {"outcome": "refused", "error": answer["error"], "message": answer["message"][:160]}
    if base is None or answer.get("format") != "align-check-1":
        return {"outcome": "done" if code == 0 else "refused", "message": err[:160]}
    mirrors = answer["mirrors"]
    judged = [_against(mirror, base) for mirror in mirrors]
    # Of one true mirror, the answer that is nearest to it; where there are several, every answer counts.
    chosen = judged if base.others else [min(judged, key=lambda one: float(np.hypot(*one[0])))]
    errors, halves, held = ([value for one in chosen for value in one[part]] for part in range(3))
    return {
        "outcome": "answered",
        "mirrors": len(mirrors),
        "error_deg": [round(error, 4) for error in errors],
        "half_deg": [round(half, 4) for half in halves],
        "held": held,
        "warnings": [w[:80] for w in answer["warnings"]],
    }


def _against(mirror: dict[str, Any], base: Base) -> tuple[list[float], list[float], list[bool]]:
    """Errors, half widths and whether the intervals hold of lean and turn, against the nearest true mirror."""
    names = ("lean_deg", "turn_deg")
    values = [mirror[name]["value"] for name in names]
    truth = min(
        ((base.lean_deg, base.turn_deg), *base.others), key=lambda one: float(np.hypot(*np.subtract(one, values)))
    )
    errors = [value - true for value, true in zip(values, truth, strict=True)]
    halves = [(mirror[name]["high"] - mirror[name]["low"]) / 2 for name in names]
    held = [
        bool(mirror[name]["low"] <= true <= mirror[name]["high"]) for name, true in zip(names, truth, strict=True)
    ]
    return errors, halves, held


def _start_worker() -> None:
    import warnings

    import cv2

    warnings.simplefilter("ignore")
    cv2.setNumThreads(1)
    os.environ.pop("ALIGN_DEBUG", None)


def _give_up(*_: object) -> None:
    raise GivenUp


def _run_job(job: tuple[str, int, bool]) -> dict[str, Any]:
    return run_case(*job)


def jobs_to_do(options: argparse.Namespace, finished: set[tuple[str, int, bool]]) -> list[tuple[str, int, bool]]:
    """The cases that the log does not hold yet, kinds mixed."""
    wanted = [(kind, n, False) for kind in KINDS for n in _numbers(options, kind)]
    wanted += [(KINDS[n % len(KINDS)], APART_FROM + n, True) for n in range(options.apart)]
    wanted += [(("pictures", "images")[n % 2], TRUE_FROM + n, False) for n in range(options.true)]
    left = [job for job in wanted if job not in finished]
    np.random.default_rng(0).shuffle(left)
    return [(str(kind), int(number), str(apart) == "True") for kind, number, apart in left]


def _numbers(options: argparse.Namespace, kind: str) -> range:
    """The cases of a kind; another seed makes others."""
    start = options.seed * SEED_STEP
    return range(start, start + getattr(options, kind))


def read_log(path: Path) -> list[dict[str, Any]]:
    """The cases of a log; the last one wins where a case was run again."""
    if not path.exists():
        return []
    cases = [json.loads(line) for line in path.read_text(encoding="utf-8").splitlines() if line.strip()]
    return list({(case["kind"], case["number"]): case for case in cases}.values())


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--pictures", type=int, default=2400, help="corrupted pictures")
    parser.add_argument("--images", type=int, default=4600, help="damaged image files")
    parser.add_argument("--texts", type=int, default=3200, help="damaged TOML and JSON files")
    parser.add_argument("--hostile", type=int, default=5000, help="odd files, names, facts and options")
    parser.add_argument("--seed", type=int, default=0, help="0 to 19: other cases for another number")
    parser.add_argument(
        "--minutes", type=float, help="no case is begun after so long; the log says how many were run"
    )
    parser.add_argument("--true", type=int, default=1200, help="pictures and image files, of mirrors that are true")
    parser.add_argument("--apart", type=int, default=150, help="of all kinds, by the real command line")
    parser.add_argument("--jobs", type=int, default=1, help="processes")
    parser.add_argument("--log", type=Path, default=Path("/tmp/align_corrupted.jsonl"))
    parser.add_argument("--only", help="KIND:NUMBER, run again and shown")
    parser.add_argument("--page", action="store_true", help="print the tables of the log, run nothing")
    options = parser.parse_args()
    if options.only:
        kind, number = options.only.split(":")
        print(json.dumps(run_case(kind, int(number)), indent=1, ensure_ascii=False))
        return
    if not options.page:
        os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # the workers load numpy afresh
        finished = {(case["kind"], case["number"], case["apart"]) for case in read_log(options.log)}
        left = jobs_to_do(options, finished)
        with (
            ProcessPoolExecutor(options.jobs, initializer=_start_worker) as pool,
            options.log.open("a", encoding="utf-8") as log,
        ):
            until = time.monotonic() + 60 * options.minutes if options.minutes else float("inf")
            for start in range(0, len(left), 8 * options.jobs):
                if time.monotonic() > until:
                    break
                for case in pool.map(_run_job, left[start : start + 8 * options.jobs]):
                    log.write(json.dumps(case) + "\n")
                    log.flush()
    from tests.bench.corrupted_text import tables

    print(tables(read_log(options.log)))


if __name__ == "__main__":
    main()

"""Measure how fast align is and how much memory it takes, and write docs/performance.md with its figures.

    python -m tests.bench.performance [--rounds N] [--each N] [--views N] [--photos FILE ...] [--json FILE]
    python -m tests.bench.performance --from-json FILE          the page anew from an earlier run's figures

Whole processes beside the bare stock script, time by stage, memory, `--each` on one core and on all, and how small
a reflection may be. On an otherwise idle machine; it takes about ten minutes.
"""

from __future__ import annotations

import argparse
import datetime
import os
import platform
import shutil
import statistics
import sys
import tempfile
from collections.abc import Sequence
from pathlib import Path

from tests.bench.performance_measured import Command, Each, Machine, Measured, Rate, Stages, load
from tests.bench.performance_processes import (
    ROOT,
    Run,
    align_command,
    busy_cores,
    run_in_turn,
    run_once,
    stock_command,
    usable_cores,
)
from tests.bench.performance_stages import stage_times

SAMPLES = ROOT / "sample_images"
#: Photos of this size or more are timed stage by stage, and kept in a record [megapixels].
LARGE_MEGAPIXELS = 12.0
#: The photo of lamps for `align glass`, and how many checks a record of `align record` holds.
LAMPS, RECORDED = "arcade_lamps", 4
#: The slower commands are run this many times less often than the others.
SLOWER = 2


def measure(photos: Sequence[Path], rounds: int, each: int, views: int) -> Measured:
    """Everything, in the order of the page; says on stderr what it is at."""
    machine = _machine()
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        commands = [command for photo in photos for command in _paired(photo, folder, rounds)]
        slower = max(1, rounds // SLOWER)
        large = [photo for photo in photos if megapixels(photo) >= LARGE_MEGAPIXELS] or photos
        commands += [*_glass(large, folder, slower), *_record(large, folder, slower)]
        stages = tuple(_stages(photo, folder, slower) for photo in large)
        batches = tuple(_each(folder, each)) if each else ()
    return Measured(machine, tuple(commands), stages, batches, _rates(views))


def sample_photos() -> list[Path]:
    """All sample photos."""
    return sorted(SAMPLES.glob("*.jpg"))


def megapixels(path: Path) -> float:
    """Size of a photo, from its header."""
    from PIL import Image

    with Image.open(path) as image:
        return image.size[0] * image.size[1] / 1e6


def _machine() -> Machine:
    from importlib.metadata import version

    return Machine(
        datetime.date.today().isoformat(),
        os.cpu_count() or 1,
        busy_cores(),
        platform.python_version(),
        version("opencv-python"),
        version("numpy"),
    )


def _paired(photo: Path, folder: Path, rounds: int) -> list[Command]:
    """The stock script, the check, the check with its picture and the help, in turn."""
    _say(f"{photo.name}: check beside the stock script")
    check = [*align_command(), "check", str(photo), "--json"]
    runs = run_in_turn(
        {
            "stock": stock_command(photo, sheet_of(photo)),
            "check": check,
            "picture": [*check, "--picture", str(folder / "answer.png")],
            "help": [*align_command(), "--help"],
        },
        rounds,
    )
    return [Command(what, photo.stem, megapixels(photo), tuple(found)) for what, found in runs.items()]


def sheet_of(photo: Path) -> str:
    """The sheet's name, from the photo's truth file; a5 where there is none."""
    import json

    truth = photo.with_suffix(".truth.json")
    return str(json.loads(truth.read_text(encoding="utf-8"))["sheet"]) if truth.exists() else "a5"


def _glass(photos: Sequence[Path], folder: Path, rounds: int) -> list[Command]:
    lamps = [photo for photo in photos if photo.stem == LAMPS]
    if not lamps:
        return []
    _say("glass")
    command = [*align_command(), "glass", str(lamps[0]), "--json"]
    commands = {"glass": command, "glass picture": [*command, "--picture", str(folder / "glass.png")]}
    runs = run_in_turn(commands, rounds)
    return [Command(what, LAMPS, megapixels(lamps[0]), tuple(found)) for what, found in runs.items()]


def _record(photos: Sequence[Path], folder: Path, rounds: int) -> list[Command]:
    """A record of several checks: adding one, its first page, and its page again with nothing new."""
    _say("record")
    place = folder / "record"
    kept = [photos[number % len(photos)] for number in range(RECORDED)]
    size = max(megapixels(photo) for photo in kept)
    into = ["--into", str(place), "--start"]
    adding = [run_once([*align_command(), "check", str(p), "--json", *into]) for p in kept]
    command = [*align_command(), "record", str(place), "--out", str(folder / "record.html")]
    first, again = [], []
    for _ in range(rounds):
        shutil.rmtree(place / "pictures", ignore_errors=True)
        first.append(run_once(command))
        again.append(run_once(command))
    named: dict[str, list[Run]] = {"into": adding, "record first": first, "record again": again}
    return [Command(what, "", size, tuple(runs)) for what, runs in named.items()]


def _stages(photo: Path, folder: Path, rounds: int) -> Stages:
    _say(f"{photo.name}: stages")
    found = stage_times(photo, folder / "answer.png", rounds)
    return Stages(photo.stem, {stage: statistics.median(times[stage] for times in found) for stage in found[0]})


def _each(folder: Path, count: int) -> list[Each]:
    """Copies of the sample photos, all in one command: on all cores, then on one."""
    samples = sorted(SAMPLES.glob("*.jpg"))
    copies = []
    for number in range(count):
        sample = samples[number % len(samples)]
        copies.append(folder / f"{number:03d}_{sample.name}")
        shutil.copyfile(sample, copies[-1])
    command = [*align_command(), "check", *map(str, copies), "--each", "--json"]
    batches = []
    for cores in (2, 1) if len(usable_cores()) >= 2 else ():
        _say(f"{count} photos with --each, cores: {cores}")
        batches.append(Each(cores, count, run_once(command, cores=cores).wall_s))
    return batches


def _rates(views: int) -> tuple[Rate, ...]:
    if not views:
        return ()
    _say("drawn photos, small and smaller reflections")
    from tests.bench.performance_detection import HEIGHTS_PX, rates, summary

    return summary(rates(HEIGHTS_PX, views, jobs=os.cpu_count() or 1))


def _say(words: str) -> None:
    print(words, file=sys.stderr, flush=True)


def write_page(measured: Measured, folder: Path) -> None:
    """docs/performance.md and its figures, into a folder."""
    from tests.bench.performance_figures import draw_all
    from tests.bench.performance_text import page

    (folder / "figures").mkdir(parents=True, exist_ok=True)
    draw_all(folder / "figures", measured)
    (folder / "performance.md").write_text(page(measured), encoding="utf-8")


def main() -> None:
    """Parse, measure, write."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--rounds", type=int, default=9, help="rounds of the paired processes")
    parser.add_argument("--each", type=int, default=100, help="photos for --each; 0: leave it out")
    parser.add_argument("--views", type=int, default=16, help="drawn photos at each height; 0: leave it out")
    parser.add_argument("--photos", type=Path, nargs="*", help="instead of the sample photos")
    parser.add_argument("--json", type=Path, help="keep the figures here as well")
    parser.add_argument("--from-json", type=Path, help="read the figures here instead of measuring")
    parser.add_argument("--out", type=Path, default=ROOT / "docs", help="folder of performance.md and figures/")
    options = parser.parse_args()
    if options.from_json:
        measured = load(options.from_json)
    else:
        photos = options.photos or sample_photos()
        measured = measure(photos, options.rounds, options.each, options.views)
    if options.json:
        measured.save(options.json)
    write_page(measured, options.out)


if __name__ == "__main__":
    main()

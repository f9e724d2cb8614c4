"""The whole benchmark suite in one command: writes docs/accuracy.md, docs/performance.md and their figures.

    python tests/bench/run_all.py [--photos DIR] [--views N] [--rounds N] [--each N] [--drawn N] [--out DIR]

Rendered photos are made in --photos where they are missing (with the extra `render`, some minutes each);
without the renderer the sample photos alone are used. On an otherwise idle machine with two cores: some 20 minutes.
"""

from __future__ import annotations

import argparse
import importlib.util
import subprocess
import sys
import tempfile
from pathlib import Path

from performance_processes import ROOT, environment

BENCH, RENDERING = Path(__file__).parent, ROOT / "tests" / "rendering"
#: Rendered photos of random scenes that docs/accuracy.md is made with, beside the sample photos.
RENDERED = 14
FOLDER = Path(tempfile.gettempdir()) / "align-accuracy"


def rendered_photos(folder: Path, count: int) -> list[str]:
    """The option that names the folder of rendered photos, made if need be; nothing without the renderer."""
    missing = [number for number in range(count) if not (folder / f"acc_{number:02d}.truth.json").exists()]
    if missing and importlib.util.find_spec("mitsuba") is None:
        print("Mitsuba is not installed: the sample photos alone are measured.", file=sys.stderr)
        return []
    for number in missing:
        _run([str(RENDERING / "make_accuracy_set.py"), str(folder), "1", str(number)])
    return ["--photos", str(folder)] if count else []


def _run(arguments: list[str]) -> None:
    """A Python script of this tree in a process of its own: memory is measured beside nothing else."""
    print("==", *arguments, file=sys.stderr, flush=True)
    subprocess.run([sys.executable, *arguments], check=True, env=environment())


def main() -> None:
    """Parse and run."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--photos", type=Path, default=FOLDER, help="folder of rendered photos")
    parser.add_argument("--rendered", type=int, default=RENDERED, help="how many; 0: the sample photos alone")
    parser.add_argument("--views", type=int, default=400, help="simulated views of the accuracy")
    parser.add_argument("--rounds", type=int, default=9, help="rounds of timed processes")
    parser.add_argument("--each", type=int, default=100, help="photos for `check --each`")
    parser.add_argument("--drawn", type=int, default=16, help="drawn photos at each square height")
    parser.add_argument("--out", type=Path, default=ROOT / "docs", help="folder of the pages and figures/")
    options = parser.parse_args()
    out = ["--out", str(options.out)]
    photos = rendered_photos(options.photos, options.rendered)
    counts = ["--rounds", str(options.rounds), "--each", str(options.each), "--views", str(options.drawn)]
    _run([str(BENCH / "performance.py"), *counts, *out])
    accuracy = ["--views", str(options.views), "--rounds", str(options.rounds)]
    _run([str(BENCH / "accuracy.py"), *accuracy, *photos, *out])


if __name__ == "__main__":
    main()

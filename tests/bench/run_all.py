"""The whole benchmark suite in one command: writes docs/accuracy.md, docs/performance.md and their figures.

    python -m tests.bench.run_all [--photos DIR] [--ghosts DIR] [--views N] [--rounds N] [--each N] [--drawn N]
        [--out DIR] [--glass-page] [--conditions DIR]

Rendered photos are made in --photos, and lamps before mirrors traced in --ghosts, where they are missing (with the
extra `render`); without the renderer the sample photos alone are used. Light that is there is not traced again, but
answers are: the pages are about today's code. --glass-page also makes the figures of docs/glass.md, from the same
fits and from whole photos that are rendered for it; --conditions also makes conditions.md, from photos as people
take them. Both are off by default because of their time; DEVELOPERS.md has how long each part takes.
"""

from __future__ import annotations

import argparse
import importlib.util
import subprocess
import sys
import tempfile
from pathlib import Path

from tests.bench.performance_processes import ROOT, environment

BENCH, RENDERING = Path(__file__).parent, ROOT / "tests" / "rendering"
#: Rendered photos of random scenes that docs/accuracy.md is made with, beside the sample photos.
RENDERED = 14
#: Scenes of lamps before mirrors: all of tests/rendering/ghost_photos.py.
TRACED = 60
FOLDER = Path(tempfile.gettempdir()) / "align-accuracy"
GHOSTS = FOLDER.with_name("align-ghosts")


def rendered_photos(folder: Path, count: int) -> list[str]:
    """The option that names the folder of rendered photos, made if need be; nothing without the renderer."""
    missing = [number for number in range(count) if not (folder / f"acc_{number:02d}.truth.json").exists()]
    if missing and not _renderer():
        print("Mitsuba is not installed: the sample photos alone are measured.", file=sys.stderr)
        return []
    for number in missing:
        _run([str(RENDERING / "make_accuracy_set.py"), str(folder), "1", str(number)])
    return ["--photos", str(folder)] if count else []


def traced_lamps(folder: Path, count: int) -> list[str]:
    """The option that names the folder of traced lamps, fitted anew; nothing where some can not be traced."""
    missing = [scene for scene in range(count) if not (folder / f"{scene:03d}.npz").exists()]
    if missing and not _renderer():
        print("Mitsuba is not installed: ghosts are measured on the sample photos alone.", file=sys.stderr)
        return []
    if count:
        _run([str(BENCH / "ghosts.py"), str(folder), *map(str, range(count)), "--again"])
    return ["--ghosts", str(folder)] if count else []


def glass_page(folder: Path) -> None:
    """The other measurements of docs/glass.md, then its figures; whole photos need the renderer."""
    (folder / "whole.jsonl").unlink(missing_ok=True)
    for arguments in (["ghosts.py", "--free"], ["blur.py"], ["ghosts_whole.py"], ["ghosts.py", "--docs"]):
        _run([str(BENCH / arguments[0]), str(folder), *arguments[1:]])


def _renderer() -> bool:
    return importlib.util.find_spec("mitsuba") is not None


def _run(arguments: list[str]) -> None:
    """A Python script of this tree in a process of its own: memory is measured beside nothing else."""
    print("==", *arguments, file=sys.stderr, flush=True)
    subprocess.run([sys.executable, *arguments], check=True, env=environment())


def main() -> None:
    """Parse and run."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--photos", type=Path, default=FOLDER, help="folder of rendered photos")
    parser.add_argument("--rendered", type=int, default=RENDERED, help="how many; 0: the sample photos alone")
    parser.add_argument("--ghosts", type=Path, default=GHOSTS, help="folder of traced lamps; answered anew")
    parser.add_argument("--traced", type=int, default=TRACED, help="how many scenes; 0: the sample photos alone")
    parser.add_argument("--views", type=int, default=400, help="simulated views of the accuracy")
    parser.add_argument("--rounds", type=int, default=9, help="rounds of timed processes")
    parser.add_argument("--each", type=int, default=100, help="photos for `check --each`")
    parser.add_argument("--drawn", type=int, default=16, help="drawn photos at each square height")
    parser.add_argument("--out", type=Path, default=ROOT / "docs", help="folder of the pages and figures/")
    parser.add_argument("--glass-page", action="store_true", help="also the figures of docs/glass.md of this tree")
    parser.add_argument("--conditions", type=Path, help="also conditions.md; folder of its photos")
    options = parser.parse_args()
    if options.glass_page and not (_renderer() and options.traced):
        parser.error("--glass-page needs Mitsuba (pip install -e '.[render]') and traced lamps")
    out = ["--out", str(options.out)]
    photos = rendered_photos(options.photos, options.rendered)
    counts = ["--rounds", str(options.rounds), "--each", str(options.each), "--views", str(options.drawn)]
    _run([str(BENCH / "performance.py"), *counts, *out])
    ghosts = traced_lamps(options.ghosts, options.traced)
    accuracy = ["--views", str(options.views), "--rounds", str(options.rounds)]
    _run([str(BENCH / "accuracy.py"), *accuracy, *photos, *ghosts, *out])
    if options.glass_page:
        glass_page(options.ghosts)
    if options.conditions:
        _run([str(BENCH / "conditions.py"), str(options.conditions), *out])


if __name__ == "__main__":
    main()

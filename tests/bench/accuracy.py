"""Measure how accurate align is, and write docs/accuracy.md with its tables and figures.

    python -m tests.bench.accuracy [--photos DIR ...] [--views N] [--seed S] [--jobs N] [--rounds N] [--ghosts DIR]

Simulated views beside the stock route and the Cramér-Rao bound; rendered photos with known truth (in
sample_images/ and in every --photos DIR) beside the full stock route; ghosts of lamps, on the sample photos that
show some and in the results of tests/bench/ghosts.py in --ghosts DIR; and time.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from tests.bench.accuracy_figures import draw_all
from tests.bench.accuracy_ghosts import ghosts_of
from tests.bench.accuracy_photos import PhotoRecord, asks_for_a_mirror, photos_with_truth, run_photo
from tests.bench.accuracy_simulated import CASES, run_views
from tests.bench.accuracy_text import Measurements, page
from tests.bench.accuracy_timing import Timing, time_check

ROOT = Path(__file__).resolve().parents[2]
SAMPLES = ROOT / "sample_images"
#: The views of a flat sheet are this share of the others.
FLAT_SHARE = 0.5


def measure(
    photo_folders: list[Path], views: int, seed: int, jobs: int, rounds: int, ghosts: Path | None
) -> Measurements:
    """Everything, in the order of the page; says on stderr what it is at."""
    _say(f"{views} simulated views ...")
    drawn = run_views(views, seed=seed, jobs=jobs)
    _say("views of a flat sheet ...")
    flat = run_views(round(views * FLAT_SHARE), seed=seed + 1, flat=True, cases=CASES[:1], jobs=jobs)
    paths = photos_with_truth([SAMPLES, *photo_folders])
    asked = [path for path in paths if asks_for_a_mirror(path)]
    photos = []
    for path in asked:
        _say(path.name)
        photos.append(run_photo(path))
    _say("ghosts of lamps ...")
    return Measurements(
        seed=seed,
        views=drawn,
        flat_views=flat,
        photos=photos,
        sample_names=frozenset(path.stem for path in asked if path.parent == SAMPLES),
        skipped=[path.stem for path in paths if path not in asked],
        ghosts=ghosts_of([path for path in asked if path.parent == SAMPLES], ghosts),
        timing=_timing(asked, photos, rounds),
    )


def _timing(paths: list[Path], photos: list[PhotoRecord], rounds: int) -> list[Timing]:
    """Time on all sample photos of the largest size."""
    samples = [(path, r) for path, r in zip(paths, photos, strict=True) if path.parent == SAMPLES and r.solved]
    if not samples or rounds < 1:
        return []
    largest = max(r.size[0] * r.size[1] for _, r in samples)
    return [time_check(path, r.sheet, rounds) for path, r in samples if r.size[0] * r.size[1] == largest]


def _say(text: str) -> None:
    print(text, file=sys.stderr, flush=True)


def main() -> None:
    """Parse, measure, write."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--photos", type=Path, nargs="*", default=[], help="folders of NAME.jpg, NAME.truth.json")
    parser.add_argument("--views", type=int, default=400, help="simulated views (at least 200 for the page)")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--jobs", type=int, default=2, help="processes for the simulated views")
    parser.add_argument("--rounds", type=int, default=5, help="timing rounds; 0: do not time")
    parser.add_argument("--ghosts", type=Path, help="folder that tests/bench/ghosts.py has answered")
    parser.add_argument("--out", type=Path, default=ROOT / "docs", help="folder of accuracy.md and figures/")
    options = parser.parse_args()
    if options.ghosts and not (options.ghosts / "results.jsonl").exists():
        parser.error(f"{options.ghosts} holds no results.jsonl: run tests/bench/ghosts.py {options.ghosts} first")
    measured = measure(options.photos, options.views, options.seed, options.jobs, options.rounds, options.ghosts)
    (options.out / "figures").mkdir(parents=True, exist_ok=True)
    ghosts = measured.ghosts
    draw_all(options.out / "figures", measured.views, measured.photos, ghosts.samples, ghosts.traced)
    (options.out / "accuracy.md").write_text(page(measured), encoding="utf-8")


if __name__ == "__main__":
    main()

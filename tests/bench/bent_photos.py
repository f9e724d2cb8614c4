"""Draw photos of bent mirrors, curled sheets and skewed prints: python -m tests.bench.bent_photos DIR --seed S

Writes CASE_K.jpg with CASE_K.truth.json for the photos K of each case; what is there already is left. Every
fourth case has three photos, the others one. 2800 x 2100 pixels, some upright.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from pathlib import Path

from tests.rendering.analytic.cases import GROUPS, Case, draw_case
from tests.rendering.analytic.draw import picture
from tests.rendering.analytic.finish import develop, save
from tests.rendering.analytic.truth import truth_of


def write_case(case: Case, folder: Path) -> None:
    """Draw and write the photos of a case that are not there yet."""
    for number, (scene, finish) in enumerate(case.photos):
        path = folder / f"{case.name}_{number}.jpg"
        if path.with_suffix(".truth.json").exists():
            continue
        started = time.process_time()
        save(develop(picture(scene), finish), path, finish)
        truth = truth_of(scene, finish, case=case.name, group=case.group)
        path.with_suffix(".truth.json").write_text(json.dumps(truth) + "\n", encoding="utf-8")
        print(f"{path.name}: {time.process_time() - started:.1f} s of processor time", file=sys.stderr, flush=True)


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--seed", type=int, required=True)
    parser.add_argument("--cases", type=int, default=32, help="of each group; every fourth has three photos")
    parser.add_argument("--sets", action="store_true", help="three photos of each")
    options = parser.parse_args()
    options.folder.mkdir(parents=True, exist_ok=True)
    for number in range(options.cases):
        photos = 3 if options.sets or number % 4 == 3 else 1
        for group in GROUPS:
            write_case(draw_case(options.seed, group, number, photos), options.folder)


if __name__ == "__main__":
    main()

"""Drawn photos of a sheet of a skewed print, turned between them: python -m tests.bench.turned_photos DIR [CASES]

As the photos of docs/accuracy_bent.md (`tests/rendering/analytic`), held by hand: 0, 90 and 180 degrees. Prints
each case's lean and turn by the first photo alone and by all three, with their true values; DIR keeps the photos.
"""

from __future__ import annotations

import math
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np

from align.checking.job import check
from align.checking.result import CheckResult
from align.errors import AlignError
from align.target.sheets import corners_target
from tests.bench.accuracy_tables import table
from tests.rendering.analytic.cases import fault_of, shows_all
from tests.rendering.analytic.draw import picture
from tests.rendering.analytic.finish import Finish, develop, nominal_focal_px, save
from tests.rendering.analytic.placed import with_sheet_at
from tests.rendering.analytic.scene import BentMirror, BentScene, LensCamera
from tests.rendering.analytic.shapes import Face

SIZE_PX = (2800, 2100)
TURNED_DEG = (0.0, 90.0, 180.0)


def scenes_of(case: int) -> list[BentScene]:
    """The scenes of a case, each told from its sheet."""
    rng = np.random.default_rng([20261126, 14, case])
    mirror = BentMirror(
        rng.uniform(35, 60), rng.uniform(-0.6, 0.6), rng.uniform(-1.5, 1.5), Face(420.0, 200.0, 0.3), 3.0
    )
    focal = nominal_focal_px(SIZE_PX, 26 * (1 + rng.normal(0, 0.01)))
    scene = BentScene(LensCamera((0.0, -500.0, 300.0), (0.0, 0.0, 0.0), SIZE_PX, focal, (1403.0, 1045.0)), mirror)
    scene = replace(scene, fault=fault_of(rng, scene.sheet))
    middle = corners_target(scene.sheet).mean(axis=0)
    found: list[BentScene] = []
    for turned_deg in TURNED_DEG:
        angle = math.radians(turned_deg)
        shift = middle[:2] - [
            middle[0] * math.cos(angle) - middle[1] * math.sin(angle),
            middle[0] * math.sin(angle) + middle[1] * math.cos(angle),
        ]
        while True:
            elevation, azimuth = math.radians(rng.uniform(26, 44)), math.radians(rng.uniform(-18, 18))
            away = float(rng.uniform(480, 600))
            level = away * math.cos(elevation)
            aim = (0.0, float(middle[1] + rng.uniform(20, 50)), 10.0)
            eye = (level * math.sin(azimuth), aim[1] - level * math.cos(azimuth), away * math.sin(elevation))
            camera = replace(scene.camera, eye_mm=eye, aim_mm=aim)
            x, y = shift + rng.normal(0, 6, 2)
            placed = with_sheet_at(replace(scene, camera=camera), float(x), float(y), turned_deg)
            if shows_all(placed):
                found.append(placed)
                break
    return found


def photos_of(case: int, folder: Path) -> list[Path]:
    """A case's photos, drawn where they are missing."""
    paths = [folder / f"turned{case:02d}_{number}.jpg" for number in range(len(TURNED_DEG))]
    for number, (path, scene) in enumerate(zip(paths, scenes_of(case), strict=True)):
        if not path.exists():
            finish = Finish(seed=100 * case + number)
            save(develop(picture(scene), finish), path, finish)
    return paths


def main() -> None:
    """Command line."""
    folder, cases = Path(sys.argv[1]), int(sys.argv[2]) if len(sys.argv) > 2 else 8
    folder.mkdir(parents=True, exist_ok=True)
    rows = []
    for case in range(cases):
        paths, mirror = photos_of(case, folder), scenes_of(case)[0].mirror
        row = [str(case)]
        try:
            for result in (check(paths[0]), check(paths, turned_sheet=True)):
                row += [_cell(result, "lean_deg", mirror.lean_deg), _cell(result, "turn_deg", mirror.turn_deg)]
        except AlignError as error:
            row += [error.message] + [""] * (4 - len(row))
        rows.append(row)
        print(row, file=sys.stderr, flush=True)
    head = [
        "case",
        "lean, one photo [°]",
        "turn, one photo [°]",
        "lean, turned sheet [°]",
        "turn, turned sheet [°]",
    ]
    print(table(head, rows))


def _cell(result: CheckResult, name: str, true: float) -> str:
    """Error, half the interval, and a star where that does not hold."""
    found = getattr(result.mirrors[0], name)
    star = "" if found.low <= true <= found.high else "*"
    return f"{found.value - true:+.4f} ± {found.half_width:.4f}{star}"


if __name__ == "__main__":
    main()

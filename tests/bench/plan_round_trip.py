"""How often a planned mirror, rendered, photographed and checked, comes back within its 95 % interval.

    .venv/bin/python -m tests.bench.plan_round_trip OUTDIR [--light-rays 1536] [--count 8]

Prints one line a scene, planned against found, and how many intervals hold. Needs the extra `render`.
"""

from __future__ import annotations

import argparse
import math
from pathlib import Path

import numpy as np

from align.checking.job import check
from align.planning.job import plan_paths
from align.planning.scene import Scene
from align.planning.scene_file import scene_from_text
from tests.rendering.framing import framing_of, phone_camera
from tests.rendering.phone import PhoneSpec
from tests.rendering.photograph import photograph
from tests.rendering.planned import SCENE, SHEET_AT_MM, planned_spec

SIZE_PX = (2016, 1512)
#: Heading in which the street arrives and should run on [deg], lean left by the workshop [deg], glass [mm],
#: height and side from which the phone looks [deg].
CASES = (
    (4.004, -1.0, 0.8, 4.0, 32.0, -8.0),
    (0.0, 0.0, 0.0, 4.0, 35.0, 0.0),
    (-6.0, 2.0, -0.6, 3.0, 38.0, 6.0),
    (10.0, 4.0, 0.3, 6.0, 30.0, -12.0),
    (3.0, -9.0, 1.2, 2.0, 42.0, 10.0),
    (-2.0, -2.0, -1.1, 4.0, 34.0, 15.0),
    (8.0, 0.0, 0.5, 0.0, 40.0, -4.0),
    (-5.0, -7.0, 0.1, 5.0, 36.0, 3.0),
    (1.0, 2.0, -0.3, 3.0, 33.0, -15.0),
    (-9.0, 3.0, 0.7, 4.0, 37.0, 12.0),
)


def planned_scene(arrives: float, wanted: float, lean: float, glass: float) -> Scene:
    """The scene with the turn that the plan asks for."""
    start = 30.0 + 300.0 * math.tan(math.radians(arrives))
    words = {"lean": lean, "glass": glass, "start": start, "wanted": wanted, "measured": ""}
    first = scene_from_text(SCENE.format(turn=0.0, **words))
    turn = math.degrees(plan_paths(first, first.eyes().reshape(-1, 3))[0].needed_turn)
    return scene_from_text(SCENE.format(turn=turn, **words))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--light-rays", type=int, default=1536)
    parser.add_argument("--count", type=int, default=len(CASES))
    options = parser.parse_args()
    options.folder.mkdir(parents=True, exist_ok=True)
    held = {"lean_deg": 0, "turn_deg": 0}
    for number, (arrives, wanted, lean, glass, height, side) in enumerate(CASES[: options.count]):
        scene = planned_scene(arrives, wanted, lean, glass)
        camera = phone_camera(
            (0.0, -20.0, 0.0), 480.0, height, side, rng=np.random.default_rng(5 + number), size_px=SIZE_PX
        )
        spec = planned_spec(scene, SHEET_AT_MM, camera, seed=5 + number)
        assert framing_of(spec).complete, number
        photo = options.folder / f"plan_{number:02d}.jpg"
        photograph(spec, photo, PhoneSpec(), grid=3, light_rays=options.light_rays)
        found = check(photo).to_json()["mirrors"][0]
        for key, planned in (("lean_deg", lean), ("turn_deg", math.degrees(scene.mirror.turn))):
            low, value, high = (found[key][part] for part in ("low", "value", "high"))
            inside = low <= planned <= high
            held[key] += inside
            print(
                f"{photo.stem} {key:8} planned {planned:8.4f} found {value:8.4f} ({low:.4f} to {high:.4f}) "
                f"z {(value - planned) / ((high - low) / 3.92):5.2f} {'holds' if inside else 'MISSES'}",
                flush=True,
            )
    print(f"of {options.count}: lean holds {held['lean_deg']}, turn holds {held['turn_deg']}")


if __name__ == "__main__":
    main()

"""How often a planned mirror, rendered, photographed and checked, comes back within its 95 % interval.

    .venv/bin/python -m tests.bench.plan_round_trip OUTDIR [--light-rays 1536] [--first 0] [--count 15]

Ten scenes of one mirror, then five of two, of which the second, at the side of the street, is photographed with the
sheet lying as the plan's hand-over says. Prints one line a scene, planned against found, and how many intervals
hold. Needs the extra `render`; a photo takes about 45 s of processor time.
"""

from __future__ import annotations

import argparse
import math
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np

from align.checking.job import check
from align.planning.bend import plan_paths
from align.planning.handover import check_of
from align.planning.scene import Mirror, Scene
from align.planning.scene_file import scene_from_text
from tests.rendering.framing import framing_of, phone_camera
from tests.rendering.phone import PhoneSpec
from tests.rendering.photograph import photograph
from tests.rendering.planned import SCENE, SHEET_AT_MM, planned_spec
from tests.rendering.spec import RenderCamera, SceneSpec

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


#: Of the second mirror of five scenes: turn in the scene [deg], lean [deg], glass [mm], the phone's height, side.
SIDE_CASES = (
    (-88.3, 0.6, 3.0, 36.0, 5.0),
    (91.5, -0.4, 4.0, 35.0, 2.0),
    (-93.0, 0.0, 6.0, 40.0, 0.0),
    (86.0, 1.1, 0.0, 37.0, -5.0),
    (-91.2, -0.9, 4.0, 31.0, -4.0),
)


def planned_scene(arrives: float, wanted: float, lean: float, glass: float) -> Scene:
    """The scene with the turn that the plan asks for."""
    start = 30.0 + 300.0 * math.tan(math.radians(arrives))
    words = {"lean": lean, "glass": glass, "start": start, "wanted": wanted, "measured": ""}
    first = scene_from_text(SCENE.format(turn=0.0, **words))
    turn = math.degrees(plan_paths(first, first.eyes().reshape(-1, 3))[0].needed_turn)
    return scene_from_text(SCENE.format(turn=turn, **words))


def side_scene(turn: float, lean: float, glass: float) -> Scene:
    """The first case's scene with a second mirror at the side of its street."""
    scene = planned_scene(*CASES[0][:4])
    at = (math.copysign(250.0, -turn), 300.0)
    side = Mirror(at, 160.0, 150.0, 0.0, math.radians(lean), math.radians(turn), glass, name="side")
    return replace(scene, mirror=replace(scene.mirror, name="end"), more_mirrors=(side,))


def specs() -> Iterator[tuple[float, float, SceneSpec]]:
    """Lean and turn against the sheet [deg], and what to render, of every case."""
    for number, (arrives, wanted, lean, glass, height, side) in enumerate(CASES):
        scene = planned_scene(arrives, wanted, lean, glass)
        spec = planned_spec(scene, SHEET_AT_MM, _camera(number, height, side), seed=5 + number)
        yield lean, math.degrees(scene.mirror.turn), spec
    for number, (turn, lean, glass, height, side) in enumerate(SIDE_CASES, start=len(CASES)):
        scene = side_scene(turn, lean, glass)
        mirror, check_ = scene.mirrors[1], check_of(scene, scene.mirrors[1], None)
        # As the sheet sees it: everything turned back by as much as the sheet lies turned.
        seen = replace(mirror, at_mm=(0.0, 520.0), turn=mirror.turn - math.radians(check_.sheet_turn_deg))
        assert abs(math.degrees(seen.turn) - check_.want_turn_deg) < 0.006, number
        alone = replace(scene, mirror=seen, more_mirrors=())
        spec = planned_spec(alone, (0.0, 495.0), _camera(number, height, side), seed=5 + number)
        yield lean, math.degrees(seen.turn), spec


def _camera(number: int, height: float, side: float) -> RenderCamera:
    rng = np.random.default_rng(5 + number)
    return phone_camera((0.0, -20.0, 0.0), 480.0, height, side, rng=rng, size_px=SIZE_PX)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--light-rays", type=int, default=1536)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--count", type=int, default=len(CASES) + len(SIDE_CASES))
    options = parser.parse_args()
    options.folder.mkdir(parents=True, exist_ok=True)
    held = {"lean_deg": 0, "turn_deg": 0}
    chosen = list(enumerate(specs()))[options.first : options.first + options.count]
    for number, (lean, turn, spec) in chosen:
        assert framing_of(spec).complete, number
        photo = options.folder / f"plan_{number:02d}.jpg"
        photograph(spec, photo, PhoneSpec(), grid=3, light_rays=options.light_rays)
        found = check(photo).to_json()["mirrors"][0]
        for key, planned in (("lean_deg", lean), ("turn_deg", turn)):
            low, value, high = (found[key][part] for part in ("low", "value", "high"))
            inside = low <= planned <= high
            held[key] += inside
            print(
                f"{photo.stem} {key:8} planned {planned:8.4f} found {value:8.4f} ({low:.4f} to {high:.4f}) "
                f"z {(value - planned) / ((high - low) / 3.92):5.2f} {'holds' if inside else 'MISSES'}",
                flush=True,
            )
    print(f"of {len(chosen)}: lean holds {held['lean_deg']}, turn holds {held['turn_deg']}")


if __name__ == "__main__":
    main()

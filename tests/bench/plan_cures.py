"""Whether every cure that a plan prints does what it says: put to random scenes, and those planned again.

    .venv/bin/python -m tests.bench.plan_cures [--scenes 200] [--seed 14]

A cure holds when the changed scene's own plan calls its wish met, no wish that was met before is missed, and no
named thing that stood before a glass stands behind it. Prints one line for each that does not, and the counts.
"""

from __future__ import annotations

import argparse
import time

import numpy as np

from align.planning.cures import Cure, Cures, apply_cure
from align.planning.scene import Scene
from align.planning.viewing import look
from align.planning.wishes import Judgement, eye_places, judge
from tests.bench.plan_scenes import random_scene


def judged(scene: Scene) -> Judgement:
    """The plan's verdicts of a scene, from nothing but the scene."""
    places = eye_places(scene)
    return judge(scene, look(scene, places.standing), places)


def cures_of(scene: Scene) -> tuple[Judgement, list[Cure]]:
    """A scene's verdicts and every cure that its plan prints."""
    places = eye_places(scene)
    views = look(scene, places.standing)
    judgement = judge(scene, views, places)
    search = Cures(scene, views, judgement.met, places)
    return judgement, [cure for name, met in judgement.met.items() if not met for cure in search.cures(name)]


def faults(scene: Scene, before: Judgement, cure: Cure) -> list[str]:
    """What is wrong with one cure; nothing, if it holds."""
    after = apply_cure(scene, cure)
    met = judged(after).met
    found = [] if met[cure.trouble] else [f"{cure.trouble} is not met"]
    found += [f"{name} is harmed" for name, good in before.met.items() if good and not met[name]]
    for old, new in zip(scene.mirrors, after.mirrors, strict=True):
        for thing in scene.things:
            if np.any((old.heights(thing.samples) > 0) & (new.heights(thing.samples) < 0)):
                found.append(f"{thing.name} is behind the glass")
    return found


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--scenes", type=int, default=200)
    parser.add_argument("--seed", type=int, default=14)
    options = parser.parse_args()
    rng = np.random.default_rng(options.seed)
    printed = wrong = unmet = cured = 0
    kinds: dict[str, int] = {}
    start = time.process_time()
    for number in range(options.scenes):
        scene = random_scene(rng)
        before, cures = cures_of(scene)
        unmet += sum(not met for met in before.met.values())
        cured += len({cure.trouble for cure in cures})
        for cure in cures:
            printed += 1
            kinds[cure.kind] = kinds.get(cure.kind, 0) + 1
            bad = faults(scene, before, cure)
            wrong += bool(bad)
            if bad:
                print(number, cure.trouble, cure.kind, cure.amount, cure.mirror, bad, flush=True)
        if number % 10 == 9:
            print(f"{number + 1} scenes: {printed} cures, {printed - wrong} hold", flush=True)
    print(f"{options.scenes} scenes, {unmet} wishes not met, {cured} of them with a cure")
    print(f"{printed} cures printed, {printed - wrong} hold: {kinds}; {time.process_time() - start:.0f} s")


if __name__ == "__main__":
    main()

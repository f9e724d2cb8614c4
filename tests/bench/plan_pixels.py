"""Planned scenes rendered from the viewers' eyes: does each pixel show what the plan says, by as many mirrors?

    .venv/bin/python -m tests.bench.plan_pixels

Thirteen scenes: seven of one mirror, five of two, and two mirrors that meet at an angle; 320 x 240 pixels each.
Tried are all pixels whose neighbours the plan gives the same answer; beside them is said how many pixels of an edge
differ. For the same places the sightlines are asked too: whether the eye sees the very point there, by that very
way. Needs the extra `render`.
"""

from __future__ import annotations

import argparse

import numpy as np

from align.planning.contents import named
from align.planning.rays import NOTHING, follow
from align.planning.reflections import seen_pairwise, ways
from align.planning.scene import Scene
from align.planning.sightlines import blocked
from tests.bench.plan_scenes import corner_scene, random_scene
from tests.rendering.planned_view import SIZE_PX, View, render_view

#: Seeds of the scenes of one mirror and of two (those of some hundred in which two reflections show most).
ONE, TWO = (1, 2, 3, 4, 5, 6, 7), (31, 47, 69, 70, 121)


def compare(scene: Scene, view: View, bodies: list) -> dict[str, float]:
    """Counts of one scene: pixels tried and agreeing, by number of mirrors; sightlines tried and agreeing."""
    starts = np.tile(view.start, (len(view.directions), 1))
    ends = follow(scene, starts, view.directions, bodies)
    shape = SIZE_PX[::-1]
    body = np.where(ends.body >= 0, ends.body, NOTHING).reshape(shape)
    count = np.where(ends.body >= 0, ends.reflections, 0).reshape(shape)
    inner = _inner(body * 10 + count)
    agree = (body == view.body) & (count == view.mirrors)
    found: dict[str, float] = {"edge": float((~inner).sum()), "edge differs": float((~inner & ~agree).sum())}
    for number in range(4):
        some = inner & (count == number) & (body >= 0)
        found[f"tried {number}"], found[f"agree {number}"] = float(some.sum()), float((some & agree).sum())
    rows = np.flatnonzero((inner & (body >= 0) & agree).ravel())[::7]
    found["points"], found["points seen"] = float(len(rows)), float(_seen(scene, view, ends, rows, bodies).sum())
    off = inner & ~agree & (body >= 0)
    if off.any():
        y, x = (int(part[0]) for part in np.nonzero(off))
        print(
            f"    {int(off.sum())} differ, the first at {x}, {y}: plan {named(scene, bodies, int(body[y, x]))} by "
            f"{count[y, x]}, picture {named(scene, bodies, int(view.body[y, x]))} by {view.mirrors[y, x]}"
        )
    return found


def _inner(codes: np.ndarray) -> np.ndarray:
    """Pixels that have all their eight neighbours' answer."""
    padded = np.pad(codes, 1, mode="edge")
    h, w = codes.shape
    return np.all([padded[i : i + h, j : j + w] == codes for i in range(3) for j in range(3)], axis=0)


def _seen(scene: Scene, view: View, ends, rows: np.ndarray, bodies: list) -> np.ndarray:
    """(n,) whether the sightlines see the points at which some rays end, by the ways that the rays took."""
    points = (ends.points - 1e-3 * ends.directions)[rows]
    eyes = np.tile(view.start, (len(rows), 1))
    seen = np.zeros(len(rows), bool)
    straight = ends.reflections[rows] == 0
    seen[straight] = ~blocked(eyes[straight], points[straight], bodies, scene.mirrors)
    for way in ways(scene.mirrors):
        wanted = np.full(ends.ways.shape[1], -1)
        wanted[: len(way.numbers)] = way.numbers
        some = np.all(ends.ways[rows] == wanted, axis=1)
        seen[some] = seen_pairwise(way, eyes[some], points[some], bodies, scene.mirrors)
    return seen


def pictured(seed: int, mirrors: int) -> tuple[Scene, View, list]:
    """One scene, its picture from its lower eyes, and its bodies."""
    rng = np.random.default_rng(seed)
    scene = corner_scene() if seed == 0 else random_scene(rng, mirrors)
    bodies = [*scene.blockers, *(thing.body for thing in scene.things), scene.floor.slab]
    eyes = scene.eyes()[0]
    eye = eyes[int(rng.integers(len(eyes)))]
    middle = np.mean([mirror.middle for mirror in scene.mirrors], axis=0)
    return scene, render_view(scene, bodies, eye, middle, 40.0 if mirrors > 1 else 24.0), bodies


def main() -> None:
    argparse.ArgumentParser(description=__doc__.splitlines()[0]).parse_args()
    total: dict[str, float] = {}
    for mirrors, seeds in ((1, ONE), (2, (*TWO, 0))):
        for seed in seeds:
            scene, view, bodies = pictured(seed, mirrors)
            found = compare(scene, view, bodies)
            total = {key: total.get(key, 0.0) + value for key, value in found.items()}
            tried, agree = (sum(found[f"{word} {k}"] for k in range(4)) for word in ("tried", "agree"))
            by = ", ".join(f"{k}: {found[f'agree {k}']:.0f}/{found[f'tried {k}']:.0f}" for k in range(4))
            print(
                f"seed {seed:2}, {mirrors} mirrors: {agree / max(tried, 1):.4%} of {tried:.0f} agree ({by})",
                flush=True,
            )
    tried, agree = (sum(total[f"{word} {k}"] for k in range(4)) for word in ("tried", "agree"))
    print(
        f"all: {agree / tried:.4%} of {tried:.0f} pixels agree; of {total['edge']:.0f} at an edge "
        f"{total['edge differs']:.0f} differ; sightlines {total['points seen'] / total['points']:.4%} of "
        f"{total['points']:.0f}"
    )
    for k in range(4):
        print(f"  by {k} mirrors: {total[f'agree {k}']:.0f} of {total[f'tried {k}']:.0f}")


if __name__ == "__main__":
    main()

"""Two photos of one check: is a move between them noticed, and none where there was none? On simulated corners.

    python -m tests.bench.moved_sets [PAIRS] [SEED]

Flat and bent mirrors as those of docs/accuracy_bent.md, paths by Fermat's principle, corners with 0.03 px of noise,
photos held by hand, so that each shows another part of the mirror. Prints the table of docs/moved_sheet.md.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from align.bundle.adjustment import solve_sighted
from align.bundle.grouping import joint_views
from align.bundle.photo_set import Sighted
from align.errors import SolveError
from align.optics.camera_model import prior_from_focal
from align.solve.joint import UserConstraints, View
from tests.bench.accuracy_tables import table
from tests.rendering.analytic.cases import Group, draw_case
from tests.rendering.analytic.exact import exact_pixels
from tests.rendering.analytic.scene import BentScene
from tests.support.sighted import sighted_photo

Found = Literal["refused", "noted", "taken for one"]
#: Lean, turn [deg] and gap [mm] by which the mirror moved between the photos.
MOVES: dict[str, tuple[float, float, float]] = {
    "none": (0.0, 0.0, 0.0),
    "0.03° of lean": (0.03, 0.0, 0.0),
    "0.05° of lean": (0.05, 0.0, 0.0),
    "0.1° of lean": (0.1, 0.0, 0.0),
    "0.05° of turn": (0.0, 0.05, 0.0),
    "0.1° of turn": (0.0, 0.1, 0.0),
}
NOISE_PX = 0.03


@dataclass(frozen=True)
class Pair:
    """Scenes of one mirror from two places, and whether its print is exact."""

    scenes: tuple[BentScene, BentScene]
    exact: bool


def pairs_of(group: Group, count: int, seed: int) -> list[Pair]:
    """So many pairs of a group, the same every time; skewed prints are not exact."""
    cases = [draw_case(seed, group, number, 2) for number in range(count)]
    return [Pair((case.photos[0][0], case.photos[1][0]), case.exact_print) for case in cases]


def sighted(pair: Pair, move: tuple[float, float, float], rng: np.random.Generator) -> list[Sighted]:
    """Both photos, the mirror moved before the second."""
    photos = []
    for number, scene in enumerate(pair.scenes):
        mirror = scene.mirror
        lean, turn, gap = (number * each for each in move)
        mirror = replace(
            mirror,
            lean_deg=mirror.lean_deg + lean,
            turn_deg=mirror.turn_deg + turn,
            distance_mm=mirror.distance_mm + gap,
        )
        direct, reflected, _ = exact_pixels(replace(scene, mirror=mirror))
        ids = np.arange(len(direct))
        covariance = np.broadcast_to(0.01 * np.eye(2), (len(ids), 2, 2))
        views = [
            View(0, which, ids, pixels + rng.normal(0, NOISE_PX, pixels.shape), covariance)
            for which, pixels in ((-1, direct), (0, reflected))
        ]
        size = scene.camera.size_px
        photos.append(sighted_photo(scene.sheet, views, size, prior_from_focal(size, 26.0), f"{'ab'[number]}.jpg"))
    return photos


def found_in(photos: Sequence[Sighted], known: UserConstraints) -> Found:
    """What is said of two photos."""
    try:
        joints = joint_views(photos[0].sighting.sheet, photos, known)
        if all(joint.moved_sheet for joint in joints):
            solve_sighted(photos, known)
    except SolveError:
        return "refused"
    return "noted" if any(joint.notes for joint in joints) else "taken for one"


def main() -> None:
    """Command line."""
    numbers = [int(word) for word in sys.argv[1:]]
    count, seed = numbers + [60, 7801][len(numbers) :]
    rows = []
    groups: tuple[tuple[Group, str], ...] = (
        ("flat", "flat, exact print"),
        ("bent", "bent, exact print"),
        ("skewed", "flat, paper print"),
    )
    for group, name in groups:
        pairs = pairs_of(group, count, seed)
        for what, move in MOVES.items():
            chosen = pairs if what == "none" else pairs[: max(1, count // 3)]
            said = []
            for number, pair in enumerate(chosen):
                photos = sighted(pair, move, np.random.default_rng([seed, number]))
                said.append(found_in(photos, UserConstraints(exact_print=pair.exact)))
            words: tuple[Found, ...] = ("refused", "noted", "taken for one")
            rows.append([name, what, str(len(chosen)), *(str(said.count(word)) for word in words)])
            print(rows[-1], file=sys.stderr, flush=True)
    print(table(["mirror", "move", "pairs", "refused", "noted", "taken for one"], rows))


if __name__ == "__main__":
    main()

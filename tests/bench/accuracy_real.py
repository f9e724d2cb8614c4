"""Real photos against each other: what each says alone of two mirrors that stood still, in its own deviations.

Nothing in them was measured independently (they are no part of this repository). The camera and the mirrors stood
still and the board was moved, so every photo should see a mirror in the same direction from the camera; and the two
mirrors were set up at a right angle.

    python -m tests.bench.accuracy_real     # prints the section of docs/accuracy.md
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from align.checking.job import check_sighted, sight_for
from align.checking.settings import CheckSettings
from align.errors import AlignError
from align.optics.geometry import angle_between, mirror_normal
from align.solve.forward_model import State
from tests.bench.accuracy_tables import table
from tests.support.places import REAL

Array = NDArray[np.float64]
NUMBERS = (3, 6, 7, 10)
#: Reflections left of this column [px] are in the left mirror.
BETWEEN_PX = 1600
DRAWS = 400

PROSE = """\
Four phone photos of a bent plain board before two upright mirrors that meet in a corner (public, MIT; not part of
this repository). Nothing was measured independently, so they are held against each other: camera and mirrors stood
still, and each photo, solved by itself with nothing stated, says in which direction each mirror faces. z is the
difference of two photos over the standard deviation that they give it, in two coordinates each; honest photos have
an rms of about 1. The photos bear no EXIF: each has to solve for its own camera, and for whether its picture was
stretched.
"""


@dataclass(frozen=True, eq=False)
class Direction:
    """A mirror's normal in the camera's frame as one photo alone has it, and its covariance (3, 3)."""

    photo: int
    mirror: str
    normal: Array
    covariance: Array


def directions(folder: Path = REAL) -> tuple[list[Direction], list[tuple[int, float, float]], list[str]]:
    """What each photo says of each mirror; (photo, angle, sd) [deg] of the corner; what could not be answered."""
    settings = CheckSettings(board=(7, 6), square_mm=12.8)
    found: list[Direction] = []
    corners: list[tuple[int, float, float]] = []
    refused: list[str] = []
    for number in NUMBERS:
        try:
            sighted = sight_for([folder / f"two-mirrors-{number}.jpg"], settings)
            _, adjustment = check_sighted(sighted, settings)
        except AlignError as error:
            refused.append(f"Photo {number} alone: {error.message}")
            continue
        solution = adjustment.solution
        rng = np.random.default_rng(number)
        # Student's distribution of few degrees, as a standard deviation of the same interval
        widened = (solution.quantile / 1.96) ** 2 * solution.covariance
        root = np.linalg.cholesky(widened + 1e-18 * np.eye(len(widened)))
        states = [solution.state.stepped(root @ rng.standard_normal(len(root))) for _ in range(DRAWS)]
        for local, board in enumerate(sighted[0].sighting.reflections):
            normals = np.array([in_camera(state, local) for state in states])
            mirror = "left" if board.centre_px[0] < BETWEEN_PX else "right"
            found.append(Direction(number, mirror, in_camera(solution.state, local), np.cov(normals.T)))
        if solution.mirror_count == 2:
            angle, sd = solution.angle_between(0, 1)
            corners.append((number, math.degrees(angle), math.degrees(sd) * solution.quantile / 1.96))
    return found, corners, refused


def in_camera(state: State, mirror: int) -> Array:
    """A mirror's normal in the camera's frame."""
    lean, turn = state.vector[state.layout.mirror(mirror)][:2]
    return np.asarray(state.cam_from_target(0)[0] @ mirror_normal(float(lean), float(turn)))


def real_section(folder: Path = REAL) -> str:
    """The section of the page; "" where the photos are not there."""
    if not folder.is_dir():
        return ""
    found, corners, refused = directions(folder)
    rows, squares = [], []
    for first, second in itertools.combinations(found, 2):
        if first.mirror != second.mirror:
            continue
        values, axes = np.linalg.eigh(first.covariance + second.covariance)
        # A unit vector has two coordinates.
        scores = (axes.T @ (first.normal - second.normal))[1:] / np.sqrt(values[1:])
        squares += list(scores**2)
        apart = math.degrees(angle_between(first.normal, second.normal))
        expected = math.degrees(math.sqrt(values[1:].sum()))
        zs = ", ".join(f"{abs(score):.2f}" for score in scores)
        rows.append([first.mirror, f"{first.photo} and {second.photo}", f"{apart:.2f}", f"{expected:.2f}", zs])
    parts = [PROSE, table(["mirror", "photos", "apart [°]", "foreseen, rms [°]", "z"], rows)]
    if squares:
        rms = math.sqrt(float(np.mean(squares)))
        parts.append(f"rms of the {len(squares)} z: {rms:.2f}; largest {math.sqrt(max(squares)):.2f}.\n")
    for number, angle, sd in corners:
        parts.append(
            f"Photo {number}: the corner has {angle:.2f}° ± {1.96 * sd:.2f}°, z {(angle - 90) / sd:+.2f} from 90°."
            "\n"
        )
    return "\n".join([*parts, *(f"{words}\n" for words in refused)])


if __name__ == "__main__":
    print(real_section())

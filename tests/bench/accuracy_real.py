"""Real photos against each other: what each says alone of two mirrors that stood still, in its own deviations.

Nothing in them was measured independently (they are no part of this repository). The camera and the mirrors stood
still and the board was moved, so every photo should see a mirror in the same direction from the camera; and the two
mirrors were set up at a right angle.

    python -m tests.bench.accuracy_real     # prints the section of docs/accuracy.md
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from align.bundle.adjustment import solve_sighted
from align.bundle.grouping import photo_views
from align.bundle.photo_set import Sighted
from align.checking.job import sight_for
from align.checking.settings import CheckSettings
from align.optics.camera_model import CameraPrior
from align.optics.geometry import angle_between, mirror_normal
from align.solve.forward_model import State
from align.solve.joint import Solution, UserConstraints, solve
from tests.bench.accuracy_tables import table
from tests.support.places import REAL

Array = NDArray[np.float64]
NUMBERS = (3, 6, 7, 10)
SETTINGS = CheckSettings(board=(7, 6), square_mm=12.8)
#: Reflections left of this column [px] are in the left mirror.
BETWEEN_PX = 1600
DRAWS = 400
#: Half-width of a 95 % interval of a normal distribution in standard deviations.
NORMAL = 1.96

PROSE = """\
Four phone photos of a bent plain board before two upright mirrors that meet in a corner (public, MIT; not part of
this repository). Nothing was measured independently, so they are held against each other: camera and mirrors stood
still, and each photo, solved by itself, says in which direction each mirror faces from the camera. z is the
difference of two photos over the standard deviation that they give it, in two coordinates each; honest photos have
an rms of about 1. The six differences of the left mirror are of four photos, so they are not independent.
"""
OWN_CAMERA = """\
With nothing stated, each photo solves for its own camera and, bearing no EXIF, for whether its picture was
stretched: directions are then told to some degrees only.
"""
JOINT_CAMERA = """\
With the camera of the joint fit of all four. That camera is known as well as the fit says; what its error makes of
the difference of two photos is foreseen with the rest:
"""


@dataclass(frozen=True, eq=False)
class Direction:
    """A mirror's normal in the camera's frame as one photo alone has it, and its covariance (3, 3).

    by_camera : (3, 8) how the normal follows the camera that the photo is given.
    """

    photo: int
    mirror: str
    normal: Array
    covariance: Array
    by_camera: Array


def directions_of(number: int, item: Sighted, solution: Solution) -> list[Direction]:
    """What one photo alone says of each mirror that it shows."""
    rng = np.random.default_rng(number)
    # Student's distribution of few degrees, as a standard deviation of the same interval.
    widened = (solution.quantile / NORMAL) ** 2 * solution.covariance
    values, axes = np.linalg.eigh(widened)
    root = axes * np.sqrt(np.maximum(values, 0.0))
    known = np.linalg.pinv(widened[:8, :8], hermitian=True)
    states = [solution.state.stepped(root @ rng.standard_normal(len(root))) for _ in range(DRAWS)]
    found = []
    for local, board in enumerate(item.sighting.reflections):
        normals = np.array([in_camera(state, local) for state in states])
        both = np.cov(np.hstack([normals, [state.vector[state.layout.camera] for state in states]]).T)
        mirror = "left" if board.centre_px[0] < BETWEEN_PX else "right"
        found.append(
            Direction(number, mirror, in_camera(solution.state, local), both[:3, :3], both[:3, 3:] @ known)
        )
    return found


def given_camera(number: int, item: Sighted, camera: CameraPrior) -> list[Direction]:
    """What one photo alone says with a camera held fast, and how that follows the camera."""
    held = CameraPrior(camera.mean, np.zeros(8), "file")
    sheet, views = item.sighting.sheet, photo_views(item, 0)
    found, free = (directions_of(number, item, solve(sheet, views, prior)) for prior in (held, camera))
    return [replace(one, by_camera=other.by_camera) for one, other in zip(found, free, strict=True)]


def camera_file(joint: Solution) -> CameraPrior:
    """The camera of a joint fit, as known as it is."""
    where = joint.state.layout.camera
    covariance = joint.covariance[where, where]
    return CameraPrior(joint.state.vector[where].copy(), np.sqrt(np.diag(covariance)), "file", covariance)


def in_camera(state: State, mirror: int) -> Array:
    """A mirror's normal in the camera's frame."""
    lean, turn = state.vector[state.layout.mirror(mirror)][:2]
    return np.asarray(state.cam_from_target(0)[0] @ mirror_normal(float(lean), float(turn)))


def pairs_of(found: Sequence[Direction]) -> list[tuple[Direction, Direction]]:
    """Every two photos of one mirror."""
    return [pair for pair in itertools.combinations(found, 2) if pair[0].mirror == pair[1].mirror]


def scores_of(first: Direction, second: Direction, camera: CameraPrior | None = None) -> tuple[Array, float]:
    """z (2,) of two photos' difference, and its rms as foreseen [deg].

    camera : the one that both were given, whose error counts by what it does to the difference.
    """
    covariance = first.covariance + second.covariance
    if camera is not None and camera.covariance is not None:
        by_camera = first.by_camera - second.by_camera
        covariance = covariance + by_camera @ camera.covariance @ by_camera.T
    values, axes = np.linalg.eigh(covariance)
    # A unit vector has two coordinates.
    scores = (axes.T @ (first.normal - second.normal))[1:] / np.sqrt(values[1:])
    return scores, math.degrees(math.sqrt(values[1:].sum()))


def compared(found: Sequence[Direction], camera: CameraPrior | None = None) -> str:
    """Every two photos of a mirror, and the rms of z."""
    rows, squares = [], []
    for first, second in pairs_of(found):
        scores, foreseen = scores_of(first, second, camera)
        squares += list(scores**2)
        apart = math.degrees(angle_between(first.normal, second.normal))
        zs = ", ".join(f"{abs(score):.2f}" for score in scores)
        rows.append([first.mirror, f"{first.photo} and {second.photo}", f"{apart:.3f}", f"{foreseen:.3f}", zs])
    words = f"rms of the {len(squares)} z: {math.sqrt(float(np.mean(squares))):.2f}; "
    words += f"largest {math.sqrt(max(squares)):.2f}.\n"
    if camera is not None:
        exact = [score**2 for pair in pairs_of(found) for score in scores_of(*pair)[0]]
        words += f"\nWere that camera exact, the rms of z: {math.sqrt(float(np.mean(exact))):.2f}, "
        words += f"largest {math.sqrt(max(exact)):.2f}.\n"
    return table(["mirror", "photos", "apart [°]", "foreseen, rms [°]", "z"], rows) + "\n" + words


def real_section(folder: Path = REAL) -> str:
    """The section of the page; "" where the photos are not there."""
    if not folder.is_dir():
        return ""
    sighted = {n: sight_for([folder / f"two-mirrors-{n}.jpg"], SETTINGS)[0] for n in NUMBERS}
    own: list[Direction] = []
    corners = []
    for number, item in sighted.items():
        solution = solve_sighted([item], UserConstraints()).solution
        own += directions_of(number, item, solution)
        if solution.mirror_count == 2:
            angle, sd = (math.degrees(value) for value in solution.angle_between(0, 1))
            sd *= solution.quantile / NORMAL
            measured, z = f"{angle:.2f}° ± {NORMAL * sd:.2f}°", (angle - 90) / sd
            corners.append(f"Photo {number}: the corner has {measured}, z from 90° {z:+.2f}.")
    as_taken = [replace(item, prior=replace(item.prior, reshape_sd=0.0)) for item in sighted.values()]
    joint = solve_sighted(as_taken, UserConstraints()).solution
    camera = camera_file(joint)
    known: list[Direction] = []
    for number, item in sighted.items():
        known += given_camera(number, item, camera)
    return "\n".join(
        [PROSE, OWN_CAMERA, compared(own), "\n\n".join(corners), "", JOINT_CAMERA, compared(known, camera)]
    )


if __name__ == "__main__":
    print(real_section())

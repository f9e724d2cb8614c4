"""Is the reflection the seen sheet's own? How well corners fit that, and the reflection of a sheet elsewhere.

A plane's reflection and a sheet's own place on the floor leave one length open: how far the reflected sheet lies
along the mirror from where the seen one's reflection would be (its turn, and its distance from the mirror, another
mirror explains). Another sheet's reflection has such a shift, and so has that of a picture whose upper part was
shifted against the lower one. A bent mirror takes a shift of some millimetres up, with a lean that is wrong by a
degree; but what bends does not look like a shift, so the flat mirror with the shift tells the two apart.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ..optics.camera_model import CameraPrior
from ..target.sheets import Sheet
from .forward_model import DIRECT, State
from .problem import Moved, Problem, View
from .solution import Solution

Array = NDArray[np.float64]
#: Where another sheet may lie, one standard deviation: along the mirror and in height [mm], and turned about the
#: mirror's normal [rad]; the last two are what a floor and a mirror that leans by some degrees make of one that
#: lies turned. A choice, made after seeing four drawn pictures of two sheets.
ALONG_SD_MM, HEIGHT_SD_MM, TURNED_SD_RAD = 100.0, 1.0, 3e-3
#: Steps of the descent, and how many more where so great a share was explained by the first.
FIRST_ITERATIONS, MORE_ITERATIONS, WORTH_MORE = 60, 240, 0.8


@dataclass(frozen=True)
class Misfit:
    """Squares of one photo's corners in units of their noise, in three ways.

    solved : the solution's own; flat : with mirrors flat and the print exact; elsewhere : so, and the reflected
    sheet another one than the seen.
    """

    solved: float
    flat: float
    elsewhere: float

    @property
    def explained(self) -> float:
        """Share of what a flat mirror leaves, beyond the solution's, that a sheet elsewhere explains."""
        return (self.flat - self.elsewhere) / max(self.flat - self.solved, 1e-9)


def misfit_of(sheet: Sheet, solution: Solution, prior: CameraPrior, photo: int) -> Misfit:
    """How well one photo of a solution is explained, in three ways.

    prior : the camera's, with which the solution was found
    """
    scales, mirrors = solution.sigma0, sorted({view.mirror for view in solution.views if view.photo == photo})
    views: list[View] = []
    solved = 0.0
    for view, off in zip(solution.views, solution.residuals_px, strict=True):
        if view.photo == photo:
            whitened = np.einsum("nij,nj->ni", view.whitener, off) / scales[0 if view.mirror == DIRECT else 1]
            solved += float((whitened**2).sum())
            views.append(replace(view, photo=0, mirror=mirrors.index(view.mirror) - 1))
    problem = Problem(sheet, tuple(views), prior, solution.constraints)
    start = _plain_state(problem, solution, photo, mirrors[1:])
    flat = problem.descend(start, views, huber=False, scales=scales).point
    moved = _elsewhere(problem)
    state, sd = _placed(moved, flat), _sd_elsewhere(moved, flat)
    found = Misfit(solved, _squares(problem, flat, scales), math.inf)
    for iterations in (FIRST_ITERATIONS, MORE_ITERATIONS):
        descent = moved.descend(state, moved.views, huber=False, scales=scales, iterations=iterations, sd=sd)
        state = descent.point
        found = replace(found, elsewhere=_squares(moved, state, scales))
        if descent.converged or found.explained < WORTH_MORE:
            break
    return found


def _elsewhere(problem: Problem) -> Problem:
    """The problem with the reflected sheet another than the seen: as if it had been moved between two photos."""
    views = tuple(view if view.mirror == DIRECT else replace(view, photo=1) for view in problem.views)
    return Problem(problem.sheet, views, problem.camera_prior, problem.constraints, Moved(sheet=True))


def _placed(moved: Problem, flat: State) -> State:
    """The state in which the other sheet lies where the seen one does."""
    return State(moved.layout, np.append(flat.vector, np.zeros(6)), (*flat.rotations, np.eye(3)))


def _sd_elsewhere(moved: Problem, flat: State) -> Array:
    """Prior sd of the problem's entries; of the other sheet's place, only what no mirror elsewhere does as well."""
    sd, placement = moved.prior.sd.copy(), moved.layout.motions[1]
    turn = float(flat.vector[moved.layout.mirror(0)][1])
    along = 0 if abs(math.cos(turn)) > math.sqrt(0.5) else 1
    sd[placement] = 0.0
    sd[placement.start + 1 - along] = TURNED_SD_RAD
    sd[placement.start + 3 + along] = ALONG_SD_MM
    sd[placement.start + 5] = HEIGHT_SD_MM
    return sd


def _squares(problem: Problem, state: State, scales: tuple[float, float]) -> float:
    whitened, _, _ = problem.residuals(state, problem.views, scales)
    return float(sum((residual**2).sum() for residual in whitened))


def _plain_state(problem: Problem, solution: Solution, photo: int, mirrors: Sequence[int]) -> State:
    """One photo's part of a solution without bends, curls and faults of the print."""
    whole, layout = solution.state, problem.layout
    vector = np.zeros(layout.size)
    shared = layout.mirror(0).start
    vector[:shared] = whole.vector[:shared]
    for number, mirror in enumerate(mirrors):
        vector[layout.mirror(number)] = whole.vector[whole.layout.mirror(mirror)]
    rotation, translation = whole.cam_from_target(photo)
    vector[layout.pose(0)][3:] = translation
    return State(layout, vector, (rotation,))

"""One frame of a film, solved from where the last one ended: pose and mirrors; all else as a joint solve left it.

The joint solve says what camera, glass, bow and shapes are, and how well that is known. A frame's own solve holds
them, which makes it a matter of milliseconds, and its covariance takes them back in: what their being off by one
standard deviation would do to this frame's mirrors, propagated to first order (the "consider" covariance of
sequential estimation; B. D. Tapley, B. E. Schutz, G. H. Born, Statistical Orbit Determination (2004), section 6.2,
from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ..errors import SolveError
from ..optics.camera_model import CameraPrior
from ..target.sheets import Sheet, corners_board
from .forward_model import DIRECT, N_SHARED, State, predict
from .homographies import plane_poses, pose_error
from .initial_guess import Pose
from .least_squares import covariance_of
from .problem import Problem, View
from .solution import Solution

Array = NDArray[np.float64]

#: Of a mirror's parameters those that a move changes: lean, turn, offset.
MOVES = 3
ITERATIONS = 12
#: A descent ends where its cost could fall by no more than this, a hundredth of a standard deviation's worth.
NEAR_ENOUGH = 1e-4


@dataclass(frozen=True, eq=False)
class FrameSolution:
    """What one frame says of the mirrors, given what is held.

    moves : (3 m,) lean, turn [rad], offset [mm] of each mirror; noise : (3 m, 3 m) their covariance by the frame's
    corners alone; by_held : (3 m, h) derivatives of `moves` by what is held; held : (h, h) covariance of that
    shared : (3 m, 3 m) what the joint solve did not know of the mirrors besides: which shape mirror and sheet have
    misfit : rms of the residuals in units of what the joint solve left; state : for the next frame to begin with
    """

    moves: Array
    noise: Array
    by_held: Array
    held: Array
    misfit: float
    state: State
    shared: Array

    @property
    def covariance(self) -> Array:
        """(3 m, 3 m) of `moves`, with all that it does not know."""
        return np.asarray(self.noise + self.shared + self.by_held @ self.held @ self.by_held.T)


class Anchor:
    """A joint solution from which frames of the same camera, sheet and mirrors are solved."""

    def __init__(self, sheet: Sheet, solution: Solution, prior: CameraPrior) -> None:
        layout = solution.state.layout
        self.sheet, self.solution = sheet, solution
        kinds = [DIRECT, *range(layout.mirrors)]
        views = tuple(next(view for view in solution.views if view.mirror == kind) for kind in kinds)
        views = tuple(replace(view, photo=0) for view in views)
        self.problem = Problem(sheet, views, prior, solution.constraints, shape=solution.shape)
        self._entries = _entries(solution.state)
        own = self.problem.layout
        self._moving = np.concatenate([own.mirror(m).start + np.arange(MOVES) for m in range(own.mirrors)])
        self._pose = np.arange(*own.pose(0).indices(own.size))
        covariance = solution.covariance[np.ix_(self._entries, self._entries)]
        held = np.diag(covariance) > 0
        held[self._moving] = held[self._pose] = False
        self._held = np.flatnonzero(held)
        self.held_covariance = covariance[np.ix_(self._held, self._held)]
        apart = solution.covariance_apart[np.ix_(self._entries, self._entries)]
        self._wider = _ratio(np.diag(covariance)[self._moving], np.diag(apart)[self._moving])
        self._shared = np.zeros((len(self._moving), len(self._moving)))
        self._shared = self._left_open(covariance[np.ix_(self._moving, self._moving)])

    def _left_open(self, known: Array) -> Array:
        """What the joint solve does not know of the mirrors beyond what noise and all that is held explain.

        A joint solve averages over likely shapes of mirror and sheet, each with its own answer: that no held
        parameter's variance tells. Without it a frame would claim more than the solve that it rests on.

        known : (3 m, 3 m) the joint solve's covariance of the mirrors
        """
        solution, newest = self.solution, self.solution.state.layout.photos - 1
        views = [replace(view, photo=0) for view in solution.views if view.photo == newest]
        frame = self.solve(self._first(), views)
        if frame is None:
            return known
        size = np.sqrt(np.maximum(np.diag(known), 1e-30))
        values, axes = np.linalg.eigh((known - frame.covariance) / np.outer(size, size))
        return np.asarray((axes * np.maximum(values, 0.0)) @ axes.T * np.outer(size, size))

    def start(self, state: State | None, target_ids: NDArray[np.int64], target_px: Array) -> State:
        """Where a frame's descent begins: the last frame's state, with the pose by its own target."""
        base = self._first() if state is None else state
        points = self.problem.points[target_ids]
        camera = base.camera
        poses = plane_poses(camera.normalise(target_px), points)
        before = base.cam_from_target(0)
        errors = [pose_error(camera, pose, points, target_px) for pose in (*poses, before)]
        best: Pose = (*poses, before)[int(np.argmin(errors))]
        vector = base.vector.copy()
        vector[self._pose] = [0.0, 0.0, 0.0, *best[1]]
        return State(base.layout, vector, (best[0],))

    def solve(self, state: State, views: Sequence[View]) -> FrameSolution | None:
        """Pose and mirrors of one frame; None where there is no finite start.

        views : of photo 0; without a view of a mirror that mirror stays where it was
        """
        sd = np.zeros(self.problem.layout.size)
        seen = {view.mirror for view in views}
        free = [self._pose]
        free += [self._moving[MOVES * m : MOVES * (m + 1)] for m in range(self.problem.layout.mirrors) if m in seen]
        sd[np.concatenate(free)] = 1e6
        scales = self.solution.sigma0
        try:
            found = self.problem.descend(
                state, views, huber=True, scales=scales, iterations=ITERATIONS, sd=sd, tolerance=NEAR_ENOUGH
            )
        except SolveError:
            return None
        where = np.flatnonzero(sd > 0)
        noise = covariance_of(found.information, sd > 0)
        by_held = np.zeros((self.problem.layout.size, len(self._held)))
        by_held[where] = -noise[np.ix_(where, where)] @ found.data_information[np.ix_(where, self._held)]
        corners = sum(len(view.pixels) for view in views)
        misfit = float(np.sqrt(found.cost / max(2 * corners - len(where), 1)))
        moving = self._moving
        wider = max(misfit, 1.0) ** 2 * self._wider
        return FrameSolution(
            found.point.vector[moving],
            wider * noise[np.ix_(moving, moving)],
            by_held[moving],
            self.held_covariance,
            misfit,
            found.point,
            self._shared,
        )

    def homography(self, state: State, mirror: int) -> Array | None:
        """Board mm -> px of a mirror's reflection as a state predicts it; None where it cannot be seen."""
        from ..optics.geometry import fit_homography

        ids = np.arange(len(self.problem.points))
        points, basis, in_plane = self.problem.places(state, ids)
        pixels, _ = predict(state, 0, mirror, points, basis, in_plane=in_plane)
        if not np.isfinite(pixels).all():
            return None
        return fit_homography(corners_board(self.sheet), pixels)

    def _first(self) -> State:
        """The joint solution's state, with its newest photo's pose."""
        state = self.solution.state
        return State(self.problem.layout, state.vector[self._entries], (state.rotations[-1],))


def _entries(state: State) -> NDArray[np.int64]:
    """Which entries of a joint state's vector make up that of a single photo, its newest."""
    layout = state.layout
    before = np.arange(N_SHARED + 4 * layout.mirrors)
    pose = np.arange(*layout.motions[-1].indices(layout.size))
    return np.concatenate([before, pose, np.arange(layout.motions[-1].stop, layout.size)])


def _ratio(wide: Array, apart: Array) -> float:
    """By how much errors that neighbouring corners share widen a mirror's variances; at least 1."""
    known = apart > 0
    return max(1.0, float(np.max(wide[known] / apart[known]))) if known.any() else 1.0

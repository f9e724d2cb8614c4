"""From a fit of flat things to one of bent, curled and skewed ones, and what remains likely besides it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from .forward_model import Face, Layout, State, hit_places, predict
from .least_squares import Prior
from .problem import Problem, View
from .shape_choice import LEAST_SHARE, Choice, Evidence, Fitted, Shape, Wheres
from .sheet_shape import PRINT_PARAMETERS, catalogue, catalogue_heights, print_shifts
from .thresholds import BEND_CURVATURES_PER_MM, BOW_LEVELS_MM, CURL_LEVELS_MM, PRINT_LEVELS

Array = NDArray[np.float64]
#: Where the search for the scales begins: in the middle of each table.
START_BEND, START_BOW, START_PRINT = 2, 1, 1
#: A part of a mirror that was seen is taken to be no narrower or lower than this [mm].
LEAST_HALF_MM = 2.0


def faces_of(problem: Problem, state: State) -> tuple[Face, ...]:
    """The part of each mirror that the views show: the bounds of where corners are reflected."""
    faces = []
    for mirror in range(problem.layout.mirrors):
        hits = []
        for view in problem.views:
            if view.mirror == mirror:
                rotation, translation = state.scene_from_sheet(view.photo)
                points = problem.points[view.corner_ids] @ rotation.T + translation
                parameters = state.vector[problem.layout.mirror(mirror)]
                index = float(state.vector[problem.layout.index])
                hits.append(hit_places(points, state.eye(view.photo), parameters, index))
        low, high = np.concatenate(hits).min(axis=0), np.concatenate(hits).max(axis=0)
        middle, half = (low + high) / 2, np.maximum((high - low) / 2, LEAST_HALF_MM)
        faces.append(Face(float(middle[0]), float(middle[1]), float(half[0]), float(half[1])))
    return tuple(faces)


def shaped(problem: Problem, choice: Choice, faces: tuple[Face, ...]) -> Problem:
    """The problem with the shape of a choice allowed for."""
    curls = catalogue(problem.sheet)
    shape = Shape(
        faces,
        tuple(BEND_CURVATURES_PER_MM[level] for level in choice.bend),
        BOW_LEVELS_MM[choice.bow],
        PRINT_LEVELS[choice.print] if choice.print >= 0 else 0.0,
        tuple((curls[number], CURL_LEVELS_MM[level]) for number, level in choice.curls),
    )
    return Problem(
        problem.sheet, problem.views, problem.camera_prior, problem.constraints, problem.moved_sheet, shape
    )


def start_choice(problem: Problem) -> Choice:
    """Where the search begins."""
    printed = -1 if problem.constraints.exact_print else START_PRINT
    return Choice((START_BEND,) * problem.layout.mirrors, START_BOW, printed)


class Shaping:
    """The corners' evidence about one state of a problem, for every shape in the tables and the catalogue."""

    def __init__(
        self,
        problem: Problem,
        state: State,
        views: Sequence[View],
        faces: tuple[Face, ...],
        scales: tuple[float, float],
        floors: tuple[float, float],
        weights: Sequence[Array] | None = None,
    ) -> None:
        """weights : (n,) of each view's corners, for their squares; None: all alike."""
        self.problem, self.state = problem, state
        wide = _wide_layout(problem, faces)
        self.wide, plain = wide, problem.layout
        vector = np.zeros(wide.size)
        vector[: wide.curl.start] = state.vector[: plain.curl.start]
        points = problem.points
        if plain.curls:
            numbers = [catalogue(problem.sheet).index(curl) for curl, _ in problem.shape.curls]  # type: ignore[union-attr]
            vector[wide.curl.start + np.array(numbers)] = state.vector[plain.curl]
            points = points.copy()
            points[:, :2] += np.tensordot(state.vector[plain.curl] ** 2, problem.shortenings, axes=1)
        if plain.print_faults:
            vector[wide.print_fault] = state.vector[plain.print_fault]
        for mirror in range(len(plain.faces)):
            vector[wide.bend(mirror)] = state.vector[plain.bend(mirror)]
        at = State(wide, vector, state.rotations)
        basis = np.hstack([problem.basis[:, :3], catalogue_heights(problem.sheet)])
        in_plane = print_shifts(problem.sheet) if wide.print_faults else None
        shape_entries = np.r_[np.arange(*plain.bow.indices(wide.size)), np.arange(wide.curl.start, wide.size)]
        blocks = []
        for number, view in enumerate(views):
            ids = view.corner_ids
            shifts = None if in_plane is None else in_plane[ids]
            pixels, jacobian = predict(at, view.photo, view.mirror, points[ids], basis[ids], in_plane=shifts)
            root = view.whitener
            if weights is not None:
                root = root * np.sqrt(weights[number])[:, None, None]
            residual = np.einsum("nij,nj->ni", root, pixels - view.pixels).ravel()
            whitened = (root @ jacobian).reshape(-1, wide.size)
            residual = residual - whitened[:, shape_entries] @ vector[shape_entries]
            blocks.append((view.mirror, residual, whitened))
        self.vector, self.shape_entries = vector, shape_entries
        prior = _plain_prior(problem, wide)
        offset = vector - prior.mean
        offset[shape_entries] = 0.0
        precision = prior.precision
        precision[shape_entries] = 0.0
        precision[:, shape_entries] = 0.0
        wheres = Wheres(
            np.arange(*plain.bow.indices(wide.size)),
            np.arange(wide.curl.start, wide.curl.stop),
            np.arange(wide.print_fault.start, wide.print_fault.stop),
            tuple(np.arange(wide.bend(m).start, wide.bend(m).stop) for m in range(len(faces))),
        )
        exact = problem.constraints.exact_print
        self.evidence = Evidence(blocks, offset, precision, prior.free, wheres, faces, floors, scales, exact)

    def moved(self, state: State, problem: Problem, fitted: Fitted) -> State:
        """The state moved to a choice's linear fit, in the choice's own problem."""
        value = self.vector.copy()
        value[self.shape_entries] = 0.0
        value[fitted.active] += fitted.step
        vector = value[self._places_in(problem)]
        step = np.zeros(problem.layout.size)
        for motion in problem.layout.motions:
            turning = slice(motion.start, motion.start + 3)
            step[turning], vector[turning] = vector[turning], 0.0
        return State(problem.layout, vector, state.rotations).stepped(step)

    def averaged(self, best: Fitted, others: Sequence[Fitted], problem: Problem) -> tuple[Array, Array]:
        """Mean step (p,) from the state and covariance (p, p) in a problem's own layout, over likely choices."""
        fits = [best, *others]
        logs = np.array([fitted.log_evidence for fitted in fits])
        shares = np.exp(logs - logs.max())
        kept = shares > LEAST_SHARE
        shares = shares[kept] / shares[kept].sum()
        fits = [fitted for fitted, keep in zip(fits, kept, strict=True) if keep]
        back = self._places_in(problem)
        steps, covariances = [], []
        for fitted in fits:
            value, spread = np.zeros(self.wide.size), np.zeros((self.wide.size, self.wide.size))
            value[fitted.active] = fitted.step
            value[self.shape_entries] -= self.vector[self.shape_entries]
            spread[np.ix_(fitted.active, fitted.active)] = fitted.covariance
            steps.append(value[back])
            covariances.append(spread[np.ix_(back, back)])
        mean = np.tensordot(shares, np.array(steps), axes=1)
        covariance = np.tensordot(shares, np.array(covariances), axes=1)
        for share, step in zip(shares, steps, strict=True):
            covariance += share * np.outer(step - mean, step - mean)
        return mean, covariance

    def _places_in(self, problem: Problem) -> NDArray[np.int64]:
        """Where each entry of a problem's vector stands in the wide one."""
        layout, wide = problem.layout, self.wide
        curls = () if problem.shape is None else problem.shape.curls
        numbers = [catalogue(problem.sheet).index(curl) for curl, _ in curls]
        return np.concatenate(
            [
                np.arange(layout.curl.start),
                wide.curl.start + np.array(numbers, np.int64),
                np.arange(wide.print_fault.start, wide.size)[: layout.size - layout.curl.stop],
            ]
        ).astype(np.int64)


def _wide_layout(problem: Problem, faces: tuple[Face, ...]) -> Layout:
    faults = 0 if problem.constraints.exact_print else len(PRINT_PARAMETERS)
    layout = problem.layout
    return Layout(layout.mirrors, layout.photos, layout.moved_sheet, len(catalogue(problem.sheet)), faults, faces)


def _plain_prior(problem: Problem, wide: Layout) -> Prior:
    """The problem's prior on a longer vector; the shape's entries are free."""
    end = problem.layout.curl.start
    mean, sd = np.zeros(wide.size), np.full(wide.size, 1.0)
    mean[:end], sd[:end] = problem.prior.mean[:end], problem.prior.sd[:end]
    joint = None
    if problem.prior.joint is not None:
        joint = np.zeros((wide.size, wide.size))
        joint[:end, :end] = problem.prior.joint[:end, :end]
    return Prior(mean, sd, joint)

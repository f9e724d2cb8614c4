"""From a fit of flat things to one of bent, curled and skewed ones, and what remains likely besides it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from .evidence import LEAST_SHARE, Evidence, Fitted, Wheres
from .forward_model import Layout, State, predict
from .least_squares import Prior
from .normal_equations import Block
from .problem import Problem, View
from .reflection import Face, hit_places
from .shape_choice import Choice, Shape, bend_units
from .sheet_shape import CURL_COLUMNS, catalogue, catalogue_heights, print_fault_count, print_shifts, wave_heights
from .thresholds import BEND_CURVATURES_PER_MM, BOW_LEVELS_MM, CURL_LEVELS_MM, PRINT_LEVELS

Array = NDArray[np.float64]
#: Where the search for the scales begins: in the middle of each table.
START_BEND, START_BOW, START_PRINT = 2, 1, 1
#: A part of a mirror that was seen is taken to be no narrower or lower than this [mm].
LEAST_HALF_MM = 2.0
#: ... and stays what it was where its edges move by no more than the first share of its half size: of a mirror bent
#: by half a millimetre that is a thousandth of a degree of lean; or by more than the second: that is no mirror's
#: bend but a fit that is far off, which is not to be followed. Choices.
SAME_PART, OTHER_PART = 0.01, 0.5


def faces_of(problem: Problem, state: State) -> tuple[Face, ...]:
    """The part of each mirror that the views show: the bounds of where corners are reflected."""
    layout, faces = state.layout, []
    for mirror in range(problem.layout.mirrors):
        parameters, index = state.vector[layout.mirror(mirror)], float(state.vector[layout.index])
        bent = (layout.faces[mirror], state.vector[layout.bend(mirror)]) if layout.faces else (None, None)
        hits = []
        for view in problem.views:
            if view.mirror == mirror:
                rotation, translation = state.scene_from_sheet(view.photo)
                points = problem.risen(state, view.corner_ids) @ rotation.T + translation
                hits.append(hit_places(points, state.eye(view.photo), parameters, index, *bent))
        low, high = np.concatenate(hits).min(axis=0), np.concatenate(hits).max(axis=0)
        middle, half = (low + high) / 2, np.maximum((high - low) / 2, LEAST_HALF_MM)
        faces.append(Face(float(middle[0]), float(middle[1]), float(half[0]), float(half[1])))
    return tuple(faces)


def followed(before: tuple[Face, ...], after: tuple[Face, ...]) -> tuple[Face, ...]:
    """Parts of mirrors where they were seen to be, or, where that makes no difference or no sense, as before."""
    moved = 0.0
    for one, other in zip(before, after, strict=True):
        half = np.array([one.half_u_mm, one.half_u_mm, one.half_v_mm, one.half_v_mm])
        moved = max(moved, float(np.max(np.abs(np.subtract(one.edges, other.edges)) / half)))
    return after if SAME_PART < moved < OTHER_PART else before


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
    return Problem(problem.sheet, problem.views, problem.camera_prior, problem.constraints, problem.moved, shape)


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
        *,
        as_stretched: bool = False,
    ) -> None:
        """weights : (n,) of each view's corners, for their squares; None: all alike.

        as_stretched : with the picture's stretch and shear as they are in `state`

        A stretch trades places with a bow along a curved valley, farther than derivatives reach.
        """
        self.problem, self.state = problem, state
        self.wide = wide = _wide_layout(problem, faces)
        self.vector = _widened(problem.layout, wide, state.vector)
        self.bow = np.arange(*wide.bow.indices(wide.size))
        self.shape_entries = np.concatenate([self.bow, np.arange(wide.curl.stop, wide.size)])
        self.prior = prior = _plain_prior(problem, wide)
        offset, precision = self.vector - prior.mean, prior.precision
        offset[wide.curl.start :] = offset[self.bow] = 0.0
        precision[self.shape_entries] = precision[:, self.shape_entries] = 0.0
        said, by = self._stated()
        known = (
            precision @ offset + by.T @ said,
            float(offset @ precision @ offset + said @ said),
            precision + by.T @ by,
        )
        wheres = Wheres(
            self.bow,
            np.arange(wide.wave.start, wide.wave.stop),
            np.arange(wide.print_fault.start, wide.print_fault.stop),
            tuple(np.arange(wide.bend(m).start, wide.bend(m).stop) for m in range(len(faces))),
        )
        free = prior.free.copy()
        free[wide.curl] = False
        if as_stretched:
            free[wide.reshape] = False
        units = [bend_units(face) for face in faces]
        curls = (catalogue(problem.sheet), catalogue_heights(problem.sheet), problem.points)
        blocks, start = self._blocks(views, weights), start_choice(problem)
        self.evidence = Evidence(blocks, known, free, wheres, units, floors, scales, curls, start)

    def _blocks(self, views: Sequence[View], weights: Sequence[Array] | None) -> list[Block]:
        """Each view's whitened residuals and Jacobian about the state, its shape taken away by its derivatives."""
        problem, wide = self.problem, self.wide
        at = State(wide, self.vector, self.state.rotations)
        curled = self.state.vector[problem.layout.curl]
        in_plane = print_shifts(problem.sheet) if wide.print_faults else None
        waves = wave_heights(problem.sheet)
        blocks = []
        for number, view in enumerate(views):
            ids = view.corner_ids
            points, basis, _ = problem.places(self.state, ids)
            risen = basis[:, 3 : 3 + len(curled)] @ curled
            heights = np.column_stack([basis[:, :3], np.ones(len(ids)), waves[ids]])
            lifted = points + np.outer(risen, [0.0, 0.0, 1.0])
            shifts = None if in_plane is None else in_plane[ids]
            pixels, jacobian = predict(at, view.photo, view.mirror, lifted, heights, in_plane=shifts)
            root = view.whitener
            if weights is not None:
                root = root * np.sqrt(weights[number])[:, None, None]
            whitened = root @ jacobian
            upwards = whitened[:, :, wide.curl.start].copy()
            residual = np.einsum("nij,nj->ni", root, pixels - view.pixels)
            residual = residual - whitened[:, :, self.shape_entries] @ self.vector[self.shape_entries]
            residual = residual - upwards * risen[:, None]
            whitened[:, :, wide.curl] = 0.0
            flat = whitened.reshape(-1, wide.size)
            blocks.append(Block(view.mirror, residual.ravel(), flat, upwards.ravel(), np.repeat(ids, 2)))
        return blocks

    def _stated(self) -> tuple[Array, Array]:
        """Residuals of what the user states, where the shape is flat, and their Jacobian on the wide vector."""
        vector = self.vector.copy()
        vector[self.shape_entries] = 0.0
        return self.problem.stated(State(self.wide, vector, self.state.rotations))

    def _in(self, problem: Problem, fitted: Fitted) -> tuple[Array, NDArray[np.int64]]:
        """Values (p,) of a fit in a problem's own vector, and where the fit's numbers stand in it (-1: nowhere).

        Curls that the problem knows not, or the fit, are left out, or 0.
        """
        layout = problem.layout
        place_of = np.full(self.wide.size, -1)
        plain = np.arange(self.wide.curl.start)
        place_of[plain] = plain
        tail = np.arange(layout.size - layout.curl.stop)
        place_of[self.wide.curl.stop + tail] = layout.curl.stop + tail
        where = list(place_of[fitted.active])
        known = {} if problem.shape is None else {curl: k for k, (curl, _) in enumerate(problem.shape.curls)}
        for number, _ in fitted.choice.curls:
            k = known.get(catalogue(problem.sheet)[number])
            columns = np.arange(CURL_COLUMNS)
            where += list(columns * 0 - 1 if k is None else layout.curl.start + CURL_COLUMNS * k + columns)
        value = _widened(self.wide, layout, self.vector)
        value[self.bow] = 0.0
        value[layout.curl.start :] = 0.0
        places = np.array(where)
        value[places[places >= 0]] += fitted.step[places >= 0]
        return value, places

    def moved(self, state: State, problem: Problem, fitted: Fitted) -> State:
        """The state moved to a choice's linear fit, in the choice's own problem."""
        vector, _ = self._in(problem, fitted)
        step = np.zeros(problem.layout.size)
        for motion in problem.layout.motions:
            turning = slice(motion.start, motion.start + 3)
            step[turning], vector[turning] = vector[turning], 0.0
        return State(problem.layout, vector, state.rotations).stepped(step)

    def log_evidence(self, fits: Sequence[Fitted]) -> float:
        """Logarithm of the corners' marginal likelihood over choices, but for what no prior changes."""
        logs = np.array([fitted.log_evidence for fitted in fits])
        sd = self.prior.sd[self.evidence.active[self.prior.free[self.evidence.active]]]
        volume = float(np.linalg.slogdet(self.evidence.basis)[1]) - float(np.log(sd).sum())
        return float(np.logaddexp.reduce(logs)) + volume

    def averaged(self, best: Fitted, others: Sequence[Fitted], problem: Problem) -> tuple[Array, Array]:
        """Mean step (p,) from the state and covariance (p, p) in a problem's own layout, over likely choices."""
        fits = [best, *others]
        logs = np.array([fitted.log_evidence for fitted in fits])
        if logs.max() == -np.inf:  # about a fit that is far off no sheet may be physical
            fits, logs = [best], np.zeros(1)
        shares = np.exp(logs - logs.max())
        kept = shares > LEAST_SHARE
        shares = shares[kept] / shares[kept].sum()
        fits = [fitted for fitted, keep in zip(fits, kept, strict=True) if keep]
        values, size = [], problem.layout.size
        covariance = np.zeros((size, size))
        for share, fitted in zip(shares, fits, strict=True):
            value, places = self._in(problem, fitted)
            values.append(value)
            known = np.flatnonzero(places >= 0)
            covariance[np.ix_(places[known], places[known])] += share * fitted.covariance[np.ix_(known, known)]
        mean = shares @ np.array(values)
        for share, value in zip(shares, values, strict=True):
            covariance += share * np.outer(value - mean, value - mean)
        step = mean - self.state.vector
        step[problem.layout.curl] = 0.0  # of the curls as descended: a mean of several is none of them
        return step, covariance


def _wide_layout(problem: Problem, faces: tuple[Face, ...]) -> Layout:
    """The problem's layout with one curl, for the corners' heights, faults of the print, waves and bends."""
    faults = 0 if problem.constraints.exact_print else print_fault_count(problem.sheet)
    layout = problem.layout
    return Layout(
        layout.mirrors,
        layout.photos,
        layout.moved_sheet,
        1,
        faults,
        faces,
        moved_camera=layout.moved_camera,
        waves=wave_heights(problem.sheet).shape[1],
    )


def _widened(layout: Layout, other: Layout, vector: Array) -> Array:
    """A vector in another layout, curls left out; what the first has not is 0."""
    result = np.zeros(other.size)
    result[: other.curl.start] = vector[: layout.curl.start]
    tail = vector[layout.curl.stop :]
    if len(tail):
        result[other.curl.stop :] = tail
    return result


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

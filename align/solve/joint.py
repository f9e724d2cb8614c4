"""The joint solve: one camera, one target, the mirrors and a pose for each photo, in one least-squares fit."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from ..errors import SolveError
from ..optics.camera_model import CENTRE_SD_SHARE, FOCAL_SD_BLIND, CameraPrior
from ..target.sheets import Sheet
from .correlated_errors import BoardErrors, spatial_correlation, true_variance, widened_covariance
from .forward_model import DIRECT, State
from .initial_guess import Hint, cameras_to_try, facing, seeds
from .least_squares import LITTLE_DAMPING, Minimum, covariance_of
from .noise import huber_weights, noise_floors, robust_scales, sigma0_of, without_outliers
from .picture_shape import score_of_reshape
from .problem import STILL, Moved, Problem, UserConstraints, View
from .shape_choice import Choice
from .shaping import Shaping, faces_of, followed, shaped, start_choice
from .sheet_shape import CURL_COLUMNS
from .solution import Solution, SolvedCurl
from .standing import above_sheet_mm, standing
from .thresholds import MOST_UNSTRETCHED_SCORE

__all__ = ["Moved", "Solution", "UserConstraints", "View", "solve", "widened"]

Array = NDArray[np.float64]

#: A first fit below this cost a corner needs no other seed: twice the rms that its covariances expect.
GOOD_COST = 8.0
#: Nor does one that costs up to so many times as much, where another camera led to within this share of it: corners
#: of a sheet that is not flat fit no better.
AGREED_COST, AGREED_SHARE = 30 * GOOD_COST, 0.01
#: An answer that stands goes before one that does not, unless it costs so many times as much: then nothing stands.
STANDING_RATIO = 1000.0
#: Descents that another one follows end within 0.01 standard deviations of their minimum.
ROUGHLY = 1e-4
#: ... and those with Huber's weights, which change from step to step, within a tenth: closer, they go to and fro.
ROBUSTLY = 1e-2
#: The noise is known where its scales change by less than this share; a choice.
SAME_SCALE = 1e-3
#: A descent that stopped at its limit is given so many further steps before the photo is refused.
MORE_ITERATIONS = 300
#: A descent that stops at its limit is answered where its cost could fall by no more than this, one sd's worth; the
#: step it has still to go is added to the covariance. A choice.
MOST_LEFT = 1.0
#: How often the shape is looked for anew about the fit it led to.
SHAPE_ROUNDS = 3


def solve(
    sheet: Sheet,
    views: Sequence[View],
    prior: CameraPrior,
    constraints: UserConstraints | None = None,
    *,
    moved: Moved = STILL,
    hint: Hint | None = None,
    rigid: bool = False,
) -> Solution:
    """Solve camera, mirrors and poses from all views at once.

    Parameters
    ----------
    sheet : the target; views : direct and reflected; prior : of the camera; knowledge : of glass and contact;
    moved : what was moved between the photos; hint : where to begin, else everywhere that the corners do not rule
    out (where sheet and camera were moved it is needed); rigid : take mirrors for flat, the print for exact and
    the sheet for one that bows but does not curl.

    Raises
    ------
    SolveError
        If no direct view is given for a photo, or no plane mirror explains the reflections.
    """
    problem = Problem(sheet, tuple(views), prior, constraints or UserConstraints(), moved)
    if prior.reshape_sd > 0 and problem.layout.mirrors > 0 and not rigid:
        found = _from_unstretched(problem, hint)
        if found is not None:
            return found
    best = _best_start(problem, hint)
    if best is None:
        raise SolveError(
            "No plane mirror explains the corners that were found.",
            "Check that the photo shows one flat sheet and its reflection; retake it from another height.",
        )
    if problem.layout.mirrors == 0 or rigid:
        return _finish(problem, best.point, None)[0]
    return _with_shape(problem, best.point)[0]


def _from_unstretched(problem: Problem, hint: Hint | None) -> Solution | None:
    """The solution of a picture that may be stretched, from where it is not; None where corners contradict that.

    Stretch, focal length and the sheet's bow trade places along a curved valley: a descent that begins with a flat
    sheet and a free stretch ends somewhere along it, with a shape that was chosen for that place.
    """
    prior = replace(problem.camera_prior, reshape_sd=0.0)
    held = Problem(problem.sheet, problem.views, prior, problem.constraints, problem.moved)
    best = _best_start(held, hint)
    if best is None:
        return None
    try:
        solution, state, choice = _with_shape(held, best.point)
        if solution.reshape_score > MOST_UNSTRETCHED_SCORE or choice is None:
            return None
        free = Problem(
            problem.sheet, problem.views, problem.camera_prior, problem.constraints, problem.moved, solution.shape
        )
        return _finish(free, state, choice, as_stretched=True)[0]
    except SolveError:
        return None


def _with_shape(problem: Problem, state: State) -> tuple[Solution, State, Choice | None]:
    """The solution with what the corners say is not flat or not exact, looked for anew about the fit it led to.

    Also where that fit ended, and the choice of shape that it was made with.
    """
    faces, choice = faces_of(problem, state), start_choice(problem)
    views = problem.views
    for turn in range(SHAPE_ROUNDS):
        scales = robust_scales(problem, state, views)
        weights = huber_weights(problem, state, views, scales)
        shaping = Shaping(problem, state, views, faces, scales, noise_floors(problem, views), weights)
        found, _ = shaping.evidence.best(choice)
        following = shaped(problem, found.choice, faces)
        moved = shaping.moved(state, following, found)
        solution, state, likeliest = _finish(following, moved, found.choice)
        shown = followed(faces, faces_of(following, state))
        # Looked for about a first fit alone, a bent mirror was three times as often taken for a stretched picture.
        settled = turn > 0 and likeliest == found.choice and shown == faces
        if likeliest is None or settled or turn == SHAPE_ROUNDS - 1:
            break
        problem, choice, faces = following, likeliest, shown
    return solution, state, found.choice


def _best_start(problem: Problem, hint: Hint | None) -> Minimum[State] | None:
    """The best of the roughly descended seeds; the rest are not tried once one is good, or two cameras agree."""
    best: dict[bool, Minimum[State]] = {}  # by whether it stands
    best_camera = -1
    corners = sum(len(view.pixels) for view in problem.views)
    for number, camera in enumerate(cameras_to_try(problem, hint)):
        for seed in seeds(problem, camera, hint):
            found = problem.descend(seed, problem.views, huber=True, iterations=25, tolerance=ROUGHLY)
            found = replace(found, point=_faced(problem, found.point))
            feasible = _feasible(problem, found.point)
            before = best.get(feasible)
            if before is None or found.cost < before.cost:
                best[feasible] = found
            if not feasible:
                continue
            agreed = (
                before is not None
                and number != best_camera
                and abs(found.cost - before.cost) < AGREED_SHARE * before.cost
            )
            if best[True] is found:
                best_camera = number
            if best[True].cost < (AGREED_COST if agreed else GOOD_COST) * corners:
                return best[True]
    feasible_best, infeasible = best.get(True), best.get(False)
    if feasible_best is None or (infeasible is not None and feasible_best.cost > STANDING_RATIO * infeasible.cost):
        return infeasible
    return feasible_best


def _faced(problem: Problem, state: State) -> State:
    """The state with every mirror's normal on the side of the cameras that see it, angles in their range."""
    for view in problem.views:
        if view.mirror != DIRECT:
            state = facing(problem, state, view.mirror, view.photo)
    return state


def _feasible(problem: Problem, state: State) -> bool:
    """Whether every sheet stands before the mirrors that show it, and every camera above the sheet's face."""
    return all(
        above_sheet_mm(state, view.photo) > 0
        if view.mirror == DIRECT
        else standing(state, view.photo, view.mirror, problem.points).feasible()
        for view in problem.views
    )


@dataclass(frozen=True, eq=False)
class _Settled:
    """A minimum without bad corners: of these views, with these scales of the noise, and its counts."""

    minimum: Minimum[State]
    views: list[View]
    scales: tuple[float, float]
    degrees: float
    rejected: list[int]


def _settled(problem: Problem, state: State) -> _Settled:
    """Leave out bad corners, and estimate the noise of both kinds of view."""
    views, scales, rejected = problem.views, (1.0, 1.0), [0] * len(problem.views)
    scales = robust_scales(problem, state, views)
    descend = partial(problem.descend, tolerance=ROUGHLY, damping=LITTLE_DAMPING)
    minimum = descend(state, views, huber=True, scales=scales, tolerance=ROBUSTLY)
    for attempt in range(4):
        robust = robust_scales(problem, minimum.point, views)
        views, dropped = without_outliers(problem, minimum.point, views, robust)
        if not any(dropped) and attempt > 0:
            break
        scales, rejected = robust, [total + new for total, new in zip(rejected, dropped, strict=True)]
        minimum = descend(minimum.point, views, huber=False, scales=scales)
    for _ in range(4):
        updated, degrees = sigma0_of(problem, minimum, views, scales)
        unchanged = all(abs(a / b - 1) < SAME_SCALE for a, b in zip(updated, scales, strict=True))
        scales = updated
        minimum = descend(minimum.point, views, huber=False, scales=scales)
        if unchanged:
            break
    return _Settled(_converged(problem, minimum, views, scales), list(views), scales, degrees, rejected)


def _finish(
    problem: Problem, state: State, choice: Choice | None, *, as_stretched: bool = False
) -> tuple[Solution, State, Choice | None]:
    """Settle, and take the covariance.

    Also where the fit itself ended, and the choice of shape that is the likeliest there. as_stretched : shapes are
    weighed with the picture's stretch as it was found.
    """
    settled = _settled(problem, state)
    minimum, views, scales = settled.minimum, settled.views, settled.scales
    whitened, jacobians, raw = problem.residuals(minimum.point, views, scales)
    # Focal length and centre only: these are what cropping and zooming change.
    off, sd = (minimum.point.vector - problem.prior.mean)[:3], problem.prior.sd[:3]
    prior_residual = float(np.max(np.abs(off[sd > 0]) / sd[sd > 0], initial=0.0))
    covariance = covariance_of(minimum.information, problem.prior.free)
    boards = _board_errors(problem, views, whitened, jacobians)
    # A slow valley: what is still to go counts as uncertainty.
    left, to_go = _left_to_go(problem, minimum, whitened, jacobians)
    covariance = covariance + np.outer(left, left)
    alike = spatial_correlation(boards, covariance)
    variance = true_variance(boards, covariance, alike)
    reshape_score = score_of_reshape(problem, minimum.point, boards, alike, variance)
    wider = widened_covariance(boards, covariance, alike, variance) - covariance
    point, log_evidence = minimum.point, math.nan
    if choice is not None and problem.shape is not None:
        floors, faces = noise_floors(problem, views), problem.shape.faces
        shaping = Shaping(problem, point, views, faces, scales, floors, as_stretched=as_stretched)
        likeliest, others = shaping.evidence.best(choice)
        by_reshape = _of_reshape(covariance, problem) if as_stretched else (0.0, 0.0)
        step, covariance = shaping.averaged(likeliest, others, problem)
        log_evidence = shaping.log_evidence([likeliest, *others]) + by_reshape[1]
        covariance = covariance + by_reshape[0]
        point, choice = point.stepped(step), likeliest.choice
    solution = Solution(
        state=point,
        covariance=covariance + wider,
        degrees=settled.degrees,
        views=tuple(views),
        residuals_px=tuple(raw),
        rejected=tuple(settled.rejected),
        sigma0=scales,
        spatial_correlation=alike,
        covariance_apart=covariance,
        camera_prior_residual=prior_residual,
        reshape_score=reshape_score,
        constraints=problem.constraints,
        cost=minimum.cost,
        curls=_curls(problem, minimum.point, covariance),
        shape=problem.shape,
        log_evidence=log_evidence,
        to_go=to_go,
    )
    return solution, minimum.point, choice


def _converged(
    problem: Problem, minimum: Minimum[State], views: Sequence[View], scales: tuple[float, float]
) -> Minimum[State]:
    """The minimum to the last digits, descended further where the descent stopped at its limit."""
    if not minimum.converged:
        minimum = problem.descend(minimum.point, views, huber=False, scales=scales, iterations=MORE_ITERATIONS)
    return problem.settle(minimum, views, scales) if minimum.converged else minimum


def _left_to_go(
    problem: Problem, minimum: Minimum[State], whitened: Sequence[Array], jacobians: Sequence[Array]
) -> tuple[Array, float]:
    """(p,) step that a descent which stopped at its limit has still to go, by Gauss and Newton, and what it gains.

    Both 0 at its end.

    Raises
    ------
    SolveError
        That is far: the corners leave camera or mirror open.
    """
    step = np.zeros(len(problem.prior.mean))
    if minimum.converged:
        return step, 0.0
    free, off = problem.prior.free, minimum.point.vector - problem.prior.mean
    gradient = sum(np.einsum("nip,ni->p", j, r) for j, r in zip(jacobians, whitened, strict=True))
    gradient = gradient + problem.prior.precision @ off
    step[free] = -np.linalg.solve(minimum.information[np.ix_(free, free)], gradient[free])
    # Without a mirror this is a camera's calibration, which judges by the covariance alone.
    gain = float(-gradient @ step)
    if problem.layout.mirrors == 0 or gain <= MOST_LEFT:
        return step, gain
    raise SolveError(
        "The solve came to no end: the corners leave camera or mirror open.",
        "Take the photo from 30 to 45 degrees above the floor, with the whole sheet and its reflection in it.",
    )


def _of_reshape(covariance: Array, problem: Problem) -> tuple[Array, float]:
    """(p, p) the part of a covariance that comes of not knowing how the picture was stretched and sheared.

    Also the logarithm of the share of those priors that the corners leave, which belongs to their likelihood
    (MacKay's Occam factor).
    """
    entries = np.arange(len(covariance))[problem.layout.reshape]
    where = entries[problem.prior.free[entries]]
    own, across = covariance[np.ix_(where, where)], covariance[:, where]
    share = float(np.linalg.slogdet(own)[1]) / 2 - float(np.log(problem.prior.sd[where]).sum())
    return np.asarray(across @ np.linalg.solve(own, across.T)), share


def _curls(problem: Problem, state: State, covariance: Array) -> tuple[SolvedCurl, ...]:
    """The sheet's curls by their places, the highest first."""
    curls = () if problem.shape is None else problem.shape.curls
    lifts = problem.layout.curl.start + CURL_COLUMNS * np.arange(len(curls))
    found = [
        SolvedCurl(curl.place, float(state.vector[where]), math.sqrt(max(float(covariance[where, where]), 0.0)))
        for (curl, _), where in zip(curls, lifts, strict=True)
    ]
    return tuple(sorted(found, key=lambda curl: -curl.lift_mm))


def _board_errors(
    problem: Problem, views: Sequence[View], whitened: Sequence[Array], jacobians: Sequence[Array]
) -> list[BoardErrors]:
    columns = problem.sheet.corner_grid[0]
    return [
        BoardErrors(np.column_stack([view.corner_ids % columns, view.corner_ids // columns]), residual, jacobian)
        for view, residual, jacobian in zip(views, whitened, jacobians, strict=True)
    ]


def widened(prior: CameraPrior, size: tuple[int, int]) -> CameraPrior:
    """The prior for a photo that turns out cropped or zoomed: focal length and centre nearly free."""
    sd = prior.sd.copy()
    sd[0] = max(sd[0], FOCAL_SD_BLIND)
    sd[1:3] = np.maximum(sd[1:3], CENTRE_SD_SHARE["part"] * max(size))
    return replace(prior, sd=sd, source="guess", covariance=None)

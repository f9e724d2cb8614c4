"""Pictures that are not as the lens made them: cut, zoomed, stretched, or through another lens than the file says.

What may have been done to a picture is allowed for in the solve, with a word to the user.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from ..errors import SolveError
from ..optics.camera_model import RESHAPE_SD, RESHAPE_SD_BLIND, CameraPrior
from ..solve.joint import Solution, widened
from .thresholds import (
    CAMERA_PRIOR_RESIDUAL_SIGMAS,
    HELD_RESHAPE_SD,
    MAX_CAMERA_APART,
    MAX_RESHAPE_SCORE,
    MOST_RESHAPE_MISFIT,
    PERSPECTIVE_SIGMAS,
    PERSPECTIVE_STRETCH,
    RESHAPE_LOG_ODDS,
    SUSPECT_RESHAPE_SCORE,
    SYSTEMATIC_ERRORS_SIGMA0,
    ZOOM_OR_SLANT_SD,
)

ORIGINAL = "Send the original photo, as the camera wrote it."


@dataclass(frozen=True, eq=False)
class Allowed:
    """A solution with all that had to be allowed for: the prior it was found with, and what to tell the user."""

    solution: Solution
    prior: CameraPrior
    notes: tuple[str, ...] = ()


def allowed_for(
    solved: Callable[[CameraPrior], Solution],
    prior: CameraPrior,
    size: tuple[int, int],
    *,
    without_file: CameraPrior | None = None,
    solved_flat: Callable[[CameraPrior, Solution], Solution] | None = None,
) -> Allowed:
    """Solve; where the camera is not what the photo's file says, or the picture was stretched, allow for that.

    solved : the solve for a given prior of the camera; size : of the photo [px]; without_file : the prior that the
    photo alone gives, where `prior` is a camera file's; solved_flat : the solve as in a given solution, but with
    mirror and print taken for exact.

    Raises
    ------
    SolveError
        The picture was edited so much that its corners leave the camera open.
    """
    solution = _freely(solved, prior) if prior.reshape_sd > 0 else solved(prior)
    notes = []
    if prior.source == "file" and without_file is not None:
        free = solved(without_file)
        contradiction = contradicts_file(solution, free, prior)
        if contradiction is None:
            return Allowed(solution, prior)
        notes.append(
            f"The camera file does not fit these photos: {contradiction}. It is left out, and the camera solved "
            "from the photos. Measure the camera anew, with the sheet in every part of the frame."
        )
        solution, prior = free, without_file
    if solution.camera_prior_residual > CAMERA_PRIOR_RESIDUAL_SIGMAS:
        prior = widened(prior, size)
        solution = solved(prior)
        # A part cut out keeps its pixels' shape; a perspective that was changed shows in it.
        try:
            as_reshaped = solved(replace(prior, reshape_sd=RESHAPE_SD_BLIND))
        except SolveError:  # the corners do not tell: then a cut is what the numbers speak for
            as_reshaped = solution
        _refuse_other_perspective(as_reshaped, size)
        # As of a picture of another shape, no one can tell a cut or a zoom from a slight change of perspective.
        solution, prior = _zoomed_or_slanted(solved, prior)
        notes.append(
            "The photo does not look like a whole one from the lens its file names (cropped, zoomed or "
            "re-saved?); the camera was solved freely and the intervals are wider for it."
        )
    if seems_reshaped(solution) or _seems_reshaped_if_flat(solution, prior, solved, solved_flat):
        prior = replace(widened(prior, size), reshape_sd=RESHAPE_SD)
        solution = _freely(solved, prior)
        notes.append(
            "The picture seems to have been stretched or slanted after it was taken (edited, straightened, "
            "scanned, or a panorama?). That is allowed for, and the intervals are wider for it: send the phone's "
            "original."
        )
    if prior.source == "guess":
        _refuse_other_perspective(solution, size)
    return Allowed(solution, prior, tuple(notes))


def _zoomed_or_slanted(
    solved: Callable[[CameraPrior], Solution], prior: CameraPrior
) -> tuple[Solution, CameraPrior]:
    narrow, wide = (replace(prior, reshape_sd=max(prior.reshape_sd, sd)) for sd in (ZOOM_OR_SLANT_SD, RESHAPE_SD))
    try:
        return solved(narrow), narrow
    except SolveError:  # a slant beyond that: between the two priors the descent found no end
        return _freely(solved, wide), wide


def _freely(solved: Callable[[CameraPrior], Solution], prior: CameraPrior) -> Solution:
    try:
        return solved(prior)
    except SolveError as error:
        raise SolveError(
            "The picture is not as a lens makes it (mirrored, perspective corrected, straightened, stretched, or a "
            "photo of a screen?), and its corners do not tell how it was changed.",
            f"{ORIGINAL} If the phone mirrors its pictures (a selfie setting), take it with the rear camera.",
        ) from error


def contradicts_file(solution: Solution, free: Solution, file: CameraPrior) -> str | None:
    """In words, how a camera file contradicts photos that were solved without it; None where it does not.

    The difference of the two cameras, weighed with both covariances (a chi-square of as many degrees as there are
    free parameters; JCGM 101 calls such a statement a consistency test), or a prior of the file that is broken.
    """
    names = (
        "focal length",
        "centre",
        "centre",
        "distortion",
        "distortion",
        "distortion",
        "distortion",
        "distortion",
    )
    known = np.diag(file.sd**2) if file.covariance is None else file.covariance
    count = len(names)
    covariance = known + free.covariance[:count, :count]
    off = free.state.vector[:count] - file.mean
    used = np.flatnonzero(np.diag(covariance) > 0)
    apart = float(off[used] @ np.linalg.solve(covariance[np.ix_(used, used)], off[used]))
    if apart <= MAX_CAMERA_APART and solution.camera_prior_residual <= CAMERA_PRIOR_RESIDUAL_SIGMAS:
        return None
    sigmas = np.abs(off[used]) / np.sqrt(np.diag(covariance)[used])
    worst = used[int(np.argmax(sigmas))]
    if worst == 0:
        return f"they tell a focal length {100 * math.expm1(float(off[0])):+.1f} % off the file's"
    return f"they tell another {names[worst]}"


def _refuse_other_perspective(solution: Solution, size: tuple[int, int]) -> None:
    """A stretch that no change of shape explains is a change of perspective, which nothing here can undo."""
    where = solution.state.layout.reshape
    stretch = float(solution.state.vector[where][0])
    # Corners that err by what repeats (a bent board) feign a stretch more often than their covariance says.
    sd = math.sqrt(float(solution.covariance[where, where][0, 0])) * _systematic(solution)
    if sd == 0:
        return
    # Across over along, as the photo is held; a sensor is 4:3 or 3:2, upright or not.
    shape = size[0] / size[1]
    shapes = [4 / 3, 3 / 2] if shape >= 1 else [3 / 4, 2 / 3]
    expected = [0.0, *(math.log(shape / other) for other in shapes)]
    off = min(abs(stretch - one) for one in expected)
    if off > PERSPECTIVE_SIGMAS * sd and off > PERSPECTIVE_STRETCH:
        raise SolveError(
            "The picture's perspective seems to have been changed (corrected, straightened, or a photo of a "
            f"screen or a print?): its pixels would be {100 * abs(math.expm1(stretch)):.0f} % longer one way than "
            "the other.",
            ORIGINAL,
        )


def is_unfit(solution: Solution, prior: CameraPrior) -> bool:
    """Whether a camera file is not of the camera that the photos show, by its own numbers."""
    return prior.source == "file" and solution.camera_prior_residual > CAMERA_PRIOR_RESIDUAL_SIGMAS


def seems_reshaped(solution: Solution) -> bool:
    """Whether the corners would fit a stretched or sheared picture far better, beyond what repeating errors feign.

    On four real photos of a bent board, whose corners scatter 5 to 8 times what their grain explains, the
    statistic was 7 to 27. It allows for errors that neighbours share, so that scatter counts by its root alone: a
    picture rolled on a cylinder had 15.6 where scatter by itself would have asked for 18.8.
    """
    return solution.reshape_score > MAX_RESHAPE_SCORE * math.sqrt(_systematic(solution))


def _seems_reshaped_if_flat(
    solution: Solution,
    prior: CameraPrior,
    solved: Callable[[CameraPrior], Solution],
    solved_flat: Callable[[CameraPrior, Solution], Solution] | None,
) -> bool:
    """The same question with mirror and print taken for exact, where the corners lean that way at all.

    A print that may be off a little takes up a slight slant, unnoticed but for what is left of it.
    """
    if solved_flat is None or prior.source == "file" or prior.reshape_sd > 0:
        return False
    if not _is_suspect(solution):
        return False
    try:
        flat = solved_flat(prior, solution)
        if not _is_suspect(flat):
            return False
        # What a bent mirror or a skewed print does to the corners, no stretch undoes.
        as_reshaped = solved_flat(replace(prior, reshape_sd=RESHAPE_SD_BLIND), solution)
        if as_reshaped.rms_px() >= MOST_RESHAPE_MISFIT * solution.rms_px():
            return False
        # Both with the noise that is believed of pictures that may be stretched: else the finer one decides.
        free, held = (solved(replace(prior, reshape_sd=sd)) for sd in (RESHAPE_SD, HELD_RESHAPE_SD))
        return _is_likelier(free, held, seems_reshaped(flat))
    except SolveError:  # it fits no flat mirror: then its shape is to be believed
        return False


def _is_suspect(solution: Solution) -> bool:
    return solution.reshape_score > SUSPECT_RESHAPE_SCORE * _systematic(solution)


def _is_likelier(as_reshaped: Solution, solution: Solution, seems: bool) -> bool:
    """Whether the corners speak for a picture that was stretched, all shapes of mirror and sheet weighed in both.

    A mirror that is bent by micrometres, too little to be sure of, looks a little like a stretch as well.

    seems : what the flat fit alone says; it stands where the two solutions left out other corners
    """
    corners, others = (sum(len(view.pixels) for view in each.views) for each in (as_reshaped, solution))
    if corners != others:
        return seems
    return as_reshaped.log_evidence - solution.log_evidence > RESHAPE_LOG_ODDS[seems]


def _systematic(solution: Solution) -> float:
    """How many times more than random errors explain, up to the usual share of it, the corners scatter."""
    return max(max(solution.sigma0) / SYSTEMATIC_ERRORS_SIGMA0, 1.0)

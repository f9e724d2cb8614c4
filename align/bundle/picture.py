"""Pictures that are not as the lens made them: cut, zoomed, stretched, or through another lens than the file says.

What may have been done to a picture is allowed for in the solve, with a word to the user.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

from ..optics.camera_model import RESHAPE_SD, CameraPrior
from ..solve.joint import Solution, widened
from .thresholds import CAMERA_PRIOR_RESIDUAL_SIGMAS, MAX_RESHAPE_SCORE, SYSTEMATIC_ERRORS_SIGMA0


@dataclass(frozen=True, eq=False)
class Allowed:
    """A solution with all that had to be allowed for: the prior it was found with, and what to tell the user."""

    solution: Solution
    prior: CameraPrior
    notes: tuple[str, ...] = ()


def allowed_for(solved: Callable[[CameraPrior], Solution], prior: CameraPrior, size: tuple[int, int]) -> Allowed:
    """Solve; where the camera is not what the photo's file says, or the picture was stretched, allow for that.

    solved : the solve for a given prior of the camera; size : of the photo [px].
    """
    notes = []
    solution = solved(prior)
    if is_unfit(solution, prior):
        notes.append(
            f"The camera file does not fit these photos: focal length or centre is off by "
            f"{solution.camera_prior_residual:.1f} times its own standard deviation. Measure the camera anew, "
            "with the sheet in every part of the frame; or leave --camera out."
        )
        return Allowed(solution, prior, tuple(notes))
    if solution.camera_prior_residual > CAMERA_PRIOR_RESIDUAL_SIGMAS and prior.source != "file":
        prior = widened(prior, size)
        solution = solved(prior)
        notes.append(
            "The photo does not look like a whole one from the lens its file names (cropped, zoomed or "
            "re-saved?); the camera was solved freely and the intervals are wider for it."
        )
    if seems_reshaped(solution):
        prior = replace(prior, reshape_sd=RESHAPE_SD)
        solution = solved(prior)
        notes.append(
            "The picture seems to have been stretched or slanted after it was taken (edited, straightened, "
            "scanned?). That is allowed for, and the intervals are wider for it: send the phone's original."
        )
    return Allowed(solution, prior, tuple(notes))


def is_unfit(solution: Solution, prior: CameraPrior) -> bool:
    """Whether a camera file is not of the camera that the photos show."""
    return prior.source == "file" and solution.camera_prior_residual > CAMERA_PRIOR_RESIDUAL_SIGMAS


def seems_reshaped(solution: Solution) -> bool:
    """Whether the corners would fit a stretched or sheared picture far better, beyond what repeating errors feign.

    On four real photos of a bent board, whose corners scatter 5 to 8 times what their grain explains, the
    statistic was 7 to 27.
    """
    systematic = max(max(solution.sigma0) / SYSTEMATIC_ERRORS_SIGMA0, 1.0)
    return solution.reshape_score > MAX_RESHAPE_SCORE * systematic**2

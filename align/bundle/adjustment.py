"""The joint solve of a set of sighted photos: what is believed of camera, picture and user, with warnings."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from ..optics.camera_model import RESHAPE_SD, CameraPrior
from ..solve.joint import Solution, UserConstraints, solve, widened
from ..target.sheets import Sheet
from .grouping import JointViews, joint_views
from .photo_set import Sighted
from .user_constraints import accepted_constraints
from .validity import check_sane, no_reflection, seems_reshaped, shape_warnings

#: A focal length or centre this many prior sd away from expectation means that the photo is not whole.
CAMERA_PRIOR_RESIDUAL_SIGMAS = 3.5
#: A sheet counts as moved when that fits so many times better than a sheet that lay still.
MOVED_SHEET_RATIO = 1.5
#: A joint fit so many times worse than the worst photo alone is begun anew, without what these said.
HINT_MISLEADS_RATIO = 3.0
#: Corners that err so much alike, and so many times what their grain explains, tell of a sheet or a lens that the
#: model does not know: a bent board in the hand had 0.4 and 5 to 8, a panorama drawn on a cylinder 0.9 and 29.
HIGH_CORRELATION, HIGH_SIGMA0 = 0.5, 10.0


def solve_sighted(
    sighted: Sequence[Sighted], constraints: UserConstraints
) -> tuple[Sheet, Solution, tuple[str, ...]]:
    """The joint solve of sighted photos, with its sanity checks and warnings."""
    if not any(item.sighting.reflections for item in sighted):
        raise no_reflection(sighted[0])
    sheet = sighted[0].sighting.sheet
    warnings = [note for item in sighted for note in item.notes] + shape_warnings(sighted)
    prior = sighted[0].prior
    unaided = UserConstraints()
    joints = joint_views(sheet, sighted)
    solution = _joint_solution(sheet, joints, prior, unaided)
    unfit_file = prior.source == "file" and solution.camera_prior_residual > CAMERA_PRIOR_RESIDUAL_SIGMAS
    if prior.source != "file" and solution.camera_prior_residual > CAMERA_PRIOR_RESIDUAL_SIGMAS:
        prior = widened(prior, sighted[0].size)
        solution = _joint_solution(sheet, joints, prior, unaided)
        warnings.append(
            "The photo does not look like a whole one from the lens its file names (cropped, zoomed or "
            "re-saved?); the camera was solved freely and the intervals are wider for it."
        )
    elif unfit_file:
        warnings.append(
            f"The camera file does not fit these photos: focal length or centre is off by "
            f"{solution.camera_prior_residual:.1f} times its own standard deviation. Measure the camera anew, "
            "with the sheet in every part of the frame; or leave --camera out."
        )
    if not unfit_file and seems_reshaped(solution):
        prior = replace(prior, reshape_sd=RESHAPE_SD)
        solution = _joint_solution(sheet, joints, prior, unaided)
        warnings.append(
            "The picture seems to have been stretched or slanted after it was taken (edited, straightened, "
            "scanned?). That is allowed for, and the intervals are wider for it: send the phone's original."
        )
    accepted, contradicted = accepted_constraints(sheet, solution, constraints)
    warnings += contradicted
    if accepted != unaided:
        solution = _joint_solution(sheet, joints, prior, accepted)
    if solution.spatial_correlation > HIGH_CORRELATION and max(solution.sigma0) > HIGH_SIGMA0:
        warnings.append(
            "Whole parts of the sheet are off together, by more than a sheet that bows a little and an ordinary "
            "lens explain. The intervals are wider for it. Lay the sheet flat, and use the phone's main lens: no "
            "panorama, no ultra-wide, nothing edited."
        )
    if solution.state.layout.moved_sheet:
        warnings.append(
            "The sheet was moved between the photos while the camera stood still: lean and turn are given "
            "relative to the sheet as it lies in the first photo."
        )
    check_sane(sheet, solution, [item.photo.name for item in sighted])
    return sheet, solution, tuple(warnings)


def _joint_solution(
    sheet: Sheet, joints: Sequence[JointViews], prior: CameraPrior, constraints: UserConstraints
) -> Solution:
    """The joint solve; where the sheet may have been moved or not, the way that fits better by far."""
    best: Solution | None = None
    for joint in joints:
        solution = solve(sheet, joint.views, prior, constraints, moved_sheet=joint.moved_sheet, hint=joint.hint)
        if best is None or solution.rms_px() < best.rms_px() / MOVED_SHEET_RATIO:
            best = solution
    assert best is not None  # joint_views returns at least one way or raises
    hint = joints[0].hint
    if hint is not None and best.rms_px() > HINT_MISLEADS_RATIO * hint.rms_px:
        return _joint_solution(sheet, [replace(joint, hint=None) for joint in joints], prior, constraints)
    return best

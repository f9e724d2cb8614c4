"""The joint solve of a set of sighted photos: what is believed of camera, picture and user, with warnings."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from ..errors import SolveError
from ..optics.camera_model import CameraPrior
from ..solve.joint import Solution, UserConstraints, solve
from ..target.sheets import Sheet
from .grouping import JointViews, joint_views
from .photo_set import Sighted
from .picture import allowed_for
from .second_match import matched_again
from .thresholds import (
    HIGH_CORRELATION,
    HIGH_SIGMA0,
    HINT_MISLEADS_RATIO,
    MOVED_SHEET_MISFIT,
    MOVED_SHEET_RATIO,
)
from .turned import turned_views
from .user_constraints import accepted_constraints
from .validity import (
    check_sane,
    lost_corner_warnings,
    no_reflection,
    second_sheet_warnings,
    shape_warnings,
    unended_warnings,
)


@dataclass(frozen=True, eq=False)
class Adjustment:
    """Sighted photos of one sheet and their joint solution, with what there is to tell the user.

    photos : each knows which mirror each of its reflections is.
    """

    sheet: Sheet
    photos: tuple[Sighted, ...]
    solution: Solution
    warnings: tuple[str, ...] = ()


def solve_sighted(
    sighted: Sequence[Sighted], constraints: UserConstraints, *, turned_sheet: bool = False
) -> Adjustment:
    """The joint solve of sighted photos, with its sanity checks and warnings.

    turned_sheet : the sheet was turned on its spot between the photos

    Raises
    ------
    AlignError
        No photo shows a reflection; the photos contradict each other, or what the user says; or the answer is
        none that a mirror before a viewer can give.
    """
    if not any(item.sighting.reflections for item in sighted):
        raise no_reflection(sighted[0])
    sheet = sighted[0].sighting.sheet
    warnings = [note for item in sighted for note in item.notes] + shape_warnings(sighted)
    unaided = constraints.of_the_print
    joints = turned_views(sheet, sighted, unaided) if turned_sheet else joint_views(sheet, sighted, unaided)
    first = _JointSolves(sheet, joints, unaided)
    closer = _closer(sheet, sighted, first)
    if closer is not None:
        sighted, joints = closer[0], [closer[1]]
        first = _JointSolves(sheet, joints, unaided)
    allowed = allowed_for(
        first.solved,
        sighted[0].prior,
        sighted[0].size,
        without_file=sighted[0].without_file,
        solved_flat=lambda prior, found: _flat_solution(sheet, _way(joints, found), prior, unaided),
    )
    solution = allowed.solution
    accepted, contradicted = accepted_constraints(sheet, solution, constraints)
    if accepted != unaided:
        solution = _joint_solution(sheet, joints, allowed.prior, accepted)
    joint = _way(joints, solution)
    warnings += [*allowed.notes, *contradicted, *joint.notes, *unended_warnings(solution)]
    warnings += _alike_and_moved(solution, turned_sheet)
    second_sheets = second_sheet_warnings(sighted)
    check_sane(sheet, solution, [item.photo.name for item in sighted], allowed.prior)
    warnings += [*lost_corner_warnings(sheet, solution, sighted), *second_sheets]
    photos = tuple(replace(item, mirrors=mirrors) for item, mirrors in zip(sighted, joint.mirrors, strict=True))
    return Adjustment(sheet, photos, solution, tuple(warnings))


def _alike_and_moved(solution: Solution, turned_sheet: bool) -> list[str]:
    """What is to be said of corners that are off together, and of a sheet that was moved."""
    warnings = []
    if solution.spatial_correlation > HIGH_CORRELATION and max(solution.sigma0) > HIGH_SIGMA0:
        warnings.append(
            "Whole parts of the sheet are off together, by more than a sheet that bows a little and an ordinary "
            "lens explain. The intervals are wider for it. Lay the sheet flat, and use the phone's main lens: no "
            "panorama, no ultra-wide, nothing edited."
        )
    if turned_sheet:
        warnings.append(
            "The sheet was turned between the photos: lean is against the floor that it lay on each time, turn "
            "against the sheet as it lies in the first photo."
        )
    elif solution.state.layout.moved_sheet:
        warnings.append(
            "The sheet was moved between the photos while the camera stood still: lean and turn are given "
            "relative to the sheet as it lies in the first photo."
        )
    return warnings


class _JointSolves:
    """The joint solve under priors of the camera, remembered: the first is asked for twice."""

    def __init__(self, sheet: Sheet, joints: Sequence[JointViews], constraints: UserConstraints) -> None:
        self.sheet, self.joints, self.constraints = sheet, joints, constraints
        self.known: list[tuple[CameraPrior, Solution]] = []

    def solved(self, prior: CameraPrior) -> Solution:
        """The solution under a prior."""
        for known, solution in self.known:
            if known is prior:
                return solution
        solution = _joint_solution(self.sheet, self.joints, prior, self.constraints)
        self.known.append((prior, solution))
        return solution


def _closer(
    sheet: Sheet, sighted: Sequence[Sighted], first: _JointSolves
) -> tuple[list[Sighted], JointViews] | None:
    """The photos matched again as their sheet and mirrors were first solved; None where all are planes.

    Whether a picture was stretched is asked after that only: what a plane's windows make of curled paper looks so.
    """
    try:
        solution = first.solved(sighted[0].prior)
    except SolveError:  # asked again below, with what is to be said of it
        return None
    return matched_again(sheet, sighted, _way(first.joints, solution), solution)


def _joint_solution(
    sheet: Sheet, joints: Sequence[JointViews], prior: CameraPrior, constraints: UserConstraints
) -> Solution:
    """The joint solve; where the sheet may have been moved or not, the way that fits better by far.

    Raises
    ------
    SolveError
        The photos disagree, and that the sheet alone was moved does not explain it.
    """
    best: Solution | None = None
    for joint in joints:
        try:
            solution = solve(sheet, joint.views, prior, constraints, moved=joint.moved, hint=joint.hint)
        except SolveError:
            if joint.hint is None or joint.moved.camera:
                raise
            # What the photos alone said misled the descent: begin everywhere.
            solution = solve(sheet, joint.views, prior, constraints, moved=joint.moved)
        if best is None or solution.rms_px() < best.rms_px() / MOVED_SHEET_RATIO:
            best = solution
    assert best is not None  # joint_views returns at least one way or raises
    hint = joints[0].hint
    if hint is None:
        return best
    if best.rms_px() > HINT_MISLEADS_RATIO * hint.rms_px and not best.state.layout.moved_camera:
        best = _joint_solution(sheet, [replace(joint, hint=None) for joint in joints], prior, constraints)
    otherwise = _way(joints, best).otherwise
    if otherwise is not None and best.rms_px() > MOVED_SHEET_MISFIT * hint.rms_px:
        raise otherwise
    return best


def _flat_solution(sheet: Sheet, joint: JointViews, prior: CameraPrior, constraints: UserConstraints) -> Solution:
    """One way's solve with mirrors taken for flat and the print for exact."""
    return solve(sheet, joint.views, prior, constraints, moved=joint.moved, hint=joint.hint, rigid=True)


def _way(joints: Sequence[JointViews], solution: Solution) -> JointViews:
    """The way of joining the views that a solution was found in."""
    layout = solution.state.layout
    return next(j for j in joints if (j.moved.sheet, j.moved.camera) == (layout.moved_sheet, layout.moved_camera))

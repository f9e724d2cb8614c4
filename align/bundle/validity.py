"""Answers that no sheet before a mirror can give, and pictures that are not whole."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from ..errors import ReflectionError, SolveError
from ..optics.camera_model import CameraPrior
from ..solve.elsewhere import misfit_of
from ..solve.forward_model import DIRECT
from ..solve.joint import Solution
from ..solve.standing import standing
from ..target.sheets import Sheet, corners_target
from .photo_set import Sighted
from .picture import ORIGINAL
from .thresholds import (
    BEHIND_MM,
    ELSEWHERE_CURVATURE_PER_MM,
    ELSEWHERE_FLAT_RATIO,
    ELSEWHERE_GAIN,
    ELSEWHERE_RATIO,
    ELSEWHERE_SHARE,
    FOREIGN_REFLECTION_RATIO,
    LEFT_TO_GO,
    MAX_RMS_PX,
    MOST_LOST_SHARE,
    PANORAMA_SHAPE,
    PART_SHARE,
)


def no_reflection(item: Sighted) -> ReflectionError:
    """The sheet without its reflection: what is plainly amiss, else what a good photo shows."""
    found = f"The sheet was found in {item.photo.name}, but no reflection of it"
    if item.sighting.complaint is not None:
        what, remedy = item.sighting.complaint
        return ReflectionError(f"{found}: {what}.", remedy)
    whole = item.crop in ("whole", "middle")
    return ReflectionError(
        f"{found}.",
        "Stand so that you see the whole sheet in the mirror too, keep both sharp, and take the photo "
        "from 30 to 45 degrees above the floor."
        + ("" if whole else " Send the original photo, not a screenshot or a part of it."),
    )


def shape_warnings(sighted: Sequence[Sighted]) -> list[str]:
    """Pictures of a shape that no phone takes: the corners of one photo hardly tell a crop from a stretch.

    One photo tells the ratio of a pixel's sides to 0.5 to 4 % (1 sd; docs/theory.md).
    """
    return [
        f"{item.photo.name} has a shape that no phone takes ({item.size[0]} x {item.size[1]} px). A part may have "
        "been cut off, or the picture stretched: both are allowed for, and the intervals are wider for it. "
        + ("If it is a panorama, the answer is wrong. " if max(item.size) > PANORAMA_SHAPE * min(item.size) else "")
        + "Send the phone's original."
        for item in sighted
        if item.crop == "part"
    ]


def check_sane(sheet: Sheet, solution: Solution, names: Sequence[str], prior: CameraPrior) -> None:
    """Refuse answers that no mirror before a viewer can give.

    prior : the camera's, with which the solution was found
    """
    rms = [solution.rms_px(photo) for photo in range(len(names))]
    worst = max(range(len(names)), key=lambda photo: rms[photo])
    if rms[worst] > MAX_RMS_PX:
        most = ", the most of all photos" if sum(px > MAX_RMS_PX for px in rms) > 1 else ""
        raise SolveError(
            f"{names[worst]}: the corners fit no flat sheet before a flat mirror "
            f"(they are off by {rms[worst]:.1f} px{most}).",
            "Lay the sheet flat, tape it down, hold the phone still, and take the photo again; for "
            "several photos, do not move the sheet between them.",
        )
    direct, reflected = solution.sigma0
    if reflected > FOREIGN_REFLECTION_RATIO * max(direct, 1.0):
        raise SolveError(
            f"{names[worst]}: the sheet's own corners fit well, but no flat mirror shows that sheet where the "
            "reflection is: it seems to be another sheet's.",
            "Leave one sheet in view, with its own reflection, or straighten a mirror that is bent by millimetres.",
        )
    for photo, name in enumerate(names):
        if _shows_another_sheet(sheet, solution, prior, photo):
            raise SolveError(
                f"{name}: the reflection stands beside where a flat mirror shows that sheet. It is another "
                "sheet's, or a part of the picture was shifted against the other (stitched, or a panorama?).",
                f"Leave one sheet in view, with its own reflection. {ORIGINAL}",
            )
    for view in solution.views:
        if view.mirror == DIRECT:
            continue
        found = standing(solution.state, view.photo, view.mirror, corners_target(sheet))
        if not found.feasible(BEHIND_MM):
            raise SolveError(
                f"{names[view.photo]}: the camera or the sheet would stand behind the mirror; the photo seems "
                "to be mirrored.",
                "Turn off the phone's mirrored selfie setting, or use its rear camera.",
            )


def _shows_another_sheet(sheet: Sheet, solution: Solution, prior: CameraPrior, photo: int) -> bool:
    """Whether a sheet that lies elsewhere explains a photo's reflections, and a mirror that bends does not."""
    mirrors = {view.mirror for view in solution.views if view.photo == photo} - {DIRECT}
    if solution.shape is None or not mirrors or (photo > 0 and solution.state.layout.moved_sheet):
        return False
    if max(solution.shape.curvatures[mirror] for mirror in mirrors) < ELSEWHERE_CURVATURE_PER_MM:
        return False
    misfit = misfit_of(sheet, solution, prior, photo)
    if misfit.elsewhere < misfit.solved and misfit.flat - misfit.elsewhere > ELSEWHERE_GAIN:
        return True
    return (
        misfit.flat > ELSEWHERE_FLAT_RATIO * misfit.solved
        and misfit.elsewhere < ELSEWHERE_RATIO * misfit.solved
        and misfit.explained > ELSEWHERE_SHARE
    )


def unended_warnings(solution: Solution) -> list[str]:
    """That the solve stopped beside its minimum, where that is worth a word."""
    if solution.to_go <= LEFT_TO_GO:
        return []
    return [
        "The solve stopped before its end: these corners hardly tell one answer from its neighbours. What it still "
        "had to go is inside the intervals. Take the photo from 30 to 45 degrees above the floor, with the whole "
        "sheet and its reflection in it, or give two or three photos."
    ]


def lost_corner_warnings(sheet: Sheet, solution: Solution, sighted: Sequence[Sighted]) -> list[str]:
    """Photos of which the solve leaves many of the sheet's own corners out, and on which part of it."""
    warnings = []
    for view in solution.views:
        if view.mirror != DIRECT:
            continue
        seen = sighted[view.photo].sighting.target.corner_ids
        kept = set(view.corner_ids.tolist())
        lost = np.array([corner for corner in seen.tolist() if corner not in kept], np.int64)
        if len(lost) > MOST_LOST_SHARE * len(seen):
            warnings.append(
                f"{len(lost)} of the sheet's {len(seen)} corners in {sighted[view.photo].photo.name} fit no flat "
                f"sheet and are left out, most of them {_part_of(sheet, lost)}. Does it curl up there? Tape it "
                "down and take the photo again."
            )
    return warnings


def _part_of(sheet: Sheet, corners: NDArray[np.int64]) -> str:
    """Where on the sheet some corners are, as the user looks at it."""
    points = corners_target(sheet)
    middle, span = points.mean(axis=0), np.ptp(points, axis=0)
    x, y, _ = (points[corners].mean(axis=0) - middle) / np.where(span > 0, span, 1.0)
    across = "left" if x < -PART_SHARE else "right" if x > PART_SHARE else ""
    along = "far" if y > PART_SHARE else "near" if y < -PART_SHARE else ""
    if across and along:
        return f"at its {along} {across} corner"
    return f"along its {across or along} edge" if across or along else "all over it"


def second_sheet_warnings(sighted: Sequence[Sighted]) -> list[str]:
    """Photos with another direct view of a sheet of the same kind, which no mirror explains.

    Raises
    ------
    SolveError
        Such a photo shows one reflection: whose, cannot be told. (Of several mirrors it may be an image by way of
        two of them, at a place that they do not quite explain.)
    """
    warnings = []
    for item in sighted:
        if not any(other.kind == "unexplained" for other in item.sighting.inter_reflections):
            continue
        seems = f"{item.photo.name} seems to show two sheets of one kind ({item.sighting.sheet.name})"
        if len(item.sighting.reflections) == 1:
            raise SolveError(
                f"{seems}, and the reflection may be of either.", "Cover or remove one, and photograph again."
            )
        warnings.append(
            f"{seems}: the reflection of one may have been taken for the other's, and then the answer is wrong. "
            "Cover or remove one, and photograph again."
        )
    return warnings

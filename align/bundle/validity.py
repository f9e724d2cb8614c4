"""Answers that no sheet before a mirror can give, and pictures that are not whole."""

from __future__ import annotations

from collections.abc import Sequence

from ..errors import ReflectionError, SolveError
from ..solve.forward_model import DIRECT
from ..solve.joint import Solution
from ..solve.standing import standing
from ..target.sheets import Sheet, corners_target
from .photo_set import Sighted
from .thresholds import BEHIND_MM, MAX_RMS_PX, PANORAMA_SHAPE


def no_reflection(item: Sighted) -> ReflectionError:
    """The sheet without its reflection: what is plainly amiss, else what a good photo shows."""
    found = f"The target was found in {item.photo.name}, but no reflection of it"
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


def check_sane(sheet: Sheet, solution: Solution, names: Sequence[str]) -> None:
    """Refuse answers that no mirror before a viewer can give."""
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

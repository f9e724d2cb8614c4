"""Answers that no sheet before a mirror can give, and pictures that are not whole."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from ..errors import ReflectionError, SolveError
from ..solve.joint import Solution
from ..target.sheets import Sheet, corners_target
from .glass import SYSTEMATIC_ERRORS_SIGMA0
from .photo_set import Sighted

#: Chi-square of 2 degrees above which a picture counts as stretched or sheared: by chance in 1 of 400. On 38
#: rendered photos it was below 3.5 but for two (6.7 and 10.1).
MAX_RESHAPE_SCORE = 12.0
#: Above this reprojection error the model itself is wrong [px].
MAX_RMS_PX = 2.5
#: A picture longer than this, long side to short, is longer than any screen and may be a panorama; a choice.
PANORAMA_SHAPE = 2.3
#: The contact edge may seem to stand this far behind the glass before the answer is refused [mm].
BEHIND_MM = 15.0


def no_reflection(item: Sighted) -> ReflectionError:
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


def seems_reshaped(solution: Solution) -> bool:
    """Whether the corners would fit a stretched or sheared picture far better, beyond what repeating errors feign.

    On four real photos of a bent board, whose corners scatter 5 to 8 times what their grain explains, the
    statistic was 7 to 27.
    """
    systematic = max(max(solution.sigma0) / SYSTEMATIC_ERRORS_SIGMA0, 1.0)
    return solution.reshape_score > MAX_RESHAPE_SCORE * systematic**2


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
    for mirror in solution.mirrors():
        for photo in range(len(names)):
            placed_rotation, placed = solution.state.scene_from_sheet(photo)
            middle = placed_rotation @ corners_target(sheet).mean(axis=0) + placed
            before = mirror.height_before(np.stack([solution.state.eye(photo), placed, middle]))
            if before[0] <= 0 or before[1] < -BEHIND_MM or before[2] <= 0:
                raise SolveError(
                    f"{names[photo]}: the camera or the sheet would stand behind the mirror; the photo seems "
                    "to be mirrored.",
                    "Turn off the phone's mirrored selfie setting, or use its rear camera.",
                )

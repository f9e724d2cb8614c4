"""What the user says of the glass and of the sheet's contact, held against what the photos say.

A statement narrows the answer when it is true and spoils it when it is false, so the photos are solved
without it first.
"""

from __future__ import annotations

import math
from dataclasses import replace

from ..errors import SolveError
from ..solve.joint import Solution
from ..solve.problem import CONTACT_SD_MM, STATED_GLASS_SD_MM, UserConstraints
from ..target.sheets import Sheet
from .thresholds import CONTRADICTION_SIGMAS


def accepted_constraints(
    sheet: Sheet, unaided: Solution, constraints: UserConstraints
) -> tuple[UserConstraints, list[str]]:
    """The knowledge that the photos bear out, and warnings about what they contradict.

    Parameters
    ----------
    unaided : the solution without any statement.

    Raises
    ------
    SolveError
        The sheet is said to touch the glass and plainly does not, or which glass cannot be told.
    """
    warnings: list[str] = []
    if constraints.touching and unaided.mirror_count:
        contacts, warnings = _contacts(sheet, unaided, constraints)
        constraints = replace(constraints, mirrors=contacts)
    if constraints.glass_mm is not None and unaided.mirror_count:
        stated = constraints.glass_mm
        for mirror in unaided.mirrors():
            measured = mirror.thickness_mm
            uncertainty = math.hypot(mirror.sd("thickness_mm"), STATED_GLASS_SD_MM)
            if abs(measured - stated) > CONTRADICTION_SIGMAS * uncertainty:
                said = "a front-coated mirror" if stated == 0 else f"{stated:g} mm glass"
                warnings.append(
                    f"The photo does not fit {said}: the corners say {measured:.1f} mm, give or take "
                    f"{2 * uncertainty:.1f} mm. What was said of the glass is left out of the answer."
                )
                return replace(constraints, glass_mm=None), warnings
    return constraints, warnings


def _contacts(sheet: Sheet, unaided: Solution, constraints: UserConstraints) -> tuple[tuple[int, ...], list[str]]:
    """The mirrors that the contact edge touches, as said or as the photos alone tell, and a word where they do."""
    mirrors = unaided.mirror_count
    beyond = [mirror + 1 for mirror in constraints.mirrors if not 0 <= mirror < mirrors]
    if beyond:
        seen = "one mirror" if mirrors == 1 else f"{mirrors} mirrors"
        raise SolveError(
            f"The sheet was said to touch mirror {beyond[0]}, but {seen} could be seen.",
            "Count the mirrors that show the whole sheet, from 1 at the left.",
        )
    gaps = [_gap(sheet, unaided, mirror) for mirror in range(mirrors)]
    said = constraints.mirrors or ((0,) if mirrors == 1 else ())
    for mirror in said or (min(range(mirrors), key=lambda m: abs(gaps[m][0]) / gaps[m][1]),):
        gap, uncertainty = gaps[mirror]
        if abs(gap) > CONTRADICTION_SIGMAS * uncertainty:
            glass = "the glass" if mirrors == 1 else f"mirror {mirror + 1}" if said else "a mirror"
            which = "it" if said else f"the nearest, mirror {mirror + 1}"
            raise SolveError(
                f"The sheet was said to touch {glass}, but in the photo its contact edge stands {gap:.1f} mm "
                f"(give or take {2 * uncertainty:.1f} mm) from {which}.",
                "Leave --touching out, or cut the sheet on its contact edge and push it against the glass.",
            )
    if said:
        return said, []
    near = [
        mirror for mirror, (gap, uncertainty) in enumerate(gaps) if abs(gap) <= CONTRADICTION_SIGMAS * uncertainty
    ]
    if len(near) > 1:
        numbers = " and ".join(str(mirror + 1) for mirror in near)
        raise SolveError(
            f"The sheet was said to touch the glass, and it may be that of mirrors {numbers}: the photo alone "
            "does not tell.",
            "Say which, counted from the left: --touching-mirror 1; twice if it touches both.",
        )
    return (near[0],), [
        f"The sheet is taken to touch mirror {near[0] + 1}: its contact edge stands off the other glass."
    ]


def _gap(sheet: Sheet, unaided: Solution, mirror: int) -> tuple[float, float]:
    """How far the nearer end of the contact edge stands off a mirror, square to it, and that one's sd [mm]."""
    solved = unaided.mirror(mirror)
    half = sheet.width_mm / 2
    gap = solved.offset_mm - half * abs(math.sin(solved.turn_rad)) * math.cos(solved.lean_rad)
    return gap, math.hypot(solved.sd("offset_mm"), CONTACT_SD_MM)

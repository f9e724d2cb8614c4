"""What the user says of the glass and of the sheet's contact, held against what the photos say.

A statement narrows the answer when it is true and spoils it when it is false, so the photos are solved
without it first.
"""

from __future__ import annotations

import math
from dataclasses import replace

from .errors import SolveError
from .problem import CONTACT_SD_MM, STATED_GLASS_SD_MM, Knowledge
from .solve import Solution
from .target import Sheet

#: A statement this many standard deviations from what the photos say is not believed.
DISBELIEF_SIGMAS = 4.0


def borne_out(sheet: Sheet, unaided: Solution, knowledge: Knowledge) -> tuple[Knowledge, list[str]]:
    """The knowledge that the photos bear out, and warnings about what they contradict.

    Parameters
    ----------
    unaided : the solution without any statement.

    Raises
    ------
    SolveError
        The sheet is said to touch the glass and plainly does not.
    """
    warnings: list[str] = []
    if knowledge.touching:
        _check_contact(sheet, unaided)
    if knowledge.glass_mm is not None and unaided.state.layout.mirrors:
        stated = knowledge.glass_mm
        for mirror in range(unaided.state.layout.mirrors):
            measured = float(unaided.mirror_parameters(mirror)[3])
            doubt = math.hypot(math.sqrt(float(unaided.mirror_covariance(mirror)[3, 3])), STATED_GLASS_SD_MM)
            if abs(measured - stated) > DISBELIEF_SIGMAS * doubt:
                said = "a front-coated mirror" if stated == 0 else f"{stated:g} mm glass"
                warnings.append(
                    f"The photo does not fit {said}: the corners say {measured:.1f} mm, give or take "
                    f"{2 * doubt:.1f} mm. What was said of the glass is left out of the answer."
                )
                return replace(knowledge, glass_mm=None), warnings
    return knowledge, warnings


def _check_contact(sheet: Sheet, unaided: Solution) -> None:
    """Refuse a contact that is not there: the nearer end of the contact edge stands off the first mirror."""
    _, turn, distance, _ = (float(v) for v in unaided.mirror_parameters(0))
    gap = distance - sheet.width_mm / 2 * abs(math.tan(turn))
    doubt = math.hypot(math.sqrt(float(unaided.mirror_covariance(0)[2, 2])), CONTACT_SD_MM)
    if abs(gap) > DISBELIEF_SIGMAS * doubt:
        raise SolveError(
            f"The sheet was said to touch the glass, but in the photo its contact edge stands {gap:.1f} mm "
            f"(give or take {2 * doubt:.1f} mm) from it.",
            "Leave --touching out, or cut the sheet on its contact edge and push it against the glass.",
        )

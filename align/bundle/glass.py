"""What the sheet's corners alone say of a mirror's glass."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from ..optics.slab import THINNEST_GLASS_MM
from ..quantity import Quantity
from ..solve.joint import Solution, UserConstraints
from .thresholds import IMPOSSIBLE_HALVES, SYSTEMATIC_ERRORS_SIGMA0, THICKNESS_WORTH_MM


def thickness_summary(solution: Solution, mirror: int) -> GlassSummary:
    """What the sheet's corners alone say of a mirror's glass."""
    if solution.constraints.glass_mm is None and max(solution.sigma0) > SYSTEMATIC_ERRORS_SIGMA0:
        return GlassSummary("undetermined", None)
    solved = solution.mirror(mirror)
    return _glass(solved.thickness_mm, solution.quantile * solved.sd("thickness_mm"), solution.constraints)


def _glass(thickness: float, half: float, constraints: UserConstraints) -> GlassSummary:
    if constraints.glass_mm is not None:
        stated = constraints.glass_mm
        if stated == 0:
            return GlassSummary("front-coated", Quantity(0.0, 0.0, 0.0), "stated")
        return GlassSummary("back-silvered", Quantity(thickness, thickness - half, thickness + half), "stated")
    if thickness + IMPOSSIBLE_HALVES * half < 0:  # there is no such glass: something else is amiss
        return GlassSummary("undetermined", None)
    low, high = max(thickness - half, 0.0), max(thickness + half, 0.0)
    known = Quantity(max(thickness, 0.0), low, high) if half < THICKNESS_WORTH_MM else None
    if low > THINNEST_GLASS_MM:
        return GlassSummary("back-silvered", known)
    if high < THINNEST_GLASS_MM:
        return GlassSummary("front-coated", known)
    return GlassSummary("undetermined", known)


@dataclass(frozen=True)
class GlassSummary:
    """The glass: verdict "front-coated", "back-silvered" or "undetermined"; thickness where known [mm].

    source : "measured" from the corners, or "stated" by the user.
    """

    verdict: str
    thickness_mm: Quantity | None
    source: str = "measured"

    def to_json(self) -> dict[str, Any]:
        """The contract's glass object."""
        thickness = None if self.thickness_mm is None else self.thickness_mm.to_json()
        return {"verdict": self.verdict, "thickness_mm": thickness, "source": self.source}

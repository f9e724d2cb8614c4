"""Which glass to buy: thick enough to stay flat at its size, thin enough that lamps do not double."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from .lamp_ghosts import LampGhosts
from .scene import Mirror
from .stiffness import sheet_slope, thinnest_flat_mm
from .thresholds import EYE_RESOLVES, LEAST_COATED_MM, MOST_SLOPE, USUAL_GLASS_MM

#: The thickest glass that mirrors are commonly sold in [mm] (EN 1036-1); larger sheets need a board behind them.
_THICKEST_MM = 6.0


@dataclass(frozen=True, eq=False)
class GlassAdvice:
    """Which glass to buy and why.

    glass_mm : before the silvering, 0 = front-coated; pane_mm : thickness of the pane, whichever side is coated
    flat_mm : the thinnest that stays flat at the mirror's size; None: none of the common ones
    """

    glass_mm: float
    pane_mm: float
    flat_mm: float | None
    reasons: tuple[str, ...]


def glass_advice(ghosts: Sequence[LampGhosts], mirror: Mirror) -> GlassAdvice:
    """Of the glasses that stay flat the thickest whose ghosts no eye tells apart; else the thickest whose ghosts
    never leave the lamp's own disc; else front-coated.

    Parameters
    ----------
    ghosts : the mirror's table (`lamp_ghosts`)
    """
    flat = thinnest_flat_mm(mirror.width_mm, mirror.height_mm, mirror.lean)
    least = _THICKEST_MM if flat is None else flat
    size = _size_reasons(mirror, flat)
    by_glass: dict[float, list[LampGhosts]] = {}
    for row in ghosts:
        if row.seen_share > 0:
            by_glass.setdefault(row.glass_mm, []).append(row)
    worst = {glass: max(row.separation_max for row in rows) for glass, rows in by_glass.items() if glass > 0}
    if not worst:
        best = max(USUAL_GLASS_MM, least)
        words = (
            "No viewer meets a lamp in the mirror, so ghosts do not decide.",
            f"{best:g} mm back-silvered glass stays flat, is cheap and can be cleaned; hide its seam with the "
            "mask.",
        )
        return GlassAdvice(best, best, flat, words + size)
    unseen = [glass for glass, angle in worst.items() if angle <= EYE_RESOLVES and glass >= least]
    rims = [g for g in worst if g >= least and all(row.doubled_share == 0 for row in by_glass[g])]
    if unseen:
        best = max(unseen)
        return GlassAdvice(best, best, flat, _unseen_reasons(best, worst) + size)
    if rims:
        best = max(rims)
        return GlassAdvice(best, best, flat, _rim_reasons(best, min(rims), by_glass, worst) + size)
    pane = max(LEAST_COATED_MM, least)
    thinnest = min((glass for glass in worst if glass >= least), default=max(worst))
    return GlassAdvice(0.0, pane, flat, _front_coated_reasons(thinnest, by_glass, worst) + size)


def _size_reasons(mirror: Mirror, flat: float | None) -> tuple[str, ...]:
    """What the size says, where it says anything: that thinner glass would bend."""
    size = f"{mirror.width_mm:g} × {mirror.height_mm:g} mm"
    if flat is None:
        slope = math.degrees(sheet_slope(mirror.width_mm, mirror.height_mm, _THICKEST_MM, mirror.lean))
        return (
            f"At {size} even {_THICKEST_MM:g} mm glass, held by its edges, may bend by {slope:.2f}° under its own "
            "weight and its clips: have the glazier back it with a flat, stiff board.",
        )
    thinner = flat - 1.0
    if thinner < 2.0:
        return ()
    slope = math.degrees(sheet_slope(mirror.width_mm, mirror.height_mm, thinner, mirror.lean))
    return (
        f"Not thinner than {flat:g} mm: at {size}, {thinner:g} mm glass may bend by {slope:.2f}° under its own "
        f"weight and its clips ({math.degrees(MOST_SLOPE):g}° is what is still flat).",
    )


def _unseen_reasons(best: float, worst: dict[float, float]) -> tuple[str, ...]:
    return (
        f"With {best:g} mm back-silvered glass every ghost stays within {_arcmin(worst[best]):.1f}′ of its lamp; "
        f"the eye resolves {_arcmin(EYE_RESOLVES):.0f}′.",
        "Of such glasses the thickest stays flattest and is the safest to handle.",
    )


def _rim_reasons(
    best: float, thinnest: float, by_glass: dict[float, list[LampGhosts]], worst: dict[float, float]
) -> tuple[str, ...]:
    ratio = max(row.front_ratio for row in by_glass[best])
    words = [
        f"Up to {best:g} mm no ghost stands clear of its lamp: it shows as a faint rim, at most {ratio:.0%} as "
        "bright as the lamp, not as a second lamp.",
    ]
    if thinnest < best:
        words.append(
            f"{thinnest:g} mm narrows the rim to {_arcmin(worst[thinnest]):.1f}′ (from {_arcmin(worst[best]):.1f}′)"
            " and the seam in proportion, but bends more easily."
        )
    words.append(
        "Only a front-coated mirror has neither rim nor seam; its coating scratches, so it must hang out of reach "
        "and be dusted with air only."
    )
    return tuple(words)


def _front_coated_reasons(
    thinnest: float, by_glass: dict[float, list[LampGhosts]], worst: dict[float, float]
) -> tuple[str, ...]:
    doubled = [row for row in by_glass[thinnest] if row.doubled_share > 0] or by_glass[thinnest]
    ratio = max(row.front_ratio for row in doubled)
    names = ", ".join(row.lamp for row in doubled)
    return (
        f"Even {thinnest:g} mm back-silvered glass doubles a lamp ({names}): a ghost up to "
        f"{_arcmin(worst[thinnest]):.1f}′ away, at most {ratio:.0%} as bright; the eye resolves "
        f"{_arcmin(EYE_RESOLVES):.0f}′.",
        "A front-coated mirror has no ghosts and no seam, but its coating scratches: hang it out of reach, and "
        "dust it with air only.",
        f"To stay with back-silvered glass, take {thinnest:g} mm, and shade, dim or move those lamps until no "
        "viewer meets them in the mirror.",
    )


def _arcmin(angle: float) -> float:
    return math.degrees(angle) * 60.0

"""The verdict on the glass from the lamps' fit: what the photo bears out, else why not and a better photo."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from ..optics.slab import THINNEST_GLASS_MM
from . import thresholds as limits
from .crescent import Crescent, better_photos
from .likelihood import GlassFit, LampFit

Verdict = Literal["front-coated", "back-silvered", "undetermined"]
ALONE = "Show one lamp alone, before a dark background."


@dataclass(frozen=True)
class Judgement:
    """verdict; reason : in a sentence or two; better_photo : what to take, or ""."""

    verdict: Verdict
    reason: str
    better_photo: str = ""


def judge(fit: GlassFit, crescents: Sequence[Crescent], *, paired: bool, lamps_too: bool = False) -> Judgement:
    """What the lamps say.

    Parameters
    ----------
    crescents : what each lamp could show
    paired : every lamp was seen directly too, so that each is known to be a reflection, and its place
    lamps_too : the lamps themselves are flanked as their reflections are
    """
    strong = fit.evidence > limits.SURE and fit.both_sides > limits.SURE_OF_BOTH and fit.low_mm > THINNEST_GLASS_MM
    if strong:
        return _flanked(fit, lamps_too)
    if fit.against > limits.SURE_BARE:
        return _bare(fit, crescents, paired)
    return Judgement("undetermined", *_weak(fit, crescents))


def _flanked(fit: GlassFit, lamps_too: bool) -> Judgement:
    """Something flanks the lamps: whether it is glass."""
    if lamps_too:
        return Judgement(
            "undetermined",
            "The lamps seen directly are drawn out just as their reflections are: that is no glass.",
            "Rest the phone on something firm, wipe its lens, and take the photo again.",
        )
    if _contradicted(fit.lamps):
        return Judgement(
            "undetermined",
            "Some lamps' reflections are flanked as by glass, but at least as many plainly are not.",
            ALONE,
        )
    if not _bright_as_glass(fit):
        return Judgement(
            "undetermined", "Something flanks the lamps, but it is not as bright as ghosts are.", ALONE
        )
    speaking = sum(lamp.evidence > limits.SPEAKS for lamp in fit.lamps)
    which = "The lamp's reflection is" if len(fit.lamps) == 1 else "The lamps' reflections are"
    words = f"{which} flanked by ghosts on both sides, where glass puts them"
    if len(fit.lamps) > 1:
        words += f": {_count(speaking, len(fit.lamps))}"
    return Judgement("back-silvered", words + ".")


def _bare(fit: GlassFit, crescents: Sequence[Crescent], paired: bool) -> Judgement:
    """No ghosts fit better than any glass: whether they would have been seen."""
    telling = sum(crescent.tells for crescent in crescents)
    ghosts = [lamp.patch.lamp.may_be_ghost for lamp in fit.lamps]
    free = max(
        (c.free_px(limits.LEAST_GLASS_MM) for c, ghost in zip(crescents, ghosts, strict=True) if not ghost),
        default=0.0,
    )
    doubtful = sum(max(lamp.against, 0.0) for lamp, ghost in zip(fit.lamps, ghosts, strict=True) if ghost)
    if not paired:
        return Judgement(
            "undetermined",
            "No ghosts were seen, but no lamp is seen directly as well: the bright spots may be no reflections.",
            "Show the lamps themselves and their reflections in one photo.",
        )
    denied = [lamp for lamp in fit.lamps if lamp.against < -limits.SPEAKS]
    if any(ghosts) and fit.against - doubtful <= limits.SURE_BARE:
        return Judgement(
            "undetermined",
            "No ghosts were seen, but what was taken for a reflection may be a ghost of a brighter spot beside it.",
            ALONE,
        )
    if free < limits.LEAST_CRESCENT_PX or 2 * len(denied) >= len(fit.lamps):
        return Judgement("undetermined", *_weak(fit, crescents))
    reason = "No ghosts beside the lamps' reflections."
    reason += f" A ghost would have been seen {_count(telling, len(crescents))}"
    if fit.limit_share is not None:
        reason += f", down to {100 * fit.limit_share:.1f} % of the lamp's light (2 mm glass has 4 to 6 %)"
    return Judgement("front-coated", reason + ".")


def _count(some: int, every: int) -> str:
    """At how many of the lamps."""
    if every == 1:
        return "at the one lamp" if some else "at no lamp"
    if some == every:
        return f"at all {every} lamps"
    return f"at {some} of {every} lamps"


def _bright_as_glass(fit: GlassFit) -> bool:
    """Whether the ghosts are, on the average of the lamps that speak, about as bright as Fresnel has them."""
    speaking = [lamp for lamp in fit.lamps if lamp.evidence > limits.SPEAKS] or list(fit.lamps)
    for side in (0, 1):
        values = [lamp.factors[side][0] for lamp in speaking]
        if not limits.FEWEST < sum(values) / len(values) < limits.MOST:
            return False
    return True


def _contradicted(lamps: Sequence[LampFit]) -> bool:
    """Whether as many lamps deny ghosts as show them: a mirror has the same glass for all of them.

    A few may lack them: a window or a glossy ball is taken for a lamp now and then, whose edges are soft.
    """
    lacking = [
        lamp.evidence < -limits.SPEAKS
        or all(value + limits.LACKING_SD * sd < limits.FEWEST for value, sd in lamp.factors)
        for lamp in lamps
    ]
    for_it = sum(lamp.evidence > limits.SPEAKS and not lack for lamp, lack in zip(lamps, lacking, strict=True))
    return sum(lacking) >= max(for_it, 1)


def _weak(fit: GlassFit, crescents: Sequence[Crescent]) -> tuple[str, str]:
    """Why the fit cannot tell, and which photo would."""
    telling = sum(crescent.tells for crescent in crescents)
    better = " Or: ".join(better_photos(crescents)) or ALONE
    if all(c.ghost_light <= limits.GHOST_OVER_NOISE * c.noise for c in crescents):
        return "The lamps are too dark in the photo for ghosts of 4 % to show.", better
    if telling:
        return (
            f"A ghost should have been seen {_count(telling, len(crescents))}, but what is seen there is neither "
            "glass nor none: something else is beside the reflections, or behind them.",
            ALONE,
        )
    hidden = "it would hide in its lamp's own glow, and stick out by less than half a pixel."
    if len(crescents) == 1:
        return f"A ghost of thin glass would not have been seen: {hidden}", better
    return f"A ghost of thin glass would have been seen at none of the lamps: {hidden}", better

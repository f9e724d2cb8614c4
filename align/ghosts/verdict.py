"""The verdict on the glass from the lamps' fit: what the photo bears out, else why not and a better photo."""

from __future__ import annotations

from dataclasses import dataclass

from .likelihood import GlassFit

#: By this much (chi-square) the answer's own explanation must beat the other one: five sd.
SURE = 25.0
#: And ghosts on both sides a ghost on one side only: three sd.
SURE_OF_BOTH = 9.0
#: No mirror has thinner glass [mm].
THIN_MM = 0.8
#: A thickness is worth saying when the half-width of its interval is below this [mm].
WORTH_MM = 1.5
#: Ghosts' brightness relative to Fresnel that glass can have; polarised light moves it about 1.
FEWEST, MOST = 0.4, 2.0
#: A lamp lacks ghosts where they are fainter than that by so many standard deviations.
LACKING_SD = 3.0


@dataclass(frozen=True)
class Judgement:
    """verdict : as in results.GlassSummary; reason : in a sentence; better_photo : what to take, or ""."""

    verdict: str
    reason: str
    better_photo: str = ""


def judge(fit: GlassFit, paired: bool, lamps_too: bool = False) -> Judgement:
    """What the lamps say.

    Parameters
    ----------
    paired : every lamp was seen directly too, so that each is known to be a reflection, and its place
    lamps_too : the lamps themselves are flanked as their reflections are
    """
    strong = fit.evidence > SURE and fit.both_sides > SURE_OF_BOTH and fit.low_mm > THIN_MM
    if strong and lamps_too:
        return Judgement(
            "undetermined",
            "The lamps seen directly are drawn out just as their reflections are: that is no glass.",
            "Rest the phone on something firm, wipe its lens, and take the photo again.",
        )
    if strong and _contradicted(fit):
        return Judgement(
            "undetermined",
            "Some lamps' reflections are flanked as by glass, but at least as many plainly are not.",
            "Show one lamp alone, before a dark background.",
        )
    if strong and _bright_as_glass(fit):
        which = "The lamp's reflection is" if len(fit.lamps) == 1 else "The lamps' reflections are"
        return Judgement("back-silvered", f"{which} flanked by ghosts on both sides, where glass puts them.")
    if strong:
        return Judgement(
            "undetermined",
            "Something flanks the lamps, but it is not as bright as ghosts are.",
            "Show one lamp alone, before a dark background.",
        )
    if fit.against > SURE and paired:
        reason = "No ghosts beside the lamps' reflections."
        if fit.limit_share is not None:
            reason += f" A ghost of {100 * fit.limit_share:.1f} % would have been seen."
        return Judgement("front-coated", reason)
    if fit.against > SURE:
        return Judgement(
            "undetermined",
            "No ghosts were seen, but no lamp is seen directly as well: the bright spots may be no reflections.",
            "Show the lamps themselves and their reflections in one photo.",
        )
    return Judgement("undetermined", *_weak(fit))


def _bright_as_glass(fit: GlassFit) -> bool:
    """Whether the ghosts are, on the average of the lamps, about as bright as Fresnel has them."""
    for side in (0, 1):
        values = [lamp.factors[side][0] for lamp in fit.lamps]
        if not FEWEST < sum(values) / len(values) < MOST:
            return False
    return True


def _contradicted(fit: GlassFit) -> bool:
    """Whether as many lamps lack ghosts on both sides as do not: a mirror has the same glass for all of them.

    A few may lack them: a window or a glossy ball is taken for a lamp now and then, whose edges are soft.
    """
    lacking = sum(all(value + LACKING_SD * sd < FEWEST for value, sd in lamp.factors) for lamp in fit.lamps)
    return 2 * lacking >= len(fit.lamps) > 1


def _weak(fit: GlassFit) -> tuple[str, str]:
    """Why the fit cannot tell, and which photo would."""
    saturated = all(lamp.patch.full.any() for lamp in fit.lamps)
    brightest = max(float(lamp.patch.light.max()) for lamp in fit.lamps)
    if not saturated and brightest < 0.3:
        return (
            "The lamps are too dark in the photo for ghosts of 4 % to show.",
            "Expose longer, so that the lamps are just white, in a dark room.",
        )
    return (
        "Ghosts would hide in the lamps' own glow or surroundings.",
        "Come closer and look at the mirror more steeply from the side, with the room dark and the lamps alone.",
    )

"""The mirror's weight, and the cautions that fit it; local rules and licensed trades come first."""

from __future__ import annotations

from dataclasses import dataclass

from ..planning.opening import GLASS_DENSITY, HOLDING
from ..planning.thresholds import HEAVY_KG, LONG_MM

#: Where the weight's number is from.
DENSITY_SOURCE = f"density of float glass {GLASS_DENSITY:g} kg/m³, EN 572-1"
#: A mirror whose glass is not known is taken to be this thick [mm]; common practice, no source.
ASSUMED_GLASS_MM = 4.0


@dataclass(frozen=True)
class Weight:
    """A bare mirror's weight [kg] and what it was worked out from [mm]."""

    kilograms: float
    width_mm: float
    height_mm: float
    glass_mm: float
    glass_assumed: bool


@dataclass(frozen=True)
class Caution:
    """One caution: what to heed, in a few words, and why or how."""

    heading: str
    words: str


def weight_of(mirror_size_mm: tuple[float, float], glass_mm: float | None) -> Weight:
    """A mirror's weight from its size and thickness; an unknown thickness is assumed, and said to be.

    Parameters
    ----------
    glass_mm : thickness of the whole pane; None or 0 where it is not known (a front-coated mirror's glass
        does not show in photos).
    """
    assumed = not glass_mm
    thickness = glass_mm or ASSUMED_GLASS_MM
    width, height = mirror_size_mm
    return Weight(width * height * thickness * 1e-9 * GLASS_DENSITY, width, height, thickness, assumed)


RULES_FIRST = Caution(
    "Rules and trades come first",
    "Local building, glazing and electrical rules decide, not this page. Where they ask for a "
    "licensed glazier or electrician, or where you are in doubt, have one do the work.",
)
HANDS = Caution(
    "Hands and eyes",
    "Cut-resistant gloves and eye protection when cutting, carrying or shimming the glass; "
    "raw edges cut, and chips fly. Have all edges ground.",
)
WITHIN_REACH = Caution(
    "Within reach of people",
    "A safety film or board glued all over the back holds the pieces if the glass breaks. Leave "
    "no edge or corner open to the touch.",
)
SUNLIGHT = Caution(
    "Sunlight",
    "Keep direct sun off the mirror: it throws the sun's heat and glare on to people and "
    "materials elsewhere, and warms one side of the glass. Cover it while the scene is open to a "
    "window, and look where the reflection falls at different times of day.",
)
MAINS_LAMPS = Caution(
    "Mains lamps",
    "Keep lamps away from the glass, its edges and the glue, and let their heat out. Wiring on "
    "mains voltage is an electrician's work; low-voltage lamps with a closed supply are safer.",
)
FRONT_COATING = Caution(
    "Front coating",
    "Nothing touches the face, gloves included: the coating is bare. Dust is blown off.",
)


def cautions_for(
    weight: Weight | None,
    *,
    within_reach: bool,
    sunlight: bool,
    mains_lamps: bool,
    front_coated: bool = False,
) -> tuple[Caution, ...]:
    """The cautions that fit an installation.

    Parameters
    ----------
    weight : None where the mirror's size is not known
    within_reach : people can touch the mirror or stand below it
    sunlight : sun can fall on the mirror; mains_lamps : lamps on mains voltage light the scene
    """
    asked = (
        (WITHIN_REACH, within_reach),
        (SUNLIGHT, sunlight),
        (MAINS_LAMPS, mains_lamps),
        (FRONT_COATING, front_coated),
    )
    return (RULES_FIRST, HANDS, _holding(weight), *(caution for caution, fits in asked if fits))


def _holding(weight: Weight | None) -> Caution:
    """Who sets the mirror, and what holds it: the same rule as in plans."""
    limits = f"{HEAVY_KG:g} kg or {LONG_MM / 1000:g} m"
    if weight is None:
        two = f"Above {limits} (common practice, no source), and wherever it hangs over people, two people set it. "
        return Caution("Holding it", f"{HOLDING} {two}Packing is no fixing.")
    if weight.kilograms > HEAVY_KG or max(weight.width_mm, weight.height_mm) > LONG_MM:
        two = f"Above {limits} (common practice, no source) two people set it. "
        return Caution("Two people, and more than glue", f"{two}{HOLDING} Packing is no fixing.")
    return Caution("Holding it", f"{HOLDING} Packing is no fixing.")

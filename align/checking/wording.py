"""A check's findings in plain words, for the text, the picture and the page. Words only: no computing."""

from __future__ import annotations

import math

from ..bundle.glass import GlassSummary
from ..drawing.thresholds import ANGLE_DECIMALS, LENGTH_DECIMALS
from ..drawing.wording import (
    KEEP,
    MM_PER_INCH,
    decimals_of,
    has_sign,
    length_words,
    number_text,
    plain_size,
    size_with_uncertainty,
    with_uncertainty,
)
from ..quantity import Quantity, scaled
from .flatness import Flatness
from .flatness_map import FlatnessMap
from .result import CheckResult, InterReflectionSummary, MirrorResult, Quality, Remainder, Shim
from .thresholds import MAP_WHOLE_SHARE

#: A street that bends by more than 45 degrees is not said to bend: it runs off [mm per 100 mm].
SIDEWAYS_MM_PER_100 = 100.0

VERDICT_WORDS = {
    "square": "true",
    "out of square": "out of true",
    "undetermined": "cannot tell yet",
}
CORNER_WORDS = {
    "top_left": "top left",
    "top_right": "top right",
    "bottom_left": "bottom left",
    "bottom_right": "bottom right",
}
#: The places that `align.shims` names, said to a builder who faces the mirror.
PLACE_WORDS = {
    **{key: f"behind the {words} corner" for key, words in CORNER_WORDS.items()},
    "front": "under the front edge of the foot",
    "rear": "under the rear edge of the foot",
    "behind_bottom_per_100_height": "behind the bottom edge",
    "behind_top_per_100_height": "behind the top edge",
    "behind_left_per_100_width": "behind the left edge",
    "behind_right_per_100_width": "behind the right edge",
}
PER_100_WORDS = {"height": "per 100 mm of height", "width": "per 100 mm of width"}


def turn_error(mirror: MirrorResult, want_turn_deg: float) -> Quantity:
    """The turn against the wanted one [deg]."""
    turn = mirror.turn_deg
    return Quantity(turn.value - want_turn_deg, turn.low - want_turn_deg, turn.high - want_turn_deg)


def lean_words(mirror: MirrorResult) -> str:
    """Which way it leans, as the viewer sees it, and by how much."""
    lean = mirror.lean_deg
    if not has_sign(lean):
        return f"none to be seen: {with_uncertainty(lean, '°', ANGLE_DECIMALS)}"
    size = size_with_uncertainty(lean, "°", ANGLE_DECIMALS)
    if lean.value > 0:
        return f"towards you (its top overhangs) by {size}"
    return f"away from you (its top is set back) by {size}"


def turn_words(mirror: MirrorResult, want_turn_deg: float) -> str:
    """Which edge is too near to the viewer, and by how much."""
    error = turn_error(mirror, want_turn_deg)
    size = size_with_uncertainty(error, "°", ANGLE_DECIMALS)
    if want_turn_deg == 0.0:
        if not has_sign(error):
            return f"none to be seen: {with_uncertainty(error, '°', ANGLE_DECIMALS)}"
        return f"its {'left' if error.value > 0 else 'right'} edge is nearer to you, by {size}"
    stands = f"{with_uncertainty(mirror.turn_deg, '°', ANGLE_DECIMALS)}, wanted {wanted_text(want_turn_deg)}"
    if not has_sign(error):
        return stands
    return f"{stands}: its {'left' if error.value > 0 else 'right'} edge is nearer than wanted, by {size}"


def lean_short(mirror: MirrorResult) -> str:
    """The lean in few words, for a picture."""
    lean = mirror.lean_deg
    if not has_sign(lean):
        return f"Lean {with_uncertainty(lean, '°', ANGLE_DECIMALS)}"
    way = "top overhangs" if lean.value > 0 else "top set back"
    return f"Lean {size_with_uncertainty(lean, '°', ANGLE_DECIMALS)}: {way}"


def turn_short(mirror: MirrorResult, want_turn_deg: float) -> str:
    """The turn in few words, for a picture."""
    error = turn_error(mirror, want_turn_deg)
    turn = with_uncertainty(mirror.turn_deg, "°", ANGLE_DECIMALS)
    side = f": {'left' if error.value > 0 else 'right'} edge nearer" if has_sign(error) else ""
    if want_turn_deg == 0.0:
        return f"Turn {size_with_uncertainty(error, '°', ANGLE_DECIMALS) if side else turn}{side}"
    return f"Turn {turn}, wanted {wanted_text(want_turn_deg)}{side}"


def wanted_text(want_turn_deg: float) -> str:
    """The wanted turn, as the user gave it."""
    return f"{want_turn_deg:g}°".replace("-", "−")


def stack_words(shim: Shim, units: str = "mm") -> str:
    """The stack of sheets: "1.0 + 0.1", "2 × 2.0 + 0.5", or "" for none."""
    counts = {sheet: shim.stack_mm.count(sheet) for sheet in dict.fromkeys(shim.stack_mm)}
    named = {sheet: f"{sheet / MM_PER_INCH:.3f}" if units == "in" else f"{float(sheet)}" for sheet in counts}
    return " + ".join(f"{n} × {named[sheet]}" if n > 1 else named[sheet] for sheet, n in counts.items())


def shim_size_words(shim: Shim, *, uncertainty: bool = False, units: str = "mm") -> str:
    """ "1.05 mm per 100 mm of height", rounded to its uncertainty, which is said as well when `uncertainty`."""
    thickness = shim.thickness_mm
    if units == "in" and shim.is_per_100:  # mm per 100 mm are tenths of an inch per 10 inches
        size = with_uncertainty(scaled(thickness, lambda mm: mm / 10), "in", LENGTH_DECIMALS + 1)
    else:
        size = length_words(thickness, units)
    if not uncertainty:
        size = size.partition(" ±")[0]
    for key, words in PER_100_WORDS.items():
        if shim.place.endswith(key):
            return f"{size} {words if units == 'mm' else words.replace('100 mm', '10 in')}"
    return size


def remaining_words(left: Remainder) -> str:
    """ "0.01° of lean and 0.00° of turn", which the stacks leave."""
    words = f"{number_text(abs(left.lean_deg.value), 2)}° of lean"
    if left.turn_deg is None:
        return words
    return f"{words} and {number_text(abs(left.turn_deg.value), 2)}° of turn"


def shim_is_needed(shim: Shim) -> bool:
    """Whether anything goes there."""
    return shim.is_needed


def _slope_words(mm_per_100: Quantity, units: str) -> str:
    """ "2.2 mm per 100 mm", or the same in inches."""
    if units == "in":
        return f"{number_text(abs(mm_per_100.value) / 10, 2)} in per 10 in"
    return f"{plain_size(mm_per_100)} mm per 100 mm"


def climb_words(mirror: MirrorResult, units: str = "mm") -> str:
    """What the lean does to the view: the reflection doubles the error."""
    climb = mirror.climb_mm_per_100
    if not has_sign(climb):
        return "the reflected street runs on level"
    way = "climbs" if climb.value > 0 else "dives"
    return f"the reflected street {way} {_slope_words(climb, units)}"


def bend_words(mirror: MirrorResult, units: str = "mm") -> str:
    """What the turn does to the view."""
    bend = mirror.bend_mm_per_100
    if not has_sign(bend):
        return "runs on straight"
    side = "left" if bend.value > 0 else "right"
    if abs(bend.value) > SIDEWAYS_MM_PER_100:
        return f"runs off to the {side}"
    return f"bends {_slope_words(bend, units)} to the {side}"


def glass_words(glass: GlassSummary, units: str = "mm") -> str:
    """Which glass, how thick, and how that is known."""
    thickness = "" if glass.thickness_mm is None else length_words(glass.thickness_mm, units, 1)
    if glass.source == "stated":
        words = glass.verdict if glass.verdict == "front-coated" else f"{glass.verdict}, {thickness} thick"
        return f"{words} (you named it)"
    if glass.verdict == "undetermined":
        return "front-coated or back-silvered: this cannot tell; --glass MM narrows the interval"
    if glass.verdict == "front-coated" or not thickness:
        return glass.verdict
    return f"back-silvered, {thickness} thick"


def flatness_words(flatness: Flatness, units: str = "mm") -> str:
    """Whether the part of the mirror that the photos show is flat, what a bend does to the view, and what to do."""
    left, right, bottom, top = flatness.part_mm
    sides = (right - left, top - bottom)
    size = f"{sides[0]:.0f} x {sides[1]:.0f} mm"
    if units == "in":
        size = f"{sides[0] / MM_PER_INCH:.1f} x {sides[1] / MM_PER_INCH:.1f} in"
    part = f"the {size} of it that the photo shows"
    sagitta = flatness.sagitta_across_mm if flatness.across_is_worst else flatness.sagitta_upright_mm
    where = "from side to side" if flatness.across_is_worst else "from top to bottom"
    bow = f"{_size_of(sagitta, units)} {where} over {part}"
    if flatness.verdict == "flat":
        most = max(abs(sagitta.low), abs(sagitta.high))
        # Rounded up: "less than" has to be true, and never less than nothing.
        size = f"{_up(most / MM_PER_INCH, 4)} in" if units == "in" else f"{_up(most, 3)} mm"
        return f"yes, bowed by less than {size} over {part}, whose lean and turn these are"
    if flatness.verdict == "undetermined":
        return f"this cannot tell: bowed by {bow}; another photo, with the sheet to one side, narrows it"
    out = "stands out" if sagitta.value > 0 else "is hollow"
    return (
        f"bent: its middle {out} by {bow}. The view at the edges of that part is off by "
        f"{with_uncertainty(flatness.edge_deg, '°', 2)} against its middle. Slacken the clip, back the mirror with "
        "a stiff board, or take thicker glass. Lean and turn are of that part"
    )


def _up(length: float, decimals: int) -> str:
    """A length that is not below the given one, at least one unit of its last decimal."""
    step = 10.0**-decimals
    return f"{max(math.ceil(length / step - 1e-9), 1) * step:.{decimals}f}"


def flatness_short(flatness: Flatness, units: str = "mm") -> str:
    """In few words, for a picture."""
    across = flatness.across_is_worst
    sagitta = flatness.sagitta_across_mm if across else flatness.sagitta_upright_mm
    if flatness.verdict == "undetermined":
        return "Flat? Cannot tell yet"
    if flatness.verdict == "flat":
        return "Flat where it shows the sheet"
    out = "stands out" if sagitta.value > 0 else "is hollow"
    where = "side to side" if across else "top to bottom"
    return f"Bent: middle {out} by {_size_of(sagitta, units)}, {where}"


def map_words(shown: FlatnessMap, photos: int, units: str = "mm") -> str:
    """Whether the mirror is flat where it was measured, how that is known elsewhere, and what to do."""
    over = f"over the {_measured_words(shown, units)}"
    ends = (
        f"{_size_of(shown.highest_mm, units)} before and {_size_of(shown.lowest_mm, units)} behind its mean plane"
    )
    bow = _bow_words(shown, units)
    if shown.verdict == "flat":
        words = f"yes, {over}: at most {ends}; lines reflected there bow by {bow} at most"
    elif shown.verdict == "undetermined":
        words = f"this cannot tell, {over}: up to {ends}; lines reflected there bow by {bow}"
    else:
        words = (
            f"bent, {over}: up to {ends}. Steepest {_place_words(shown, units)}, by "
            f"{with_uncertainty(shown.slope_deg, '°', 2)}: lines reflected there bow by {bow}. Slacken the clip, "
            "back the mirror with a stiff board, or take thicker glass"
        )
    return f"{words}. {_beyond_words(shown, photos, units)}"


def map_title(shown: FlatnessMap, units: str = "mm") -> str:
    """The map's verdict in one sentence."""
    over = f"over the {_measured_words(shown, units)}"
    if shown.verdict == "flat":
        return f"FLAT {over}."
    if shown.verdict == "undetermined":
        return f"CANNOT TELL whether it is flat {over}."
    return f"BENT {over}: lines bow by {_bow_words(shown, units)}."


def _measured_words(shown: FlatnessMap, units: str) -> str:
    """ "61 % of the mirror that was measured"."""
    if shown.size_known:
        return f"{100 * shown.measured_share:.0f}{KEEP}% of the mirror that was measured"
    sides = [float(places[-1] - places[0]) for places in (shown.right_mm, shown.up_mm)]
    size = "{:.0f} x {:.0f} mm".format(*sides)
    if units == "in":
        size = "{:.1f} x {:.1f} in".format(*(side / MM_PER_INCH for side in sides))
    return f"part that was measured, within {size}"


def _bow_words(shown: FlatnessMap, units: str) -> str:
    """ "0.7 mm per 100 mm"; an upper end where it is flat or cannot be told."""
    bow = shown.bow_mm_per_100.value if shown.verdict == "bent" else shown.bow_mm_per_100.high
    return f"{number_text(bow / 10, 3)} in per 10 in" if units == "in" else f"{number_text(bow, 2)} mm per 100 mm"


def _place_words(shown: FlatnessMap, units: str) -> str:
    right, up = shown.slope_at_mm
    side = "right" if right >= 0 else "left"
    if units == "in":
        inches = [length / MM_PER_INCH for length in (abs(right), up)]
        return f"{inches[0]:.1f} in to the {side} of the sheet's middle and {inches[1]:.1f} in up"
    return f"{abs(right):.0f} mm to the {side} of the sheet's middle and {up:.0f} mm up"


def _beyond_words(shown: FlatnessMap, photos: int, units: str) -> str:
    """What lies beyond what was measured, and how it would be."""
    if not shown.size_known:
        return "With --mirror WIDTHxHEIGHT the map shows the whole mirror; lean and turn are of that part"
    if shown.measured_share >= MAP_WHOLE_SHARE or shown.beyond_mm is None:
        return "Lean and turn are of that part"
    half = number_text(shown.beyond_mm / MM_PER_INCH, 4) if units == "in" else number_text(shown.beyond_mm, 2)
    more = "More photos" if photos > 1 else "Several photos"
    return (
        f"The rest is extrapolated, to ± {half} {units} at worst. {more} measure it: the camera on a stand, the "
        "sheet moved along the mirror, and nearer and farther, between them. Lean and turn are of the measured part"
    )


def _size_of(length_mm: Quantity, units: str) -> str:
    """The size of a length whose sign is said in words, to a micrometre."""
    if length_mm.value < 0:
        length_mm = Quantity(-length_mm.value, -length_mm.high, -length_mm.low)
    return length_words(length_mm, units, 3)


def quality_words(quality: Quality, tolerance_deg: float) -> str:
    """ "good: the widest ± is 0.005°, 5 % of the 0.1° allowed", and what would better it most."""
    half = number_text(quality.widest_half_deg, decimals_of(quality.widest_half_deg, ANGLE_DECIMALS))
    share = f"{quality.tolerance_share:.0f} times"
    if quality.tolerance_share < 1.5:
        percent = 100 * quality.tolerance_share
        share = f"{percent:.0f} % of" if percent >= 1 else "under 1 % of"
    width = f"the widest ± is {half}°, {share} the {tolerance_deg:g}° allowed"
    if not quality.cause:
        return f"{quality.grade}: {width}"
    named = f"{quality.photo} is the weakest: " if quality.photo else ""
    if quality.grade == "good":
        return f"good: {width}. Yet {named}{quality.words}. {quality.remedy}"
    return f"{quality.grade}: {named}{quality.words}. {quality.remedy} {width[0].upper()}{width[1:]}"


def quality_short(quality: Quality) -> str:
    """In few words, for a picture."""
    return f"Photo: {quality.grade}{', ' + quality.words if quality.words else ''}"


def inter_reflection_name(inter_reflection: InterReflectionSummary) -> str:
    """ "double reflection"."""
    return "another board" if inter_reflection.kind == "unexplained" else f"{inter_reflection.kind} reflection"


def inter_reflection_short(inter_reflection: InterReflectionSummary) -> str:
    """One or two words, for a picture: corners show many."""
    return "another board" if inter_reflection.kind == "unexplained" else inter_reflection.kind


def inter_reflection_words(inter_reflection: InterReflectionSummary) -> str:
    """An image by way of several mirrors, and that nothing rests on it."""
    if inter_reflection.kind == "unexplained":
        return "another board that no mirror found here explains: left out"
    ways = " and ".join(str(number) for number in sorted(set(inter_reflection.mirrors)))
    return f"a {inter_reflection_name(inter_reflection)} (by way of mirrors {ways}): left out"


def verdict_sentence(result: CheckResult) -> str:
    """The answer in one sentence. Gravity was not measured: a mirror is square to the sheet, not plumb."""
    tolerance = f"{result.tolerance_deg:g}°"
    mirrors = "The mirror is" if len(result.mirrors) == 1 else "The mirrors are"
    if result.verdict == "square":
        return f"TRUE. {mirrors} {_turned_right(result)}, within {tolerance}."
    if result.verdict == "undetermined":
        return f"CANNOT TELL YET. The interval is too wide, or too near the {tolerance} allowed, to decide."
    if len(result.mirrors) == 1:
        (mirror,) = result.mirrors
        if mirror.shims.asks_turn and abs(mirror.lean_deg.value) <= result.tolerance_deg:
            return f"OUT OF TRUE, unless it is meant: the mirror {what_is_wrong(mirror, result)}."
        return f"OUT OF TRUE. The mirror {what_is_wrong(mirror, result)}."
    wrong = [mirror for mirror in result.mirrors if mirror.verdict == "out of square"]
    if len(wrong) == 1:
        return f"OUT OF TRUE. Mirror {wrong[0].number} {what_is_wrong(wrong[0], result)}."
    numbers = ", ".join(str(mirror.number) for mirror in wrong[:-1])
    return f"OUT OF TRUE: mirrors {numbers} and {wrong[-1].number}."


def _turned_right(result: CheckResult) -> str:
    if result.want_turn_deg == 0.0:
        return "square to the sheet, in lean and turn"
    if result.want_turn_deg is None:
        return "upright on the sheet and turned as wanted"
    return f"upright on the sheet and turned by the {wanted_text(result.want_turn_deg)} wanted"


def what_is_wrong(mirror: MirrorResult, result: CheckResult) -> str:
    """ "leans towards you and is turned": what lies outside the tolerance by its value."""
    faults = []
    if abs(mirror.lean_deg.value) > result.tolerance_deg:
        faults.append("leans towards you" if mirror.lean_deg.value > 0 else "leans away from you")
    off = turn_error(mirror, mirror.want_turn_deg)
    if abs(off.value) > result.tolerance_deg and mirror.shims.asks_turn and mirror.want_turn_deg == 0.0:
        faults.append(f"stands {number_text(abs(off.value), 1)}° off square")
    elif abs(off.value) > result.tolerance_deg:
        faults.append("is turned" if mirror.want_turn_deg == 0.0 else "is not turned as wanted")
    return " and ".join(faults) or "is not as wanted"

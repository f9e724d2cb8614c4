"""What to order for an opening measured as four sides and two diagonals: size, weight, squareness, uncertainty.

Six distances between four corners of a plane hold one condition too many (their Cayley-Menger determinant is
zero; L. Blumenthal, Theory and Applications of Distance Geometry, 2nd ed. (1970), chapter IV, from memory).
Here the condition is used in millimetres: five readings build the quadrilateral, the sixth must close it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from ..errors import AlignError
from ..quantity import Quantity, combined
from .largest_pane import largest_pane
from .scene import Opening
from .thresholds import HEAVY_KG, LONG_MM

Array = NDArray[np.float64]

Coating = Literal["back-silvered", "front-coated"]
READINGS = ("bottom_mm", "right_mm", "top_mm", "left_mm", "rising_mm", "falling_mm")
WORDS = ("bottom", "right side", "top", "left side", "rising diagonal", "falling diagonal")
#: Density of soda-lime float glass [kg/m3], 2500: EN 572-1 (glass makers' data sheets that quote it agree).
GLASS_DENSITY = 2500.0
#: What holds a mirror, of any weight; cautious common practice, no source. One rule for plans and records.
HOLDING = (
    "Support the lower edge along its whole length, and hold the top with clips or a rail. Glue or tape alone is "
    "no fixing, however light the mirror. An adhesive besides must be one that its maker sells for mirrors, of "
    "neutral cure: acid-cure silicone eats the silvering (common practice, no source). A licensed glazier's word "
    "comes before this."
)
#: A misclosure this many standard deviations of the tape's own is a wrong reading.
REFUSE_SIGMAS = 3.0


class OpeningError(AlignError):
    """The four sides and two diagonals cannot be those of one flat opening.

    entry : the scene file's entry that is most likely wrong
    """

    def __init__(self, message: str, remedy: str, entry: str) -> None:
        super().__init__(message, remedy)
        self.entry = entry


@dataclass(frozen=True, eq=False)
class GlassOrder:
    """What goes into the opening. Lengths in mm, 95 % intervals from the tape's uncertainty.

    width_mm, height_mm : to order, whole mm: the low ends of what fits, rounded down
    fit_width_mm, fit_height_mm : of the largest rectangle with the clearance all round
    corner_deg : angles at bottom left, bottom right, top right, top left
    out_of_square_mm : how far the worst corner is off a right angle, over the shorter of its two sides
    misclosure_mm : by how much the sixth reading fails to close the figure (top side, as built from the
    others)
    weight_kg : of the ordered glass; corners_mm : (4, 2) of the opening, bottom left first
    pane_mm : (4, 2) corners of the glass as it goes in
    """

    width_mm: float
    height_mm: float
    fit_width_mm: Quantity
    fit_height_mm: Quantity
    corner_deg: tuple[float, float, float, float]
    out_of_square_mm: Quantity
    misclosure_mm: float
    glass_mm: float
    weight_kg: float
    corners_mm: Array
    pane_mm: Array
    cautions: tuple[str, ...]
    coating: Coating = "back-silvered"


def glass_order(opening: Opening, glass_mm: float, coating: Coating = "back-silvered") -> GlassOrder:
    """The largest glass for an opening.

    Parameters
    ----------
    glass_mm : thickness of the whole pane, whichever side is coated

    Raises
    ------
    OpeningError : the readings cannot close, or no glass goes in; the message names the scene file's line.
    """
    try:
        return replace(_glass_order(opening, glass_mm), coating=coating)
    except OpeningError as error:
        place = opening.where.get(error.entry)
        if place is None:
            raise
        raise OpeningError(f"{place}: [opening] {error.message}", error.remedy, error.entry) from None


def _glass_order(opening: Opening, glass_mm: float) -> GlassOrder:
    """`glass_order`, its refusals without the line."""
    readings = np.array([getattr(opening, name) for name in READINGS])
    misclosure = check_closes(readings, opening.uncertainty_mm)
    adjusted = _adjusted(readings)
    corners = corners_of(adjusted)
    values = _fit(adjusted, opening.clearance_mm)
    moved = [_moved(adjusted, k, opening) for k in range(6)]
    width, height, square = (_interval(values[n], [(low[n], high[n]) for low, high in moved]) for n in range(3))
    pane = _pane(corners, opening.clearance_mm)
    # From the low ends: glass that is a millimetre small goes in, a millimetre too large does not.
    whole = math.floor(width.low), math.floor(height.low)
    weight = whole[0] * whole[1] * glass_mm * 1e-9 * GLASS_DENSITY
    return GlassOrder(
        whole[0],
        whole[1],
        width,
        height,
        _corner_angles_deg(corners),
        square,
        misclosure,
        glass_mm,
        weight,
        corners,
        pane[2],
        cautions(weight, whole[0], whole[1]),
    )


def _interval(value: float, moved: list[tuple[float, float]]) -> Quantity:
    """The wider half of `combined` on both sides, nothing below 0, and more above where errors only lose.

    The largest pane goes by the smaller of two nearly equal sides. Of two equal sides read with an error, the
    smaller reading lies 0.56 standard deviations low in the mean: 0.29 of the sag that moving each to both its
    ends shows, as these lie at 1.96 standard deviations. By so much the truth tends to lie above.
    """
    plain = combined(value, moved)
    half = max(plain.value - plain.low, plain.high - plain.value)
    sag = 0.29 * sum(max(0.0, value - (low + high) / 2) for low, high in moved)
    return Quantity(value, max(0.0, value - half), value + half + sag)


def check_closes(readings: Array, uncertainty_mm: float) -> float:
    """The misclosure [mm] of six readings, checked.

    Raises
    ------
    OpeningError : a triangle cannot close, or the misclosure is beyond the tape's uncertainty; the message names
        the reading that is most likely off, and what it would have to be.
    """
    _check_triangles(readings)
    misclosure = _misclosure(readings)
    sd = _amplification(readings) * uncertainty_mm / 2.0
    if abs(misclosure) > REFUSE_SIGMAS * sd:
        suspects = _suspects(readings)
        name, value = suspects[0]
        message = (
            f"the opening's measures do not close: they miss by {abs(misclosure):.1f} mm, "
            f"the tape's uncertainty allows {REFUSE_SIGMAS * sd:.1f} mm. Most likely off: the {WORDS[name]} "
            f"({READINGS[name]} = {readings[name]:g}); {value:.1f} would fit"
        )
        others = [f"the {WORDS[n]} ({v:.1f} would fit)" for n, v in suspects[1:2]]
        raise OpeningError(
            message,
            f"Measure the {WORDS[name]} again" + (f", then {others[0]}." if others else "."),
            READINGS[name],
        )
    return misclosure


def _check_triangles(readings: Array) -> None:
    """Every side must be shorter than the other two sides of its triangle together."""
    triangles = ((0, 1, 4), (2, 3, 4), (0, 3, 5), (1, 2, 5))
    broken = []
    for triangle in triangles:
        for longest in triangle:
            others = [k for k in triangle if k != longest]
            if readings[longest] >= readings[others].sum():
                broken.append((longest, *others))
    if not broken:
        return
    # A reading that is wrong breaks both of its triangles: name the one that occurs most, the long one first.
    count = [sum(k in triple for triple in broken) + 0.5 * sum(k == t[0] for t in broken) for k in range(6)]
    worst = int(np.argmax(count))
    first, second, third = broken[0]
    raise OpeningError(
        f"the opening's measures cannot close: the {WORDS[first]} ({readings[first]:g} mm) is not shorter "
        f"than "
        f"the {WORDS[second]} and the {WORDS[third]} together ({readings[second] + readings[third]:g} mm)",
        f"Measure the {WORDS[worst]} again ({READINGS[worst]} = {readings[worst]:g} now).",
        READINGS[worst],
    )


def corners_of(readings: Array) -> Array:
    """(4, 2) [mm] corners built from all readings but the top: bottom left at the origin, bottom along x."""
    bottom, right, _, left, rising, falling = readings
    x2 = (bottom**2 + rising**2 - right**2) / (2 * bottom)
    x3 = (bottom**2 + left**2 - falling**2) / (2 * bottom)
    return np.array(
        [
            [0.0, 0.0],
            [bottom, 0.0],
            [x2, math.sqrt(max(rising**2 - x2**2, 0.0))],
            [x3, math.sqrt(max(left**2 - x3**2, 0.0))],
        ]
    )


def _misclosure(readings: Array) -> float:
    """The top as built from the other five, less the top as read [mm]."""
    corners = corners_of(readings)
    return float(np.linalg.norm(corners[2] - corners[3]) - readings[2])


def _gradient(readings: Array) -> Array:
    """(6,) how the misclosure changes with each reading, by central differences of 0.01 mm."""
    steps = 0.01 * np.eye(6)
    return np.array([(_misclosure(readings + step) - _misclosure(readings - step)) / 0.02 for step in steps])


def _amplification(readings: Array) -> float:
    """Standard deviation of the misclosure over that of a reading.

    A wrong reading can make a triangle so thin that everything seems to fit; so no more than twice what the
    rectangle with the mean sides has.
    """
    width, height = float(readings[[0, 2]].mean()), float(readings[[1, 3]].mean())
    diagonal = math.hypot(width, height)
    square = np.array([width, height, width, height, diagonal, diagonal])
    own, plain = (float(np.linalg.norm(_gradient(r))) for r in (readings, square))
    return min(own, 2.0 * plain)


def _adjusted(readings: Array) -> Array:
    """The nearest six readings that close, all trusted alike (least squares with one condition, iterated)."""
    adjusted = readings.copy()
    for _ in range(20):
        gradient = _gradient(adjusted)
        miss = _misclosure(adjusted) + float(gradient @ (readings - adjusted))
        adjusted = readings - gradient * miss / float(gradient @ gradient)
    return adjusted


def _suspects(readings: Array) -> list[tuple[int, float]]:
    """Readings that could be the wrong one, each with the value that would close, likeliest first.

    One condition cannot tell which of six is wrong; openings are meant to be rectangles, so the reading whose
    correction leaves the squarest figure is the likeliest.
    """
    found = []
    for k in range(6):
        value = _closing_value(readings, k)
        if value is not None:
            changed = readings.copy()
            changed[k] = value
            angles = np.array(_corner_angles_deg(corners_of(changed)))
            found.append((float(np.abs(angles - 90.0).max()), k, value))
    return [(k, value) for _, k, value in sorted(found)] or [(2, float(readings[2] + _misclosure(readings)))]


def _closing_value(readings: Array, k: int) -> float | None:
    """The value of reading k nearest to the read one that closes the figure; None within half to double."""

    def miss(value: float) -> float:
        changed = readings.copy()
        changed[k] = value
        return _misclosure(changed)

    values = readings[k] * np.linspace(0.5, 2.0, 601)
    misses = np.array([miss(value) for value in values])
    crossings = np.flatnonzero(np.diff(np.sign(misses)) != 0)
    if len(crossings) == 0:
        return None
    nearest = min(crossings, key=lambda c: abs(values[c] - readings[k]))
    low, high = float(values[nearest]), float(values[nearest + 1])
    for _ in range(50):
        middle = (low + high) / 2
        low, high = (middle, high) if (miss(middle) > 0) == (miss(low) > 0) else (low, middle)
    return (low + high) / 2


def _corner_angles_deg(corners: Array) -> tuple[float, float, float, float]:
    angles = []
    for k in range(4):
        u, v = corners[k - 1] - corners[k], corners[(k + 1) % 4] - corners[k]
        angles.append(math.degrees(math.atan2(abs(float(u[0] * v[1] - u[1] * v[0])), float(u @ v))))
    return angles[0], angles[1], angles[2], angles[3]


def _out_of_square_mm(corners: Array) -> float:
    angles = _corner_angles_deg(corners)
    sides = np.linalg.norm(np.roll(corners, -1, axis=0) - corners, axis=1)
    return max(abs(math.tan(math.radians(angles[k] - 90.0))) * float(min(sides[k], sides[k - 1])) for k in range(4))


def _fit(readings: Array, clearance_mm: float) -> tuple[float, float, float]:
    """Width and height [mm] of the largest pane, and the out-of-square [mm]."""
    corners = corners_of(readings)
    width, height, _ = _pane(corners, clearance_mm)
    return width, height, _out_of_square_mm(corners)


def _pane(corners: Array, clearance_mm: float) -> tuple[float, float, Array]:
    """`largest_pane`; OpeningError where nothing goes in."""
    found = largest_pane(corners, clearance_mm)
    if found is None:
        raise OpeningError(
            f"no glass goes into the opening with {clearance_mm:g} mm left free on every side",
            "Measure the opening again, or give a smaller clearance_mm.",
            "clearance_mm",
        )
    return found


def _moved(
    adjusted: Array, k: int, opening: Opening
) -> tuple[tuple[float, float, float], tuple[float, float, float]]:
    """The fit with reading k at either end of its uncertainty, the others following so that the figure closes."""
    ends = []
    for sign in (-1.0, 1.0):
        step = np.zeros(6)
        step[k] = sign * opening.uncertainty_mm
        gradient = _gradient(adjusted)
        step -= gradient * float(gradient @ step) / float(gradient @ gradient)
        ends.append(_fit(adjusted + step, opening.clearance_mm))
    return ends[0], ends[1]


def weight_words(weight_kg: float) -> str:
    """`410 g` below a kilogram, `7.5 kg` above."""
    return f"{weight_kg * 1000:.0f} g" if weight_kg < 0.9995 else f"{weight_kg:.1f} kg"


def cautions(weight_kg: float, width_mm: float, height_mm: float) -> tuple[str, ...]:
    """What to heed when cutting, carrying and hanging this glass."""
    words = [
        "Have the glazier cut it and grind all edges; raw edges cut deeply.",
        f"Carry it upright on its long edge, never flat, with gloves, long sleeves and eye protection; "
        f"{weight_words(weight_kg)} without its frame.",
        "Order it with a safety film on the back, so that it holds together if it breaks.",
        HOLDING,
    ]
    if max(width_mm, height_mm) > LONG_MM or weight_kg > HEAVY_KG:
        words.append("Two people carry and set it.")
    large = max(width_mm, height_mm) > LONG_MM or weight_kg > HEAVY_KG
    words.append(
        "Above people's heads or in reach of visitors, local building and glazing rules decide, not this plan: ask "
        "a licensed glazier" + (", and for the fixing a structural engineer." if large else ".")
    )
    return tuple(words)

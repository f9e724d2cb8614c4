"""Finding lamps in a photo: small bright spots in linear light, and which pixels only say "at least this bright".

A photo shows a lamp's image, its ghosts and its surroundings through the camera's tone curve. Up to about
three quarters of full scale that curve is near sRGB's; above, phones bend it in ways of their own, so that
brighter pixels count as lower bounds only.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from . import thresholds as limits

Array = NDArray[np.float64]
Light = NDArray[np.float32]
Mask = NDArray[np.bool_]

#: Rows of a photo turned to light at a time: what lies between then fits the processor's cache.
STRIP_ROWS = 64
#: Levels of light at which spots are looked for, each so many times the last.
LEVEL_STEP = 1.7
#: A part has at least so many pixels.
LEAST_PIXELS = 3
#: A core as bright as this is saturated in luma.
SATURATED_LIGHT = 0.9
#: Burnt-out parts smaller than this [px] are measured half way down as well, which is believed up to this factor
#: and so much more [px].
SMALL_PX, MOST_SKIRT, MORE_SKIRT_PX = 3.0, 2.0, 4.0
#: A burnt-out part that is too ragged to be a lamp is looked at again at this share of its level.
RAGGED = 0.8
#: Burnt-out pieces that fill less than this share of what they are joined in are one lamp's, just burnt out. Where
#: nothing is brighter than the second, they may fill more.
LEAST_FILLED, JUST_BURNT_OUT, MOST_FILLED = 0.5, 0.975, 0.8
#: A spot whose middle lies within this share of a larger one's radius is the same lamp.
SAME_LAMP = 0.5
#: A part within which something is brighter than this times its peak is another spot's.
BRIGHTER = 1.05


@dataclass(frozen=True)
class Spot:
    """A bright spot: centre [px], radius [px] of its bright core, and the linear light of its peak (0..1).

    longer : (2,) how far it is longer than wide, log of the axes' ratio, with its direction's angle doubled.
    """

    centre_px: tuple[float, float]
    radius_px: float
    peak: float
    longer: tuple[float, float] = (0.0, 0.0)

    @property
    def saturated(self) -> bool:
        """Whether it may be brighter than it looks."""
        return self.peak >= SATURATED_LIGHT


def light_of(colour: NDArray[np.uint8]) -> tuple[Light, Mask]:
    """Linear light of (h, w, 3) RGB code values, and where it is a lower bound only.

    Luma first, then sRGB's curve: a phone's JPEG stores colour at half the fineness, luma at the full one.
    Luma weights: ITU-R BT.601, as JPEG (JFIF) has them.
    """
    from ..photo.tone import linear_light

    weights = np.array([0.299, 0.587, 0.114], np.float32)
    light, full = np.empty(colour.shape[:2], np.float32), np.empty(colour.shape[:2], bool)
    for top in range(0, len(colour), STRIP_ROWS):
        rows = slice(top, top + STRIP_ROWS)
        part = colour[rows]
        light[rows] = linear_light(np.round(part @ weights).astype(np.uint8))
        # Channel by channel: twenty times as fast as `max` along the last axis.
        full[rows] = np.maximum(np.maximum(part[..., 0], part[..., 1]), part[..., 2]) >= limits.FULL_CODE
    return light, full


def find_spots(light: Light, paper: float | None = None) -> tuple[Spot, ...]:
    """Small bright spots, those with most light first.

    At each of a ladder of levels the parts of the photo that are brighter fall apart; a part within which nothing
    comes apart further up is one spot. So a lamp and its saturated ghosts are three, and a lamp before a pale wall
    is found as well as one in the dark.

    Parameters
    ----------
    light : (h, w) linear light; paper : light of the sheet's white paper, which a lamp exceeds
    """
    least = (
        limits.SHARE_OF_BRIGHTEST * float(light.max(initial=0.0)) if paper is None else limits.ABOVE_PAPER * paper
    )
    least = min(max(least, 0.02), limits.ENOUGH_LIGHT)
    levels = [least]
    while levels[-1] * LEVEL_STEP < SATURATED_LIGHT:
        levels.append(levels[-1] * LEVEL_STEP)
    levels.append(SATURATED_LIGHT)
    widest = _widest_px(light)
    spots = []
    for number, level in enumerate(levels):
        above = levels[number + 1] if number + 1 < len(levels) else np.inf
        spots += [
            spot for box in _parts(light, level, above, widest) if (spot := _spot(light, level, box)) is not None
        ]
    return tuple(_apart(sorted(spots, key=lambda spot: -spot.peak * spot.radius_px)[: 2 * limits.MOST_SPOTS]))


def _apart(spots: Sequence[Spot]) -> list[Spot]:
    """The spots without those that are pieces of one before them."""
    kept: list[Spot] = []
    for spot in spots:
        same = (
            np.hypot(*np.subtract(spot.centre_px, other.centre_px)) < SAME_LAMP * other.radius_px for other in kept
        )
        if not any(same):
            kept.append(spot)
    return kept[: limits.MOST_SPOTS]


def _widest_px(light: Light) -> float:
    return float(max(limits.WIDEST_SHARE * max(light.shape), limits.WIDEST_PX))


def _parts(light: Light, level: float, above: float, widest: float) -> list[tuple[int, int, int, int]]:
    """(left, top, width, height) of the small parts brighter than a level, in which nothing reaches the next
    one.
    """
    import cv2

    bright = (light > level).astype(np.uint8)
    _, _, stats, _ = cv2.connectedComponentsWithStats(bright)
    stats = np.asarray(stats, np.int64)
    small = (stats[:, 2] <= 2 * widest) & (stats[:, 3] <= 2 * widest) & (stats[:, 4] >= LEAST_PIXELS)
    small[0] = False
    boxes = []
    for left, top, wide, high, _ in stats[small]:
        box = (int(left), int(top), int(wide), int(high))
        further = light[top : top + high, left : left + wide] > above
        alone = int(further.sum()) < LEAST_PIXELS or (above == SATURATED_LIGHT and _in_pieces(light, further, box))
        if alone and _stands_out(light, *box):
            boxes.append(box)
    return boxes


def _in_pieces(light: Light, burnt_out: Mask, box: tuple[int, int, int, int]) -> bool:
    """Whether nothing of what is burnt out within a part stands out from it: a lamp that is just so bright."""
    import cv2

    _, _, stats, _ = cv2.connectedComponentsWithStats(burnt_out.astype(np.uint8))
    return not any(
        area >= LEAST_PIXELS and _stands_out(light, box[0] + left, box[1] + top, wide, high)
        for left, top, wide, high, area in np.asarray(stats, int).tolist()[1:]
    )


def _stands_out(light: Light, left: int, top: int, wide: int, high: int) -> bool:
    """Whether most of eight places round a part are darker than it."""
    height, width = light.shape
    peak = float(light[top : top + high, left : left + wide].max())
    columns = np.clip([left - 3, left + wide // 2, left + wide + 2], 0, width - 1)
    rows = np.clip([top - 3, top + high // 2, top + high + 2], 0, height - 1)
    ring = np.delete(light[np.ix_(rows, columns)].ravel(), 4)
    return int((ring < limits.RING_SHARE * peak).sum()) >= limits.RING_SIDES


def _spot(light: Light, level: float, box: tuple[int, int, int, int]) -> Spot | None:
    """The brightest region of a part as a spot; None where it is no compact one.

    What is saturated ends where it is no longer; anything else half way down to its surroundings.
    """
    left, top, wide, high = box
    peak = float(light[top : top + high, left : left + wide].max())
    saturated = peak >= SATURATED_LIGHT
    more = 3 if saturated else 4 + max(wide, high)
    left, top, wide, high = max(left - more, 0), max(top - more, 0), wide + 2 * more, high + 2 * more
    part = light[top : top + high, left : left + wide]
    middle = (box[1] - top + (box[3] - 1) / 2, box[0] - left + (box[2] - 1) / 2)
    # What is just burnt out may be a ragged part of its lamp. Half way down from what is not burnt out its lamp may
    # lie, if it is a ghost: then it ends at its own level.
    levels = [level, RAGGED * level] if saturated else [min(level, 0.5 * (peak + float(np.median(part)))), level]
    for low in levels:
        region = _region(part, low, middle)
        if _compact(region) if saturated else region.intensity_max <= BRIGHTER * peak:
            break
    if region.area < 2 or not _compact(region):
        return None
    # What is saturated has no weight of its own: the middle of its outline is the lamp's.
    row, column = region.centroid if saturated else region.centroid_weighted
    column, row = left + column, top + row
    radius = max(float(np.sqrt(region.area / np.pi)), 0.8)
    if saturated and (radius < SMALL_PX or level < SATURATED_LIGHT or peak < JUST_BURNT_OUT):
        half_way = _half_way(light, (column, row), radius)
        if half_way is not None and half_way[2] > radius:
            column, row, radius = half_way
    if 2 * radius > _widest_px(light):
        return None
    long, short = region.axis_major_length + 1.0, region.axis_minor_length + 1.0
    # regionprops' orientation is the long axis's angle from the rows' direction, counter-clockwise.
    across, down = np.sin(region.orientation), np.cos(region.orientation)
    size = float(np.log(long / short)) if region.area >= 12 else 0.0
    longer = (size * float(across**2 - down**2), size * float(2 * across * down))
    return Spot((float(column), float(row)), radius, peak, longer)


def _region(part: Light, level: float, middle: tuple[float, float]) -> Any:
    """The region above a level that is nearest to a place (row, column), as regionprops has it."""
    from skimage.measure import label, regionprops

    regions: Sequence[Any] = regionprops(label(part > level, connectivity=2), intensity_image=part)  # type: ignore[no-untyped-call]
    return min(regions, key=lambda found: float(np.hypot(*np.subtract(found.centroid, middle))))


def _compact(region: Any) -> bool:
    return bool(region.area < 12 or region.solidity >= limits.SOLID)


def _half_way(light: Light, centre_px: tuple[float, float], radius: float) -> tuple[float, float, float] | None:
    """Middle (column, row) and radius [px] half way down from full light to the surroundings; None where other
    things are joined there.

    Of a small lamp that is just burnt out the burnt-out part is far smaller than the lamp, or falls into pieces.
    """
    import cv2

    column, row = (round(value) for value in centre_px)
    half = int(np.ceil(3 * radius)) + 4
    left, top = max(column - half, 0), max(row - half, 0)
    part = light[top : row + half + 1, left : column + half + 1]
    level = 0.5 * (SATURATED_LIGHT + min(float(np.median(part)), 0.5))
    _, labels = cv2.connectedComponents((part > level).astype(np.uint8))
    own = np.asarray(labels) == np.asarray(labels)[row - top, column - left]
    wide = float(np.sqrt(own.sum() / np.pi))
    burnt_out = own & (part > SATURATED_LIGHT)
    # Several burnt-out parts that fill what they are joined in are a lamp and its ghosts.
    pieces = int(cv2.connectedComponents(burnt_out.astype(np.uint8))[0]) - 1
    filled = MOST_FILLED if part[own].max() < JUST_BURNT_OUT else LEAST_FILLED
    alone = pieces <= 1 or burnt_out.sum() < filled * own.sum()
    if not alone or own[0].any() or own[-1].any() or own[:, 0].any() or own[:, -1].any():
        return None
    if wide >= MOST_SKIRT * radius + MORE_SKIRT_PX:
        return None
    rows, columns = np.nonzero(own)
    return left + float(columns.mean()), top + float(rows.mean()), wide


def same_place(spots: Sequence[Spot], others: Sequence[Spot]) -> bool:
    """Whether two photos are from one place: at least two spots of the first, and most, lie where others do."""
    places = np.array([other.centre_px for other in others]).reshape(-1, 2)
    if len(spots) < 2 or len(places) < 2:
        return False
    near = [float(np.hypot(*(places - spot.centre_px).T).min()) < limits.SAME_PLACE_PX for spot in spots]
    return sum(near) >= max(2, 0.6 * len(spots))


def white_paper_light(light: Light, outline_px: Array) -> float:
    """Linear light of the sheet's white squares: the 90th percentile inside its outline, (n, 2) [px]."""
    import cv2

    inside = np.zeros(light.shape, np.uint8)
    cv2.fillPoly(inside, [np.round(np.asarray(outline_px)).astype(np.int32)], 1)
    return float(np.percentile(light[inside > 0], 90)) if inside.any() else 0.0


def drawn_out(part: Array, middle: int) -> tuple[float, float]:
    """Length less width [px] of the bright core in the middle, as a vector of doubled angle.

    An ellipse of axes a and b has second moments a^2 / 16 and b^2 / 16 of its full axes.
    """
    import cv2

    level = 0.4 * float(part[middle - 2 : middle + 3, middle - 2 : middle + 3].max())
    _, labels = cv2.connectedComponents((part > level).astype(np.uint8))
    number = np.asarray(labels)[middle, middle]
    rows, columns = np.nonzero(np.asarray(labels) == number)
    if number == 0 or len(rows) < 6:
        return 0.0, 0.0
    values, vectors = np.linalg.eigh(np.cov(np.stack([columns, rows])) + np.eye(2) / 12)
    longer = 4 * float(np.sqrt(values[1]) - np.sqrt(values[0]))
    angle = 2 * np.arctan2(vectors[1, 1], vectors[0, 1])
    return float(longer * np.cos(angle)), float(longer * np.sin(angle))

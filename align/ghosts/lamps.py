"""Finding lamps in a photo: small bright spots in linear light, and which pixels only say "at least this bright".

A photo shows a lamp's image, its ghosts and its surroundings through the camera's tone curve. Up to about
three quarters of full scale that curve is near sRGB's; above, phones bend it in ways of their own, so that
brighter pixels count as lower bounds only.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Light = NDArray[np.float32]
Mask = NDArray[np.bool_]

#: Code value in any colour above which a pixel is a lower bound; common practice, no source.
FULL_CODE = 212
#: A lamp's spot is no wider than this share of the photo's long side, nor than so many pixels.
WIDEST_SHARE, WIDEST_PX = 0.02, 70.0
#: A spot stands out from its surroundings by this share of the photo's brightest light.
STANDING_OUT_SHARE = 0.65
#: The spots are searched on a photo reduced so many times.
REDUCED = 2
#: A spot fills at least this share of the circle round it.
MIN_ROUNDNESS = 0.35
MAX_SPOTS = 40
#: Rows of a photo turned to light at a time: what lies between then fits the processor's cache.
STRIP_ROWS = 64
#: Photos from one place (a phone on a stand) show a lamp within so many pixels.
SAME_PLACE_PX = 2.5
#: What is lit by the room's light is no brighter than white paper in it: a lamp is, by this factor; a choice.
ABOVE_PAPER = 1.2


@dataclass(frozen=True)
class Spot:
    """A bright spot: centre [px], radius [px] of its bright core, and the linear light of its peak (0..1)."""

    centre_px: tuple[float, float]
    radius_px: float
    peak: float


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
        full[rows] = np.maximum(np.maximum(part[..., 0], part[..., 1]), part[..., 2]) >= FULL_CODE
    return light, full


def find_spots(light: Light, covered_px: Sequence[Array] = ()) -> tuple[Spot, ...]:
    """Small bright spots, brightest and largest first.

    Parameters
    ----------
    light : (h, w) linear light; covered_px : outlines, (n, 2) [px] each, inside which nothing is a lamp
        (the printed sheet and its reflection: white squares are bright spots too).
    """
    import cv2

    height, width = light.shape
    reduced = (width // REDUCED, height // REDUCED)
    small = np.asarray(cv2.resize(light, reduced, interpolation=cv2.INTER_AREA), np.float32)
    for outline in covered_px:
        cv2.fillPoly(small, [np.round(np.asarray(outline) / REDUCED).astype(np.int32)], 0.0)
    widest = min(max(WIDEST_SHARE * max(light.shape), 24.0), WIDEST_PX)
    kernel = np.ones((int(widest / REDUCED) | 1,) * 2, np.uint8)
    standing = small - cv2.morphologyEx(small, cv2.MORPH_OPEN, kernel)
    brightest = float(standing.max(initial=0.0))
    if brightest < 0.02:
        return ()
    count, labels, stats, _ = cv2.connectedComponentsWithStats(
        (standing > STANDING_OUT_SHARE * brightest).astype(np.uint8)
    )
    parts, boxes = np.asarray(labels, np.int32), np.asarray(stats, np.int32)
    spots = [_spot(small, parts, boxes[number], number) for number in range(1, count)]
    found = [spot for spot in spots if spot is not None]
    return tuple(sorted(found, key=lambda spot: -spot.peak * spot.radius_px)[:MAX_SPOTS])


def same_place(spots: Sequence[Spot], others: Sequence[Spot]) -> bool:
    """Whether two photos are from one place: at least two spots of the first, and most, lie where others do."""
    places = np.array([other.centre_px for other in others]).reshape(-1, 2)
    if len(spots) < 2 or len(places) < 2:
        return False
    near = [float(np.hypot(*(places - spot.centre_px).T).min()) < SAME_PLACE_PX for spot in spots]
    return sum(near) >= max(2, 0.6 * len(spots))


def white_paper_light(light: Light, outline_px: Array) -> float:
    """Linear light of the sheet's white squares: the 90th percentile inside its outline, (n, 2) [px]."""
    import cv2

    inside = np.zeros(light.shape, np.uint8)
    cv2.fillPoly(inside, [np.round(np.asarray(outline_px)).astype(np.int32)], 1)
    return float(np.percentile(light[inside > 0], 90)) if inside.any() else 0.0


def _spot(small: Light, labels: NDArray[np.int32], stats: NDArray[np.int32], number: int) -> Spot | None:
    """One component as a spot; None where it is no compact one."""
    import cv2

    left, top, across, down, area = (int(value) for value in stats)
    part = small[top : top + down, left : left + across]
    inside = labels[top : top + down, left : left + across] == number
    if area < 4 or area < MIN_ROUNDNESS * np.pi / 4 * max(across, down) ** 2:
        return None
    # Ghosts may hang on the bright core of an exposed lamp: the core is what is nearly as bright as the peak.
    peak = float(part[inside].max())
    core = np.pad((inside & (part > 0.85 * peak)).astype(np.uint8), 1)
    distance = cv2.distanceTransform(core, cv2.DIST_L2, 5)[1:-1, 1:-1]
    deep = distance > 0.9 * distance.max()
    rows, columns = np.nonzero(deep)
    centre = (np.array([left + columns.mean(), top + rows.mean()]) + 0.5) * REDUCED - 0.5
    radius = max(float(distance.max()), float(np.sqrt(area / np.pi)) * 0.5) * REDUCED
    return Spot((float(centre[0]), float(centre[1])), radius, peak)


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

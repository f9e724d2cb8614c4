"""Reading markers in a picture: dark quadrilaterals, their cells, and the codes these spell, both ways round.

A reflection shows every marker mirrored, and what is a quadrilateral in the photo is one in its flip: so the
picture is searched once, and every candidate is asked for the codes and for the mirrored codes.

Source: S. Garrido-Jurado et al., Automatic generation and detection of highly reliable fiducial markers under
occlusion, Pattern Recognition 47 (2014) 2280: local threshold, contours, polygons of four corners, Otsu's
threshold, a black border. OpenCV has it too, but compares every candidate with every rotation of every code in
turn, which takes nine tenths of its time (OpenCV 5.0; 5.5 s of processor time for 18 sample photos and their flips,
against 1.0 s here with the same windows): a table of all codes answers at once.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from ..second_core import Beside
from ..target.sheets import MARKER_BITS, MARKER_CELLS, MARKER_CODES, marker_bits
from ..target.thresholds import CORRECTABLE_BITS

Array = NDArray[np.float64]

#: A pixel is dark when it is so many grey values below the mean of its window.
DARKER_BY = 7
#: Most of a candidate's border cells that may be light: as OpenCV has it, 0.35 of the bits' number; fewer where a
#: bit was wrong as well. On 29 photos the second bound turns away 1.8 % of the markers that are there and 69 % of
#: those that are not, which are mostly grain.
MOST_LIGHT_IN_BORDER, MOST_LIGHT_WITH_WRONG_BIT = int(0.35 * MARKER_BITS**2), 2
#: Least standard deviation of a candidate's cells in grey values, as OpenCV has it; and how much of their variance
#: two greys have to explain. Two halves of a normal distribution explain 0.64; of 4,600 markers in 29 photos the
#: worst two in a thousand 0.75.
LEAST_SPREAD, LEAST_OF_VARIANCE = 5.0, 0.75
#: Least side and distance from the picture's border: share of the outline's length, and pixels; as OpenCV has it.
LEAST_SIDE_SHARE, BORDER_PX = 0.03, 3
#: Longest outline, as a share of the picture's longer side.
MOST_OUTLINE_SHARE = 4.0
#: An outline runs along the middles of the dark region's outermost pixels, which lie so far inside its edge [px].
#: In 29 photos' reflections 760 markers are read along the outlines themselves, 836, 859 and 844 with the sides
#: 0.5, 0.8 and 1 px farther out.
OUTWARDS_PX = 0.8
#: Where in a cell its grey is sampled, along both sides.
SAMPLED_AT = (0.35, 0.65)
#: Two readings of one number count as one marker where their middles are nearer than this share of its side.
SAME_PLACE_SHARE = 0.5
#: Corners are refined in a window of this share of a cell, within limits in pixels: on those photos half of the
#: reflected markers are then off by less than 0.7 px, with one pixel less by less than 1 px.
REFINED_SHARE, REFINED_PX = 0.2, (2, 4)
#: What each bit of a code counts, in the order of `target.sheets.marker_bits`.
_WEIGHTS = 1 << np.arange(MARKER_BITS**2 - 1, -1, -1)
_PER_CALL = 32767 // (MARKER_CELLS * len(SAMPLED_AT))  # cv2.remap takes at most 32767 rows


@dataclass(frozen=True)
class Look:
    """How a picture is looked over.

    windows : of the local threshold [px]; least_outline : share of the picture's longer side; straightness : by how
    much of its length an outline may be off its four sides.
    """

    windows: tuple[int, ...]
    least_outline: float
    straightness: float


@dataclass(frozen=True, eq=False)
class Readings:
    """Markers read the same way round: numbers (m,), and corners (m, 4, 2) [px], clockwise in the print."""

    ids: list[int]
    places: list[Array]


def read_markers(gray: NDArray[np.uint8], look: Look) -> tuple[Readings, Readings]:
    """The markers in a picture as printed, and those that read mirrored."""
    corners, lengths = _quadrilaterals(gray, look)
    if not len(corners):
        return Readings([], []), Readings([], [])
    codes, light = _codes(gray, corners)
    both = []
    for mirrored in (False, True):
        told = np.where(
            light <= MOST_LIGHT_WITH_WRONG_BIT, _meanings(mirrored, 1)[codes], _meanings(mirrored, 0)[codes]
        )
        meaning = np.where(light <= MOST_LIGHT_IN_BORDER, told, -1)
        both.append(_decoded(gray, corners, lengths, meaning, mirrored=mirrored))
    return both[0], both[1]


def _quadrilaterals(gray: NDArray[np.uint8], look: Look) -> tuple[NDArray[np.float32], Array]:
    """Corners (n, 4, 2) [px], clockwise, of dark quadrilaterals, and the length of each outline in pixels."""
    import cv2

    longer = max(gray.shape)
    least, most = look.least_outline * longer, MOST_OUTLINE_SHARE * longer

    def outlines(window: int) -> list[NDArray[np.int32]]:
        dark = cv2.adaptiveThreshold(
            gray, 255, cv2.ADAPTIVE_THRESH_MEAN_C, cv2.THRESH_BINARY_INV, window, DARKER_BY
        )
        found, _ = cv2.findContours(dark, cv2.RETR_LIST, cv2.CHAIN_APPROX_NONE)
        return [outline for outline in found if least <= len(outline) <= most]  # type: ignore[misc]

    polygons, lengths = [], []
    rest = Beside(lambda: [outline for window in look.windows[1::2] for outline in outlines(window)])
    found = [outline for window in look.windows[::2] for outline in outlines(window)]
    for outline in found + rest.answer():
        polygon = cv2.approxPolyDP(outline, len(outline) * look.straightness, True)
        if len(polygon) == 4:
            polygons.append(polygon)
            lengths.append(len(outline))
    corners = np.array(polygons, np.float32).reshape(-1, 4, 2)
    length = np.array(lengths, np.float64)
    following = np.roll(corners, -1, axis=1) - corners
    bends = _cross(following, np.roll(following, -1, axis=1))
    convex = (bends > 0).all(axis=1) | (bends < 0).all(axis=1)
    sides = np.linalg.norm(following, axis=2).min(axis=1)
    last = np.array(gray.shape[::-1]) - 1
    inside = ((corners >= BORDER_PX) & (corners <= last - BORDER_PX)).all(axis=(1, 2))
    good = convex & inside & (sides >= LEAST_SIDE_SHARE * length)
    corners, length, bends = corners[good], length[good], bends[good]
    counter = bends[:, 0] < 0
    corners[counter] = corners[counter][:, [0, 3, 2, 1]]
    return _outwards(corners), length


def _outwards(corners: NDArray[np.float32]) -> NDArray[np.float32]:
    """The quadrilaterals, sides moved outwards by OUTWARDS_PX, nearly: opposite sides count as parallel."""
    first, second, third, fourth = corners.transpose(1, 0, 2)
    across, down = (second - first + third - fourth) / 4, (fourth - first + third - second) / 4
    by = OUTWARDS_PX / np.abs(_cross(across, down))
    wide, high = np.linalg.norm(across, axis=1), np.linalg.norm(down, axis=1)
    across, down = across * (by * high)[:, None], down * (by * wide)[:, None]
    moved = (first - across - down, second + across - down, third + across + down, fourth - across + down)
    return np.stack(moved, axis=1).astype(np.float32)


def _cross(a: NDArray[np.float32], b: NDArray[np.float32]) -> NDArray[np.float32]:
    return a[..., 0] * b[..., 1] - a[..., 1] * b[..., 0]


def _codes(gray: NDArray[np.uint8], corners: NDArray[np.float32]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """(n,) the bits in each quadrilateral as a number, row by row from its first corner; (n,) light border cells.

    All cells count as light where a quadrilateral has not two greys.
    """
    cells = _cells(gray, corners)
    ordered = np.sort(cells, axis=1)
    count = np.arange(1, ordered.shape[1])
    below = np.cumsum(ordered, axis=1)
    total = below[:, -1:]
    below = below[:, :-1]
    apart = (total - below) / (ordered.shape[1] - count) - below / count
    # N. Otsu, A threshold selection method from gray-level histograms, IEEE Trans. SMC 9 (1979) 62.
    between = count * (ordered.shape[1] - count) * apart**2 / ordered.shape[1] ** 2
    split = np.argmax(between, axis=1)
    rows = np.arange(len(cells))
    variance = cells.var(axis=1)
    two_greys = (variance >= LEAST_SPREAD**2) & (between[rows, split] >= LEAST_OF_VARIANCE * variance)
    threshold = (ordered[rows, split] + ordered[rows, split + 1]) / 2
    light = (cells > threshold[:, None]).reshape(-1, MARKER_CELLS, MARKER_CELLS)
    bits = light[:, 1:-1, 1:-1].reshape(len(cells), -1)
    border = light.sum(axis=(1, 2)) - bits.sum(axis=1)
    return bits @ _WEIGHTS, np.where(two_greys, border, MARKER_CELLS**2)


def _cells(gray: NDArray[np.uint8], corners: NDArray[np.float32]) -> NDArray[np.float32]:
    """(n, cells) mean grey of each cell, border and all, row by row.

    The map from the unit square to a quadrilateral; source: P. Heckbert, Fundamentals of texture mapping and image
    warping, master's thesis, Berkeley (1989), section 2.2.3.
    """
    import cv2

    within = (np.arange(MARKER_CELLS)[:, None] + SAMPLED_AT).ravel().astype(np.float32) / MARKER_CELLS
    u, v = within[None, None, :], within[None, :, None]
    steps = len(SAMPLED_AT)
    cells = np.empty((len(corners), MARKER_CELLS**2), np.float32)
    for start in range(0, len(corners), _PER_CALL):
        first, second, third, fourth = corners[start : start + _PER_CALL].transpose(1, 0, 2)
        one, two, skew = second - third, fourth - third, first - second + third - fourth
        area = _cross(one, two)
        g, h = _cross(skew, two) / area, _cross(one, skew) / area
        depth = g[:, None, None] * u + h[:, None, None] * v + 1
        maps = []
        for axis in (0, 1):
            along = second[:, axis] - first[:, axis] + g * second[:, axis]
            down = fourth[:, axis] - first[:, axis] + h * fourth[:, axis]
            place = along[:, None, None] * u + down[:, None, None] * v + first[:, axis, None, None]
            maps.append((place / depth).reshape(-1, len(within)))
        seen = cv2.remap(gray, maps[0], maps[1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        parts = seen.reshape(-1, MARKER_CELLS, steps, MARKER_CELLS, steps)
        cells[start : start + _PER_CALL] = parts.mean(axis=(2, 4), dtype=np.float32).reshape(-1, MARKER_CELLS**2)
    return cells


def _decoded(
    gray: NDArray[np.uint8],
    corners: NDArray[np.float32],
    lengths: Array,
    meaning: NDArray[np.int64],
    *,
    mirrored: bool,
) -> Readings:
    """Markers among the quadrilaterals by their `_meanings`, of the longest outline where several show the same."""
    chosen: dict[int, list[int]] = {}
    middles = corners.mean(axis=1)
    for number in np.argsort(-lengths, kind="stable"):
        if meaning[number] < 0:
            continue
        kept = chosen.setdefault(int(meaning[number]) // 4, [])
        near = SAME_PLACE_SHARE * lengths[number] / 4
        if all(float(np.linalg.norm(middles[number] - middles[other])) > near for other in kept):
            kept.append(int(number))
    ids = [marker for marker, numbers in chosen.items() for _ in numbers]
    numbers = [number for some in chosen.values() for number in some]
    places = _refined(gray, corners[numbers], lengths[numbers])
    order = [1, 0, 3, 2] if mirrored else [0, 1, 2, 3]
    return Readings(
        ids,
        [
            np.roll(place[order], int(meaning[number]) % 4, axis=0).astype(np.float64)
            for number, place in zip(numbers, places, strict=True)
        ],
    )


def _refined(gray: NDArray[np.uint8], corners: NDArray[np.float32], lengths: Array) -> NDArray[np.float32]:
    """The corners where the edges round each cross, looked for in a window that grows with the marker."""
    import cv2

    result = corners.copy()
    windows = np.clip((REFINED_SHARE * lengths / 4 / MARKER_CELLS).astype(int), *REFINED_PX)
    criteria = (cv2.TERM_CRITERIA_MAX_ITER + cv2.TERM_CRITERIA_EPS, 30, 0.1)
    for window in sorted(set(windows.tolist())):  # np.unique would import masked arrays, for 0.02 s
        some = windows == window
        flat = np.ascontiguousarray(result[some].reshape(-1, 1, 2))
        result[some] = cv2.cornerSubPix(gray, flat, (window, window), (-1, -1), criteria).reshape(-1, 4, 2)
    return result


@cache
def _meanings(mirrored: bool, wrong_bits: int) -> NDArray[np.int64]:
    """(65536,) for each code 4 m + k of the marker m that it is, or is up to `wrong_bits` (0 or 1) away from.

    k : by how many quarters it is turned against the clock; -1: no marker's. Markers differ by 3 bits or more.
    """
    bits = np.stack([marker_bits(marker) for marker in range(len(MARKER_CODES))]).astype(np.int64)
    turned = np.stack([np.rot90(bits, turns, axes=(1, 2)) for turns in range(4)], axis=1)
    if mirrored:
        turned = turned[..., ::-1]
    codes = turned.reshape(-1, MARKER_BITS**2) @ _WEIGHTS
    meaning = np.full(2 ** (MARKER_BITS**2), -1)
    for wrong in (0, *_WEIGHTS[: min(wrong_bits, CORRECTABLE_BITS) * MARKER_BITS**2]):
        meaning[codes ^ wrong] = np.arange(len(codes))
    return meaning

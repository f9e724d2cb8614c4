"""Finding markers: which sheets a photo shows, roughly where, and how many times.

What reads as printed is right-handed: the target itself, or a double reflection. What reads mirrored is a
reflection. Each *find* is one board: markers that one homography joins.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..optics.geometry import apply_homography, fit_homography
from ..target.sheets import Sheet, marker_corners_board, sheet_of_marker
from .marker_reading import Look, read_markers

Array = NDArray[np.float64]

#: A marker belongs to a board when its corners lie this close to where the board's other markers put
#: them, as a share of the marker's own size; looser while few markers are known.
JOIN_SHARE, JOIN_SHARE_FIRST = 0.35, 0.8


@dataclass(frozen=True, eq=False)
class Detection:
    """One board found by its markers.

    marker_ids : (m,); marker_pixels : (m, 4, 2) [px]; homography : board mm -> px.
    """

    sheet: Sheet
    mirrored: bool
    marker_ids: tuple[int, ...]
    marker_pixels: Array
    homography: Array

    @property
    def size_px(self) -> float:
        """Mean side of its markers [px], a measure of how near it is."""
        sides = np.linalg.norm(self.marker_pixels - np.roll(self.marker_pixels, 1, axis=1), axis=2)
        return float(sides.mean())


#: The look at the whole photo, another where that shows no board, and those at a part of it, one with every care.
#: Windows of the local threshold: small ones read small markers, wide ones those whose edges are blurred. In 49
#: photos windows of 7 px read 1581 markers of targets and 1369 of reflections in 0.9 s of processor time; of 7 and
#: 23 px, 1583 and 1380 in 1.7 s. What is seen at all by the one is seen by the other.
FIRST_LOOK = Look((7,), 0.016, 0.05)
WIDE_LOOK = Look((23,), 0.016, 0.05)
PART_LOOK = Look((7, 23), 0.016, 0.05)
CAREFUL_LOOK = Look((5, 15, 25, 35, 45), 0.008, 0.06)


def detect_markers(
    gray: NDArray[np.uint8], *, mirrored: bool, careful: bool = False
) -> tuple[list[int], list[Array]]:
    """Marker numbers and their corners (4, 2) [px] in `gray`, clockwise in the print.

    With `mirrored`, those that read mirrored.
    """
    found = read_markers(gray, CAREFUL_LOOK if careful else PART_LOOK)[mirrored]
    return found.ids, found.places


def group_boards(ids: list[int], places: list[Array], *, mirrored: bool, scale: float) -> list[Detection]:
    """Join markers to boards, the one with most markers first.

    Each marker in turn (largest first) starts a board from its own homography, and takes in the
    markers of its sheet that lie where that board predicts them.

    `scale` is the factor of the corner maps (mm) of a sheet as printed to true scale.
    """
    sides = [_side(place) for place in places]
    order = sorted(range(len(ids)), key=lambda i: -sides[i])
    free = set(order)
    detections: list[Detection] = []
    for seed in order:
        if seed not in free:
            continue
        sheet = sheet_of_marker(ids[seed])
        if sheet is None:
            continue
        sheet = sheet.scaled(scale)
        members = _grow(seed, sheet, ids, places, sides, free)
        homography = _homography(sheet, [ids[i] for i in members], [places[i] for i in members])
        # The sign of the map's derivative is that of det(H): w is positive over the board (H33 = 1 at its corner).
        if (np.linalg.det(homography) < 0) != mirrored:
            continue
        free -= set(members)
        detections.append(
            Detection(
                sheet,
                mirrored,
                tuple(ids[i] for i in members),
                np.stack([places[i] for i in members]),
                homography,
            )
        )
    return sorted(detections, key=lambda detection: (-len(detection.marker_ids), -detection.size_px))


def _grow(
    seed: int, sheet: Sheet, ids: list[int], places: list[Array], sides: list[float], free: set[int]
) -> list[int]:
    """The markers that the seed's board takes in, itself among them."""
    model = marker_corners_board(sheet)
    members = [seed]
    for _ in range(6):
        homography = _homography(sheet, [ids[i] for i in members], [places[i] for i in members])
        share = JOIN_SHARE_FIRST if len(members) < 4 else JOIN_SHARE
        joined: dict[int, tuple[float, int]] = {}
        known = np.mean([places[m].mean(axis=0) for m in members], axis=0)
        for i in free:
            if ids[i] not in sheet.marker_ids:
                continue
            predicted = apply_homography(homography, model[ids[i] - sheet.first_marker])
            off = float(np.abs(predicted - places[i]).max())
            reach = np.linalg.norm(places[i].mean(axis=0) - known) / sides[seed]
            if off < share * sides[i] * (1.0 + 0.15 * reach) and off < joined.get(ids[i], (np.inf, 0))[0]:
                joined[ids[i]] = (off, i)
        grown = [i for _, i in joined.values()]
        if set(grown) == set(members) or not grown:
            break
        members = grown if seed in grown or len(grown) > len(members) else members
    return members


def _homography(sheet: Sheet, ids: list[int], places: list[Array]) -> Array:
    model = marker_corners_board(sheet)
    source = np.concatenate([model[i - sheet.first_marker] for i in ids])
    return fit_homography(source, np.concatenate(places))


def _side(place: Array) -> float:
    return float(np.linalg.norm(place - np.roll(place, 1, axis=0), axis=1).mean())

"""The print's scale, from a thing of known size that lies on the floor beside the sheet: a bank card or a coin.

The floor is drawn as seen from straight above, at the height of the thing's upper face, in the sheet's own
millimetres; there the thing is looked for and its edges are fitted. Edges that turn towards the camera show the
thing's side wall below them, so only those are used that run away from it.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..errors import TargetError
from ..optics.camera_model import Camera
from ..optics.robust import median
from ..quantity import Quantity
from ..target.sheets import Sheet

Array = NDArray[np.float64]
Gray = NDArray[np.uint8]


@dataclass(frozen=True)
class KnownThing:
    """A thing of known size: a card of width_mm by height_mm, or a coin; sd_mm : of one to another."""

    words: str
    width_mm: float
    height_mm: float
    thickness_mm: float
    sd_mm: float
    round: bool = False


def _coin(words: str, diameter_mm: float, thickness_mm: float) -> KnownThing:
    return KnownThing(words, diameter_mm, diameter_mm, thickness_mm, 0.03, round=True)


#: Sources, all from memory. Card: ISO/IEC 7810, identification cards, format ID-1 (85.60 x 53.98 x 0.76 mm). Euro:
#: Council Regulation (EU) No 729/2014, annex. Dollar: the published specifications of circulating coins
#: (31 U.S.C. 5112). Wear takes up to a few hundredths of a millimetre: common practice, no source.
THINGS = {
    "card": KnownThing("bank card", 85.60, 53.98, 0.76, 0.06),
    "euro-1": _coin("1 euro coin", 23.25, 2.33),
    "euro-2": _coin("2 euro coin", 25.75, 2.20),
    "cent-50": _coin("50 euro cent coin", 24.25, 2.38),
    "us-quarter": _coin("US quarter", 24.26, 1.75),
}
#: The floor is drawn with pixels of this side, and so far around the sheet [mm].
STEP_MM, AROUND_MM = 0.2, 125.0
#: Prints are off by no more than this share: things of other sizes are not it; a choice.
MOST_SCALE_OFF = 0.06
#: An edge is looked for so far to either side of where it should be [mm].
EDGE_REACH_MM = 2.0
#: So large a part of an outline has to fit a circle or lines to within this [mm].
LEAST_SHARE, FIT_MM = 0.6, 0.25
#: Of an edge, so much of its middle is used: a card's corners are round.
MIDDLE_SHARE = 0.7
#: A card's side may lie this far off the line of sight, or across it [rad].
MOST_SKEW = math.radians(25.0)
#: No edge of a thing on a floor is placed better than this in a photo [mm, sd]; a choice.
EDGE_SD_MM = 0.05


def print_scale(
    gray: Gray, camera: Camera, cam_from_sheet: tuple[Array, Array], sheet: Sheet, thing: KnownThing
) -> Quantity:
    """How much larger than drawn the sheet is printed, from a known thing beside it.

    Parameters
    ----------
    gray : (height, width) of the photo; camera, cam_from_sheet : (rotation, translation) [sheet's mm] as solved
    with the sheet taken to be printed to scale.

    Raises
    ------
    TargetError
        No such thing is found beside the sheet, or it lies too much askew to be measured.
    """
    floor = _Floor(gray, camera, cam_from_sheet, sheet, thing.thickness_mm)
    found = list(_coins(floor, thing) if thing.round else _cards(floor, thing))
    if not found:
        raise TargetError(
            f"No {thing.words} was found beside the sheet.",
            "Lay it flat beside or before the sheet, wholly in view, on a floor of another brightness; "
            "a card with its sides along the sheet's.",
        )
    true_mm, measured_mm, sd_mm = min(found, key=lambda item: item[2])
    scale = true_mm / measured_mm
    half = 1.96 * scale * math.hypot(sd_mm / measured_mm, thing.sd_mm / true_mm)
    return Quantity(scale, scale - half, scale + half)


class _Floor:
    """The floor around a sheet from straight above: `picture`, first pixel at (left, top), x right, y up."""

    def __init__(
        self, gray: Gray, camera: Camera, cam_from_sheet: tuple[Array, Array], sheet: Sheet, height_mm: float
    ) -> None:
        import cv2

        rotation, translation = cam_from_sheet
        self.left, self.top = -sheet.width_mm / 2 - AROUND_MM, 0.0
        columns = round((sheet.width_mm + 2 * AROUND_MM) / STEP_MM)
        rows = round((sheet.depth_mm + AROUND_MM) / STEP_MM)
        x, y = np.meshgrid(self.left + STEP_MM * np.arange(columns), self.top - STEP_MM * np.arange(rows))
        points = np.column_stack([x.ravel(), y.ravel(), np.full(x.size, height_mm)])
        in_camera = points @ rotation.T + translation
        ahead = in_camera[:, 2] > 1.0
        pixels = np.full((x.size, 2), -1.0)
        pixels[ahead] = camera.project(in_camera[ahead])
        maps = pixels.astype(np.float32).reshape(rows, columns, 2)
        self.picture = np.asarray(cv2.remap(gray, maps[..., 0], maps[..., 1], cv2.INTER_LINEAR), np.float32)
        self.picture = np.asarray(cv2.GaussianBlur(self.picture, (0, 0), 1.2), np.float32)
        inside = (np.abs(x) < sheet.width_mm / 2 + 1.0) & (y > -sheet.depth_mm - 1.0)
        self.outside_sheet = ~inside & ahead.reshape(rows, columns)
        eye = -rotation.T @ translation
        #: The level direction away from the camera, at the sheet's middle.
        away = np.array([-eye[0], -sheet.depth_mm / 2 - eye[1]])
        self.away = away / np.linalg.norm(away)

    def at(self, points: Array) -> Array:
        """(n,) brightness at (n, 2) places [mm]; NaN beyond the picture or on the sheet."""
        import cv2

        column, row = (points[:, 0] - self.left) / STEP_MM, (self.top - points[:, 1]) / STEP_MM
        maps = np.stack([column, row], axis=1).astype(np.float32)[:, None]
        values = cv2.remap(self.picture, maps[..., 0], maps[..., 1], cv2.INTER_LINEAR)[:, 0].astype(float)
        rows, columns = self.picture.shape
        ok = (column >= 0) & (row >= 0) & (column < columns - 1) & (row < rows - 1)
        kept = self.outside_sheet[
            np.clip(row.round().astype(int), 0, rows - 1), np.clip(column.round().astype(int), 0, columns - 1)
        ]
        return np.where(ok & kept, values, np.nan)

    def edges(self, starts: Array, directions: Array) -> Array:
        """(n,) how far along each (n, 2) direction from its start the steepest step in brightness lies [mm]."""
        along = np.arange(-EDGE_REACH_MM, EDGE_REACH_MM + STEP_MM / 4, STEP_MM / 2)
        places = starts[:, None] + along[None, :, None] * directions[:, None]
        values = self.at(places.reshape(-1, 2)).reshape(len(starts), len(along))
        steps = np.abs(np.gradient(values, axis=1))
        steps = np.where(np.isfinite(steps), steps, 0.0)
        best = np.clip(steps.argmax(axis=1), 1, len(along) - 2)
        row = np.arange(len(starts))
        before, at, after = steps[row, best - 1], steps[row, best], steps[row, best + 1]
        bend = before - 2 * at + after
        shift = np.where(np.abs(bend) > 1e-9, 0.5 * (before - after) / np.where(bend == 0, 1, bend), 0.0)
        found = along[best] + np.clip(shift, -1, 1) * STEP_MM / 2
        return np.where(at > 0.5, found, np.nan)


def _coins(floor: _Floor, thing: KnownThing) -> Iterator[tuple[float, float, float]]:
    """(true, measured, sd) diameters [mm] of circles of about the coin's size."""
    import cv2

    radius = thing.width_mm / 2 / STEP_MM
    shown = np.where(floor.outside_sheet, floor.picture, median(floor.picture)).astype(np.uint8)
    bounds = round(radius * (1 - MOST_SCALE_OFF)), round(radius * (1 + MOST_SCALE_OFF)) + 1
    circles = cv2.HoughCircles(
        shown,
        cv2.HOUGH_GRADIENT,
        1.5,
        radius,
        param1=60,
        param2=25,
        minRadius=bounds[0],
        maxRadius=bounds[1],
    )
    for column, row, _ in () if circles is None else circles[0][:8]:
        centre = np.array([floor.left + STEP_MM * column, floor.top - STEP_MM * row])
        straight = math.atan2(floor.away[1], floor.away[0])
        angles = straight + np.radians(np.linspace(-85, 85, 120))
        directions = np.column_stack([np.cos(angles), np.sin(angles)])
        starts = centre + thing.width_mm / 2 * directions
        edge = floor.edges(starts, directions)
        places = (starts + edge[:, None] * directions)[np.isfinite(edge)]
        fit = _circle(places)
        if fit is None or fit[2] < LEAST_SHARE * len(angles):
            continue
        diameter, sd, _ = fit
        if abs(diameter / thing.width_mm - 1) < MOST_SCALE_OFF:
            yield thing.width_mm, diameter, sd


def _circle(places: Array) -> tuple[float, float, int] | None:
    """(diameter, its sd, points used) of a circle through points, outliers left out (I. Kasa, 1976)."""
    for _ in range(6):
        if len(places) < 12:
            return None
        matrix = np.column_stack([2 * places, np.ones(len(places))])
        solution, *_ = np.linalg.lstsq(matrix, (places**2).sum(axis=1), rcond=None)
        radius = math.sqrt(max(float(solution[2] + solution[:2] @ solution[:2]), 0.0))
        off = np.linalg.norm(places - solution[:2], axis=1) - radius
        good = np.abs(off - median(off)) < max(FIT_MM, 2.5 * float(median(np.abs(off))))
        if good.all():
            break
        places = places[good]
    if float(np.sqrt(np.mean(off**2))) > FIT_MM:
        return None
    spread = np.linalg.inv(matrix.T @ matrix) * float(np.mean(off**2)) * 4 * radius**2
    gradient = np.array([*(solution[:2] / radius), 0.5 / radius])
    sd = 2 * math.sqrt(float(gradient @ spread @ gradient))
    return 2 * radius, math.hypot(sd, EDGE_SD_MM), len(places)


def _cards(floor: _Floor, thing: KnownThing) -> Iterator[tuple[float, float, float]]:
    """(true, measured, sd) width or height [mm] of rectangles of about the card's size, whichever lies across."""
    import cv2

    shown = np.where(floor.outside_sheet, floor.picture, median(floor.picture)).astype(np.uint8)
    edges = cv2.dilate(cv2.Canny(shown, 25, 70), np.ones((3, 3), np.uint8))
    contours, _ = cv2.findContours(edges, cv2.RETR_LIST, cv2.CHAIN_APPROX_NONE)
    seen: list[Array] = []
    for contour in contours:
        (column, row), sides, turned = cv2.minAreaRect(contour)
        long, short = (STEP_MM * side for side in sorted(sides, reverse=True))
        if (
            abs(long / thing.width_mm - 1) > MOST_SCALE_OFF + 0.02
            or abs(short / thing.height_mm - 1) > MOST_SCALE_OFF + 0.03
        ):
            continue
        centre = np.array([floor.left + STEP_MM * column, floor.top - STEP_MM * row])
        if any(np.linalg.norm(centre - other) < 3.0 for other in seen):
            continue
        seen.append(centre)
        # In the picture y points down: angles turn the other way.
        first = np.array([math.cos(math.radians(-turned)), math.sin(math.radians(-turned))])
        long_axis = first if sides[0] >= sides[1] else np.array([-first[1], first[0]])
        found = _across(floor, thing, centre, long_axis)
        if found is not None:
            yield found


def _across(floor: _Floor, thing: KnownThing, centre: Array, long_axis: Array) -> tuple[float, float, float] | None:
    """The distance of the two sides that run away from the camera; None where they do not fit lines."""
    short_axis = np.array([-long_axis[1], long_axis[0]])
    if abs(float(long_axis @ floor.away)) < abs(float(short_axis @ floor.away)):
        axis, other, true_mm, length_mm = long_axis, short_axis, thing.width_mm, thing.height_mm
    else:
        axis, other, true_mm, length_mm = short_axis, long_axis, thing.height_mm, thing.width_mm
    if abs(float(axis @ floor.away)) > math.sin(MOST_SKEW):
        return None
    along = MIDDLE_SHARE * length_mm * np.linspace(-0.5, 0.5, 100)
    lines = []
    for side in (-1.0, 1.0):
        starts = centre + side * true_mm / 2 * axis + along[:, None] * other
        edge = floor.edges(starts, np.broadcast_to(side * axis, starts.shape))
        line = _line(along, edge)
        if line is None:
            return None
        lines.append(line)
    # Parallel sides: their mean slope turns the distance measured along the axis into the one square to them.
    (first, sd_first), (second, sd_second) = lines
    slope = math.atan((second[1] - first[1]) / 2)
    distance = (true_mm + first[0] + second[0]) * math.cos(slope)
    if abs(distance / true_mm - 1) > MOST_SCALE_OFF or abs(second[1] + first[1]) > 0.02:
        return None
    return true_mm, distance, math.hypot(sd_first, sd_second)


def _line(along: Array, edge: Array) -> tuple[Array, float] | None:
    """((place at the middle, slope), sd of the place) of a straight edge, outliers left out."""
    good = np.isfinite(edge)
    for _ in range(6):
        if good.sum() < LEAST_SHARE * len(edge):
            return None
        matrix = np.column_stack([np.ones(len(edge)), along])
        fit, *_ = np.linalg.lstsq(matrix[good], edge[good], rcond=None)
        off = np.where(np.isfinite(edge), edge - matrix @ fit, np.inf)
        kept = np.abs(off) < max(FIT_MM, 2.5 * float(median(np.abs(off[good]))))
        if (kept == good).all():
            break
        good = kept
    rms = float(np.sqrt(np.mean(off[good] ** 2)))
    if rms > FIT_MM:
        return None
    return np.asarray(fit, float), math.hypot(rms / math.sqrt(float(good.sum())), EDGE_SD_MM)

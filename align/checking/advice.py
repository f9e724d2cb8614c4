"""Warnings about an answer, and which photo would make it better."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from ..bundle.photo_set import Sighted
from ..optics.robust import median
from ..solve.forward_model import BOW_PARAMETERS
from ..solve.joint import Solution
from ..target.sheets import Sheet
from .result import MirrorResult
from .shims import suggested_turn
from .thresholds import (
    ASK_TURN_DEG,
    BLURRED_PX,
    BOW_SIGMAS,
    BOW_WORTH_MM,
    CURL_WORTH_MM,
    FEW_CORNERS_SHARE,
    LOW_CAMERA_DEG,
    SMALL_SHEET_SHARE,
    SMALL_SQUARE_PX,
    STEEP_CAMERA_DEG,
    WRONG_WAY_DEG,
)

CURL_WORDS = {
    "far": "edge towards the mirror",
    "near": "edge towards you",
    "left": "left edge",
    "right": "right edge",
    "far left": "left corner towards the mirror",
    "far right": "right corner towards the mirror",
    "near left": "left corner towards you",
    "near right": "right corner towards you",
}
#: What to do, without the reason that the advice adds: the quality line names its own.
HOLD_HIGHER = "Hold the phone higher"
HOLD_LOWER = "Hold the phone lower"
GO_NEARER = "Go nearer, or put the sheet nearer to the mirror"
HOLD_STILL = "Hold the phone still and tap on the reflection to focus"
MORE_PHOTOS = "Two or three photos from different heights in one check narrow the interval further"


def advice_for(
    sheet: Sheet,
    solution: Solution,
    photos: Sequence[Sighted],
    mirrors: Sequence[MirrorResult],
    tolerance_deg: float,
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """(warnings, advice): what is amiss, and what the next photo should do better."""
    warnings = _curl_warnings(solution) + _bow_warning(solution) + _lie_warning(mirrors)
    advice: list[str] = []
    weak = any(
        m.lean_deg.half_width > tolerance_deg / 2 or m.turn_deg.half_width > tolerance_deg / 2 for m in mirrors
    )
    for number, item in enumerate(photos):
        warnings += _photo_warnings(sheet, item)
        if weak:
            advice += _photo_advice(solution, number, item)
    advice += _corner_advice(mirrors)
    if weak and len(photos) == 1:
        advice.append(f"{MORE_PHOTOS}.")
    return tuple(dict.fromkeys(warnings)), tuple(dict.fromkeys(advice))


def _corner_advice(mirrors: Sequence[MirrorResult]) -> list[str]:
    """Mirrors of a corner cannot all be square to the sheet: the turn that is wanted has to be named for each."""
    far = any(abs(m.turn_deg.value - m.want_turn_deg) > ASK_TURN_DEG for m in mirrors)
    if len(mirrors) < 2 or not far:
        return []
    example = " ".join(f"--want-turn {suggested_turn(mirror.turn_deg)}" for mirror in mirrors)
    return [
        "The mirrors are not all square to the sheet. Name the turn that is wanted for each of them, from left to "
        f"right; as they stand now: {example}"
    ]


def _lie_warning(mirrors: Sequence[MirrorResult]) -> list[str]:
    """A sheet that lies the wrong way round before the only mirror: turn is told against its edge."""
    if len(mirrors) != 1 or abs(mirrors[0].turn_off_deg) <= WRONG_WAY_DEG:
        return []
    return [
        "The sheet seems to lie the wrong way round: its arrow points away from the mirror. The lean holds all the "
        "same; turn and gap are measured against the sheet's edges. Turn its arrow to the mirror and photograph "
        f"again; or, if it is meant to lie so, say --want-turn {suggested_turn(mirrors[0].turn_deg)}."
    ]


def _curl_warnings(solution: Solution) -> list[str]:
    """Edges and corners of the sheet that are up from the floor: which, how far, what to do."""
    return [
        f"The sheet's {CURL_WORDS[curl.place]} is up by {curl.lift_mm:.1f} mm. The floor is taken from what lies "
        "flat, and the interval allows for it; weigh it down, or stick the sheet on card, for a better answer."
        for curl in solution.curls
        if curl.lift_mm > CURL_WORTH_MM and curl.lift_mm > BOW_SIGMAS * curl.sd_mm
    ]


def _bow_warning(solution: Solution) -> list[str]:
    where = solution.state.layout.bow
    bow = solution.state.vector[where]
    sd = np.sqrt(np.diag(solution.covariance)[where])
    largest = int(np.argmax(np.abs(bow)))
    if abs(bow[largest]) > BOW_WORTH_MM and abs(bow[largest]) > BOW_SIGMAS * sd[largest]:
        ways = {
            "bow_x_mm": "from side to side",
            "bow_y_mm": "from front to back",
            "twist_mm": "corner to corner",
        }
        return [
            f"The sheet does not lie flat: it bows by about {abs(bow[largest]):.1f} mm "
            f"{ways[BOW_PARAMETERS[largest]]}. That is allowed for; taping it to card gives a better answer."
        ]
    return []


def _photo_warnings(sheet: Sheet, item: Sighted) -> list[str]:
    result = []
    for board in item.sighting.reflections:
        share = len(board.corner_ids) / sheet.corner_count
        if share < FEW_CORNERS_SHARE:
            result.append(
                f"{item.photo.name}: only {len(board.corner_ids)} of {sheet.corner_count} corners of the "
                "reflection are visible."
            )
    return result


def elevation_of(solution: Solution, photo: int) -> float:
    """How high over the floor a photo's camera stood, seen from the sheet [rad]."""
    eye = solution.state.eye(photo)
    return math.asin(float(eye[2] / np.linalg.norm(eye)))


def _photo_advice(solution: Solution, photo: int, item: Sighted) -> list[str]:
    result, sighting = [], item.sighting
    elevation = math.degrees(elevation_of(solution, photo))
    if elevation < LOW_CAMERA_DEG:
        result.append(f"{HOLD_HIGHER}: 30 to 45 degrees above the floor shows the sheet better.")
    if elevation > STEEP_CAMERA_DEG:
        result.append(f"{HOLD_LOWER}: from so steep a view the mirror's lean hardly shows.")
    squares = [float(median(board.square_px)) for board in sighting.reflections]
    if squares and min(squares) < SMALL_SQUARE_PX:
        result.append(f"{GO_NEARER}: its reflection is small in the photo.")
    blur = max((board.blur_px for board in (sighting.target, *sighting.reflections)), default=0.0)
    if blur > BLURRED_PX:
        result.append(f"{HOLD_STILL}: the photo is blurred.")
    width = float(np.ptp(sighting.target.outline_px[:, 0]))
    if width < SMALL_SHEET_SHARE * item.size[0]:
        result.append("Let the sheet and its reflection fill the frame: they take up little of it.")
    return result

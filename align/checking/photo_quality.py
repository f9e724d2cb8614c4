"""How good the photos of an answer are, and the one thing that would better it most.

Each fault is given the factor by which mending it would narrow the intervals, roughly: shares of corners, of
blur, of light and of contrast as rendered photos bear them out (docs/conditions.md), and for the camera what the
solve's own covariance says. The largest factor is named.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from ..bundle.adjustment import Adjustment
from ..optics.robust import median
from ..sighting.photo import Sighting
from ..solve.joint import Solution
from .advice import (
    GO_NEARER,
    HOLD_HIGHER,
    HOLD_LOWER,
    HOLD_STILL,
    MORE_PHOTOS,
    elevation_of,
)
from .result import CameraSummary, Grade, MirrorResult, Quality
from .thresholds import (
    BRIGHT_PAPER,
    FAIR_SHARE,
    FULL_CONTRAST,
    GLARE_SHARE,
    GOOD_SHARE,
    LOW_CAMERA_DEG,
    SHARP_PX,
    SMALL_SQUARE_PX,
    STEEP_CAMERA_DEG,
    WORTH_FACTOR,
    WORTH_FACTOR_WHEN_GOOD,
)

#: What takes a paper print's own faults out of the answer.
EXACT_PRINT = (
    f"{MORE_PHOTOS}, or with the sheet turned by 90 degrees between them and --turned-sheet; or measure both rules "
    "and say --rule; or use a plotted or engraved plate and say --exact-print."
)


@dataclass(frozen=True)
class Fault:
    """One thing amiss: its name, how much, what to try, and the factor by which mending it narrows the answer."""

    cause: str
    words: str
    remedy: str
    factor: float
    photo: int | None = None


def quality_of(
    adjustment: Adjustment, mirrors: Sequence[MirrorResult], tolerance_deg: float, camera: CameraSummary
) -> Quality:
    """How good the photos are for this answer."""
    solution, photos = adjustment.solution, adjustment.photos
    widest = max(max(m.lean_deg.half_width, m.turn_deg.half_width) for m in mirrors)
    share = widest / tolerance_deg
    grade: Grade = "good" if share <= GOOD_SHARE else "fair" if share <= FAIR_SHARE else "poor"
    faults = [fault for number, item in enumerate(photos) for fault in _faults(solution, number, item.sighting)]
    if grade == "good":  # how high the camera stood is in the interval already: lower ones have narrower ones
        faults = [fault for fault in faults if fault.cause not in ("low", "steep")]
    else:
        faults += [*_unknowns(solution, camera.source), *_uneven(solution)]
    worst = max(faults, key=lambda fault: fault.factor, default=None)
    if worst is None or worst.factor < (WORTH_FACTOR_WHEN_GOOD if grade == "good" else WORTH_FACTOR):
        return Quality(grade, widest, share, remedy="" if grade == "good" else f"{MORE_PHOTOS}.")
    name = photos[worst.photo].photo.name if worst.photo is not None and len(photos) > 1 else ""
    return Quality(grade, widest, share, worst.cause, worst.words, worst.remedy, name)


def _faults(solution: Solution, photo: int, sighting: Sighting) -> Iterator[Fault]:
    """What is amiss with one photo."""
    yield from _hidden(photo, sighting)
    blur = max(board.blur_px for board in (sighting.target, *sighting.reflections))
    yield Fault("blur", f"blurred by {blur:.1f} px", f"{HOLD_STILL}.", blur / SHARP_PX, photo)
    yield from _light(photo, sighting)
    for board in sighting.reflections:
        square = float(median(board.square_px))
        words = f"the reflection's squares are only {square:.0f} px high"
        yield Fault("small", words, f"{GO_NEARER}.", 1.6 * SMALL_SQUARE_PX / square, photo)
    elevation = elevation_of(solution, photo)
    words = f"taken from {math.degrees(elevation):.0f}° above the floor"
    if elevation < math.radians(LOW_CAMERA_DEG):
        yield Fault(
            "low",
            words,
            f"{HOLD_HIGHER}: 30 to 45 degrees.",
            math.sin(math.radians(35)) / math.sin(elevation),
            photo,
        )
    if elevation > math.radians(STEEP_CAMERA_DEG):
        yield Fault(
            "steep",
            words,
            f"{HOLD_LOWER}: 30 to 45 degrees.",
            math.cos(math.radians(40)) / math.cos(elevation),
            photo,
        )


def _hidden(photo: int, sighting: Sighting) -> Iterator[Fault]:
    """Corners that cannot be seen, to glare or to what lies before them."""
    lights = sighting.lights or (None,) * (1 + len(sighting.reflections))
    for board, light in zip((sighting.target, *sighting.reflections), lights, strict=True):
        seen, all_of_them = len(board.corner_ids), board.sheet.corner_count
        whose = "the reflection" if board.mirrored else "the sheet"
        words = f"{seen} of {all_of_them} corners of {whose} can be seen"
        if light is not None and light.burnt_share > GLARE_SHARE and seen < all_of_them:
            remedy = "Move the lamp, or draw the curtain, that glares on the paper; or print on matt paper."
            yield Fault("glare", f"glare: {words}", remedy, all_of_them / seen, photo)
        elif board.mirrored:
            remedy = (
                "Stand where the mirror shows the whole sheet, with nothing before it; or lay the sheet nearer."
            )
            yield Fault("hidden reflection", f"only {words}", remedy, all_of_them / seen, photo)
        else:
            remedy = "Show the whole sheet, with nothing lying on it and no hand before it."
            yield Fault("hidden sheet", f"only {words}", remedy, all_of_them / seen, photo)


def _light(photo: int, sighting: Sighting) -> Iterator[Fault]:
    """Too little light, a pale print, a veiled mirror."""
    if not sighting.lights or sighting.lights[0] is None:
        return
    target = sighting.lights[0]
    yield Fault(
        "dark",
        "dark",
        "Bring more light, or tap on the sheet, so that the paper looks white in the photo.",
        math.sqrt(BRIGHT_PAPER / max(target.paper, 1e-3)),
        photo,
    )
    pale = FULL_CONTRAST / max(target.contrast, 0.05)
    remedy = "Print it in full black, not in a saving or draft mode, and keep lamps off it."
    yield Fault("pale print", "the print is pale: grey on white", remedy, pale**2, photo)
    for light in sighting.lights[1:]:
        if light is not None:
            veiled = target.contrast / max(light.contrast, 0.05)
            yield Fault("veiled mirror", "the mirror is veiled", "Wipe the mirror clean.", veiled**2, photo)


def _unknowns(solution: Solution, camera_source: str) -> Iterator[Fault]:
    """What the answer would gain if camera, editing or glass were known: from the covariance."""
    layout = solution.state.layout
    camera, reshape = (range(*where.indices(layout.size)) for where in (layout.camera, layout.reshape))
    if solution.covariance[reshape[0], reshape[0]] > 0:  # no camera file fits such a picture
        words = "the picture may have been cut, stretched or slanted"
        yield Fault("edited", words, "Send the phone's original.", solution.widened_by([*camera, *reshape]))
    elif camera_source != "file":
        remedy = "Measure the camera once with `align camera` and pass its file: it narrows the interval most."
        yield Fault("camera", "the camera is not known", remedy, solution.widened_by(camera))
    if not solution.constraints.exact_print:
        words = "how exact the print is, is not known"
        yield Fault("print", words, EXACT_PRINT, solution.widened_by(solution.entries("print")))
    if solution.constraints.glass_mm is None:
        glass = solution.widened_by(solution.entries("thickness_mm"))
        yield Fault("glass", "the glass is not known", "Say how thick the glass is: --glass MM, 0 for none.", glass)


def _uneven(solution: Solution) -> Iterator[Fault]:
    """Errors that neighbouring corners share."""
    angle = solution.widest_angle
    wider = math.sqrt(solution.covariance[angle, angle] / solution.covariance_apart[angle, angle])
    words = "neighbouring corners are off together, as on a sheet that does not lie flat"
    yield Fault("uneven", words, "Stick the sheet on a flat board, or weigh its edges down.", wider)

"""From the solve's parameters to the answer: intervals, verdicts, shims, warnings and what a picture shows."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from .advice import advice_for
from .geometry import angle_between
from .model import DIRECT
from .overlay import overlay_of
from .results import (
    CameraSummary,
    CheckResult,
    GlassSummary,
    MirrorAngle,
    MirrorResult,
    PhotoSummary,
    Quantity,
)
from .shims import Mount, propagate, shims_for
from .sighting_photo import Sighting
from .solve import Knowledge, Solution
from .target import Sheet

Array = NDArray[np.float64]

#: No mirror is sold thinner: below, the mirror is front-coated [mm]; above, it has glass in front.
FRONT_COATED_BELOW_MM, BACK_SILVERED_ABOVE_MM = 1.2, 0.8
#: A thickness is reported when its interval is narrower than this, half width [mm].
THICKNESS_WORTH_MM = 1.0


def report(
    sheet: Sheet,
    solution: Solution,
    photos: Sequence[tuple[Path, tuple[int, int], Sighting]],
    *,
    camera_source: str,
    want_turn: float,
    tolerance: float,
    mirror_size_mm: tuple[float, float] | None,
    mount: Mount,
    warnings: tuple[str, ...] = (),
) -> CheckResult:
    """The whole answer; angles in radians."""
    mirrors = tuple(
        mirror_result(solution, number, want_turn, tolerance, mirror_size_mm, mount)
        for number in range(solution.state.layout.mirrors)
    )
    focal = solution.camera.focal_px
    focal_half = solution.quantile * math.sqrt(float(solution.covariance[0, 0]))
    more_warnings, advice = advice_for(sheet, solution, photos, mirrors, math.degrees(tolerance))
    return CheckResult(
        photos=tuple(
            _photo_summary(solution, number, path, size) for number, (path, size, _) in enumerate(photos)
        ),
        camera=CameraSummary(
            camera_source,
            Quantity(focal, focal * math.exp(-focal_half), focal * math.exp(focal_half)),
        ),
        mirrors=mirrors,
        angles=_mirror_angles(solution),
        sheet=sheet.name,
        want_turn_deg=math.degrees(want_turn),
        tolerance_deg=math.degrees(tolerance),
        warnings=(*warnings, *more_warnings),
        advice=advice,
        overlays=tuple(
            overlay_of(sheet, solution, number, path, size, sighting, want_turn, mirror_size_mm)
            for number, (path, size, sighting) in enumerate(photos)
        ),
    )


def mirror_result(
    solution: Solution,
    number: int,
    want_turn: float,
    tolerance: float,
    mirror_size_mm: tuple[float, float] | None,
    mount: Mount,
) -> MirrorResult:
    """One mirror's numbers with their intervals."""
    lean, turn, distance, thickness = (float(v) for v in solution.mirror_parameters(number))
    covariance = solution.mirror_covariance(number)
    quantile = solution.quantile
    half = quantile * np.sqrt(np.diag(covariance))
    angles, angle_covariance = np.array([lean, turn]), covariance[:2, :2]
    climb = propagate(lambda a, b: 100.0 * math.tan(2 * a), angles, angle_covariance, quantile)
    bend = propagate(lambda a, b: 100.0 * math.tan(2 * (b - want_turn)), angles, angle_covariance, quantile)
    return MirrorResult(
        number=number + 1,
        lean_deg=_degrees(lean, float(half[0])),
        turn_deg=_degrees(turn, float(half[1])),
        distance_mm=Quantity(distance, distance - float(half[2]), distance + float(half[2])),
        glass=_glass(thickness, float(half[3]), solution.knowledge),
        shims=shims_for(
            angles,
            angle_covariance,
            quantile,
            want_turn=want_turn,
            mirror_size_mm=mirror_size_mm,
            mount=mount,
        ),
        verdict=verdict((lean, turn - want_turn), (float(half[0]), float(half[1])), tolerance),
        climb_mm_per_100=climb,
        bend_mm_per_100=bend,
    )


def verdict(errors: tuple[float, float], halves: tuple[float, float], tolerance: float) -> str:
    """ "square" when both intervals lie within the tolerance, "out of square" when one lies wholly outside."""
    if any(abs(error) - half > tolerance for error, half in zip(errors, halves, strict=True)):
        return "out of square"
    if all(abs(error) + half <= tolerance for error, half in zip(errors, halves, strict=True)):
        return "square"
    return "undetermined"


def _degrees(value: float, half: float) -> Quantity:
    return Quantity(math.degrees(value), math.degrees(value - half), math.degrees(value + half))


def thickness_summary(solution: Solution, mirror: int) -> GlassSummary:
    """What the sheet's corners alone say of a mirror's glass."""
    half = solution.quantile * math.sqrt(float(solution.mirror_covariance(mirror)[3, 3]))
    return _glass(float(solution.mirror_parameters(mirror)[3]), half, solution.knowledge)


def _glass(thickness: float, half: float, knowledge: Knowledge) -> GlassSummary:
    if knowledge.glass_mm is not None:
        stated = knowledge.glass_mm
        if stated == 0:
            return GlassSummary("front-coated", Quantity(0.0, 0.0, 0.0), "stated")
        return GlassSummary(
            "back-silvered", Quantity(thickness, thickness - half, thickness + half), "stated"
        )
    low, high = max(thickness - half, 0.0), max(thickness + half, 0.0)
    known = Quantity(max(thickness, 0.0), low, high) if half < THICKNESS_WORTH_MM else None
    if low > BACK_SILVERED_ABOVE_MM:
        return GlassSummary("back-silvered", known)
    if high < FRONT_COATED_BELOW_MM:
        return GlassSummary("front-coated", known)
    return GlassSummary("undetermined", known)


def _photo_summary(solution: Solution, number: int, path: Path, size: tuple[int, int]) -> PhotoSummary:
    views = [view for view in solution.views if view.photo == number]
    return PhotoSummary(
        file=str(path),
        size=size,
        direct_corners=sum(len(v.pixels) for v in views if v.mirror == DIRECT),
        reflected_corners=sum(len(v.pixels) for v in views if v.mirror != DIRECT),
        rms_px=solution.rms_px(number),
    )


def _mirror_angles(solution: Solution) -> tuple[MirrorAngle, ...]:
    """The angle between each two mirrors' faces: 180 degrees less that between their normals."""
    layout = solution.state.layout
    angles = []
    for first in range(layout.mirrors):
        for second in range(first + 1, layout.mirrors):

            def between(vector: Array, first: int = first, second: int = second) -> float:
                from .geometry import mirror_normal

                a = mirror_normal(*vector[layout.mirror(first)][:2])
                b = mirror_normal(*vector[layout.mirror(second)][:2])
                return math.pi - angle_between(a, b)

            vector = solution.state.vector
            value = between(vector)
            gradient = np.zeros(layout.size)
            for mirror in (first, second):
                for entry in (0, 1):
                    step = np.zeros(layout.size)
                    step[layout.mirror(mirror).start + entry] = 1e-6
                    gradient += step / 1e-6 * (between(vector + step) - between(vector - step)) / 2e-6
            half = solution.quantile * math.sqrt(max(float(gradient @ solution.covariance @ gradient), 0.0))
            angles.append(MirrorAngle(first + 1, second + 1, _degrees(value, half)))
    return tuple(angles)

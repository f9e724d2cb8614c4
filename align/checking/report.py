"""From the solve's parameters to the answer: intervals, verdicts, shims, warnings and what a picture shows."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from ..bundle.adjustment import Adjustment
from ..bundle.glass import thickness_summary
from ..bundle.photo_set import Sighted
from ..errors import ReflectionError
from ..quantity import Quantity
from ..sighting.inter_reflections import InterReflection
from ..solve.forward_model import DIRECT
from ..solve.joint import Solution
from ..solve.solution import SolvedMirror
from ..target.sheets import Sheet
from .advice import advice_for
from .flatness import flatness_of
from .flatness_map import flatness_map
from .overlay import overlay_of
from .result import (
    CameraSource,
    CameraSummary,
    CheckResult,
    CurlSummary,
    InterReflectionSummary,
    MirrorAngle,
    MirrorResult,
    PhotoSummary,
    Verdict,
)
from .settings import CheckSettings, Size
from .shims import Measured, shims_for
from .thresholds import ALONG_SHEET_DEG


def report(adjustment: Adjustment, settings: CheckSettings, camera_source: CameraSource) -> CheckResult:
    """The whole answer; camera_source : where the camera's numbers are from."""
    sheet, solution, photos = adjustment.sheet, adjustment.solution, adjustment.photos
    wanted = wanted_turns(solution, settings.want_turn_deg)
    sizes = mirror_sizes(solution.mirror_count, settings)
    mirrors = tuple(
        mirror_result(solution, number, turn, settings, sizes[number]) for number, turn in enumerate(wanted)
    )
    if settings.flatness:
        mirrors = tuple(with_map(found, sheet, solution, sizes, settings.tolerance_deg) for found in mirrors)
    focal = solution.camera.focal_px
    focal_half = solution.quantile * math.sqrt(float(solution.covariance[0, 0]))
    more_warnings, advice = advice_for(sheet, solution, photos, mirrors, settings.tolerance_deg)
    return CheckResult(
        photos=tuple(_photo_summary(solution, number, item) for number, item in enumerate(photos)),
        camera=CameraSummary(
            camera_source,
            Quantity(focal, focal * math.exp(-focal_half), focal * math.exp(focal_half)),
        ),
        mirrors=mirrors,
        angles=_mirror_angles(solution),
        sheet=sheet.name,
        tolerance_deg=settings.tolerance_deg,
        warnings=(*adjustment.warnings, *more_warnings),
        advice=advice,
        overlays=tuple(
            overlay_of(sheet, solution, number, item, wanted, sizes) for number, item in enumerate(photos)
        ),
        touching=tuple(mirror + 1 for mirror in solution.constraints.contacts),
        rule_mm=settings.rule_mean_mm,
        curls=tuple(
            CurlSummary(curl.place, _around(curl.lift_mm, solution.quantile * curl.sd_mm))
            for curl in solution.curls
        ),
        settings=settings,
    )


def wanted_turns(solution: Solution, stated_deg: Sequence[float]) -> tuple[float, ...]:
    """The turn [rad] that is wanted of each mirror, from the left, square to the sheet where nobody said.

    Each is named as near to what its mirror has as whole turns allow: 180 degrees are -180.

    Raises
    ------
    ReflectionError
        As many turns as mirrors were expected.
    """
    turns = [math.radians(turn) for turn in stated_deg or (0.0,)]
    mirrors = solution.mirrors()
    if len(turns) == 1:
        turns *= len(mirrors)
    _expect_one_each("turn", len(turns), len(mirrors))
    return tuple(
        turn + 2 * math.pi * round((mirror.turn_rad - turn) / (2 * math.pi))
        for turn, mirror in zip(turns, mirrors, strict=True)
    )


def mirror_sizes(mirrors: int, settings: CheckSettings) -> tuple[Size | None, ...]:
    """The size of each mirror from the left, None where nobody said.

    Raises
    ------
    ReflectionError
        As many sizes as mirrors were expected.
    """
    sizes = settings.sizes_mm or (None,)
    if len(sizes) == 1:
        return sizes * mirrors
    _expect_one_each("size", len(sizes), mirrors)
    return sizes


def _expect_one_each(what: str, named: int, mirrors: int) -> None:
    """Refuse as many turns or sizes as there are no mirrors."""
    if named != mirrors:
        seen = "one mirror" if mirrors == 1 else f"{mirrors} mirrors"
        raise ReflectionError(
            f"The {what}s of {named} mirrors were named, but {seen} could be seen.",
            f"Name one {what} for all mirrors, or one for each mirror that shows the whole sheet, from left to "
            "right.",
        )


def mirror_result(
    solution: Solution, number: int, want_turn: float, settings: CheckSettings, size_mm: Size | None = None
) -> MirrorResult:
    """One mirror's numbers with their intervals; want_turn [rad]."""
    mirror = solution.mirror(number)
    lean, turn, quantile = mirror.lean_rad, mirror.turn_rad, solution.quantile
    half = quantile * np.sqrt(np.diag(mirror.covariance))
    measured = Measured(
        np.array([lean, turn]), mirror.covariance[:2, :2], quantile, want_turn, bool(settings.want_turn_deg)
    )
    return MirrorResult(
        number=number + 1,
        lean_deg=_degrees(lean, float(half[0])),
        turn_deg=_degrees(turn, float(half[1])),
        distance_mm=_distance(mirror, quantile),
        glass=thickness_summary(solution, number),
        shims=shims_for(measured, mirror_size_mm=size_mm, mount=settings.mount, stock_mm=settings.stock_mm),
        verdict=verdict(
            (lean, turn - want_turn), (float(half[0]), float(half[1])), math.radians(settings.tolerance_deg)
        ),
        climb_mm_per_100=measured.of(lambda at_lean, _: 100.0 * math.tan(2 * at_lean)),
        bend_mm_per_100=measured.of(lambda _, at_turn: 100.0 * math.tan(2 * (at_turn - want_turn))),
        want_turn_deg=round(math.degrees(want_turn), 9),
        offset_mm=_around(mirror.offset_mm, quantile * mirror.sd("offset_mm")),
        covariance=mirror.covariance,
        parameter_names=mirror.parameter_names,
        flatness=flatness_of(solution, number, settings.tolerance_deg, size_mm),
    )


def with_map(
    found: MirrorResult, sheet: Sheet, solution: Solution, sizes: Sequence[Size | None], tolerance_deg: float
) -> MirrorResult:
    """A mirror with the map of its flatness, by which flatness is judged then; sizes : of all mirrors."""
    number = found.number - 1
    shown = flatness_map(solution, number, sheet, tolerance_deg, sizes[number])
    if found.flatness is None or shown is None:
        return found
    return replace(found, flatness=replace(found.flatness, verdict=shown.verdict, map=shown))


def _distance(mirror: SolvedMirror, quantile: float) -> Quantity | None:
    """Along y, from the contact edge's middle to the glass; None for a mirror that runs along the sheet."""
    if abs(math.cos(mirror.turn_rad)) < math.cos(math.radians(ALONG_SHEET_DEG)):
        return None
    return _around(mirror.distance_mm, quantile * mirror.distance_sd_mm)


def _around(value: float, half: float) -> Quantity:
    return Quantity(value, value - half, value + half)


def verdict(errors: tuple[float, float], halves: tuple[float, float], tolerance: float) -> Verdict:
    """ "square" when both intervals lie within the tolerance, "out of square" when one lies wholly outside."""
    if any(abs(error) - half > tolerance for error, half in zip(errors, halves, strict=True)):
        return "out of square"
    if all(abs(error) + half <= tolerance for error, half in zip(errors, halves, strict=True)):
        return "square"
    return "undetermined"


def _degrees(value: float, half: float) -> Quantity:
    return Quantity(math.degrees(value), math.degrees(value - half), math.degrees(value + half))


def _photo_summary(solution: Solution, number: int, item: Sighted) -> PhotoSummary:
    views = [view for view in solution.views if view.photo == number]
    return PhotoSummary(
        file=str(item.photo),
        size=item.size,
        direct_corners=sum(len(v.pixels) for v in views if v.mirror == DIRECT),
        reflected_corners=sum(len(v.pixels) for v in views if v.mirror != DIRECT),
        rms_px=solution.rms_px(number),
        inter_reflections=tuple(
            _inter_reflection_summary(item, inter_reflection)
            for inter_reflection in item.sighting.inter_reflections
        ),
    )


def _inter_reflection_summary(item: Sighted, inter_reflection: InterReflection) -> InterReflectionSummary:
    """A repeated reflection with its mirrors' numbers in the answer, which counts over all photos."""
    x, y = (float(value) for value in inter_reflection.board.outline_px.mean(axis=0))
    mirrors = tuple(item.mirrors[local] + 1 for local in inter_reflection.mirrors)
    return InterReflectionSummary(inter_reflection.kind, mirrors, len(inter_reflection.board.corner_ids), (x, y))


def _mirror_angles(solution: Solution) -> tuple[MirrorAngle, ...]:
    """The angle between each two mirrors' faces: 180 degrees less that between their normals."""
    angles = []
    for first, second in itertools.combinations(range(solution.mirror_count), 2):
        value, sd = solution.angle_between(first, second)
        angles.append(MirrorAngle(first + 1, second + 1, _degrees(value, solution.quantile * sd)))
    return tuple(angles)

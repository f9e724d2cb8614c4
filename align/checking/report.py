"""From the solve's parameters to the answer: intervals, verdicts, shims, warnings and what a picture shows."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from ..bundle.glass import thickness_summary
from ..errors import ReflectionError
from ..quantity import Quantity
from ..sighting.inter_reflections import InterReflection
from ..sighting.photo import Sighting
from ..solve.forward_model import DIRECT
from ..solve.joint import Solution, View
from ..solve.solution import SolvedMirror
from ..target.sheets import Sheet
from .advice import advice_for
from .overlay import overlay_of
from .result import CameraSummary, CheckResult, InterReflectionSummary, MirrorAngle, MirrorResult, PhotoSummary
from .settings import Mount
from .shims import propagate, shims_for

#: A mirror turned farther than this runs along the sheet's depth: a distance along it says nothing.
ALONG_SHEET_DEG = 60.0


def report(
    sheet: Sheet,
    solution: Solution,
    photos: Sequence[tuple[Path, tuple[int, int], Sighting]],
    *,
    camera_source: str,
    want_turn: float | Sequence[float],
    tolerance: float,
    mirror_size_mm: tuple[float, float] | None,
    mount: Mount,
    warnings: tuple[str, ...] = (),
) -> CheckResult:
    """The whole answer; angles in radians; want_turn : one for all mirrors, or one for each from the left."""
    wanted = wanted_turns(want_turn, solution.mirror_count)
    mirrors = tuple(
        mirror_result(solution, number, turn, tolerance, mirror_size_mm, mount)
        for number, turn in enumerate(wanted)
    )
    focal = solution.camera.focal_px
    focal_half = solution.quantile * math.sqrt(float(solution.covariance[0, 0]))
    more_warnings, advice = advice_for(sheet, solution, photos, mirrors, math.degrees(tolerance))
    return CheckResult(
        photos=tuple(
            _photo_summary(solution, number, path, size, sighting)
            for number, (path, size, sighting) in enumerate(photos)
        ),
        camera=CameraSummary(
            camera_source,
            Quantity(focal, focal * math.exp(-focal_half), focal * math.exp(focal_half)),
        ),
        mirrors=mirrors,
        angles=_mirror_angles(solution),
        sheet=sheet.name,
        tolerance_deg=math.degrees(tolerance),
        warnings=(*warnings, *more_warnings),
        advice=advice,
        overlays=tuple(
            overlay_of(sheet, solution, number, path, size, sighting, wanted, mirror_size_mm)
            for number, (path, size, sighting) in enumerate(photos)
        ),
        touching=tuple(mirror + 1 for mirror in solution.constraints.contacts),
    )


def wanted_turns(want_turn: float | Sequence[float], mirrors: int) -> tuple[float, ...]:
    """The turn that is wanted of each mirror, from the left.

    Raises
    ------
    ReflectionError
        As many turns as mirrors were expected.
    """
    turns = tuple(want_turn) if isinstance(want_turn, Sequence) else (want_turn,)
    if len(turns) == 1:
        return turns * mirrors
    if len(turns) != mirrors:
        seen = "one mirror" if mirrors == 1 else f"{mirrors} mirrors"
        raise ReflectionError(
            f"The turns of {len(turns)} mirrors were named, but {seen} could be seen.",
            "Name one turn for all mirrors, or one for each mirror that shows the whole sheet, from left to right.",
        )
    return turns


def mirror_result(
    solution: Solution,
    number: int,
    want_turn: float,
    tolerance: float,
    mirror_size_mm: tuple[float, float] | None,
    mount: Mount,
) -> MirrorResult:
    """One mirror's numbers with their intervals."""
    mirror = solution.mirror(number)
    lean, turn, quantile = mirror.lean_rad, mirror.turn_rad, solution.quantile
    half = quantile * np.sqrt(np.diag(mirror.covariance))
    angles, angle_covariance = np.array([lean, turn]), mirror.covariance[:2, :2]
    climb = propagate(lambda a, b: 100.0 * math.tan(2 * a), angles, angle_covariance, quantile)
    bend = propagate(lambda a, b: 100.0 * math.tan(2 * (b - want_turn)), angles, angle_covariance, quantile)
    return MirrorResult(
        number=number + 1,
        lean_deg=_degrees(lean, float(half[0])),
        turn_deg=_degrees(turn, float(half[1])),
        distance_mm=_distance(mirror, quantile),
        glass=thickness_summary(solution, number),
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
        want_turn_deg=round(math.degrees(want_turn), 9),
        offset_mm=_around(mirror.offset_mm, quantile * mirror.sd("offset_mm")),
        covariance=mirror.covariance,
        parameter_names=mirror.parameter_names,
    )


def _distance(mirror: SolvedMirror, quantile: float) -> Quantity | None:
    """Along y, from the contact edge's middle to the glass; None for a mirror that runs along the sheet."""
    if abs(math.cos(mirror.turn_rad)) < math.cos(math.radians(ALONG_SHEET_DEG)):
        return None
    return _around(mirror.distance_mm, quantile * mirror.distance_sd_mm)


def _around(value: float, half: float) -> Quantity:
    return Quantity(value, value - half, value + half)


def verdict(errors: tuple[float, float], halves: tuple[float, float], tolerance: float) -> str:
    """ "square" when both intervals lie within the tolerance, "out of square" when one lies wholly outside."""
    if any(abs(error) - half > tolerance for error, half in zip(errors, halves, strict=True)):
        return "out of square"
    if all(abs(error) + half <= tolerance for error, half in zip(errors, halves, strict=True)):
        return "square"
    return "undetermined"


def _degrees(value: float, half: float) -> Quantity:
    return Quantity(math.degrees(value), math.degrees(value - half), math.degrees(value + half))


def _photo_summary(
    solution: Solution, number: int, path: Path, size: tuple[int, int], sighting: Sighting
) -> PhotoSummary:
    views = [view for view in solution.views if view.photo == number]
    return PhotoSummary(
        file=str(path),
        size=size,
        direct_corners=sum(len(v.pixels) for v in views if v.mirror == DIRECT),
        reflected_corners=sum(len(v.pixels) for v in views if v.mirror != DIRECT),
        rms_px=solution.rms_px(number),
        inter_reflections=tuple(
            _inter_reflection_summary(views, sighting, inter_reflection)
            for inter_reflection in sighting.inter_reflections
        ),
    )


def _inter_reflection_summary(
    views: Sequence[View], sighting: Sighting, inter_reflection: InterReflection
) -> InterReflectionSummary:
    """A repeated reflection with its mirrors' numbers in the answer, which counts over all photos."""
    reflected = [view for view in views if view.mirror != DIRECT]

    def number_of(local: int) -> int:
        place = sighting.reflections[local].centre_px
        nearest = min(reflected, key=lambda view: float(np.linalg.norm(view.pixels.mean(axis=0) - place)))
        return nearest.mirror + 1

    x, y = (float(value) for value in inter_reflection.board.outline_px.mean(axis=0))
    mirrors = tuple(number_of(local) for local in inter_reflection.mirrors)
    return InterReflectionSummary(inter_reflection.kind, mirrors, len(inter_reflection.board.corner_ids), (x, y))


def _mirror_angles(solution: Solution) -> tuple[MirrorAngle, ...]:
    """The angle between each two mirrors' faces: 180 degrees less that between their normals."""
    angles = []
    for first, second in itertools.combinations(range(solution.mirror_count), 2):
        value, sd = solution.angle_between(first, second)
        angles.append(MirrorAngle(first + 1, second + 1, _degrees(value, solution.quantile * sd)))
    return tuple(angles)

"""Which glass is it, end to end: photos of the target, lamps and their reflections to verdict and thickness."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

from ..bundle.adjustment import solve_sighted
from ..bundle.glass import GlassSummary, thickness_summary
from ..bundle.photo_set import sight_photos
from ..errors import ReflectionError, TargetError
from ..optics.slab import nearest_common_glass_mm
from ..photo.camera_file import CameraFile, read_camera_file
from ..photo.file import read_file
from ..photo.read import Photo
from ..quantity import Quantity
from ..solve.joint import Solution, UserConstraints
from . import thresholds as limits
from .blur import WORDS, Looks, causes_of, lamps_show_it_too, looks_of
from .crescent import crescent_of
from .cutting import patch_of
from .ghost_geometry import Lamp
from .job_without_sheet import glass_without_sheet
from .likelihood import GlassFit, fit_glass
from .patch import Patch
from .result import BlurCause, GlassResult
from .seen import lamp_seen, other_glass
from .verdict import Judgement, judge
from .views import LitPhoto, dark_twin, lamps_by_mirror, lit_photo, mirror_views

PathLike = str | os.PathLike[str]
Progress = Callable[[str], None]
NO_LAMPS = Judgement(
    "undetermined",
    "No lamp's reflection was found in this mirror: nothing small and brighter than the sheet's white paper.",
    "Show one or more small lit lamps and their reflections together with the sheet; nothing else bright within a "
    "lamp's width of them.",
)


def glass_of(
    photos: PathLike | Sequence[PathLike],
    *,
    camera: PathLike | CameraFile | None = None,
    progress: Progress | None = None,
    distance_mm: float | None = None,
    glass_mm: float | None = None,
) -> GlassResult:
    """Front-coated or back-silvered, and how thick, from lamps and their ghosts.

    Parameters
    ----------
    photos : one or more photos of the target, its reflection, and lamps; one camera and zoom, the same mirrors
    camera : camera file, or its contents; progress : called with a few words before each long step
    distance_mm, glass_mm : for photos without the sheet, see `ghosts.job_without_sheet.glass_without_sheet`

    Returns
    -------
    The answer on the leftmost mirror; those on others are its `other_mirrors`.

    Raises
    ------
    AlignError
        As `align.check` does, where neither target and reflection nor ghost pairs can be found.
    """
    tell: Progress = progress or (lambda words: None)
    paths = [Path(photos)] if isinstance(photos, (str, os.PathLike)) else [Path(p) for p in photos]
    camera_file = read_camera_file(camera) if isinstance(camera, (str, os.PathLike)) else camera
    sources = tuple(read_file(path)[0] for path in paths)
    dark: list[Photo] = []
    tell("the sheet and its reflection")
    try:
        sighted = sight_photos(sources, camera_file, progress=progress, without_sheet=dark)
        tell("camera and mirror")
        adjustment = solve_sighted(sighted, UserConstraints())
        solution, warnings = adjustment.solution, adjustment.warnings
    except (TargetError, ReflectionError):
        tell("no sheet and reflection: ghosts alone")
        free = glass_without_sheet(
            sources, camera_file, distance_mm=distance_mm, glass_mm=glass_mm, progress=progress
        )
        if free is None:
            raise
        return free
    lit = []
    for number, item in enumerate(sighted):
        tell(f"lamps in {item.photo.name}")
        lit.append(lit_photo(item, mirror_views(solution, number)))
    for photo in dark:
        tell(f"lamps in {photo.path.name}")
        twin = dark_twin(photo, lit)
        if twin is None:
            name = photo.path.name
            warnings += (f"{name} shows no sheet and was not taken from another photo's place: left out.",)
        else:
            lit.append(twin)
    nothing = GlassSummary("undetermined", None)
    files = tuple(str(path) for path in paths)
    empty = GlassResult(files, nothing, "", "", None, None, (), (), warnings, sources=sources)
    lamps = [lamps_by_mirror(item) for item in lit]
    answers = []
    for mirror in range(solution.mirror_count):
        tell(f"ghosts in mirror {mirror + 1}" if solution.mirror_count > 1 else "ghosts")
        answers.append(_answer(empty, lit, [found[mirror] for found in lamps], mirror, solution))
    return replace(answers[0], other_mirrors=tuple(answers[1:]))


def _answer(
    empty: GlassResult, lit: Sequence[LitPhoto], lamps: Sequence[Sequence[Lamp]], mirror: int, solution: Solution
) -> GlassResult:
    """What the lamps say of one mirror."""
    patches = chosen_patches(lit, lamps, mirror)
    if not patches:
        return _judged(empty, NO_LAMPS, None, solution, mirror)
    fit = fit_glass(patches)
    views = [lit[patch.photo].views[mirror] for patch in patches]
    angles = [view.incidence_deg(patch.lamp.position_mm) for view, patch in zip(views, patches, strict=True)]
    crescents = [
        crescent_of(lamp.patch, lamp.best if lamp.evidence > 0 else lamp.without, angle)
        for lamp, angle in zip(fit.lamps, angles, strict=True)
    ]
    looks = [_looks(lit[patch.photo], patch.lamp, mirror) for patch in patches]
    paired = all(patch.lamp.direct is not None for patch in patches)
    # Only where something flanks the reflections does it matter whether it flanks the lamps too.
    lamps_too = fit.evidence > limits.SURE and lamps_show_it_too(fit, looks)
    judgement = judge(fit, crescents, paired=paired, lamps_too=lamps_too)
    seen = judgement.verdict == "back-silvered"
    causes = causes_of(looks, seen, lit[0].long_side_px)
    answer = replace(
        empty,
        limit_ratio=fit.limit_share,
        lamps=tuple(
            lamp_seen(lamp, crescent, str(lit[lamp.patch.photo].path), seen)
            for lamp, crescent in zip(fit.lamps, crescents, strict=True)
        ),
        other_glass=other_glass(patches[0], views[0]),
        blur=None if causes is None else tuple(BlurCause(name, *WORDS[name]) for name in causes),
    )
    return _judged(answer, judgement, fit, solution, mirror)


def chosen_patches(lit: Sequence[LitPhoto], lamps: Sequence[Sequence[Lamp]], mirror: int) -> list[Patch]:
    """Lamps seen both directly and in the mirror, those that can tell most first; without such, bright spots
    alone.
    """
    both: list[Patch] = []
    alone: list[Patch] = []
    for number, (item, found) in enumerate(zip(lit, lamps, strict=True)):
        ranked = sorted(
            found, key=lambda lamp: (lamp.direct is None, -lamp.reflected.peak * lamp.reflected.radius_px)
        )
        for lamp in ranked[: 2 * limits.MOST_LAMPS]:
            if lamp.direct is None and both:
                break
            if len(both) < limits.MOST_LAMPS * len(lit):
                strangers = item.strangers(lamp, mirror)
                patch = patch_of(lamp, item.views[mirror], item.light, item.full, strangers, number, item.boards)
                if patch is not None:
                    (alone if lamp.direct is None else both).append(patch)
    return sorted(both or alone, key=lambda patch: _brightness(patch), reverse=True)[: limits.MOST_LAMPS]


def _brightness(patch: Patch) -> float:
    return patch.lamp.reflected.peak * patch.lamp.reflected.radius_px


def _looks(item: LitPhoto, lamp: Lamp, mirror: int) -> Looks | None:
    return looks_of(lamp, item.views[mirror], item.light, item.full, item.spots, item.boards)


def _judged(
    answer: GlassResult, judgement: Judgement, fit: GlassFit | None, solution: Solution, mirror: int
) -> GlassResult:
    """The answer with its verdict; lamps and the sheet's corners must not contradict each other."""
    corners = thickness_summary(solution, mirror)
    verdict, reason, better = judgement.verdict, judgement.reason, judgement.better_photo
    if {verdict, corners.verdict} == {"front-coated", "back-silvered"}:
        reason = f"The lamps say {verdict}, but the sheet's corners say {corners.verdict}."
        verdict = "undetermined"
        better = "Take another photo, from another height, with one lamp alone near the glass."
    thickness, nearest = None, None
    if verdict == "back-silvered" and fit is not None and (fit.high_mm - fit.low_mm) / 2 < limits.WORTH_MM:
        thickness = Quantity(fit.thickness_mm, fit.low_mm, fit.high_mm)
        nearest = nearest_common_glass_mm(fit.thickness_mm)
    elif verdict == "front-coated":
        thickness = Quantity(0.0, 0.0, 0.0)
    return replace(
        answer,
        glass=GlassSummary(verdict, thickness),
        reason=reason,
        better_photo=better,
        nearest_common_mm=nearest,
    )

"""Which glass is it, end to end: photos of the target, lamps and their reflections to verdict and thickness."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from .camera_file import CameraFile, read_camera_file
from .check import Sighted, sight_photos, solve_sighted
from .errors import ReflectionError, TargetError
from .glass import COMMON_GLASS_MM, nearest_common_glass_mm, seam_width_mm
from .glass_free import glass_without_sheet
from .lamps import find_spots, light_of
from .lamps_blur import WORDS, Look, causes_of, direct_look, lamps_show_it_too
from .lamps_fit import GlassFit, LampFit, fit_glass
from .lamps_model import GHOST_ORDERS, Lamp, MirrorView, lamps_of
from .lamps_patch import FRONT, LATER, LOG_SCALE, Patch, patch_of
from .lamps_verdict import WORTH_MM, Judgement, judge
from .photo import read_colour
from .report import thickness_summary
from .results import GlassSummary, Quantity
from .results_glass import BlurCause, GhostSeen, GlassResult, LampSeen, OtherGlass, Profile
from .solve import Knowledge, Solution

PathLike = str | os.PathLike[str]
#: A lamp's reflection ready for the fit, and how the lamp itself looks where it is seen directly.
Seen = tuple[Patch, Look | None]
#: More lamps than this, the most strongly lit ones first, tell nothing more and take their time.
MOST_LAMPS = 6
#: The profile is the mean of pixels this near to the ghosts' line [px].
PROFILE_HALF_PX = 1.5
NO_LAMPS = Judgement(
    "undetermined",
    "No lamp's reflection was found in the first mirror.",
    "Show one or more small lit lamps and their reflections together with the sheet, in a dark room; nothing "
    "else bright within a lamp's width of them.",
)


def glass_of(
    photos: PathLike | Sequence[PathLike],
    *,
    camera: PathLike | CameraFile | None = None,
    progress: Callable[[str], None] | None = None,
    distance_mm: float | None = None,
    glass_mm: float | None = None,
) -> GlassResult:
    """Front-coated or back-silvered, and how thick, from lamps and their ghosts.

    Parameters
    ----------
    photos : one or more photos of the target, its reflection, and lamps; one mirror, one camera and zoom
    camera : camera file, or its contents; progress : called with a few words before each long step
    distance_mm, glass_mm : for photos without the sheet, see `glass_free.glass_without_sheet`

    Raises
    ------
    AlignError
        As `align.check` does, where neither target and reflection nor ghost pairs can be found.
    """
    paths = [Path(photos)] if isinstance(photos, (str, os.PathLike)) else [Path(p) for p in photos]
    camera_file = read_camera_file(camera) if isinstance(camera, (str, os.PathLike)) else camera
    try:
        sighted = sight_photos(paths, camera_file, progress=progress)
        _, solution, warnings = solve_sighted(sighted, Knowledge())
    except (TargetError, ReflectionError):
        free = glass_without_sheet(paths, camera_file, distance_mm=distance_mm, glass_mm=glass_mm)
        if free is None:
            raise
        return free
    patches: list[Seen] = []
    for number, item in enumerate(sighted):
        if progress:
            progress(f"lamps in {item.photo.name}")
        patches += _patches(item, solution, number)
    chosen = _chosen(patches)
    files = tuple(str(path) for path in paths)
    if not chosen:
        empty = GlassResult(files, GlassSummary("undetermined", None), "", "", None, None, (), (), warnings)
        return _judged(empty, NO_LAMPS, None, solution)
    fit = fit_glass([patch for patch, _ in chosen])
    looks = [look for _, look in chosen]
    paired = all(patch.lamp.direct is not None for patch, _ in chosen)
    judgement = judge(fit, paired, lamps_show_it_too(fit, looks))
    seen = judgement.verdict == "back-silvered"
    views = [mirror_view(solution, number) for number in range(len(sighted))]
    lamps = tuple(_lamp_seen(lamp, views[lamp.patch.photo], files, seen) for lamp in fit.lamps)
    others = _other_glass(fit.lamps[0].patch, views[fit.lamps[0].patch.photo])
    causes = causes_of(fit, looks, seen, max(sighted[0].size))
    blur = None if causes is None else tuple(BlurCause(name, *WORDS[name]) for name in causes)
    answer = GlassResult(
        files, GlassSummary("undetermined", None), "", "", None, fit.limit_share, lamps, others, warnings, blur
    )
    return _judged(answer, judgement, fit, solution)


def _patches(item: Sighted, solution: Solution, photo: int) -> list[Seen]:
    """The lamps of one photo that the fit can use, and how each looks when seen directly."""
    light, full = light_of(read_colour(item.photo))
    boards = (item.sighting.target, *item.sighting.reflections)
    boards += tuple(repeat.board for repeat in item.sighting.repeats)
    spots = find_spots(light, [board.outline_px for board in boards])
    view = mirror_view(solution, photo)
    lamps = lamps_of(spots, view, max(item.size))
    found = [(lamp, patch_of(lamp, view, light, full, spots, photo)) for lamp in lamps]
    return [(patch, direct_look(lamp, view, light, full, spots)) for lamp, patch in found if patch is not None]


def mirror_view(solution: Solution, photo: int, mirror: int = 0) -> MirrorView:
    """A photo's camera before a solved mirror, as the lamps' fit takes it."""
    layout, vector = solution.state.layout, solution.state.vector
    rotation, translation = solution.state.cam_from_target(photo)
    normal = solution.normal(mirror)
    offset, thickness = (float(value) for value in vector[layout.mirror(mirror)][2:4])
    return MirrorView(
        solution.camera,
        rotation,
        translation,
        normal,
        -offset * normal,
        max(thickness, 0.0),
        float(vector[layout.index]),
    )


def _chosen(patches: Sequence[Seen]) -> list[Seen]:
    """Lamps seen both directly and in the mirror; only where there are none, bright spots alone."""
    paired = [seen for seen in patches if seen[0].lamp.direct is not None]
    return sorted(paired or patches, key=lambda seen: _brightness(seen[0]), reverse=True)[:MOST_LAMPS]


def _brightness(patch: Patch) -> float:
    lamp: Lamp = patch.lamp
    return lamp.reflected.peak * lamp.reflected.radius_px


def _lamp_seen(lamp: LampFit, view: MirrorView, files: Sequence[str], seen: bool) -> LampSeen:
    """One lamp's numbers; its ghosts only where the verdict is that there are any."""
    p, patch = lamp.best.parameters, lamp.patch
    sd = np.sqrt(np.maximum(np.diag(lamp.best.covariance), 0.0))
    ghosts = []
    offsets = patch.offsets(lamp.thickness_mm) * np.exp(p[LOG_SCALE])
    for order, offset, ratio in zip(GHOST_ORDERS, offsets, patch.ratios, strict=True):
        which = FRONT if order == 0 else LATER
        value, half = float(ratio * p[which]), float(1.96 * ratio * sd[which])
        place = (float(p[0] + offset[0]), float(p[1] + offset[1]))
        ghosts.append(GhostSeen(order, place, Quantity(value, max(value - half, 0.0), value + half)))
    direct = patch.lamp.direct
    return LampSeen(
        photo=files[patch.photo],
        position_px=(float(p[0]), float(p[1])),
        direct_px=None if direct is None else direct.centre_px,
        incidence_deg=float(np.degrees(view.incidence(patch.lamp.position_mm))),
        ghosts=tuple(ghosts) if seen else (),
        profile=_profile(lamp, offsets[1]),
    )


def _profile(lamp: LampFit, towards: NDArray[np.float64]) -> Profile:
    """Light along the line through main image and ghosts, mean of the pixels near it, pixel by pixel."""
    patch, fit = lamp.patch, lamp.best
    away = patch.places_px - fit.parameters[:2]
    line = towards / max(float(np.hypot(*towards)), 1e-9)
    along, across = away @ line, away @ np.array([-line[1], line[0]])
    near = np.abs(across) < PROFILE_HALF_PX
    step = np.round(along[near]).astype(int)
    model = patch.model(fit.parameters, patch.offsets(lamp.thickness_mm))[near]
    places = np.unique(step)
    seen = [float(patch.light[near][step == place].mean()) for place in places]
    fitted = [float(model[step == place].mean()) for place in places]
    return Profile(tuple(float(place) for place in places), tuple(seen), tuple(fitted))


def _other_glass(patch: Patch, view: MirrorView) -> tuple[OtherGlass, ...]:
    """Ghosts and seam on each common glass, for one lamp at its very place."""
    place = patch.lamp.position_mm
    angle = view.incidence(place)
    return tuple(
        OtherGlass(mm, view.ghost_step_mm(place, mm), float(seam_width_mm(angle, mm, view.index)))
        for mm in COMMON_GLASS_MM
    )


def _judged(answer: GlassResult, judgement: Judgement, fit: GlassFit | None, solution: Solution) -> GlassResult:
    """The answer with its verdict; lamps and the sheet's corners must not contradict each other."""
    corners = thickness_summary(solution, 0)
    verdict, reason, better = judgement.verdict, judgement.reason, judgement.better_photo
    if {verdict, corners.verdict} == {"front-coated", "back-silvered"}:
        verdict = "undetermined"
        reason = f"The lamps say {judgement.verdict}, but the sheet's corners say {corners.verdict}."
        better = "Take another photo, from another height, with one lamp alone near the glass."
    thickness, nearest = None, None
    if verdict == "back-silvered" and fit is not None and (fit.high_mm - fit.low_mm) / 2 < WORTH_MM:
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

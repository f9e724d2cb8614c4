"""Which glass is it, end to end: photos of the target, lamps and their reflections to verdict and thickness."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from ..bundle.adjustment import solve_sighted
from ..bundle.glass import GlassSummary, thickness_summary
from ..bundle.photo_set import Sighted, sight_photos
from ..errors import ReflectionError, TargetError
from ..optics.slab import COMMON_GLASS_MM, nearest_common_glass_mm, seam_width_mm
from ..photo.camera_file import CameraFile, read_camera_file
from ..photo.file import PhotoFile, read_file
from ..photo.read import Photo, colour_of
from ..quantity import Quantity
from ..solve.joint import Solution, UserConstraints
from .blur import WORDS, Look, causes_of, direct_look, lamps_show_it_too
from .ghost_geometry import GHOST_ORDERS, Lamp, MirrorView, lamps_of
from .job_without_sheet import glass_without_sheet
from .lamps import ABOVE_PAPER, Light, Mask, Spot, find_spots, light_of, same_place, white_paper_light
from .likelihood import GlassFit, LampFit, fit_glass
from .patch import FRONT, LATER, LOG_SCALE, Patch, patch_of
from .result import BlurCause, GhostSeen, GlassResult, LampSeen, OtherGlass, Profile
from .verdict import WORTH_MM, Judgement, judge

PathLike = str | os.PathLike[str]
#: A lamp's reflection ready for the fit, and how the lamp itself looks where it is seen directly.
Seen = tuple[Patch, Look | None]


@dataclass(frozen=True, eq=False)
class LitPhoto:
    """A photo's linear light, its view of the mirror, its bright spots and those of them that may be lamps."""

    path: Path
    view: MirrorView
    light: Light
    full: Mask
    spots: tuple[Spot, ...]
    glowing: tuple[Spot, ...]


#: More lamps than this, the most strongly lit ones first, tell nothing more and take their time.
MOST_LAMPS = 6
#: The profile is the mean of pixels this near to the ghosts' line [px].
PROFILE_HALF_PX = 1.5
NO_LAMPS = Judgement(
    "undetermined",
    "No lamp's reflection was found in the first mirror: nothing small and brighter than the sheet's white paper.",
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
    distance_mm, glass_mm : for photos without the sheet, see `ghosts.job_without_sheet.glass_without_sheet`

    Raises
    ------
    AlignError
        As `align.check` does, where neither target and reflection nor ghost pairs can be found.
    """
    paths = [Path(photos)] if isinstance(photos, (str, os.PathLike)) else [Path(p) for p in photos]
    camera_file = read_camera_file(camera) if isinstance(camera, (str, os.PathLike)) else camera
    sources = tuple(read_file(path)[0] for path in paths)
    dark: list[Photo] = []
    try:
        sighted = sight_photos(sources, camera_file, progress=progress, without_sheet=dark)
        adjustment = solve_sighted(sighted, UserConstraints())
        solution, warnings = adjustment.solution, adjustment.warnings
    except (TargetError, ReflectionError):
        free = glass_without_sheet(sources, camera_file, distance_mm=distance_mm, glass_mm=glass_mm)
        if free is None:
            raise
        return free
    lit = [_lit(item, mirror_view(solution, number)) for number, item in enumerate(sighted)]
    for photo in dark:
        twin = _dark_twin(photo, lit)
        if twin is None:
            warnings += (
                f"{photo.path.name} shows no sheet and was not taken from another photo's place: left out.",
            )
        else:
            lit.append(twin)
    patches: list[Seen] = []
    for number, item in enumerate(lit):
        if progress:
            progress(f"lamps in {item.path.name}")
        patches += _patches(item, number)
    chosen = _chosen(patches)
    files = tuple(str(path) for path in paths)
    shown = [str(item.path) for item in lit]
    if not chosen:
        nothing = GlassSummary("undetermined", None)
        empty = GlassResult(files, nothing, "", "", None, None, (), (), warnings, sources=sources)
        return _judged(empty, NO_LAMPS, None, solution)
    fit = fit_glass([patch for patch, _ in chosen])
    looks = [look for _, look in chosen]
    paired = all(patch.lamp.direct is not None for patch, _ in chosen)
    judgement = judge(fit, paired, lamps_show_it_too(fit, looks))
    seen = judgement.verdict == "back-silvered"
    lamps = tuple(_lamp_seen(lamp, lit[lamp.patch.photo].view, shown, seen) for lamp in fit.lamps)
    others = _other_glass(fit.lamps[0].patch, lit[fit.lamps[0].patch.photo].view)
    causes = causes_of(fit, looks, seen, max(sighted[0].size))
    blur = None if causes is None else tuple(BlurCause(name, *WORDS[name]) for name in causes)
    undetermined = GlassSummary("undetermined", None)
    seen_lamps = (fit.limit_share, lamps, others, warnings, blur, sources)
    answer = GlassResult(files, undetermined, "", "", None, *seen_lamps)
    return _judged(answer, judgement, fit, solution)


def _light_of(file: PhotoFile | None) -> tuple[Light, Mask]:
    """The linear light of a photo that was read before, and where it is burnt out."""
    if file is None:
        raise ValueError("expected a photo that was read from a file")
    return light_of(colour_of(file))


def _lit(item: Sighted, view: MirrorView) -> LitPhoto:
    """The lamps of a photo with the sheet: spots brighter than its white paper."""
    light, full = _light_of(item.file)
    boards = (item.sighting.target, *item.sighting.reflections)
    boards += tuple(inter_reflection.board for inter_reflection in item.sighting.inter_reflections)
    spots = find_spots(light, [board.outline_px for board in boards])
    paper = white_paper_light(light, item.sighting.target.outline_px)
    glowing = tuple(spot for spot in spots if spot.peak > ABOVE_PAPER * paper)
    return LitPhoto(item.photo, view, light, full, spots, glowing)


def _dark_twin(photo: Photo, lit: Sequence[LitPhoto]) -> LitPhoto | None:
    """A photo without the sheet, by the view of one that was taken from its very place; None without such."""
    light, full = _light_of(photo.file)
    spots = find_spots(light)
    for other in lit:
        if other.light.shape == light.shape and same_place(spots, other.glowing):
            return LitPhoto(photo.path, other.view, light, full, spots, spots)
    return None


def _patches(item: LitPhoto, number: int) -> list[Seen]:
    """The lamps of one photo that the fit can use, and how each looks when seen directly."""
    seen = (item.view, item.light, item.full, item.spots)
    lamps = lamps_of(item.glowing, item.view, max(item.light.shape))
    found = [(lamp, patch_of(lamp, *seen, number)) for lamp in lamps]
    return [(patch, direct_look(lamp, *seen)) for lamp, patch in found if patch is not None]


def mirror_view(solution: Solution, photo: int, mirror: int = 0) -> MirrorView:
    """A photo's camera before a solved mirror, as the lamps' fit takes it."""
    rotation, translation = solution.state.cam_from_target(photo)
    solved = solution.mirror(mirror)
    return MirrorView(
        solution.camera,
        rotation,
        translation,
        solved.normal,
        -solved.offset_mm * solved.normal,
        max(solved.thickness_mm, 0.0),
        solution.glass_index,
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

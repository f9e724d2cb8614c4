"""The main job, end to end: photos of the target and its reflection to lean, turn and shims."""

from __future__ import annotations

import importlib
import os
import sys
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ..errors import SolveError
from ..photo.camera_file import read_camera_file
from ..photo.read import read_photo
from ..second_core import Beside
from .settings import RULE_MM, CheckSettings

if TYPE_CHECKING:
    from ..bundle.adjustment import Adjustment
    from ..bundle.photo_set import Sighted
    from .result import CheckResult

#: What photos for a map need in common: each alone tells the mirror's plane, and no two the same place on it.
MAP_REMEDY = (
    "To map a mirror from several photos, put the camera on a stand and move nothing but the sheet; or leave the "
    "sheet and move nothing but the camera. If both moved, the photos do not tell where on the mirror each one is."
)

#: What a photo is decoded with, and what is needed later, in the order of import.
DECODING = ("PIL.JpegImagePlugin", "simplejpeg")
LATER = (
    "align.bundle.photo_set",
    "cv2",
    "align.bundle.adjustment",
    "align.checking.report",
    "align.checking.photo_quality",
)

PathLike = str | os.PathLike[str]


def check(
    photos: PathLike | Sequence[PathLike],
    settings: CheckSettings | None = None,
    *,
    progress: Callable[[str], None] | None = None,
    **stated: Any,
) -> CheckResult:
    """Is the mirror square to the sheet? All photos are one solve of the same mirrors.

    Parameters
    ----------
    photos : one or more photo files of the same target, camera and zoom
    settings : what is stated about mirror and sheet; progress : called with a few words before each long step
    stated : single fields of `CheckSettings`, as in `check(photo, mirror_size_mm=(300, 200))`; they go before
        those of `settings`

    Raises
    ------
    ValueError
        No photo, or a setting that cannot be meant.
    AlignError
        With what was expected, what was found and what to try.
    """
    settings = CheckSettings(**stated) if settings is None else replace(settings, **stated)
    paths = [Path(photos)] if isinstance(photos, (str, os.PathLike)) else [Path(p) for p in photos]
    if not paths:
        raise ValueError("expected at least one photo, found none")
    sighted = _sighted_meanwhile(paths, settings, progress)
    result, adjustment = check_sighted(sighted, settings)
    if settings.beside is None:
        return result
    from .beside import scale_beside, with_scale

    scale = scale_beside(adjustment, settings.beside)
    measured = replace(settings, beside=None, rule_mm=RULE_MM * scale.value)
    result, _ = check_sighted(sight_for(paths, measured, progress=progress), measured)
    return with_scale(result, scale, settings)


def _sighted_meanwhile(
    paths: Sequence[Path], settings: CheckSettings, progress: Callable[[str], None] | None
) -> list[Sighted]:
    """What is seen in the photos; in a new process a photo is decoded and searched while modules are imported.

    Decoders and OpenCV let other threads run, an import does not: what they need themselves is imported before. Of
    several photos, `progress` tells from the caller's own thread.
    """
    if len(paths) > 1 or all(name in sys.modules for name in LATER):
        return sight_for(paths, settings, progress=progress)
    for name in DECODING:
        importlib.import_module(name)
    sighting = Beside(lambda: sight_for(paths, settings))
    for name in LATER:
        importlib.import_module(name)
    return sighting.answer()


def sight_for(
    paths: Sequence[Path], settings: CheckSettings, *, progress: Callable[[str], None] | None = None
) -> list[Sighted]:
    """What is seen in each photo, by what is stated about camera and sheet; errors as of `check`."""
    camera_file = read_camera_file(settings.camera) if isinstance(settings.camera, Path) else settings.camera
    # A single photo is decoded before what sights it is imported, which another thread may be doing.
    photos = [read_photo(paths[0])] if len(paths) == 1 else paths
    from ..bundle.photo_set import sight_photos

    return sight_photos(
        photos, camera_file, own_board=settings.own_board, scale=settings.print_scale, progress=progress
    )


def check_sighted(sighted: Sequence[Sighted], settings: CheckSettings) -> tuple[CheckResult, Adjustment]:
    """The answer from photos that were sighted before, and the adjustment it was read from; errors as of `check`.

    Whoever solves one photo more and keeps the others, as the page at the mirror does, need not look for their
    corners again.
    """
    from ..bundle.adjustment import solve_sighted
    from ..solve.problem import UserConstraints
    from .photo_quality import quality_of
    from .report import report

    contacts = tuple(number - 1 for number in settings.touching_mirrors)
    rules = settings.rule_mm if isinstance(settings.rule_mm, tuple) else None
    exact = settings.exact_print
    constraints = UserConstraints(settings.glass_mm, settings.touching, contacts, exact, rules)
    try:
        adjustment = solve_sighted(sighted, constraints, turned_sheet=settings.turned_sheet)
    except SolveError as error:
        if settings.flatness and len(sighted) > 1 and not settings.turned_sheet:
            error.remedy = MAP_REMEDY
        raise
    result = report(adjustment, settings, "file" if settings.camera is not None else "photo")
    quality = quality_of(adjustment, result.mirrors, settings.tolerance_deg, result.camera)
    sources = tuple(item.file for item in sighted if item.file is not None)
    return replace(result, quality=quality, sources=sources), adjustment

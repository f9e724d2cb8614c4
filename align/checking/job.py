"""The main job, end to end: photos of the target and its reflection to lean, turn and shims."""

from __future__ import annotations

import math
import os
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

from ..bundle.adjustment import solve_sighted
from ..bundle.photo_set import sight_photos
from ..photo.camera_file import CameraFile, read_camera_file
from ..solve.joint import Solution, UserConstraints
from ..target.sheets import plain_board
from .photo_quality import quality_of
from .report import report, wanted_turns
from .result import CheckResult
from .shims import Mount

PathLike = str | os.PathLike[str]
#: The rules on the sheets are this long when printed to scale [mm].
RULE_MM = 100.0
#: Lean and turn within this of what is wanted count as true [deg]; docs/theory.md says why.
DEFAULT_TOLERANCE_DEG = 0.1


def check(
    photos: PathLike | Sequence[PathLike],
    *,
    camera: PathLike | CameraFile | None = None,
    mirror_size_mm: tuple[float, float] | None = None,
    glass_mm: float | None = None,
    want_turn_deg: float | Sequence[float] = 0.0,
    mount: Mount | None = None,
    tolerance_deg: float = DEFAULT_TOLERANCE_DEG,
    rule_mm: float | None = None,
    board: tuple[int, int] | None = None,
    square_mm: float | None = None,
    touching: bool = False,
    touching_mirrors: Sequence[int] = (),
    progress: Callable[[str], None] | None = None,
) -> CheckResult:
    """Is the mirror plumb and square? All photos are one solve of the same mirrors.

    Parameters
    ----------
    photos : one or more photo files of the same target, camera and zoom
    camera : camera file, or its contents; without one the camera is solved from the photos
    mirror_size_mm : (width, height) of the mirror, for the shims
    glass_mm : thickness of the glass, 0 for a front-coated mirror, None when not known
    want_turn_deg : the turn that is wanted, of all mirrors or of each from the left; 0 is square to the
        target's edge
    mount : how the mirror is held; tolerance_deg : what counts as true
    rule_mm : measured length of the sheet's printed 100 mm rule; None: not measured, taken to be 100 mm
    board, square_mm : inner corners (columns, rows) and square of a plain checkerboard of one's own
    touching : the target's contact edge touches the glass; touching_mirrors : of these mirrors, counted from 1
        at the left; where there are several and none is named, of the one that is near enough
    progress : called with a few words before each long step

    Raises
    ------
    AlignError
        With what was expected, what was found and what to try.
    """
    paths = [Path(photos)] if isinstance(photos, (str, os.PathLike)) else [Path(p) for p in photos]
    if not paths:
        raise ValueError("expected at least one photo, found none")
    camera_file = read_camera_file(camera) if isinstance(camera, (str, os.PathLike)) else camera
    own_board = None
    if board is not None:
        if square_mm is None:
            raise ValueError("a plain board needs square_mm")
        own_board = plain_board(board[0], board[1], square_mm)
    scale = 1.0 if rule_mm is None else rule_mm / RULE_MM
    sighted = sight_photos(paths, camera_file, own_board=own_board, scale=scale, progress=progress)
    contacts = tuple(sorted({number - 1 for number in touching_mirrors}))
    constraints = UserConstraints(glass_mm, touching or bool(contacts), contacts)
    wanted = want_turn_deg if isinstance(want_turn_deg, Sequence) else (want_turn_deg,)
    sheet, solution, warnings = solve_sighted(sighted, constraints)
    source = "file" if camera_file is not None else "photo"
    photos_sighted = [(item.photo, item.size, item.sighting) for item in sighted]
    result = report(
        sheet,
        solution,
        photos_sighted,
        camera_source=source,
        want_turn=_nearest_turns(solution, [math.radians(turn) for turn in wanted]),
        tolerance=math.radians(tolerance_deg),
        mirror_size_mm=mirror_size_mm,
        mount=mount or Mount(),
        warnings=warnings,
    )
    quality = quality_of(solution, photos_sighted, result.mirrors, tolerance_deg, source)
    return replace(result, quality=quality, rule_mm=rule_mm)


def _nearest_turns(solution: Solution, wanted: Sequence[float]) -> list[float]:
    """The turns that are wanted, each named as near to what its mirror has as whole turns allow: 180 is -180."""
    turns = wanted_turns(wanted, solution.mirror_count)
    has = (mirror.turn_rad for mirror in solution.mirrors())
    return [turn + 2 * math.pi * round((at - turn) / (2 * math.pi)) for turn, at in zip(turns, has, strict=True)]

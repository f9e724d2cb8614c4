"""The main job, end to end: photos of the target and its reflection to lean, turn and shims."""

from __future__ import annotations

import math
import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from .camera import RESHAPE_SD, CameraPrior, prior_from_focal
from .camera_file import CameraFile, prior_for, read_camera_file
from .claims import borne_out
from .errors import CameraError, PhotoError, ReflectionError, SolveError
from .grouping import JointViews, joint_views
from .photo import Lens, Photo, read_photo
from .quality import quality_of
from .report import REPEATING_ERRORS_SCALE, report, wanted_turns
from .results import CheckResult
from .shims import Mount
from .sighting_photo import Sighting, sight
from .solve import Knowledge, Solution, solve, widened
from .target import Sheet, corners_target, plain_board

PathLike = str | os.PathLike[str]
#: The rules on the sheets are this long when printed to scale [mm].
RULE_MM = 100.0
#: Lean and turn within this of what is wanted count as true [deg]; docs/theory.md says why.
DEFAULT_TOLERANCE_DEG = 0.1
#: A focal length or centre this many prior sd away from expectation means that the photo is not whole.
CAMERA_SURPRISE_SIGMAS = 3.5
#: Chi-square of 2 degrees above which a picture counts as stretched or sheared: by chance in 1 of 400. On 38
#: rendered photos it was below 3.5 but for two (6.7 and 10.1).
RESHAPE_SURPRISE = 12.0
#: Above this reprojection error the model itself is wrong [px].
MAX_RMS_PX = 2.5
#: A sheet counts as moved when that fits so many times better than a sheet that lay still.
MOVED_SHEET_RATIO = 1.5
#: A joint fit so many times worse than the worst photo alone is begun anew, without what these said.
HINT_MISLEADS_RATIO = 3.0
#: Corners that err so much alike, and so many times what their grain explains, tell of a sheet or a lens that the
#: model does not know: a bent board in the hand had 0.4 and 5 to 8, a panorama drawn on a cylinder 0.9 and 29.
UNLIKE_LIKENESS, UNLIKE_SCALE = 0.5, 10.0
#: A picture longer than this, long side to short, is longer than any screen and may be a panorama; a choice.
PANORAMA_SHAPE = 2.3
#: The contact edge may seem to stand this far behind the glass before the answer is refused [mm].
BEHIND_MM = 15.0


@dataclass(frozen=True, eq=False)
class Sighted:
    """One photo after sighting: what the solve needs, without its pixels."""

    photo: Path
    size: tuple[int, int]
    prior: CameraPrior
    lens: Lens
    sighting: Sighting
    orientation: int | None = None
    crop: str = "whole"  # as `photo.Photo` has it
    notes: Sequence[str] = ()


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
    knowledge = Knowledge(glass_mm, touching or bool(contacts), contacts)
    wanted = want_turn_deg if isinstance(want_turn_deg, Sequence) else (want_turn_deg,)
    sheet, solution, warnings = solve_sighted(sighted, knowledge)
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
    turns = wanted_turns(wanted, solution.state.layout.mirrors)
    has = (float(solution.mirror_parameters(mirror)[1]) for mirror in range(len(turns)))
    return [turn + 2 * math.pi * round((at - turn) / (2 * math.pi)) for turn, at in zip(turns, has, strict=True)]


def sight_photos(
    paths: Sequence[Path],
    camera_file: CameraFile | None,
    *,
    own_board: Sheet | None = None,
    scale: float = 1.0,
    progress: Callable[[str], None] | None = None,
) -> list[Sighted]:
    """Sight every photo, holding the pixels of one at a time."""
    sighted: list[Sighted] = []
    contents: dict[bytes, str] = {}
    for number, path in enumerate(paths, 1):
        if progress and len(paths) > 1:
            progress(f"photo {number} of {len(paths)}: {path.name}")
        photo = read_photo(path)
        if len(paths) > 1:
            _check_new(photo, contents)
        prior = (
            prior_for(camera_file, photo)
            if camera_file is not None
            else prior_from_focal(photo.size, photo.equivalent_mm, crop=photo.crop)
        )
        sighting = sight(photo, prior, own_board=own_board, scale=scale)
        facts = (photo.orientation, photo.crop, photo.notes)
        sighted.append(Sighted(path, photo.size, prior, photo.lens, sighting, *facts))
        _check_same_camera(sighted, photo)
    return sighted


def _check_new(photo: Photo, seen: dict[bytes, str]) -> None:
    """Refuse a photo whose pixels were given before; `seen` maps digests to file names."""
    import hashlib

    digest = hashlib.blake2b(photo.gray.tobytes()).digest()
    if digest in seen:
        raise PhotoError(
            f"{photo.path.name} is the same photo as {seen[digest]}; counting it twice would feign certainty.",
            "Name each photo once; take another one from elsewhere for a better answer.",
        )
    seen[digest] = photo.path.name


def _check_same_camera(sighted: Sequence[Sighted], photo: Photo) -> None:
    first = sighted[0]
    if first.size != photo.size:
        raise CameraError(
            f"{photo.path.name} has {photo.size[0]} x {photo.size[1]} px but {first.photo.name} has "
            f"{first.size[0]} x {first.size[1]} px.",
            "Photos of one check must come from one camera, held the same way; or check them with --each.",
        )
    if None not in (first.orientation, photo.orientation) and first.orientation != photo.orientation:
        raise CameraError(
            f"{photo.path.name} was taken with the phone held another way up than {first.photo.name}.",
            "Hold the phone the same way up for all photos of one check; or check them with --each.",
        )
    differ = first.lens.differs(photo.lens)
    if differ is not None:
        raise CameraError(
            f"{photo.path.name} was zoomed differently ({differ[1]}) from {first.photo.name} ({differ[0]}).",
            "Take all photos of one check without zooming; or check them with --each.",
        )
    if first.sighting.sheet.name != sighted[-1].sighting.sheet.name:
        raise CameraError(
            f"{photo.path.name} shows the sheet {sighted[-1].sighting.sheet.name!r} but {first.photo.name} "
            f"shows {first.sighting.sheet.name!r}.",
            "Use one sheet for all photos of one check; or check them with --each.",
        )


def solve_sighted(sighted: Sequence[Sighted], knowledge: Knowledge) -> tuple[Sheet, Solution, tuple[str, ...]]:
    """The joint solve of sighted photos, with its sanity checks and warnings."""
    if not any(item.sighting.reflections for item in sighted):
        raise _no_reflection(sighted[0])
    sheet = sighted[0].sighting.sheet
    warnings = [note for item in sighted for note in item.notes] + _shape_warnings(sighted)
    prior = sighted[0].prior
    unaided = Knowledge()
    joints = joint_views(sheet, sighted)
    solution = _joint_solution(sheet, joints, prior, unaided)
    unfit_file = prior.source == "file" and solution.camera_surprise > CAMERA_SURPRISE_SIGMAS
    if prior.source != "file" and solution.camera_surprise > CAMERA_SURPRISE_SIGMAS:
        prior = widened(prior, sighted[0].size)
        solution = _joint_solution(sheet, joints, prior, unaided)
        warnings.append(
            "The photo does not look like a whole one from the lens its file names (cropped, zoomed or "
            "re-saved?); the camera was solved freely and the intervals are wider for it."
        )
    elif unfit_file:
        warnings.append(
            f"The camera file does not fit these photos: focal length or centre is off by "
            f"{solution.camera_surprise:.1f} times its own standard deviation. Measure the camera anew, with the "
            "sheet in every part of the frame; or leave --camera out."
        )
    if not unfit_file and _seems_reshaped(solution):
        prior = replace(prior, reshape_sd=RESHAPE_SD)
        solution = _joint_solution(sheet, joints, prior, unaided)
        warnings.append(
            "The picture seems to have been stretched or slanted after it was taken (edited, straightened, "
            "scanned?). That is allowed for, and the intervals are wider for it: send the phone's original."
        )
    believed, contradicted = borne_out(sheet, solution, knowledge)
    warnings += contradicted
    if believed != unaided:
        solution = _joint_solution(sheet, joints, prior, believed)
    if solution.likeness > UNLIKE_LIKENESS and max(solution.noise_scale) > UNLIKE_SCALE:
        warnings.append(
            "Whole parts of the sheet are off together, by more than a sheet that bows a little and an ordinary "
            "lens explain. The intervals are wider for it. Lay the sheet flat, and use the phone's main lens: no "
            "panorama, no ultra-wide, nothing edited."
        )
    if solution.state.layout.moved_sheet:
        warnings.append(
            "The sheet was moved between the photos while the camera stood still: lean and turn are given "
            "relative to the sheet as it lies in the first photo."
        )
    _check_sane(sheet, solution, [item.photo.name for item in sighted])
    return sheet, solution, tuple(warnings)


def _no_reflection(item: Sighted) -> ReflectionError:
    found = f"The target was found in {item.photo.name}, but no reflection of it"
    if item.sighting.complaint is not None:
        what, remedy = item.sighting.complaint
        return ReflectionError(f"{found}: {what}.", remedy)
    whole = item.crop in ("whole", "middle")
    return ReflectionError(
        f"{found}.",
        "Stand so that you see the whole sheet in the mirror too, keep both sharp, and take the photo "
        "from 30 to 45 degrees above the floor."
        + ("" if whole else " Send the original photo, not a screenshot or a part of it."),
    )


def _seems_reshaped(solution: Solution) -> bool:
    """Whether the corners would fit a stretched or sheared picture far better, beyond what repeating errors feign.

    On four real photos of a bent board, whose corners scatter 5 to 8 times what their grain explains, the
    statistic was 7 to 27.
    """
    repeating = max(max(solution.noise_scale) / REPEATING_ERRORS_SCALE, 1.0)
    return solution.reshape_surprise > RESHAPE_SURPRISE * repeating**2


def _shape_warnings(sighted: Sequence[Sighted]) -> list[str]:
    """Pictures of a shape that no phone takes: the corners of one photo hardly tell a crop from a stretch.

    One photo tells the ratio of a pixel's sides to 0.5 to 4 % (1 sd; docs/theory.md).
    """
    return [
        f"{item.photo.name} has a shape that no phone takes ({item.size[0]} x {item.size[1]} px). A part may have "
        "been cut off, or the picture stretched: both are allowed for, and the intervals are wider for it. "
        + ("If it is a panorama, the answer is wrong. " if max(item.size) > PANORAMA_SHAPE * min(item.size) else "")
        + "Send the phone's original."
        for item in sighted
        if item.crop == "part"
    ]


def _joint_solution(
    sheet: Sheet, joints: Sequence[JointViews], prior: CameraPrior, knowledge: Knowledge
) -> Solution:
    """The joint solve; where the sheet may have been moved or not, the way that fits better by far."""
    best: Solution | None = None
    for joint in joints:
        solution = solve(sheet, joint.views, prior, knowledge, moved_sheet=joint.moved_sheet, hint=joint.hint)
        if best is None or solution.rms_px() < best.rms_px() / MOVED_SHEET_RATIO:
            best = solution
    assert best is not None  # joint_views returns at least one way or raises
    hint = joints[0].hint
    if hint is not None and best.rms_px() > HINT_MISLEADS_RATIO * hint.rms_px:
        return _joint_solution(sheet, [replace(joint, hint=None) for joint in joints], prior, knowledge)
    return best


def _check_sane(sheet: Sheet, solution: Solution, names: Sequence[str]) -> None:
    """Refuse answers that no mirror before a viewer can give."""
    rms = [solution.rms_px(photo) for photo in range(len(names))]
    worst = max(range(len(names)), key=lambda photo: rms[photo])
    if rms[worst] > MAX_RMS_PX:
        most = ", the most of all photos" if sum(px > MAX_RMS_PX for px in rms) > 1 else ""
        raise SolveError(
            f"{names[worst]}: the corners fit no flat sheet before a flat mirror "
            f"(they are off by {rms[worst]:.1f} px{most}).",
            "Lay the sheet flat, tape it down, hold the phone still, and take the photo again; for "
            "several photos, do not move the sheet between them.",
        )
    for mirror in range(solution.state.layout.mirrors):
        for photo in range(len(names)):
            placed_rotation, placed = solution.state.scene_from_sheet(photo)
            middle = placed_rotation @ corners_target(sheet).mean(axis=0) + placed
            before = solution.height_before(mirror, np.stack([solution.state.eye(photo), placed, middle]))
            if before[0] <= 0 or before[1] < -BEHIND_MM or before[2] <= 0:
                raise SolveError(
                    f"{names[photo]}: the camera or the sheet would stand behind the mirror; the photo seems "
                    "to be mirrored.",
                    "Turn off the phone's mirrored selfie setting, or use its rear camera.",
                )

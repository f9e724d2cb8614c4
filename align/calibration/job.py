"""Measure a camera once, end to end: photos of the target to intrinsics with their uncertainty."""

from __future__ import annotations

import math
import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from ..errors import CameraError, ReflectionError, TargetError
from ..optics.camera_model import CAMERA_PARAMETERS, FOCAL_SD_WITH_EXIF, CameraPrior, prior_from_focal
from ..optics.robust import median
from ..photo.camera_file import CameraFile
from ..photo.facts import Lens, orientation_matrix
from ..photo.read import Photo, read_photo
from ..quantity import Quantity
from ..sighting.boards import Board, find_boards, sight_detection, turned_board
from ..sighting.photo import sight
from ..sighting.pyramid import Pyramid
from ..solve.forward_model import DIRECT
from ..solve.joint import View
from ..target.sheets import Sheet, plain_board
from .intrinsics import CameraEstimate, direction_uncertainties_px, estimate_camera, frame_grid
from .next_photo import Gain, gains, outline_target
from .result import Calibration, CameraTerm, FrameCoverage, ModelWeight, NextPhoto, PhotoFit
from .text import next_photo_words
from .thresholds import (
    CELLS,
    GAP_SHARE,
    LOW_COVERAGE,
    MAX_FOCAL_UNCERTAINTY,
    MIN_PHOTOS_TO_JUDGE,
    ODD_PHOTO_RATIO,
    ODD_PHOTO_REJECTED_SHARE,
)

Array = NDArray[np.float64]
PathLike = str | os.PathLike[str]

#: The rules on the sheets are this long when printed to scale [mm].
RULE_MM = 100.0
TAKE_MORE = (
    "Take five or more photos with the sheet tilted by 30 to 50 degrees, each time another edge away from "
    "the camera, near enough to fill half of the frame, and once in every corner of it."
)


@dataclass(frozen=True, eq=False)
class _Seen:
    """One photo's target, without the pixels; the board's places are those of the first photo's frame."""

    path: Path
    board: Board
    prior: CameraPrior
    device: str
    lens: Lens
    date: str


@dataclass
class _Gathered:
    """What all photos have in common so far, and those in which nothing was found.

    size, orientation : of the first photo; photos that their files say were turned otherwise are turned to it.
    """

    size: tuple[int, int] | None = None
    orientation: int | None = None
    seen: list[_Seen] = field(default_factory=list)
    left_out: list[PhotoFit] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)


def calibrate(
    photos: PathLike | Sequence[PathLike],
    *,
    board: tuple[int, int] | None = None,
    square_mm: float | None = None,
    rule_mm: float = RULE_MM,
    progress: Callable[[str], None] | None = None,
) -> Calibration:
    """Measure a camera from photos of the target; a reflection need not show.

    Parameters
    ----------
    photos : files of one camera, size and zoom; the sheet may lie anywhere in them
    board, square_mm : inner corners (columns, rows) and square of a plain checkerboard of one's own
    rule_mm : measured length of the sheet's printed 100 mm rule
    progress : called with a few words before each long step

    Raises
    ------
    CameraError
        The photos are of different cameras, or do not determine the camera: with which photos would.
    AlignError
        With what was expected, what was found and what to try.
    """
    paths = [Path(photos)] if isinstance(photos, (str, os.PathLike)) else [Path(p) for p in photos]
    if not paths:
        raise ValueError("expected at least one photo, found none")
    if board is not None and square_mm is None:
        raise ValueError("a plain board needs square_mm")
    own_board = plain_board(*board, square_mm) if board is not None and square_mm is not None else None
    gathered = _gather(paths, own_board, rule_mm / RULE_MM, progress)
    assert gathered.size is not None  # the first photo sets it, or raises
    if progress:
        progress(f"solving {len(gathered.seen)} photos")
    used, estimate, odd = _estimated(gathered.seen, gathered.size)
    ranked = gains(used[0].board.sheet, estimate, gathered.size)
    _refuse_undetermined(estimate, _next_photo(used[0].board.sheet, estimate, ranked))
    return _answer(paths, gathered, used, estimate, ranked, [*gathered.left_out, *odd])


# Sighting ----------------------------------------------------------------------------------------------


def _gather(
    paths: Sequence[Path], own_board: Sheet | None, scale: float, progress: Callable[[str], None] | None
) -> _Gathered:
    """Sight every photo, holding the pixels of one at a time; a photo without the target is set aside."""
    gathered = _Gathered()
    first_error: TargetError | ReflectionError | None = None
    for number, path in enumerate(paths, 1):
        if progress:
            progress(f"photo {number} of {len(paths)}: {path.name}")
        photo = read_photo(path)
        turn = _turn_to_first(gathered, photo)
        gathered.notes += photo.notes
        prior = prior_from_focal(photo.size, photo.equivalent_mm, crop=photo.crop)
        try:
            board = _direct_board(photo, prior, own_board, scale)
        except (TargetError, ReflectionError) as error:
            first_error = first_error or error
            gathered.left_out.append(PhotoFit(str(path), 0, 0, 0.0, "the sheet was not found"))
            continue
        if not np.array_equal(turn, np.eye(2)) and gathered.size is not None:
            board = turned_board(board, turn, photo.size, gathered.size)
        seen = _Seen(path, board, prior, photo.device, photo.lens, photo.date)
        _check_same_camera(gathered.seen, seen)
        gathered.seen.append(seen)
    if first_error is not None and not gathered.seen:
        raise first_error
    return gathered


def _direct_board(photo: Photo, prior: CameraPrior, own_board: Sheet | None, scale: float) -> Board:
    """The target itself. Reflections are not looked for: a calibration has no use for them."""
    if own_board is None:
        pyramid = Pyramid(photo.gray)
        detections = find_boards(pyramid, mirrored=False, scale=scale)
        boards = [board for detection in detections if (board := sight_detection(pyramid, detection)) is not None]
        if boards:
            return max(boards, key=lambda board: float(median(board.square_px)))
    return sight(photo, prior, own_board=own_board, scale=scale).target


def _turn_to_first(gathered: _Gathered, photo: Photo) -> Array:
    """(2, 2) turns directions in this photo into the first one's frame; the sensor's picture was the same."""
    if gathered.size is None:
        gathered.size, gathered.orientation = photo.size, photo.orientation
    turn = np.eye(2)
    if photo.orientation is not None and gathered.orientation is not None:
        turn = orientation_matrix(gathered.orientation) @ orientation_matrix(photo.orientation).T
    size = photo.size if turn[0, 0] != 0 else photo.size[::-1]
    if np.linalg.det(turn) < 0:
        raise CameraError(
            f"{photo.path.name} is mirrored, the photos before it are not (or the other way about).",
            "Turn off the phone's mirrored selfie setting, or use its rear camera for all photos.",
        )
    if size != gathered.size:
        raise CameraError(
            f"{photo.path.name} has {photo.size[0]} x {photo.size[1]} px but the photos before it have "
            f"{gathered.size[0]} x {gathered.size[1]} px.",
            "Photos of one calibration must come from one camera at one size, straight from the phone.",
        )
    return turn


def _check_same_camera(before: Sequence[_Seen], seen: _Seen) -> None:
    if not before:
        return
    first = before[0]
    differ = first.lens.differs(seen.lens)
    if differ is not None:
        raise CameraError(
            f"{seen.path.name} was taken with another lens or zoom ({differ[1]}) than "
            f"{first.path.name} ({differ[0]}).",
            "Take all photos of one calibration with one lens, without zooming.",
        )
    if first.device and seen.device and first.device != seen.device:
        raise CameraError(
            f"{seen.path.name} was taken with a {seen.device}, {first.path.name} with a {first.device}.",
            "Calibrate each camera with its own photos.",
        )
    if first.board.sheet.name != seen.board.sheet.name:
        raise CameraError(
            f"{seen.path.name} shows the sheet {seen.board.sheet.name!r} but {first.path.name} shows "
            f"{first.board.sheet.name!r}.",
            "Use one sheet for all photos of one calibration.",
        )


# Solving -----------------------------------------------------------------------------------------------


def _estimated(seen: Sequence[_Seen], size: tuple[int, int]) -> tuple[list[_Seen], CameraEstimate, list[PhotoFit]]:
    """The camera from all photos that agree; those that do not are named and left out, the worst first."""
    used = list(seen)
    odd: list[PhotoFit] = []
    while True:
        views = [
            View(number, DIRECT, one.board.corner_ids, one.board.pixels, one.board.covariance)
            for number, one in enumerate(used)
        ]
        estimate = estimate_camera(used[0].board.sheet, views, size, used[0].prior)
        worst = _odd_photo(used, estimate)
        if worst is None:
            return used, estimate, odd
        odd.append(_fit_of(used[worst], estimate, worst, "its corners do not fit with the other photos"))
        del used[worst]


def _odd_photo(used: Sequence[_Seen], estimate: CameraEstimate) -> int | None:
    if len(used) <= MIN_PHOTOS_TO_JUDGE:
        return None
    rms = np.array([estimate.solution.rms_px(number) for number in range(len(used))])
    lost = np.array(estimate.rejected) / [len(one.board.pixels) for one in used]
    oddness = np.maximum(rms / median(rms) / ODD_PHOTO_RATIO, lost / ODD_PHOTO_REJECTED_SHARE)
    worst = int(np.argmax(oddness))
    return worst if oddness[worst] > 1.0 else None


def _refuse_undetermined(estimate: CameraEstimate, best: NextPhoto) -> None:
    if estimate.focal_uncertainty <= MAX_FOCAL_UNCERTAINTY:
        return
    raise CameraError(
        f"These photos do not determine the camera: its focal length is known only to within "
        f"{100 * estimate.focal_uncertainty:.0f} %, and {100 * MAX_FOCAL_UNCERTAINTY:g} % are needed.",
        f"{TAKE_MORE} The one that would help most now: {next_photo_words(best)}.",
    )


# The answer --------------------------------------------------------------------------------------------


def _answer(
    paths: Sequence[Path],
    gathered: _Gathered,
    used: Sequence[_Seen],
    estimate: CameraEstimate,
    ranked: Sequence[Gain],
    left_out: Sequence[PhotoFit],
) -> Calibration:
    size, solution = gathered.size, estimate.solution
    assert size is not None
    fits = [_fit_of(one, estimate, number) for number, one in enumerate(used)] + list(left_out)
    order = {str(path): number for number, path in enumerate(paths)}
    corners = np.concatenate([view.pixels for view in solution.views])
    coverage = frame_coverage(corners, size)
    seen, everywhere = (
        solution.quantile * direction_uncertainties_px(estimate.mean, estimate.covariance, pixels, corners)
        for pixels in (corners, frame_grid(size))
    )
    return Calibration(
        photos=tuple(sorted(fits, key=lambda fit: order[fit.file])),
        size=size,
        device=next((one.device for one in used if one.device), ""),
        focal_mm=next((one.lens.focal_mm for one in used if one.lens.focal_mm), None),
        equivalent_mm=next((one.lens.equivalent_mm for one in used if one.lens.equivalent_mm), None),
        orientation=gathered.orientation,
        date=_day(max(one.date for one in used)),
        mean=estimate.mean,
        covariance=estimate.covariance,
        terms=_terms(estimate),
        models=tuple(ModelWeight(one.model.terms, one.bic, one.weight) for one in estimate.weighed),
        rms_px=solution.rms_px(),
        direction_uncertainty_px=float(median(seen)),
        worst_direction_uncertainty_px=float(everywhere.max()),
        coverage=coverage,
        next_photo=_next_photo(used[0].board.sheet, estimate, ranked),
        warnings=(*gathered.notes, *_warnings(used, estimate, left_out, coverage)),
        corners_px=corners,
        residuals_px=np.concatenate(solution.residuals_px),
    )


def _fit_of(seen: _Seen, estimate: CameraEstimate, number: int, left_out: str = "") -> PhotoFit:
    lost = estimate.rejected[number]
    corners = len(seen.board.pixels) - lost
    return PhotoFit(str(seen.path), corners, lost, estimate.solution.rms_px(number), left_out)


def _day(exif_date: str) -> str:
    """2026-05-04 from EXIF's 2026:05:04 10:11:12; "" where there is none."""
    return exif_date[:10].replace(":", "-")


def _terms(estimate: CameraEstimate) -> tuple[CameraTerm, ...]:
    quantile, free = estimate.solution.quantile, estimate.model.free
    uncertainties = quantile * np.sqrt(np.diag(estimate.covariance))
    terms = []
    for name, value, uncertainty, used in zip(CAMERA_PARAMETERS, estimate.mean, uncertainties, free, strict=True):
        ends = [float(value), float(value - uncertainty), float(value + uncertainty)]
        if name == "log_focal":
            name, ends = "focal_px", [math.exp(end) for end in ends]
        terms.append(CameraTerm(name, Quantity(*ends), bool(used)))
    return tuple(terms)


def frame_coverage(corners: Array, size: tuple[int, int]) -> FrameCoverage:
    """How (n, 2) [px] corners lie in a frame of a size."""
    columns, rows = CELLS if size[0] >= size[1] else CELLS[::-1]
    counts, _, _ = np.histogram2d(
        corners[:, 1], corners[:, 0], (rows, columns), ((-0.5, size[1] - 0.5), (-0.5, size[0] - 0.5))
    )
    middles_x, middles_y = (np.arange(columns) + 0.5) / columns, (np.arange(rows) + 0.5) / rows
    gaps = []
    for row, row_name in enumerate(("upper", "middle", "lower")):
        for column, column_name in enumerate(("left", "middle", "right")):
            within = np.ix_((middles_y * 3).astype(int) == row, (middles_x * 3).astype(int) == column)
            if (counts[within] > 0).mean() < GAP_SHARE:
                gaps.append((row_name, column_name))
    cells = tuple(tuple(int(count) for count in row_counts) for row_counts in counts)
    return FrameCoverage(cells, tuple(gaps))


def _next_photo(sheet: Sheet, estimate: CameraEstimate, ranked: Sequence[Gain]) -> NextPhoto:
    best, quantile = ranked[0], estimate.solution.quantile
    candidate = best.candidate
    in_camera = outline_target(sheet) @ candidate.rotation.T + candidate.translation
    return NextPhoto(
        candidate.column,
        candidate.row,
        candidate.tilt,
        candidate.fill,
        estimate.solution.camera.project(in_camera),
        quantile * best.before_px,
        quantile * best.after_px,
    )


def _warnings(
    used: Sequence[_Seen], estimate: CameraEstimate, left_out: Sequence[PhotoFit], coverage: FrameCoverage
) -> tuple[str, ...]:
    warnings = [f"{Path(fit.file).name} was left out: {fit.left_out}." for fit in left_out]
    if coverage.covered_share < LOW_COVERAGE:
        warnings.append(
            f"Only {100 * coverage.covered_share:.0f} % of the frame holds corners. The camera file is good "
            "for checks whose sheet and reflection lie there; show the sheet in the rest of the frame too."
        )
    told = used[0].prior
    off = abs(float(estimate.mean[0] - told.mean[0]))
    if told.source == "exif" and off > 3 * FOCAL_SD_WITH_EXIF:
        warnings.append(
            "The focal length is not the one that the photos' files name: the photos are cropped, zoomed or "
            "re-saved. The camera file holds only for photos that are treated the same way."
        )
    return tuple(warnings)


def camera_file_of(calibration: Calibration) -> CameraFile:
    """The calibration as the file that `align check --camera` reads."""
    return CameraFile(
        mean=calibration.mean,
        sd=np.sqrt(np.diag(calibration.covariance)),
        size=calibration.size,
        device=calibration.device,
        focal_mm=calibration.focal_mm,
        date=calibration.date,
        rms_px=calibration.rms_px,
        photos=len(calibration.used),
        model=calibration.model,
        covariance=calibration.covariance,
        equivalent_mm=calibration.equivalent_mm,
        orientation=calibration.orientation,
    )

"""One photo's sighting: the target, its reflections, double reflections, and why one is missing."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ..errors import TargetError
from ..optics.camera_model import CameraPrior
from ..optics.geometry import apply_homography
from ..photo.legibility import complaint
from ..photo.read import Photo
from ..photo.tone import Light, light_of
from ..second_core import Beside
from ..target.sheets import Sheet
from ..target.thresholds import MARKER_RATIO
from .boards import MIN_MARKERS, Board, brightened, find_boards, find_in_region, sight_detection
from .far_reflection import search_reflection
from .inter_reflections import InterReflection, apart, told_apart
from .markers import FIRST_LOOK, WIDE_LOOK, Detection
from .paper_outline import boards_by_paper
from .pyramid import Pyramid

#: The whole photo is enlarged in search of a small target up to this many pixels.
MAX_ENLARGED_PIXELS = 56e6

#: Finds that are looked at, those with most markers first; noise yields scores of single wrong markers, each of
#: which costs 0.04 s.
MAX_DETECTIONS = 24
#: Nearer looks round finds of few markers that led to no board, and markers so large that none is needed [px]: a
#: look takes 0.02 s of processor time at 18 px, 0.05 s at 40, 0.27 s at 200. Choices.
MOST_NEARER_LOOKS, LARGE_MARKER_PX = 3, 60.0
#: A sheet's white in a dim photo is about as bright as this percentile of it; lamps are brighter and fewer.
BRIGHT_PERCENTILE = 95.0


@dataclass(frozen=True, eq=False)
class Sighting:
    """What one photo shows.

    target : the board itself; reflections : one for each mirror, left to right; repeats : images by way of
    several mirrors, which are named in the answer and used for nothing else; lights : of the target and of each
    reflection, where it was looked at; complaint : where no reflection was found, what is plainly amiss with the
    photo and what to try.
    """

    sheet: Sheet
    target: Board
    reflections: tuple[Board, ...]
    inter_reflections: tuple[InterReflection, ...] = ()
    lights: tuple[Light | None, ...] = ()
    complaint: tuple[str, str] | None = None


def sight(photo: Photo, prior: CameraPrior, *, own_board: Sheet | None = None, scale: float = 1.0) -> Sighting:
    """Find the target and its reflections in a photo.

    Raises
    ------
    TargetError
        No target, or only its reflection.
    """
    if own_board is not None:
        from .plain_board import sight_plain

        plain, reflected, rest = sight_plain(photo, prior, own_board)
        pyramid = Pyramid(photo.gray)
        return _sighting(pyramid, plain, *told_apart(pyramid, plain, reflected, rest, prior))
    pyramid = Pyramid(photo.gray)
    direct, mirrored = (find_boards(pyramid, mirrored=way, scale=scale) for way in (False, True))
    sheet = direct[0].sheet.name if direct else ""
    few = all(len(found.marker_ids) < MIN_MARKERS for found in mirrored)

    def meanwhile() -> list[Board]:
        """Reflections of the likeliest sheet; where none is to be seen, another look."""
        if few:
            pyramid.markers(WIDE_LOOK)
            return []
        return _reflections(pyramid, sheet, mirrored, scale)

    # The libraries let other threads run: the second core goes on while this one matches the target.
    beside = Beside(meanwhile)
    try:
        target, others = _target(pyramid, photo, direct, scale)
    finally:
        boards = beside.answer()
    if few or target.sheet.name != sheet:
        boards = _reflections(pyramid, target.sheet.name, mirrored, scale)
    if not boards:
        mirrored = find_boards(pyramid, mirrored=True, scale=scale, look=WIDE_LOOK)
        boards = _reflections(pyramid, target.sheet.name, mirrored, scale)
    if not boards:
        found = search_reflection(pyramid, target, prior, scale=scale)
        boards = [] if found is None else [found]
    return _sighting(pyramid, target, *told_apart(pyramid, target, boards, others, prior))


def _reflections(pyramid: Pyramid, sheet: str, mirrored: Sequence[Detection], scale: float) -> list[Board]:
    """Boards of a sheet, by its name, among those that read mirrored.

    Where few markers were read and led to no board, a nearer look may read more: small reflections of two mirrors
    may have a marker each.
    """
    likely = [found for found in mirrored if found.sheet.name == sheet]
    boards = _sighted(pyramid, likely)
    few = [found for found in likely if len(found.marker_ids) < MIN_MARKERS and found.size_px < LARGE_MARKER_PX]
    for detection in few[:MOST_NEARER_LOOKS]:
        if not any(_misread(detection, board) for board in boards):
            nearer = [found for found in _nearer(pyramid, detection, scale) if found.sheet.name == sheet]
            boards = _distinct([*boards, *_sighted(pyramid, nearer)])
    return boards


def _nearer(pyramid: Pyramid, detection: Detection, scale: float) -> list[Detection]:
    """What reads mirrored in the photo, enlarged, as far round a find as its sheet can reach."""
    gray, sheet = pyramid.level(0), detection.sheet
    middle = detection.marker_pixels.mean(axis=(0, 1))
    reach = detection.size_px / MARKER_RATIO * max(sheet.squares_x, sheet.squares_y)
    low = np.maximum(middle - reach, 0).astype(int)
    high = np.minimum(middle + reach, gray.shape[::-1]).astype(int)
    return find_in_region(gray, (low[0], low[1], high[0], high[1]), 2.0, mirrored=True, scale=scale, careful=False)


def _sighting(
    pyramid: Pyramid, target: Board, reflections: Sequence[Board], inter_reflections: Sequence[InterReflection]
) -> Sighting:
    """What was found, with its light."""
    gray = pyramid.level(0)
    lights = tuple(light_of(gray, board.outline_px) for board in (target, *reflections))
    amiss = None if reflections else complaint(pyramid.reduced)
    return Sighting(target.sheet, target, tuple(reflections), tuple(inter_reflections), lights, amiss)


def _target(pyramid: Pyramid, photo: Photo, detections: list[Detection], scale: float) -> tuple[Board, list[Board]]:
    """The target: the nearest right-handed board, hence the largest; and the others.

    detections : right-handed, of the first look
    """
    gray = photo.gray
    boards = _sighted(pyramid, detections)
    if not boards:
        detections = find_boards(pyramid, mirrored=False, scale=scale, look=WIDE_LOOK)
        boards = _sighted(pyramid, detections) or boards_by_paper(pyramid, scale=scale)
    whole = (0, 0, gray.shape[1], gray.shape[0])
    for zoom in (1.0, 2.0):
        if boards or gray.size * zoom**2 > MAX_ENLARGED_PIXELS:
            break
        more = find_in_region(gray, whole, zoom, mirrored=False, scale=scale)
        boards, detections = _sighted(pyramid, more), detections + more
    bright = None if boards else brightened(gray, float(np.percentile(pyramid.reduced, BRIGHT_PERCENTILE)))
    if bright is not None:
        more = find_in_region(bright, whole, 1.0, mirrored=False, scale=scale)
        boards, detections = _sighted(pyramid, more), detections + more
    if not boards:
        raise _no_target(pyramid, photo, detections, scale)
    boards.sort(key=lambda board: board.area_px, reverse=True)
    same = [board for board in boards if board.sheet.name == boards[0].sheet.name]
    return same[0], same[1:]


def _sighted(pyramid: Pyramid, detections: list[Detection]) -> list[Board]:
    boards: list[Board] = []
    for detection in detections[:MAX_DETECTIONS]:
        if len(detection.marker_ids) < MIN_MARKERS and any(_misread(detection, board) for board in boards):
            continue
        board = sight_detection(pyramid, detection)
        if board is not None:
            boards.append(board)
    return _distinct(boards)


def _misread(detection: Detection, board: Board) -> bool:
    """Whether a find of few markers is a sighted board's print misread: of another sheet, or lying on the board.

    Such finds are common (in 9 of 26 sample and accuracy photos), never became a board, and take up to 0.08 s each.
    """
    sheet = board.sheet
    if detection.sheet.name != sheet.name:
        return True
    to_board = np.asarray(np.linalg.inv(board.homography), float)
    places = apply_homography(to_board, detection.marker_pixels.mean(axis=1)) / sheet.square_mm
    return bool(((places > 0) & (places < [sheet.squares_x, sheet.squares_y])).all())


def _distinct(boards: list[Board]) -> list[Board]:
    """Boards without repeats: two finds of one board share their corners' places."""
    kept: list[Board] = []
    for board in sorted(boards, key=lambda b: -len(b.corner_ids)):
        if all(apart(board, other) for other in kept):
            kept.append(board)
    return kept


def _no_target(pyramid: Pyramid, photo: Photo, detections: list[Detection], scale: float) -> TargetError:
    name = photo.path.name
    most = max(detections, key=lambda detection: len(detection.marker_ids), default=None)
    if most is not None and len(most.marker_ids) >= 3:
        return TargetError(
            f"{name}: {len(most.marker_ids)} markers of the {most.sheet.name} sheet can be read, but too few "
            "of its corners.",
            "Show the whole sheet, flat and sharp, with nothing lying on it.",
        )
    looks = (FIRST_LOOK, WIDE_LOOK)
    if any(_sighted(pyramid, find_boards(pyramid, mirrored=True, scale=scale, look=look)) for look in looks):
        return TargetError(
            f"{name} shows the sheet's reflection but not the sheet itself.",
            "Step back or tilt the phone so that the sheet and its reflection are both in the photo.",
        )
    amiss = complaint(pyramid.reduced)
    if amiss is not None:
        return TargetError(f"No sheet was found in {name}: {amiss[0]}.", amiss[1])
    return TargetError(
        f"No sheet was found in {name}.",
        "Print one with `align target`, lay it flat before the mirror, and photograph it sharp and well lit; "
        "for a plain checkerboard of your own, say --board COLSxROWS --square MM.",
    )

"""One photo's sighting: the target, its reflections, double reflections, and why one is missing."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np

from .camera import CameraPrior
from .errors import TargetError
from .finding import Find
from .photo import Photo
from .searching import search_reflection
from .sighting import Board, Pyramid, find_boards, find_in_region, sight_find
from .target import Sheet

#: The whole photo is enlarged in search of a small target up to this many pixels.
MAX_ENLARGED_PIXELS = 56e6
#: The part about several reflections is enlarged in search of their doubles up to this many pixels.
MAX_DOUBLES_PIXELS = 16e6


@dataclass(frozen=True, eq=False)
class Sighting:
    """What one photo shows.

    target : the board itself; reflections : one for each mirror, left to right; doubles : right-handed
    images behind a corner of two mirrors, used for nothing but the picture.
    """

    sheet: Sheet
    target: Board
    reflections: tuple[Board, ...]
    doubles: tuple[Board, ...] = ()


def sight(photo: Photo, prior: CameraPrior, *, own_board: Sheet | None = None, scale: float = 1.0) -> Sighting:
    """Find the target and its reflections in a photo.

    Raises
    ------
    TargetError
        No target, or only its reflection.
    """
    if own_board is not None:
        from .plainboard import sight_plain

        plain, reflected, rest = sight_plain(photo, prior, own_board)
        ordered = sorted(reflected, key=lambda board: board.centre_px[0])
        return Sighting(own_board, plain, tuple(ordered), tuple(rest))
    pyramid = Pyramid(photo.gray)
    _ = pyramid.reduced  # made once, before two threads ask for it
    # OpenCV lets other threads run: the second core reads the flipped photo meanwhile.
    with ThreadPoolExecutor(max_workers=1) as second_core:
        flipped = second_core.submit(find_boards, pyramid, mirrored=True, scale=scale)
        target, others = _target(pyramid, photo, scale)
        sheet = target.sheet
        finds = [find for find in flipped.result() if find.sheet.name == sheet.name]
    boards = _sighted(pyramid, finds)
    if not boards:
        found = search_reflection(pyramid, target, prior, scale=scale)
        boards = [] if found is None else [found]
    reflections = sorted(boards, key=lambda board: board.centre_px[0])
    if len(reflections) > 1 and not others:
        others = _doubles(pyramid, target, reflections, scale)
    return Sighting(sheet, target, tuple(reflections), tuple(others))


def _doubles(pyramid: Pyramid, target: Board, reflections: list[Board], scale: float) -> list[Board]:
    """Right-handed images behind a corner: small, so the part about the reflections is enlarged for them."""
    gray = pyramid.level(0)
    places = np.concatenate([board.outline_px for board in reflections])
    low, high = places.min(axis=0), places.max(axis=0)
    low[1] -= high[1] - low[1]  # farther off is higher up in the photo
    limit = (gray.shape[1], gray.shape[0])
    x0, y0 = (int(v) for v in np.clip(np.floor(low), 0, limit))
    x1, y1 = (int(v) for v in np.clip(np.ceil(high), 0, limit))
    zoom = float(np.clip(np.sqrt(MAX_DOUBLES_PIXELS / max((x1 - x0) * (y1 - y0), 1)), 1.0, 4.0))
    finds = find_in_region(gray, (x0, y0, x1, y1), zoom, mirrored=False, scale=scale)
    boards = [board for board in _sighted(pyramid, finds) if board.sheet.name == target.sheet.name]
    return [board for board in boards if _apart(board, target)]


def _target(pyramid: Pyramid, photo: Photo, scale: float) -> tuple[Board, list[Board]]:
    """The target: the nearest right-handed board; and the others, which are double reflections."""
    gray = photo.gray
    finds = find_boards(pyramid, mirrored=False, scale=scale)
    boards = _sighted(pyramid, finds)
    whole = (0, 0, gray.shape[1], gray.shape[0])
    for zoom in (1.0, 2.0):
        if boards or gray.size * zoom**2 > MAX_ENLARGED_PIXELS:
            break
        more = find_in_region(gray, whole, zoom, mirrored=False, scale=scale)
        boards, finds = _sighted(pyramid, more), finds + more
    if not boards:
        raise _no_target(pyramid, photo, finds, scale)
    boards.sort(key=_nearness, reverse=True)
    same = [board for board in boards if board.sheet.name == boards[0].sheet.name]
    return same[0], same[1:]


def _sighted(pyramid: Pyramid, finds: list[Find]) -> list[Board]:
    return _distinct([board for find in finds if (board := sight_find(pyramid, find)) is not None])


def _nearness(board: Board) -> float:
    """Area of the board's outline [px^2]: a double reflection is always farther than the target."""
    x, y = board.outline_px.T
    return float(abs(np.dot(x, np.roll(y, 1)) - np.dot(y, np.roll(x, 1))) / 2)


def _distinct(boards: list[Board]) -> list[Board]:
    """Boards without repeats: two finds of one board share their corners' places."""
    kept: list[Board] = []
    for board in sorted(boards, key=lambda b: -len(b.corner_ids)):
        if all(_apart(board, other) for other in kept):
            kept.append(board)
    return kept


def _apart(board: Board, other: Board) -> bool:
    """Whether two boards lie in different places."""
    size = np.sqrt(_nearness(board))
    return bool(np.linalg.norm(board.centre_px - other.centre_px) > 0.1 * size)


def _no_target(pyramid: Pyramid, photo: Photo, finds: list[Find], scale: float) -> TargetError:
    name = photo.path.name
    most = max(finds, key=lambda find: len(find.marker_ids), default=None)
    if most is not None and len(most.marker_ids) >= 3:
        return TargetError(
            f"{name}: {len(most.marker_ids)} markers of the {most.sheet.name} sheet can be read, but too few "
            "of its corners.",
            "Show the whole sheet, flat and sharp, with nothing lying on it.",
        )
    if _sighted(pyramid, find_boards(pyramid, mirrored=True, scale=scale)):
        return TargetError(
            f"{name} shows the target's reflection but not the target itself.",
            "Step back or tilt the phone so that the sheet and its reflection are both in the photo.",
        )
    return TargetError(
        f"No target was found in {name}.",
        "Print one with `align target`, lay it flat before the mirror, and photograph it sharp and well lit; "
        "for a plain checkerboard of your own, say --board COLSxROWS --square MM.",
    )

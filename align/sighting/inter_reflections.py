"""Images by way of several mirrors: double reflections, right-handed again, and triple ones, left-handed.

In a corner each mirror shows the other's image once more. Such an image is neither the target nor a mirror of its
own. Where it must lie follows from the target and the single reflections, which are always nearer to the eye;
the print is then looked for there, for its markers may be too small or too foreshortened to be read.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..errors import AlignError
from ..optics.camera_model import Camera, CameraPrior
from ..optics.geometry import apply_homography, fit_homography
from ..optics.robust import median
from ..second_core import Beside
from ..solve.forward_model import DIRECT
from ..solve.problem import View
from ..target.sheets import Sheet, corners_board, corners_target
from .boards import MIN_CORNERS, MIN_SCORE, Board, sight_board
from .corners import match_corners, square_heights_px
from .pyramid import Pyramid

Array = NDArray[np.float64]
Chain = tuple[int, ...]

#: Left-handed images by so many mirrors are told from mirrors; more than five need a corner below 36 degrees.
ODD_LENGTHS, EVEN_LENGTHS = (3, 5), (2, 4)
#: Images by so many mirrors are looked for by their print; longer ways leave too little of it.
SEARCHED_LENGTHS = (2, 3)
#: A board is the image by a chain of mirrors when its corners lie this near to their places, in squares.
MATCH_SQUARES = 0.5
#: At least this share of a board's corners must be visible by the chain: where mirrors meet at a right angle,
#: either chain shows a part of one image.
MIN_VISIBLE_SHARE = 0.2
#: A plain board has no markers to bear it out: this share of its visible corners must match the print, each
#: within so many squares of where the chain shows it. What stands before the corner covers the others.
PLAIN_SHARE, PLAIN_SQUARES = 0.5, 0.3
#: A ray may meet a mirror this far behind the other's silvering: sheets of glass end before they meet [mm].
SLACK_MM = 3.0
KINDS = {2: "double", 3: "triple"}


@dataclass(frozen=True, eq=False)
class InterReflection:
    """An image by way of several mirrors.

    mirrors : numbers of the reflections of those mirrors in the order in which the eye's ray meets them; empty
    where no mirrors that were found explain a board.
    """

    board: Board
    mirrors: Chain

    @property
    def kind(self) -> str:
        """ "double", "triple", "repeated" (more often), or "unexplained"."""
        return KINDS.get(len(self.mirrors), "repeated" if self.mirrors else "unexplained")


@dataclass(frozen=True, eq=False)
class _Stage:
    """The target before the planes that each single reflection alone tells; target frame, mm.

    planes : (m, 4) unit normal towards the viewer and offset, of plane mirrors that stand for the glass.
    """

    camera: Camera
    rotation: Array
    translation: Array
    planes: Array
    sheet: Sheet

    @property
    def eye(self) -> Array:
        return -self.rotation.T @ self.translation

    def height(self, points: Array, mirror: int) -> Array:
        """(n,) how far (n, 3) points stand before a mirror."""
        return np.asarray(points @ self.planes[mirror, :3] + self.planes[mirror, 3])

    def image(self, points: Array, mirror: int) -> Array:
        """(n, 3) the points reflected."""
        return points - 2.0 * self.height(points, mirror)[:, None] * self.planes[mirror, :3]

    def seen(self, chain: Chain, points: Array) -> tuple[Array, NDArray[np.bool_]]:
        """(n, 2) [px] places of points by a chain of mirrors, and whether a ray can go that way."""
        images = [points]
        for mirror in reversed(chain):
            images.insert(0, self.image(images[0], mirror))
        at = np.broadcast_to(self.eye, points.shape)
        possible = np.ones(len(points), bool)
        for mirror, goal in zip(chain, images, strict=False):
            before, behind = self.height(at, mirror), -self.height(goal, mirror)
            possible &= (before > -SLACK_MM) & (behind > 0)
            at = at + (before / np.where(behind + before > 0, behind + before, np.inf))[:, None] * (goal - at)
            for other in set(chain) - {mirror}:
                possible &= self.height(at, other) > -SLACK_MM
        in_camera = images[0] @ self.rotation.T + self.translation
        possible &= in_camera[:, 2] > 0
        return self.camera.project(in_camera), possible


def told_apart(
    pyramid: Pyramid, target: Board, mirrored: Sequence[Board], others: Sequence[Board], prior: CameraPrior
) -> tuple[list[Board], list[InterReflection]]:
    """Single reflections from left to right, and the images by way of several mirrors.

    Parameters
    ----------
    mirrored : left-handed boards, each taken for a mirror's own so far; others : right-handed boards beside
    the target; prior : of the camera.
    """
    singles = sorted(mirrored, key=lambda board: float(board.centre_px[0]))
    stage = _stage(target, singles, prior) if len(singles) > 1 else None
    if stage is None:
        return singles, [InterReflection(board, ()) for board in others]
    mirrors: list[int] = []
    found: list[tuple[Board, Chain]] = []
    for number in _nearest_first(stage):
        chain = _chain_of(stage, singles[number], _chains(mirrors, ODD_LENGTHS))
        if chain:
            found.append((singles[number], chain))
        else:
            mirrors.append(number)
    found += [(board, _chain_of(stage, board, _chains(mirrors, EVEN_LENGTHS))) for board in others]
    taken = [target, *singles, *others]
    chains = _chains(mirrors, SEARCHED_LENGTHS)
    for chain, board in zip(chains, _all_by_print(pyramid, stage, chains, target.blur_px), strict=True):
        if board is not None and all(apart(board, other) for other in taken):
            found.append((board, chain))
            taken.append(board)
    order = {number: place for place, number in enumerate(sorted(mirrors))}
    inter_reflections = [InterReflection(board, tuple(order[number] for number in chain)) for board, chain in found]
    return [singles[number] for number in sorted(mirrors)], inter_reflections


def apart(board: Board, other: Board) -> bool:
    """Whether two boards lie in different places."""
    between = board.outline_px.mean(axis=0) - other.outline_px.mean(axis=0)
    return bool(np.linalg.norm(between) > 0.1 * np.sqrt(board.area_px))


def _stage(target: Board, singles: Sequence[Board], prior: CameraPrior) -> _Stage | None:
    """The mirrors as this photo alone tells them; None where no mirrors explain the boards."""
    from ..solve.joint import solve  # a photo of one mirror is sighted while this is imported

    boards = ((DIRECT, target), *enumerate(singles))
    views = [View(0, mirror, board.corner_ids, board.pixels, board.covariance) for mirror, board in boards]
    try:
        solution = solve(target.sheet, views, prior, rigid=True)
    except AlignError:
        return None
    state = solution.state
    planes = [
        [*mirror.normal, mirror.offset_mm + mirror.thickness_mm / solution.glass_index]
        for mirror in solution.mirrors()
    ]
    return _Stage(solution.camera, *state.cam_from_target(0), np.array(planes), target.sheet)


def _nearest_first(stage: _Stage) -> list[int]:
    """Mirrors by how far off they show the sheet: all images in a corner lie on circles about its edge, so those
    by way of more mirrors are farther from the eye.
    """
    middle = corners_target(stage.sheet).mean(axis=0)[None]
    far = [float(np.linalg.norm(stage.image(middle, m)[0] - stage.eye)) for m in range(len(stage.planes))]
    return sorted(range(len(far)), key=far.__getitem__)


def _chains(mirrors: Sequence[int], lengths: Iterable[int]) -> list[Chain]:
    """Ways to and fro between each two mirrors, the short ones first."""
    pairs = list(itertools.permutations(mirrors, 2))
    return [(pair * length)[:length] for length in lengths for pair in pairs]


def _chain_of(stage: _Stage, board: Board, chains: Sequence[Chain]) -> Chain:
    """The chain of mirrors by which a board is seen; () where it is seen by none."""
    to_board: Array = np.linalg.inv(board.homography).astype(float)
    wanted = corners_board(stage.sheet)[board.corner_ids]
    best: Chain = ()
    best_off = MATCH_SQUARES * stage.sheet.square_mm
    for chain in chains:
        places, possible = stage.seen(chain, corners_target(stage.sheet)[board.corner_ids])
        if possible.mean() < MIN_VISIBLE_SHARE:
            continue
        off = np.linalg.norm(apply_homography(to_board, places[possible]) - wanted[possible], axis=1)
        if float(median(off)) < best_off:
            best, best_off = chain, float(median(off))
    return best


def _all_by_print(pyramid: Pyramid, stage: _Stage, chains: Sequence[Chain], blur_px: float) -> list[Board | None]:
    """`_by_print` of each chain, half of them on a second core."""
    rest = Beside(lambda: [_by_print(pyramid, stage, chain, blur_px) for chain in chains[1::2]])
    boards = [_by_print(pyramid, stage, chain, blur_px) for chain in chains[::2]]
    others = rest.answer()
    return [(others if number % 2 else boards)[number // 2] for number in range(len(chains))]


def _by_print(pyramid: Pyramid, stage: _Stage, chain: Chain, blur_px: float) -> Board | None:
    """The board where a chain of mirrors must show it, if its print is there."""
    corners = corners_board(stage.sheet)
    places, possible = stage.seen(chain, corners_target(stage.sheet))
    size = np.array(pyramid.level(0).shape[::-1])
    visible = possible & ((places > 0) & (places < size)).all(axis=1)
    if visible.sum() < MIN_CORNERS or not np.isfinite(places).all():
        return None
    homography = fit_homography(corners, places)
    mirrored = len(chain) % 2 == 1
    if not stage.sheet.has_markers:
        return _plain_board(pyramid, stage.sheet, homography, np.flatnonzero(visible), blur_px, mirrored)
    board = sight_board(pyramid, stage.sheet, homography, corners[visible], mirrored=mirrored)
    return board if board is not None and _chain_of(stage, board, [chain]) else None


def _plain_board(
    pyramid: Pyramid, sheet: Sheet, homography: Array, ids: NDArray[np.int64], blur_px: float, mirrored: bool
) -> Board | None:
    """A plain board at its place by `homography`, whichever way about its squares are printed; None: not there."""
    places = apply_homography(homography, corners_board(sheet)[ids])
    found = match_corners(pyramid.level(0), sheet, homography, ids, places, blur_px=blur_px, iterations=4)
    squares = square_heights_px(homography, sheet)[ids]
    near = np.linalg.norm(found.pixels - places, axis=1) < PLAIN_SQUARES * squares
    good = near & (found.score * np.sign(median(found.score)) >= MIN_SCORE)
    if good.sum() < max(MIN_CORNERS, PLAIN_SHARE * len(ids)):
        return None
    return Board(
        sheet=sheet,
        mirrored=mirrored,
        corner_ids=ids[good],
        pixels=found.pixels[good],
        covariance=found.covariance[good],
        score=np.abs(found.score[good]),
        square_px=squares[good],
        homography=homography,
        blur_px=blur_px,
    )

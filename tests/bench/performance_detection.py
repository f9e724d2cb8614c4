"""How high a reflected square must be in the photo for its sheet to be found: `align` beside the stock detector.

Photos are drawn (tests/support/synthetic.py) from places like those of builders: an A5 sheet, a mirror up to a
sheet's
width behind it, a phone 2 to 3 sheet widths away, 25 to 45 degrees above the floor. The photo's size is then chosen
so that the middle square of the reflection is as high as wanted. A find counts only where its corners are right.
"""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path

import numpy as np

from align.optics.camera_model import prior_from_focal
from align.optics.geometry import fit_homography
from align.sighting.corners import square_heights_px
from align.solve.forward_model import DIRECT
from align.solve.simulate import simulate
from align.target.sheets import corners_board
from tests.bench.performance_measured import Rate
from tests.support.synthetic import EQUIVALENT_MM, SHEETS, degrees_mirror, synthetic_photo

SHEET = SHEETS["a5"]
HEIGHTS_PX = (2.5, 3.0, 4.0, 5.0, 6.0, 8.0, 12.0, 16.0, 22.0, 30.0)
SEED = 7_112
#: Places are worked out on a photo of this size [px] before its size is chosen.
WORKED_OUT = (4032, 3024)
#: A board found counts when half of its corners are there, off by less than this [px, rms].
RIGHT_PX, RIGHT_SHARE = 1.0, 0.5


@dataclass(frozen=True)
class Seen:
    """One drawn photo: reflected square's height, and whether each way found the reflection, and rightly.

    stock : at least four right corners on the flip, what a pose takes at least; corners_px : rms error of ours
    wrong : ours found a board whose corners are not where the reflection is
    """

    height_px: float
    width_px: int
    found: bool
    wrong: bool
    stock: bool
    corners: int
    corners_px: float


def draw(height_px: float, number: int):  # type: ignore[no-untyped-def]
    """The photo of one view, (h, w) uint8, and the true pixels of the reflected corners, (n, 2)."""
    rng = np.random.default_rng([SEED, number])
    away = rng.uniform(2.0, 3.0) * SHEET.width_mm
    elevation, azimuth = np.radians(rng.uniform(25, 45)), np.radians(rng.uniform(-15, 15))
    aim = np.array([0.0, 0.0, 0.0])
    eye = aim + away * np.array(
        [np.cos(elevation) * np.sin(azimuth), -np.cos(elevation) * np.cos(azimuth), np.sin(elevation)]
    )
    mirror = degrees_mirror(rng.normal(0, 1), rng.normal(0, 3), rng.uniform(10, SHEET.width_mm), rng.choice([0, 3]))
    blur = rng.uniform(0.6, 1.0)
    height = _height_at(WORKED_OUT, eye, mirror, aim)
    factor = height_px / height
    size = (2 * round(WORKED_OUT[0] * factor / 2), 2 * round(WORKED_OUT[1] * factor / 2))
    big = (900.0, 600.0)
    photo, truth = synthetic_photo(
        SHEET, eye, [mirror], size=size, blur=blur, noise=0.01, rng=rng, aim=aim, mirror_size_mm=big
    )
    reflected = next(view for view in truth.views if view.mirror != DIRECT)
    return photo, reflected


def _height_at(size, eye, mirror, aim) -> float:  # type: ignore[no-untyped-def]
    """Height of the reflection's middle square [px] in a photo of a size."""
    prior = prior_from_focal(size, EQUIVALENT_MM)
    truth = simulate(
        SHEET,
        eyes=[eye],
        mirrors=[mirror],
        camera_parameters=prior.mean,
        size=size,
        noise_px=0.0,
        rng=np.random.default_rng(0),
        equivalent_mm=EQUIVALENT_MM,
        aim=aim,
    )
    view = next(view for view in truth.views if view.mirror != DIRECT)
    homography = fit_homography(corners_board(SHEET)[view.corner_ids], view.pixels)
    return float(np.median(square_heights_px(homography, SHEET)))


def look(height_px: float, number: int) -> Seen:
    """Draw one view and look for its reflection both ways."""
    photo, truth = draw(height_px, number)
    places = {int(i): place for i, place in zip(truth.corner_ids, truth.pixels, strict=True)}
    ours = _ours(photo)
    found, wrong, rms = False, False, float("nan")
    if ours:
        off = np.array([np.subtract(place, places[i]) for i, place in ours.items() if i in places]).reshape(-1, 2)
        rms = float(np.sqrt((off**2).sum(axis=1).mean() / 2)) if len(off) else float("inf")
        wrong = bool(rms > RIGHT_PX)
        found = not wrong and len(off) >= RIGHT_SHARE * SHEET.corner_count
    return Seen(height_px, photo.shape[1], found, wrong, _stock(photo, places), len(ours), rms)


def _ours(photo) -> dict[int, np.ndarray]:  # type: ignore[no-untyped-def]
    """Corners of the reflection that `align` finds; none where it finds no target."""
    from align.errors import AlignError
    from align.photo.read import Photo
    from align.sighting.photo import sight

    size = (photo.shape[1], photo.shape[0])
    whole = Photo(Path("drawn.jpg"), photo, EQUIVALENT_MM, None, "whole", "", "")
    try:
        reflections = sight(whole, prior_from_focal(size, EQUIVALENT_MM)).reflections
    except AlignError:
        return {}
    if not reflections:
        return {}
    board = max(reflections, key=lambda board: len(board.corner_ids))
    return {int(i): place for i, place in zip(board.corner_ids, board.pixels, strict=True)}


def _stock(photo, places) -> bool:  # type: ignore[no-untyped-def]
    """Whether the stock detector finds four right corners on the flip."""
    from tests.bench.stock_route import corners_in_both

    _, flipped = corners_in_both(photo, SHEET)
    off = [
        np.linalg.norm([photo.shape[1] - 1 - place[0] - places[i][0], place[1] - places[i][1]])
        for i, place in flipped.items()
        if i in places
    ]
    return bool(np.sum(np.array(off) < 2 * RIGHT_PX) >= 4)


def rates(heights_px: tuple[float, ...], views: int, jobs: int = 1) -> list[Seen]:
    """All views at all heights; the same views at each height."""
    cases = [(height, number) for height in heights_px for number in range(views)]
    if jobs < 2:
        return [look(*case) for case in cases]
    with ProcessPoolExecutor(jobs, mp_context=get_context("spawn")) as pool:
        return list(pool.map(_look_of, cases, chunksize=4))


def _look_of(case: tuple[float, int]) -> Seen:
    return look(*case)


def summary(seen: Sequence[Seen]) -> tuple[Rate, ...]:
    """Counts at each height, lowest first; corner_px : rms corner error over all that was rightly found."""
    rows = []
    for height in sorted({one.height_px for one in seen}):
        here = [one for one in seen if one.height_px == height]
        right = [one.corners_px for one in here if one.found]
        rms = float(np.sqrt(np.mean(np.square(right)))) if right else float("nan")
        found, wrong = sum(one.found for one in here), sum(one.wrong for one in here)
        rows.append(Rate(height, len(here), found, wrong, sum(one.stock for one in here), rms))
    return tuple(rows)

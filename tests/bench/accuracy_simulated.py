"""Simulated views of known truth, solved by us and by the stock route, each beside its Cramér-Rao bound."""

from __future__ import annotations

import math
import multiprocessing
import os
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray

from align.bundle.thresholds import CAMERA_PRIOR_RESIDUAL_SIGMAS, MAX_RMS_PX
from align.errors import AlignError
from align.optics.camera_model import CameraPrior, prior_from_focal
from align.optics.slab import FLOAT_GLASS_INDEX, FLOAT_GLASS_INDEX_SD
from align.solve.forward_model import DIRECT
from align.solve.joint import Solution, solve, widened
from align.solve.problem import BOW_SD_MM, STATED_GLASS_SD_MM, UserConstraints
from align.solve.simulate import Simulated, phone_camera, simulate
from align.target.sheets import SHEETS, Sheet, corners_target
from tests.bench.exact_view import Truth, bound_covariance, bowed
from tests.bench.stock_route import stock_angles

Array = NDArray[np.float64]

NOISE_PX = 0.1
LONG_SIDE_PX, SHORT_SIDE_PX = 4032, 3024
EQUIVALENTS_MM = (24.0, 26.0, 28.0)
GLASS_MM = (0.0, 2.0, 3.0, 4.0, 5.0, 6.0)
LEAN_SD_DEG, TURN_SD_DEG = 1.5, 3.0
MIN_CORNERS = 6
#: What a camera file from a dozen photos knows, one sd: log focal, centre [px], k1, k2, p1, p2, k3.
FILE_SD = np.array([5e-4, 1.0, 1.0, 2e-3, 5e-3, 1e-4, 1e-4, 0.0])
QUANTITIES = ("lean", "turn", "distance", "thickness", "focal length")
UNITS = ("°", "°", "mm", "mm", "%")
CASES = ("nothing stated", "glass stated", "camera known", "camera known, glass stated")


@dataclass(frozen=True, eq=False)
class Drawn:
    """One simulated photo and what is told of it.

    glass_mm : nominal; file : the camera file's knowledge, itself in error by its own sd;
    redrawn : photos thrown away because fewer than MIN_CORNERS of one of the two boards were in the frame.
    """

    sheet: Sheet
    simulated: Simulated
    truth: Truth
    bow_mm: Array
    glass_mm: float
    equivalent_mm: float
    file: CameraPrior
    redrawn: int


@dataclass(frozen=True, eq=False)
class Answer:
    """One solve: (5,) errors, half-widths of the 95 % intervals and sd of the bound; see QUANTITIES, UNITS.

    failure : why there is no answer, or "".
    """

    error: Array
    half_width: Array
    bound: Array
    failure: str = ""
    widened: bool = False


@dataclass(frozen=True, eq=False)
class ViewRecord:
    """All about one simulated view.

    stock : {way: (2,) errors of lean and turn [deg]}, {} where the stock route failed;
    disagreement_px : greatest difference between our forward model and the independent projection.
    """

    number: int
    sheet: str
    glass_mm: float
    corners: tuple[int, int]
    answers: dict[str, Answer]
    stock: dict[str, Array]
    disagreement_px: float
    redrawn: int


def draw(seed: int, number: int, *, flat: bool = False) -> Drawn:
    """View `number` of a seed. Whatever the solver has a prior for is drawn from that prior.

    That is what makes 95 % coverage and the bound exact expectations; `flat` leaves the sheet's bow at zero.
    """
    rng = np.random.default_rng([seed, number])
    for redrawn in range(1000):
        drawn = _draw_once(rng, number, flat, redrawn)
        views = drawn.simulated.views
        if len(views) == 2 and min(len(view.pixels) for view in views) >= MIN_CORNERS:
            return drawn
    raise RuntimeError("expected a photo that shows both boards, found none in 1000")


def _draw_once(rng: np.random.Generator, number: int, flat: bool, redrawn: int) -> Drawn:
    sheet = list(SHEETS.values())[number % len(SHEETS)]
    glass_mm = float(rng.choice(GLASS_MM))
    equivalent_mm = float(rng.choice(EQUIVALENTS_MM))
    size = (LONG_SIDE_PX, SHORT_SIDE_PX) if rng.random() < 0.5 else (SHORT_SIDE_PX, LONG_SIDE_PX)
    camera = phone_camera(rng, prior_from_focal(size, equivalent_mm))
    elevation, azimuth = np.radians(rng.uniform(22, 50)), np.radians(rng.uniform(-25, 25))
    distance = rng.uniform(1.6, 2.6) * sheet.width_mm + 80
    eye = distance * np.array(
        [
            math.cos(elevation) * math.sin(azimuth),
            -math.cos(elevation) * math.cos(azimuth),
            math.sin(elevation),
        ]
    )
    thickness = glass_mm + (rng.normal(0, STATED_GLASS_SD_MM) if glass_mm > 0 else 0.0)
    lean, turn = np.radians(rng.normal(0, LEAN_SD_DEG)), np.radians(rng.normal(0, TURN_SD_DEG))
    mirror = np.array([lean, turn, rng.uniform(5, 0.8 * sheet.depth_mm), thickness])
    bow = np.zeros(3) if flat else rng.normal(0, BOW_SD_MM, 3)
    index = float(rng.normal(FLOAT_GLASS_INDEX, FLOAT_GLASS_INDEX_SD))
    simulated = simulate(
        sheet,
        eyes=[eye],
        mirrors=[mirror],
        camera_parameters=camera,
        size=size,
        noise_px=NOISE_PX,
        rng=rng,
        equivalent_mm=equivalent_mm,
        bow_mm=tuple(bow),
        index=index,
    )
    rotation, translation = simulated.state.cam_from_target(0)
    truth = Truth(math.exp(camera[0]), camera[1:3], camera[3:8], rotation, translation, *mirror, index)
    file = CameraPrior(camera + FILE_SD * rng.normal(size=8), FILE_SD, "file")
    return Drawn(sheet, simulated, truth, bow, glass_mm, equivalent_mm, file, redrawn)


def run_view(number: int, *, seed: int, flat: bool = False, cases: Sequence[str] = CASES) -> ViewRecord:
    """Draw one view, solve it in every case, and once by the stock route."""
    drawn = draw(seed, number, flat=flat)
    direct, reflected = drawn.simulated.views
    return ViewRecord(
        number=number,
        sheet=drawn.sheet.name,
        glass_mm=drawn.glass_mm,
        corners=(len(direct.pixels), len(reflected.pixels)),
        answers={case: _answer(drawn, case) for case in cases},
        stock=_stock_errors(drawn),
        disagreement_px=_disagreement_px(drawn),
        redrawn=drawn.redrawn,
    )


def run_views(
    count: int, *, seed: int, flat: bool = False, cases: Sequence[str] = CASES, jobs: int = 2
) -> list[ViewRecord]:
    """Views 0 to `count` - 1 of a seed, on several processes; the result does not depend on how many."""
    work = partial(run_view, seed=seed, flat=flat, cases=tuple(cases))
    if jobs <= 1:
        return [work(number) for number in range(count)]
    # Small matrices: one thread for each process is fastest, and leaves cores to others.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(jobs, mp_context=context) as pool:
        return list(pool.map(work, range(count), chunksize=5))


def _case(drawn: Drawn, case: str) -> tuple[CameraPrior, UserConstraints]:
    prior = drawn.file if "camera known" in case else drawn.simulated.prior
    return prior, UserConstraints(glass_mm=drawn.glass_mm if "glass stated" in case else None)


def _answer(drawn: Drawn, case: str) -> Answer:
    prior, constraints = _case(drawn, case)
    bound = _bound(drawn, prior, constraints)
    nothing = np.full(len(QUANTITIES), np.nan)
    try:
        solution = solve(drawn.sheet, drawn.simulated.views, prior, constraints, rigid=True)
        # As align.check does: a camera that is too strange for its prior is solved freely.
        strange = prior.source != "file" and solution.camera_prior_residual > CAMERA_PRIOR_RESIDUAL_SIGMAS
        if strange:
            free = widened(prior, drawn.simulated.size)
            solution = solve(drawn.sheet, drawn.simulated.views, free, constraints, rigid=True)
    except AlignError as error:
        return Answer(nothing, nothing, bound, f"{error.name}: {error.message}")
    if solution.rms_px() > MAX_RMS_PX:  # align.check refuses it: counted as no answer
        return Answer(nothing, nothing, bound, f"refused: the corners are off by {solution.rms_px():.1f} px")
    value, half_width = _reported(solution)
    truth = np.array(
        [
            math.degrees(drawn.truth.lean_rad),
            math.degrees(drawn.truth.turn_rad),
            drawn.truth.distance_mm,
            drawn.truth.thickness_mm,
            100 * math.log(drawn.truth.focal_px),
        ]
    )
    return Answer(value - truth, half_width, bound, widened=strange)


#: From the solve's units to UNITS: rad, rad, mm, mm, log.
TO_UNITS = np.array([180 / math.pi, 180 / math.pi, 1.0, 1.0, 100.0])


def _reported(solution: Solution) -> tuple[Array, Array]:
    """(5,) values and half-widths of the 95 % intervals, in UNITS."""
    value = np.append(solution.mirror(0).placed, solution.state.vector[0]) * TO_UNITS
    variance = np.append(np.diag(solution.mirror(0).placed_covariance), solution.covariance[0, 0])
    return value, solution.quantile * np.sqrt(variance) * TO_UNITS


def _bound(drawn: Drawn, prior: CameraPrior, constraints: UserConstraints) -> Array:
    """(5,) sd of the Cramér-Rao bound, in UNITS."""
    thickness_sd = constraints.thickness_prior()[1]
    index_sd = FLOAT_GLASS_INDEX_SD if thickness_sd > 0 else 0.0
    sd = np.concatenate([prior.sd, [index_sd], [BOW_SD_MM] * 3, [1e6, 1e6, 1e6, thickness_sd], [1e6] * 6])
    direct, reflected = (corners_target(drawn.sheet)[view.corner_ids] for view in drawn.simulated.views)
    covariance = bound_covariance(
        drawn.truth, drawn.sheet, direct, reflected, bow_mm=drawn.bow_mm, noise_px=NOISE_PX, prior_sd=sd
    )
    return np.sqrt(np.diag(covariance))[[12, 13, 14, 15, 0]] * TO_UNITS


def _stock_errors(drawn: Drawn) -> dict[str, Array]:
    """{way: (2,) error of lean and turn [deg]} on the same corners, the reflected ones flipped."""
    size = drawn.simulated.size
    direct, reflected = drawn.simulated.views
    flipped = reflected.pixels * [-1, 1] + [size[0] - 1, 0]
    angles = stock_angles(
        drawn.sheet,
        dict(zip(direct.corner_ids.tolist(), direct.pixels, strict=True)),
        dict(zip(reflected.corner_ids.tolist(), flipped, strict=True)),
        size,
        math.exp(drawn.simulated.prior.mean[0]),
    )
    true = np.degrees([drawn.truth.lean_rad, drawn.truth.turn_rad])
    return {} if angles is None else {way: np.array(found) - true for way, found in angles.items()}


def _disagreement_px(drawn: Drawn) -> float:
    """Greatest distance between the forward model's noiseless corners and the independent projection."""
    from align.solve.forward_model import bow_basis, predict

    sheet, state = drawn.sheet, drawn.simulated.state
    points = corners_target(sheet)
    half = (sheet.squares_x * sheet.square_mm / 2, sheet.squares_y * sheet.square_mm / 2)
    basis = bow_basis(points, half, -sheet.contact_margin_mm - half[1])
    lifted, worst = bowed(sheet, points, drawn.bow_mm), 0.0
    for view in drawn.simulated.views:
        ours, _ = predict(state, 0, view.mirror, points[view.corner_ids], basis[view.corner_ids])
        exact = drawn.truth.direct_px if view.mirror == DIRECT else drawn.truth.reflected_px
        worst = max(worst, float(np.abs(ours - exact(lifted[view.corner_ids])).max()))
    return worst

"""The joint solve on simulated views: recovery in two-sided bands, covariance against scatter, robustness.

The scatter is compared with the Cramer-Rao bound, taken here from finite differences of the projection and
the prior knowledge alone (H. Van Trees, Detection, Estimation and Modulation Theory I (1968), section 2.4:
the Bayesian bound). Truths are drawn from the very priors that the solve is given: on average its error can
be neither larger nor smaller than the bound.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import cv2
import numpy as np
import pytest
from scipy import stats

from align.checking.report import verdict
from align.errors import SolveError
from align.optics.camera_model import CameraPrior, prior_from_focal
from align.optics.geometry import angle_between, mirror_normal
from align.solve.forward_model import DIRECT
from align.solve.joint import UserConstraints, solve
from align.solve.problem import BOW_SD_MM, STATED_GLASS_SD_MM, UNKNOWN_GLASS_MM, UNKNOWN_GLASS_SD_MM, Problem
from align.solve.simulate import phone_camera, simulate
from align.target.sheets import SHEETS
from tests.support.bounds import BASIS, INDEX_SD, NOISE, POINTS, SHEET, bound_of, mirror_of

SIZE = (4000, 3000)
LEAN, TURN, DISTANCE, THICKNESS = range(4)


# Scenes and their bound --------------------------------------------------------------------------------


def scene(
    rng,
    *,
    thickness,
    noise=NOISE,
    size=SIZE,
    equivalent_mm=26.0,
    photos=1,
    bow_mm=None,
    exif=True,
    mirror=None,
):
    """A phone half a metre away, a mirror behind the sheet; all that is unknown drawn from its prior."""
    prior = prior_from_focal(size, equivalent_mm)
    eyes = [
        np.array([rng.uniform(-150, 150), -rng.uniform(350, 600), rng.uniform(200, 400)]) for _ in range(photos)
    ]
    if mirror is None:
        mirror = [*np.radians(rng.normal(0, 2, 2)), rng.uniform(2, 60)]
    return simulate(
        SHEET,
        eyes=eyes,
        mirrors=[np.array([*mirror, thickness])],
        camera_parameters=phone_camera(rng, prior),
        size=size,
        noise_px=noise,
        rng=rng,
        equivalent_mm=equivalent_mm if exif else None,
        bow_mm=tuple(rng.normal(0, BOW_SD_MM, 3)) if bow_mm is None else bow_mm,
        index=1.52 + rng.normal(0, INDEX_SD),
    )


@dataclass(frozen=True)
class Run:
    """One solve beside its truth: errors, predicted sd and bound of lean, turn, distance, thickness."""

    error: np.ndarray
    sd: np.ndarray
    bound: np.ndarray
    quantile: float
    solution: object


def run(sim, constraints, thickness_sd, views=None, *, noise=NOISE, bounding_views=None):
    views = sim.views if views is None else views
    solution = solve(SHEET, views, sim.prior, constraints, rigid=True)
    return Run(
        solution.mirror(0).placed - mirror_of(sim.state.vector, sim.state.layout),
        np.sqrt(np.diag(solution.mirror(0).placed_covariance)),
        bound_of(sim, views if bounding_views is None else bounding_views, thickness_sd, noise=noise),
        solution.quantile,
        solution,
    )


def normalised(runs, what=slice(0, 3)):
    """(runs, quantities) errors over predicted standard deviations."""
    return np.array([r.error[what] / r.sd[what] for r in runs])


def assert_scatter_is_predicted(runs, what=slice(0, 3), level=1e-3):
    """Sums of squared normalised errors lie within the two-sided chi-square band of `level`, each alone."""
    squares = (normalised(runs, what) ** 2).sum(axis=0)
    low, high = stats.chi2.ppf([level / 2, 1 - level / 2], len(runs))
    assert (squares > low).all(), (squares, low)
    assert (squares < high).all(), (squares, high)


def glass_drawn(rng, stated):
    """(true thickness, what is said of it, its prior sd)."""
    if stated:
        true = rng.uniform(2, 6)
        return true, UserConstraints(true + rng.normal(0, STATED_GLASS_SD_MM)), STATED_GLASS_SD_MM
    true = -1.0
    while true < 0:
        true = rng.normal(UNKNOWN_GLASS_MM, UNKNOWN_GLASS_SD_MM)
    return true, UserConstraints(), UNKNOWN_GLASS_SD_MM


def runs_of(seeds, *, stated=True, **setting):
    """Runs over seeds, with the glass's thickness stated or not."""
    result = []
    for seed in seeds:
        rng = np.random.default_rng(seed)
        thickness, constraints, thickness_sd = glass_drawn(rng, stated)
        result.append(run(scene(rng, thickness=thickness, **setting), constraints, thickness_sd))
    return result


@pytest.fixture(scope="module")
def many():
    """200 solves, half of them with the glass stated; every view of 54 corners, EXIF only."""
    return {stated: runs_of(range(1000 * stated, 1000 * stated + 100), stated=stated) for stated in (True, False)}


# Covariance against scatter ----------------------------------------------------------------------------


def test_ninety_five_percent_of_the_intervals_hold_the_truth(many):
    runs = many[True] + many[False]
    assert len(runs) >= 200
    held = np.array([np.abs(r.error) <= r.quantile * r.sd for r in runs])
    # One quantity alone: 200 draws of 0.95 have a standard deviation of 1.5 %, three of them are 4.6 %.
    assert (np.abs(held.mean(axis=0) - 0.95) < 0.046).all(), held.mean(axis=0)
    # All four together: 0.8 % if they were independent.
    assert 0.93 < held.mean() < 0.97


@pytest.mark.parametrize("stated", [True, False])
def test_predicted_covariance_is_the_scatter(many, stated):
    # Two-sided chi-square band of 99.9 % for each of lean, turn, distance and (where stated) thickness. An
    # unknown thickness is drawn from its prior without the impossible part below 0, so it scatters less.
    assert_scatter_is_predicted(many[stated], slice(0, 4) if stated else slice(0, 3))
    assert (normalised(many[stated], THICKNESS) ** 2).mean() < 1.4
    # No bias: the mean of the normalised errors is 0 +- 1 / sqrt(n).
    assert (np.abs(normalised(many[stated]).mean(axis=0)) < 3.3 / math.sqrt(100)).all()


@pytest.mark.parametrize("stated", [True, False])
def test_error_is_the_cramer_rao_bound_and_no_less(many, stated):
    errors = np.array([r.error[:3] for r in many[stated]])
    bounds = np.array([r.bound[:3] for r in many[stated]])
    ratio = np.sqrt((errors**2).mean(axis=0) / (bounds**2).mean(axis=0))
    # Issue 2: at most 1.3 times the bound. 100 draws tell an rms to 7 %: three of those below 1 is too good.
    assert (ratio < 1.3).all(), ratio
    assert (ratio > 0.79).all(), ratio


def test_predicted_sd_is_the_bound(many):
    # The solve knows only its own residuals (some 180 degrees of freedom: 5 %) and its own estimate.
    ratios = np.array([r.sd / r.bound for r in many[True] + many[False]])
    np.testing.assert_allclose(np.median(ratios, axis=0), 1.0, atol=0.05)
    assert (np.percentile(ratios[:, :3], [1, 99], axis=0) > 0.75).all()
    assert (np.percentile(ratios[:, :3], [1, 99], axis=0) < 1.35).all()


def test_residuals_are_the_noise(many):
    # rms over both coordinates: sqrt(2) * 0.1 px less the share that the parameters took up.
    rms = np.array([r.solution.rms_px() for r in many[True]])
    assert math.sqrt(2) * NOISE * 0.9 < np.median(rms) < math.sqrt(2) * NOISE
    scales = np.array([r.solution.sigma0 for r in many[True]])  # in units of the views' own 0.1 px
    np.testing.assert_allclose(np.median(scales, axis=0), 1.0, atol=0.05)


def test_good_corners_are_kept(many):
    corners = sum(sum(len(v.pixels) for v in r.solution.views) for r in many[True])
    rejected = sum(sum(r.solution.rejected) for r in many[True])
    # 4.5 sigma on two coordinates: 1.4e-5 of good corners; one in ten thousand would be a fault.
    assert rejected <= 1e-4 * corners + 2


def test_lean_is_told_to_a_hundredth_of_a_degree(many):
    # Issue 2's reach, on views like these: EXIF only and the glass stated.
    errors = np.degrees([r.error[:2] for r in many[True]])
    rms = np.sqrt((errors**2).mean(axis=0))
    assert 0.002 < rms[LEAN] < 0.02
    assert 0.001 < rms[TURN] < 0.02


# Noise -------------------------------------------------------------------------------------------------


def known_camera(sim):
    """The same views with the camera known exactly."""
    camera = sim.state.vector[sim.state.layout.camera]
    return replace(sim, prior=CameraPrior(camera.copy(), np.zeros(8), "file"))


def test_half_the_noise_is_half_the_error():
    # The same draws at both noises, front-coated glass and a known camera, so that noise is all there is.
    errors = {}
    for noise in (0.1, 0.05):
        runs = []
        for seed in range(12):
            rng = np.random.default_rng(seed)
            sim = known_camera(scene(rng, thickness=0.0, noise=noise, bow_mm=(0.0, 0.0, 0.0)))
            runs.append(run(sim, UserConstraints(0.0), 0.0, noise=noise))
        errors[noise] = np.array([r.error[:3] for r in runs])
        assert_scatter_is_predicted(runs)
    slope = (errors[0.05] * errors[0.1]).sum(axis=0) / (errors[0.1] ** 2).sum(axis=0)
    # Bow keeps its prior at both noises: at half the noise a little more of it is learned.
    np.testing.assert_allclose(slope, 0.5, atol=0.03)


def test_without_noise_everything_is_found_exactly():
    rng = np.random.default_rng(5)
    sim = known_camera(scene(rng, thickness=0.0, noise=0.0, bow_mm=(0.0, 0.0, 0.0)))
    solution = solve(SHEET, sim.views, sim.prior, UserConstraints(0.0), rigid=True)
    error = solution.mirror(0).placed - mirror_of(sim.state.vector, sim.state.layout)
    assert np.degrees(np.abs(error[:2])).max() < 1e-5
    assert abs(error[DISTANCE]) < 1e-3
    assert solution.rms_px() < 1e-4


# Bad and missing corners -------------------------------------------------------------------------------


def test_a_tenth_of_the_corners_wrong_by_3_to_20_pixels():
    runs, found, missed, lost, good = [], 0, 0, 0, 0
    for seed in range(20):
        rng = np.random.default_rng(500 + seed)
        thickness, constraints, thickness_sd = glass_drawn(rng, stated=True)
        sim = scene(rng, thickness=thickness)
        views, clean, bad_ids = [], [], []
        for view in sim.views:
            bad = rng.permutation(len(view.pixels))[: round(0.1 * len(view.pixels))]
            way, far = rng.uniform(0, 2 * math.pi, len(bad)), rng.uniform(3, 20, len(bad))
            pixels = view.pixels.copy()
            pixels[bad] += far[:, None] * np.column_stack([np.cos(way), np.sin(way)])
            views.append(replace(view, pixels=pixels))
            mask = np.ones(len(pixels), bool)
            mask[bad] = False
            clean.append(view.kept(mask))
            bad_ids.append(set(view.corner_ids[bad].tolist()))
        runs.append(run(sim, constraints, thickness_sd, tuple(views), bounding_views=clean))
        for view, wrong in zip(runs[-1].solution.views, bad_ids, strict=True):
            kept = set(view.corner_ids.tolist())
            missed += len(wrong & kept)
            found += len(wrong - kept)
            good += len(POINTS) - len(wrong)
            lost += len(POINTS) - len(wrong) - len(kept - wrong)
    # 30 standard deviations and more: every one must go, and hardly a good one with them.
    assert (missed, found) == (0, 200)
    assert lost < 0.005 * good
    assert_scatter_is_predicted(runs, slice(0, 4))
    ratio = np.sqrt(sum(r.error[:3] ** 2 for r in runs) / sum(r.bound[:3] ** 2 for r in runs))
    assert (ratio < 1.5).all(), ratio  # 20 draws tell an rms to 16 %


def test_half_of_the_corners_missing():
    runs = []
    for seed in range(12):
        rng = np.random.default_rng(600 + seed)
        thickness, constraints, thickness_sd = glass_drawn(rng, stated=True)
        sim = scene(rng, thickness=thickness)
        views = tuple(view.kept(rng.random(len(view.pixels)) < 0.5) for view in sim.views)
        runs.append(run(sim, constraints, thickness_sd, views))
    assert_scatter_is_predicted(runs, slice(0, 4))


def test_a_corner_of_the_reflection_gives_a_wide_interval():
    rng = np.random.default_rng(7)
    sim = scene(rng, thickness=4.0)
    whole = run(sim, UserConstraints(4.0), STATED_GLASS_SD_MM)
    part = tuple(
        v if v.mirror == DIRECT else v.kept(np.isin(v.corner_ids, [0, 1, 2, 9, 10, 11])) for v in sim.views
    )
    weak = run(sim, UserConstraints(4.0), STATED_GLASS_SD_MM, part)
    assert weak.sd[LEAN] > 3 * whole.sd[LEAN]
    assert weak.sd[LEAN] == pytest.approx(weak.bound[LEAN], rel=0.6)  # 6 corners tell their noise poorly
    assert (np.abs(weak.error) < 4 * weak.bound).all()


# The small card ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", [1001, 1006, 1007, 1009, 1010, 1017, 1019, 1033])
def test_a_small_bowed_card_is_not_seen_from_its_wrong_side(seed):
    """Seeds that once ended in the other of a small plane's two poses, or in the mirror seen from behind.

    The two-fold pose: D. Oberkampf, D. DeMenthon, L. Davis, Iterative pose estimation using coplanar feature
    points, CVIU 63 (1996) 495-511.
    """
    rng = np.random.default_rng(seed)
    card, prior = SHEETS["card"], prior_from_focal(SIZE, 26.0)
    camera = phone_camera(rng, prior)
    eye = np.array([rng.uniform(-150, 150), -rng.uniform(350, 600), rng.uniform(200, 400)])
    mirror = np.array([*np.radians(rng.normal(0, 2, 2)), rng.uniform(2, 60), 4.0])
    sim = simulate(
        card,
        eyes=[eye],
        mirrors=[mirror],
        camera_parameters=camera,
        size=SIZE,
        noise_px=NOISE,
        rng=rng,
        equivalent_mm=26.0,
        bow_mm=tuple(rng.normal(0, BOW_SD_MM, 3)),
    )
    solution = solve(card, sim.views, sim.prior, UserConstraints(4.0))
    assert solution.rms_px() < 2 * NOISE
    error = solution.mirror(0).placed - mirror
    assert (np.abs(error) < 4 * np.sqrt(np.diag(solution.mirror(0).placed_covariance))).all()
    assert solution.state.eye(0)[2] > 0
    assert solution.mirror(0).normal[1] < 0


# Cameras and photos ------------------------------------------------------------------------------------


def test_without_exif():
    # Zoom and phone unknown: 24 to 35 mm-equivalent lenses, and the prior knows no more than 40 %.
    runs = []
    for seed in range(8):
        rng = np.random.default_rng(700 + seed)
        thickness, constraints, thickness_sd = glass_drawn(rng, stated=True)
        sim = scene(rng, thickness=thickness, equivalent_mm=float(rng.uniform(24, 35)), exif=False)
        assert sim.prior.source == "guess"
        runs.append(run(sim, constraints, thickness_sd))
    assert_scatter_is_predicted(runs)
    ratio = np.array([r.sd / r.bound for r in runs])[:, :3]
    np.testing.assert_allclose(np.median(ratio, axis=0), 1, atol=0.1)


def test_portrait_photos():
    assert_scatter_is_predicted(runs_of(range(800, 812), size=SIZE[::-1]), slice(0, 4))


def test_two_photos_are_better_than_one(many):
    two = runs_of(range(900, 908), photos=2, stated=False)
    assert_scatter_is_predicted(two)
    one = np.array([r.sd for r in many[False]])
    gained = np.sqrt((np.array([r.sd for r in two]) ** 2).mean(axis=0) / (one**2).mean(axis=0))
    # Twice the corners alone would be 0.71; one camera for two places tells more.
    assert (gained < 0.75).all(), gained
    assert (gained > 0.1).all(), gained


# Glass and contact -------------------------------------------------------------------------------------


def test_front_coated_mirrors():
    runs = []
    for seed in range(12):
        sim = scene(np.random.default_rng(1200 + seed), thickness=0.0)
        runs.append(run(sim, UserConstraints(0.0), 0.0))
        assert runs[-1].solution.mirror(0).placed[THICKNESS] == 0
        assert runs[-1].sd[THICKNESS] == 0
    assert_scatter_is_predicted(runs)


def test_a_plane_mirror_in_place_of_the_glass_is_found_out():
    # Design, section 4: a plane mirror put in the place of 6 mm of glass errs; to state it is the caller's
    # fault, but the fit must show it: the residuals grow beyond the noise, or the lean leaves its interval.
    rng = np.random.default_rng(11)
    sim = scene(rng, thickness=6.0, bow_mm=(0.0, 0.0, 0.0))
    right = run(known_camera(sim), UserConstraints(6.0), STATED_GLASS_SD_MM)
    wrong = run(known_camera(sim), UserConstraints(0.0), 0.0)
    assert abs(wrong.error[LEAN]) > 3 * abs(right.sd[LEAN]) or wrong.solution.cost > 1.5 * right.solution.cost


def test_touching_tells_the_distance():
    runs, free = [], []
    for seed in range(8):
        rng = np.random.default_rng(1300 + seed)
        turn = math.radians(rng.normal(0, 1))
        nearest = SHEET.width_mm / 2 * abs(math.tan(turn))
        mirror = [math.radians(rng.normal(0, 2)), turn, nearest + rng.normal(0, 0.3)]
        sim = scene(rng, thickness=4.0, mirror=mirror)
        runs.append(run(sim, UserConstraints(None, touching=True), UNKNOWN_GLASS_SD_MM))
        free.append(run(sim, UserConstraints(None), UNKNOWN_GLASS_SD_MM))
    assert_scatter_is_predicted(runs)
    assert (np.array([r.sd[DISTANCE] for r in runs]) < 0.3).all()
    assert np.median([r.sd[DISTANCE] / f.sd[DISTANCE] for r, f in zip(runs, free, strict=True)]) < 0.8


def test_a_sheet_bowed_by_two_millimetres_does_not_move_the_lean_out_of_its_interval():
    runs = []
    for seed in range(10):
        rng = np.random.default_rng(1400 + seed)
        bow = 2.0 * rng.choice([-1, 1], 3) * np.eye(3)[seed % 3]
        thickness, constraints, thickness_sd = glass_drawn(rng, stated=True)
        sim = scene(rng, thickness=thickness, bow_mm=tuple(bow))
        runs.append(run(sim, constraints, thickness_sd))
        # The bow itself is found.
        found = runs[-1].solution.state.vector[sim.state.layout.bow]
        np.testing.assert_allclose(found, bow, atol=0.5)
    assert_scatter_is_predicted(runs)
    assert sum(abs(r.error[LEAN]) < r.quantile * r.sd[LEAN] for r in runs) >= 8  # 98.9 % of draws of 0.95


# Several mirrors ---------------------------------------------------------------------------------------


def test_the_angle_between_two_mirrors():
    normalised_angles = []
    for seed in range(8):
        rng = np.random.default_rng(1500 + seed)
        prior = prior_from_focal(SIZE, 26.0)
        errors = np.radians(rng.normal(0, 1, 4))
        mirrors = [
            np.array([errors[0], math.radians(40) + errors[1], 130.0, 4.0]),
            np.array([errors[2], math.radians(-40) + errors[3], 130.0, 4.0]),
        ]
        sim = simulate(
            SHEET,
            eyes=[np.array([rng.uniform(-60, 60), -rng.uniform(500, 700), rng.uniform(300, 450)])],
            mirrors=mirrors,
            camera_parameters=phone_camera(rng, prior),
            size=SIZE,
            noise_px=NOISE,
            rng=rng,
            equivalent_mm=26.0,
        )
        assert {view.mirror for view in sim.views} == {DIRECT, 0, 1}
        solution = solve(SHEET, sim.views, sim.prior, UserConstraints(4.0), rigid=True)

        def angle(vector, layout=sim.state.layout):
            return angle_between(*(mirror_normal(*vector[layout.mirror(m)][:2]) for m in (0, 1)))

        vector = solution.state.vector
        gradient = np.array([(angle(vector + d) - angle(vector - d)) / 2e-6 for d in 1e-6 * np.eye(len(vector))])
        sd = math.sqrt(gradient @ solution.covariance @ gradient)
        assert math.degrees(sd) < 0.05
        normalised_angles.append((angle(vector) - angle(sim.state.vector)) / sd)
    low, high = stats.chi2.ppf([5e-4, 1 - 5e-4], 8)
    assert low < np.square(normalised_angles).sum() < high


# Pose against OpenCV -----------------------------------------------------------------------------------


def pose_errors(rotation, translation, sim):
    """Angle [rad] and place [mm] of a camera away from the truth."""
    true_rotation, true_translation = sim.state.cam_from_target(0)
    turned = np.linalg.norm(cv2.Rodrigues(rotation @ true_rotation.T)[0])
    return turned, np.linalg.norm(-rotation.T @ translation + true_rotation.T @ true_translation)


def solve_pnp(sim):
    """OpenCV's pose from the direct corners alone."""
    direct = next(view for view in sim.views if view.mirror == DIRECT)
    camera = sim.prior.camera
    _, rotation, translation = cv2.solvePnP(
        POINTS[direct.corner_ids], direct.pixels, camera.matrix, np.array(camera.distortion)
    )
    return cv2.Rodrigues(rotation)[0], translation[:, 0]


def test_pose_is_solvepnps_and_better():
    ours, theirs = [], []
    for seed in range(12):
        sim = known_camera(scene(np.random.default_rng(1600 + seed), thickness=4.0, bow_mm=(0.0, 0.0, 0.0)))
        solution = solve(SHEET, sim.views, sim.prior, UserConstraints(4.0), rigid=True)
        ours.append(pose_errors(*solution.state.cam_from_target(0), sim))
        theirs.append(pose_errors(*solve_pnp(sim), sim))
        # The camera's place is the same to the noise of either: 0.1 px at half a metre and 54 corners.
        assert pose_errors(*solution.state.cam_from_target(0), sim)[1] < 2.0
    ours, theirs = np.sqrt(np.square(ours).mean(axis=0)), np.sqrt(np.square(theirs).mean(axis=0))
    # The reflection tells of the camera's place too; bow, which PnP takes for none, costs some of that.
    assert (ours < 1.5 * theirs).all(), (ours, theirs)
    assert (ours > 0.2 * theirs).all(), (ours, theirs)


def test_reprojection_is_opencvs():
    # The residuals that the solve reports are those of cv2.projectPoints at its pose, camera and bow.
    sim = scene(np.random.default_rng(17), thickness=4.0)
    solution = solve(SHEET, sim.views, sim.prior, UserConstraints(4.0), rigid=True)
    rotation, translation = solution.state.cam_from_target(0)
    bowed = POINTS.copy()
    bowed[:, 2] += BASIS @ solution.state.vector[solution.state.layout.bow]
    camera = solution.camera
    for view, residual in zip(solution.views, solution.residuals_px, strict=True):
        if view.mirror == DIRECT:
            pixels, _ = cv2.projectPoints(
                bowed[view.corner_ids],
                cv2.Rodrigues(rotation)[0],
                translation,
                camera.matrix,
                np.array(camera.distortion),
            )
            np.testing.assert_allclose(residual, pixels[:, 0] - view.pixels, atol=1e-6)


# Refusals and verdicts ---------------------------------------------------------------------------------


def test_a_reflection_without_the_target_is_refused():
    sim = scene(np.random.default_rng(18), thickness=4.0)
    with pytest.raises(SolveError, match="not the sheet itself"):
        solve(SHEET, tuple(v for v in sim.views if v.mirror != DIRECT), sim.prior)


@pytest.mark.parametrize(
    ("lean", "turn", "expected"),
    [
        ((0.05, 0.01), (0.0, 0.01), "square"),
        ((0.3, 0.1), (0.0, 0.01), "out of square"),
        ((0.0, 0.01), (-0.3, 0.1), "out of square"),
        ((0.095, 0.01), (0.0, 0.01), "undetermined"),
        ((0.0, 0.5), (0.0, 0.01), "undetermined"),
        ((0.0, 0.5), (0.3, 0.1), "out of square"),
    ],
)
def test_verdict_needs_the_whole_interval(lean, turn, expected):
    # JCGM 106:2012, section 8.3: guarded acceptance and guarded rejection; between them no verdict.
    assert verdict((lean[0], turn[0]), (lean[1], turn[1]), 0.1) == expected


# Descents that come to no end ---------------------------------------------------------------------------


def test_a_descent_that_stopped_at_its_limit_is_not_reported_as_an_answer(monkeypatch):
    """It is descended further; and refused where that does not help."""
    sim = scene(np.random.default_rng(7), thickness=3.0)
    whole = solve(SHEET, sim.views, sim.prior)
    descend = Problem.descend

    def stopped(self, state, views, *, iterations=60, **options):
        found = descend(self, state, views, iterations=iterations, **options)
        return replace(found, converged=found.converged and iterations > limit[0])

    limit = [60]
    monkeypatch.setattr(Problem, "descend", stopped)
    again = solve(SHEET, sim.views, sim.prior)
    np.testing.assert_allclose(again.mirror(0).placed, whole.mirror(0).placed, atol=1e-6)
    assert again.to_go == whole.to_go == 0
    limit[0] = 10_000  # nothing ends: answered, for what is still to go is next to nothing ...
    unended = solve(SHEET, sim.views, sim.prior)
    np.testing.assert_allclose(unended.mirror(0).placed, whole.mirror(0).placed, rtol=1e-4)
    assert 0 < unended.to_go < 0.01
    monkeypatch.setattr("align.solve.joint.MOST_LEFT", -1.0)  # ... and refused where it is too much
    with pytest.raises(SolveError, match="no end"):
        solve(SHEET, sim.views, sim.prior)


def test_a_solved_mirror_speaks_for_itself():
    """Its numbers and their covariance are the vector's own, under their names."""
    sim = scene(np.random.default_rng(8), thickness=3.0)
    solution = solve(SHEET, sim.views, sim.prior)
    mirror, where = solution.mirror(0), solution.state.layout.mirror(0)
    assert mirror.parameter_names == tuple(name.partition("[")[0] for name in solution.parameter_names[where])
    found = [getattr(mirror, name) for name in mirror.parameter_names]
    np.testing.assert_array_equal(found, solution.state.vector[where])
    np.testing.assert_array_equal(mirror.covariance, solution.covariance[where, where])
    assert mirror.sd("thickness_mm") == pytest.approx(math.sqrt(mirror.covariance[3, 3]))
    assert mirror.distance_mm == pytest.approx(mirror_of(solution.state.vector, solution.state.layout)[DISTANCE])
    point = np.array([[10.0, -30.0, 0.0]])
    assert mirror.height_before(point)[0] == pytest.approx(float(point[0] @ mirror.normal + mirror.offset_mm))

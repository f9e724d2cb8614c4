"""Several photos in one solve, on simulated views: thickness, coverage, bow, contact, mirrors, what is refused.

Noise is 0.05 px on 12 megapixels: twice what rendered photos leave (docs/photo_sets.md).
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, replace

import numpy as np
import pytest
from scipy import stats

import align.bundle.glass as glass_module
from align import check
from align.bundle.adjustment import Adjustment, _joint_solution, solve_sighted
from align.bundle.grouping import joint_views
from align.bundle.validity import check_sane
from align.checking.advice import advice_for
from align.checking.report import mirror_result, report
from align.checking.settings import CheckSettings
from align.checking.text import check_text
from align.errors import CameraError, PhotoError, ReflectionError, SolveError
from align.optics.camera_model import CameraPrior, prior_from_focal
from align.optics.geometry import angle_between, mirror_normal
from align.solve.forward_model import DIRECT, Layout, State
from align.solve.joint import Solution, UserConstraints, solve
from align.solve.problem import UNKNOWN_GLASS_SD_MM, Problem
from align.solve.simulate import phone_camera, simulate
from tests.support.bounds import bound_of, mirror_of
from tests.support.photo_sets import NOISE, SHEET, SIZE, scene
from tests.support.sighted import moved_sheet_views, sighted_photo, sighted_photos
from tests.support.synthetic import degrees_mirror, synthetic_photo, write_photo

LEAN, TURN, DISTANCE, THICKNESS = range(4)


def alone(sim, photo):
    """One photo of a simulation, as a simulation of its own."""
    views = tuple(replace(view, photo=0) for view in sim.views if view.photo == photo)
    layout = sim.state.layout
    vector = np.concatenate([sim.state.vector[: layout.pose(0).start], sim.state.vector[layout.pose(photo)]])
    state = State(Layout(layout.mirrors, 1), vector, (sim.state.rotations[photo],))
    return replace(sim, state=state, views=views)


@dataclass(frozen=True)
class Run:
    """One solve beside its truth."""

    error: np.ndarray
    sd: np.ndarray
    solution: Solution

    @property
    def held(self):
        """Whether the 95 % intervals of lean, turn, distance and thickness hold the truth."""
        return np.abs(self.error) <= self.solution.quantile * self.sd


def run(sim, constraints=None):
    solution = solve(SHEET, sim.views, sim.prior, constraints or UserConstraints(), rigid=True)
    return Run(
        solution.mirror(0).placed - mirror_of(sim.state.vector, sim.state.layout),
        np.sqrt(np.diag(solution.mirror(0).placed_covariance)),
        solution,
    )


def glass(solution):
    return mirror_result(solution, 0, 0.0, CheckSettings()).glass


def assert_scatter_is_predicted(normalised, level=1e-3):
    """The sum of squares lies within the two-sided chi-square band."""
    low, high = stats.chi2.ppf([level / 2, 1 - level / 2], len(normalised))
    assert low < np.square(normalised).sum() < high, np.square(normalised).sum()


# Coverage ----------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def many():
    """200 sets of three photos at three heights, glass unknown."""
    return [run(scene(seed)) for seed in range(200)]


def test_ninety_five_percent_of_the_sets_intervals_hold_the_truth(many):
    held = np.array([r.held for r in many])[:, [LEAN, TURN, THICKNESS]]
    # One quantity alone: 200 draws of 0.95 have a standard deviation of 1.5 %, three of them are 4.6 %.
    assert (np.abs(held.mean(axis=0) - 0.95) < 0.046).all(), held.mean(axis=0)
    # All three together: 0.9 % if they were independent.
    assert 0.93 <= held.mean() <= 0.97, held.mean()
    for what in (LEAN, TURN, THICKNESS):
        assert_scatter_is_predicted([r.error[what] / r.sd[what] for r in many])


def test_errors_of_sets_have_no_bias(many):
    normalised = np.array([r.error / r.sd for r in many])[:, [LEAN, TURN, THICKNESS]]
    assert (np.abs(normalised.mean(axis=0)) < 3.3 / math.sqrt(len(many))).all(), normalised.mean(axis=0)


# Against the single photo, and the bound -----------------------------------------------------------------


@pytest.fixture(scope="module")
def pairs(many):
    """For 24 of the sets: the set, its middle photo alone, and the bounds of both."""
    result = []
    for seed in range(24):
        sim = scene(seed)
        one = alone(sim, 1)
        bounds = [bound_of(s, s.views, UNKNOWN_GLASS_SD_MM, noise=NOISE) for s in (sim, one)]
        result.append((many[seed], run(one), bounds))
    return result


def test_the_set_is_better_by_as_much_as_the_bound_says(pairs):
    def rms(values):
        return np.sqrt(np.square(values).mean(axis=0))

    of_set, of_one = rms([s.sd for s, _, _ in pairs]), rms([o.sd for _, o, _ in pairs])
    bound_set, bound_one = rms([b[0] for *_, b in pairs]), rms([b[1] for *_, b in pairs])
    np.testing.assert_allclose(of_set / bound_set, 1, atol=0.06)
    np.testing.assert_allclose(of_set / of_one, bound_set / bound_one, rtol=0.08)
    # 24 draws tell an rms to 14 %: three of those either way.
    ratio = rms([s.error for s, _, _ in pairs]) / bound_set
    assert (np.abs(ratio - 1) < 0.43).all(), ratio


def test_intervals_of_lean_and_turn_shrink_in_every_set(pairs):
    for of_set, of_one, _ in pairs:
        half_set = of_set.solution.quantile * of_set.sd
        half_one = of_one.solution.quantile * of_one.sd
        # Three times the corners alone would be 0.58; other heights tell the camera apart from the mirror.
        assert (half_set[:2] < 0.75 * half_one[:2]).all(), half_set / half_one
        assert half_set[THICKNESS] < 0.5 * half_one[THICKNESS]


# Glass -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("thickness", [2.0, 3.0, 4.0, 5.0, 6.0])
def test_three_heights_tell_the_thickness(thickness):
    runs = [run(scene(1000 + seed, thickness=thickness)) for seed in range(8)]
    errors = np.array([r.error[THICKNESS] for r in runs])
    assert np.abs(errors).max() < 0.3, errors
    assert_scatter_is_predicted([r.error[THICKNESS] / r.sd[THICKNESS] for r in runs])
    for r in runs:
        said = glass(r.solution)
        assert said.verdict == "back-silvered"
        assert 0.05 < said.thickness_mm.half_width < 0.5


def test_a_front_coated_mirror_is_never_called_back_silvered():
    for seed in range(16):
        sim = scene(2000 + seed, thickness=0.0)
        assert glass(run(sim).solution).verdict == "front-coated"
        for photo in range(3):
            assert glass(run(alone(sim, photo)).solution).verdict != "back-silvered", (seed, photo)


def test_corners_that_scatter_more_than_they_should_do_not_tell_the_glass():
    """Errors that repeat, as on a warped print, do not average out: nothing so fine is read off them."""
    sim = scene(3, thickness=4.0)
    assert glass(run(sim).solution).verdict == "back-silvered"
    trusted_too_much = tuple(replace(v, covariance=v.covariance / 10.0**2) for v in sim.views)
    told = glass(run(replace(sim, views=trusted_too_much)).solution)
    assert (told.verdict, told.thickness_mm) == ("undetermined", None)


def test_the_thinnest_glass_is_never_called_front_coated():
    for seed in range(8):
        assert glass(run(scene(2100 + seed, thickness=2.0)).solution).verdict == "back-silvered"


def test_with_the_sheet_touching_one_photo_tells_the_glass():
    told, not_told, verdicts = [], [], []
    for seed in range(24):
        rng = np.random.default_rng([32, seed])
        turn = math.radians(rng.normal(0, 1))
        thickness = (0.0, 3.0, 6.0)[seed % 3]
        distance = SHEET.width_mm / 2 * abs(math.tan(turn)) + rng.normal(0, 0.3)
        mirror = np.array([math.radians(rng.normal(0, 1.5)), turn, distance, thickness])
        sim = scene(2200 + seed, thickness=thickness, mirrors=[mirror], elevations=(34,))
        touching = run(sim, UserConstraints(touching=True))
        verdicts.append(glass(touching.solution).verdict)
        right = "front-coated" if thickness == 0 else "back-silvered"
        assert verdicts[-1] in (right, "undetermined"), (seed, verdicts[-1])
        told.append(touching)
        not_told.append(run(sim))
    # Contact is good to 0.3 mm: most single photos tell front-coated from back-silvered, hardly any could without.
    assert 20 <= sum(verdict != "undetermined" for verdict in verdicts) <= 24
    assert_scatter_is_predicted([r.error[THICKNESS] / r.sd[THICKNESS] for r in told])
    assert max(abs(r.error[THICKNESS]) for r in told) < 1.5  # contact is known to 0.3 mm, sd; t shows as 2t/n
    gain = [a.sd[THICKNESS] / b.sd[THICKNESS] for a, b in zip(told, not_told, strict=True)]
    assert np.median(gain) < 0.7, gain


# Bow ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("which", [0, 1, 2], ids=["bow_x", "bow_y", "twist"])
def test_a_bow_of_two_millimetres_stays_within_the_interval_and_is_reported(which):
    runs, ways = [], ("from side to side", "from front to back", "corner to corner")
    for seed in range(10):
        bow = 2.0 * (-1) ** seed * np.eye(3)[which]
        runs.append(run(scene(3000 + seed, bow_mm=tuple(bow))))
        solution = runs[-1].solution
        where = solution.state.layout.bow
        np.testing.assert_allclose(solution.state.vector[where], bow, atol=0.1)
        (warning,), _ = advice_for(SHEET, solution, [], [], 0.1)
        assert "bows by about 2.0 mm" in warning or "bows by about 1.9 mm" in warning
        assert ways[which] in warning
    assert_scatter_is_predicted([r.error[LEAN] / r.sd[LEAN] for r in runs])
    assert sum(r.held[LEAN] for r in runs) >= 8  # 98.8 % of draws of 0.95


def test_a_flat_sheet_is_not_called_bowed():
    for seed in range(10):
        solution = run(scene(3100 + seed, bow_mm=(0.0, 0.0, 0.0))).solution
        assert advice_for(SHEET, solution, [], [], 0.1) == ((), ())


# What does not belong together ---------------------------------------------------------------------------


def test_where_a_joint_solve_begins_does_not_change_its_answer():
    """Begun from the photos alone, from everywhere, and from a hint that misleads (which is then let go)."""
    for photos in (
        sighted_photos(SHEET, scene(3900, mirrors=[degrees_mirror(0.4, 1.0, 20.0, 4.0)])),
        sighted_photos(SHEET, scene(3901, mirrors=[degrees_mirror(0.3, side * 40, 30, 3) for side in (1, -1)])),
    ):
        [joint] = [joint for joint in joint_views(SHEET, photos, UserConstraints()) if not joint.moved_sheet]
        turned = (np.diag([1.0, -1.0, -1.0]), np.array([50.0, -80.0, 2000.0]))
        misleads = replace(joint.hint, poses=(turned,) * len(photos), camera=joint.hint.camera.with_focal(900.0))
        begun = [replace(joint, hint=hint) for hint in (None, joint.hint, misleads)]
        everywhere, alone_first, misled = (
            _joint_solution(SHEET, [b], photos[0].prior, UserConstraints()) for b in begun
        )
        sd = np.sqrt(np.diag(everywhere.covariance))
        for other in (alone_first, misled):
            off = other.state.vector - everywhere.state.vector
            np.testing.assert_allclose(off[sd > 0] / sd[sd > 0], 0, atol=1e-2)


def test_a_photo_after_the_sheet_was_moved_is_named():
    for seed in range(4):
        sims = [
            scene(4000 + seed, mirrors=[degrees_mirror(0.4, turn, distance, 4.0)], thickness=4.0)
            for turn, distance in ((1.0, 20.0), (9.0, 45.0))
        ]
        photos = [
            sighted_photo(
                SHEET,
                [v for v in sims[photo == odd].views if v.photo == photo],
                SIZE,
                sims[0].prior,
                f"{'abc'[photo]}.jpg",
            )
            for odd in (seed % 3,)
            for photo in range(3)
        ]
        with pytest.raises(SolveError, match=f"{'abc'[seed % 3]}.jpg shows the mirror elsewhere"):
            joint_views(SHEET, photos, UserConstraints())


def test_a_zoomed_photo_is_named():
    for seed in range(3):
        sim = scene(4100 + seed, thickness=4.0)
        parameters = sim.state.vector[sim.state.layout.camera]
        zoomed = parameters + np.array([math.log(1.3), *np.zeros(7)])
        rng = np.random.default_rng(seed)
        other = simulate(
            SHEET,
            eyes=[sim.state.eye(2)],
            mirrors=[mirror_of(sim.state.vector, sim.state.layout)],
            camera_parameters=zoomed,
            size=SIZE,
            noise_px=NOISE,
            rng=rng,
            equivalent_mm=26.0,
        )
        photos = sighted_photos(SHEET, sim)[:2]
        photos.append(sighted_photo(SHEET, other.views, SIZE, sim.prior, "zoomed.jpg"))
        with pytest.raises(SolveError, match=r"zoomed\.jpg was zoomed or cropped"):
            solve_sighted(photos, UserConstraints())


def test_the_photo_that_fits_worst_is_named():
    sim = scene(4200, thickness=4.0)
    solution = solve_sighted(sighted_photos(SHEET, sim), UserConstraints()).solution
    spoilt = {0: 40.0, 1: 90.0}  # times: both beyond what is allowed, the second more so
    assert 0.05 < solution.rms_px(0) < 0.2
    residuals = tuple(
        residual * spoilt.get(view.photo, 1.0)
        for residual, view in zip(solution.residuals_px, solution.views, strict=True)
    )
    with pytest.raises(SolveError, match=r"b\.jpg: the corners fit no flat sheet .* the most of all photos"):
        check_sane(SHEET, replace(solution, residuals_px=residuals), ["a.jpg", "b.jpg", "c.jpg"], sim.prior)
    check_sane(SHEET, solution, ["a.jpg", "b.jpg", "c.jpg"], sim.prior)


def test_a_solve_that_stopped_before_its_end_says_so(monkeypatch):
    """Answered, for little is left to go; but not silently."""
    sim = scene(4200, thickness=4.0)
    photos, said = sighted_photos(SHEET, sim)[:1], "The solve stopped before its end"
    assert not any(said in words for words in solve_sighted(photos, UserConstraints()).warnings)
    descend = Problem.descend
    monkeypatch.setattr(
        Problem, "descend", lambda *given, **options: replace(descend(*given, **options), converged=False)
    )
    monkeypatch.setattr("align.bundle.validity.LEFT_TO_GO", 0.0)
    assert any(said in words for words in solve_sighted(photos, UserConstraints()).warnings)


def test_digital_zoom_and_a_phone_held_another_way_up_are_named(tmp_path):
    photo, _ = synthetic_photo(SHEET, (60, -500, 280), [degrees_mirror(0.5, -0.4, 40, 3)])
    second, _ = synthetic_photo(SHEET, (-40, -500, 240), [degrees_mirror(0.5, -0.4, 40, 3)])
    first = write_photo(tmp_path / "first.jpg", photo, equivalent_mm=26.0)
    # The phone's "2x" cuts the middle and enlarges it: the real focal length stays, the equivalent one doubles.
    zoomed = write_photo(tmp_path / "zoomed.jpg", second, equivalent_mm=52.0)
    with pytest.raises(CameraError, match=r"zoomed\.jpg was zoomed differently \(52 mm .*first\.jpg \(26 mm"):
        check([first, zoomed])
    upside_down = write_photo(tmp_path / "other.jpg", second[::-1, ::-1].copy(), orientation=3)
    with pytest.raises(CameraError, match=r"other\.jpg was taken with the phone held another way up"):
        check([first, upside_down])


def test_the_same_photo_twice_is_refused(tmp_path):
    photo, _ = synthetic_photo(SHEET, (60, -500, 280), [degrees_mirror(0.5, -0.4, 40, 3)])
    first = write_photo(tmp_path / "first.jpg", photo)
    again = write_photo(tmp_path / "again.jpg", photo, equivalent_mm=26.0)
    with pytest.raises(PhotoError, match=r"again\.jpg is the same photo as first\.jpg"):
        check([first, again])


# Several mirrors ---------------------------------------------------------------------------------------


def two_mirrors(seed, elevations=(34,)):
    """A corner of about 100 degrees behind the small sheet."""
    rng = np.random.default_rng([33, seed])
    errors = np.radians(rng.normal(0, 1, 4))
    mirrors = [
        np.array([errors[0], math.radians(40) + errors[1], 150.0, 4.0]),
        np.array([errors[2], math.radians(-40) + errors[3], 150.0, 4.0]),
    ]
    return scene(5000 + seed, mirrors=mirrors, thickness=4.0, elevations=elevations)


def true_angle_deg(state):
    layout = state.layout
    normals = [mirror_normal(*state.vector[layout.mirror(m)][:2]) for m in (0, 1)]
    return 180.0 - math.degrees(angle_between(*normals))


def test_the_angle_between_two_mirrors_is_held_by_its_interval():
    held, normalised = [], []
    for seed in range(60):
        sim = two_mirrors(seed)
        assert {view.mirror for view in sim.views} == {DIRECT, 0, 1}
        adjustment = solve_sighted(sighted_photos(SHEET, sim), UserConstraints(exact_print=True))
        answer, solution = report(adjustment, CheckSettings(), "photo"), adjustment.solution
        ((first, second, angle),) = [(a.first, a.second, a.angle_deg) for a in answer.angles]
        assert (first, second) == (1, 2)
        error = angle.value - true_angle_deg(sim.state)
        held.append(abs(error) <= angle.half_width)
        normalised.append(error / (angle.half_width / solution.quantile))
    low, high = stats.binom.ppf([5e-4, 1 - 5e-4], 60, 0.95)
    assert low <= sum(held) <= high
    assert_scatter_is_predicted(normalised)


def test_mirrors_are_numbered_from_left_to_right_whichever_is_seen_first():
    sim = two_mirrors(0, elevations=(28, 34, 42))
    photos = sighted_photos(SHEET, sim)
    left, right = photos[0].sighting.reflections
    assert left.centre_px[0] < right.centre_px[0]
    only_right = replace(photos[0], sighting=replace(photos[0].sighting, reflections=(right,)))
    only_left = replace(photos[1], sighting=replace(photos[1].sighting, reflections=(left_of(photos[1]),)))
    for order in ([only_right, *photos[1:]], [only_right, only_left, photos[2]]):
        solution = solve_sighted(order, UserConstraints()).solution
        angles = [math.degrees(solution.mirror(number).placed[TURN]) for number in (0, 1)]
        truth = [math.degrees(sim.state.vector[sim.state.layout.mirror(m)][TURN]) for m in (0, 1)]
        np.testing.assert_allclose(angles, truth, atol=0.1)
    with pytest.raises(SolveError, match="elsewhere"):  # no mirror in common: nothing says that the sheet lay still
        solve_sighted([only_right, only_left], UserConstraints())


def left_of(photo):
    return photo.sighting.reflections[0]


# The sheet is moved, the camera stands still ---------------------------------------------------------------


def test_a_moved_sheet_before_a_camera_that_stood_still_is_recognised():
    normalised = []
    for seed in range(6):
        rng = np.random.default_rng([34, seed])
        prior = prior_from_focal(SIZE, 26.0)
        mirrors = [degrees_mirror(0.4, 40.5, 160.0, 4.0), degrees_mirror(-0.3, -41.0, 160.0, 4.0)]
        placements = [
            np.array([*rng.normal(0, 0.05, 2), rng.uniform(0.2, 0.5), *rng.uniform(-25, 0, 2), 5.0]),
            np.array([*rng.normal(0, 0.05, 2), rng.uniform(-0.5, -0.2), *rng.uniform(-25, 0, 2), 5.0]),
        ]
        state, views = moved_sheet_views(
            SHEET,
            eye=np.array([20.0, -560.0, 420.0]),
            mirrors=mirrors,
            placements=placements,
            camera_parameters=phone_camera(rng, prior),
            noise_px=NOISE,
            rng=rng,
        )
        photos = [sighted_photo(SHEET, own, SIZE, prior, f"{'abc'[photo]}.jpg") for photo, own in enumerate(views)]
        adjustment = solve_sighted(photos, UserConstraints())
        solution = adjustment.solution
        assert solution.state.layout.moved_sheet
        assert any("sheet was moved" in warning for warning in adjustment.warnings)
        (between,) = report(adjustment, CheckSettings(), "photo").angles
        half = between.angle_deg.half_width
        assert 1e-4 < half < 0.02
        normalised.append((between.angle_deg.value - true_angle_deg(state)) / (half / solution.quantile))
    assert_scatter_is_predicted(normalised)


def test_a_sheet_that_lay_still_is_not_taken_for_a_moved_one():
    for seed in range(4):
        adjustment = solve_sighted(sighted_photos(SHEET, scene(6000 + seed)), UserConstraints())
        assert not adjustment.solution.state.layout.moved_sheet
        assert adjustment.warnings == ()


# What is said of each of several mirrors ------------------------------------------------------------------


def answer_with(solution, want_turn_deg=()):
    settings = CheckSettings(tolerance_deg=2.0, want_turn_deg=want_turn_deg)
    return report(Adjustment(SHEET, (), solution), settings, "photo")


def test_a_corner_is_square_when_each_mirror_stands_as_wanted_of_it():
    sim = two_mirrors(7)
    solution = solve(SHEET, sim.views, sim.prior, UserConstraints(), rigid=True)
    turns = [math.degrees(solution.mirror(m).placed[TURN]) for m in (0, 1)]
    wanted = [round(turn) for turn in turns]
    answer = answer_with(solution, wanted)
    assert [mirror.verdict for mirror in answer.mirrors] == ["square", "square"]
    assert [mirror.want_turn_deg for mirror in answer.mirrors] == [round(turn) for turn in turns]
    assert answer.want_turn_deg is None  # they differ
    assert "TRUE. The mirrors are upright on the sheet and turned as wanted" in check_text(answer)
    assert f"wanted {round(turns[0])}°" in check_text(answer)
    swapped = answer_with(solution, wanted[::-1])
    assert {mirror.verdict for mirror in swapped.mirrors} == {"out of square"}
    one_for_all = answer_with(solution)
    assert (one_for_all.want_turn_deg, one_for_all.verdict) == (0.0, "out of square")
    [asked] = [words for words in one_for_all.advice if "--want-turn" in words]
    assert [float(number) for number in re.findall(r"--want-turn (-?[0-9.]+)", asked)] == pytest.approx(
        turns, abs=0.01
    )
    assert not any("--want-turn" in words for words in answer.advice)
    with pytest.raises(ReflectionError, match="turns of 3 mirrors were named, but 2 mirrors could be seen"):
        answer_with(solution, [0.0, 6.0, 12.0])


def test_a_mirror_along_the_sheet_has_an_offset_and_no_distance():
    answers = {}
    for turn in (40.0, 88.0):
        distance = 80.0 / math.cos(math.radians(turn))  # 80 mm from the contact edge's middle, square to the glass
        sim = scene(8, mirrors=[degrees_mirror(0.2, turn, distance, 3.0)], thickness=3.0, elevations=(34,))
        solution = solve(SHEET, sim.views, sim.prior, UserConstraints(3.0), rigid=True)
        (answers[turn],) = answer_with(solution).mirrors
        assert answers[turn].offset_mm.low < 80.0 < answers[turn].offset_mm.high
        assert answers[turn].offset_mm.half_width < 1.5
    assert answers[40.0].distance_mm.value == pytest.approx(80 / math.cos(math.radians(40)), abs=1.0)
    written = answers[88.0].to_json()
    assert written["distance_mm"] is None
    assert "runs along the sheet" in written["distance_note"]
    assert answers[40.0].to_json()["distance_note"] == ""


def touching_corner(seed, distances):
    """Two mirrors turned by 40 degrees, their glass so far from the ends of the contact edge [mm]."""
    reach = SHEET.width_mm / 2 * math.sin(math.radians(40))
    mirrors = [
        degrees_mirror(0.3 * side, 40.0 * side, (reach + gap) / math.cos(math.radians(40)), 4.0)
        for side, gap in zip((1, -1), distances, strict=True)
    ]
    return scene(7000 + seed, mirrors=mirrors, thickness=4.0, elevations=(34,), bow_mm=(0.0, 0.0, 0.0))


def test_the_data_tell_which_mirror_the_sheet_touches_or_the_user_does():
    second = sighted_photos(SHEET, touching_corner(0, (60.0, 0.0)))
    found = solve_sighted(second, UserConstraints(touching=True))
    assert found.solution.constraints.contacts == (1,)
    assert any("taken to touch mirror 2" in words for words in found.warnings)
    adjustment = solve_sighted(second, UserConstraints(None, True, (1,)))
    said = adjustment.solution
    assert said.constraints.contacts == (1,)
    assert adjustment.warnings == ()
    free = solve_sighted(second, UserConstraints()).solution
    sd = [math.sqrt(s.mirror(1).placed_covariance[THICKNESS, THICKNESS]) for s in (free, said)]
    assert sd[1] < 0.85 * sd[0]  # and the contact is used of that mirror: by a quarter, as measured
    with pytest.raises(SolveError, match=r"said to touch mirror 1, .* stands [56]\d\.\d mm .* from it"):
        solve_sighted(second, UserConstraints(None, True, (0,)))
    with pytest.raises(SolveError, match="said to touch mirror 3, but 2 mirrors could be seen"):
        solve_sighted(second, UserConstraints(None, True, (2,)))
    both = sighted_photos(SHEET, touching_corner(1, (0.0, 0.0)))
    with pytest.raises(SolveError, match="may be that of mirrors 1 and 2") as error:
        solve_sighted(both, UserConstraints(touching=True))
    assert "--touching-mirror" in error.value.remedy
    assert solve_sighted(both, UserConstraints(None, True, (0, 1))).solution.constraints.contacts == (0, 1)
    neither = sighted_photos(SHEET, touching_corner(2, (70.0, 40.0)))
    with pytest.raises(SolveError, match=r"said to touch a mirror, .* from the nearest, mirror 2"):
        solve_sighted(neither, UserConstraints(touching=True))


def test_a_camera_file_that_does_not_fit_is_named():
    sim = scene(9, thickness=4.0, elevations=(34,))
    true = sim.state.vector[sim.state.layout.camera]
    sd = np.array([0.001, 2.0, 2.0, 0.002, 0.002, 1e-5, 1e-5, 0.0])
    for off, noted in ((0.0, False), (0.02, True)):  # of the focal length's logarithm: 20 of its sd
        mean = true + np.array([off, *np.zeros(7)])
        (item,) = sighted_photos(SHEET, sim)
        photos = [replace(item, prior=CameraPrior(mean, sd, "file"), without_file=item.prior)]
        warnings = solve_sighted(photos, UserConstraints()).warnings
        assert any("camera file does not fit" in words for words in warnings) == noted


def test_an_impossible_thickness_is_no_verdict():
    # Below 0 by more than three standard deviations, as a real mirror before a bent board gave: -2.9 mm, sd 0.8.
    assert glass_module._glass(-2.9, 1.65, UserConstraints()).verdict == "undetermined"
    assert glass_module._glass(-2.9, 1.65, UserConstraints()).thickness_mm is None
    assert glass_module._glass(-0.3, 0.25, UserConstraints()).verdict == "front-coated"
    assert glass_module._glass(4.0, 0.25, UserConstraints()).verdict == "back-silvered"

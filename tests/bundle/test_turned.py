"""Photos between which the sheet was turned: the print's faults are told from the mirror's lean."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from align.bundle.adjustment import solve_sighted
from align.bundle.grouping import view_of
from align.errors import SolveError
from align.optics.geometry import angle_between, mirror_normal, rotation_from_vector
from align.solve.forward_model import Layout, State
from align.solve.joint import Moved, UserConstraints
from align.solve.problem import Problem
from align.target.sheets import SHEETS
from tests.support.turned import turned_photos

SHEET = SHEETS["a5"]
LEAN_DEG, TURN_DEG = 0.31, -0.8
FREE = UserConstraints()


def photos_of(turned_deg, seed=0, **options):
    rng = np.random.default_rng(seed)
    known = {"lean_deg": LEAN_DEG, "turn_deg": TURN_DEG, "stand": False}
    return turned_photos(SHEET, rng, turned_deg=turned_deg, **(known | options))


def solved(photos):
    return solve_sighted(photos, UserConstraints(), turned_sheet=True)


def off_deg(adjustment):
    """(error, half width) [deg] of lean and of turn."""
    mirror, q = adjustment.solution.mirror(0), adjustment.solution.quantile
    return [
        (np.degrees(value) - true, np.degrees(q * mirror.sd(name)))
        for name, value, true in (
            ("lean_rad", mirror.lean_rad, LEAN_DEG),
            ("turn_rad", mirror.turn_rad, TURN_DEG),
        )
    ]


@pytest.mark.parametrize("stand", [False, True])
def test_the_interval_narrows_and_holds(stand):
    photos = photos_of((0, 90, 180), stand=stand)
    alone, turned = solve_sighted(photos[:1], UserConstraints()), solved(photos)
    for (_, wide), (error, narrow), share in zip(off_deg(alone), off_deg(turned), (0.75, 0.35), strict=True):
        assert abs(error) < narrow < share * wide
        assert narrow > 0.001  # and not surer than 0.03 px allow
    assert turned.solution.state.layout.moved_camera is not stand
    assert any("turned between the photos" in words for words in turned.warnings)


@pytest.mark.parametrize(
    ("turned_deg", "words"),
    [
        ((0,), "one way round only"),
        ((0, 3), "the same way round"),
    ],
)
def test_what_was_not_turned_is_refused(turned_deg, words):
    with pytest.raises(SolveError, match=words):
        solved(photos_of(turned_deg))


def test_a_mirror_that_was_moved_too_is_refused():
    photos = [photos_of((0, 90))[0], photos_of((0, 90), lean_deg=LEAN_DEG + 1)[1]]
    with pytest.raises(SolveError, match=r"differ about the mirror's lean: 0\.3.° and 1\.3"):
        solved(photos)


# Several mirrors --------------------------------------------------------------------------------------------------

#: Lean and turn [deg] of the mirrors of a corner, from the left.
CORNER_DEG = ((0.31, 39.2), (-0.4, -41.1))
THREE_DEG = ((0.31, 42.0), (-0.2, 3.0), (0.5, -36.0))


def photos_of_mirrors(angles_deg, turned_deg, seed=0, **options):
    (lean, turn), *others = angles_deg
    return photos_of(turned_deg, seed, lean_deg=lean, turn_deg=turn, others_deg=others, **options)


def kept(photo, *numbers):
    """A photo that shows some of its mirrors only."""
    boards = tuple(photo.sighting.reflections[number] for number in numbers)
    return replace(photo, sighting=replace(photo.sighting, reflections=boards))


def offs_deg(adjustment, angles_deg):
    """(error, half width) [deg] of lean and turn of each mirror, and last of the angle between the first two."""
    solution = adjustment.solution
    q, found = solution.quantile, []
    for mirror, angles in zip(solution.mirrors(), np.radians(angles_deg), strict=True):
        found.append((mirror.lean_rad - angles[0], q * mirror.sd("lean_rad")))
        found.append((mirror.turn_rad - angles[1], q * mirror.sd("turn_rad")))
    between, sd = solution.angle_between(0, 1)
    normals = [mirror_normal(*angles) for angles in np.radians(angles_deg[:2])]
    return np.degrees([*found, (between - np.pi + angle_between(*normals), q * sd)])


@pytest.mark.slow
@pytest.mark.parametrize("stand", [False, True])
def test_the_intervals_of_two_mirrors_narrow_and_hold(stand):
    """Of each mirror's lean and turn, and of the angle between them, against one photo and three not turned."""
    photos = photos_of_mirrors(CORNER_DEG, (0, 90, 180), floor_rad=1e-4, stand=stand)
    still = photos_of_mirrors(CORNER_DEG, (0, 0, 0), stand=False, spot_mm=0.0)
    together = solved(photos)
    alone, turned = (offs_deg(found, CORNER_DEG) for found in (solve_sighted(photos[:1], FREE), together))
    untold = offs_deg(solve_sighted(still, FREE), CORNER_DEG)
    assert (np.abs(turned[:, 0]) < turned[:, 1]).all()
    assert (turned[:, 1] > 0.001).all()  # and not surer than 0.03 px allow
    leans, turns = slice(0, -1, 2), slice(1, -1, 2)
    assert (turned[leans, 1] < 0.5 * alone[leans, 1]).all()
    assert (turned[turns, 1] < 0.15 * alone[turns, 1]).all()
    assert turned[-1, 1] < 0.6 * alone[-1, 1]
    assert (turned[turns, 1] < 0.8 * untold[turns, 1]).all()
    assert together.solution.state.layout.moved_camera is not stand


@pytest.mark.slow
def test_a_photo_may_show_some_of_the_mirrors():
    """Which they are is told by the angles between them, whichever photo shows all."""
    photos = photos_of_mirrors(THREE_DEG, (0, 90, 180))
    adjustment = solved([kept(photos[0], 0, 2), photos[1], kept(photos[2], 1, 2)])
    assert [photo.mirrors for photo in adjustment.photos] == [(0, 2), (0, 1, 2), (1, 2)]
    found = offs_deg(adjustment, THREE_DEG)
    assert (np.abs(found[:, 0]) < found[:, 1]).all()
    assert (found[:, 1] < 0.02).all()


def test_one_mirror_of_two_that_lean_alike_may_be_either():
    first, second = photos_of_mirrors(((0.3, 39.2), (0.2, -41.1)), (0, 90))
    with pytest.raises(SolveError, match=r"b\.jpg shows 1 of the 2 mirrors that a\.jpg shows"):
        solved([first, kept(second, 1)])


def test_a_photo_without_a_reflection_is_refused():
    first, second = photos_of((0, 90))
    with pytest.raises(SolveError, match=r"b\.jpg shows no reflection"):
        solved([first, kept(second)])


@pytest.mark.parametrize(
    ("moved_deg", "words"),
    [
        (((0.31, 39.2), (0.9, -41.1)), "differ about a mirror's lean: −0.4.° and 0.9"),
        (((0.31, 39.2), (-0.4, -40.1)), "how far one mirror is turned from another: 80.3.° and 79.3"),
    ],
)
def test_one_of_two_mirrors_that_was_moved_too_is_refused(moved_deg, words):
    photos = [photos_of_mirrors(CORNER_DEG, (0, 90))[0], photos_of_mirrors(moved_deg, (0, 90))[1]]
    with pytest.raises(SolveError, match=words):
        solved(photos)


# The floor that all photos share ----------------------------------------------------------------------------------


@pytest.mark.parametrize("camera", [False, True])
def test_what_is_said_of_the_floor_has_the_derivatives_it_names(camera):
    rng = np.random.default_rng(3)
    item = photos_of((0, 90), stand=not camera)
    views = [
        view
        for photo, one in enumerate(item)
        for view in (
            view_of(one.sighting.target, photo, -1),
            view_of(one.sighting.reflections[0], photo, 0),
        )
    ]
    moved = Moved(sheet=True, camera=camera, one_floor=True)
    problem = Problem(SHEET, tuple(views), item[0].prior, UserConstraints(), moved)
    layout = problem.layout
    rotations = tuple(rotation_from_vector(rng.normal(0, 0.3, 3)) for _ in layout.motions)
    vector = rng.normal(0, 20, layout.size)
    for where in layout.motions:
        vector[where.start : where.start + 3] = 0.0
    state = State(layout, vector, rotations)
    residual, jacobian = problem.stated(state)
    assert len(residual) == (4 if camera else 2)
    for entry in range(layout.size):
        step = np.zeros(layout.size)
        step[entry] = 1e-6
        numeric = (problem.stated(state.stepped(step))[0] - problem.stated(state.stepped(-step))[0]) / 2e-6
        np.testing.assert_allclose(jacobian[:, entry], numeric, atol=1e-4 * max(1.0, np.abs(numeric).max()))


@pytest.mark.parametrize("camera", [False, True])
def test_every_pose_and_placement_has_a_place_and_a_name_of_its_own(camera):
    layout = Layout(1, 3, True, moved_camera=camera)
    poses = {layout.pose(photo).start for photo in range(3)}
    placements = {layout.placement(photo).start for photo in (1, 2)}
    assert layout.placement(0) is None
    assert len(poses) == (3 if camera else 1)
    assert len(placements) == 2
    assert not poses & placements
    assert sorted(poses | placements) == [where.start for where in layout.motions]
    assert len(set(layout.names)) == len(layout.names) == layout.size
    assert layout.names[layout.placement(2).start] == "sheet_rot_x[2]"

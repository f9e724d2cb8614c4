"""Four real phone photographs of a plain board before two upright mirrors (../shared/real; skipped where absent).

Nothing in them was measured independently: what is checked is that the photos agree with one another, and
that two mirrors set up at a right angle are found at one. The camera and the mirrors stood still.
"""

from __future__ import annotations

import math
import time
from dataclasses import replace

import numpy as np
import pytest

from align import check
from align.bundle.adjustment import solve_sighted
from align.bundle.photo_set import sight_photos
from align.errors import ReflectionError
from align.optics.camera_model import prior_from_focal
from align.optics.geometry import angle_between
from align.photo.read import read_photo
from align.sighting.photo import sight
from align.solve.joint import UserConstraints
from align.target.sheets import plain_board
from tests.bench.accuracy_real import camera_file, directions_of, given_camera, pairs_of, scores_of
from tests.support.places import REAL as FOLDER
from tests.support.synthetic import degrees_mirror, synthetic_photo, write_photo

#: Minutes of searching photos of twelve megapixels: not for every change.
pytestmark = pytest.mark.slow
BOARD = plain_board(7, 6, 12.8)
real = pytest.mark.skipif(not FOLDER.is_dir(), reason="the real photographs are not here")
#: By eye, in the photos: where the board is, where its whole reflections are, left to right, and where its double
#: reflection is, which the corner's post parts in two [px].
TRUTH = {
    3: ((1671, 964), [(1403, 821), (1835, 799)], [(1577, 690)]),
    6: ((1681, 910), [(1407, 769)], []),
    7: ((1649, 936), [(1388, 798), (1843, 749)], [(1599, 644)]),
    10: ((1714, 839), [(1432, 705)], []),
}
LEFT, RIGHT = 0, 1


@pytest.fixture(scope="module")
def sighted():
    """The four photos after sighting, and the processor time of each [s]."""
    result = {}
    for number in TRUTH:
        started = time.process_time()
        (item,) = sight_photos([photo_path(number)], None, own_board=BOARD)
        result[number] = (item, time.process_time() - started)
    return result


@pytest.fixture(scope="module")
def joint(sighted):
    """All four together, their pixels as the camera wrote them: single photos then take this camera for known."""
    as_taken = [replace(item, prior=replace(item.prior, reshape_sd=0.0)) for item, _ in sighted.values()]
    adjustment = solve_sighted(as_taken, UserConstraints())
    return adjustment.solution, adjustment.warnings


def photo_path(number):
    return FOLDER / f"two-mirrors-{number}.jpg"


@real
@pytest.mark.parametrize("number", TRUTH)
def test_every_whole_board_is_found_and_the_direct_one_told(sighted, number):
    sighting = sighted[number][0].sighting
    target, reflections, doubles = TRUTH[number]
    np.testing.assert_allclose(sighting.target.centre_px, target, atol=5)
    assert len(sighting.reflections) == len(reflections)
    for board, place in zip(sighting.reflections, reflections, strict=True):
        np.testing.assert_allclose(board.centre_px, place, atol=5)
    assert [inter_reflection.kind for inter_reflection in sighting.inter_reflections] == ["double"] * len(doubles)
    for inter_reflection, place in zip(sighting.inter_reflections, doubles, strict=True):
        assert set(inter_reflection.mirrors) == {0, 1}
        assert not inter_reflection.board.mirrored
        np.testing.assert_allclose(inter_reflection.board.outline_px.mean(axis=0), place, atol=12)
    for board in (sighting.target, *sighting.reflections):
        assert len(board.corner_ids) >= 40


@real
def test_a_photo_is_sighted_in_bearable_time(sighted):
    # Processor time on the machine this was written on: 2 to 4 s a photo.
    assert max(seconds for _, seconds in sighted.values()) < 16


@real
def test_all_four_solve_in_one_call():
    result = check([photo_path(number) for number in TRUTH], board=(7, 6), square_mm=12.8)
    assert len(result.mirrors) == 2
    (between,) = result.angles
    assert abs(between.angle_deg.value - 90) < 0.3
    assert 0.005 < between.angle_deg.half_width < 0.3
    assert all(0.05 < photo.rms_px < 1.0 for photo in result.photos)
    # Of 42; the bent board's worst corner may be left out of the fit.
    assert all(photo.direct_corners >= 41 for photo in result.photos)
    assert [photo.reflected_corners for photo in result.photos] == [84, 42, 84, 42]
    assert any("sheet was moved" in warning for warning in result.warnings)
    # Both mirrors are thick glass, by their ghosts; the bent board lets neither be called front-coated.
    assert "front-coated" not in {mirror.glass.verdict for mirror in result.mirrors}
    assert result.mirrors[0].distance_mm is None  # it runs along the board


@real
def test_mirrors_are_numbered_from_left_to_right(joint):
    solution, _ = joint
    rotation, _ = solution.state.cam_from_target(0)
    left, right = (rotation @ solution.mirror(number).normal for number in (LEFT, RIGHT))
    assert left[0] > 0 > right[0]  # the left one faces right


@pytest.fixture(scope="module")
def singles(sighted, joint):
    """What each photo alone says of the direction of each mirror, with the joint fit's camera; and that camera."""
    camera = camera_file(joint[0])
    found = [one for number, (item, _) in sighted.items() for one in given_camera(number, item, camera)]
    assert sorted(one.mirror for one in found) == ["left"] * 4 + ["right"] * 2
    return found, camera


@real
def test_each_photo_alone_sees_a_mirror_where_the_others_see_it(singles):
    """Not against the joint fit: there a bent mirror's mean plane is that of all parts that were seen."""
    pairs = pairs_of(singles[0])
    apart = [math.degrees(angle_between(first.normal, second.normal)) for first, second in pairs]
    assert max(apart) < 0.25
    assert np.median(apart) > 1e-3  # they are measurements of their own


@real
def test_photos_differ_about_a_mirror_as_they_promise(singles):
    """Directions of a mirror, each from one photo: apart as foreseen, the camera's own error counted."""
    found, camera = singles
    scores = [score for pair in pairs_of(found) for score in scores_of(*pair, camera)[0]]
    assert 0.3 < math.sqrt(np.mean(np.square(scores))) < 1.5


@real
def test_photos_of_an_unknown_camera_differ_as_they_promise(sighted):
    """Without EXIF, each for itself: 1.9 with every line of the print at its place and a parabola for the bow."""
    found = []
    for number, (item, _) in sighted.items():
        solution = solve_sighted([item], UserConstraints()).solution
        # What is left are errors of corners by themselves: with a parabola for the bow, neighbours shared half.
        assert solution.spatial_correlation < 0.2
        found += directions_of(number, item, solution)
    scores = [score for pair in pairs_of(found) for score in scores_of(*pair)[0]]
    assert 0.3 < math.sqrt(np.mean(np.square(scores))) < 1.5


# Two explanations ---------------------------------------------------------------------------------------


def seen_from(far_mm, equivalent_mm, folder):
    """A board and its reflection from 40 degrees above the floor, as large in the photo from everywhere."""
    size = (1200, 900)
    camera = prior_from_focal(size, equivalent_mm).mean
    elevation = math.radians(40)
    eye = (0.05 * far_mm, -far_mm * math.cos(elevation), far_mm * math.sin(elevation))
    photo, truth = synthetic_photo(BOARD, eye, [degrees_mirror(0.5, 5.0, 35.0)], camera, size, noise=0.02)
    path = write_photo(folder / "board.jpg", photo, equivalent_mm=equivalent_mm)
    return read_photo(path), prior_from_focal(size, equivalent_mm), truth


def test_two_explanations_are_refused(tmp_path):
    # Seen from far enough off, a board and its reflection look the same when front and back are exchanged.
    photo, prior, _ = seen_from(100_000, 5000.0, tmp_path)
    with pytest.raises(ReflectionError, match="either explains the others"):
        sight(photo, prior, own_board=BOARD)


@pytest.mark.parametrize(("far_mm", "equivalent_mm"), [(500, 26.0), (2000, 104.0)])
def test_one_explanation_is_taken(tmp_path, far_mm, equivalent_mm):
    photo, prior, truth = seen_from(far_mm, equivalent_mm, tmp_path)
    sighting = sight(photo, prior, own_board=BOARD)
    (reflection,) = sighting.reflections
    for view, board in zip(truth.views, (sighting.target, reflection), strict=True):
        np.testing.assert_allclose(board.centre_px, view.pixels.mean(axis=0), atol=0.3)

"""Lines of sight by way of several mirrors: against one mirror's own routine, textbooks, and Fermat."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest

from align.planning.bodies import Box, panel
from align.planning.reflections import seen_by_way, seen_pairwise, sight_images, trace, ways
from align.planning.scene import Mirror
from align.planning.sightlines import mirror_legs, seen_in_mirror


def corner(angle_deg: float, size: float = 4000.0, glass: float = 0.0) -> tuple[Mirror, Mirror]:
    """Two tall mirrors that meet along the z axis, `angle_deg` between their faces, opening towards -y."""
    half = math.radians(angle_deg) / 2
    found = []
    for side in (-1.0, 1.0):
        along = np.array([side * math.sin(half), -math.cos(half)])
        turn = math.atan2(along[1], along[0]) if side > 0 else math.atan2(-along[1], -along[0])
        at = along * size / 2
        found.append(Mirror((at[0], at[1]), size, 2 * size, 0.0, 0.0, turn, glass, name=f"{side:g}"))
    return found[0], found[1]


def test_every_sequence_once_and_none_meets_a_mirror_twice_in_a_row() -> None:
    three = [Mirror((0, k), 1, 1, name=str(k)) for k in range(3)]
    found = [way.numbers for way in ways(three)]
    assert len(found) == len(set(found)) == 3 + 6 + 12
    assert all(a != b for numbers in found for a, b in pairwise(numbers))
    assert [way.numbers for way in ways(three[:1])] == [(0,)]
    assert [way.reverses for way in ways(three[:2])] == [True, True, False, False, True, True]


def test_one_mirror_is_the_one_mirrors_own_routine() -> None:
    rng = np.random.default_rng(2)
    mirror = Mirror((10.0, 500.0), 250.0, 180.0, 5.0, 0.05, -0.2, 5.0)
    eyes = np.column_stack([rng.uniform(-300, 300, 80), rng.uniform(-900, 300, 80), rng.uniform(20, 400, 80)])
    points = np.column_stack([rng.uniform(-200, 200, 60), rng.uniform(0, 600, 60), rng.uniform(0, 200, 60)])
    boxes = [panel("w", (-60, 300), (20, 300), 0, 90), Box("b", (90.0, 250.0), (60.0, 60.0, 100.0), turn=0.4)]
    (way,) = ways([mirror])
    mine = seen_by_way(way, eyes, points, boxes, [mirror])
    assert np.array_equal(mine, seen_in_mirror(eyes, points, boxes, mirror))
    assert 0.1 < mine.mean() < 0.9
    legs = mirror_legs(eyes, points, mirror)
    eye, point = np.nonzero(legs.on_glass)
    mine_legs = trace(way, eyes[eye], points[point])
    assert mine_legs.meets.all()
    assert np.allclose(mine_legs.entry_mm[:, 0], legs.entry_mm[eye, point], atol=1e-6)
    assert np.allclose(mine_legs.exit_mm[:, 0], legs.exit_mm[eye, point], atol=1e-6)


@pytest.mark.parametrize(("angle", "images"), [(180.0, 1), (120.0, 2), (90.0, 3), (60.0, 5)])
def test_mirrors_at_an_angle_show_as_many_images_as_the_textbook_says(angle: float, images: int) -> None:
    """Two plane mirrors at 360 deg / n show n - 1 images (H. Young, R. Freedman, University Physics, 13th ed.,
    section 34.1, exercises; from memory). Off the middle line, so that no two images lie behind one another."""
    mirrors = corner(angle)
    point = np.array([[60.0, -400.0, 100.0]])
    eye = np.array([[-40.0, -700.0, 120.0]])
    places = [way.images(point)[0] for way in ways(mirrors) if seen_by_way(way, eye, point, [], mirrors)[0, 0]]
    distinct = {tuple(np.round(place, 3)) for place in places}
    assert len(distinct) == images


def test_a_right_angled_corner_shows_everyone_their_own_face_by_two_bounces() -> None:
    """Two mirrors at 90 degrees send every level ray back where it came from (the corner reflector)."""
    mirrors = corner(90.0)
    rng = np.random.default_rng(0)
    eyes = np.column_stack([rng.uniform(-300, 300, 40), rng.uniform(-900, -500, 40), np.full(40, 150.0)])
    double = np.any(
        [seen_pairwise(way, eyes, eyes, [], mirrors) for way in ways(mirrors) if len(way.numbers) == 2], axis=0
    )
    assert double.all()
    odd = corner(110.0)
    double = np.any([seen_pairwise(way, eyes, eyes, [], odd) for way in ways(odd) if len(way.numbers) == 2], axis=0)
    assert not double.any()


def optical_path(way, crossings, eye, point) -> float:
    """Length of a bent path through given entries and exits, glass counted by its index: Fermat's sum."""
    place, length = eye, 0.0
    for mirror, (entry, leave) in zip(way.mirrors, crossings, strict=True):
        length += float(np.linalg.norm(entry - place))
        length += mirror.index * 2 * math.hypot(mirror.glass_mm, float(np.linalg.norm(leave - entry)) / 2)
        place = leave
    return length + float(np.linalg.norm(point - place))


def test_bent_lines_make_the_optical_path_stationary() -> None:
    """Fermat's principle, independent of the images (E. Hecht, Optics, 5th ed., section 4.5, from memory)."""
    rng = np.random.default_rng(5)
    tried = 0
    for _ in range(90):
        mirrors = (
            Mirror((0.0, 500.0), 900.0, 900.0, 0.0, *rng.uniform(-0.1, 0.1, 2), rng.uniform(2, 8), name="a"),
            Mirror((450.0, 0.0), 900.0, 900.0, 0.0, rng.uniform(-0.1, 0.1), rng.uniform(-1.5, -1.3), 5.0, name="b"),
        )
        eye = np.array([rng.uniform(-100, 100), -300.0, rng.uniform(300, 600)])
        point = np.array([rng.uniform(-100, 200), rng.uniform(0, 300), rng.uniform(300, 600)])
        for way in ways(mirrors):
            legs = trace(way, eye[None], point[None])
            if not legs.meets[0]:
                continue
            tried += len(way.numbers) > 1
            best = np.stack([legs.entry_mm[0], legs.exit_mm[0]], axis=1)
            shortest = optical_path(way, best, eye, point)
            for number, mirror in enumerate(way.mirrors):
                for end in (0, 1):
                    for axis in (mirror.across, mirror.upward):
                        ends = []
                        for step in (-1e-2, 1e-2):
                            moved = best.copy()
                            moved[number, end] += step * axis
                            ends.append(optical_path(way, moved, eye, point) - shortest)
                        assert abs(ends[0] - ends[1]) < 2e-7  # no slope: first order vanishes
    assert tried > 20


def test_the_back_of_a_mirror_and_other_mirrors_hide() -> None:
    far = Mirror((0.0, 500.0), 400.0, 300.0, glass_mm=0.0, name="far")
    turned_away = Mirror((0.0, 300.0), 100.0, 400.0, glass_mm=0.0, name="screen")
    eye, point = np.array([[0.0, -500.0, 150.0]]), np.array([[0.0, 400.0, 100.0]])
    (way,) = ways([far])
    assert seen_by_way(way, eye, point, [], [far])[0, 0]
    (first, *_) = ways([far, turned_away])
    assert not seen_by_way(first, eye, point, [], [far, turned_away])[0, 0]


def test_images_in_thick_glass_lie_on_the_traced_line() -> None:
    mirrors = corner(70.0, glass=6.0)
    eye, point = np.array([[-40.0, -700.0, 120.0]]), np.array([[60.0, -400.0, 100.0]])
    for way in ways(mirrors):
        legs = trace(way, eye, point)
        if not legs.meets[0]:
            continue
        image = sight_images(way, eye, point)[0] - eye[0]
        entry = legs.entry_mm[0, 0] - eye[0]
        assert np.linalg.norm(np.cross(image, entry)) / np.linalg.norm(image) < 1e-6
        last = point[0] - legs.exit_mm[0, -1]
        total = sum(
            float(np.linalg.norm(b - a))
            for a, b in zip([eye[0], *legs.exit_mm[0]], [*legs.entry_mm[0], point[0]], strict=True)
        )
        assert np.linalg.norm(last) > 0
        # The image is as far as the bent line is long, and the glass's own virtual depth farther.
        assert 0 < np.linalg.norm(image) - total < 3 * 2 * 6.0 * len(way.numbers)

"""The plan's pictures: numbers and words keep clear of what is drawn, by the boxes of what is drawn."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations
from typing import Any

import numpy as np
import pytest
from matplotlib.path import Path as Ring

from align.planning.bodies import Box, panel
from align.planning.job import PlanResult, plan
from align.planning.pictures.from_the_eye import mirror_view
from align.planning.pictures.from_the_side import seen_ends, side_view
from align.planning.pictures.number_places import Outline, Surroundings, place_numbers, spread
from align.planning.pictures.parts import NUMBER_RADIUS_PT
from align.planning.pictures.sheets import draw_plan, plan_view
from align.planning.scene import Floor, Lamp, Mirror, Path, Scene, Thing, Viewers
from align.planning.scene_file import read_scene
from tests.support.places import SAMPLES
from tests.support.places import SCENE_EXAMPLE as EXAMPLE


def tiny(name: str, x: float, y: float, size: float, want: str = "") -> Any:
    """A box of some millimetres, or a thing (of no size at all for 0)."""
    body = Box(name, (x, y), (size, size, size))
    return Thing(name, want, body) if want else body


def yard() -> Scene:
    """Millimetres of things in the middle of a large floor, all within a number's breadth of one another."""
    return Scene(
        "Yard",
        Mirror((0.0, 520.0), 240.0, 170.0, turn=0.07),
        Floor((-350.0, 350.0, 0.0, 560.0), 880.0),
        Viewers((-600.0, 600.0, -1100.0, -350.0), (1000.0, 1010.0), 200.0),
        blockers=(tiny("cat", 0, 300, 4), tiny("hen", 8, 300, 2), panel("fence", (-20, 310), (40, 330), 0, 10)),
        things=(tiny("key", 4, 306, 0, "show"), tiny("coin", 0, 294, 0, "hide"), tiny("note", 10, 516, 1, "show")),
        keep_clear=(Box("mouse", (2.0, 290.0), (6.0, 8.0, 4.0)),),
        lamps=(Lamp("match", (4.0, 296.0, 5.0)),),
        paths=(Path("thread", np.array([[0.0, 280.0], [0.0, 520.0]])),),
    )


def cabinet() -> Scene:
    """A scene as small as a matchbox, seen from a line of places at four heights that differ by millimetres."""
    wall = Box("wall", (-30.0, 40.0), (3.0, 60.0, 40.0), turn=0.35)
    beads = [tiny(f"bead {k}", 6 + 1.5 * (k % 3), 50 + 1.5 * (k // 3), 0.6, "show") for k in range(9)]
    return Scene(
        "Cabinet",
        Mirror((0.0, 80.0), 50.0, 40.0, lean=0.03, turn=-0.05, glass_mm=2.0),
        Floor((-60.0, 60.0, 0.0, 90.0), 1395.0),
        Viewers((-200.0, 200.0, -300.0, -300.0), (1400.0, 1405.0, 1410.0, 1420.0), 40.0),
        blockers=(wall,),
        things=tuple(beads),
        keep_clear=(Box("cart", (0.0, 40.0), (4.0, 70.0, 8.0)),),
        lamps=(Lamp("spark", (4.0, 61.0, 10.0)), Lamp("glow", (-4.0, 45.0, 10.0))),
        paths=(Path("lane", np.array([[0.0, 0.0], [0.0, 80.0]]), 6.0),),
    )


def hall() -> Scene:
    """A scene of a hand's breadth on a low table, looked at from far back: little room for the words below it."""
    return Scene(
        "Hall",
        Mirror((0.0, 90.0), 60.0, 50.0),
        Floor((-50.0, 50.0, 0.0, 100.0), 300.0),
        Viewers((-400.0, 400.0, -2350.0, -350.0), (900.0, 1300.0, 1850.0), 500.0),
        things=(tiny("pea", 0, 50, 1, "show"),),
    )


SCENES = {"example": lambda: read_scene(EXAMPLE), "yard": yard, "cabinet": cabinet, "hall": hall}


@pytest.fixture(scope="module", params=SCENES)
def result(request: pytest.FixtureRequest) -> PlanResult:
    return plan(SCENES[request.param]())


class Drawn:
    """A drawn figure's artists on its pixels."""

    def __init__(self, figure: Any) -> None:
        figure.draw_without_rendering()
        self.figure, self.ax = figure, figure.axes[0]
        self.px_per_pt = figure.dpi / 72.0

    def at(self, points: Any) -> np.ndarray:
        """(n, 2) pixels of data points."""
        return self.ax.transData.transform(np.asarray(points, float).reshape(-1, 2))

    def numbers(self) -> dict[int, Ring]:
        """Each number's circle."""
        rings = [line for line in self.ax.lines if line.get_gid() == "number"]
        digits = [text for text in self.ax.texts if text.get_text().isdigit()]
        assert len(rings) == len(digits)
        found = {}
        for ring, text in zip(rings, digits, strict=True):
            radius = (ring.get_markersize() + ring.get_markeredgewidth()) / 2 * self.px_per_pt
            middle = self.at(ring.get_xydata())[0]
            assert np.allclose(middle, self.at(text.get_position())[0])
            box = text.get_window_extent()
            assert np.hypot(box.width, box.height) / 2 < radius + 2  # the number is inside its circle
            found[int(text.get_text())] = Ring.circle(middle, radius)
        return found

    def leaders(self) -> dict[int, np.ndarray]:
        """(2, 2) each number's leader, from its circle's middle."""
        lines = [self.at(line.get_xydata()) for line in self.ax.lines if len(line.get_xydata()) == 2]
        middles = {number: ring.get_extents().get_points().mean(axis=0) for number, ring in self.numbers().items()}
        return {
            number: next(line for line in lines if np.linalg.norm(line[0] - middle) < 0.5)
            for number, middle in middles.items()
        }


def shapes(scene: Scene, drawn: Drawn) -> dict[int, Ring]:
    """What every number names, in the key's order, as it is drawn: rings, star's outlines, a path's beginning."""
    bodies = [*scene.blockers, *(thing.body for thing in scene.things)]
    found = [Ring(drawn.at(body.corners[:4, :2]), closed=False) for body in bodies]
    found += [Ring.circle(drawn.at(lamp.at_mm[:2])[0], 7.0 * drawn.px_per_pt) for lamp in scene.lamps]
    for path in scene.paths:
        start, half = path.points_mm[0], path.width_mm / 2
        along = path.points_mm[1] - path.points_mm[0]
        aside = half * np.array([-along[1], along[0]]) / np.linalg.norm(along)
        found.append(Ring(drawn.at([start + aside, start - aside])))
    found += [Ring(drawn.at(zone.corners[:4, :2]), closed=False) for zone in scene.keep_clear]
    return dict(enumerate(found, start=1))


def touch(circle: Ring, shape: Ring) -> bool:
    """Whether a circle and a shape, both filled, share a point."""
    closed = Ring(np.vstack([shape.vertices, shape.vertices[:1]]))
    return bool(circle.contains_points(shape.vertices).any() or circle.intersects_path(closed, filled=True))


def test_numbers_stand_beside_what_they_name_and_over_nothing(result: PlanResult) -> None:
    drawn = Drawn(plan_view(result))
    numbers, named = drawn.numbers(), shapes(result.scene, drawn)
    on_map = {k for k, shape in named.items() if drawn.ax.bbox.contains(*shape.vertices.mean(axis=0))}
    assert set(numbers) == on_map
    glass = Ring(drawn.at(result.scene.mirror.corners[:2, :2]))
    for number, circle in numbers.items():
        assert not [other for other, shape in named.items() if touch(circle, shape)], number
        assert not touch(circle, glass)
        assert drawn.ax.bbox.x0 < circle.get_extents().x0 < circle.get_extents().x1 < drawn.ax.bbox.x1
        assert drawn.ax.bbox.y0 < circle.get_extents().y0 < circle.get_extents().y1 < drawn.ax.bbox.y1
    for one, other in combinations(numbers, 2):
        assert not touch(numbers[one], numbers[other])


def test_leaders_are_short_end_at_their_thing_and_pass_no_number(result: PlanResult) -> None:
    drawn = Drawn(plan_view(result))
    numbers, named, leaders = drawn.numbers(), shapes(result.scene, drawn), drawn.leaders()
    pt = drawn.px_per_pt
    for number, (start, end) in leaders.items():
        shape = Ring(np.vstack([named[number].vertices, named[number].vertices[:1]]))
        reach = Ring.circle(end, 4.0 * pt)
        assert touch(reach, shape) or shape.contains_point(end)
        assert np.linalg.norm(end - start) < 8 * NUMBER_RADIUS_PT * pt
        line = Ring(np.linspace(start, end, 60))
        crossed = [other for other, circle in numbers.items() if circle.contains_points(line.vertices).any()]
        assert crossed == [number]


@pytest.mark.slow
def test_the_picture_from_above_says_what_a_cell_shows() -> None:
    scene = read_scene(EXAMPLE)
    scene = replace(scene, things=(), lamps=(), viewers=replace(scene.viewers, spacing_mm=400.0))

    def heading(result: PlanResult) -> str:
        (legend,) = [axes.get_legend() for axes in plan_view(result).axes if axes.get_legend()]
        return " ".join(legend.get_title().get_text().split())

    assert heading(plan(scene)) == (
        "Standing places: each cell shows the worst of its three eye heights (child, short adult and tall adult)."
    )
    for heights, words in (
        ((1000.0, 1500.0), "each cell shows the worst of its two eye heights (eyes at 1000 mm and 1500 mm)."),
        ((1500.0,), "with eyes at 1500 mm:"),
    ):
        some = replace(scene, viewers=replace(scene.viewers, eye_heights_mm=heights, spacing_mm=400.0))
        assert heading(plan(some)) == f"Standing places{': ' if len(heights) > 1 else ', '}{words}"


def test_words_of_the_picture_from_the_side_cover_nothing(result: PlanResult) -> None:
    """No word over another, over a thing, over an eye or an end of a line of sight; the key beside the picture."""
    drawn = Drawn(side_view(result))
    boxes = {text.get_text(): text.get_window_extent() for text in drawn.ax.texts if text.get_text()}
    assert len(boxes) == 3 + len(result.scene.viewers.eye_heights_mm)
    for one, other in combinations(boxes.values(), 2):
        assert not one.overlaps(other)
    ends = [drawn.at(line.get_xydata())[[0, -1]] for line in drawn.ax.lines]
    for words, box in boxes.items():
        assert drawn.ax.bbox.x0 <= box.x0 < box.x1 <= drawn.ax.bbox.x1, words
        assert drawn.ax.bbox.y0 <= box.y0 < box.y1 <= drawn.ax.bbox.y1, words
        assert not any(box.padded(1).contains(*end) for pair in ends for end in pair), words
        shapes = [patch.get_path().transformed(patch.get_transform()) for patch in drawn.ax.patches]
        assert not any(shape.intersects_bbox(box, filled=True) for shape in shapes), words
    (legend,) = drawn.figure.legends
    assert not legend.get_window_extent().overlaps(drawn.ax.get_tightbbox())


def test_numbers_on_a_map_full_of_things_stay_apart() -> None:
    """Where one thing is all over the map no place is free: the numbers still keep off one another."""
    low, high = np.zeros(2), np.array([400.0, 300.0])
    all_over = Outline(np.array([[0.0, 0.0], [400.0, 0.0], [400.0, 300.0], [0.0, 300.0]]))
    spots = [Outline(np.array([[200.0 + k, 150.0]])) for k in range(6)]
    placed = place_numbers(spots, Surroundings(low, high, (all_over, *spots), ()), 10.0)
    for one, other in combinations(placed.places, 2):
        assert np.linalg.norm(one - other) > 20.0


def test_spread_words_keep_their_order_and_move_no_more_than_needed() -> None:
    sizes = np.array([10.0, 20.0, 10.0, 10.0])
    places = spread(np.array([5.0, 4.0, 100.0, 6.0]), sizes)
    assert list(np.argsort(places)) == [1, 0, 3, 2]
    assert places[2] == 100.0
    assert places[0] - places[1] > 14.99
    assert places[3] - places[0] > 9.99
    assert np.ptp(places[[0, 1, 3]]) < 25.1


def test_no_line_of_sight_passes_through_the_floor() -> None:
    """An eye below the floor's edge sees the mirror's upper part over it; its line to the foot went through it."""
    scene = read_scene(EXAMPLE)
    low = replace(scene, viewers=replace(scene.viewers, eye_heights_mm=(850.0, 1500.0), spacing_mm=400.0))
    _, _, y0, y1 = low.floor.area_mm
    for height in low.viewers.eye_heights_mm:
        eye = np.array([0.0, low.mean_eye[1], height - low.floor.height_mm])
        ends = seen_ends(low, eye)
        assert len(ends) == 2
        for end in ends:
            line = eye + np.linspace(0.001, 0.999, 2000)[:, None] * (end - eye)
            over = (line[:, 1] > y0) & (line[:, 1] < y1)
            assert (line[over, 2] > -0.02).all()
    assert seen_ends(low, np.array([0.0, low.mean_eye[1], -30.0]))[0, 2] > 1.0


@pytest.mark.slow
def test_every_picture_of_two_mirrors_is_drawn_and_names_them(tmp_path: Any) -> None:
    """And each wish has its colour: the map of standing places knew three wishes only."""
    scene = read_scene(SAMPLES / "harbour_passage.toml")
    result = plan(replace(scene, viewers=replace(scene.viewers, spacing_mm=600.0)))
    files = draw_plan(result, tmp_path)
    assert [file.suffix for file in files] == [".png"] * 4 + [".txt"]
    words = {text.get_text() for axes in plan_view(result).axes for text in axes.texts}
    assert {"arcade (mirror)", "passage (mirror)", "postman (itself only, no twin)"} <= words
    figure = mirror_view(result)
    (legend,) = figure.legends
    told = {text.get_text() for text in legend.get_texts()}
    assert "itself only, no twin" in told
    assert "must not show" not in told  # it is behind the viewers
    assert figure.get_figwidth() < 9  # 15 points are then readable on a phone


def test_long_names_take_more_lines_and_leave_the_map_its_size() -> None:
    scene = replace(yard(), viewers=replace(yard().viewers, spacing_mm=600.0))
    long = replace(
        scene.blockers[0], name="the customs house with the green door and the " + "very " * 20 + "old clock"
    )
    short, wide = (plan_view(plan(one)) for one in (scene, replace(scene, blockers=(long, *scene.blockers[1:]))))
    for figure in (short, wide):
        figure.draw_without_rendering()
    assert wide.axes[0].bbox.width == pytest.approx(short.axes[0].bbox.width, rel=0.02)
    assert wide.get_figwidth() == short.get_figwidth()
    right = max(text.get_window_extent().x1 for text in wide.axes[1].texts)
    assert right <= wide.bbox.x1

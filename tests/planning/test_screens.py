"""Screens as cures: out of the room kept clear, and what the plan says where no place is left."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from align.planning.bodies import Box
from align.planning.cures import Cure, Cures, apply_cure, cures_for, zones_of_glass
from align.planning.job import plan
from align.planning.scene import Mirror, Scene
from align.planning.scene_file import read_scene
from align.planning.screens import SCREEN_THICKNESS_MM, NoPlace, zones_entered
from align.planning.text import plan_text
from align.planning.viewing import OWN_FACE, look
from align.planning.wishes import eye_places, judge, wish_met
from tests.support.places import SCENE_EXAMPLE as EXAMPLE
from tests.support.scenes import troubled_scene


def screens_of(scene: Scene, trouble: str) -> list[Cure]:
    """The screens proposed for a trouble (one or none)."""
    return [cure for cure in cures_for(scene, trouble) if cure.screen is not None]


def no_place_for(scene: Scene, trouble: str) -> NoPlace | None:
    """What only the keep-clear zones rule out."""
    views, places = look(scene), eye_places(scene)
    return Cures(scene, views, judge(scene, views, places).met, places).no_place(trouble)


def share_inside(screen: Box, zone: Box) -> float:
    """Of points all through a screen's board, how many lie in a zone: counted, with nothing of `overlaps`."""
    x, y, z = np.meshgrid(
        np.linspace(-0.5, 0.5, 301) * screen.size_mm[0],
        np.linspace(-0.5, 0.5, 13) * SCREEN_THICKNESS_MM,
        screen.base_mm + np.linspace(0.0, 1.0, 61) * screen.size_mm[2],
    )
    c, s = math.cos(screen.turn), math.sin(screen.turn)
    east, north = c * x - s * y + screen.centre_mm[0], s * x + c * y + screen.centre_mm[1]
    c, s = math.cos(zone.turn), math.sin(zone.turn)
    east, north = east - zone.centre_mm[0], north - zone.centre_mm[1]
    own_x, own_y = c * east + s * north, c * north - s * east
    inside = (abs(own_x) < zone.size_mm[0] / 2) & (abs(own_y) < zone.size_mm[1] / 2)
    return float((inside & (z > zone.base_mm) & (z < zone.base_mm + zone.size_mm[2])).mean())


def around(screen: Box) -> dict[str, Box]:
    """Rooms in a screen's way: across all of it, hanging, turned, thinner than the board."""
    (x, y), base = screen.centre_mm, screen.base_mm
    return {
        "a tram": Box("a tram", (x, y), (60.0, 80.0, base + 20.0)),
        "a crane": Box("a crane", (x, y + 10.0), (30.0, 40.0, 500.0), base + 10.0),
        "askew": Box("askew", (x, y), (200.0, 20.0, 300.0), turn=0.7),
        "a wire": Box("a wire", (x, y + 1.2), (400.0, 0.4, 300.0)),
    }


@pytest.mark.slow
@given(
    place=st.tuples(st.floats(-80, 80), st.floats(-80, 80)),
    size=st.tuples(st.floats(1, 120), st.floats(1, 120), st.floats(1, 120)),
    base=st.floats(0, 100),
    turns=st.tuples(st.floats(-1.5, 1.5), st.floats(-1.2, 1.2), st.floats(-0.5, 0.5)),
)
@settings(max_examples=300, deadline=None)
def test_a_face_cuts_a_room_where_points_of_it_lie_inside(place, size, base, turns) -> None:
    """Against a fine grid of points on the face; where it alone misses, the room grown by its pitch tells."""
    box = Box("room", place, size, base, turns[0])
    mirror = Mirror((0.0, 0.0), 100.0, 90.0, 5.0, lean=turns[2], turn=turns[1])
    across, up = np.meshgrid(np.linspace(-50, 50, 101), np.linspace(5, 95, 91))
    own = box.to_own_frame(mirror.on_face(across.ravel(), up.ravel()))
    inside = ((own > box.low + 1e-6) & (own < box.high - 1e-6)).all(axis=1).any()
    near = ((own > box.low - 1.0) & (own < box.high + 1.0)).all(axis=1).any()
    if box.cut_by(mirror.corners):
        assert near
    else:
        assert not inside


@pytest.mark.slow
def test_no_cure_puts_the_glass_into_a_room_kept_clear() -> None:
    """In the example the mirror 60 mm nearer had cured a trouble, with the glass in the tram's room."""
    scene = read_scene(EXAMPLE)
    scene = replace(scene, viewers=replace(scene.viewers, spacing_mm=300.0))
    free, kept = (
        [cure for cures in plan(one).cures.values() for cure in cures]
        for one in (replace(scene, keep_clear=()), scene)
    )

    assert any(zones_of_glass(apply_cure(scene, cure)) for cure in free)
    assert kept
    assert not any(zones_of_glass(apply_cure(scene, cure)) for cure in kept)


@pytest.mark.slow
@pytest.mark.parametrize("trouble", [OWN_FACE, "socket"])
@pytest.mark.parametrize("zone", ["a tram", "a crane", "askew", "a wire"])
def test_a_screen_keeps_out_of_the_room_kept_clear(trouble: str, zone: str) -> None:
    """One stands in the way of the screen that there would be without it: another takes its place, and cures."""
    scene = troubled_scene()
    (free,) = screens_of(scene, trouble)
    assert free.screen is not None
    room = around(free.screen)[zone]
    assert share_inside(free.screen, room) > 0
    kept = replace(scene, keep_clear=(room,))
    found = screens_of(kept, trouble)
    if not found:  # it must not be for want of looking: see the tests below
        assert no_place_for(kept, trouble) is not None
    for cure in found:
        assert cure.screen is not None
        assert share_inside(cure.screen, room) == 0.0
        assert wish_met(apply_cure(scene, cure), trouble, eye_places(scene))
        assert cure.mirror_left > 0.6
        assert ((cure.screen.corners - scene.mirror.foot_point) @ scene.mirror.normal).min() > 0


@pytest.mark.slow
def test_room_beside_a_screen_changes_nothing() -> None:
    scene = troubled_scene()
    (free,) = screens_of(scene, OWN_FACE)
    assert free.screen is not None
    assert free.screen.base_mm > 10
    low = Box("low", (0.0, 250.0), (700.0, 500.0, free.screen.base_mm - 1.0))
    high = Box("high", (0.0, 250.0), (700.0, 500.0, 50.0), 400.0)
    (kept,) = screens_of(replace(scene, keep_clear=(low, high)), OWN_FACE)
    assert kept.screen is not None
    assert kept.amount <= free.amount + 1e-9  # more places are tried beside the zones, none is lost


@pytest.mark.slow
def test_where_no_place_is_left_the_plan_says_which_room_would_have_to_end_where() -> None:
    """And what it says holds: with the room as low as that, a screen is found."""
    scene = replace(troubled_scene(), keep_clear=(Box("tram", (0.0, 258.0), (60.0, 516.0, 90.0)),))
    result = plan(scene)
    assert not [cure for cure in result.cures[OWN_FACE] if cure.screen is not None]
    place = result.no_place[OWN_FACE]
    assert [zone.name for zone in place.zones] == ["tram"]
    assert share_inside(place.screen, scene.keep_clear[0]) > 0
    lower = math.floor(place.fits_below_mm)
    assert 1 <= lower < 90
    words = " ".join(plan_text(result).split())
    assert "no place for a screen: one " in words
    assert 'kept clear for "tram"; no place that keeps out of it was found. It fits once' in words
    assert f"that room ends {lower} mm above the floor" in words
    (told,) = [entry for entry in result.to_json()["screens_without_place"] if entry["wish"] == OWN_FACE]
    assert told["stands_in"] == ["tram"]
    assert told["fits_below_mm"] == pytest.approx(told["screen"]["base_mm"])
    lowered = plan(replace(scene, keep_clear=(Box("tram", (0.0, 258.0), (60.0, 516.0, float(lower))),)))
    (cure,) = [cure for cure in lowered.cures[OWN_FACE] if cure.screen is not None]
    assert cure.screen is not None
    assert share_inside(cure.screen, lowered.scene.keep_clear[0]) == 0.0
    assert OWN_FACE not in lowered.no_place


@pytest.mark.slow
def test_what_rises_through_every_place_leaves_none_and_that_is_said() -> None:
    """A room from the floor up: lowering it is no help where the screen stands on the floor."""
    scene = replace(troubled_scene(), keep_clear=(Box("quay", (0.0, 250.0), (720.0, 560.0, 300.0), -1.0),))
    views = look(scene)
    for trouble in views.unmet:
        assert not screens_of(scene, trouble)
    place = no_place_for(scene, OWN_FACE)
    assert place is not None
    assert zones_entered(scene, place.screen) == scene.keep_clear


@pytest.mark.slow
def test_the_example_keeps_its_screens_off_the_tram() -> None:
    """The one against own faces used to hang in the tram's envelope, 48 mm above the track."""
    result = plan(read_scene(EXAMPLE))
    screens = [cure.screen for cures in result.cures.values() for cure in cures if cure.screen is not None]
    assert len(screens) == 1  # the one against own faces would hide the handcart and the inn sign
    assert {share_inside(screen, zone) for screen in screens for zone in result.scene.keep_clear} == {0.0}
    assert result.no_place == {}


@settings(max_examples=80, deadline=None)
@given(
    st.tuples(*[st.floats(-60, 60)] * 2),
    st.tuples(*[st.floats(4, 80)] * 3),
    st.floats(-30, 60),
    st.floats(-3.2, 3.2),
)
def test_overlap_agrees_with_counting_points(
    at: tuple[float, float], size: tuple[float, float, float], base: float, turn: float
) -> None:
    """A point of one box that lies in the other is an overlap; none, with both shrunk by the spacing, is none."""
    fixed, other = Box("a", (5.0, -3.0), (50.0, 20.0, 30.0), 10.0, 0.4), Box("b", at, size, base, turn)
    steps = np.linspace(-0.5, 0.5, 31)
    grid = np.stack(np.meshgrid(steps, steps, steps), axis=-1).reshape(-1, 3)
    own = grid * np.array(other.size_mm) + [0.0, 0.0, other.base_mm + other.size_mm[2] / 2]
    there = fixed.to_own_frame(other.from_own_frame(own))
    depth = np.minimum(there - fixed.low, fixed.high - there).min(axis=1).max()
    assert fixed.overlaps(other) == other.overlaps(fixed)
    if depth > 1e-6:
        assert fixed.overlaps(other)
    elif depth < -3.0:  # points are at most 2.7 mm apart
        assert not fixed.overlaps(other)

"""What viewers see of a scene: wishes, edges, contents, open sides; the cures for it; the time it takes."""

import math
import time
from dataclasses import replace

import numpy as np
import pytest

from align.planning.bodies import Box, panel
from align.planning.contents import OPEN_VIEW, mirror_content, mirror_seen, open_sides
from align.planning.cures import Cures, apply_cure, cures_for
from align.planning.scene import WANTS, Floor, Mirror, Thing, Viewers
from align.planning.thresholds import ANGLE_STEP_DEG, LENGTH_STEP_MM
from align.planning.viewing import OWN_FACE, edge_shown, is_met, look
from align.planning.wishes import eye_places, judge, wish_met, wishes_met
from tests.support.scenes import make_scene, troubled_scene


def point(name, want, x, y, z, **more):
    return Thing(name, want, Box(name, (x, y), (0.0, 0.0, 0.0), z), **more)


def test_wishes_and_their_shares():
    things = (
        point("open", "show", 0, 300, 50),
        point("hidden", "show", -300, 480, 20),
        point("sign", "hide", 0, 300, 50),
        point("behind", "mirror only", 0, 300, 40),
    )
    # A box around "hidden"; a low wall before "behind" that hides it but not its image.
    blockers = (
        Box("crate", (-300.0, 480.0), (30.0, 30.0, 60.0)),
        panel("wall", (-340, 295), (340, 295), 0, 45),
    )
    views = {view.name: view for view in look(make_scene(things=things, blockers=blockers)).things}
    assert views["open"].met
    assert not views["open"].trouble.any()
    assert views["hidden"].trouble.all()
    assert not views["hidden"].met
    assert views["sign"].trouble.all()
    low = look(make_scene(things=things, blockers=blockers)).things[3]
    assert not low.direct[0].any()  # the low eyes, 100 mm above the floor, look into the wall


def test_trouble_follows_its_definition():
    things = (
        Thing("a", "hide", Box("a", (100.0, 200.0), (60.0, 30.0, 50.0))),
        Thing("b", "mirror only", Box("b", (-120.0, 460.0), (40.0, 10.0, 40.0), 40.0)),
        Thing("c", "show", Box("c", (0.0, 350.0), (60.0, 30.0, 50.0))),
    )
    blockers = (panel("pier", (-160, 450), (-90, 450), 0, 190), Box("house", (60.0, 150.0), (150, 20, 120)))
    views = look(make_scene(things=things, blockers=blockers))
    for view in views.things:
        anywhere = view.direct | view.mirrored
        expected = {
            "hide": anywhere,
            "show": ~(view.shown_direct | view.shown_mirrored),
            "mirror only": view.direct | ~view.shown_mirrored,
        }[view.want]
        assert np.array_equal(view.trouble, expected)
        assert not np.any(view.shown_direct & ~view.direct)
        assert is_met(make_scene(things=things, blockers=blockers), view.name, views.eyes_mm) == view.met
    assert set(views.unmet) <= {OWN_FACE, "a", "b", "c"}


def test_least_share_decides_whether_a_wish_is_met():
    wall = panel("wall", (-340, 250), (0, 250), 0, 400)
    seen = look(make_scene(things=(point("t", "show", -60, 300, 20),), blockers=(wall,))).things[0]
    share = (~seen.trouble).mean()
    assert 0.0 < share < 1.0
    for least, met in ((share - 0.01, True), (share + 0.01, False)):
        thing = point("t", "show", -60, 300, 20, least_share=least)
        assert look(make_scene(things=(thing,), blockers=(wall,))).things[0].met is met


def test_what_stands_behind_the_viewers_is_not_seen_directly_but_may_show_in_the_mirror():
    sign = point("exit", "hide", 0, -2500, 200)
    view = look(make_scene(things=(sign,))).things[0]
    assert not view.direct.any()
    assert view.mirrored.any()


def test_a_solid_thing_hides_others_but_not_itself():
    front = Thing("front", "show", Box("front", (0.0, 200.0), (300.0, 20.0, 400.0)), solid=True)
    back = point("back", "show", 0, 300, 20)
    views = look(make_scene(things=(front, back))).things
    assert not views[0].trouble.any()
    assert views[1].trouble.mean() > 0.5


def test_an_eye_below_the_floor_sees_nothing_on_it():
    scene = make_scene(things=(point("t", "show", 0, 300, 20),), viewers=Viewers((-100, 100, -600, -400), (850.0,)))
    assert look(scene).things[0].trouble.all()


def test_edges_are_seen_unless_something_stands_before_them():
    scene = make_scene()
    grid = scene.eyes()
    assert np.all(edge_shown(scene, scene.mirror, "left", grid) == 1.0)
    half = replace(scene, blockers=(Box("pillar", (-120.0, 480.0), (60.0, 20.0, 80.0)),))
    hidden = edge_shown(half, half.mirror, "left", grid)
    assert 0.3 < hidden[0].mean() < 0.7  # the low eyes: the lower half is behind the pillar
    assert np.all(edge_shown(half, half.mirror, "right", grid) == 1.0)


def test_the_foot_of_a_leaning_mirror_is_seen():
    scene = make_scene(mirror=Mirror((0.0, 500.0), 240.0, 160.0, lean=0.05))
    assert np.all(edge_shown(scene, scene.mirror, "foot", scene.eyes()) == 1.0)


def test_mirror_content_adds_up_and_knows_a_backdrop():
    scene = make_scene(blockers=(panel("backdrop", (-350, 5), (350, 5), 0, 900),))
    low_eye = np.array([0.0, 200.0, 80.0])
    content = mirror_content(scene, low_eye)
    assert sum(content.values()) == pytest.approx(1.0)
    assert set(content) == {"backdrop", "the floor"}
    assert OPEN_VIEW in mirror_content(make_scene(), low_eye)


def test_content_by_similar_triangles():
    """An eye at h, D before a front-coated mirror: the floor fills the face from its foot up to where
    the line to the floor's front edge, L before the glass, crosses: h L / (D + L)."""
    scene = make_scene(mirror=Mirror((0.0, 500.0), 100.0, 160.0, glass_mm=0.0))
    eye = np.array([0.0, -700.0, 300.0])
    share = mirror_content(scene, eye)["the floor"]
    assert share == pytest.approx(300.0 * 500.0 / 1700.0 / 160.0, abs=1 / 18)


def test_open_sides_are_where_a_backdrop_closes_the_view():
    scene = make_scene(
        mirror=Mirror((0.0, 500.0), 240.0, 160.0, turn=math.radians(25), glass_mm=4.0),
        floor=Floor((-350.0, 350.0, 0.0, 560.0), 900.0),
    )
    eyes = scene.eyes().reshape(-1, 3)
    sides = open_sides(scene, eyes)
    assert sides
    assert sum(side.share for side in sides) < 1.0
    walls = []
    for side in sides:
        if side.side in ("left", "right"):
            x = -350.0 if side.side == "left" else 350.0
            walls.append(
                panel(side.side, (x, side.from_mm - 1), (x, side.to_mm + 1), side.base_mm, side.top_mm + 1)
            )
        else:
            y = 0.0 if side.side == "viewers'" else 560.0
            walls.append(
                panel(side.side, (side.from_mm - 1, y), (side.to_mm + 1, y), side.base_mm, side.top_mm + 1)
            )
    # Walls of that size stop every reflected ray (they may stop first legs too: then nothing is left to see).
    assert open_sides(replace(scene, blockers=tuple(walls)), eyes) == ()


@pytest.mark.parametrize("hoarding", [False, True])
def test_a_second_mirror_closes_a_side_where_it_sends_the_view_to_something(hoarding):
    """A mirror turned by 25 deg looks out at the right; what a mirror there would show stands at the left."""
    boxes = (panel("hoarding", (-349, -999), (-349, 399), 0, 900),) if hoarding else ()
    scene = make_scene(
        mirror=Mirror((0.0, 500.0), 240.0, 160.0, turn=math.radians(25), glass_mm=0.0),
        floor=Floor((-350.0, 350.0, -400.0, 700.0), 900.0),
        viewers=Viewers((0.0, 0.0, -600.0, -600.0), (980.0,)),
        blockers=boxes,
    )
    lines = open_sides(scene, scene.eyes().reshape(-1, 3))
    right = {side.side: side for side in lines}["right"]
    # By hand: the eye's image in the plane of the glass, and the line from it through the glass's middle.
    normal = scene.mirror.normal
    image = scene.mean_eye - 2 * ((scene.mean_eye - scene.mirror.foot_point) @ normal) * normal
    way = scene.mirror.foot_point - image
    middle = scene.mirror.at_mm[1] + 350.0 * way[1] / way[0]
    assert right.from_mm < middle < right.to_mm
    if hoarding:
        assert right.mirror_closes == 1.0
    else:  # the lowest lines meet the floor
        assert 0.0 < right.mirror_closes < 0.25


@pytest.mark.slow
@pytest.mark.parametrize("trouble", [OWN_FACE, "socket"])
def test_cures_cure_harm_nothing_and_are_the_smallest_of_their_steps(trouble):
    scene = troubled_scene()
    places = eye_places(scene)
    met = [name for name, good in judge(scene, look(scene), places).met.items() if good]
    assert trouble not in met
    assert met
    cures = cures_for(scene, trouble)
    assert {"screen"} < {cure.kind for cure in cures}
    search = Cures(scene, look(scene), dict.fromkeys(met, True) | {trouble: False}, places)
    for cure in cures:
        after = apply_cure(scene, cure)
        assert wishes_met(after, [trouble, *met], places)
        if cure.kind != "screen":
            step = ANGLE_STEP_DEG if cure.unit == "deg" else LENGTH_STEP_MM
            for size in np.arange(step, abs(cure.amount) - 1e-9, step):
                smaller = replace(cure, amount=math.copysign(size, cure.amount))
                assert not search._cures((0, cure.kind, smaller.amount), trouble)
                assert not wish_met(apply_cure(scene, smaller), trouble, places) or not wishes_met(
                    apply_cure(scene, smaller), met, places
                )


def test_cures_hold_between_the_standing_places_too():
    """A screen cut to the lines of a coarse grid of eyes alone let faces through between them."""
    scene = troubled_scene()
    cures = cures_for(scene, OWN_FACE)
    assert cures
    odd = scene.eyes(replace(scene.viewers, spacing_mm=37.0).places)
    for cure in cures:
        assert is_met(apply_cure(scene, cure), OWN_FACE, odd), cure.kind


def test_a_tick_and_its_cures_go_by_the_same_places():
    """A face that only places between the grid's meet was ticked as met by nobody, while the cures were tried from
    there: half as large a lean as was proposed already gave the tick."""
    slit = (
        panel("left", (-120, 440), (-4, 440), 0, 200),
        panel("right", (4, 440), (120, 440), 0, 200),
    )
    viewers = Viewers((-450.0, 450.0, -700.0, -700.0), (1020.0,), 300.0)
    scene = make_scene(blockers=slit, viewers=viewers)
    standing = look(scene)
    places = eye_places(scene)
    judged = judge(scene, standing, places)
    assert standing.met[OWN_FACE]  # the standing places alone would tick it
    assert not judged.met[OWN_FACE]
    assert judged.only_between == (OWN_FACE,)
    for cure in cures_for(scene, OWN_FACE):
        after = apply_cure(scene, cure)
        assert judge(after, look(after), eye_places(after)).met[OWN_FACE]


def test_no_cure_puts_a_named_thing_behind_the_glass():
    """The mirror 55 mm nearer had cured a trouble, with the postman behind it."""
    scene = troubled_scene()
    free = {cure.kind: cure for cure in cures_for(scene, "socket")}
    assert free
    postman = Thing("postman", "show", Box("postman", (-60.0, 490.0), (10.0, 10.0, 40.0)), least_share=0.01)
    crowded = replace(scene, things=(*scene.things, postman))
    for cure in cures_for(crowded, "socket"):
        after = apply_cure(crowded, cure)
        assert (after.mirror.heights(postman.samples) > 0).all(), (cure.kind, cure.amount)
    # The other way round: moves that would do it are there to be refused.
    wide = replace(scene, mirror=replace(scene.mirror, at_mm=(0.0, 515.0)))
    near = replace(wide, things=(scene.things[0], postman))
    moves = [cure for cure in cures_for(near, "socket") if cure.kind == "move the mirror"]
    assert all(apply_cure(near, cure).mirror.heights(postman.samples).min() > 0 for cure in moves)


def test_side_effects_are_what_looking_again_shows():
    scene = troubled_scene()
    views = look(scene)
    now = mirror_seen(scene, views.eyes_mm)
    for cure in cures_for(scene, OWN_FACE):
        changed = apply_cure(scene, cure)
        after = look(changed, views.eyes_mm)
        assert cure.mirror_left == pytest.approx(mirror_seen(changed, views.eyes_mm) / now)
        for name, (old, new) in cure.worse.items():
            assert old == pytest.approx(views.troubles[name].mean())
            assert new == pytest.approx(after.troubles[name].mean())
            assert new > old


def test_what_no_change_cures_gets_none():
    box = Box("crate", (-300.0, 300.0), (60.0, 60.0, 60.0))
    scene = make_scene(things=(point("buried", "show", -300, 300, 20),), blockers=(box,))
    assert cures_for(scene, "buried") == ()


@pytest.mark.slow
def test_screens_stand_within_the_floor_and_in_nothing_solid():
    scene = troubled_scene()
    views = look(scene)
    for trouble in views.unmet:
        for cure in cures_for(scene, trouble):
            if cure.screen is not None:
                bodies = [*scene.blockers, *(thing.body for thing in scene.things)]
                assert not any(cure.screen.overlaps(body) for body in bodies)
                x0, x1, y0, y1 = scene.floor.area_mm
                corners = cure.screen.corners
                assert np.all((corners[:, 0] >= x0 - 1) & (corners[:, 0] <= x1 + 1))
                assert np.all((corners[:, 1] >= y0 - 1) & (corners[:, 1] <= y1 + 1))
                assert corners[:, 2].min() >= 0.0


def test_ten_thousand_eyes_twenty_things_ten_blockers_in_two_seconds():
    """Everything that `look` answers, each thing at its nine points: processor time, so that others on the
    machine do not count; all of it on one core."""
    rng = np.random.default_rng(9)

    def box(name, size, high):
        return Box(name, (rng.uniform(-300, 300), rng.uniform(0, 450)), (size, size, high))

    things = tuple(
        Thing(f"thing {k}", WANTS[k % 3], replace(box(f"thing {k}", 30, 30), base_mm=rng.uniform(0, 120)))
        for k in range(20)
    )
    blockers = tuple(replace(box(f"house {k}", 60, 100), turn=rng.uniform(-1, 1)) for k in range(10))
    scene = make_scene(
        mirror=Mirror((0.0, 520.0), 240.0, 170.0, 0.0, 0.01, 0.02, 4.0),
        floor=Floor((-350.0, 350.0, 0.0, 560.0), 880.0),
        viewers=Viewers((-500.0, 500.0, -1100.0, -350.0), spacing_mm=15.0),
        blockers=blockers,
        things=things,
    )
    eyes = scene.eyes()[:, :3334]
    best = math.inf
    for _ in range(2):
        start = time.process_time()
        views = look(scene, eyes)
        best = min(best, time.process_time() - start)
    print(f"{eyes[..., 0].size} eyes x 20 things x 10 blockers: {best:.2f} s")
    assert eyes[..., 0].size >= 10_000
    assert 0.05 < np.mean([thing.direct.mean() for thing in views.things]) < 0.95
    assert 0.05 < np.mean([thing.mirrored.mean() for thing in views.things]) < 0.95
    assert best < 2.0

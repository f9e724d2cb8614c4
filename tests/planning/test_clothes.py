"""A clothed scene: textures from known pictures, mirrors against the plan's own lines of sight, cut-outs."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from align.optics.camera_model import Camera
from align.optics.slab import image_strength
from align.planning.bodies import Box, Cutout
from align.planning.clothes.cutouts import CutoutPicture, CutoutView, cutout_picture, may_hide
from align.planning.clothes.faces import bodies_of, faces_of
from align.planning.clothes.posed import PosedPhoto
from align.planning.clothes.result import Clothed
from align.planning.clothes.textures import COVERED, FILLED, UNSEEN, Texture, textures_of, with_sheets_filled
from align.planning.clothes.tones import as_bytes, as_light
from align.planning.clothes.tracing import EDGE, ROOM, World, light_behind, sights_of
from align.planning.eye import eye_towards
from align.planning.reflections import seen_pairwise, sight_images, ways
from align.planning.scene import Floor, Mirror, Scene, SheetPlace, Viewers
from align.target.sheets import SHEETS

SIZE = (900, 700)
SHEET = (SHEETS["card"], SheetPlace((0.0, 220.0)))
LOW, HIGH = np.array([-0.45, -0.35]), np.array([0.45, 0.35])


@pytest.fixture(autouse=True)
def coarse(monkeypatch):
    """Texels of some 1.5 mm: enough for smooth pictures, and quick."""
    monkeypatch.setattr("align.planning.clothes.textures.MOST_TEXELS", 60_000)


def a_scene(**more):
    parts = {
        "mirror": Mirror((0.0, 300.0), 200.0, 120.0, glass_mm=4.0),
        "floor": Floor((-160.0, 160.0, 0.0, 320.0), 900.0),
        "viewers": Viewers((-200.0, 200.0, -700.0, -400.0), (1100.0, 1300.0)),
        "sheets": SHEET[1:],
    }
    return Scene("Yard", **{**parts, **more})


def floor_picture():
    """(320, 320, 3) smooth colours, one pixel a millimetre, the first row nearest to the viewers."""
    rng = np.random.default_rng(4)
    return cv2.GaussianBlur(rng.integers(0, 255, (320, 320, 3)).astype(np.uint8), (0, 0), 6).astype(np.uint8)


def photo_of_floor(scene, eye, towards, exposure=1.0, picture=None):
    """A photo of the floor by OpenCV's own homography; what is not floor is black."""
    view = eye_towards(np.array(eye, float), np.array(towards, float))
    rotation = np.stack([view.axes[0], -view.axes[1], view.axes[2]])
    translation = -rotation @ view.at_mm
    camera = Camera(900.0, ((SIZE[0] - 1) / 2, (SIZE[1] - 1) / 2))
    x0, _, y0, _ = scene.floor.area_mm
    from_picture = np.array([[1.0, 0, x0 + 0.5], [0, 1.0, y0 + 0.5], [0, 0, 1.0]])
    plane = camera.matrix @ np.column_stack([rotation[:, 0], rotation[:, 1], translation]) @ from_picture
    light = as_light(floor_picture() if picture is None else picture) * exposure
    pixels = cv2.warpPerspective(as_bytes(light), plane, SIZE, flags=cv2.INTER_LINEAR)
    return PosedPhoto(f"{eye}", camera, rotation, translation, pixels, 0.1, 0.1, *SHEET)


def nothing_hides(number, points):
    return np.zeros(len(points), bool)


def clothed_floor(scene, photos, hides=nothing_hides):
    bodies = bodies_of(scene)
    textures, gains = textures_of(faces_of(bodies), bodies, scene.mirrors, photos, hides)
    return textures, gains, bodies


def of_face(textures, name):
    return next(texture for texture in textures if texture.face.name == name)


def expected(places):
    """(n, 3) linear light of the floor's picture at places (n, 2) [mm]."""
    at = places.astype(np.float32) - 0.5
    return as_light(cv2.remap(floor_picture(), at[:, :1], at[:, 1:], cv2.INTER_LINEAR)[:, 0])


@pytest.fixture(scope="module")
def floor_world():
    """The floor alone, clothed exactly with its picture: what tracing is tried on."""
    scene = a_scene()
    bodies = bodies_of(scene)
    face = faces_of(bodies)[0]
    texture = Texture(face, as_light(floor_picture()), np.full((320, 320), COVERED, np.uint8))
    return scene, World(bodies, {(face.body, face.side): texture}, ())


def test_the_floor_is_what_a_photo_shows_of_it():
    """Every covered texel has the picture's colour; the sheet's own place is taken from no photo."""
    scene = a_scene()
    photo = photo_of_floor(scene, (20, -260, 420), (0, 160, 0))
    textures, _, _ = clothed_floor(scene, [photo])
    floor = of_face(textures, "the floor")
    places = np.random.default_rng(1).uniform(5, 315, (400, 2))
    light, kinds = floor.sample(places)
    covered = kinds == COVERED
    assert covered.mean() > 0.8
    assert np.abs(light - expected(places))[covered].max() < 0.04
    assert floor.sample(np.array([[160.0, 200.0]]))[1][0] != COVERED
    filled = with_sheets_filled(floor, [photo])
    light, kinds = filled.sample(np.array([[160.0, 200.0]]))
    assert kinds[0] == FILLED
    assert np.all(light > 0.02)


def test_the_floor_under_a_sheet_is_taken_from_photos_in_which_it_lies_elsewhere():
    """Two photos, the second with another sheet at another place: nothing is left to fill in."""
    scene = a_scene()
    first = photo_of_floor(scene, (20, -260, 420), (0, 160, 0))
    second = replace(first, name="second", sheet=SHEETS["a6"], place=SheetPlace((0.0, 110.0)))
    textures, _, _ = clothed_floor(scene, [first, second])
    floor = of_face(textures, "the floor")
    places = np.array([[160.0, 200.0], [160.0, 60.0]])
    light, kinds = floor.sample(places)
    assert list(kinds) == [COVERED, COVERED]
    assert np.abs(light - expected(places)).max() < 0.05


def test_exposures_are_brought_together():
    """Of two photos, one at half the light, the factors come out 2 apart, and no seam of brightness stays."""
    scene = a_scene()
    photos = [
        photo_of_floor(scene, (-200, -200, 420), (0, 160, 0)),
        photo_of_floor(scene, (200, -200, 420), (0, 160, 0), exposure=0.5),
    ]
    textures, gains, _ = clothed_floor(scene, photos)
    assert gains[1] / gains[0] == pytest.approx(2.0, rel=0.03)
    places = np.random.default_rng(2).uniform(5, 315, (300, 2))
    light, kinds = of_face(textures, "the floor").sample(places)
    ratio = (light / np.maximum(expected(places), 0.02))[kinds == COVERED]
    assert np.std(np.log(np.maximum(ratio, 1e-3))) < 0.1


def test_what_a_box_hides_comes_from_another_photo_or_is_unseen():
    """Behind a wall the floor has no light of its own from one photo; from two it is whole, in its own colours."""
    scene = a_scene(blockers=(Box("wall", (0.0, 120.0), (200.0, 10.0, 120.0)),))
    front, behind = (photo_of_floor(scene, (0, y, 300), (0, 160, 0)) for y in (-260, 620))
    one, _, _ = clothed_floor(scene, [front])
    place = np.array([[160.0, 150.0]])  # right behind the wall
    assert of_face(one, "the floor").sample(place)[1][0] == UNSEEN
    assert of_face(one, "wall, back").unseen_share == 1.0
    both, _, _ = clothed_floor(scene, [front, behind])
    light, kinds = of_face(both, "the floor").sample(place)
    assert kinds[0] == COVERED
    assert np.abs(light - expected(place)).max() < 0.05


def test_what_lies_behind_a_mirror_that_hangs_is_not_used():
    """With the mirror in the photo the floor beyond it is in no photo; without, it is."""
    scene = a_scene(floor=Floor((-160.0, 160.0, 0.0, 320.0), 900.0), mirror=Mirror((0.0, 250.0), 320.0, 200.0))
    photo = photo_of_floor(scene, (0, -260, 420), (0, 160, 0))
    place = np.array([[160.0, 300.0]])
    free, _, _ = clothed_floor(scene, [photo])
    hung, _, _ = clothed_floor(scene, [replace(photo, mirror_there=True)])
    assert of_face(free, "the floor").sample(place)[1][0] == COVERED
    assert of_face(hung, "the floor").sample(place)[1][0] == UNSEEN


def test_mirrors_show_the_floor_where_the_lines_of_sight_say(floor_world):
    """A point that the plan's own sightlines see by way of the mirror has its colour at its image's pixel."""
    scene, world = floor_world
    eye = eye_towards(np.array([40.0, -420.0, 260.0]), np.array([0.0, 250.0, 40.0]))
    columns = 600
    sight, without = sights_of(world, scene.mirrors, eye, LOW, HIGH, columns, 1)
    points = np.column_stack([np.random.default_rng(3).uniform([-100, 150], [100, 290], (300, 2)), np.zeros(300)])
    eyes = np.tile(eye.at_mm, (len(points), 1))
    [way] = ways(scene.mirrors, 1)
    seen = seen_pairwise(way, eyes, points + np.array([0, 0, 0.01]), world.bodies, scene.mirrors)
    at = (eye.project(sight_images(way, eyes, points)) - LOW) / (HIGH - LOW) * columns * [1, (HIGH - LOW)[1] / 0.9]
    column, row = at[:, 0].astype(int), sight.kinds.shape[0] - 1 - at[:, 1].astype(int)
    # Light of the main image alone: the ghosts beside it are a few percent of a smooth picture.
    found = sight.light[row[seen], column[seen]]
    truth = expected(points[seen][:, :2] - [-160.0, 0.0])
    assert seen.sum() > 60
    assert np.all(sight.reflections[row[seen], column[seen]] == 1)
    assert np.abs(found - 0.93 * truth).max() < 0.08
    assert np.all(without.reflections == 0)


def test_glass_has_its_ghosts(floor_world):
    """A bright spot before thick glass has two ghosts beside its image, as strong as Fresnel's formulae say."""
    scene, world = floor_world
    mirror = replace(scene.mirror, glass_mm=10.0)
    [(key, texture)] = world.textures.items()
    light = np.full((320, 320, 3), 1e-6, np.float32)
    light[240:243, 159:162] = 1.0
    spot = World(world.bodies, {key: Texture(texture.face, light, texture.kinds)}, ())
    at, point = np.array([-450.0, -200.0, 150.0]), np.array([[0.5, 241.5, 0.0]])
    eye = eye_towards(at, np.array([0.0, 300.0, 0.0]))
    [way] = ways([mirror], 1)
    images = [eye.project(sight_images(way, at[None], point, [k]))[0] for k in (0, 1, 2)]
    low, high = images[1] - 0.03, images[1] + 0.03
    sight, _ = sights_of(spot, [mirror], eye, low, high, 150, 2)
    sums = []
    for image in images:
        column, row = np.round((image - low) / 0.06 * 150).astype(int)
        sums.append(float(sight.light[150 - row - 6 : 150 - row + 6, column - 6 : column + 6, 0].sum()))
    sight_to_image = images_ahead(mirror, point[0]) - at
    incidence = np.arccos(sight_to_image[1] / np.linalg.norm(sight_to_image))
    strengths = [float(image_strength(k, incidence, index=mirror.index)) for k in (0, 1, 2)]
    assert sums[0] / sums[1] == pytest.approx(strengths[0] / strengths[1], rel=0.1)
    assert sums[2] / sums[1] == pytest.approx(strengths[2] / strengths[1], rel=0.1)


def images_ahead(mirror, point):
    """Where a thin mirror along x would show a point."""
    return np.array([point[0], 2 * mirror.at_mm[1] - point[1], point[2]])


def test_glass_has_its_seam(floor_world):
    """Rays that leave the glass below its foot end in its edge; a front-coated mirror has no such edge."""
    scene, world = floor_world
    eye = eye_towards(np.array([-50.0, -300.0, 200.0]), np.array([0.0, 300.0, 0.0]))
    whole, _ = sights_of(world, scene.mirrors, eye, LOW, HIGH, 400, 1)
    coated, _ = sights_of(world, [replace(scene.mirror, glass_mm=0.0)], eye, LOW, HIGH, 400, 1)
    assert np.any(whole.kinds == EDGE)
    assert not np.any(coated.kinds == EDGE)


def test_rays_that_leave_show_the_room_and_unseen_faces_are_striped(floor_world):
    """Stripes differ from texture; above the scene there is nothing of it."""
    _, world = floor_world
    [(key, texture)] = world.textures.items()
    bare = World(world.bodies, {key: replace(texture, kinds=np.zeros((320, 320), np.uint8))}, ())
    eye = eye_towards(np.array([0.0, -420.0, 260.0]), np.array([0.0, 250.0, 40.0]))
    sight, _ = sights_of(bare, (), eye, LOW, HIGH, 300, 1)
    floor = sight.kinds == UNSEEN
    assert 0.1 < floor.mean() < 0.9
    assert len(np.unique(sight.light[floor].round(3), axis=0)) == 2
    assert np.all(sight.kinds[0] == ROOM)


# ---- cut-outs ----------------------------------------------------------------------------------------------

CARD = Cutout("pole", (0.0, 60.0, 0.0), 80.0, 40.0)


def test_a_cutout_is_cut_from_its_ground(floor_world):
    """A red pole before the known floor: its alpha is the pole's, its colour red."""
    scene, world = floor_world
    photo = photo_of_floor(scene, (0, -300, 300), (0, 130, 20))
    pole = np.array([(x, 60.0, z) for x, z in ((-4, 0), (4, 0), (4, 78), (-4, 78))], float)
    pixels = photo.pixels.copy()
    cv2.fillPoly(pixels, [np.round(photo.project(pole) * 16).astype(np.int32)], (230, 20, 20), cv2.LINE_AA, 4)
    painted = replace(photo, pixels=pixels)

    def behind(number, ways_):
        return *light_behind(world, photo.eye, ways_), np.zeros(len(ways_), bool)

    found = cutout_picture(CARD, [painted], np.ones((1, 3), np.float32), world.bodies, behind)
    [view] = found.views
    rows, columns = view.alpha.shape
    truth = np.zeros(view.alpha.shape, bool)
    truth[: int(rows * 78 / 80), int(columns * 16 / 40) : int(columns * 24 / 40)] = True
    solid = view.alpha > 0.5
    assert (solid & truth).sum() / (solid | truth).sum() > 0.8
    assert np.median(view.light[solid & truth], axis=0)[0] > 5 * np.median(view.light[solid & truth], axis=0)[1]


def test_a_cutout_faces_whoever_looks_and_turns_round_from_behind():
    """Met by rays from the front with left on the left; from behind the same picture the other way round."""
    light = np.zeros((10, 10, 3), np.float32)
    light[:, :5] = [1.0, 0.0, 0.0]
    view = CutoutView(0, np.array([0.0, -1.0]), light, np.ones((10, 10), np.float32), 1.0)
    picture = CutoutPicture(CARD, (view,))
    for eye, red_x in (((0.0, -300.0, 40.0), -10.0), ((0.0, 400.0, 40.0), -10.0)):
        start = np.array([eye])
        sight = np.array([[red_x, 60.0, 40.0]]) - start
        far, seen, alpha = picture.met(start, sight / np.linalg.norm(sight), start)
        assert np.isfinite(far[0])
        assert alpha[0] == 1.0
        assert seen[0, 0] == 1.0
    assert np.isinf(picture.met(np.array([[0.0, -300.0, 200.0]]), np.array([[0.0, 1.0, 0.0]]), start)[0][0])


def test_what_a_cutout_may_hide_is_taken_from_another_photo():
    """Its rectangle hides what is behind it, and neither what is before it nor what it stands on."""
    eye = np.array([0.0, -300.0, 60.0])
    points = np.array([[0.0, 140.0, 0.0], [0.0, 20.0, 0.0], [60.0, 140.0, 0.0], [0.0, 60.5, 0.0]])
    assert may_hide(CARD, eye, points).tolist() == [True, False, False, False]


def test_shares_of_what_is_not_covered_are_those_of_the_faces():
    """A scene of one seen and one unseen face names the unseen one; things off the floor are named apart."""
    scene = a_scene(
        blockers=(Box("wall", (0.0, 120.0), (200.0, 10.0, 120.0)), Box("far", (0.0, -900.0), (9, 9, 9)))
    )
    bodies = bodies_of(scene)
    textures = {}
    for face in faces_of(bodies):
        if face.box.name != "far":
            kinds = np.full((4, 4), UNSEEN if face.name == "wall, back" else COVERED, np.uint8)
            textures[face.body, face.side] = Texture(face, np.ones((4, 4, 3), np.float32), kinds)
    clothed = Clothed(scene, (), World(bodies, textures, (CutoutPicture(CARD, ()),)))
    assert [(face.name, face.unseen_share) for face in clothed.not_covered] == [("wall, back", 1.0)]
    assert clothed.off_the_floor == ("far",)
    assert clothed.missing_cutouts == ("pole",)
    assert 0.0 < clothed.unseen_share < 0.2

"""From scene file and photos to pictures and page: the sheet's place, the command, the page by keyboard."""

from __future__ import annotations

import json
import math
import re

import numpy as np
import pytest

import align
from align.cli.plan import plan_command
from align.errors import FileFormatError, PhotoError
from align.planning.bodies import Cutout
from align.planning.clothes.posed import posed_photos
from align.planning.pictures import clothed_page
from align.planning.pictures.clothed import seen_sheet
from align.planning.pictures.clothed_page import page_html
from align.planning.scene import ONLY_MIRROR
from align.planning.scene_file import read_scene, scene_from_text
from tests.rendering.clothed_photos import VIEWS
from tests.support.axe import axe_finds
from tests.support.browser import SCREENS, Browser, chromium_path
from tests.support.commands import invoke
from tests.support.places import SAMPLES
from tests.support.scenes import SMALL
from tests.support.small_photos import photo_of_mirror

SCENE = SAMPLES / "harbour_passage.toml"
PHOTOS = sorted((SAMPLES / "harbour_photos").glob("*.jpg"))
THING = '[[thing]]\nname = "bridge"\nwant = "show"\nat = [20, 100, 0]\n'


def run(*arguments):
    return invoke(*arguments, command=plan_command)


@pytest.fixture(scope="module")
def clothed():
    """The sample, clothed with two of its photos: one from the front, one from behind; texels of some 2 mm."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("align.planning.clothes.textures.MOST_TEXELS", 200_000)
        return align.clothe(SCENE, [PHOTOS[0], PHOTOS[4]])


# ---- the scene file ----------------------------------------------------------------------------------------


def test_the_sheet_lies_at_a_point_a_thing_or_a_mirror():
    """By coordinates and turn; by name on a thing's foot, or against a mirror's, turned with it."""
    assert scene_from_text(SMALL).sheets == ()
    [sheet] = scene_from_text("sheet_at = [10, 200]\nsheet_turn_deg = 90\nsheet = 'a6'\n" + SMALL).sheets
    assert (sheet.at_mm, sheet.kind) == ((10.0, 200.0), "a6")
    # Its far side then points to the left.
    assert sheet.rotation @ [0, 1, 0] == pytest.approx([-1, 0, 0], abs=1e-12)
    assert scene_from_text('sheet_at = "bridge"\n' + SMALL + THING).sheets[0].at_mm == (20.0, 100.0)
    turned = SMALL.replace("height_mm = 100", "height_mm = 100\nturn_deg = 30")
    [sheet] = scene_from_text(f'sheet_at = "{ONLY_MIRROR}"\n' + turned).sheets
    assert sheet.at_mm == (0.0, 280.0)
    assert sheet.turn == pytest.approx(math.radians(30))


@pytest.mark.parametrize(
    ("lines", "words"),
    [
        ('sheet_at = "brige"\n', 'line 1: sheet_at: no mirror or thing is called "brige"'),
        ("sheet_at = [1, 2, 3]\n", "line 1: sheet_at: expected 2 numbers"),
        ('sheet = "a3"\n', "line 1: sheet: expected one of"),
        ("sheet_att = [1, 2]\n", "line 1: sheet_att"),
        (
            'sheet_at = [1, 2]\n[[sheet_place]]\nsheet = "a6"\nat = [3, 4]\n',
            "[sheet_place] sheet: of several places",
        ),
    ],
)
def test_a_wrong_place_of_the_sheet_is_named_with_its_line(lines, words):
    """As every other entry is."""
    with pytest.raises(FileFormatError, match=re.escape(words)):
        scene_from_text(lines + SMALL.replace('name = "Small"', "") + THING)


def test_cutouts_are_read_and_checked():
    """Foot, height, and a width that is the height where nobody says."""
    text = SMALL + '[[cutout]]\nname = "tree"\nfoot = [1, 2, 3]\nheight_mm = 90\n'
    [tree] = scene_from_text(text).cutouts
    assert (tree.name, tree.foot_mm, tree.height_mm, tree.width_mm) == ("tree", (1.0, 2.0, 3.0), 90.0, 90.0)
    assert isinstance(tree, Cutout)
    with pytest.raises(FileFormatError, match="height_mm: is missing"):
        scene_from_text(text.replace("height_mm = 90\n", ""))


# ---- photos ------------------------------------------------------------------------------------------------


@pytest.mark.slow
def test_photos_tell_where_they_were_taken_from(clothed):
    """Within 3 mm of where the rendered phone was held, at half a metre and more."""
    for photo, number in zip(clothed.photos, (0, 4), strict=True):
        assert photo.eye == pytest.approx(np.array(VIEWS[number][0], float), abs=3.0)
        assert photo.rms_px < 0.2


@pytest.mark.slow
def test_a_mirror_that_hangs_is_noticed(tmp_path):
    """A photo that shows the reflection too: its place is found by the sheet alone, and the mirror is said."""
    photo = tmp_path / "hung.jpg"
    photo.write_bytes(photo_of_mirror(0.4, -0.3, 1))
    scene = scene_from_text("sheet_at = [0, 200]\n" + SMALL)
    found = posed_photos(scene, [photo], 1.0)
    rng = np.random.default_rng(1)
    eye = np.array([rng.uniform(-90, 90), rng.uniform(-520, -440), rng.uniform(240, 310)])
    assert found.photos[0].mirror_there
    assert found.photos[0].eye == pytest.approx(np.add(eye, [0, 200, 0]), abs=6.0)
    assert any("A mirror hangs" in note for note in found.notes)
    with pytest.raises(PhotoError, match="named twice"):
        posed_photos(scene, [photo, photo], 1.0)


@pytest.mark.slow
def test_faces_that_no_photo_shows_are_named(clothed):
    """Two photos leave the outer side of the house on the right; the arcade's back is seen from behind."""
    unseen = {face.name: face.unseen_share for face in clothed.coverage}
    assert unseen["chandler's house, right"] > 0.9
    assert unseen["arcade, left pier, back"] < 0.02
    words = align.clothed_text(clothed)
    assert "chandler's house, right: " in words
    assert "exit sign over the door: it stands off the scene's floor" in words
    assert [one["sheet"] for one in json.loads(json.dumps(clothed.to_json()))["photos"]] == ["a6", "a5"]


@pytest.mark.slow
def test_a_scene_without_the_sheets_place_asks_for_it(tmp_path):
    """Exit code 1, and which line to add."""
    scene = tmp_path / "s.toml"
    scene.write_text(SMALL, encoding="utf-8")
    result = run(scene, "--photos", PHOTOS[0], "--out", tmp_path / "out")
    assert result.exit_code == 1
    assert "sheet_at = [0, 300]" in result.stderr
    result = run(scene, "--photos", tmp_path / "none.jpg", "--out", tmp_path / "out", "--json")
    assert json.loads(result.stdout)["format"] == "align-error-1"


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ((SCENE, "--photos", "a.jpg"), "--out FOLDER"),
        ((SCENE, "b.jpg"), "One SCENE.toml is planned at a time"),
        (("--out", "x", "--photos", "a.jpg", "b.jpg"), "has to end in .toml"),
        ((SCENE, "--camera", "c.json"), "--camera belongs to --photos"),
        (("--start", "x.toml", "--photos", "a.jpg"), "need a SCENE.toml"),
    ],
)
def test_wrong_usage_is_told(arguments, words):
    """Exit code 2, before anything is read."""
    result = run(*arguments)
    assert result.exit_code == 2
    assert words in result.stderr


def test_all_names_after_photos_are_photos(monkeypatch, tmp_path):
    """`--photos a b c` as a shell writes it, the scene before or after."""
    asked = []
    monkeypatch.setattr("align.cli.plan._plan", lambda one: asked.append(one) or True)
    assert run(SCENE, "--photos", "a.jpg", "b.jpg", "--out", tmp_path).exit_code == 0
    assert run("--out", tmp_path, "--photos", "a.jpg", "b.jpg", SCENE).exit_code == 0
    for one in asked:
        assert one.scene == SCENE
        assert [photo.name for photo in one.photos] == ["a.jpg", "b.jpg"]


# ---- pictures and page -------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def page(clothed):
    """The page, its pictures small."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(clothed_page, "_COLUMNS", 60)
        patch.setattr(clothed_page, "_FINER", 1)
        return page_html(clothed)


@pytest.mark.slow
def test_pictures_hold_every_height_with_and_without_mirrors(clothed, monkeypatch):
    """Titles above six pictures, and the legend lists what is there."""
    from align.planning.clothes.places import two_places

    monkeypatch.setattr("align.planning.pictures.clothed._COLUMNS", 80)
    figure = seen_sheet(clothed, two_places(clothed.scene)[0])
    titles = [axes.get_title(loc="left") for axes in figure.axes]
    assert len(titles) == 6
    assert titles[0] == "child, eyes at 1000 mm, with the mirrors"
    assert titles[1] == "child, eyes at 1000 mm, without the mirrors"
    assert "the room" in [text.get_text() for text in figure.legends[0].get_texts()]


@pytest.mark.slow
def test_the_page_stands_alone(page):
    """Nothing is loaded, all pictures are in it, and without a script all are shown."""
    assert not re.search(r"""(src|href)=["'](?!data:)""", page)
    assert page.count("<img ") == 2 * 14 * 3
    assert "hidden" not in page[page.index('<div id="views">') : page.index('<form class="steer"')]
    assert page.count('alt=""') == 0


@pytest.mark.slow
@pytest.mark.skipif(chromium_path() is None, reason="no Chromium here")
def test_the_page_works_by_keyboard(page, tmp_path):
    """One place is shown; an arrow key on the slider shows the next, another eye height another picture."""
    file = tmp_path / "page.html"
    file.write_text(page, encoding="utf-8")
    shown = "[...document.querySelectorAll('#views figure')].filter(one => !one.hidden).map(one => one.dataset.at)"
    with Browser(chromium_path()) as browser:
        browser.show(file, SCREENS["desktop"])
        assert axe_finds(browser)["bad"] == []
        browser.show(file, SCREENS["phone"])
        assert browser.value("document.documentElement.scrollWidth") <= SCREENS["phone"][0]
        assert browser.complaints() == []
        assert browser.value(f"JSON.stringify({shown})") == '["3 0 1"]'
        move = "document.getElementById('place').stepUp(); document.getElementById('place').dispatchEvent("
        browser.value(move + "new Event('input', {bubbles: true}))")
        assert browser.value(f"JSON.stringify({shown})") == '["4 0 1"]'
        browser.value("document.querySelector('input[name=eye][value=\"2\"]').click()")
        assert browser.value(f"JSON.stringify({shown})") == '["4 0 2"]'
        assert "tall adult" in browser.value("document.getElementById('now').textContent")


def test_the_scene_of_the_sample_says_where_its_sheet_lies():
    """So that its photos can be tried at once."""
    scene = read_scene(SCENE)
    assert [(sheet.kind, sheet.at_mm) for sheet in scene.sheets] == [("a5", (0.0, 350.0)), ("a6", (-25.0, 130.0))]
    assert scene.cutouts[0].name == "quay crane"
    assert len(PHOTOS) == len(VIEWS)

"""The scene file: the example reads, and every wrong entry is answered with its line and a remedy."""

import json
import math

import numpy as np
import pytest

from align.errors import AlignError, FileFormatError
from align.planning.bodies import Box, panel
from align.planning.scene import DEFAULT_EYES_MM, Floor, Mirror, Scene, Viewers
from align.planning.scene_file import EXAMPLE, read_scene, scene_from_text, start_file
from tests.support.places import SAMPLES
from tests.support.scenes import SMALL

SAMPLE = SAMPLES / "harbour_street.toml"
TEXT = EXAMPLE.read_text(encoding="utf-8")


def line_of(text, part):
    return next(n for n, line in enumerate(text.splitlines(), 1) if part in line)


def refuse(text, folder=None):
    with pytest.raises(FileFormatError) as caught:
        scene_from_text(text, "scene.toml", folder)
    assert caught.value.remedy
    return caught.value


def test_the_sample_is_what_start_writes(tmp_path):
    start_file(tmp_path / "mine.toml")
    assert (tmp_path / "mine.toml").read_bytes() == SAMPLE.read_bytes()


def test_start_never_overwrites(tmp_path):
    file = tmp_path / "mine.toml"
    file.write_text("mine")
    with pytest.raises(AlignError, match="exists already"):
        start_file(file)
    assert file.read_text() == "mine"


def test_example_reads_whole():
    scene = read_scene(EXAMPLE)
    assert scene.name == "Harbour street"
    assert [len(part) for part in (scene.blockers, scene.things, scene.keep_clear, scene.lamps, scene.paths)] == [
        5,
        4,
        1,
        2,
        2,
    ]
    assert scene.mirror.glass_mm == 4.0
    assert scene.viewers.eye_heights_mm == DEFAULT_EYES_MM
    assert scene.opening.rising_mm == 303.5
    assert scene.mirror.uncertainties == {}


def test_small_scene_takes_the_defaults():
    scene = scene_from_text(SMALL)
    assert (scene.mirror.lean, scene.mirror.turn, scene.mirror.foot_mm, scene.mirror.glass_mm) == (0, 0, 0, 4)
    assert scene.opening is None
    assert scene.paths == ()


def test_angles_become_radians_and_doubts_become_intervals():
    text = SMALL.replace("width_mm = 150", "width_mm = 150\nlean_deg = 2\nlean_doubt_deg = 0.5\nglass_doubt_mm = 9")
    scene = scene_from_text(text)
    assert math.degrees(scene.mirror.lean) == pytest.approx(2.0)
    assert np.degrees(scene.mirror.uncertainties["lean"]) == pytest.approx((1.5, 2.5))
    assert scene.mirror.uncertainties["glass_mm"] == pytest.approx(
        (0.0, 13.0)
    )  # glass is never thinner than nothing
    assert scene.mirror.uncertainty_of("lean").high == pytest.approx(math.radians(2.5))
    assert scene.mirror.uncertainty_of("turn").low == scene.mirror.uncertainty_of("turn").high == 0.0


@pytest.mark.parametrize(
    ("old", "new", "part", "found", "remedy"),
    [
        ("width_mm = 240", 'width_mm = "240 mm"', "width_mm =", "'240 mm'", "without a unit"),
        ("width_mm = 240", "width_mm = -240", "width_mm =", "-240", "width_mm = 240"),
        ("width_mm = 240", "widht_mm = 240", "[mirror]", "width_mm: is missing", "width_mm = 240"),
        ("lean_deg = 0 ", "laen_deg = 0 ", "laen_deg", "not an entry", "lean_deg"),
        ("turn_deg = 0 ", "turn_deg = 300 ", "turn_deg = 300", "300", "turn_deg"),
        ("above_room_mm = 880", "above_room_mm = true", "above_room_mm", "True", "without a unit"),
        ("x = [-350, 350]", "x = [350, -350]", "x = [350", "smaller number first", "[-350, 350]"),
        ("x = [-350, 350]", "x = [350]", "x = [350]", "2 numbers", "[-350, 350]"),
        ('want = "show"', 'want = "shown"', 'want = "shown"', "shown", "show"),
        ("solid = true", 'solid = "yes"', "solid =", "true or false", "solid = true"),
        ("size = [35, 50, 30]", "size = [35, 0, 30]", "size = [35, 0", "above 0", "size ="),
        (
            'top_mm = 190\n\n[[panel]]\nname = "arcade, lintel',
            'top_mm = -1\n\n[[panel]]\nname = "arcade, lintel',
            "top_mm = -1",
            "no area",
            "above its base",
        ),
        ("points = [[0, 0], [0, 520]]", "points = [[0, 0]]", "points = [[0, 0]]", "two or more", "points ="),
        (
            "points = [[0, 0], [0, 520]]",
            "points = [[0, 0], [0, 0]]",
            "points = [[0, 0], [0",
            "twice",
            "one of",
        ),
        ('name = "inn sign"', 'name = "handcart"', 'name = "handcart"', "stands twice", "own name"),
        ("spacing_mm = 100", "spacing_mm = 3", "spacing_mm = 3", "standing places", "Raise"),
        ("y = [-1100, -350]", "y = [-1100, 900]", "[viewers]", "behind the mirror", "smaller than"),
        ("[opening]", "[openning]", "[openning]", "not an entry", "opening"),
        ("diameter_mm = 3", "diameter_mm = 0", "diameter_mm = 0", "more than 0", "diameter_mm"),
        ("width_mm = 240", "width_mm = 240 mm", "width_mm = 240 mm", "not readable", "no unit"),
        ("[[box]]", "[box]", "[[box]]", "not readable", "[[box]]"),
        ("width_mm = 240", "width_mm = 1e9", "width_mm = 1e9", "beyond any scene", "millimetres"),
        ("size = [16, 6, 16]", "least_share = 0.5", "least_share = 0.5", "counts for", "Take the line out"),
        ("spacing_mm = 100", "spacing_mm = 1e-6", "spacing_mm = 1e-6", "standing places", "Raise"),
        ("least_share = 0.9", "least_share = 90", "least_share = 90", "90", "least_share"),
    ],
)
def test_wrong_entries_are_named_with_line_and_remedy(old, new, part, found, remedy):
    assert TEXT.count(old) >= 1
    text = TEXT.replace(old, new, 1)
    error = refuse(text)
    wanted = [n for n, line in enumerate(text.splitlines(), 1) if part in line]
    assert any(f"scene.toml, line {n}:" in error.message for n in wanted), error.message
    assert found in error.message
    assert remedy in error.remedy


def test_entries_of_the_second_of_its_kind_get_their_own_line():
    text = TEXT.replace('name = "chandler\'s house"\nat = [225, 250]', 'name = "chandler\'s house"\nat = [225]')
    error = refuse(text)
    assert f"line {line_of(text, 'at = [225]')}:" in error.message


def test_missing_tables_are_named():
    assert "[viewers] is missing" in refuse(SMALL[: SMALL.index("[viewers]")]).message
    assert "[mirror] is missing" in refuse(SMALL.replace("[mirror]", "[light]")).message
    assert "list of tables" in refuse(SMALL + "[box]\nname = 'a'\n").message


def test_broken_toml_keeps_the_parsers_line():
    error = refuse(SMALL.replace("width_mm = 150", "width_mm = "))
    assert "line 8" in error.message


def test_unreadable_files(tmp_path):
    with pytest.raises(FileFormatError, match="cannot read"):
        read_scene(tmp_path / "none.toml")
    (tmp_path / "bad.toml").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(FileFormatError, match="UTF-8"):
        read_scene(tmp_path / "bad.toml")


# ---- a measured mirror ------------------------------------------------------------------------------


def quantity(value, half):
    return {"value": value, "low": value - half, "high": value + half}


def check_json(**changes):
    mirror = {
        "lean_deg": quantity(0.8, 0.03),
        "turn_deg": quantity(-1.5, 0.05),
        "distance_mm": quantity(20.0, 0.4),
        "glass": {"verdict": "back-silvered", "thickness_mm": quantity(3.1, 0.2)},
        "shims_mm": {},
        "verdict": "out of square",
    }
    mirror.update(changes)
    return {"format": "align-check-1", "photos": [], "camera": {}, "mirrors": [mirror], "warnings": []}


def measured_scene(folder, data, extra=""):
    (folder / "check.json").write_text(json.dumps(data) if not isinstance(data, str) else data)
    text = SMALL.replace("at = [0, 280]", f'at = [40, 280]\nmeasured = "check.json"\n{extra}')
    return scene_from_text(text, "scene.toml", folder)


def test_measured_mirror_brings_value_and_interval(tmp_path):
    scene = measured_scene(tmp_path, check_json(), "sheet_at = [10, 250]")
    assert math.degrees(scene.mirror.lean) == pytest.approx(0.8)
    assert math.degrees(scene.mirror.turn) == pytest.approx(-1.5)
    assert scene.mirror.glass_mm == pytest.approx(3.1)
    assert np.degrees(scene.mirror.uncertainties["lean"]) == pytest.approx((0.77, 0.83))
    assert scene.mirror.uncertainties["glass_mm"] == pytest.approx((2.9, 3.3))
    assert scene.mirror.measured_from == "check.json"
    # The plane passes 20 mm beyond the sheet's far edge at the sheet's middle.
    point = np.array([10.0, 270.0, 0.0])
    assert (point - scene.mirror.foot_point) @ scene.mirror.normal == pytest.approx(0.0, abs=1e-9)
    assert scene.mirror.uncertainty_of("at_y_mm").high - scene.mirror.uncertainty_of(
        "at_y_mm"
    ).value == pytest.approx(0.4)


def test_a_sheet_that_lay_askew_gives_the_same_mirror(tmp_path):
    """The sheet turned by 12 degrees about the middle of its far edge: its own turn reads 12 degrees less."""
    square = measured_scene(tmp_path, check_json(), "sheet_at = [10, 250]").mirror
    askew = math.radians(12.0)
    along = np.array([-math.sin(askew), math.cos(askew), 0.0])
    edge = np.array([10.0, 250.0, 0.0])
    # Where the sheet's own y axis meets the same plane at the floor.
    away = float((square.foot_point - edge) @ square.normal / (along @ square.normal))

    def quantity(value, half):
        return {"value": value, "low": value - half, "high": value + half}

    data = check_json(turn_deg=quantity(-1.5 - 12.0, 0.03), distance_mm=quantity(away, 0.4))
    scene = measured_scene(tmp_path, data, "sheet_at = [10, 250]\nsheet_turn_deg = 12")
    assert scene.mirror.turn == pytest.approx(square.turn, abs=1e-12)
    assert scene.mirror.at_mm == pytest.approx(square.at_mm, abs=1e-9)
    assert np.degrees(scene.mirror.uncertainties["turn"]) == pytest.approx((-1.53, -1.47))


def test_without_the_sheets_place_the_mirror_stays_and_a_note_says_so(tmp_path):
    scene = measured_scene(tmp_path, check_json())
    assert scene.mirror.at_mm == (40.0, 280.0)
    assert any("sheet_at" in note for note in scene.notes)


def test_front_coated_and_undetermined_glass(tmp_path):
    front = check_json(glass={"verdict": "front-coated", "thickness_mm": None})
    assert measured_scene(tmp_path, front).mirror.glass_mm == 0.0
    unknown = measured_scene(tmp_path, check_json(glass={"verdict": "undetermined", "thickness_mm": None}))
    assert unknown.mirror.glass_mm == 4.0
    assert any("glass_mm is used" in note for note in unknown.notes)


@pytest.mark.parametrize(
    ("data", "extra", "found"),
    [
        ("{", "", "not one JSON object"),
        ('{"format": "align-glass-1"}', "", "align-glass-1"),
        (check_json(lean_deg=None), "", "lean_deg"),
        (check_json(), "measured_mirror = 2", "1 mirror(s)"),
    ],
)
def test_wrong_measured_files_are_refused(tmp_path, data, extra, found):
    with pytest.raises(FileFormatError) as caught:
        measured_scene(tmp_path, data, extra)
    assert found in caught.value.message
    assert "scene.toml, line" in caught.value.message
    assert caught.value.remedy


def test_missing_measured_file(tmp_path):
    text = SMALL.replace("at = [0, 280]", 'at = [0, 280]\nmeasured = "none.json"')
    assert "cannot read" in refuse(text, tmp_path).message


# ---- shapes ------------------------------------------------------------------------------------------


def test_box_frames_are_inverse_and_turned_the_right_way():
    box = Box("b", (10.0, 20.0), (4.0, 2.0, 3.0), 1.0, math.radians(90))
    points = np.random.default_rng(0).normal(size=(7, 3))
    assert np.allclose(box.from_own_frame(box.to_own_frame(points)), points)
    # Turned a quarter anticlockwise its own x runs along the scene's y.
    assert np.allclose(box.from_own_frame(np.array([1.0, 0.0, 0.0])), [10.0, 21.0, 0.0])
    assert np.allclose(np.ptp(box.corners, axis=0), [2.0, 4.0, 3.0])
    assert box.corners[:, 2].min() == 1.0


def test_panel_runs_between_its_ends():
    sheet = panel("p", (0.0, 0.0), (30.0, 40.0), 5.0, 25.0)
    ends = sheet.from_own_frame(np.array([[-25.0, 0, 0], [25.0, 0, 0]]))
    assert np.allclose(ends[:, :2], [[0, 0], [30, 40]])
    assert sheet.size_mm[0] == pytest.approx(50.0)
    assert (sheet.low[2], sheet.high[2]) == (5.0, 25.0)


def test_mirror_corners_follow_lean_and_turn():
    mirror = Mirror((0.0, 100.0), 60.0, 40.0, 5.0, math.radians(10), math.radians(20))
    corners = mirror.corners
    assert np.allclose((corners - mirror.foot_point) @ mirror.normal, 0.0)
    assert corners[0, 1] < corners[1, 1]  # turn > 0: the left edge is the nearer one
    assert corners[3, 1] < corners[0, 1]  # lean > 0: the top overhangs towards the viewer
    assert np.linalg.norm(corners[3] - corners[0]) == pytest.approx(40.0)


def test_places_hold_the_corners_of_the_area_and_no_gap_above_the_spacing():
    viewers = Viewers((-230.0, 170.0, -900.0, -450.0), spacing_mm=90.0)
    places = viewers.places
    for x in (-230.0, 170.0):
        for y in (-900.0, -450.0):
            assert np.any(np.all(places == (x, y), axis=1))
    for axis in (0, 1):
        assert np.diff(np.unique(places[:, axis])).max() <= 90.0


def test_a_line_of_viewers_is_one_row():
    scene = Scene(
        "s",
        Mirror((0, 0), 10, 10),
        Floor((-1, 1, -1, 1), 900.0),
        Viewers((-200.0, 200.0, -500.0, -500.0), (1500.0,), 100.0),
    )
    assert scene.eyes().shape == (1, 5, 3)
    assert np.all(scene.eyes()[..., 2] == 600.0)
    assert np.all(scene.eyes()[..., 1] == -500.0)

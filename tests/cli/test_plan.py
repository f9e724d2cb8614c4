"""`align plan` as people and scripts use it: text, JSON, pictures, errors; uncertainty from a measured mirror."""

import json
import shlex
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from align.cli.plan import plan_command
from align.planning.job import figures_as_it_stands, figures_with_uncertainty
from align.planning.scene_file import read_scene
from align.planning.text import spoken
from align.quantity import Quantity, combined, exactly
from tests.support.commands import invoke
from tests.support.places import SAMPLES
from tests.support.scenes import SMALL

SAMPLE = SAMPLES / "harbour_street.toml"


def run(*arguments):
    return invoke(*arguments, command=plan_command)


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """A folder that does not exist yet."""
    return tmp_path_factory.mktemp("plan") / "new" / "folder"


@pytest.fixture(scope="module")
def answer(folder):
    """The sample's JSON, its pictures drawn on the way."""
    result = run(SAMPLE, "--json", "--out", folder)
    assert result.exit_code == 3, result.output
    return json.loads(result.stdout)


def check_quantities(node):
    """Every value with an interval lies in it."""
    if isinstance(node, dict):
        if set(node) == {"value", "low", "high"}:
            assert node["low"] <= node["value"] <= node["high"]
        for child in node.values():
            check_quantities(child)
    elif isinstance(node, list):
        for child in node:
            check_quantities(child)


def test_json_is_one_object_of_its_format(answer):
    assert answer["format"] == "align-plan-1"
    assert answer["viewers"]["eye_places"] == 3 * answer["viewers"]["standing_places"]
    assert set(answer["unmet"]) == {"own face", "socket on the pier"}
    assert {cure["wish"] for cure in answer["cures"]} == set(answer["unmet"])
    assert [one["name"] for one in answer["mirrors"]] == ["mirror"]
    check_quantities(answer)


def test_json_and_text_say_the_same(answer, folder):
    text = " ".join((folder / "plan.txt").read_text(encoding="utf-8").split())
    assert f"--tolerance {answer['tolerance_deg']:.2f}" in text
    order = answer["order"]
    assert f"{order['width_mm']:.0f} × {order['height_mm']:.0f} mm" in text
    assert f"{1000 * order['weight_kg']:.0f} g." in text
    mask = answer["mask"]
    assert f"{mask['height_mm']['value']:.1f} mm high" in text
    for row in answer["seam"]:
        assert f"{row['least_mm']['value']:.1f} to {row['most_mm']['value']:.1f} mm" in text
    for thing in answer["things"]:
        assert f"{'✓' if thing['met'] else '✗'} {thing['name']}" in text
        assert f"in the mirror from {100 * thing['mirror_share']['value']:.0f}%" in text
    for path in answer["paths"]:
        assert f"runs on for {path['run_mm']['value']:.0f} mm" in text


def test_own_face_and_socket_are_troubles_of_the_expected_viewers(answer):
    child, woman, man = answer["own_face"]["share_by_eye_height"]
    assert child > 0.1
    assert woman == man == 0.0  # their eyes are above the lintel


def test_out_writes_pictures_that_show_something(answer):
    from PIL import Image

    pictures = [Path(name) for name in answer["pictures"]]
    assert [picture.suffix for picture in pictures] == [".png"] * 4 + [".txt"]
    for picture in pictures[:4]:
        pixels = np.asarray(Image.open(picture).convert("RGB"))
        assert pixels.shape[0] * pixels.shape[1] > 500_000
        colours, counts = np.unique(pixels[::3, ::3].reshape(-1, 3), axis=0, return_counts=True)
        assert len(colours) > 50
        assert counts.max() < 0.97 * counts.sum()  # not a blank sheet
    assert "GLASS ORDER" in pictures[4].read_text(encoding="utf-8")


def test_out_refuses_a_folder_that_is_a_file(tmp_path):
    (tmp_path / "file").write_text("")
    small = tmp_path / "small.toml"
    small.write_text(SMALL)
    assert run(small, "--out", tmp_path / "file").exit_code == 2
    answer = run(small, "--out", tmp_path / "file" / "below", "--json")
    assert answer.exit_code == 1
    assert json.loads(answer.stdout)["error"] == "AlignError"


def test_start_writes_and_never_overwrites(tmp_path):
    file = tmp_path / "mine.toml"
    started = run("--start", file)
    assert started.exit_code == 0
    assert str(file) in started.stdout
    again = run("--start", file, "--json")
    assert again.exit_code == 1
    assert json.loads(again.stdout)["format"] == "align-error-1"
    assert read_scene(file).name == "Harbour street"


def test_text_of_a_scene_with_nothing_but_the_needful(tmp_path):
    file = tmp_path / "small.toml"
    file.write_text(SMALL)
    result = run(file)
    assert result.exit_code == 3  # own faces are met in this low scene
    assert result.stdout.startswith("SMALL\n")
    assert "GLASS ORDER" not in result.stdout
    assert "ANGLE" not in result.stdout
    assert max(map(len, result.stdout.splitlines())) <= 100


def test_exit_code_says_whether_all_is_as_wished(tmp_path):
    """0: as wished; 3: answered, but not as wished, for things and paths alike."""
    file = tmp_path / "scene.toml"
    blind = SMALL.replace("height_mm = 100", "height_mm = 40")
    path = '[[path]]\nname = "lane"\npoints = [[0, 50], [0, 280]]\nwidth_mm = 30\n'
    for text, code in (
        (blind + path, 0),
        (blind + path + "run_on_deg = 20\n", 3),
        (blind + path.replace("[0, ", "[90, "), 3),  # beside the glass
        (blind + '[[thing]]\nname = "plug"\nwant = "hide"\nat = [0, 200, 10]\n', 3),
    ):
        file.write_text(text + "\n", encoding="utf-8")
        result = run(file, "--json")
        assert result.exit_code == code, text
        assert json.loads(result.stdout)["as_wished"] == (code == 0)


def test_wrong_usage_is_exit_2():
    assert run().exit_code == 2
    assert run(SAMPLE, "--start", "x.toml").exit_code == 2
    assert run(SAMPLE, "--nonsense").exit_code == 2


def test_errors_come_as_words_or_as_an_object(tmp_path):
    file = tmp_path / "bad.toml"
    file.write_text(SAMPLE.read_text(encoding="utf-8").replace("width_mm = 240", 'width_mm = "wide"'))
    words = run(file)
    assert words.exit_code == 1
    assert words.stdout == ""
    assert "bad.toml, line" in words.stderr
    assert "Try:" in words.stderr
    answer = json.loads(run(file, "--json").stdout)
    assert answer["format"] == "align-error-1"
    assert answer["error"] == "FileFormatError"
    assert "'wide'" in answer["message"]
    assert answer["try"]


def test_what_stands_where_it_cannot_be_meant_to_gets_a_note(tmp_path):
    file = tmp_path / "scene.toml"
    for more, words in (
        ('[[lamp]]\nname = "lantern"\nat = [0, 290, 20]\n', "lantern lies behind"),
        ('[[box]]\nname = "shed"\nat = [0, 280]\nsize = [40, 40, 40]\n', "shed stands in the glass"),
        ('[[thing]]\nname = "cart"\nwant = "show"\nat = [0, 290, 20]\n', "cart lies behind"),
    ):
        file.write_text(SMALL + more, encoding="utf-8")
        warnings = json.loads(run(file, "--json").stdout)["warnings"]
        assert any(words in warning for warning in warnings), more
    file.write_text(SMALL.replace("at = [0, 280]", "at = [0, 400]"), encoding="utf-8")
    assert "beside the scene's floor" in " ".join(run(file).stdout.split())
    file.write_text(SMALL.replace("y = [-900, -400]", "y = [-900, 50]"), encoding="utf-8")
    assert "reaches into the scene's floor" in " ".join(run(file).stdout.split())


def test_impossible_opening_is_refused(tmp_path):
    file = tmp_path / "bad.toml"
    file.write_text(SAMPLE.read_text(encoding="utf-8").replace("rising_mm = 303.5", "rising_mm = 330.5"))
    answer = json.loads(run(file, "--json").stdout)
    assert answer["error"] == "OpeningError"
    assert "rising diagonal" in answer["message"]
    line = 1 + file.read_text(encoding="utf-8").splitlines().index(
        next(row for row in file.read_text(encoding="utf-8").splitlines() if "rising_mm" in row)
    )
    assert f"bad.toml, line {line}:" in answer["message"]


# ---- uncertainty ------------------------------------------------------------------------------------------


def test_combined_adds_in_squares_and_keeps_the_sides_apart():
    result = combined(10.0, [(7.0, 13.0), (6.0, 10.0)])
    assert result.low == pytest.approx(10.0 - 5.0)
    assert result.high == pytest.approx(13.0)
    assert combined(1.0, []) == exactly(1.0)


def test_spoken_gives_units_and_intervals():
    assert spoken(Quantity(-1.25, -1.5, -1.0), "°") == "−1.2° (−1.5 to −1.0)"
    assert spoken(exactly(3.0), "mm") == "3.0 mm"
    assert spoken(exactly(-0.001), "mm") == "0.0 mm"


def measured(tmp_path, lean, turn, half_deg):
    def quantity(value, half):
        return {"value": value, "low": value - half, "high": value + half}

    check = {
        "format": "align-check-1",
        "mirrors": [
            {
                "lean_deg": quantity(lean, half_deg),
                "turn_deg": quantity(turn, half_deg),
                "distance_mm": quantity(20.0, 0.3),
                "glass": {"verdict": "back-silvered", "thickness_mm": quantity(4.2, 0.3)},
            }
        ],
    }
    (tmp_path / "check.json").write_text(json.dumps(check))
    text = (
        SAMPLE.read_text(encoding="utf-8")
        .replace("# measured =", "measured =")
        .replace("spacing_mm = 100", "spacing_mm = 300")
    )
    file = tmp_path / "scene.toml"
    file.write_text(text, encoding="utf-8")
    return file


def _ghosts_of(answer, glass_mm):
    rows = [row for row in answer["ghosts"] if row["glass_mm"] == pytest.approx(glass_mm)]
    assert rows
    return [row["separation_arcmin"]["most"] for row in rows if row["seen_share"]["value"] > 0]


@pytest.mark.slow
def test_a_measured_mirror_answers_what_will_people_see_now(tmp_path):
    file = measured(tmp_path, lean=0.4, turn=-0.7, half_deg=0.05)
    answer = json.loads(run(file, "--json").stdout)
    assert answer["mirror"]["measured"] == "check.json"
    assert answer["mirror"]["lean_deg"]["low"] == pytest.approx(0.35)
    street = answer["paths"][0]
    # Twice the turn's error of -0.7 degrees, and twice its half-width of uncertainty.
    assert street["kink_deg"]["value"] == pytest.approx(-1.4, abs=1e-3)
    assert street["kink_deg"]["high"] - street["kink_deg"]["value"] == pytest.approx(0.1, abs=0.002)
    assert street["rise_deg"]["value"] == pytest.approx(0.8, abs=0.01)
    assert street["rise_deg"]["value"] - street["rise_deg"]["low"] == pytest.approx(0.1, abs=0.01)
    seam = [row for row in answer["seam"] if row["glass_mm"] == pytest.approx(4.2)]
    assert len(seam) == 1
    # Seam and ghosts grow with the glass: 4.2 +- 0.3 mm is 7 % up and down.
    for row in (seam[0]["most_mm"], seam[0]["most_arcmin"], *_ghosts_of(answer, 4.2)):
        assert row["low"] / row["value"] == pytest.approx(1 - 0.3 / 4.2, abs=0.02)
        assert row["high"] / row["value"] == pytest.approx(1 + 0.3 / 4.2, abs=0.02)
    assert answer["mask"]["height_mm"]["low"] < answer["mask"]["height_mm"]["high"]
    assert not answer["as_wished"]
    assert "street" in answer["bent_paths"]  # 1.4 degrees of kink are far more than is worth working to
    text = " ".join(run(file).stdout.split())
    assert f"({seam[0]['most_mm']['low']:.1f} to {seam[0]['most_mm']['high']:.1f})" in text
    assert any("sheet_at" in words for words in answer["warnings"])


@pytest.mark.slow
def test_intervals_hold_the_numbers_of_mirrors_drawn_from_the_uncertainty(tmp_path):
    """95 % intervals of smooth numbers: nine in ten or more of 60 mirrors lie inside."""
    scene = read_scene(measured(tmp_path, lean=0.4, turn=-0.7, half_deg=0.4))
    figures = figures_with_uncertainty(scene).paths
    rng = np.random.default_rng(0)
    names = [("street", "kink_deg"), ("street", "rise_deg"), ("tram track", "aside_mm")]
    inside = dict.fromkeys(names, 0)
    for _ in range(60):
        moved = scene.with_mirror(
            **{
                field: (low + high) / 2 + (high - low) / 2 / 1.96 * rng.normal()
                for field, (low, high) in scene.mirror.uncertainties.items()
                if field != "at_y_mm"
            }
        )
        drawn = figures_as_it_stands(moved).paths
        for path, name in names:
            interval = getattr(figures[path, "end"], name)
            inside[path, name] += interval.low <= getattr(drawn[path, "end"], name).value <= interval.high
    assert all(count >= 54 for count in inside.values()), inside
    kink = figures["street", "end"].kink_deg
    assert kink.high - kink.low == pytest.approx(1.6, rel=0.02)


def test_scenes_without_doubt_have_points_for_intervals(answer):
    for thing in answer["things"]:
        share = thing["mirror_share"]
        assert share["low"] == share["value"] == share["high"]
    assert answer["mirror"]["lean_deg"]["low"] == answer["mirror"]["lean_deg"]["high"]


# ---- hand-over ----------------------------------------------------------------------------------------------


def test_into_tells_a_record_what_the_mirror_is_to_be_and_keeps_what_it_says(tmp_path):
    from align.records.installation import read_installation
    from align.records.write_installation import write_mirror

    file, record = tmp_path / "small.toml", tmp_path / "record"
    file.write_text(SMALL.replace("[mirror]", '[mirror]\nname = "end"\nturn_deg = 1.5'), encoding="utf-8")
    result = run(file, "--into", record)
    assert result.exit_code == 3, result.output
    lines = result.stdout.splitlines()
    (command,) = [line.strip() for line in lines if line.strip().startswith("align check PHOTO")]
    assert command == (
        "align check PHOTO --mirror 150x100 --want-turn 1.50 --tolerance 0.10 --mirror-name end "
        f"--into {shlex.quote(str(record))}"
    )
    stated = read_installation(record).mirror("end")
    assert (stated.size_mm, stated.glass_mm, stated.want_turn_deg) == ((150.0, 100.0), 4.0, 1.5)
    write_mirror(record, replace(stated, mount="wall", notes="mind the cat"))
    file.write_text(file.read_text(encoding="utf-8").replace("width_mm = 150", "width_mm = 140"), encoding="utf-8")
    assert run(file, "--into", record).exit_code == 3
    again = read_installation(record).mirror("end")
    assert (again.width_mm, again.mount, again.notes) == (140.0, "wall", "mind the cat")


def test_into_refuses_a_nameless_mirror_where_the_record_knows_several(tmp_path):
    from align.records.installation import StatedMirror
    from align.records.write_installation import write_mirror

    file, record = tmp_path / "small.toml", tmp_path / "record"
    file.write_text(SMALL, encoding="utf-8")
    for name in ("one", "two"):
        write_mirror(record, StatedMirror(name=name))
    answer = run(file, "--into", record, "--json")
    assert answer.exit_code == 1
    assert "knows 2 mirrors" in json.loads(answer.stdout)["message"]


def test_progress_is_said_on_stderr_once_a_plan_takes_long(tmp_path, monkeypatch):
    file = tmp_path / "small.toml"
    file.write_text(SMALL, encoding="utf-8")
    assert "…" not in run(file).stderr
    monkeypatch.setattr("align.cli.plan._SILENT_S", -1.0)
    result = run(file, "--json")
    assert "… cures for own face (1 of 1)" in result.stderr
    assert json.loads(result.stdout)["format"] == "align-plan-1"

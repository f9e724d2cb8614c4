"""`align check --flatness` and `--turned-sheet` on the command line."""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
import pytest

from align.optics.geometry import angle_between, mirror_normal, rotation_from_vector
from align.solve.forward_model import offset_of_distance
from align.target.sheets import SHEETS, corners_target
from tests.support.commands import invoke
from tests.support.synthetic import degrees_mirror, synthetic_photo, write_photo

#: Lean and turn [deg] of two mirrors that stand in a corner.
CORNER = ((0.5, 41.0), (-0.3, -39.5))


@pytest.fixture(scope="module")
def leaning(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A small photo of a leaning mirror."""
    pixels, _ = synthetic_photo(SHEETS["a5"], (60.0, -500.0, 280.0), [degrees_mirror(0.6, -0.35)])
    return write_photo(tmp_path_factory.mktemp("shape") / "leaning.jpg", pixels)


def test_a_map_comes_as_json_and_as_a_picture(leaning: Path, tmp_path: Path) -> None:
    """Beside the answer's own picture; without the option there is none."""
    picture = tmp_path / "answer.png"
    words = ("check", str(leaning), "--mirror", "300x150", "--picture", str(picture), "--json")
    answer = json.loads(invoke(*words, "--flatness").stdout)
    drawn = tmp_path / "answer-flatness.png"
    assert answer["pictures"] == [str(picture), str(drawn)]
    assert drawn.stat().st_size > 10_000
    shown = answer["mirrors"][0]["flatness"]["map"]
    assert shown["size_known"] is True
    assert 0.02 < shown["measured_share"] < 0.6
    assert len(shown["height_mm"]) == len(shown["up_mm"]) == len(shown["measured"])
    drawn.unlink()
    plain = json.loads(invoke(*words).stdout)
    assert plain["mirrors"][0]["flatness"]["map"] is None
    assert not drawn.exists()


def test_a_turned_sheet_needs_several_photos_together(leaning: Path) -> None:
    """Alone, or each by itself, a photo shows it one way round."""
    assert "one way round only" in invoke("check", str(leaning), "--turned-sheet").stderr
    answer = invoke("check", str(leaning), str(leaning), "--each", "--turned-sheet")
    assert answer.exit_code == 2
    assert "--each checks each alone" in answer.stderr


def turned_corner(turned_deg: float, eye: tuple[float, float, float], path: Path) -> Path:
    """A small photo of a corner of two mirrors, CORNER, from a sheet turned about its middle."""
    sheet, angle = SHEETS["a5"], math.radians(turned_deg)
    middle = corners_target(sheet).mean(axis=0)
    rotation = rotation_from_vector(np.array([0.0, 0.0, angle]))
    shift = middle - rotation @ middle
    mirrors = []
    for lean, turn in np.radians(CORNER):
        offset = offset_of_distance(lean, turn, 120.0) + float(mirror_normal(lean, turn) @ shift)
        distance = -offset / float(mirror_normal(lean, turn - angle)[1])
        mirrors.append([lean, turn - angle, distance, 0.0])
    eye_there, aim_there = (rotation.T @ (np.array(place) - shift) for place in (eye, (0.0, -20.0, 0.0)))
    pixels, _ = synthetic_photo(
        sheet,
        eye_there,
        mirrors,
        size=(2400, 1800),
        aim=aim_there,
        mirror_size_mm=(20.0, 20.0),
        noise=0.03,  # less would not hide the steps of the drawing's own grey values
        grain=np.random.default_rng(int(turned_deg)),
    )
    return write_photo(path, pixels)


@pytest.mark.slow
def test_a_corner_of_two_mirrors_by_a_turned_sheet(tmp_path: Path) -> None:
    """Lean, turn and the angle between the two hold, and all are narrower than by the first photo alone."""
    eyes = ((30.0, -560.0, 330.0), (-60.0, -540.0, 400.0), (10.0, -580.0, 280.0))
    photos = [
        str(turned_corner(turned_deg, eye, tmp_path / f"{turned_deg}.jpg"))
        for turned_deg, eye in zip((0, 90, 180), eyes, strict=True)
    ]
    one, answer = (
        json.loads(invoke("check", *given, "--json").stdout) for given in (photos[:1], [*photos, "--turned-sheet"])
    )
    found = [
        (now[f"{name}_deg"], before[f"{name}_deg"], true)
        for now, before, pair in zip(answer["mirrors"], one["mirrors"], CORNER, strict=True)
        for name, true in zip(("lean", "turn"), pair, strict=True)
    ]
    normals = [mirror_normal(*np.radians(pair)) for pair in CORNER]
    angles = (each["angles"][0]["angle_deg"] for each in (answer, one))
    found.append((*angles, 180.0 - math.degrees(angle_between(*normals))))
    for now, before, true in found:
        assert now["low"] < true < now["high"]
        assert now["high"] - now["low"] < 0.7 * (before["high"] - before["low"])
    assert any("turned between the photos" in words for words in answer["warnings"])


def test_a_map_overwrites_no_photo(leaning: Path) -> None:
    """Named like a photo with "-flatness" at its end."""
    other = leaning.with_name("mine-flatness.jpg")
    other.write_bytes(leaning.read_bytes())
    answer = invoke("check", str(other), "--flatness", "--picture", str(leaning.with_name("mine.jpg")))
    assert answer.exit_code == 2
    assert "overwrite a photo" in answer.stderr

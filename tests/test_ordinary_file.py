"""Text files: with and without a byte-order mark, and no devices."""

from __future__ import annotations

import json
import sys
from pathlib import Path

import pytest

from align.errors import FileFormatError
from align.ordinary_file import MAX_TEXT_MB, CannotRead, read_ordinary, read_text
from align.photo.camera_file import read_camera_file
from align.planning.scene_file import read_scene
from tests.bench.corrupted_files import SCENE_TEXT, camera_text

MARK = b"\xef\xbb\xbf"


def test_a_byte_order_mark_is_passed_over(tmp_path):
    camera, scene = tmp_path / "camera.json", tmp_path / "scene.toml"
    camera.write_bytes(MARK + camera_text().encode())
    scene.write_bytes(MARK + SCENE_TEXT.encode())
    assert read_camera_file(camera).size == (1000, 750)
    assert read_scene(scene).name == "Harbour street"


@pytest.mark.parametrize("focal_px", [4.2, 1e7])
def test_a_camera_files_odd_focal_length_is_named(tmp_path, focal_px):
    content = json.loads(camera_text())
    content["parameters"]["focal_px"]["value"] = focal_px
    path = tmp_path / "camera.json"
    path.write_text(json.dumps(content), encoding="utf-8")
    with pytest.raises(
        FileFormatError, match=r"its focal_px is .*; for photos of 1000 px, 150 to 120000 was expected"
    ):
        read_camera_file(path)


@pytest.mark.skipif(sys.platform == "win32", reason="no devices in the file system here")
def test_texts_are_ordinary_files_of_some_length(tmp_path):
    for read in (read_camera_file, read_scene):
        with pytest.raises(FileFormatError, match="is no ordinary file"):
            read(Path("/dev/zero"))
    with (tmp_path / "long.toml").open("wb") as file:
        file.truncate(int(MAX_TEXT_MB * 1e6) + 1)
    with pytest.raises(CannotRead, match="at most 20 are read"):
        read_text(tmp_path / "long.toml")
    with pytest.raises(CannotRead, match="is a folder"):
        read_ordinary(tmp_path, 1)
    with pytest.raises(FileNotFoundError):
        read_ordinary(tmp_path / "nothing", 1)
    (tmp_path / "latin.toml").write_bytes(b'name = "Stra\xdfe"')
    with pytest.raises(CannotRead, match="is no text in UTF-8"):
        read_text(tmp_path / "latin.toml")

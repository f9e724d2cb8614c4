"""A photo's file: ordinary ones only, read once, and known again."""

from __future__ import annotations

import io
import os
import pickle
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from align.checking.job import check
from align.checking.picture import save_check_picture
from align.errors import PhotoError
from align.photo import file as file_module
from align.photo import thresholds
from align.photo.file import read_file
from align.photo.read import colour_of, read_photo
from align.photo.strip_metadata import clean_photo
from align.records.job import add_entry
from align.target.sheets import SHEETS
from tests.support.synthetic import degrees_mirror, synthetic_photo, write_photo


@pytest.fixture
def path(tmp_path: Path) -> Path:
    image = Image.fromarray(np.random.default_rng(0).integers(0, 255, (240, 320, 3), np.uint8))
    image.save(tmp_path / "photo.jpg", quality=90)
    return tmp_path / "photo.jpg"


@pytest.fixture
def readings(monkeypatch) -> list[Path]:
    """Which photos were read from the disk."""
    seen: list[Path] = []
    original = file_module.read_ordinary

    def counted(path, most_mb):
        seen.append(path)
        return original(path, most_mb)

    monkeypatch.setattr(file_module, "read_ordinary", counted)
    return seen


def test_answer_picture_and_record_come_from_one_reading(tmp_path, readings):
    gray, _ = synthetic_photo(SHEETS["a5"], (60, -480, 280), [degrees_mirror(0.6, -0.35, 40.0, 3.0)])
    path = write_photo(tmp_path / "street.jpg", gray)
    result = check(path)
    save_check_picture(result, tmp_path / "answer.png")
    add_entry(tmp_path / "record", result, settings={})
    assert readings == [path]


def test_pixels_colours_and_copy_come_from_one_reading(path, readings):
    photo = read_photo(path)
    colour_of(photo.file)
    clean_photo(photo.file)
    read_photo(photo.file)
    assert readings == [path]


def test_what_is_not_kept_is_read_again_and_known(path, readings, monkeypatch):
    monkeypatch.setattr(thresholds, "KEPT_MB", 0)
    photo = read_photo(path)
    colour_of(photo.file)
    assert readings == [path, path]
    with Image.open(path) as image:
        other = io.BytesIO()
        image.transpose(Image.Transpose.FLIP_LEFT_RIGHT).save(other, "JPEG")
    path.write_bytes(other.getvalue())
    with pytest.raises(PhotoError, match="has changed since it was checked"):
        colour_of(photo.file)
    path.unlink()
    with pytest.raises(PhotoError, match="no file"):
        colour_of(photo.file)


def test_contents_kept_are_bounded_and_never_travel_with_results(tmp_path, monkeypatch):
    monkeypatch.setattr(thresholds, "KEPT_MB", 0.1)
    monkeypatch.setattr(file_module, "_kept", file_module._Kept())
    for number in range(20):
        (tmp_path / f"{number}.jpg").write_bytes(bytes([number]) * 30_000)
        file, _ = read_file(tmp_path / f"{number}.jpg")
    kept = file_module._kept._contents
    assert [kept_file.path.name for kept_file in kept] == ["17.jpg", "18.jpg", "19.jpg"]
    assert len(pickle.dumps(file)) < 1000
    assert pickle.loads(pickle.dumps(file)) == file


# No ordinary files -----------------------------------------------------------------------------------------

posix = pytest.mark.skipif(sys.platform == "win32", reason="no pipes and devices in the file system here")


@posix
def test_pipes_and_devices_are_refused_at_once(tmp_path):
    pipe = tmp_path / "photo.jpg"
    os.mkfifo(pipe)
    for path in (pipe, Path("/dev/zero"), Path("/dev/null")):
        with pytest.raises(PhotoError, match="is no ordinary file but a pipe or a device") as error:
            read_photo(path)
        assert error.value.remedy


def test_a_file_without_end_is_refused_before_it_is_read(tmp_path):
    path = tmp_path / "sparse.jpg"
    with path.open("wb") as file:
        file.write(b"\xff\xd8\xff\xe0")
        file.truncate(6_000_000_000)
    started = time.process_time()
    with pytest.raises(PhotoError, match=r"has 6000 MB; at most 400 are read"):
        read_photo(path)
    assert time.process_time() - started < 0.5


@pytest.mark.parametrize("filling", [b"\0", b"\xff", b"\xff\xfe\0\x02", b"\xff\xe1\xff\xff" + b"A" * 65533])
def test_a_bare_jpeg_header_with_a_hundred_megabytes_behind_it_is_refused_soon(tmp_path, filling):
    path = tmp_path / "header.jpg"
    path.write_bytes(b"\xff\xd8" + (filling * (100_000_000 // len(filling))))
    started = time.process_time()
    with pytest.raises(PhotoError, match="cannot be read as a photo"):
        read_photo(path)
    assert time.process_time() - started < 2


# Only kinds that are admitted ------------------------------------------------------------------------------

POSTSCRIPT = b"%!PS-3.0 EPSF-3.0\n%%BoundingBox: 0 0 400 400\n%%EndComments\n100 100 moveto showpage\n%%EOF\n"
OTHERS = ["BMP", "GIF", "ICO", "TGA", "PPM", "PCX", "SGI", "JPEG2000"]


def test_no_other_program_is_started_for_a_page_named_as_a_photo(tmp_path, monkeypatch):
    def must_not_be_called(*_: object, **__: object) -> None:
        raise AssertionError("another program was started on a file that nobody trusts")

    for name in ("Popen", "run", "check_call", "check_output", "call"):
        monkeypatch.setattr(subprocess, name, must_not_be_called)
    monkeypatch.setattr(os, "system", must_not_be_called)
    path = tmp_path / "photo.jpg"
    path.write_bytes(POSTSCRIPT)
    with pytest.raises(PhotoError, match="it is no JPEG, HEIC, PNG, TIFF or WebP file"):
        read_photo(path)


@pytest.mark.parametrize("kind", OTHERS)
def test_other_kinds_are_not_opened(tmp_path, kind):
    path = tmp_path / "photo.jpg"
    try:
        Image.new("RGB", (256, 256), "gray").save(path, kind)
    except (OSError, KeyError):
        pytest.skip("this Pillow cannot write one")
    with pytest.raises(PhotoError, match="it is no JPEG, HEIC, PNG, TIFF or WebP file"):
        read_photo(path)


def test_the_hosts_size_guard_stays_as_it_was(path):
    before = Image.MAX_IMAGE_PIXELS
    read_photo(path)
    colour_of(read_photo(path).file)
    assert before == Image.MAX_IMAGE_PIXELS
    assert before is not None

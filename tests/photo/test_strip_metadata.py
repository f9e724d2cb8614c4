"""Photos without what they tell of people, and with every pixel."""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np
import pillow_heif
import pytest
from PIL import Image, ImageOps

from align.errors import PhotoError
from align.photo.file import read_file
from align.photo.read import read_photo
from align.photo.strip_metadata import clean_photo, described_png, description_of, stripped_jpeg, stripped_png
from tests.support.telling_files import SECRETS, telling_jpeg


def test_a_jpeg_keeps_its_pixels_and_loses_its_tales() -> None:
    """Same pixels, orientation, focal lengths and colour profile; nothing else."""
    data = telling_jpeg()
    assert all(secret in data for secret in SECRETS[:3])
    clean = stripped_jpeg(data)
    assert not any(secret in clean for secret in SECRETS)
    with Image.open(io.BytesIO(data)) as old, Image.open(io.BytesIO(clean)) as new:
        assert np.array_equal(np.asarray(old), np.asarray(new))
        assert new.info["icc_profile"] == old.info["icc_profile"]
        exif = new.getexif()
        inner = exif.get_ifd(0x8769)
        assert dict(exif.get_ifd(0x8825)) == {}
        assert exif[0x0112] == 6
        assert inner[0xA405] == 26
        assert float(inner[0x920A]) == pytest.approx(5.4)
        assert set(exif) <= {0x0112, 0x8769}
        assert set(inner) <= {0xA405, 0x920A, 0xA404}
    assert clean.endswith(b"\xff\xd9")
    assert len(clean) < len(data) / 2


def test_stripping_twice_changes_nothing() -> None:
    """What is clean stays as it is, byte for byte."""
    clean = stripped_jpeg(telling_jpeg())
    assert stripped_jpeg(clean) == clean


@pytest.mark.parametrize("options", [{"progressive": True}, {"restart_marker_blocks": 2}, {"subsampling": 0}])
def test_all_kinds_of_jpeg_survive(options: dict[str, int]) -> None:
    """Progressive files have many scans; restart markers stand within them."""
    pixels = np.random.default_rng(1).integers(0, 255, (200, 300, 3), np.uint8)
    file = io.BytesIO()
    Image.fromarray(pixels).save(file, "JPEG", quality=90, **options)
    with Image.open(file) as old, Image.open(io.BytesIO(stripped_jpeg(file.getvalue()))) as new:
        assert np.array_equal(np.asarray(old), np.asarray(new))


def test_a_jpeg_without_metadata_gets_none() -> None:
    """No empty EXIF is put in."""
    file = io.BytesIO()
    Image.new("RGB", (300, 200), "gray").save(file, "JPEG")
    assert b"Exif" not in stripped_jpeg(file.getvalue())


def test_a_png_keeps_pixels_only() -> None:
    """Text, EXIF and time go."""
    from PIL.PngImagePlugin import PngInfo

    info = PngInfo()
    info.add_text("Author", "Jane Doe")
    info.add_itxt("XML:xmp", "51,30.1234N")
    exif = Image.Exif()
    exif[0x013B] = "Jane Doe"
    pixels = np.random.default_rng(2).integers(0, 255, (40, 60, 3), np.uint8)
    file = io.BytesIO()
    Image.fromarray(pixels).save(file, "PNG", pnginfo=info, exif=exif)
    clean = stripped_png(file.getvalue())
    assert not any(secret in clean for secret in SECRETS)
    with Image.open(io.BytesIO(clean)) as new:
        assert np.array_equal(np.asarray(new), pixels)
        assert new.info == {}


@pytest.mark.parametrize("cut", [10, 100, 1000])
def test_cut_off_files_are_refused(cut: int) -> None:
    """A structure without its end is damaged."""
    with pytest.raises(ValueError, match=r"JPEG|unpack|marker"):
        stripped_jpeg(telling_jpeg()[: 3000 - cut])
    file = io.BytesIO()
    Image.fromarray(np.random.default_rng(3).integers(0, 255, (40, 60, 3), np.uint8)).save(file, "PNG")
    with pytest.raises(ValueError, match="cut off"):
        stripped_png(file.getvalue()[:-cut])


def test_other_kinds_become_an_upright_jpeg(tmp_path: Path) -> None:
    """A TIFF is written anew, turned as it is displayed, without its metadata."""
    exif = Image.Exif()
    exif[0x0112], exif[0x013B] = 6, "Jane Doe"
    pixels = np.zeros((240, 320, 3), np.uint8)
    pixels[:120] = (250, 20, 20)
    path = tmp_path / "scan.tif"
    Image.fromarray(pixels).save(path, exif=exif)
    data, suffix = clean_photo(read_file(path)[0])
    assert suffix == ".jpg"
    assert b"Jane" not in data
    with Image.open(io.BytesIO(data)) as new:
        upright = ImageOps.exif_transpose(new)
    assert upright.size == (240, 320)
    red = np.asarray(upright)[160, :, 0]
    assert red[-1] > 200
    assert red[0] < 50


@pytest.mark.slow
@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("kind", ["JPEG", "PNG", "TIFF", "WEBP", "HEIF"])
def test_a_copy_of_any_kind_keeps_orientation_and_focal_lengths(kind, orientation, tmp_path):
    """A camera file turns with the phone: a later check of the copy must know how it was held, and which lens."""
    if kind == "HEIF" and orientation in (2, 4, 5, 7):
        pytest.skip("this HEIF writer mirrors nothing")
    pillow_heif.register_heif_opener()
    exif = Image.Exif()
    exif[0x0112], exif[0x013B] = orientation, "Jane Doe"
    exif[0x8769] = {0x920A: 5.4, 0xA405: 26, 0xA431: "SERIAL-1234"}
    x, y = np.meshgrid(np.linspace(0, 1, 320), np.linspace(0, 1, 240))
    pixels = np.stack([200 * x + 20, 150 * y + 60, 120 * x * y + 30], axis=2).astype(np.uint8)
    path = tmp_path / f"photo.{kind.lower()}"
    Image.fromarray(pixels).save(path, kind, exif=exif.tobytes(), quality=95)
    before = read_photo(path)
    data, suffix = clean_photo(before.file)
    copy = tmp_path / f"copy{suffix}"
    copy.write_bytes(data)
    after = read_photo(copy)
    assert not any(secret in data for secret in (b"Jane", b"SERIAL"))
    assert (before.orientation, before.focal_mm, before.equivalent_mm) == (orientation, pytest.approx(5.4), 26)
    assert (after.orientation, after.focal_mm, after.equivalent_mm) == (orientation, pytest.approx(5.4), 26)
    assert after.size == before.size
    assert np.abs(after.gray.astype(int) - before.gray).max() <= 4


def test_what_is_no_photo_is_an_error(tmp_path: Path) -> None:
    """Missing and unreadable files are PhotoErrors."""
    with pytest.raises(PhotoError):
        read_file(tmp_path / "nothing.jpg")
    (tmp_path / "words.jpg").write_bytes(b"no photo at all")
    with pytest.raises(PhotoError):
        clean_photo(read_file(tmp_path / "words.jpg")[0])


def test_our_own_description_comes_back(tmp_path: Path) -> None:
    """A PNG with our description is still a PNG, for others too."""
    file = io.BytesIO()
    Image.new("RGB", (30, 20), "red").save(file, "PNG")
    path = tmp_path / "picture.png"
    path.write_bytes(described_png(file.getvalue(), "Harbour street, 14 May 2024: mirror true ± 0.1°"))
    assert description_of(path) == "Harbour street, 14 May 2024: mirror true ± 0.1°"
    with Image.open(path) as image:
        assert image.convert("RGB").getpixel((3, 3)) == (255, 0, 0)
        assert image.text["Description"].startswith("Harbour street")
    path.write_bytes(file.getvalue())
    assert description_of(path) == ""
    assert description_of(tmp_path / "nothing.png") == ""

"""Files as phones, messengers and people make them, through the command: the answer, or one clear message.

The photo is drawn from known truth; whatever its file has been through, the answer must hold it.
"""

from __future__ import annotations

import io
import json
import struct
import sys
import zlib
from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np
import pillow_heif
import pytest
from PIL import Image

from align.bundle.photo_set import Sighted
from align.bundle.validity import shape_warnings
from align.checking.job import check
from align.errors import SolveError
from align.photo import thresholds
from align.target.sheets import SHEETS
from tests.support.commands import invoke
from tests.support.synthetic import EQUIVALENT_MM, degrees_mirror, synthetic_photo, write_photo

LEAN_DEG, TURN_DEG = 0.6, -0.35
SIZE = (1200, 900)
EXIF, EQUIVALENT, ORIENTATION, RENDERED = 0x8769, 0xA405, 0x0112, 0xA401
Pixels = np.ndarray


@pytest.fixture(scope="module")
def pixels() -> Pixels:
    """A good photo of a leaning, turned mirror."""
    mirror = degrees_mirror(LEAN_DEG, TURN_DEG, 40.0, 3.0)
    return synthetic_photo(SHEETS["a5"], (60, -500, 280), [mirror], size=SIZE)[0]


def exif(orientation: int = 1, **facts: int) -> bytes:
    """What a phone writes: orientation and focal length, and more if named."""
    block = Image.Exif()
    block[ORIENTATION] = orientation
    block[EXIF] = {EQUIVALENT: round(EQUIVALENT_MM), **{int(name[1:], 16): value for name, value in facts.items()}}
    return block.tobytes()


def encoded(image: Image.Image | Pixels, kind: str = "JPEG", **how: object) -> bytes:
    """A file's contents."""
    image = Image.fromarray(image) if isinstance(image, np.ndarray) else image
    file = io.BytesIO()
    image.save(file, kind, **({"quality": 95} | how if kind in ("JPEG", "MPO") else how))
    return file.getvalue()


def colour(gray: Pixels) -> Image.Image:
    """A tinted picture whose luma is the grey one's."""
    luma = Image.fromarray(gray)
    return Image.merge("YCbCr", [luma, *(Image.new("L", luma.size, value) for value in (120, 136))]).convert("RGB")


def turned(gray: Pixels, orientation: int) -> Pixels:
    """Pixels as the sensor has them, so that the orientation turns them upright (CIPA DC-008, tag 274)."""
    back = {1: gray, 2: gray[:, ::-1], 3: gray[::-1, ::-1], 4: gray[::-1], 5: gray.T}
    back |= {6: np.rot90(gray), 7: np.rot90(gray.T, 2), 8: np.rot90(gray, -1)}
    return np.ascontiguousarray(back[orientation])


def heic(gray: Pixels, orientation: int = 1, bits: int = 8) -> bytes:
    """A HEIC photo; with 10 bits as newer phones make them."""
    file = io.BytesIO()
    if bits == 8:
        picture = pillow_heif.from_pillow(colour(gray))
    else:
        deep = (np.repeat(gray[..., None], 3, axis=2).astype(np.uint16) * 257).tobytes()
        picture = pillow_heif.from_bytes("RGB;16", gray.shape[::-1], deep)
    picture.save(file, quality=90, exif=exif(orientation))
    return file.getvalue()


def with_segment(jpeg: bytes, marker: int, content: bytes) -> bytes:
    """A JPEG with one more segment behind its start."""
    return jpeg[:2] + bytes([0xFF, marker]) + struct.pack(">H", len(content) + 2) + content + jpeg[2:]


def gain_map(gray: Pixels) -> bytes:
    """A photo with a gain map (ISO 21496-1): a usual JPEG that says so, and behind it a small grey one, the map."""
    small = Image.fromarray(gray).resize((SIZE[0] // 4, SIZE[1] // 4))
    whole = encoded(colour(gray), "MPO", save_all=True, append_images=[small.convert("L")], exif=exif())
    return with_segment(whole, 0xE2, b"urn:iso:std:iso:ts:21496:-1\0" + bytes(4))


def screenshot(gray: Pixels, left: int) -> bytes:
    """A phone's screen, upright turned sideways, with the photo somewhere on it and a bar beside it."""
    screen = np.full((1080, 2340), 18, np.uint8)
    screen[:, left : left + 1440] = cv2.resize(gray, (1440, 1080), interpolation=cv2.INTER_LINEAR)
    screen[480:560, 2220:2320] = 200
    return encoded(screen, "PNG")


def resaved(gray: Pixels) -> bytes:
    """As messengers send photos: smaller, squeezed, without a word of the camera."""
    return encoded(colour(gray).resize((1024, 768), Image.Resampling.LANCZOS), quality=72, progressive=True)


GOOD: dict[str, Callable[[Pixels], bytes]] = {
    "usual.jpg": lambda gray: encoded(colour(gray), exif=exif()),
    **{f"orientation {n}.jpg": lambda gray, n=n: encoded(turned(gray, n), exif=exif(n)) for n in range(1, 9)},
    "turned.heic": lambda gray: heic(turned(gray, 6), 6),
    "ten bits.heic": lambda gray: heic(gray, bits=10),
    "photo.png": lambda gray: encoded(colour(gray), "PNG"),
    "sixteen bits.png": lambda gray: encoded(Image.fromarray(gray.astype(np.uint16) * 257), "PNG"),
    "transparent.png": lambda gray: encoded(colour(gray).convert("RGBA"), "PNG"),
    "grey.jpg": lambda gray: encoded(gray, exif=exif()),
    "cmyk.jpg": lambda gray: encoded(colour(gray).convert("CMYK"), exif=exif()),
    "photo.tif": lambda gray: encoded(colour(gray), "TIFF"),
    "photo.webp": lambda gray: encoded(colour(gray), "WEBP", quality=90),
    "gain map.jpg": gain_map,
    "two pictures.mpo": lambda gray: encoded(
        colour(gray), "MPO", save_all=True, append_images=[colour(gray[:, ::-1])], exif=exif()
    ),
    "with a film.jpg": lambda gray: encoded(gray, exif=exif()) + b"\0\0\0\x18ftypmp42" + bytes(range(256)) * 40,
    "screenshot.png": lambda gray: screenshot(gray, 450),
    "screenshot off the middle.png": lambda gray: screenshot(gray, 100),
    "resaved.jpg": resaved,
    "odd – ‘name’, 鏡の写真 № 1.JPG": lambda gray: encoded(gray, exif=exif()),
}


def run(path: Path) -> tuple[int, dict[str, object]]:
    """Exit code and JSON of a check; nothing else is printed."""
    done = invoke("check", path, "--json")
    assert done.stderr == ""
    return done.exit_code, json.loads(done.stdout)


def assert_holds_truth(path: Path, widest_deg: float = 0.06, widest_lean_deg: float | None = None) -> list[str]:
    """The answer holds the truth, within stated bounds of error and interval; its warnings."""
    code, answer = run(path)
    assert code == 3, answer
    [mirror] = answer["mirrors"]
    for name, truth in (("lean_deg", LEAN_DEG), ("turn_deg", TURN_DEG)):
        found = mirror[name]
        half = (found["high"] - found["low"]) / 2
        assert abs(found["value"] - truth) < max(half, 0.012), (name, found)
        assert half < (widest_lean_deg or widest_deg if name == "lean_deg" else widest_deg), (name, found)
    return answer["warnings"]


@pytest.mark.parametrize("name", GOOD)
def test_the_answer_holds_the_truth(name, pixels, tmp_path):
    path = tmp_path / name
    path.write_bytes(GOOD[name](pixels))
    # A picture whose file names no camera may have been stretched, which is much like a lean: its interval allows
    # for that, and the answer asks for the original.
    nameless = name.split(".")[-1] in ("png", "tif", "webp") or name == "resaved.jpg"
    # Of a screenshot the centre is open too; of a paper print nothing vouches for the shear (once 0.22, now 0.226).
    widest = 0.24 if name.startswith("screenshot") else 0.16
    warnings = assert_holds_truth(path, widest_lean_deg=widest if nameless else None)
    assert ("Send the phone's original" in run(path)[1]["quality"]["try"]) is nameless
    told = [words for words in warnings if "a screen's shape" in words]
    assert bool(told) == name.startswith("screenshot"), warnings
    assert [words for words in warnings if "stopped before its end" not in words] == told


def test_a_name_that_is_no_text(pixels, tmp_path):
    if sys.platform in ("win32", "darwin"):
        pytest.skip("names are always text here")
    path = tmp_path / b"\xff\xfe photo.jpg".decode("utf-8", "surrogateescape")
    path.write_bytes(encoded(pixels, exif=exif()))
    assert_holds_truth(path)


# Geometry that contradicts the file ----------------------------------------------------------------------


def test_digital_zoom_that_the_file_does_not_tell_is_noticed(pixels, tmp_path):
    """A part of the middle, enlarged: the lens's focal length is no longer the picture's."""
    part = cv2.resize(pixels[100:800, 133:1067], SIZE, interpolation=cv2.INTER_CUBIC)
    path = tmp_path / "zoomed.jpg"
    path.write_bytes(encoded(part, exif=exif()))
    [words] = assert_holds_truth(path)
    assert "cropped, zoomed or re-saved?" in words


@pytest.mark.slow
def test_a_part_cut_off_is_noticed(pixels, tmp_path):
    path = tmp_path / "cut.jpg"
    path.write_bytes(encoded(np.ascontiguousarray(pixels[:, 60:]), exif=exif()))
    [words] = assert_holds_truth(path, widest_deg=0.1)
    assert "A part may have been cut off" in words


def test_a_panorama_that_nothing_gives_away_is_refused(tmp_path: Path) -> None:
    """Drawn on a cylinder, in a usual photo's shape: no lens of the model makes such, and the corners tell."""
    size, mirror = (2000, 1500), degrees_mirror(LEAN_DEG, TURN_DEG, 40.0, 3.0)
    grain = np.random.default_rng(1)
    gray, _ = synthetic_photo(SHEETS["a5"], (60, -480, 280), [mirror], size=size, noise=0.008, rng=grain)
    focal_px = EQUIVALENT_MM / 43.27 * np.hypot(*size)
    x, y = np.meshgrid(*(np.arange(n) - (n - 1) / 2 for n in size))
    from_x = np.tan(x / focal_px) * focal_px + (size[0] - 1) / 2
    from_y = y / np.cos(x / focal_px) + (size[1] - 1) / 2
    rolled = cv2.remap(gray, *(a.astype(np.float32) for a in (from_x, from_y)), cv2.INTER_CUBIC, borderValue=90)
    path = write_photo(tmp_path / "rolled.jpg", np.asarray(rolled, np.uint8), equivalent_mm=EQUIVALENT_MM)
    with pytest.raises(SolveError, match="not as a lens makes it"):
        check(path)


def test_a_shape_longer_than_any_screen_may_be_a_panorama():
    for size, told in (((3000, 1200), True), ((1200, 3000), True), ((1140, 900), False)):
        [words] = shape_warnings([Sighted(Path("a.jpg"), size, None, None, None, crop="part")])
        assert ("If it is a panorama, the answer is wrong" in words) is told


@pytest.mark.parametrize("said", ["EXIF", "XMP"])
def test_panoramas_that_say_so_are_refused(said, pixels, tmp_path):
    data = encoded(pixels, exif=exif(xA401=6) if said == "EXIF" else exif())
    if said == "XMP":
        xmp = b'<x:xmpmeta><r:Description pano:ProjectionType="cylindrical"/></x:xmpmeta>'
        data = with_segment(data, 0xE1, xmp)
    path = tmp_path / "panorama.jpg"
    path.write_bytes(data)
    code, answer = run(path)
    assert (code, answer["error"]) == (1, "PhotoError")
    assert "is a panorama" in answer["message"]
    assert "ordinary photo" in answer["try"]


def test_a_photo_of_200_megapixels_says_that_it_was_halved(pixels, tmp_path, monkeypatch):
    """With the limits drawn in, as for a JPEG of 16320 x 12240."""
    monkeypatch.setattr(thresholds, "MAX_MEGAPIXELS", 2.0)
    large = cv2.resize(pixels, None, fx=2, fy=2, interpolation=cv2.INTER_CUBIC)
    path, picture = tmp_path / "large.jpg", tmp_path / "answer.png"
    path.write_bytes(encoded(large, exif=exif()))
    [words] = assert_holds_truth(path)
    assert "2400 x 1800 px" in words
    assert "read at half size" in words
    done = invoke("check", path, "--json", "--picture", picture)
    answer = json.loads(done.stdout)
    assert answer["photos"][0]["size"] == list(SIZE)
    assert answer["camera"]["focal_px"]["value"] == pytest.approx(EQUIVALENT_MM / 43.27 * 1500, rel=0.02)
    assert picture.is_file()
    path.with_suffix(".png").write_bytes(encoded(large, "PNG"))
    code, answer = run(path.with_suffix(".png"))
    assert (code, answer["error"]) == (1, "PhotoError")
    assert "of a JPEG" in answer["message"]


# Refused ---------------------------------------------------------------------------------------------------


def png(width: int, height: int, *chunks: tuple[bytes, bytes]) -> bytes:
    """A PNG that announces a size and holds next to nothing."""
    header = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    parts = [(b"IHDR", header), *chunks, (b"IDAT", zlib.compress(b"")), (b"IEND", b"")]
    return b"\x89PNG\r\n\x1a\n" + b"".join(
        struct.pack(">I", len(content)) + kind + content + struct.pack(">I", zlib.crc32(kind + content))
        for kind, content in parts
    )


def jpeg_of_size(gray: Pixels, width: int, height: int) -> bytes:
    """A JPEG whose header lies about its size."""
    data = bytearray(encoded(gray))
    place = data.index(b"\xff\xc0") + 5
    data[place : place + 4] = struct.pack(">HH", height, width)
    return bytes(data)


TEXT_BOMB = (b"zTXt", b"Comment\0\0" + zlib.compress(b"a" * 80_000_000, 9))
BAD: dict[str, tuple[Callable[[Pixels], bytes], str]] = {
    "empty.jpg": (lambda _: b"", "is empty"),
    "half.jpg": (lambda gray: encoded(gray)[:20_000], "cannot be read as a photo"),
    "half.heic": (lambda gray: heic(gray[:300, :400])[:3_000], "cannot be read as a photo"),
    "half.png": (lambda gray: encoded(gray, "PNG")[:60_000], "cannot be read as a photo"),
    "link.jpg": (lambda _: b"<html>Not found</html>", "cannot be read as a photo"),
    "film.mp4": (lambda _: b"\0\0\0\x18ftypmp42" + b"\0" * 4000, "cannot be read as a photo"),
    "bomb.png": (lambda _: png(60_000, 60_000), "3600 megapixels"),
    "text bomb.png": (lambda _: png(1200, 900, TEXT_BOMB), "cannot be read as a photo"),
    "bomb.jpg": (lambda gray: jpeg_of_size(gray, 65_000, 65_000), "4225 megapixels"),
    "preview.jpg": (lambda gray: encoded(cv2.resize(gray, (160, 120))), "is only 160 x 120 pixels"),
}


@pytest.mark.parametrize("name", BAD)
def test_what_cannot_be_read_says_why(name, pixels, tmp_path):
    make, words = BAD[name]
    path = tmp_path / name
    path.write_bytes(make(pixels))
    code, answer = run(path)
    assert (code, answer["format"], answer["error"]) == (1, "align-error-1", "PhotoError")
    assert words in answer["message"]
    assert str(path) in answer["message"]
    assert answer["try"]


def test_a_folder_is_no_photo(tmp_path):
    code, answer = run(tmp_path)
    assert (code, answer["error"]) == (1, "PhotoError")
    assert "is a folder" in answer["message"]

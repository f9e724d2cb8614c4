"""Hostile use: what is no file, files that feign to be photos, odd names, odd facts, odd options."""

from __future__ import annotations

import io
import os
from collections.abc import Callable
from functools import cache
from pathlib import Path

import numpy as np

from tests.bench.corrupted_files import SCENE_TEXT, camera_text, encoded
from tests.bench.corrupted_pictures import Base, corrupted
from tests.support.synthetic import SHEETS, degrees_mirror, synthetic_photo

#: Words of the command, what was done, and whether the picture's truth is still the answer's.
Case = tuple[list[str], str, bool]
_MARK = b"\xef\xbb\xbf"


def _no_file(rng: np.random.Generator, folder: Path, base: Base) -> Case:
    """A pipe, a device, a file of six gigabytes of nothing."""
    photo, what = folder / "photo.jpg", str(rng.choice(["pipe", "/dev/zero", "/dev/null", "/dev/full", "sparse"]))
    if what == "pipe":
        os.mkfifo(photo)
    elif what == "sparse":
        with photo.open("wb") as file:
            file.write(encoded(base.gray, "JPEG")[: int(rng.integers(2, 2000))])
            file.truncate(int(rng.integers(10**9, 6 * 10**9)))
    else:
        photo.symlink_to(what)
    return ["check", str(photo), "--json"], f"no file: {what}", False


def _feigned(rng: np.random.Generator, folder: Path, base: Base) -> Case:
    """The beginning of a photo with megabytes of something behind, or another kind under a photo's name."""
    photo = folder / "photo.jpg"
    kinds = ["header", "PostScript", "GIF", "BMP", "PPM", "TGA", "ICO"]
    what = str(rng.choice(kinds))
    if what == "header":
        filling = [b"\0", b"\xff", b"\xff\xfe\0\x02", b"\xff\xd8\xff\xe0", b"\xff\xc0\0\x0b"][int(rng.integers(5))]
        start = encoded(base.gray, "JPEG")[: int(rng.integers(2, 900))]
        photo.write_bytes(start + filling * (int(rng.integers(10**6, 5 * 10**7)) // len(filling)))
    elif what == "PostScript":
        photo.write_bytes(b"%!PS-3.0 EPSF-3.0\n%%BoundingBox: 0 0 900 900\n(" + rng.bytes(40) + b") run\n%%EOF\n")
    else:
        from PIL import Image

        file = io.BytesIO()
        Image.fromarray(base.gray).resize((256, 256)).save(file, what)
        photo.write_bytes(file.getvalue())
    return ["check", str(photo), "--json"], f"feigned: {what}", False


def _odd_name(rng: np.random.Generator, folder: Path, base: Base) -> Case:
    """A good photo whose name is no text, or tries to move the terminal."""
    names = [
        b"\xff\xfe photo.jpg",
        b"\x1b[2J\x1b]0;x\x07.jpg",
        b"two\nlines.jpg",
        b"-.jpg",
        b"a\x9b31m.jpg",
        b"%s{}.jpg",
    ]
    photo = folder / os.fsdecode(names[int(rng.integers(len(names)))])
    photo.write_bytes(encoded(base.gray, "JPEG", 26.0))
    words = ["check", str(photo)] + (["--json"] if rng.random() < 0.7 else [])
    draw = rng.random()
    if draw < 0.3:
        words += ["--into", str(folder / "out" / "record"), "--start"]
    elif draw < 0.5:
        words += ["--each"]
    return words, "odd name", True


def _odd_lens(rng: np.random.Generator, folder: Path, base: Base) -> Case:
    """A focal length in EXIF that no lens has."""
    photo, told = folder / "photo.jpg", float(rng.choice([65535, 0, 1, 4, 3001, 20000]))
    photo.write_bytes(encoded(base.gray, "JPEG", told))
    return ["check", str(photo), "--json"], f"EXIF focal length {told:g} mm", True


def _odd_camera(rng: np.random.Generator, folder: Path, base: Base) -> Case:
    """A camera file with a focal length that no lens has, or a byte-order mark."""
    photo, camera = folder / "photo.jpg", folder / "camera.json"
    photo.write_bytes(encoded(base.gray, "JPEG", 26.0))
    focal = float(rng.choice([4.2, 0.001, 42.0, 1e6, 1e9]))
    camera.write_bytes((_MARK if rng.random() < 0.5 else b"") + camera_text().replace("720.0", str(focal)).encode())
    return ["check", str(photo), "--camera", str(camera), "--json"], f"camera of {focal:g} px", False


def _marked_text(rng: np.random.Generator, folder: Path, base: Base) -> Case:
    """A scene with a byte-order mark, once, twice, or of another coding."""
    scene = folder / "scene.toml"
    start = [_MARK, _MARK + _MARK, b"\xff\xfe", b"\xfe\xff", b"\0"][int(rng.integers(5))]
    scene.write_bytes(start + SCENE_TEXT.encode())
    return ["plan", str(scene), "--json"], f"begins with {start.hex()}", False


def _damaged_colour(rng: np.random.Generator, folder: Path, base: Base) -> Case:
    """A colour JPEG of some subsampling, progressive or with restarts, with flipped bits, a hole or a filling."""
    from PIL import Image

    file, photo = io.BytesIO(), folder / "photo.jpg"
    exif = Image.Exif()
    exif.get_ifd(0x8769)[0xA405] = 26
    how = {
        "subsampling": int(rng.integers(3)),
        "progressive": bool(rng.integers(2)),
        "quality": int(rng.integers(60, 96)),
    }
    if rng.random() < 0.3:
        how["restart_marker_blocks"] = int(rng.integers(1, 60))
    Image.fromarray(base.gray).convert("RGB").save(file, "JPEG", exif=exif, **how)
    data = bytearray(file.getvalue())
    what, place = str(rng.choice(["bits", "hole", "filled", "end lost"])), int(rng.integers(700, len(data) - 2))
    if what == "bits":
        data[place] ^= 1 << int(rng.integers(8))
    elif what == "hole":
        del data[place : place + int(rng.integers(1, 400))]
    elif what == "filled":
        data[-2:-2] = bytes(int(rng.integers(1, 5000)))
    else:
        del data[-int(rng.integers(1, 3)) :]
    photo.write_bytes(bytes(data))
    return ["check", str(photo), "--json"], f"colour JPEG: {what}", True


def _odd_options(rng: np.random.Generator, folder: Path, base: Base) -> Case:
    """Values that may be meant otherwise, and names that are empty."""
    photo = folder / "photo.jpg"
    photo.write_bytes(encoded(base.gray, "JPEG", 26.0))
    option = str(
        rng.choice(["--into", "--picture", "--camera", "--want-turn", "--tolerance", "--rule", "--mirror"])
    )
    value = str(rng.choice(["", "1,2", "1_0", "1,000", "nan", "-1", "٣", "\x1b[1m", "1e999", "0x1", " "]))
    return ["check", str(photo), option, value, "--json"], f"{option} {value!r}", False


def _copy_kinds(rng: np.random.Generator, folder: Path, base: Base) -> Case:
    """A photo of another kind, put into a record."""
    kind = str(rng.choice(["PNG", "HEIC", "TIFF", "WEBP", "MPO"]))
    photo = folder / f"photo.{kind.lower()}"
    photo.write_bytes(encoded(base.gray, kind, 26.0))
    return (
        ["check", str(photo), "--into", str(folder / "out" / "record"), "--start", "--json"],
        f"copy of {kind}",
        True,
    )


@cache
def three_mirrors(number: int) -> Base:
    """A picture of a sheet between three mirrors."""
    rng = np.random.default_rng([11, number])
    lean, turn = (float(value) for value in rng.uniform(-1, 1, 2))
    others = tuple((float(rng.uniform(-1, 1)), float(side * rng.uniform(55, 65))) for side in (1, -1))
    sides = [degrees_mirror(*angles, 200.0, 3.0) for angles in others]
    mirrors = [sides[0], degrees_mirror(lean, turn, float(rng.uniform(40, 80)), 3.0), sides[1]]
    eye = (float(rng.uniform(-60, 60)), -620.0, float(rng.uniform(380, 450)))
    size, seen = (1400, 1050), {"aim": (0, 60, 0), "mirror_size_mm": (2.0, 2.0)}
    gray = synthetic_photo(SHEETS["a5"], eye, mirrors, size=size, rng=rng, **seen)[0]
    return Base(gray, 26.0, lean, turn, others)


def _three_mirrors(rng: np.random.Generator, folder: Path, base: Base) -> Case:
    """Three mirrors in one photo, as it is or with something that befalls pictures."""
    photo = folder / "photo.jpg"
    gray, done = base.gray, ["as it is"]
    if rng.random() < 0.7:
        gray, done = corrupted(base, rng)
    photo.write_bytes(encoded(gray, "JPEG", 26.0 if rng.random() < 0.8 else None))
    return ["check", str(photo), "--json"], f"three mirrors: {' + '.join(done)}", True


FAMILIES: tuple[Callable[[np.random.Generator, Path, Base], Case], ...] = (
    _no_file,
    _feigned,
    _odd_name,
    _odd_lens,
    _odd_camera,
    _marked_text,
    _damaged_colour,
    _odd_options,
    _copy_kinds,
    _three_mirrors,
)
#: Of these, so large a share goes to `align glass`, which reads the same files.
FOR_GLASS, GLASS_SHARE = (_no_file, _feigned, _odd_name, _odd_lens, _odd_camera, _damaged_colour, _odd_options), 0.3
THREE_MIRRORS = 6


def hostile_case(rng: np.random.Generator, folder: Path, base: Base) -> tuple[list[str], str, Base | None]:
    """Write a case's files; (the command's words, what was done, the truth where there is one)."""
    family = FAMILIES[int(rng.integers(len(FAMILIES)))]
    if family is _three_mirrors:
        base = three_mirrors(int(rng.integers(THREE_MIRRORS)))
    words, done, holds = family(rng, folder, base)
    if family in FOR_GLASS and rng.random() < GLASS_SHARE:
        words, holds = ["glass", *_without(words[1:], "--each", "--start")], False
    return words, done, base if holds else None


def _without(words: list[str], *flags: str) -> list[str]:
    return [word for word in words if word not in flags]

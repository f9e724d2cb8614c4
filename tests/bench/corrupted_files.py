"""Damage to files: bytes of images, and text of TOML and JSON."""

from __future__ import annotations

import io
import json
import re

import numpy as np
from numpy.typing import NDArray

#: What may stand where a number or a word stood.
ODD_VALUES = (
    "nan", "inf", "-inf", "NaN", "Infinity", "1e308", "1e999", "-1", "0", "-0.0", "1e-320", '""', "null",
    "true", "[]", "{}", "[[1, 2], 3]", '"\\u0000"', '"9"', "9" * 400, "0x1F", "2024-05-14", "'", "[1e9, -1e9]",
    '"' + "ä漢🪞" * 20 + '"',
)  # fmt: skip
IMAGE_KINDS = ("JPEG", "JPEG", "JPEG", "PNG", "WEBP", "TIFF", "HEIC", "MPO")


def encoded(gray: NDArray[np.uint8], kind: str, equivalent_mm: float | None = 26.0) -> bytes:
    """A picture as a file, with the EXIF facts that phones write."""
    from PIL import Image

    image = Image.fromarray(gray)
    exif = Image.Exif()
    if equivalent_mm is not None:
        exif[0x0112] = 1
        exif.get_ifd(0x8769)[0xA405] = round(equivalent_mm)  # TIFF takes no plain dictionary
    file = io.BytesIO()
    if kind == "HEIC":
        import pillow_heif

        pillow_heif.from_pillow(image.convert("RGB")).save(file, quality=85, exif=exif.tobytes())
    elif kind == "MPO":
        second = image.resize((image.width // 4, image.height // 4))
        image.save(file, "MPO", save_all=True, append_images=[second], quality=90, exif=exif)
    else:
        image.save(file, kind, **({"quality": 92} if kind in ("JPEG", "WEBP") else {}), exif=exif)
    return file.getvalue()


def damaged_bytes(data: bytes, rng: np.random.Generator) -> tuple[bytes, str]:
    """A file with bytes changed, lost, doubled or appended, and what was done."""
    way = str(rng.choice(["flips", "header", "cut", "hole", "doubled", "zeros", "tail", "joined", "garbage"]))
    spoiled = bytearray(data)
    size = len(spoiled)
    place = int(rng.integers(size))
    if way in ("flips", "header"):
        reach = min(size, 1200) if way == "header" else size
        for _ in range(int(rng.integers(1, 12))):
            spoiled[int(rng.integers(reach))] = int(rng.integers(256))
    elif way == "cut":
        del spoiled[place:]
    elif way == "hole":
        del spoiled[place : place + int(rng.integers(1, 3000))]
    elif way == "doubled":
        spoiled[place:place] = spoiled[place : place + int(rng.integers(1, 3000))]
    elif way == "zeros":
        length = min(int(rng.integers(1, 3000)), size - place)
        spoiled[place : place + length] = bytes(length)
    elif way == "tail":
        spoiled += rng.bytes(int(rng.integers(1, 5000)))
    elif way == "joined":
        spoiled = bytearray(data[: size // 2] + data[: size // 2])
    else:
        spoiled = bytearray(rng.bytes(int(rng.integers(0, 4000))))
        if rng.integers(2):
            spoiled[:4] = data[:4]
    return bytes(spoiled), way


def damaged_text(text: str, rng: np.random.Generator) -> tuple[bytes, str]:
    """A TOML or JSON text with odd values, lost or doubled parts, or garbage in it, and what was done."""
    way = str(rng.choice(["value", "value", "value", "line", "span", "character", "bytes", "deep", "coding"]))
    if way == "value":
        for _ in range(int(rng.integers(1, 3))):
            places = list(re.finditer(r"-?\d+\.?\d*(?:[eE][-+]?\d+)?|\"[^\"\n]*\"|true|false|null", text))
            place = places[int(rng.integers(len(places)))]
            text = text[: place.start()] + str(rng.choice(ODD_VALUES)) + text[place.end() :]
    elif way == "line":
        lines = text.split("\n")
        first, second = (int(v) for v in rng.integers(len(lines), size=2))
        if rng.integers(2):
            lines[first], lines[second] = lines[second], lines[first]
        elif rng.integers(2):
            del lines[first]
        else:
            lines.insert(second, lines[first])
        text = "\n".join(lines)
    elif way == "span":
        start = int(rng.integers(len(text)))
        text = text[:start] + text[start + int(rng.integers(1, 300)) :]
    elif way == "character":
        for _ in range(int(rng.integers(1, 6))):
            place = int(rng.integers(len(text)))
            odd = chr(int(rng.choice([0, 9, 34, 44, 45, 46, 91, 123, 125, 0x2212, 0x1FA9E])))
            text = text[:place] + odd + text[place + int(rng.integers(2)) :]
    elif way == "deep":
        depth = int(rng.choice([50, 3000, 60000]))
        place = int(rng.integers(len(text)))
        text = text[:place] + "[" * depth + (("]" * depth) if rng.integers(2) else "") + text[place:]
    data = text.encode("utf-8", "surrogatepass")
    if way == "bytes":
        return damaged_bytes(data, rng)
    if way == "coding":
        return text.encode(str(rng.choice(["utf-16", "utf-32", "cp500"])), "replace"), way
    return data, way


def camera_text() -> str:
    """A good camera file as text."""
    names = ("focal_px", "centre_x_px", "centre_y_px", "k1", "k2", "p1", "p2", "k3")
    values, uncertainties = (
        (720.0, 499.5, 374.5, 0.01, -0.01, 0, 0, 0),
        (7.0, 3.0, 3.0, 0.01, 0.02, 1e-4, 1e-4, 0.001),
    )
    parameters = {n: {"value": v, "sd": d} for n, v, d in zip(names, values, uncertainties, strict=True)}
    content = {
        "format": "align-camera-1",
        "size": [1000, 750],
        "device": "Harbour H1",
        "focal_mm": 5.6,
        "date": "2026-11-01",
        "photos": 6,
        "rms_px": 0.11,
        "model": "k1 k2",
        "parameters": parameters,
    }
    return json.dumps(content, indent=2)


SCENE_TEXT = """\
name = "Harbour street"

[floor]
x = [-350, 350]
y = [0, 560]
above_room_mm = 880

[mirror]
at = [0, 520]
width_mm = 240
height_mm = 170
foot_mm = 0
lean_deg = 0.5
turn_deg = 0
glass_mm = 4

[viewers]
x = [-400, 400]
y = [-1000, -600]
eye_heights_mm = [1405]
spacing_mm = 400

[[box]]
name = "fish warehouse"
at = [-215, 240]
size = [130, 160, 150]
turn_deg = 10
base_mm = 0

[[panel]]
name = "left pier"
from = [-160, 450]
to = [-95, 450]
top_mm = 190

[[thing]]
name = "handcart"
want = "show"
at = [-30, 400, 0]
size = [35, 50, 30]
least_share = 0.9

[[lamp]]
name = "lantern"
at = [60, 340, 90]
diameter_mm = 3

[[path]]
name = "street"
points = [[0, 0], [0, 520]]
width_mm = 150

[opening]
bottom_mm = 246
right_mm = 177
top_mm = 247
left_mm = 176
rising_mm = 303.5
falling_mm = 302.5
"""

"""Pictures of known truth, and what befalls pictures: cropped, blurred, noised, covered, stretched, tampered with.

None of it changes how the mirror stands, so whatever is still answered has the same truth. (A mirrored photo
shows a mirrored world: its truth is kept too, and any answer but a refusal then counts as wrong.)
"""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from align.target.sheets import SHEETS, raster, sheet_named
from tests.support.synthetic import degrees_mirror, synthetic_photo

Gray = NDArray[np.uint8]
SAMPLES = Path(__file__).resolve().parents[2] / "sample_images"
#: Sample photos that show one mirror, reduced to this long side [px]: they have ghosts, shading and scenery.
REDUCED_PX = 1344


@dataclass(frozen=True, eq=False)
class Base:
    """A good picture: grey pixels, what EXIF says of its lens, and lean and turn of its mirror [deg].

    others : lean and turn of its further mirrors.
    """

    gray: Gray
    equivalent_mm: float
    lean_deg: float
    turn_deg: float
    others: tuple[tuple[float, float], ...] = ()


def drawn_base(number: int, *, true: bool = False) -> Base:
    """A picture by tests/support/synthetic.py, the same for the same number; true: so is its mirror, to 0.08°."""
    rng = np.random.default_rng([7, number])
    sheet = SHEETS[("a5", "a6", "a5", "a4", "letter")[number % 5]]
    reach = sheet.width_mm / 200
    lean, turn = rng.uniform(-0.08, 0.08, 2) if true else (rng.uniform(-2, 2), rng.uniform(-3, 3))
    width = int(rng.choice([800, 1000, 1200]))
    camera_mm = np.array([rng.uniform(-120, 120), -rng.uniform(380, 520), rng.uniform(200, 340)]) * reach
    mirror = degrees_mirror(lean, turn, float(rng.uniform(5, 60) * reach), float(rng.choice([0, 3, 4, 6])))
    gray, _ = synthetic_photo(
        sheet,
        camera_mm,
        [mirror],
        size=(width, width * 3 // 4),
        blur=float(rng.uniform(0.5, 0.9)),
        noise=float(rng.uniform(0.004, 0.015)),
        rng=rng,
        mirror_size_mm=(300.0 * reach, 200.0 * reach),
    )
    return Base(gray, 26.0, float(lean), float(turn))


def sample_bases() -> list[Base]:
    """The sample photos with a truth and one mirror, made smaller."""
    bases = []
    for path in sorted(SAMPLES.glob("*.truth.json")):
        truth = json.loads(path.read_text(encoding="utf-8"))
        if len(truth.get("mirrors", [])) != 1 or not truth.get("sheet"):
            continue
        photo = path.with_name(path.name.replace(".truth.json", ".jpg"))
        gray = cv2.imread(str(photo), cv2.IMREAD_GRAYSCALE)  # turned upright as EXIF says
        factor = REDUCED_PX / max(gray.shape)
        small = cv2.resize(gray, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA)
        mirror = truth["mirrors"][0]
        bases.append(Base(np.asarray(small, np.uint8), 26.0, mirror["lean_deg"], mirror["turn_deg"]))
    return bases


def _crop(gray: Gray, rng: np.random.Generator) -> Gray:
    height, width = gray.shape
    left, right = sorted(rng.uniform(0, 1, 2) * np.array([0.35, 0.35]))
    top, bottom = rng.uniform(0, 0.35, 2)
    part = gray[int(top * height) : height - int(bottom * height), int(left * width) : width - int(right * width)]
    return np.ascontiguousarray(part)


def _blur(gray: Gray, rng: np.random.Generator) -> Gray:
    return np.asarray(cv2.GaussianBlur(gray, (0, 0), rng.uniform(0.5, 4.0)), np.uint8)


def _motion(gray: Gray, rng: np.random.Generator) -> Gray:
    length, angle = rng.uniform(2, 12), rng.uniform(0, np.pi)
    size = int(length) * 2 + 3
    kernel = np.zeros((size, size), np.float32)
    along = np.array([np.cos(angle), np.sin(angle)]) * length / 2
    ends = [tuple(int(v) for v in np.round(((size - 1) / 2 + sign * along) * 16)) for sign in (-1, 1)]
    cv2.line(kernel, ends[0], ends[1], 1.0, 1, cv2.LINE_8, 4)
    return np.asarray(cv2.filter2D(gray, -1, kernel / kernel.sum()), np.uint8)


def _noise(gray: Gray, rng: np.random.Generator) -> Gray:
    grain = rng.normal(0, rng.uniform(3, 45), gray.shape)
    return np.clip(gray + grain, 0, 255).astype(np.uint8)


def _specks(gray: Gray, rng: np.random.Generator) -> Gray:
    spoiled = gray.copy()
    where = rng.random(gray.shape) < rng.uniform(0.001, 0.05)
    spoiled[where] = rng.choice([0, 255], int(where.sum())).astype(np.uint8)
    return spoiled


def _cover(gray: Gray, rng: np.random.Generator) -> Gray:
    spoiled = gray.copy()
    for _ in range(int(rng.integers(1, 4))):
        centre = rng.uniform(0.1, 0.9, 2) * gray.shape[::-1]
        axes = rng.uniform(0.02, 0.2, 2) * gray.shape[::-1]
        shade, angle = int(rng.integers(0, 256)), float(rng.uniform(0, 180))
        place, reach = tuple(int(v) for v in centre), tuple(int(v) for v in axes)
        cv2.ellipse(spoiled, place, reach, angle, 0, 360, shade, -1, cv2.LINE_AA)
    return spoiled


def _glare(gray: Gray, rng: np.random.Generator) -> Gray:
    y, x = np.indices(gray.shape)
    centre, reach = rng.uniform(0.1, 0.9, 2) * gray.shape, rng.uniform(0.03, 0.25) * max(gray.shape)
    light = 255 * np.exp(-((x - centre[1]) ** 2 + (y - centre[0]) ** 2) / (2 * reach**2))
    return np.clip(gray + rng.uniform(0.4, 1.5) * light, 0, 255).astype(np.uint8)


def _stretch(gray: Gray, rng: np.random.Generator) -> Gray:
    factor = float(np.exp(rng.choice([-1, 1]) * rng.uniform(0.01, 0.12)))
    across = bool(rng.integers(2))
    size = {"fx": factor, "fy": 1.0} if across else {"fx": 1.0, "fy": factor}
    return np.asarray(cv2.resize(gray, None, interpolation=cv2.INTER_CUBIC, **size), np.uint8)


def _shear(gray: Gray, rng: np.random.Generator) -> Gray:
    slope = float(rng.choice([-1, 1]) * rng.uniform(0.005, 0.06))
    matrix = np.array([[1, slope, -slope * gray.shape[0] / 2], [0, 1, 0]])
    return np.asarray(cv2.warpAffine(gray, matrix, gray.shape[::-1], borderValue=90), np.uint8)


def _other_markers(gray: Gray, rng: np.random.Generator) -> Gray:
    """Pieces of other prints, or of the same one elsewhere, stuck over the picture."""
    spoiled = gray.copy()
    for _ in range(int(rng.integers(1, 5))):
        sheet = sheet_named(str(rng.choice(["card", "a6", "a5", "a4", "letter"])))
        ink = raster(sheet, int(rng.integers(10, 40)))
        if rng.integers(2):
            ink = ink[:, ::-1]
        tall, wide = (int(min(rng.uniform(0.1, 0.9) * n, ink.shape[k])) for k, n in enumerate(gray.shape))
        row, column = int(rng.integers(ink.shape[0] - tall + 1)), int(rng.integers(ink.shape[1] - wide + 1))
        piece = np.rot90(ink[row : row + tall, column : column + wide], int(rng.integers(4)))
        tall, wide = (min(n, m) for n, m in zip(piece.shape, gray.shape, strict=True))
        y, x = int(rng.integers(gray.shape[0] - tall + 1)), int(rng.integers(gray.shape[1] - wide + 1))
        share = rng.uniform(0.2, 0.7)
        height, width = max(int(tall * share), 8), max(int(wide * share), 8)
        piece = piece[: min(height, tall), : min(width, wide)]
        spoiled[y : y + piece.shape[0], x : x + piece.shape[1]] = 25 + (piece * 0.8).astype(np.uint8)
    return spoiled


def _twice(gray: Gray, rng: np.random.Generator) -> Gray:
    """A part of the picture once more somewhere else."""
    tall, wide = (int(n * rng.uniform(0.1, 0.4)) for n in gray.shape)
    rows, columns = (rng.integers(0, n - m + 1, 2) for n, m in zip(gray.shape, (tall, wide), strict=True))
    spoiled = gray.copy()
    spoiled[rows[1] : rows[1] + tall, columns[1] : columns[1] + wide] = gray[
        rows[0] : rows[0] + tall, columns[0] : columns[0] + wide
    ]
    return spoiled


def _tone(gray: Gray, rng: np.random.Generator) -> Gray:
    curve = 255 * (np.arange(256) / 255) ** rng.uniform(0.3, 3.0) * rng.uniform(0.15, 1.3)
    return np.clip(curve, 0, 255).astype(np.uint8)[gray]


def _mosaic(gray: Gray, rng: np.random.Generator) -> Gray:
    factor = rng.uniform(0.25, 0.8)
    small = cv2.resize(gray, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA)
    method = int(rng.choice([cv2.INTER_NEAREST, cv2.INTER_LINEAR]))
    return np.asarray(cv2.resize(small, gray.shape[::-1], interpolation=method), np.uint8)


def _smaller(gray: Gray, rng: np.random.Generator) -> Gray:
    factor = rng.uniform(0.4, 0.95)
    return np.asarray(cv2.resize(gray, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA), np.uint8)


def _saved_badly(gray: Gray, rng: np.random.Generator) -> Gray:
    _, data = cv2.imencode(".jpg", gray, [cv2.IMWRITE_JPEG_QUALITY, int(rng.integers(8, 60))])
    return np.asarray(cv2.imdecode(data, cv2.IMREAD_GRAYSCALE), np.uint8)


def _turned(gray: Gray, rng: np.random.Generator) -> Gray:
    if rng.integers(2):
        return np.ascontiguousarray(np.rot90(gray, int(rng.integers(1, 4))))
    matrix = cv2.getRotationMatrix2D((gray.shape[1] / 2, gray.shape[0] / 2), rng.uniform(-40, 40), 1.0)
    return np.asarray(cv2.warpAffine(gray, matrix, gray.shape[::-1], borderValue=90), np.uint8)


def _mirrored(gray: Gray, rng: np.random.Generator) -> Gray:
    return np.ascontiguousarray(gray[:, ::-1] if rng.integers(2) else gray[::-1])


def _framed(gray: Gray, rng: np.random.Generator) -> Gray:
    """A screenshot: bars about the picture."""
    top, bottom, left, right = (int(v) for v in rng.integers(0, 150, 4))
    shade = int(rng.choice([0, 255]))
    framed = cv2.copyMakeBorder(gray, top, bottom, left, right, cv2.BORDER_CONSTANT, value=shade)
    return np.asarray(framed, np.uint8)


def _lost_rows(gray: Gray, rng: np.random.Generator) -> Gray:
    """As a broken transfer leaves it: grey from somewhere on, or a band shifted sideways."""
    row = int(rng.uniform(0.2, 0.95) * gray.shape[0])
    spoiled = gray.copy()
    if rng.integers(2):
        spoiled[row:] = 128
    else:
        spoiled[row:] = np.roll(spoiled[row:], int(rng.integers(1, 60)), axis=1)
    return spoiled


Corruption = Callable[[Gray, np.random.Generator], Gray]
CORRUPTIONS: dict[str, Corruption] = {
    "crop": _crop,
    "blur": _blur,
    "motion": _motion,
    "noise": _noise,
    "specks": _specks,
    "cover": _cover,
    "glare": _glare,
    "stretch": _stretch,
    "shear": _shear,
    "other markers": _other_markers,
    "twice": _twice,
    "tone": _tone,
    "mosaic": _mosaic,
    "smaller": _smaller,
    "saved badly": _saved_badly,
    "turned": _turned,
    "mirrored": _mirrored,
    "framed": _framed,
    "lost rows": _lost_rows,
}


def corrupted(base: Base, rng: np.random.Generator) -> tuple[Gray, tuple[str, ...]]:
    """The picture after one to three corruptions, and their names."""
    count = int(rng.choice([1, 2, 3], p=[0.6, 0.3, 0.1]))
    names = tuple(str(name) for name in rng.choice(list(CORRUPTIONS), count, replace=False))
    gray = base.gray
    for name in names:
        gray = CORRUPTIONS[name](gray, rng)
    return gray, names

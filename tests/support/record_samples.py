"""Installations to test records with: made-up answers on small pictures, or real checks of photos."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from align.checking.result import CheckResult
from align.records.contents import CheckEntry
from align.records.entry import Entry
from align.records.job import add_entry, start_record
from tests.support.answers import about, made_answer, made_mirror
from tests.support.places import SAMPLES

#: From false to true: the sample photos of the three checks, and the one of lamps.
CHECKED, LAMPS = ("arcade_leaning", "arcade_lamps", "arcade_true"), "arcade_lamps"
MIRROR_SIZE_MM = (300.0, 150.0)
INSTALLATION = """\
format = "align-installation-1"
name = "Harbour street"
place = "A small museum, showcase 3"
when = 2024-05-14
notes = \"\"\"
The street runs under an arcade and ends in the mirror.

Cleaned with a soft brush only.
\"\"\"
[mirror]
name = "arcade mirror"
width_mm = 300
height_mm = 150
glass_mm = 4
mount = "wall"
shims_fitted = "2.0 + 0.5 behind the bottom left corner, 1.5 behind the bottom right one"
"""
GLASS_ANSWER: dict[str, Any] = {
    "format": "align-glass-1",
    "glass": {
        "verdict": "back-silvered",
        "thickness_mm": {"value": 3.96, "low": 3.86, "high": 4.06},
        "source": "measured",
    },
    "reason": "Two ghosts flank the main image of each lamp at equal distances, about equally bright.",
    "lamps": [
        {
            "position": [1200.0, 900.0],
            "ghosts": [
                {"order": 0, "position": [1200.0, 890.0], "ratio": 0.051},
                {"order": 2, "position": [1200.0, 910.0], "ratio": 0.043},
            ],
        }
    ],
}


def small_photo(path: Path, seed: int = 0, size: tuple[int, int] = (640, 480)) -> Path:
    """A JPEG with some texture."""
    rng = np.random.default_rng(seed)
    coarse = rng.integers(60, 200, (12, 16, 3), dtype=np.uint8)
    cv2.imwrite(str(path), cv2.resize(coarse, size, interpolation=cv2.INTER_CUBIC))
    return path


def png_of(path: Path) -> bytes:
    """The picture of a photo, as a drawing of an answer would come."""
    return cv2.imencode(".png", cv2.imread(str(path)))[1].tobytes()


def made_check(lean_deg: float, turn_deg: float, half_deg: float = 0.02, **options: Any) -> CheckResult:
    """A made-up answer about one mirror of known size."""
    return made_answer(made_mirror(lean_deg, turn_deg, half_deg, mirror_size_mm=MIRROR_SIZE_MM), **options)


def add_made(folder: Path, photo: Path, answer: CheckResult | dict[str, Any], **settings: Any) -> Path:
    """An entry of a made-up answer, with a picture that is the photo itself."""
    raw = answer if isinstance(answer, dict) else answer.to_json()
    return add_entry(folder, raw, settings=settings, photos=[photo], pictures=[png_of(photo)])


def made_record(folder: Path, answers: list[CheckResult | dict[str, Any]] | None = None) -> Path:
    """A record of made-up answers: three checks from false to true and one glass photo, or those given."""
    if answers is None:
        checks = [made_check(0.62, -0.35), made_check(0.21, 0.12), made_check(0.02, -0.01)]
        answers = [*checks, GLASS_ANSWER]
    folder.mkdir(parents=True, exist_ok=True)
    for number, answer in enumerate(answers):
        add_made(folder, small_photo(folder.parent / f"IMG_{number + 1}.jpg", number), answer)
    (folder / "installation.toml").write_text(INSTALLATION, encoding="utf-8")
    return folder


def checked_record(folder: Path, photos: list[Path], lamps: Path) -> Path:
    """A record of real checks, and a real glass answer on a photo of lamps."""
    from align.checking.job import check
    from align.ghosts.job import glass_of

    start_record(folder)
    (folder / "installation.toml").write_text(INSTALLATION, encoding="utf-8")
    for photo in photos:
        add_entry(folder, check(photo, mirror_size_mm=MIRROR_SIZE_MM), settings={"mirror": list(MIRROR_SIZE_MM)})
    add_entry(folder, glass_of([lamps]), settings={}, photos=[lamps])
    return folder


def photos_from_false_to_true(folder: Path) -> tuple[list[Path], Path]:
    """Three photos to check and one of lamps: the samples where they are, else made-up ones."""
    samples = [SAMPLES / f"{name}.jpg" for name in (*CHECKED, LAMPS)]
    if all(sample.is_file() for sample in samples):
        return samples[:-1], samples[-1]
    from tests.support.synthetic import SHEETS, degrees_mirror, synthetic_photo, write_photo

    made = []
    for number, (lean, turn) in enumerate([(0.62, -0.35), (0.21, 0.12), (0.02, -0.01)]):
        eye = (60 - 8 * number, -500, 280 + 5 * number)
        mirror = degrees_mirror(lean, turn, 40.0, 4.0)
        pixels, _ = synthetic_photo(SHEETS["a5"], eye, [mirror], mirror_size_mm=MIRROR_SIZE_MM)
        made.append(write_photo(folder / f"IMG_{number + 1}.jpg", pixels))
    return made, made[1]


def copy_entry(entry: Path, number: int) -> Path:
    """The same entry again under another name and a later date: quick to make many of."""
    stamp = f"202505{1 + number // 24:02d}T{number % 24:02d}0000.000000Z"
    copy = entry.parent / f"{stamp}-check-{number:06x}"
    shutil.copytree(entry, copy)
    raw = json.loads((copy / "entry.json").read_text(encoding="utf-8"))
    raw["date"] = f"2025-05-{1 + number // 24:02d}T{number % 24:02d}:00:00+00:00"
    for mirror in raw["result"]["mirrors"]:
        lean = 0.6 * 0.9**number
        mirror["lean_deg"] = about(lean, 0.02).to_json()
    (copy / "entry.json").write_text(json.dumps(raw), encoding="utf-8")
    return copy


def entry_of(result: CheckResult, number: int, settings: dict[str, object] | None = None) -> CheckEntry:
    """A check as a record holds it, without files."""
    date = f"2024-05-{number:02d}T10:00:00+02:00"
    return CheckEntry(number, Entry("e", Path(), "check", date, "", settings or {}, {}, (), {}), result)

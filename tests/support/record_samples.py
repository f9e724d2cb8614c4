"""Installations to test records with: made-up answers on small pictures, or real checks of photos."""

from __future__ import annotations

import datetime
import json
import shutil
from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from align.checking.result import CheckResult
from align.checking.settings import Mount
from align.records.contents import Record, record_of
from align.records.entry import Entry, own_sum
from align.records.entry_folders import remove_entry
from align.records.installation import Installation
from align.records.job import add_entry, start_record
from align.records.mirror_part import CheckEntry, MirrorPart
from align.records.notes import write_note
from align.records.timeline import Moment
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
    """The same entry again with another number and a later date: quick to make many of."""
    copy = entry.parent / f"entry-{number + 2:04d}"
    shutil.copytree(entry, copy)
    raw = json.loads((copy / "entry.json").read_text(encoding="utf-8"))
    raw["date"] = f"2025-05-{1 + number // 24:02d}T{number % 24:02d}:00:00+00:00"
    for mirror in raw["result"]["mirrors"]:
        lean = 0.6 * 0.9**number
        mirror["lean_deg"] = about(lean, 0.02).to_json()
    write_changed(copy, raw)
    return copy


def write_changed(entry: Path, raw: dict[str, Any]) -> None:
    """Write an entry's text anew, with the checksum that fits: as if the program had written it so."""
    raw = {**raw, "own_sha256": own_sum(raw)}
    (entry / "entry.json").write_text(json.dumps(raw), encoding="utf-8")


def entry_of(result: CheckResult, number: int, settings: dict[str, object] | None = None) -> CheckEntry:
    """A check as a record holds it, without files, one a day."""
    day = datetime.date(2024, 5, 1) + datetime.timedelta(days=number - 1)
    date = f"{day.isoformat()}T10:00:00+02:00"
    entry = Entry("e", Path(), "check", date, "", settings or {}, {}, (), {})
    return CheckEntry(number, entry, Moment(entry.checked, "check", entry.checked), result)


def record_with(installation: Installation, checks: list[CheckEntry]) -> Record:
    """A record of checks without files."""
    return record_of(installation, [(item.number, item.entry, item.result) for item in checks])


def part_with(installation: Installation, checks: list[CheckEntry]) -> MirrorPart:
    """The first mirror of such a record."""
    return record_with(installation, checks).parts[0]


TWO_MIRRORS = """\
format = "align-installation-1"
name = "Harbour street"
place = "A small museum, showcase 3"
when = 2024-11-02

[[mirror]]
name = "arcade mirror"
width_mm = 300
height_mm = 150
glass_mm = 4
want_turn_deg = 12
sheet = "a5"
shims_fitted = "1.5 + 0.25 behind the top left corner"

[[mirror]]
name = "yard mirror"
width_mm = 200
height_mm = 120
mount = "foot"
foot_depth_mm = 40
sheet = "a6"
"""
#: Twelve entries over two years: days after 2 November 2024, mirror, lean and turn [deg]; the fifth is taken out.
COURSE = (
    *((0, "arcade mirror", 0.62, 12.4), (0, "yard mirror", -0.4, 0.2), (1, "arcade mirror", 0.02, 12.01)),
    *((2, "yard mirror", 0.03, -0.01), (90, "arcade mirror", 1.9, 13.0), (91, "arcade mirror", 0.03, 12.0)),
    *((200, "yard mirror", 0.02, 0.0), (260, "arcade mirror", 0.05, 11.99), (380, "arcade mirror", 0.07, 12.02)),
    *((381, "yard mirror", 0.03, 0.02), (560, "arcade mirror", 0.11, 12.01), (730, "arcade mirror", 0.14, 12.0)),
)


def dated_photo(path: Path, seed: int, taken: datetime.datetime) -> Path:
    """A small JPEG with its date, as a camera writes it."""
    from PIL import Image

    small_photo(path, seed)
    exif = Image.Exif()
    exif[0x8769] = {0x9003: taken.strftime("%Y:%m:%d %H:%M:%S")}
    with Image.open(path) as image:
        image.save(path, exif=exif)
    return path


def two_mirror_record(folder: Path) -> Path:
    """Two mirrors, twelve entries over two years of which one was taken out, and a note that was put right."""
    folder.mkdir(parents=True)
    (folder / "installation.toml").write_text(TWO_MIRRORS, encoding="utf-8")
    begin = datetime.datetime(2024, 11, 2, 10, 0, 0)
    for number, (day, name, lean, turn) in enumerate(COURSE, 1):
        taken = begin + datetime.timedelta(days=day, minutes=7 * number)
        photo = dated_photo(folder.parent / f"IMG_{number}.jpg", number, taken)
        want, size = (12.0, (300.0, 150.0)) if name == "arcade mirror" else (0.0, (200.0, 120.0))
        mount = Mount() if name == "arcade mirror" else Mount("foot", 40.0)
        mirror = made_mirror(lean, turn, 0.02, want_turn_deg=want, mirror_size_mm=size, mount=mount)
        entry = add_entry(
            folder,
            replace(made_answer(mirror), sheet="a5" if name == "arcade mirror" else "a6").to_json(),
            settings={},
            photos=[photo],
            pictures=[png_of(photo)],
            mirrors=[name],
        )
        raw = json.loads((entry / "entry.json").read_text(encoding="utf-8"))
        checked = taken + datetime.timedelta(days=0 if number % 4 else 6)
        write_changed(entry, {**raw, "date": f"{checked.isoformat()}+01:00"})
    write_note(folder, 5, "the sheet had slipped")
    remove_entry(folder, 5)
    write_note(folder, 8, "after the heating was repared")
    write_note(folder, 8, "after the heating was repaired")
    return folder

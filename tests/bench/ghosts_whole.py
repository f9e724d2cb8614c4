"""Whole photos of lamps before mirrors, sheet and all, rendered by Mitsuba and answered by `align glass`.

    python -m tests.bench.ghosts_whole FOLDER [NUMBER ...]

Half the size of a 12-megapixel photo, so that they are cheap. FOLDER/whole.jsonl has the answers.
"""

from __future__ import annotations

import json
import sys
import time
from pathlib import Path

import numpy as np

from align.ghosts.job import glass_of
from tests.rendering.framing import phone_camera
from tests.rendering.phone import PhoneSpec, develop, save
from tests.rendering.photograph import linear_picture
from tests.rendering.spec import Lamp, Mirror, SceneSpec

HERE = Path(__file__).resolve().parent


SIZE_PX = (2016, 1512)
THICKNESSES_MM = (0.0, 0.0, 3.0, 6.0, 0.0, 4.0)
#: High enough for their reflections to stand above the sheet's.
LAMPS = (
    Lamp((-62.0, 16.0, 112.0), 1.5, 4.0),
    Lamp((40.0, 22.0, 122.0), 1.3, 4.0),
    Lamp((-8.0, 26.0, 134.0), 1.1, 4.0),
)
#: The white paper's light in each of two exposures: dark ones, so that the lamps are not much more than white.
WHITES = (0.15, 0.04)


def spec_of(number: int) -> SceneSpec:
    """A bare grey floor, a mirror 40 mm behind the sheet, three lamps."""
    rng = np.random.default_rng([71, number])
    mirror = Mirror(40.0, rng.normal(0, 0.5), rng.normal(0, 1.0), THICKNESSES_MM[number % 6], 320.0, 190.0)
    view = (rng.uniform(400, 470), rng.uniform(28, 36), rng.uniform(-12, 12))
    camera = phone_camera((0.0, -20.0, 25.0), *view, rng=rng, size_px=SIZE_PX)
    return SceneSpec(camera, (mirror,), lamps=LAMPS, day=0.35, seed=number)


def run(folder: Path, numbers: list[int]) -> None:
    """Render what is missing, answer, and note it."""
    for number in numbers:
        paths = [folder / f"whole_{number}_{white}.jpg" for white in WHITES]
        if not all(path.exists() for path in paths):
            radiance = linear_picture(spec_of(number), grid=3, light_rays=128)
            for path, white in zip(paths, WHITES, strict=True):
                phone = PhoneSpec(white=white)
                save(develop(radiance, phone, number), path, phone)
        for photos in ([paths[0]], [paths[1]], paths):
            started = time.process_time()
            answer = glass_of(photos).to_json()
            answer |= {"number": number, "true_mm": THICKNESSES_MM[number % 6]}
            answer["seconds"] = time.process_time() - started
            with (folder / "whole.jsonl").open("a") as out:
                out.write(json.dumps(answer) + "\n")
            names = [path.name for path in photos]
            print(names, answer["true_mm"], answer["glass"], answer["limit_ratio"], answer["reason"], flush=True)


if __name__ == "__main__":
    run(Path(sys.argv[1]), [int(word) for word in sys.argv[2:]] or list(range(6)))

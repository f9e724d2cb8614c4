"""Write seeded random photos of known truth: python -m tests.rendering.make_accuracy_set OUTDIR [N] [FIRST]

Plain floor, 4032x3024, glass of 0, 2, 3, 4 or 6 mm, lean and turn within 3 degrees, 5 to 200 mm from it.
"""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np

from align.target.sheets import sheet_named
from tests.rendering.framing import framing_of, phone_camera
from tests.rendering.phone import PhoneSpec
from tests.rendering.photograph import photograph
from tests.rendering.spec import Mirror, SceneSpec

SHEETS = ("a5", "a6", "a4", "letter", "card")
THICKNESSES_MM = (0.0, 2.0, 3.0, 4.0, 6.0)
SMALLEST_SQUARE_PX = 12.0


def random_scene(number: int) -> SceneSpec:
    """Scene `number`: the same every time, always complete and large enough to read."""
    rng = np.random.default_rng([20240514, number])
    while True:
        spec = _draw(rng, number)
        framing = framing_of(spec)
        if framing.complete and framing.reflected_square_px >= SMALLEST_SQUARE_PX:
            return spec


def _draw(rng: np.random.Generator, number: int) -> SceneSpec:
    sheet = sheet_named(SHEETS[number % len(SHEETS)])
    reach = sheet.width_mm / 200
    mirror = Mirror(
        distance_mm=float(np.exp(rng.uniform(np.log(5), np.log(200)))),
        lean_deg=float(rng.uniform(-3, 3)),
        turn_deg=float(rng.uniform(-3, 3)),
        thickness_mm=THICKNESSES_MM[(number + number // 5) % len(THICKNESSES_MM)],
        width_mm=sheet.width_mm * 1.7,
        height_mm=150 * reach + 40,
    )
    aim = (float(rng.uniform(-20, 20)), float(rng.uniform(-60, 10)) * reach, 0.0)
    camera = phone_camera(
        aim,
        float(rng.uniform(380, 620)) * max(reach, 0.45),
        float(rng.uniform(22, 48)),
        float(rng.uniform(-22, 22)),
        rng=rng,
        roll_deg=float(rng.uniform(-4, 4)),
    )
    return SceneSpec(camera, (mirror,), sheet.name, seed=number, note="random scene for accuracy checks")


def main() -> None:
    """Command line."""
    folder = Path(sys.argv[1])
    count = int(sys.argv[2]) if len(sys.argv) > 2 else 14
    first = int(sys.argv[3]) if len(sys.argv) > 3 else 0
    folder.mkdir(parents=True, exist_ok=True)
    for number in range(first, first + count):
        phone = replace(PhoneSpec(), blur_px=0.5 + 0.05 * (number % 7), quality=90)
        photograph(random_scene(number), folder / f"acc_{number:02d}.jpg", phone, grid=3, light_rays=256)


if __name__ == "__main__":
    main()

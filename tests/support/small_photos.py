"""Small photos of a mirror as a phone would send them, drawn quickly from known truth."""

from __future__ import annotations

import functools
import io

import numpy as np

from align.target.sheets import SHEETS
from tests.support.synthetic import EQUIVALENT_MM, degrees_mirror, synthetic_photo

SIZE = (1200, 900)


@functools.cache
def photo_of_mirror(
    lean_deg: float, turn_deg: float, seed: int = 0, *, equivalent_mm: float | None = EQUIVALENT_MM
) -> bytes:
    """A JPEG of the sheet before a mirror, from a place that depends on the seed."""
    from PIL import Image

    rng = np.random.default_rng(seed)
    eye = (float(rng.uniform(-90, 90)), float(rng.uniform(-520, -440)), float(rng.uniform(240, 310)))
    pixels, _ = synthetic_photo(SHEETS["a5"], eye, [degrees_mirror(lean_deg, turn_deg)], size=SIZE, rng=rng)
    exif = Image.Exif()
    if equivalent_mm is not None:
        exif[0x8769] = {0xA405: round(equivalent_mm)}
    file = io.BytesIO()
    Image.fromarray(pixels).save(file, "JPEG", quality=95, exif=exif)
    return file.getvalue()

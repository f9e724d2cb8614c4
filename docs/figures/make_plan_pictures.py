"""Draw the pictures of docs/planning.md: python docs/figures/make_plan_pictures.py

They are those of `align plan sample_images/harbour_street.toml --out FOLDER`, made smaller; and what an adult
sees of sample_images/harbour_passage.toml, clothed with its photos.
"""

from __future__ import annotations

import tempfile
from pathlib import Path

import numpy as np
from PIL import Image

from align.planning.clothes.job import clothe
from align.planning.clothes.places import two_places
from align.planning.job import plan
from align.planning.pictures.sheets import draw_plan

HERE = Path(__file__).parent
SAMPLES = HERE.parent.parent / "sample_images"
SCENE = SAMPLES / "harbour_street.toml"
WIDTH_PX = 860


def as_it_will_look() -> None:
    """With the mirrors above, without below."""
    clothed = clothe(SAMPLES / "harbour_passage.toml", sorted((SAMPLES / "harbour_photos").glob("*.jpg")))
    pair = clothed.seen_from(two_places(clothed.scene)[0].at_mm, 1405.0, columns=WIDTH_PX, finer=3)
    pixels = np.concatenate([sight.pixels for sight in pair])
    Image.fromarray(pixels).save(HERE / "plan_as_it_will_look.jpg", quality=82, optimize=True)


def main() -> None:
    """Draw, reduce and write them."""
    as_it_will_look()
    with tempfile.TemporaryDirectory() as folder:
        for path in draw_plan(plan(SCENE), Path(folder)):
            if path.suffix == ".png":
                picture = Image.open(path).convert("RGB")
                height = round(picture.height * WIDTH_PX / picture.width)
                picture.resize((WIDTH_PX, height), Image.Resampling.LANCZOS).save(HERE / path.name)


if __name__ == "__main__":
    main()

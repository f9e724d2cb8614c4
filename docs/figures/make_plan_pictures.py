"""Draw the pictures of docs/planning.md: python docs/figures/make_plan_pictures.py

They are those of `align plan sample_images/harbour_street.toml --out FOLDER`, made smaller.
"""

from __future__ import annotations

import tempfile
from pathlib import Path

from PIL import Image

from align.planning.job import plan
from align.planning.pictures.sheets import draw_plan

HERE = Path(__file__).parent
SCENE = HERE.parent.parent / "sample_images" / "harbour_street.toml"
WIDTH_PX = 860


def main() -> None:
    """Draw, reduce and write them."""
    with tempfile.TemporaryDirectory() as folder:
        for path in draw_plan(plan(SCENE), Path(folder)):
            if path.suffix == ".png":
                picture = Image.open(path).convert("RGB")
                height = round(picture.height * WIDTH_PX / picture.width)
                picture.resize((WIDTH_PX, height), Image.Resampling.LANCZOS).save(HERE / path.name)


if __name__ == "__main__":
    main()

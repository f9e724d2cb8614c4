"""Make the pictures of answers in README and docs: python -m docs.figures.make_answer_pictures

The README's answer, `align glass` on the sample with lamps, and the page of a record of the samples before and
after packing. Reduced in width and in colours, as they are for reading and not for measuring.
"""

from __future__ import annotations

import io
import tempfile
from pathlib import Path

from PIL import Image

from align.checking.job import check
from align.checking.picture import draw_check
from align.checking.wording import CORNER_WORDS, stack_words
from align.drawing.palette import GREEN, ORANGE, PURPLE, SKY_BLUE, WHITE, YELLOW
from align.ghosts.job import glass_of
from align.ghosts.picture import draw_glass
from align.records.job import add_entry, make_page, start_record
from tests.support.browser import SCREENS, Browser
from tests.support.browser import chromium_path as chromium
from tests.support.places import SAMPLES

HERE = Path(__file__).parent
MIRROR_SIZE_MM = (300.0, 150.0)
COLOURS = 255
#: So much of the record's page is shown [CSS px].
PAGE_HEIGHT = 2200
INSTALLATION = """\
format = "align-installation-1"
name = "Harbour street"
place = "A small museum, showcase 3"
[mirror]
name = "arcade mirror"
width_mm = 300
height_mm = 150
mount = "wall"
exact_print = true
shims_fitted = "{fitted}"
"""


def saved(picture: Image.Image, name: str, width: int) -> None:
    """Write a picture, reduced to a width."""
    size = (width, round(picture.height * width / picture.width))
    small = picture.convert("RGB").resize(size, Image.Resampling.LANCZOS)
    # Thin lines are few pixels: without a place of their own, yellow edges would be shown as orange ones.
    ours = [channel for colour in (YELLOW, ORANGE, SKY_BLUE, PURPLE, GREEN, WHITE) for channel in colour]
    few = small.quantize(COLOURS - len(ours) // 3, Image.Quantize.MEDIANCUT, dither=Image.Dither.NONE)
    palette = Image.new("P", (1, 1))
    palette.putpalette([*(few.getpalette() or []), *ours])
    small.quantize(palette=palette, dither=Image.Dither.NONE).save(HERE / name, optimize=True)


def record_page(folder: Path) -> Path:
    """The page of a record: out of true, packed as asked for, true."""
    start_record(folder)
    before, after = (
        check(SAMPLES / f"{name}_packing.jpg", mirror_size_mm=MIRROR_SIZE_MM, exact_print=True)
        for name in ("before", "after")
    )
    stacks = [
        f"{stack_words(shim)} behind the {CORNER_WORDS[shim.place]} corner"
        for shim in before.mirrors[0].shims.shims
        if shim.is_needed
    ]
    (folder / "installation.toml").write_text(INSTALLATION.format(fitted=", ".join(stacks)), encoding="utf-8")
    for result in (before, after):
        add_entry(folder, result, settings=result.settings.to_json())
    return make_page(folder)


if __name__ == "__main__":
    answer = check(SAMPLES / "arcade_leaning.jpg", mirror_size_mm=MIRROR_SIZE_MM)
    saved(Image.fromarray(draw_check(answer)), "check_answer.png", 860)
    saved(Image.fromarray(draw_glass(glass_of([SAMPLES / "arcade_lamps.jpg"]))), "glass_lamps.png", 800)
    with tempfile.TemporaryDirectory() as place, Browser(chromium() or "") as browser:
        browser.show(record_page(Path(place) / "record"), SCREENS["desktop"])
        shot = Image.open(io.BytesIO(browser.screenshot()))
        saved(shot.crop((80, 0, shot.width - 80, min(PAGE_HEIGHT, shot.height))), "record_page.png", 700)

"""Two mirrors in one photo of lamps, one of glass and one front-coated: each gets its own answer."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from align.ghosts.job import glass_of
from align.ghosts.text import glass_text
from align.target.sheets import SHEETS
from tests.rendering.flat_world import Bulb, Patch, World, image_px, picture_of
from tests.rendering.lamp_scenes import Finish, developed, sheet_patch
from tests.rendering.phone import FULL_FRAME_DIAGONAL_MM
from tests.rendering.spec import Mirror, RenderCamera

SIZE_PX = (2400, 1800)
EQUIVALENT_MM = 26
#: Turned towards each other, 32 mm apart in the middle: each shows the whole sheet and all lamps.
LEFT = Mirror(40.0, 0.3, 30.0, 4.0, width_mm=170.0, height_mm=220.0, x_mm=-90.0)
RIGHT = Mirror(40.0, -0.2, -30.0, 0.0, width_mm=170.0, height_mm=220.0, x_mm=90.0)
LAMPS_MM = ((-38.0, -30.0, 40.0), (5.0, -62.0, 55.0), (41.0, -18.0, 33.0))


def world() -> World:
    """A6 sheet on grey ground, three small lamps, both mirrors; dim light."""
    focal = EQUIVALENT_MM / FULL_FRAME_DIAGONAL_MM * float(np.hypot(*SIZE_PX))
    camera = RenderCamera((10.0, -400.0, 270.0), (0.0, 20.0, 20.0), SIZE_PX, focal)
    ground = Patch(
        np.array([-700.0, -700.0, 0]), np.array([1400.0, 0, 0]), np.array([0, 1400.0, 0]),
        np.full((8, 8), 0.15, np.float32),
    )  # fmt: skip
    bulbs = [Bulb(np.array(place), 1.2 * np.eye(3), 5.0, (1.0, 0.9, 0.7)) for place in LAMPS_MM]
    patches = [ground, sheet_patch(SHEETS["a6"], (1.0, 1.0, 1.0))]
    return World(camera, LEFT, patches, bulbs, (0.05, 0.05, 0.06), 0.25, (RIGHT,))


def two_mirror_photo() -> np.ndarray:
    """(h, w, 3) code values."""
    return developed(picture_of(world()), Finish(0.2, 0.9, 0.0, 0.01, 0.002, True, 0.0, True, 92), 5)


def save(codes: np.ndarray, path: Path) -> Path:
    """As a JPEG that names its lens."""
    exif = Image.Exif()
    exif[0x8769] = {0xA405: EQUIVALENT_MM}
    Image.fromarray(codes).save(path, "JPEG", quality=92, exif=exif)
    return path


@pytest.mark.slow
def test_each_mirror_has_its_own_lamps_and_its_own_answer(tmp_path: Path) -> None:
    """4 mm glass on the left to 0.1 mm, none on the right; no reflection is given to the other mirror."""
    result = glass_of(save(two_mirror_photo(), tmp_path / "corner.jpg"))
    (other,) = result.other_mirrors
    thickness = result.glass.thickness_mm
    assert (result.glass.verdict, other.glass.verdict) == ("back-silvered", "front-coated")
    assert thickness is not None
    assert thickness.low < 4.0 < thickness.high
    assert thickness.value == pytest.approx(4.0, abs=0.1)
    for answer, mirror in ((result, LEFT), (other, RIGHT)):
        scene = World(world().camera, mirror, [], [], (0.0, 0.0, 0.0), 1.0)
        true = sorted(tuple(image_px(scene, np.array(place), 1)) for place in LAMPS_MM)
        seen = sorted(lamp.position_px for lamp in answer.lamps)
        assert np.allclose(seen, true, atol=3.0)
        assert all(lamp.direct_px is not None for lamp in answer.lamps)
    words = glass_text(result)
    assert words.index("MIRROR 1 from the left") < words.index("BACK-SILVERED")
    assert words.index("MIRROR 2 from the left") < words.index("FRONT-COATED")

"""The clothed picture against a render of the same scene with the mirrors in place, from a viewer's eyes.

    .venv/bin/python -m tests.bench.clothed OUTDIR [--rays 160] [--columns 800] [--tape MM]

The harbour street of sample_images, clothed with its seven photos (taken before any mirror hung, the sheet in the
street). Rendered with Mitsuba: the street without the sheet, both mirrors in place, through their glass. Compared
is structural similarity (scikit-image, colour, 7 px windows) over the mirrors' area where photos cover what
they show, and over all of it; beside it the share that they do not cover. A photo's exposure is the
phone's own: one factor for each picture brings the two to the same mean over that area first.
--tape : the scene file errs by so much, one sd, in place and size of every box and thing and in the sheets' places.
Pictures go to OUTDIR: render, clothed. Needs the extra `render`.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from PIL import Image

from align.planning.bodies import Box
from align.planning.clothes.job import clothe
from align.planning.clothes.places import Place, eye_at, two_places, window_of
from align.planning.clothes.result import Clothed
from align.planning.clothes.textures import COVERED, FILLED, UNSEEN
from align.planning.clothes.tones import as_bytes
from align.planning.clothes.tracing import ROOM
from align.planning.eye import Eye
from align.planning.scene import Scene, SheetPlace
from align.planning.scene_file import read_scene
from tests.rendering.clothed_scene import world_of
from tests.rendering.spec import RenderCamera
from tests.rendering.trace import picture

SAMPLES = Path(__file__).parents[2] / "sample_images"
SCENE, PHOTOS = SAMPLES / "harbour_passage.toml", SAMPLES / "harbour_photos"
#: Which of the two places, and eye height above the room's floor [mm]: chosen before any was compared.
EYES = ((0, 1000.0), (0, 1405.0), (0, 1745.0), (1, 1405.0))


@dataclass(frozen=True)
class Compared:
    """One view. similarity : over the mirrors' area that photos cover; of_all : over all of that area; shares : of
    the mirrors' area, covered, filled in, in no photo, the room.
    """

    place: str
    height_mm: float
    similarity: float
    of_all: float
    shares: tuple[float, float, float, float]
    pixels: int


def camera_of(eye: Eye, low: np.ndarray, high: np.ndarray, columns: int, rows: int) -> RenderCamera:
    """The renderer's camera that sees an eye's window."""
    focal = columns / float(high[0] - low[0])
    centre = (-float(low[0]) * focal - 0.5, float(high[1]) * focal - 0.5)
    ahead = eye.at_mm + 1000.0 * eye.axes[2]
    return RenderCamera(tuple(eye.at_mm), tuple(ahead), (columns, rows), focal, centre)


def compare(clothed: Clothed, world: object, place: Place, height_mm: float, columns: int, out: Path) -> Compared:
    """Render one view and compare it with the clothed picture."""
    from skimage.metrics import structural_similarity

    sight, _ = clothed.seen_from(place.at_mm, height_mm, columns=columns)
    eye = eye_at(clothed.scene, place.at_mm, height_mm)
    low, high = window_of(clothed.scene, eye)
    rows = sight.kinds.shape[0]
    truth = picture(world, camera_of(eye, low, high, columns, rows), grid=3)
    mirrored = sight.reflections > 0
    covered = mirrored & (sight.kinds == COVERED)
    truth = truth * (sight.light[covered].mean() / truth[covered].mean())
    pair = as_bytes(truth), as_bytes(sight.light)
    _, every = structural_similarity(*pair, channel_axis=2, data_range=255, full=True)
    name = f"{height_mm:.0f}_{place.at_mm[0]:.0f}_{place.at_mm[1]:.0f}.png"
    Image.fromarray(np.concatenate(pair)).save(out / name)
    kinds = sight.kinds[mirrored]
    shares = tuple(float(np.mean(kinds == kind)) for kind in (COVERED, FILLED, UNSEEN, ROOM))
    return Compared(
        place.words,
        height_mm,
        float(every[covered].mean()),
        float(every[mirrored].mean()),
        (shares[0], shares[1], shares[2], shares[3]),
        int(covered.sum()),
    )


def as_taped(scene: Scene, sd_mm: float) -> Scene:
    """The scene as a tape that errs would have it."""
    rng = np.random.default_rng(9)

    def moved(box: Box) -> Box:
        x, y = np.add(box.centre_mm, rng.normal(0, sd_mm, 2))
        wide, deep, high = np.maximum(np.add(box.size_mm, rng.normal(0, sd_mm, 3)), 1.0)
        return replace(box, centre_mm=(x, y), size_mm=(wide, box.size_mm[1] if box.is_panel else deep, high))

    def shifted(place: SheetPlace) -> SheetPlace:
        x, y = np.add(place.at_mm, rng.normal(0, sd_mm, 2))
        return replace(place, at_mm=(x, y))

    return replace(
        scene,
        blockers=tuple(moved(box) for box in scene.blockers),
        things=tuple(replace(thing, body=moved(thing.body)) for thing in scene.things),
        sheets=tuple(shifted(place) for place in scene.sheets),
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("out", type=Path)
    parser.add_argument("--rays", type=int, default=160)
    parser.add_argument("--columns", type=int, default=800)
    parser.add_argument("--tape", type=float, default=0.0)
    options = parser.parse_args()
    options.out.mkdir(parents=True, exist_ok=True)
    scene = read_scene(SCENE)
    clothed = clothe(as_taped(scene, options.tape) if options.tape else scene, sorted(PHOTOS.glob("*.jpg")))
    for photo in clothed.photos:
        print(f"{photo.name}: eye {photo.eye.round(1)}, {photo.rms_px:.3f} px, astray {photo.astray_mm:.1f} mm")
    print(f"all faces: {clothed.unseen_share:.1%} in no photo, {clothed.filled_share:.1%} filled in")
    world = world_of(scene, sheet=None, mirrors=True, rays=options.rays)
    places = two_places(scene)
    for which, height in EYES:
        found = compare(clothed, world, places[which], height, options.columns, options.out)
        covered, filled, unseen, room = found.shares
        print(
            f"eyes at {found.height_mm:.0f} mm from {found.place}: similarity {found.similarity:.3f} over "
            f"{found.pixels} covered pixels of the mirrors ({found.of_all:.3f} over all); covered "
            f"{covered:.1%}, filled in {filled:.1%}, in no photo {unseen:.1%}, the room {room:.1%}",
            flush=True,
        )


if __name__ == "__main__":
    main()

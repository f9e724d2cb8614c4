"""Photos of the harbour street before its mirrors hang, the sheet in the street, as its builder would take them.

    .venv/bin/python -m tests.rendering.clothed_photos FOLDER [--rays 256] [--first N] [--last N]

Writes photo_1.jpg to photo_7.jpg: four over the viewers' edge, three from behind, where the mirrors look; in two of
them a second, smaller sheet lies elsewhere, so that the floor under the first is seen.
"""

from __future__ import annotations

import argparse
from pathlib import Path

from align.planning.scene_file import read_scene

from .clothed_scene import world_of
from .phone import PhoneSpec, develop, nominal_focal_px, save
from .spec import RenderCamera
from .trace import picture

SCENE = Path(__file__).parents[2] / "sample_images" / "harbour_passage.toml"
SIZE_PX = (1280, 960)
#: Where the phone was held, what it looked at [mm], and which sheet lay in the scene.
VIEWS = (
    ((-60, -400, 560), (0, 240, 20), "a6"),
    ((-430, -260, 400), (20, 250, 40), "a5"),
    ((430, -260, 430), (-20, 240, 40), "a5"),
    ((30, -330, 430), (0, 260, 40), "a5"),
    ((0, 850, 320), (0, 300, 60), "a5"),
    ((-380, 700, 720), (0, 280, 30), "a6"),
    ((380, 700, 720), (0, 280, 30), "a5"),
)
#: This lens's focal length is not quite what its EXIF block says, and it bends straight lines a little.
FOCAL_SHARE, K1, K2 = 1.012, -0.018, 0.006
PHONE = PhoneSpec(quality=66, blur_px=0.6, shot_noise=0.006, read_noise=0.001)


def camera_of(number: int) -> RenderCamera:
    """The phone of photo `number`, from 0."""
    at, towards, _ = VIEWS[number]
    focal = FOCAL_SHARE * nominal_focal_px(SIZE_PX)
    return RenderCamera(at, towards, SIZE_PX, focal, k1=K1, k2=K2, roll_deg=(-1) ** number * 1.5)


def take(folder: Path, rays: int = 256, first: int = 1, last: int = len(VIEWS)) -> list[Path]:
    """Render the photos; in the scene's frame the sheet lies where the scene file says."""
    scene = read_scene(SCENE)
    worlds = {
        place.kind: world_of(scene, sheet=place, mirrors=False, rays=rays)
        for place in scene.sheets
        if any(view[2] == place.kind for view in VIEWS[first - 1 : last])
    }
    folder.mkdir(parents=True, exist_ok=True)
    files = []
    for number in range(first - 1, last):
        file = folder / f"photo_{number + 1}.jpg"
        # The exposure is the phone's own for each photo, as `develop` has it.
        save(develop(picture(worlds[VIEWS[number][2]], camera_of(number), grid=3), PHONE, number), file, PHONE)
        files.append(file)
        print(file, flush=True)
    return files


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--rays", type=int, default=256)
    parser.add_argument("--first", type=int, default=1)
    parser.add_argument("--last", type=int, default=len(VIEWS))
    options = parser.parse_args()
    take(options.folder, options.rays, options.first, options.last)


if __name__ == "__main__":
    main()

"""Sets of three rendered photos through `align check`: python -m tests.bench.photo_sets [FOLDER] [SET ...]

Renders what FOLDER (default /tmp/set3) does not hold yet (it needs Mitsuba and, for every photo, about a minute
of two cores), checks every set, each of its photos alone, and writes docs/photo_sets.md.
"""

from __future__ import annotations

import argparse
import json
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from tests.bench.photo_sets_scenes import SIZE_PX, photo_sets

ROOT = Path(__file__).resolve().parents[2]


if TYPE_CHECKING:
    from tests.rendering.scene import World
    from tests.rendering.spec import SceneSpec

FOLDER = Path("/tmp/set3")
#: Rays for each vertex's light; the sheet's take scene.SHEET_RAY_FACTOR times as many (128 in all leave mottles
#: that turn the answer by 0.003 degrees). And the side of each pixel's square of rays.
LIGHT_RAYS, RAYS_GRID, SHEET_RAYS = 96, 3, 1536


def paths_of(folder: Path, name: str) -> list[Path]:
    """The photos of a set."""
    return [folder / f"{name}_{number}.jpg" for number in range(len(photo_sets()[name]))]


def render_missing(folder: Path, names: list[str]) -> None:
    """Render the sets that the folder does not hold; the light of a scene is baked once for its photos."""
    folder.mkdir(parents=True, exist_ok=True)
    for name in names:
        if all(path.with_suffix(".truth.json").exists() for path in paths_of(folder, name)):
            continue
        from tests.rendering.daylight import lit_world

        specs = photo_sets()[name]
        world = lit_world(specs[0], LIGHT_RAYS)
        for path, spec in zip(paths_of(folder, name), specs, strict=True):
            if not path.with_suffix(".truth.json").exists():
                _photograph(world, spec, path)
                print(path.name, flush=True)


def _photograph(world: World, spec: SceneSpec, path: Path) -> None:
    from tests.rendering.phone import PhoneSpec, develop, save
    from tests.rendering.trace import DAY_ORDERS, picture
    from tests.rendering.truth import truth_of

    phone = replace(PhoneSpec(), quality=90)
    save(develop(picture(world, spec.camera, RAYS_GRID, orders=DAY_ORDERS), phone, spec.seed), path, phone)
    path.with_suffix(".truth.json").write_text(json.dumps(truth_of(spec, phone), indent=1) + "\n")


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("folder", nargs="?", type=Path, default=FOLDER)
    parser.add_argument("sets", nargs="*", metavar="SET", help="of the page; all where none is named")
    options = parser.parse_args()
    folder, names = options.folder, options.sets or list(photo_sets())
    render_missing(folder, names)
    from tests.bench.photo_sets_figures import draw
    from tests.bench.photo_sets_text import measure, write_document

    sets = [measure(name, paths_of(folder, name)) for name in names]
    write_document(sets, ROOT / "docs" / "photo_sets.md", SIZE_PX, SHEET_RAYS)
    draw(sets, ROOT / "docs" / "figures" / "photo_sets.png")


if __name__ == "__main__":
    main()

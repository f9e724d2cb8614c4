"""Photos as people take them, through `align check`: python -m tests.bench.conditions [FOLDER]

Renders the scenes that FOLDER (default /tmp/condset) does not hold yet (Mitsuba; ten of each kind, half a minute
each on two cores), finishes ten photos of every condition, checks each, and writes docs/conditions.md with its
figures. --render renders and nothing else; --only NAME... checks the conditions whose names begin so, prints
their rows and writes nothing.
"""

from __future__ import annotations

import argparse
import json
import time
import zlib
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from tests.bench.conditions_list import CONDITIONS, Condition
from tests.bench.conditions_scenes import KINDS, SCENES, SIZE_PX, around_the_sheet, scene

ROOT = Path(__file__).resolve().parents[2]


if TYPE_CHECKING:
    from tests.rendering.spec import SceneSpec

FOLDER = Path("/tmp/condset")
#: As in photo_sets.py: rays for each vertex's light, of which the sheet's take 16 times as many, and the side of
#: each pixel's square of rays.
LIGHT_RAYS, RAYS_GRID = 96, 3


def linear_file(folder: Path, kind: str, number: int) -> Path:
    """Where a scene's light is kept: (h, w, 3) float16 linear radiance."""
    return folder / f"{kind.replace(' ', '_').replace('%', 'pc')}_{number}.npy"


def render_missing(folder: Path, kinds: list[str]) -> None:
    """Trace the scenes whose light the folder does not hold."""
    folder.mkdir(parents=True, exist_ok=True)
    for kind in kinds:
        for number in range(SCENES):
            path = linear_file(folder, kind, number)
            if not path.exists():
                _render(scene(kind, number).spec, path)


def _render(spec: SceneSpec, path: Path) -> None:
    from tests.rendering.daylight import lit_world
    from tests.rendering.trace import DAY_ORDERS, picture

    started = time.time()
    world = lit_world(spec, LIGHT_RAYS)
    light = picture(world, spec.camera, RAYS_GRID, orders=DAY_ORDERS, fine=around_the_sheet(spec)).astype(
        np.float16
    )
    with path.with_suffix(".part").open("wb") as file:
        np.save(file, light)
    path.with_suffix(".part").rename(path)
    print(f"{path.name}: {time.time() - started:.0f} s", flush=True)


def photo_file(folder: Path, condition: Condition, number: int) -> Path:
    """Where a finished photo is kept."""
    name = "".join(letter if letter.isalnum() else "_" for letter in condition.same_photo_as or condition.name)
    return folder / "photos" / f"{name}_{number}.jpg"


def finish_missing(folder: Path, condition: Condition) -> None:
    """Finish a condition's photos that the folder does not hold."""
    from tests.bench.conditions_finish import PHONE
    from tests.rendering.phone import save

    (folder / "photos").mkdir(exist_ok=True)
    for number in range(SCENES):
        path = photo_file(folder, condition, number)
        if not path.exists():
            drawn = scene(condition.kind, number)
            light = np.load(linear_file(folder, condition.kind, number)).astype(np.float32)
            rng = np.random.default_rng([zlib.crc32(condition.name.encode()), number])
            save(condition.finish(light, drawn, number, rng), path, PHONE)


def checked(path: Path, condition: Condition, number: int) -> dict[str, Any]:
    """One photo through the command: its answer or its error, with the exit code and the truth."""
    from click.testing import CliRunner

    from align.cli.main import align_group

    drawn = scene(condition.kind, number)
    done = CliRunner().invoke(align_group, ["check", str(path), "--json", *condition.options(drawn)])
    if done.exception is not None and not isinstance(done.exception, SystemExit):
        raise done.exception
    answer = json.loads(done.stdout)
    return {
        "condition": condition.name,
        "number": number,
        "photo": path.name,
        "code": done.exit_code,
        "truth": asdict(drawn.truth),
        "answer": answer,
    }


def run(folder: Path, conditions: list[Condition]) -> list[dict[str, Any]]:
    """Every photo of the conditions, finished where it is missing and checked."""
    cases = []
    for condition in conditions:
        finish_missing(folder, condition)
        cases += [checked(photo_file(folder, condition, n), condition, n) for n in range(SCENES)]
    return cases


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", nargs="?", type=Path, default=FOLDER)
    parser.add_argument("--only", nargs="+", metavar="NAME", default=[])
    parser.add_argument("--render", action="store_true")
    parser.add_argument("--out", type=Path, default=ROOT / "docs", help="folder of conditions.md and figures/")
    options = parser.parse_args()
    chosen = [c for c in CONDITIONS if not options.only or c.name.startswith(tuple(options.only))]
    render_missing(options.folder, [kind for kind in KINDS if any(c.kind == kind for c in chosen)])
    if options.render:
        return
    from tests.bench.conditions_text import detail, table

    cases = run(options.folder, chosen)
    if options.only:
        print(table(cases), detail(cases), sep="\n\n")
        return
    (options.folder / "cases.json").write_text(json.dumps(cases, indent=1))
    from tests.bench.conditions_figures import draw
    from tests.bench.conditions_text import write_document

    (options.out / "figures").mkdir(parents=True, exist_ok=True)
    draw(cases, options.folder, options.out / "figures")
    write_document(cases, options.out / "conditions.md", SIZE_PX)


if __name__ == "__main__":
    main()

"""How far maps of a mirror's flatness hold, on simulated corners: python -m tests.bench.flatness_map [CASES]

Mirrors bent as in `tests/rendering/analytic/cases.py`, an A6 sheet in five places before a camera on a stand,
corners on paths by Fermat's principle, with 0.03 px of noise. Prints the table of docs/moved_sheet.md.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from align.bundle.photo_set import Sighted
from align.checking.flatness_map import FlatnessMap
from align.checking.job import check_sighted
from align.checking.settings import CheckSettings
from align.errors import AlignError
from align.optics.camera_model import prior_from_focal
from align.solve.joint import View
from tests.bench.accuracy_tables import table
from tests.rendering.analytic.cases import bends_of
from tests.rendering.analytic.exact import exact_pixels
from tests.rendering.analytic.finish import nominal_focal_px
from tests.rendering.analytic.placed import with_sheet_at
from tests.rendering.analytic.scene import BentMirror, BentScene, LensCamera
from tests.rendering.analytic.shapes import Face
from tests.support.sighted import sighted_photo

Array = NDArray[np.float64]
SIZE_PX = (2800, 2100)
FACE_MM = (300.0, 130.0)
#: Where the sheet lies in each photo [mm], from the first place.
PLACES = ((0.0, 0.0), (-90.0, -5.0), (90.0, -8.0), (-50.0, -75.0), (55.0, -70.0))
NOISE_PX = 0.03


def scene_of(rng: np.random.Generator, *, bent: bool) -> BentScene:
    """A mirror and a camera on a stand."""
    face = Face(*FACE_MM, 0.3, bends_of(rng) if bent else ())
    mirror = BentMirror(rng.uniform(20, 45), rng.uniform(-1, 1), rng.uniform(-2, 2), face, 3.0)
    focal = nominal_focal_px(SIZE_PX, 26 * (1 + rng.normal(0, 0.01)))
    eye = (float(rng.uniform(-60, 60)), float(rng.uniform(-560, -480)), float(rng.uniform(280, 360)))
    return BentScene(LensCamera(eye, (0.0, -10.0, 20.0), SIZE_PX, focal, (1402.0, 1046.0)), mirror, "a6")


def sighted(
    scene: BentScene,
    rng: np.random.Generator,
    places: Sequence[tuple[float, float]] = PLACES,
    names: str = "abcdefgh",
) -> list[Sighted]:
    """What is seen with the sheet in each place; corners reflected beside the mirror are not."""
    found = []
    for name, (x, y) in zip(names, places, strict=False):
        placed = with_sheet_at(scene, x, y)
        direct, reflected, on_face = exact_pixels(placed)
        inside = placed.mirror.face.holds(on_face[:, 0], on_face[:, 1])
        views = []
        for mirror, pixels, ids in ((-1, direct, np.arange(len(direct))), (0, reflected, np.flatnonzero(inside))):
            noisy = pixels[ids] + rng.normal(0, NOISE_PX, (len(ids), 2))
            views.append(View(0, mirror, ids, noisy, np.broadcast_to(0.01 * np.eye(2), (len(ids), 2, 2))))
        prior = prior_from_focal(SIZE_PX, 26.0)
        found.append(sighted_photo(scene.sheet, views, SIZE_PX, prior, f"{name}.jpg"))
    return found


def errors(shown: FlatnessMap, face: Face, part_mm: tuple[float, float, float, float]) -> Array:
    """(rows, columns) [mm] a map's heights less the true ones, over the true mean plane of the same part."""
    left, right, bottom, top = part_mm
    grid = (np.arange(61) + 0.5) / 61 * 2 - 1
    u, v = (axis.ravel() for axis in np.meshgrid(grid, grid))
    middle, half = ((left + right) / 2, (bottom + top) / 2), ((right - left) / 2, (top - bottom) / 2)
    columns = np.column_stack([np.ones_like(u), u, v])
    there = face.of(middle[0] + half[0] * u, middle[1] + half[1] * v)[0]
    plane = np.linalg.lstsq(columns, there, rcond=None)[0]
    x, y = np.meshgrid(shown.right_mm, shown.up_mm)
    true = face.of(x.ravel(), y.ravel())[0].reshape(x.shape)
    over = plane[0] + plane[1] * (x - middle[0]) / half[0] + plane[2] * (y - middle[1]) / half[1]
    return np.asarray(shown.height_mm - (true - over))


def main() -> None:
    """Command line."""
    cases = int(sys.argv[1]) if len(sys.argv) > 1 else 20
    rows = []
    for bent in (False, True):
        parts: dict[bool, list[tuple[Array, Array]]] = {True: [], False: []}
        verdicts: list[str] = []
        for case in range(cases):
            rng = np.random.default_rng([20261126, 13, int(bent), case])
            scene = scene_of(rng, bent=bent)
            settings = CheckSettings(exact_print=True, flatness=True, mirror_size_mm=FACE_MM)
            try:
                result, _ = check_sighted(sighted(scene, rng), settings)
            except AlignError as error:
                verdicts.append("refused")
                print(f"case {case}: {error.message}", file=sys.stderr, flush=True)
                continue
            flatness = result.mirrors[0].flatness
            if flatness is None or flatness.map is None:
                verdicts.append("refused")
                continue
            verdicts.append(flatness.verdict)
            shown = flatness.map
            off = errors(shown, scene.mirror.face, flatness.part_mm)
            for where in (True, False):
                chosen = shown.measured == where
                parts[where].append((off[chosen], shown.half_width_mm[chosen]))
        counts = ", ".join(f"{verdicts.count(word)} {word}" for word in dict.fromkeys(verdicts))
        for where, name in ((True, "measured"), (False, "extrapolated")):
            rows.append(_row(f"{'bent' if bent else 'flat'}, {name}", parts[where], counts))
            print(rows[-1], file=sys.stderr, flush=True)
    print(table(["mirror, part", "cells", "rms error [mm]", "±, median [mm]", "held", "verdicts"], rows))


def _row(name: str, found: list[tuple[Array, Array]], counts: str) -> list[str]:
    off, half = (np.concatenate([pair[k] for pair in found]) for k in (0, 1))
    held = 100 * float((np.abs(off) <= half).mean())
    rms = float(np.sqrt((off**2).mean()))
    return [name, str(len(off)), f"{rms:.4f}", f"{np.median(half):.4f}", f"{held:.1f} %", counts]


if __name__ == "__main__":
    main()

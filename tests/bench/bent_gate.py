"""Can the drawn photos be trusted? python -m tests.bench.bent_gate [VIEWS] > gate.json

Scenes of the a5 sheet from the bench's distribution, of another seed, finished with nothing but blur and a whiff of
noise. Their corners, as `align` matches them, against `exact` (stationary optical path, OpenCV's
projection). Also how far the drawing's own rays, started at the exact places, miss the print's corners.
"""

from __future__ import annotations

import json
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from align.bundle.photo_set import sight_photos
from align.sighting.boards import Board
from align.sighting.corners import local_frames
from align.target.sheets import corners_board, corners_target
from tests.rendering.analytic.cases import GROUPS, draw_case
from tests.rendering.analytic.draw import picture
from tests.rendering.analytic.exact import exact_pixels
from tests.rendering.analytic.finish import BARE, develop, save
from tests.rendering.analytic.rays import from_mirror, lens_rays, on_paper, through_mirror, to_mirror
from tests.rendering.analytic.scene import BentScene

Array = NDArray[np.float64]
SEED = 71
MEAN_LIMIT_PX = {"direct": 0.003, "reflected": 0.01}
PATTERN_LIMIT_UM = 0.3


@dataclass(frozen=True, eq=False)
class ViewErrors:
    """One board in one photo: errors and true places [px], errors on the print [micrometres]; NaN: not found."""

    error_px: Array
    true_px: Array
    error_um: Array


def gate_scenes(count: int) -> Iterator[BentScene]:
    """Scenes of the a5 sheet, from all groups in turn."""
    number = 0
    while count:
        scene = draw_case(SEED, GROUPS[number % len(GROUPS)], number, 1).photos[0][0]
        number += 1
        if scene.sheet_name == "a5":
            count -= 1
            yield scene


def matched_errors(scene: BentScene, *, ghosts: bool, rays: int = 2) -> dict[str, ViewErrors]:
    """What `align` matches in a barely finished photo of a scene, against the exact places."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "photo.jpg"
        save(develop(picture(scene, rays, ghosts=ghosts), BARE), path, BARE)
        sighting = sight_photos([path], None)[0].sighting
    direct, reflected, _ = exact_pixels(scene)
    return {
        "direct": _errors(scene, sighting.target, direct),
        "reflected": _errors(scene, sighting.reflections[0], reflected),
    }


def _errors(scene: BentScene, board: Board, true: Array) -> ViewErrors:
    off = np.full(true.shape, np.nan)
    on_print = off.copy()
    off[board.corner_ids] = board.pixels - true[board.corner_ids]
    square = scene.sheet.square_mm
    frames = local_frames(board.homography, corners_board(scene.sheet)[board.corner_ids], square)
    inverse = np.linalg.solve(frames, off[board.corner_ids][..., None])[..., 0]
    on_print[board.corner_ids] = inverse * square * 1000
    return ViewErrors(off, true, on_print)


def ray_misses_um(scene: BentScene) -> tuple[float, float]:
    """Largest miss on the print [um] of the drawing's rays through the exact places, direct and reflected."""
    design = corners_target(scene.sheet)[:, :2]
    direct, reflected, _ = exact_pixels(scene)
    eye = tuple(np.full(len(design), value) for value in scene.camera.eye_mm)
    misses = []
    for pixels, mirrored in ((direct, False), (reflected, True)):
        origin, ray = (eye[0], eye[1], eye[2]), lens_rays(scene.camera, pixels[:, 0], pixels[:, 1])
        if mirrored:
            place, away, _, _ = through_mirror(scene.mirror, *to_mirror(scene.mirror, origin, ray), 1)
            origin, ray = from_mirror(scene.mirror, place, away)
        x, y, _, _ = on_paper(scene.paper, origin, ray)
        found = np.column_stack(scene.fault.designed(*scene.paper.unrolled(x, y)))
        misses.append(float(np.abs(found - design).max() * 1000))
    return misses[0], misses[1]


def pattern_um(views: list[ViewErrors]) -> tuple[float, float]:
    """(rms of what is the same at each corner in all views, chance's part taken off; its standard error) [um]."""
    stack = np.stack([v.error_um - np.nanmean(v.error_um, axis=0) for v in views])
    mean, count = np.nanmean(stack, axis=0), len(views)
    chance = float(np.nanmean(np.nanvar(stack, axis=0, ddof=1))) / count
    power = float(np.nanmean(mean**2)) - chance
    spread = chance * np.sqrt(2 / mean.size)  # of the mean square of so many squares of chance
    return float(np.sign(power) * np.sqrt(abs(power))), float(np.sqrt(spread))


def fraction_px(views: list[ViewErrors]) -> tuple[float, float]:
    """(largest amplitude of errors' dependence on the place within a pixel; its standard error) [px], x and y."""
    error = np.concatenate([v.error_px - np.nanmean(v.error_px, axis=0) for v in views])
    place = np.concatenate([v.true_px for v in views]) * 2 * np.pi
    worst, spread = 0.0, 0.0
    for axis in (0, 1):
        keep = np.isfinite(error[:, axis])
        columns = np.column_stack([np.cos(place[keep, axis]), np.sin(place[keep, axis])])
        found, rest, _, _ = np.linalg.lstsq(columns, error[keep, axis], rcond=None)
        if float(np.hypot(*found)) > worst:
            worst = float(np.hypot(*found))
            spread = float(np.sqrt(2 * rest[0] / keep.sum() ** 2))
    return worst, spread


def measured(scenes: list[BentScene], *, ghosts: bool) -> dict[str, dict[str, float]]:
    """What the gate asks, of direct and reflected corners, of all and of those on paper that lies flat.

    Curled paper is not the local plane that matching takes it for: what that costs is no fault of the drawing.
    """
    found = [matched_errors(scene, ghosts=ghosts) for scene in scenes]
    flat = [each for scene, each in zip(scenes, found, strict=True) if scene.paper.flat]
    figures = {}
    for name in MEAN_LIMIT_PX:
        figures[name] = figures_of([each[name] for each in found])
        figures[f"{name}, flat paper"] = figures_of([each[name] for each in flat])
    return figures


def figures_of(views: list[ViewErrors]) -> dict[str, float]:
    """Means, scatter, pattern and dependence on the place within a pixel [px, um]."""
    means = np.array([np.nanmean(v.error_px, axis=0) for v in views])
    spread = means.std(axis=0, ddof=1) / len(views) ** 0.5
    pattern, fraction = pattern_um(views), fraction_px(views)
    return {
        "views": float(len(views)),
        "mean_x_px": float(means[:, 0].mean()),
        "mean_y_px": float(means[:, 1].mean()),
        "mean_se_px": float(spread.max()),
        "largest_view_mean_px": float(np.abs(means).max()),
        "rms_px": float(np.sqrt(np.mean([np.nanmean(v.error_px**2) for v in views]))),
        "pattern_um": pattern[0],
        "pattern_se_um2": pattern[1] ** 2,
        "fraction_px": fraction[0],
        "fraction_se_px": fraction[1],
    }


def main() -> None:
    """Draw, match, print JSON."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 30
    scenes = list(gate_scenes(count))
    misses = np.array([ray_misses_um(scene) for scene in scenes]).max(axis=0)
    glass = [scene for scene in scenes if scene.mirror.thickness_mm]
    result = {
        "ray_misses_um": {"direct": float(misses[0]), "reflected": float(misses[1])},
        "without_ghosts": measured(scenes, ghosts=False),
        "with_ghosts": measured(glass[: max(2, count // 3)], ghosts=True),
    }
    print(json.dumps(result, indent=1))


if __name__ == "__main__":
    main()

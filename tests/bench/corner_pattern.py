"""What matching gets wrong in the same way in every photo: python -m tests.bench.corner_pattern [NAME.jpg ...]

For rendered photos of the a5 sheet with known truth (by default those in sample_images/): the errors of all
corners, direct and reflected, on the print [micrometres], and the part of them that is the same in all views.
More photos of the same sheet do not average that part away.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path

import numpy as np

from align.bundle.photo_set import sight_photos
from align.optics.camera_model import Camera
from align.optics.slab import virtual_point
from align.sighting.corners import local_frames
from align.target.sheets import SHEETS, corners_board, corners_target

SHEET = SHEETS["a5"]
SAMPLES = Path(__file__).resolve().parents[2] / "sample_images"


def true_pixels(truth: dict) -> tuple[np.ndarray, np.ndarray]:
    """(n, 2) [px] of all corners, seen directly and in the first mirror."""
    camera = truth["camera"].get("upright", truth["camera"])
    lens = Camera(camera["fx_px"], (camera["cx_px"], camera["cy_px"]), tuple(truth["camera"]["distortion"]))
    rotation = np.array(camera["cam_from_target_R"])
    translation = np.array(camera["cam_from_target_t_mm"])
    points, mirror = corners_target(SHEET), truth["mirrors"][0]
    images = virtual_point(
        points,
        -rotation.T @ translation,
        normal=np.array(mirror["normal"]),
        plane_point=np.array([0.0, mirror["distance_mm"], 0.0]),
        thickness_mm=mirror["thickness_mm"],
        index=mirror["index"],
    )
    direct, reflected = (lens.project(p @ rotation.T + translation) for p in (points, images))
    return direct, reflected


def errors_um(photo: Path) -> list[np.ndarray]:
    """Two (54, 2) arrays [micrometres on the print], without their means; NaN where no corner was found."""
    sighting = sight_photos([photo], None)[0].sighting
    views = zip((sighting.target, sighting.reflections[0]), true_pixels(truth_of(photo)), strict=True)
    result = []
    for board, true in views:
        frames = local_frames(board.homography, corners_board(SHEET)[board.corner_ids], SHEET.square_mm)
        off = np.linalg.solve(frames, (board.pixels - true[board.corner_ids])[..., None])[..., 0]
        errors = np.full((SHEET.corner_count, 2), np.nan)
        errors[board.corner_ids] = (off - off.mean(axis=0)) * SHEET.square_mm * 1000
        result.append(errors)
    return result


def truth_of(photo: Path) -> dict:
    """What was true when a photo was rendered."""
    return json.loads(photo.with_suffix(".truth.json").read_text())


def main() -> None:
    """Print the errors of each photo and the pattern common to all."""
    photos = [Path(name) for name in sys.argv[1:]] or sorted(SAMPLES.glob("*.jpg"))
    photos = [photo for photo in photos if truth_of(photo)["sheet"] == SHEET.name]
    views = []
    for photo in photos:
        direct, reflected = errors_um(photo)
        views += [direct, reflected]
        rms = [np.sqrt(np.nanmean(e**2)) for e in (direct, reflected)]
        print(f"{photo.name}: direct {rms[0]:.1f} um rms, reflected {rms[1]:.1f} um rms")
    stack = np.stack(views)
    # The mean over the views also holds chance: 1 / views of the variance, taken off.
    mean = np.nanmean(stack, axis=0)
    chance = np.nanmean(np.nanvar(stack, axis=0, ddof=1)) / len(stack)
    common = np.sqrt(max(float(np.nanmean(mean**2)) - chance, 0.0))
    print(f"the same in all {len(stack)} views: {common:.1f} um rms of {np.sqrt(np.nanmean(stack**2)):.1f} um")


if __name__ == "__main__":
    main()

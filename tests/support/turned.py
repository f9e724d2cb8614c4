"""Simulated photos between which a sheet of a known faulty print was turned on its spot."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from align.bundle.photo_set import Sighted
from align.optics.camera_model import prior_from_focal
from align.optics.geometry import rotation_from_vector
from align.solve.forward_model import DIRECT, Layout, State, bow_basis, offset_of_distance, predict
from align.solve.joint import View
from align.solve.sheet_shape import PRINT_PARAMETERS, PRINT_SDS, half_sizes, print_shifts
from align.solve.simulate import look_at, phone_camera
from align.target.sheets import Sheet, corners_target

from .sighted import sighted_photo

Array = NDArray[np.float64]
SIZE_PX = (4000, 3000)


def turned_photos(
    sheet: Sheet,
    rng: np.random.Generator,
    *,
    turned_deg: Sequence[float],
    lean_deg: float,
    turn_deg: float,
    stand: bool,
    noise_px: float = 0.03,
    print_level: float = 1.0,
    floor_rad: float = 0.0,
    spot_mm: float = 8.0,
    others_deg: Sequence[tuple[float, float]] = (),
) -> list[Sighted]:
    """A photo for each way round that the sheet lies, the first in the target frame, with mirrors behind it.

    others_deg : lean and turn of the mirrors to the right of the first; stand : the camera stood still; else it was
    held in the hand, anew for each photo; print_level : sd of the print's faults in those of an ordinary printer;
    floor_rad, spot_mm : sd of the sheet's tilt and of its middle's place against the first photo's.
    """
    photos, middle = len(turned_deg), corners_target(sheet).mean(axis=0)
    angles_deg = [(lean_deg, turn_deg), *others_deg]
    layout = Layout(len(angles_deg), photos, True, print_faults=len(PRINT_PARAMETERS), moved_camera=not stand)
    vector, prior = np.zeros(layout.size), prior_from_focal(SIZE_PX, 26.0)
    vector[layout.camera], vector[layout.index] = phone_camera(rng, prior), 1.52
    distance = 90.0 + float(middle[1]) + sheet.width_mm / 2  # far enough that no way round touches the glass
    for number, (lean, turn) in enumerate(np.radians(angles_deg)):
        vector[layout.mirror(number)] = [lean, turn, offset_of_distance(lean, turn, distance), 4.0]
    vector[layout.print_fault] = print_level * PRINT_SDS * rng.normal(size=len(PRINT_SDS))
    motions = [_pose(rng, middle) for _ in range(layout.poses)]
    for angle in turned_deg[1:]:
        tilt = np.array([*rng.normal(0, floor_rad, 2), 0.0])
        rotation = rotation_from_vector(tilt) @ rotation_from_vector(np.array([0.0, 0.0, math.radians(angle)]))
        motions.append((rotation, middle - rotation @ middle + [*rng.normal(0, spot_mm, 2), 0.0]))
    for where, (_, translation) in zip(layout.motions, motions, strict=True):
        vector[where.start + 3 : where.stop] = translation
    state = State(layout, vector, tuple(rotation for rotation, _ in motions))
    return [
        sighted_photo(sheet, _views(sheet, state, photo, noise_px, rng), SIZE_PX, prior, f"{'abcdefgh'[photo]}.jpg")
        for photo in range(photos)
    ]


def _pose(rng: np.random.Generator, middle: Array) -> tuple[Array, Array]:
    elevation, azimuth = math.radians(rng.uniform(26, 44)), math.radians(rng.uniform(-20, 20))
    away = rng.uniform(440, 560)
    level = away * math.cos(elevation)
    eye = [level * math.sin(azimuth), middle[1] - level * math.cos(azimuth), away * math.sin(elevation)]
    return look_at(np.array(eye), middle + np.array([0.0, 90.0, 0.0]))


def _views(sheet: Sheet, state: State, photo: int, noise_px: float, rng: np.random.Generator) -> list[View]:
    points, (*half, centre_y) = corners_target(sheet), half_sizes(sheet)
    basis = bow_basis(points, (half[0], half[1]), centre_y)
    views = []
    for mirror in range(DIRECT, state.layout.mirrors):
        pixels, _ = predict(state, photo, mirror, points, basis, in_plane=print_shifts(sheet))
        noisy = pixels + rng.normal(0, noise_px, pixels.shape)
        covariance = np.broadcast_to(0.01 * np.eye(2), (len(points), 2, 2))
        views.append(View(photo, mirror, np.arange(len(points)), noisy, covariance))
    return views

"""Made-up views of known truth, for tests, for the accuracy tables and for planning a photo."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..optics.camera_model import CameraPrior, prior_from_focal
from ..target.sheets import Sheet, corners_target
from .forward_model import DIRECT, Layout, State, bow_basis, offset_of_distance, predict
from .joint import View

Array = NDArray[np.float64]


def look_at(eye: Array, at: Array, roll: float = 0.0) -> tuple[Array, Array]:
    """`cam_from_target` (R, t) of a camera at `eye` that looks at `at`; roll [rad] about the line of sight."""
    forward = (at - eye) / np.linalg.norm(at - eye)
    right = np.cross(forward, [0.0, 0.0, 1.0])
    right /= np.linalg.norm(right)
    down = np.cross(forward, right)
    c, s = math.cos(roll), math.sin(roll)
    rotation = np.stack([c * right + s * down, -s * right + c * down, forward])
    return rotation, -rotation @ eye


@dataclass(frozen=True, eq=False)
class Simulated:
    """Views with the state that made them."""

    state: State
    views: tuple[View, ...]
    prior: CameraPrior
    size: tuple[int, int]


def simulate(
    sheet: Sheet,
    *,
    eyes: list[Array],
    mirrors: list[Array],
    camera_parameters: Array,
    size: tuple[int, int],
    noise_px: float,
    rng: np.random.Generator,
    equivalent_mm: float | None,
    bow_mm: tuple[float, float, float] = (0.0, 0.0, 0.0),
    index: float = 1.52,
    aim: Array | None = None,
) -> Simulated:
    """Corners of the target and its reflections, projected exactly through the slab, plus white noise.

    Parameters
    ----------
    eyes : (3,) [mm] camera places, one for each photo; mirrors : (4,) lean, turn [rad], distance, thickness [mm];
    camera_parameters : (8,); noise_px : sd of each coordinate.
    """
    layout = Layout(len(mirrors), len(eyes))
    vector = np.zeros(layout.size)
    vector[layout.camera] = camera_parameters
    vector[layout.index] = index
    vector[layout.bow] = bow_mm
    for number, mirror in enumerate(mirrors):
        lean, turn, distance, thickness = (float(value) for value in mirror)
        vector[layout.mirror(number)] = [lean, turn, offset_of_distance(lean, turn, distance), thickness]
    points = corners_target(sheet)
    half = (sheet.squares_x * sheet.square_mm / 2, sheet.squares_y * sheet.square_mm / 2)
    basis = bow_basis(points, half, -sheet.contact_margin_mm - half[1])
    rotations = []
    target = np.array([0.0, points[:, 1].mean() / 3, 0.0]) if aim is None else aim
    for photo, eye in enumerate(eyes):
        rotation, translation = look_at(np.asarray(eye, float), target, float(rng.normal(0, 0.05)))
        rotations.append(rotation)
        vector[layout.pose(photo).start + 3 : layout.pose(photo).stop] = translation
    state = State(layout, vector, tuple(rotations))
    views = []
    for photo in range(len(eyes)):
        for seen_in in range(DIRECT, len(mirrors)):
            pixels, _ = predict(state, photo, seen_in, points, basis)
            inside = ((pixels > 4) & (pixels < np.array(size) - 5)).all(axis=1)
            ids = np.flatnonzero(inside)
            if len(ids) < 6:
                continue
            noisy = pixels[ids] + rng.normal(0, noise_px, (len(ids), 2))
            views.append(View(photo, seen_in, ids, noisy, np.broadcast_to(np.eye(2) * 0.01, (len(ids), 2, 2))))
    return Simulated(state, tuple(views), prior_from_focal(size, equivalent_mm), size)


def phone_camera(rng: np.random.Generator, prior: CameraPrior) -> Array:
    """(8,) camera parameters drawn from the prior that the solve will be given."""
    return prior.mean + prior.sd * rng.normal(size=len(prior.mean))

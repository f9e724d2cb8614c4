"""A camera's parameters from many views of one target: the joint solve, the terms it needs, and the uncertainty."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..optics.camera_model import (
    FOCAL_SD_BLIND,
    K1_SD,
    K2_SD,
    K3_SD,
    P_SD,
    CameraPrior,
    camera_from_parameters,
    project_with_derivatives,
)
from ..optics.robust import median
from ..solve.joint import Solution, View, solve
from ..target.sheets import Sheet
from .distortion import FULL_MODEL, DistortionModel, Weighed, weigh
from .thresholds import CENTRE_SHARE, FOLD_PX, MODEL_ERROR_PX, RADIAL_SD, TANGENTIAL_SD

Array = NDArray[np.float64]

#: Corners are handed to the solve as if this uncertain [px]; it estimates the scale itself.
NOMINAL_SD_PX = 0.5
#: Directions are judged on a grid of so many places along the frame's long side and short side.
UNCERTAINTY_GRID = (13, 10)


@dataclass(frozen=True, eq=False)
class CameraEstimate:
    """A camera from its views.

    solution : of the chosen model; mean (8,), covariance (8, 8) : its camera;
    weighed : all models, the chosen one first; rejected : corners left out of each view.
    """

    solution: Solution
    mean: Array
    covariance: Array
    weighed: tuple[Weighed, ...]
    rejected: tuple[int, ...]

    @property
    def model(self) -> DistortionModel:
        """The chosen distortion model."""
        return self.weighed[0].model

    @property
    def focal_uncertainty(self) -> float:
        """Half the 95 % interval of the focal length, as a share of it."""
        return self.solution.quantile * math.sqrt(self.covariance[0, 0])


def estimate_camera(
    sheet: Sheet, views: Sequence[View], size: tuple[int, int], guess: CameraPrior
) -> CameraEstimate:
    """The camera that saw the views, each photo's pose free.

    Parameters
    ----------
    views : direct ones, one for each photo; size : of the photos [px];
    guess : only its mean is used, to begin from: what the file says of its lens adds nothing to the answer.
    """
    prepared = [_prepared(view) for view in views]
    scaled = _scaled(prepared)
    full = solve(sheet, scaled, _wide_prior(size, guess.mean, FULL_MODEL))
    where = full.state.layout.camera
    weighed = weigh(
        full.state.vector[where],
        full.covariance[where, where],
        full.degrees,
        2 * sum(len(view.pixels) for view in full.views),
    )
    model = weighed[0].model
    solution = full
    if model != FULL_MODEL:
        solution = solve(sheet, full.views, _wide_prior(size, full.state.vector[where], model))
    mean, covariance = solution.state.vector[where].copy(), solution.covariance[where, where].copy()
    rejected = tuple(
        len(before.pixels) - len(after.pixels) for before, after in zip(views, solution.views, strict=True)
    )
    return CameraEstimate(solution, mean, covariance, weighed, rejected)


def _prepared(view: View) -> View:
    floor = MODEL_ERROR_PX**2 * np.eye(2)
    return View(view.photo, view.mirror, view.corner_ids, view.pixels, view.covariance + floor)


def _scaled(views: Sequence[View]) -> list[View]:
    """The views with a median corner of NOMINAL_SD_PX: a fair first fit then counts as a good one."""
    variances = np.concatenate([np.trace(view.covariance, axis1=1, axis2=2) / 2 for view in views])
    factor = NOMINAL_SD_PX**2 / float(median(variances))
    return [View(v.photo, v.mirror, v.corner_ids, v.pixels, v.covariance * factor) for v in views]


def _wide_prior(size: tuple[int, int], start: Array, model: DistortionModel) -> CameraPrior:
    """Next to nothing known; `start` gives the focal length to begin at.

    Terms that the model does without are not exactly zero either: they are as small as in ordinary phones. To hold
    them at zero would leave their uncertainty out of every interval (simulated with phones' tangential terms:
    the centre's 95 % intervals then held the truth in 72 to 77 % of 60 cases).
    """
    mean = np.array([start[0], (size[0] - 1) / 2, (size[1] - 1) / 2, 0, 0, 0, 0, 0])
    centre = CENTRE_SHARE * max(size)
    terms = [RADIAL_SD, RADIAL_SD, TANGENTIAL_SD, TANGENTIAL_SD, RADIAL_SD]
    wide = np.array([FOCAL_SD_BLIND, centre, centre, *terms])
    ordinary = np.array([0, 0, 0, K1_SD, K2_SD, P_SD, P_SD, K3_SD])
    return CameraPrior(mean, np.where(model.free, wide, ordinary), "guess")


def frame_grid(size: tuple[int, int]) -> Array:
    """(n, 2) [px] a grid over the frame, its edges included."""
    counts = UNCERTAINTY_GRID if size[0] >= size[1] else UNCERTAINTY_GRID[::-1]
    columns, rows = (np.linspace(0, extent - 1, count) for extent, count in zip(size, counts, strict=True))
    return np.stack(np.meshgrid(columns, rows), axis=2).reshape(-1, 2)


def direction_uncertainties_px(parameters: Array, covariance: Array, pixels: Array, anchors: Array) -> Array:
    """(n,) how far the directions of (n, 2) pixels are uncertain, both coordinates together, one sd [px].

    A turn of the camera as a whole is taken out, as best fits the (m, 2) pixels `anchors`: no photo's
    answer depends on it. Infinite where the distortion folds over: the polynomial says nothing there.
    """
    by_camera, by_turn = _shifts(parameters, anchors)
    turn_of_camera = np.linalg.lstsq(by_turn, by_camera, rcond=None)[0]
    by_camera, by_turn = _shifts(parameters, pixels)
    left = by_camera - by_turn @ turn_of_camera
    variances = ((left @ covariance) * left).sum(axis=1).reshape(-1, 2).sum(axis=1)
    return np.where(_invertible(parameters, pixels), np.sqrt(variances), np.inf)


def _invertible(parameters: Array, pixels: Array) -> NDArray[np.bool_]:
    camera = camera_from_parameters(parameters)
    rays = np.column_stack([camera.normalise(pixels), np.ones(len(pixels))])
    return np.asarray(np.linalg.norm(camera.project(rays) - pixels, axis=1) < FOLD_PX)


def _shifts(parameters: Array, pixels: Array) -> tuple[Array, Array]:
    """(2n, 8), (2n, 3) how the pictures of fixed rays move with the camera's parameters and with its turn."""
    rays = np.column_stack([camera_from_parameters(parameters).normalise(pixels), np.ones(len(pixels))])
    _, by_camera, by_point = project_with_derivatives(parameters, rays)
    by_turn = np.cross(rays[:, None, :], by_point)
    return by_camera.reshape(-1, by_camera.shape[2]), by_turn.reshape(-1, 3)

"""What no unbiased solve can undercut: the bound on an answer's covariance."""

from __future__ import annotations

import math

import numpy as np

from align.solve.forward_model import bow_basis, predict
from align.solve.problem import BOW_SD_MM
from align.target.sheets import SHEETS, corners_target

SHEET = SHEETS["a5"]
POINTS = corners_target(SHEET)
HALF = (SHEET.squares_x * SHEET.square_mm / 2, SHEET.squares_y * SHEET.square_mm / 2)
BASIS = bow_basis(POINTS, HALF, -SHEET.contact_margin_mm - HALF[1])
NOISE = 0.1  # px, sd of each coordinate
#: The order of a mirror's four numbers.
THICKNESS = 3
INDEX_SD = 0.005


def mirror_of(vector, layout, number=0):
    """(4,) lean, turn, distance, thickness; the distance is where the face's plane cuts the y axis."""
    lean, turn, offset, thickness = vector[layout.mirror(number)]
    return np.array([lean, turn, offset / (math.cos(lean) * math.cos(turn)), thickness])


def bound_of(sim, views, thickness_sd, *, noise=NOISE):
    """(4,) standard deviations of the first mirror's parameters that no estimate can beat on average."""
    layout = sim.state.layout
    rows = [[] for _ in range(layout.size)]
    for view in views:
        points, basis = POINTS[view.corner_ids], BASIS[view.corner_ids]
        at, _ = predict(sim.state, view.photo, view.mirror, points, basis)
        for number, name in enumerate(layout.names):
            step = np.zeros(layout.size)
            step[number] = 1e-4 if "mm" in name or "px" in name else 1e-7
            ahead, _ = predict(sim.state.stepped(step), view.photo, view.mirror, points, basis)
            rows[number].append(((ahead - at) / step[number]).ravel())
    jacobian = np.stack([np.concatenate(row) for row in rows], axis=1)
    sd = np.full(layout.size, np.inf)
    sd[layout.camera], sd[layout.index], sd[layout.bow] = sim.prior.sd, INDEX_SD, BOW_SD_MM
    sd[layout.reshape] = sim.prior.reshape_sd
    for number in range(layout.mirrors):
        sd[layout.mirror(number)][THICKNESS] = thickness_sd
    free = sd > 0
    information = jacobian[:, free].T @ jacobian[:, free] / noise**2 + np.diag(1 / sd[free] ** 2)
    scale = 1 / np.sqrt(np.diag(information))
    covariance = np.linalg.inv(information * np.outer(scale, scale)) * np.outer(scale, scale)
    whole = np.zeros((layout.size, layout.size))
    whole[np.ix_(free, free)] = covariance
    vector, step = sim.state.vector, 1e-6
    by = [
        (mirror_of(vector + d, layout) - mirror_of(vector - d, layout)) / (2 * step)
        for d in step * np.eye(layout.size)
    ]
    return np.sqrt(np.einsum("pi,pq,qi->i", by, whole, by))

"""Pairs of simulated photos of a mirror, before and after a move."""

from __future__ import annotations

import numpy as np

from align.optics.camera_model import CameraPrior, prior_from_focal
from align.solve.joint import Solution, solve
from align.solve.simulate import phone_camera, simulate
from align.target.sheets import SHEETS

SHEET, SIZE = SHEETS["a5"], (4032, 3024)


def two_stands(
    rng: np.random.Generator, move: tuple[float, float, float]
) -> tuple[Solution, Solution, CameraPrior]:
    """Two photos by one phone of a mirror that moved between them by (lean, turn [deg], gap [mm])."""
    camera = phone_camera(rng, prior_from_focal(SIZE, 26.0))
    mirror = np.array([*np.radians(rng.normal(0, 0.8, 2)), rng.uniform(20, 60), rng.choice([0.0, 3.0, 4.0])])
    bow = (float(rng.normal(0, 0.1)), float(rng.normal(0, 0.1)), float(rng.normal(0, 0.1)))
    solutions = []
    for moved in (0.0, 1.0):
        made = simulate(
            SHEET,
            eyes=[np.array([rng.uniform(-120, 120), rng.uniform(-560, -420), rng.uniform(220, 330)])],
            mirrors=[mirror + moved * np.array([np.radians(move[0]), np.radians(move[1]), move[2], 0.0])],
            camera_parameters=camera,
            size=SIZE,
            noise_px=0.1,
            rng=rng,
            equivalent_mm=26.0,
            bow_mm=bow,
        )
        solutions.append(solve(SHEET, made.views, made.prior))
    return solutions[0], solutions[1], made.prior

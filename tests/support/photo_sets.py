"""Simulated sets of views of one scene."""

from __future__ import annotations

import numpy as np

from align.optics.camera_model import prior_from_focal
from align.solve.problem import BOW_SD_MM, UNKNOWN_GLASS_MM, UNKNOWN_GLASS_SD_MM
from align.solve.simulate import phone_camera, simulate
from align.target.sheets import SHEETS
from tests.support.bounds import INDEX_SD
from tests.support.sighted import heights

SHEET = SHEETS["a5"]
SIZE = (4000, 3000)
NOISE = 0.05  # px, sd of each coordinate


def scene(seed, *, thickness=None, mirrors=None, elevations=(20, 34, 50), bow_mm=None, sheet=SHEET, noise=NOISE):
    """Photos from several heights; whatever is not given is drawn from the prior that the solve is given."""
    rng = np.random.default_rng([31, seed])
    prior = prior_from_focal(SIZE, 26.0)
    while thickness is None:
        drawn = rng.normal(UNKNOWN_GLASS_MM, UNKNOWN_GLASS_SD_MM)
        thickness = drawn if drawn > 0 else None
    if mirrors is None:
        mirrors = [np.array([*np.radians(rng.normal(0, 1.5, 2)), rng.uniform(5, 50), thickness])]
    return simulate(
        sheet,
        eyes=heights(rng, elevations),
        mirrors=mirrors,
        camera_parameters=phone_camera(rng, prior),
        size=SIZE,
        noise_px=noise,
        rng=rng,
        equivalent_mm=26.0,
        bow_mm=tuple(rng.normal(0, BOW_SD_MM, 3)) if bow_mm is None else bow_mm,
        index=1.52 + rng.normal(0, INDEX_SD),
    )

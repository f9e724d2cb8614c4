"""Simulated photos of a twisted mirror, of which one shows the upper part and the other the lower."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from align.bundle.photo_set import Sighted
from align.optics.camera_model import prior_from_focal
from align.solve.forward_model import DIRECT
from align.solve.joint import View
from align.target.sheets import SHEETS
from tests.rendering.analytic.exact import exact_pixels
from tests.rendering.analytic.scene import BentMirror, BentScene, LensCamera
from tests.rendering.analytic.shapes import Bend, Face

from .sighted import sighted_photo

SIZE_PX = (2800, 2100)
MIRROR = BentMirror(45.0, -1.8, -3.3, Face(320.0, 134.0, 0.3, (Bend("twist", 0.4, 0.0),)), 3.0)
#: Heights and depths of the cameras [mm]: the parts that they show lie 20 mm apart.
EYES = ((170.0, -480.0), (400.0, -330.0))
NOISE_PX = 0.02


def twisted_photos(turned_deg: float) -> list[Sighted]:
    """Two photos of an exact print, the mirror turned between them; corners by Fermat's principle."""
    rng = np.random.default_rng(8)
    photos = []
    for number, (height_mm, depth_mm) in enumerate(EYES):
        mirror = replace(MIRROR, turn_deg=MIRROR.turn_deg + number * turned_deg)
        lens = LensCamera((20.0, depth_mm, height_mm), (0.0, -10.0, 10.0), SIZE_PX, 2070.0, (1402.0, 1046.0))
        direct, reflected, _ = exact_pixels(BentScene(lens, mirror))
        ids, covariance = np.arange(len(direct)), np.broadcast_to(0.01 * np.eye(2), (len(direct), 2, 2))
        views = [
            View(0, which, ids, pixels + rng.normal(0, NOISE_PX, pixels.shape), covariance)
            for which, pixels in ((DIRECT, direct), (0, reflected))
        ]
        prior = prior_from_focal(SIZE_PX, 26.0)
        photos.append(sighted_photo(SHEETS["a5"], views, SIZE_PX, prior, f"{'ab'[number]}.jpg"))
    return photos

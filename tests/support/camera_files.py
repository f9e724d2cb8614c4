"""Camera files made up for tests."""

from __future__ import annotations

import math

import numpy as np

from align.photo.camera_file import CameraFile

MEAN = np.array([math.log(3012.5), 2010.25, 1490.75, 0.031, -0.012, 4e-4, -7e-4, 0.0])
SD = np.array([0.001, 2.0, 3.0, 0.002, 0.004, 1e-5, 2e-5, 0.0])


def camera_file(**changes):
    facts = {
        "mean": MEAN,
        "sd": SD,
        "size": (4000, 3000),
        "device": "Maker Phone 7",
        "focal_mm": 5.1,
        "date": "2026-05-04",
        "rms_px": 0.087654,
        "photos": 9,
        "model": "polynomial",
    }
    return CameraFile(**{**facts, **changes})

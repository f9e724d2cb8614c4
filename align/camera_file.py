"""The camera file: intrinsics of one phone at one photo size, as readable JSON ("align-camera-1")."""

from __future__ import annotations

import json
import math
import os
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .camera import CAMERA_PARAMETERS, CameraPrior
from .errors import CameraError, FileFormatError
from .photo import Photo

Array = NDArray[np.float64]
FORMAT = "align-camera-1"


@dataclass(frozen=True, eq=False)
class CameraFile:
    """What a camera file holds: parameters (8,) with sd (8,), and the photos they are for."""

    mean: Array
    sd: Array
    size: tuple[int, int]
    device: str
    focal_mm: float | None
    date: str
    rms_px: float
    photos: int
    model: str = ""

    def to_json(self) -> dict[str, Any]:
        """The file's object; focal length in pixels, its doubt beside it."""
        names = ("focal_px", *CAMERA_PARAMETERS[1:])
        values = [math.exp(self.mean[0]), *self.mean[1:]]
        doubts = [math.exp(self.mean[0]) * self.sd[0], *self.sd[1:]]
        return {
            "format": FORMAT,
            "size": list(self.size),
            "device": self.device,
            "focal_mm": self.focal_mm,
            "date": self.date,
            "photos": self.photos,
            "rms_px": round(float(self.rms_px), 4),
            "model": self.model,
            "parameters": {
                name: {"value": float(value), "sd": float(doubt)}
                for name, value, doubt in zip(names, values, doubts, strict=True)
            },
        }

    def prior(self) -> CameraPrior:
        """The camera as knowledge for a solve."""
        return CameraPrior(self.mean.copy(), self.sd.copy(), "file")


def read_camera_file(path: str | os.PathLike[str]) -> CameraFile:
    """Read a camera file; raises FileFormatError naming what is wrong with it."""
    path = Path(path)
    remedy = "Make a new one with `align camera PHOTO... --out CAMERA.json`."
    try:
        raw = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError, json.JSONDecodeError, RecursionError) as error:
        raise FileFormatError(f"{path} cannot be read as a camera file: {error}.", remedy) from None
    if not isinstance(raw, dict) or raw.get("format") != FORMAT:
        found = raw.get("format") if isinstance(raw, dict) else type(raw).__name__
        raise FileFormatError(f"{path}: expected format {FORMAT!r}, found {found!r}.", remedy)
    try:
        entries = raw["parameters"]
        names = ("focal_px", *CAMERA_PARAMETERS[1:])
        values = np.array([float(entries[name]["value"]) for name in names])
        doubts = np.array([float(entries[name]["sd"]) for name in names])
        size = (int(raw["size"][0]), int(raw["size"][1]))
        finite = np.isfinite(values).all() and np.isfinite(doubts).all()
        if not (finite and values[0] > 0 and (doubts >= 0).all() and min(size) > 0):
            raise ValueError("numbers must be finite, the focal length positive")
        doubts[0] /= values[0]
        values[0] = math.log(values[0])
        return CameraFile(
            values,
            doubts,
            size,
            str(raw.get("device", "")),
            None if raw.get("focal_mm") is None else float(raw["focal_mm"]),
            str(raw.get("date", "")),
            float(raw.get("rms_px", 0.0)),
            int(raw.get("photos", 0)),
            str(raw.get("model", "")),
        )
    except (KeyError, TypeError, ValueError, IndexError, OverflowError) as error:
        raise FileFormatError(f"{path} is damaged: {error}.", remedy) from None


def prior_for(camera: CameraFile, photo: Photo) -> CameraPrior:
    """The file's camera as knowledge for one photo, turned when the photo is turned.

    Raises
    ------
    CameraError
        The photo is of another size, or of another lens.
    """
    remedy = "Calibrate with photos of the same size and lens, or leave --camera out."
    if camera.focal_mm and photo.focal_mm and abs(camera.focal_mm / photo.focal_mm - 1) > 0.02:
        raise CameraError(
            f"The camera file is for a lens of {camera.focal_mm:g} mm; {photo.path.name} was taken "
            f"with {photo.focal_mm:g} mm.",
            remedy,
        )
    if camera.size == photo.size:
        return camera.prior()
    if camera.size == photo.size[::-1]:
        return _turned(camera)
    raise CameraError(
        f"The camera file is for photos of {camera.size[0]} x {camera.size[1]} px; {photo.path.name} has "
        f"{photo.size[0]} x {photo.size[1]} px.",
        remedy,
    )


def _turned(camera: CameraFile) -> CameraPrior:
    """The camera for photos turned by a quarter; which way is not known: the centre's offset gets doubt."""
    mean, sd = camera.mean.copy(), camera.sd.copy()
    offset_x = mean[1] - (camera.size[0] - 1) / 2
    offset_y = mean[2] - (camera.size[1] - 1) / 2
    mean[1], mean[2] = (camera.size[1] - 1) / 2, (camera.size[0] - 1) / 2
    sd[1], sd[2] = math.hypot(sd[2], offset_y), math.hypot(sd[1], offset_x)
    p1, p2 = mean[5], mean[6]
    mean[5], mean[6] = 0.0, 0.0
    sd[5], sd[6] = math.hypot(sd[6], p2), math.hypot(sd[5], p1)
    return CameraPrior(mean, sd, "file")

"""The camera file: intrinsics of one phone at one photo size, as readable JSON ("align-camera-1").

It says which phone, lens and day the photos were of, never a serial number or a place.
"""

from __future__ import annotations

import json
import math
import os
import re
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .camera import CAMERA_PARAMETERS, CameraPrior
from .errors import AlignError, CameraError, FileFormatError
from .photo import Photo

Array = NDArray[np.float64]
FORMAT = "align-camera-1"


@dataclass(frozen=True, eq=False)
class CameraFile:
    """What a camera file holds: parameters (8,) with sd (8,), and the photos they are for.

    model : the distortion terms that were measured, "k1 k2"; covariance : (8, 8) of `mean`, None in files
    that give each parameter's own doubt only.
    """

    mean: Array
    sd: Array
    size: tuple[int, int]
    device: str
    focal_mm: float | None
    date: str
    rms_px: float
    photos: int
    model: str = ""
    covariance: Array | None = None

    def to_json(self) -> dict[str, Any]:
        """The file's object; focal length in pixels, its doubt beside it."""
        names = ("focal_px", *CAMERA_PARAMETERS[1:])
        values = [math.exp(self.mean[0]), *self.mean[1:]]
        doubts = [math.exp(self.mean[0]) * self.sd[0], *self.sd[1:]]
        content = {
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
        if self.covariance is not None:
            scale = np.append(math.exp(self.mean[0]), np.ones(len(names) - 1))
            rows = (self.covariance * scale[:, None] * scale[None, :]).tolist()
            content["covariance"] = dict(zip(names, rows, strict=True))
        return content

    def prior(self) -> CameraPrior:
        """The camera as knowledge for a solve."""
        covariance = None if self.covariance is None else self.covariance.copy()
        return CameraPrior(self.mean.copy(), self.sd.copy(), "file", covariance)


def write_camera_file(camera: CameraFile, path: str | os.PathLike[str]) -> Path:
    """Write a camera file whole or not at all: beside its place first, then renamed.

    Raises
    ------
    AlignError
        The folder is missing or cannot be written to.
    """
    path = Path(path)
    text = json.dumps(camera.to_json(), indent=2, allow_nan=False, ensure_ascii=False)
    # Lists of numbers on one line each: a covariance is read row by row.
    text = re.sub(r"\[[^\[\]{}\"]*\]", lambda match: " ".join(match.group().split()), text)
    try:
        handle, beside = tempfile.mkstemp(prefix=f".{path.name}.", dir=path.parent)
        try:
            with os.fdopen(handle, "w", encoding="utf-8") as file:
                file.write(text + "\n")
            os.chmod(beside, 0o644)
            os.replace(beside, path)
        except BaseException:
            os.unlink(beside)
            raise
    except OSError as error:
        raise AlignError(
            f"The camera file {path} cannot be written: {error.strerror or error}.",
            "Name a file in a folder that exists and that you may write to.",
        ) from None
    return path


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
        covariance = _covariance(raw.get("covariance"), names, values, doubts)
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
            covariance,
        )
    except (KeyError, TypeError, ValueError, IndexError, OverflowError) as error:
        raise FileFormatError(f"{path} is damaged: {error}.", remedy) from None


def _covariance(rows: Any, names: tuple[str, ...], values: Array, doubts: Array) -> Array | None:
    """(8, 8) covariance with the focal length's logarithm, from rows in pixels; it must match the doubts."""
    if rows is None:
        return None
    covariance = np.array([[float(entry) for entry in rows[name]] for name in names])
    if covariance.shape != (len(names), len(names)) or not np.isfinite(covariance).all():
        raise ValueError(f"the covariance must have {len(names)} rows of {len(names)} finite numbers")
    scale = np.where(doubts > 0, doubts, 1.0)
    scaled = covariance / scale[:, None] / scale[None, :]
    matched = np.allclose(scaled, scaled.T, atol=1e-6) and np.allclose(np.diag(scaled), doubts > 0, atol=1e-3)
    if not matched or np.linalg.eigvalsh(scaled).min() < -1e-6:
        raise ValueError("the covariance contradicts the parameters' own doubts")
    in_logarithm = np.append(1.0 / values[0], np.ones(len(names) - 1))
    covariance = covariance * in_logarithm[:, None] * in_logarithm[None, :]
    return np.asarray((covariance + covariance.T) / 2)


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
    """The camera for photos turned by a quarter. Which way is not known: half and half, as one Gaussian.

    Turned clockwise the new centre is (height - 1 - y, x) and the tangential pair (p2, -p1); turned
    anticlockwise (y, width - 1 - x) and (-p2, p1).
    """
    width, height = camera.size
    centre = [(height - 1) / 2, (width - 1) / 2]
    offset_x, offset_y = camera.mean[1] - (width - 1) / 2, camera.mean[2] - (height - 1) / 2
    p1, p2 = camera.mean[5:7]
    clockwise = np.eye(len(camera.mean))
    clockwise[1:3, 1:3] = [[0, -1], [1, 0]]
    clockwise[5:7, 5:7] = [[0, 1], [-1, 0]]
    anticlockwise = clockwise.copy()
    anticlockwise[1:3, 1:3] *= -1
    anticlockwise[5:7, 5:7] *= -1
    mean = camera.mean.copy()
    mean[1:3], mean[5:7] = centre, 0.0
    apart = np.zeros(len(mean))  # half the way between the two cameras
    apart[1:3], apart[5:7] = [-offset_y, offset_x], [p2, -p1]
    known = np.diag(camera.sd**2) if camera.covariance is None else camera.covariance
    both = (clockwise @ known @ clockwise.T + anticlockwise @ known @ anticlockwise.T) / 2
    covariance = both + np.outer(apart, apart)
    return CameraPrior(mean, np.sqrt(np.diag(covariance)), "file", covariance)

"""The camera file: intrinsics of one phone at one photo size, as readable JSON ("align-camera-1").

It says which phone, lens and day the photos were of, never a serial number or a place.
"""

from __future__ import annotations

import json
import math
import os
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..errors import CameraError, FileFormatError
from ..optics.camera_model import CAMERA_PARAMETERS, CameraPrior
from ..ordinary_file import CannotRead, read_text
from ..whole_file import write_whole
from . import thresholds
from .facts import Lens, orientation_matrix
from .read import Photo

Array = NDArray[np.float64]
FORMAT = "align-camera-1"
REMEDY = "Make a new one with `align camera PHOTO... --out CAMERA.json`."


@dataclass(frozen=True, eq=False)
class CameraFile:
    """What a camera file holds: parameters (8,) with sd (8,), and the photos they are for.

    model : the distortion terms that were measured, "k1 k2"; covariance : (8, 8) of `mean`, None in files
    that give each parameter's own uncertainty only; equivalent_mm, orientation : as in `photo.read.Photo`.
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
    equivalent_mm: float | None = None
    orientation: int | None = None

    @property
    def lens(self) -> Lens:
        """Which lens and zoom the photos' files named."""
        return Lens(self.focal_mm, self.equivalent_mm)

    def to_json(self) -> dict[str, Any]:
        """The file's object; focal length in pixels, its uncertainty beside it."""
        names = ("focal_px", *CAMERA_PARAMETERS[1:])
        values = [math.exp(self.mean[0]), *self.mean[1:]]
        uncertainties = [math.exp(self.mean[0]) * self.sd[0], *self.sd[1:]]
        content = {
            "format": FORMAT,
            "size": list(self.size),
            "device": self.device,
            "focal_mm": self.focal_mm,
            "equivalent_mm": self.equivalent_mm,
            "orientation": self.orientation,
            "date": self.date,
            "photos": self.photos,
            "rms_px": round(float(self.rms_px), 4),
            "model": self.model,
            "parameters": {
                name: {"value": float(value), "sd": float(uncertainty)}
                for name, value, uncertainty in zip(names, values, uncertainties, strict=True)
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
    """Write a camera file whole or not at all.

    Raises
    ------
    AlignError
        The folder is missing or cannot be written to.
    """
    path = Path(path)
    text = json.dumps(camera.to_json(), indent=2, allow_nan=False, ensure_ascii=False)
    # Lists of numbers on one line each: a covariance is read row by row.
    text = re.sub(r"\[[^\[\]{}\"]*\]", lambda match: " ".join(match.group().split()), text)
    write_whole(path, (text + "\n").encode())
    return path


def read_camera_file(path: str | os.PathLike[str]) -> CameraFile:
    """Read a camera file; raises FileFormatError naming what is wrong with it."""
    path = Path(path)
    try:
        raw = json.loads(read_text(path))
    except FileNotFoundError:
        raise FileFormatError(f"There is no file {path}.", f"See that its name is right. {REMEDY}") from None
    except CannotRead as error:
        raise FileFormatError(f"{path} cannot be read as a camera file: it {error}.", REMEDY) from None
    except (ValueError, RecursionError) as error:
        raise FileFormatError(f"{path} cannot be read as a camera file: {error}.", REMEDY) from None
    return camera_file_from_json(raw, str(path))


def camera_file_from_json(raw: Any, where: str) -> CameraFile:
    """A camera file's contents from its JSON object; raises FileFormatError naming `where`."""
    if not isinstance(raw, dict) or raw.get("format") != FORMAT:
        found = raw.get("format") if isinstance(raw, dict) else type(raw).__name__
        raise FileFormatError(f"{where}: expected format {FORMAT!r}, found {found!r}.", REMEDY)
    try:
        entries = raw["parameters"]
        names = ("focal_px", *CAMERA_PARAMETERS[1:])
        values = np.array([float(entries[name]["value"]) for name in names])
        uncertainties = np.array([float(entries[name]["sd"]) for name in names])
        size = (int(raw["size"][0]), int(raw["size"][1]))
        finite = np.isfinite(values).all() and np.isfinite(uncertainties).all()
        if not (finite and values[0] > 0 and (uncertainties >= 0).all() and min(size) > 0):
            raise ValueError("numbers must be finite, the focal length positive")
        _refuse_odd_focal_length(where, float(values[0]), max(size))
        _refuse_odd_centre(where, values[1:3], size)
        covariance = _covariance(raw.get("covariance"), names, values, uncertainties)
        uncertainties[0] /= values[0]
        values[0] = math.log(values[0])
        return CameraFile(
            values,
            uncertainties,
            size,
            str(raw.get("device", "")),
            _positive_or_none(raw.get("focal_mm")),
            str(raw.get("date", "")),
            float(raw.get("rms_px", 0.0)),
            int(raw.get("photos", 0)),
            str(raw.get("model", "")),
            covariance,
            _positive_or_none(raw.get("equivalent_mm")),
            _orientation(raw.get("orientation")),
        )
    except (KeyError, TypeError, ValueError, IndexError, OverflowError) as error:
        raise FileFormatError(f"{where} is damaged: {error}.", REMEDY) from None


def _refuse_odd_focal_length(where: str, focal_px: float, long_side_px: int) -> None:
    """Name a focal length that no lens has, before a solve fails over it and blames the photo."""
    low, high = (share * long_side_px for share in thresholds.FOCAL_SIDES)
    if not low <= focal_px <= high:
        raise FileFormatError(
            f"{where}: its focal_px is {focal_px:g}; for photos of {long_side_px} px, {low:.0f} to {high:.0f} was "
            "expected.",
            REMEDY,
        )


def _refuse_odd_centre(where: str, centre_px: Array, size: tuple[int, int]) -> None:
    """A centre far off the frame's middle: width and height were swapped, or the numbers are not of this frame."""
    if (np.abs(centre_px / np.array(size) - 0.5) > thresholds.CENTRE_OFF_SHARE).any():
        raise FileFormatError(
            f"{where}: its centre, ({centre_px[0]:.0f}, {centre_px[1]:.0f}) px, is far off the middle of photos of "
            f"{size[0]} x {size[1]} px. Are width and height swapped?",
            REMEDY,
        )


def _positive_or_none(value: Any) -> float | None:
    if value is None:
        return None
    if not 0 < float(value) < math.inf:
        raise ValueError("focal lengths must be finite and positive")
    return float(value)


def _orientation(value: Any) -> int | None:
    if value is not None and value not in range(1, 9):
        raise ValueError("the orientation must be one of EXIF's, 1 to 8")
    return None if value is None else int(value)


def _covariance(rows: Any, names: tuple[str, ...], values: Array, uncertainties: Array) -> Array | None:
    """(8, 8) covariance with the focal length's logarithm, from rows in pixels; it must match the uncertainties."""
    if rows is None:
        return None
    covariance = np.array([[float(entry) for entry in rows[name]] for name in names])
    if covariance.shape != (len(names), len(names)) or not np.isfinite(covariance).all():
        raise ValueError(f"the covariance must have {len(names)} rows of {len(names)} finite numbers")
    scale = np.where(uncertainties > 0, uncertainties, 1.0)
    scaled = covariance / scale[:, None] / scale[None, :]
    matched = np.allclose(scaled, scaled.T, atol=1e-6) and np.allclose(
        np.diag(scaled), uncertainties > 0, atol=1e-3
    )
    if not matched or np.linalg.eigvalsh(scaled).min() < -1e-6:
        raise ValueError("the covariance contradicts the parameters' own uncertainties")
    in_logarithm = np.append(1.0 / values[0], np.ones(len(names) - 1))
    covariance = covariance * in_logarithm[:, None] * in_logarithm[None, :]
    return np.asarray((covariance + covariance.T) / 2)


def prior_for(camera: CameraFile, photo: Photo) -> CameraPrior:
    """The file's camera as knowledge for one photo, turned as the photo was turned.

    Raises
    ------
    CameraError
        The photo is of another size, or of another lens or zoom.
    """
    remedy = "Calibrate with photos of the same size and lens, or leave --camera out."
    differ = camera.lens.differs(photo.lens)
    if differ is not None:
        raise CameraError(
            f"The camera file is for a lens of {differ[0]}; {photo.path.name} was taken with {differ[1]}.",
            remedy,
        )
    if sorted(camera.size) != sorted(photo.size):
        raise CameraError(
            f"The camera file is for photos of {camera.size[0]} x {camera.size[1]} px; {photo.path.name} has "
            f"{photo.size[0]} x {photo.size[1]} px.",
            remedy,
        )
    turns = _turns(camera, photo)
    if len(turns) == 1 and np.array_equal(turns[0], np.eye(2)):
        return camera.prior()
    return _turned(camera, photo.size, turns)


#: Directions turned by a quarter, clockwise and anticlockwise (x right, y down).
_QUARTERS = (np.array([[0.0, -1.0], [1.0, 0.0]]), np.array([[0.0, 1.0], [-1.0, 0.0]]))


def _turns(camera: CameraFile, photo: Photo) -> list[Array]:
    """(2, 2) turns from the file's photos to this one, those that may be: one where both files name theirs."""
    upright = camera.size == photo.size
    if camera.orientation is not None and photo.orientation is not None:
        turn = orientation_matrix(photo.orientation) @ orientation_matrix(camera.orientation).T
        if camera.size[0] == camera.size[1] or (turn[0, 0] != 0) == upright:
            return [turn]
    return [np.eye(2)] if upright else list(_QUARTERS)


def _turned(camera: CameraFile, size: tuple[int, int], turns: Sequence[Array]) -> CameraPrior:
    """The camera for photos of `size` turned in one of some ways: each as likely, as one Gaussian.

    The centre's offset from the middle turns as a direction does, and so does the pair (p2, p1), for the
    tangential distortion of a place q is 2 (p . q) q + p |q|^2 with p = (p2, p1).
    """
    middle, new_middle = ((np.array(of) - 1.0) / 2 for of in (camera.size, size))
    known = np.diag(camera.sd**2) if camera.covariance is None else camera.covariance
    start = camera.mean.copy()
    start[1:3] -= middle
    means, covariances = [], []
    for turn in turns:
        by = np.eye(len(start))
        by[1:3, 1:3], by[5:7, 5:7] = turn, turn[::-1, ::-1]
        means.append(by @ start)
        covariances.append(by @ known @ by.T)
    mean = np.mean(means, axis=0)
    apart = [np.outer(one - mean, one - mean) for one in means]
    covariance = np.mean(covariances, axis=0) + np.mean(apart, axis=0)
    mean[1:3] += new_middle
    return CameraPrior(mean, np.sqrt(np.diag(covariance)), "file", covariance)

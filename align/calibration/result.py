"""What a calibration's answer is made of: frozen, free of files and drawing, and ready for JSON."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..quantity import Quantity

Array = NDArray[np.float64]


@dataclass(frozen=True)
class CameraTerm:
    """One parameter with its 95 % interval; used: False where the corners do not ask for it."""

    name: str
    quantity: Quantity
    used: bool


@dataclass(frozen=True)
class PhotoFit:
    """One photo: corners used and left out, how well they fit [px rms]; why the photo was left out, or ""."""

    file: str
    corners: int
    corners_left_out: int
    rms_px: float
    left_out: str = ""

    def to_json(self) -> dict[str, Any]:
        """All fields; rms_px is null for a photo that was left out."""
        return {
            "file": self.file,
            "corners": self.corners,
            "corners_left_out": self.corners_left_out,
            "rms_px": None if self.left_out else round(self.rms_px, 4),
            "left_out": self.left_out or None,
        }


@dataclass(frozen=True)
class ModelWeight:
    """A distortion model: its terms, its BIC above the chosen one's, its share of belief."""

    terms: tuple[str, ...]
    bic_above_chosen: float
    weight: float

    def to_json(self) -> dict[str, Any]:
        """All fields."""
        return {
            "terms": list(self.terms),
            "bic_above_chosen": round(self.bic_above_chosen, 2),
            "weight": round(self.weight, 6),
        }


@dataclass(frozen=True)
class FrameCoverage:
    """How the corners lie in the frame.

    cells : corners in each cell of a grid, rows from the top; gaps : which of the frame's nine parts hold
    few, as (row, column) names: upper, middle, lower; left, middle, right.
    """

    cells: tuple[tuple[int, ...], ...]
    gaps: tuple[tuple[str, str], ...]

    @property
    def covered_share(self) -> float:
        """Share of the cells that hold a corner."""
        counts = np.array(self.cells)
        return float((counts > 0).mean())

    def to_json(self) -> dict[str, Any]:
        """All fields, and the share covered."""
        return {
            "cells": [list(row) for row in self.cells],
            "covered_share": round(self.covered_share, 3),
            "gaps": [f"{row} {column}" for row, column in self.gaps],
        }


@dataclass(frozen=True, eq=False)
class NextPhoto:
    """The further photo that would teach most, and the uncertainty of directions in the frame without and with it.

    column, row, tilt : as in `next_photo`; fill : share of the frame; outline_px : (4, 2) of the squares;
    before_px, after_px : 95 % half-width, root mean square over the frame.
    """

    column: str
    row: str
    tilt: str
    fill: float
    outline_px: Array
    before_px: float
    after_px: float

    def to_json(self) -> dict[str, Any]:
        """All fields but the outline."""
        return {
            "place": f"{self.row} {self.column}",
            "tilt": self.tilt,
            "fill": self.fill,
            "rms_direction_doubt_px": {
                "before": round(self.before_px, 4),
                "after": round(self.after_px, 4),
            },
        }


@dataclass(frozen=True, eq=False)
class Calibration:
    """The answer of `calibration.job.calibrate`.

    mean (8,), covariance (8, 8) : in the order of CAMERA_PARAMETERS;
    terms : the same for people; models : all that were weighed, the chosen one first;
    direction_doubt_px, worst_direction_doubt_px : 95 % half-width, median where corners were seen, and at
    the worst place of the frame (infinite where nothing is known);
    corners_px, residuals_px : (n, 2), fit minus photo.
    """

    photos: tuple[PhotoFit, ...]
    size: tuple[int, int]
    device: str
    focal_mm: float | None
    equivalent_mm: float | None
    orientation: int | None
    date: str
    mean: Array
    covariance: Array
    terms: tuple[CameraTerm, ...]
    models: tuple[ModelWeight, ...]
    rms_px: float
    direction_uncertainty_px: float
    worst_direction_uncertainty_px: float
    coverage: FrameCoverage
    next_photo: NextPhoto
    warnings: tuple[str, ...] = ()
    corners_px: Array = field(default_factory=lambda: np.zeros((0, 2)), repr=False)
    residuals_px: Array = field(default_factory=lambda: np.zeros((0, 2)), repr=False)

    @property
    def used(self) -> tuple[PhotoFit, ...]:
        """The photos that the camera was measured from."""
        return tuple(photo for photo in self.photos if not photo.left_out)

    @property
    def model(self) -> str:
        """The chosen distortion terms, "k1 k2"; "none" for none."""
        return " ".join(self.models[0].terms) or "none"

    def to_json(self) -> dict[str, Any]:
        """The answer of `align camera --json`; the worst uncertainty is null where nothing is known."""
        worst = self.worst_direction_uncertainty_px
        return {
            "format": "align-calibration-1",
            "photos": [photo.to_json() for photo in self.photos],
            "size": list(self.size),
            "device": self.device,
            "focal_mm": self.focal_mm,
            "equivalent_mm": self.equivalent_mm,
            "orientation": self.orientation,
            "date": self.date,
            "rms_px": round(self.rms_px, 4),
            "model": self.model,
            "models": [model.to_json() for model in self.models],
            "parameters": {term.name: {**term.quantity.to_json(), "used": term.used} for term in self.terms},
            "direction_doubt_px": {
                "where_seen": round(self.direction_uncertainty_px, 4),
                "worst": None if np.isinf(worst) else round(worst, 4),
            },
            "coverage": self.coverage.to_json(),
            "next_photo": self.next_photo.to_json(),
            "warnings": list(self.warnings),
        }

"""Which distortion terms a lens needs: nested models weighed from one fit that has them all."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..optics.camera_model import CAMERA_PARAMETERS

Array = NDArray[np.float64]


@dataclass(frozen=True)
class DistortionModel:
    """So many radial terms (0 to 3: k1, k2, k3), and the tangential pair p1, p2 or not."""

    radial: int
    tangential: bool

    @property
    def terms(self) -> tuple[str, ...]:
        """Names of the terms, as in CAMERA_PARAMETERS."""
        return ("k1", "k2", "k3")[: self.radial] + (("p1", "p2") if self.tangential else ())

    @property
    def free(self) -> NDArray[np.bool_]:
        """(8,) which camera parameters the model leaves free: focal length and centre always."""
        always = CAMERA_PARAMETERS[:3]
        return np.array([name in always or name in self.terms for name in CAMERA_PARAMETERS])


MODELS = tuple(DistortionModel(radial, tangential) for tangential in (False, True) for radial in range(4))
FULL_MODEL = DistortionModel(3, True)


@dataclass(frozen=True)
class Weighed:
    """One model against the corners.

    bic : Bayesian information criterion above the likeliest model's; weight : share of belief, all models
    together 1.
    """

    model: DistortionModel
    bic: float
    weight: float


def weigh(mean: Array, covariance: Array, degrees: float, coordinates: int) -> tuple[Weighed, ...]:
    """All models, the likeliest first, from the fit of the full one.

    Pixels are all but linear in the terms, so that how much worse the fit is without some of them follows
    from the full fit's covariance, with the same corners and the same noise for every model.

    Parameters
    ----------
    mean, covariance : (8,), (8, 8) of the full model's camera; degrees : of freedom of its noise;
    coordinates : how many pixel coordinates were fitted.

    Source: G. Schwarz, Estimating the dimension of a model, Annals of Statistics 6 (1978), 461-464; the
    weights from the criterion: A. Raftery, Bayesian model selection in social research, Sociological
    Methodology 25 (1995), 111-163, section 4.
    """
    criteria = [
        coordinates * math.log1p(_worse(mean, covariance, ~model.free) / degrees)
        + len(model.terms) * math.log(coordinates)
        for model in MODELS
    ]
    best = min(criteria)
    likelihoods = np.exp(-0.5 * (np.array(criteria) - best))
    weights = likelihoods / likelihoods.sum()
    weighed = [
        Weighed(model, criterion - best, float(weight))
        for model, criterion, weight in zip(MODELS, criteria, weights, strict=True)
    ]
    return tuple(sorted(weighed, key=lambda one: one.bic))


def _worse(mean: Array, covariance: Array, dropped: NDArray[np.bool_]) -> float:
    """How much worse (chi-square) the fit is with some parameters at zero: Wald's statistic."""
    off = np.flatnonzero(dropped)
    return float(mean[off] @ np.linalg.solve(covariance[np.ix_(off, off)], mean[off])) if len(off) else 0.0

"""How much is not flat, and how far the print may be off: scales of the priors, weighed by what the corners say.

Every mirror bends, every sheet bows and every print is off, by a micrometre or by a millimetre. Allowing for a
millimetre everywhere would make good answers poor, allowing for none makes bad ones sure of themselves. So the
priors' scales are unknowns as well: each has a few levels with odds of their own, and the corners' marginal
likelihood (the fit's, times the share of the prior that the corners leave) weighs them. The same weighs which edges
and corners of the sheet curl. What remains likely besides the best is averaged into the answer's covariance.

Sources: D. J. C. MacKay, Bayesian interpolation, Neural Computation 4 (1992) 415 (evidence of linear models, scales
of priors); J. A. Hoeting, D. Madigan, A. E. Raftery, C. T. Volinsky, Bayesian model averaging: a tutorial,
Statistical Science 14 (1999) 382.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from .reflection import BEND_POWERS, Face
from .sheet_shape import Curl
from .thresholds import (
    BEND_LIKELIHOODS,
    BEND_REACH,
    BOW_LIKELIHOODS,
    CURL_LIKELIHOODS,
    CURL_ODDS,
    PRINT_LIKELIHOODS,
)

Array = NDArray[np.float64]
#: Edges and corners of a sheet.
PLACES = 8


@dataclass(frozen=True)
class Shape:
    """What a solve allows for beyond flat mirrors and an exact print.

    faces : the part of each mirror that was seen; curvatures : prior sd of each mirror's bend [1/mm];
    bow_sd_mm : of the sheet's bow; print_level : in units of PRINT_SDS; 0: exact; ratio_known : both rules were
    measured; curls : with the prior sd of each one's lift [mm].
    """

    faces: tuple[Face, ...]
    curvatures: tuple[float, ...]
    bow_sd_mm: float
    print_level: float
    curls: tuple[tuple[Curl, float], ...] = ()

    def bend_sd(self, mirror: int) -> Array:
        """(12,) prior sd of a mirror's bend parameters [mm]."""
        return self.curvatures[mirror] * bend_units(self.faces[mirror])


def bend_units(face: Face, powers: Sequence[tuple[int, int]] = BEND_POWERS) -> Array:
    """(12,) [mm^2] bend parameters of a face with unit curvature, which changes over BEND_REACH half sizes.

    Each further power is that much of Taylor's series of an arch, cos(x / reach).
    """
    units = []
    for i, j in powers:
        lengths = (face.half_u_mm**i * face.half_v_mm**j) ** (2 / (i + j))
        units.append(lengths / (math.factorial(i) * math.factorial(j) * BEND_REACH ** (i + j - 2)))
    return np.array(units)


@dataclass(frozen=True)
class Choice:
    """Scales and curls: positions in the tables of levels, and (number in the catalogue, level) of each curl."""

    bend: tuple[int, ...]
    bow: int
    print: int
    curls: tuple[tuple[int, int], ...] = ()

    def with_bend(self, mirror: int, level: int) -> Choice:
        """The same with one mirror bent otherwise."""
        return replace(self, bend=(*self.bend[:mirror], level, *self.bend[mirror + 1 :]))

    @property
    def log_odds(self) -> float:
        """Logarithm of how likely it is before the photo is looked at."""
        total = sum(math.log(BEND_LIKELIHOODS[level]) for level in self.bend)
        total += math.log(BOW_LIKELIHOODS[self.bow])
        total += math.log(PRINT_LIKELIHOODS[self.print]) if self.print >= 0 else 0.0
        return total + sum(math.log(CURL_ODDS * CURL_LIKELIHOODS[level] / PLACES) for _, level in self.curls)

"""How a face may be bent beyond the part that was seen: the powers that the solve leaves out."""

from __future__ import annotations

import math

import numpy as np
from numpy.polynomial import legendre
from numpy.typing import NDArray

from .reflection import Face
from .shape_choice import bend_units

Array = NDArray[np.float64]
#: Powers along u and v beyond those of the solve that an extrapolation allows for.
FURTHER_POWERS = tuple((power - k, k) for power in (6, 5) for k in range(power + 1))


def curvature_found(face: Face, values: Array, covariance: Array) -> float:
    """Curvature [1/mm] of a face bent by (12,), one standard deviation, with what its covariance leaves open."""
    expected = values**2 + np.diag(covariance)
    return math.sqrt(float(np.mean((expected / bend_units(face) ** 2)[:3])))


def further_bend(face: Face, places: Array, curvature: float) -> tuple[Array, Array]:
    """Heights (n, k) and slopes (n, 2, k) of one sd of the powers that the solve leaves out, at (n, 2) places.

    As likely as the powers that it has: with the curvature [1/mm] that it found, each further power less. Within
    the part that was seen they are next to nothing; beyond it they soon outgrow all else.
    """
    halves = np.array([face.half_u_mm, face.half_v_mm])
    near = (places - [face.u_mm, face.v_mm]) / halves
    at, by = zip(*(_monic_legendre(power, near) for power in range(1 + FURTHER_POWERS[0][0])), strict=True)
    sds = curvature * bend_units(face, FURTHER_POWERS)
    heights = np.column_stack([at[i][:, 0] * at[j][:, 1] for i, j in FURTHER_POWERS]) * sds
    slopes = [
        np.column_stack([by[i][:, 0] * at[j][:, 1] for i, j in FURTHER_POWERS]) * sds / halves[0],
        np.column_stack([at[i][:, 0] * by[j][:, 1] for i, j in FURTHER_POWERS]) * sds / halves[1],
    ]
    return heights, np.stack(slopes, axis=1)


def _monic_legendre(power: int, x: Array) -> tuple[Array, Array]:
    """Legendre's polynomial with first coefficient 1, and its derivative."""
    series = np.eye(power + 1)[power] * 2**power * math.factorial(power) ** 2 / math.factorial(2 * power)
    return np.asarray(legendre.legval(x, series)), np.asarray(legendre.legval(x, legendre.legder(series)) + 0 * x)

"""The shape of a lamp's image: a soft-edged disc or ellipse, and how its light changes with size and distance."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

#: Places at which a lamp's radial profile is worked out.
DISC_NODES = 100


def shrinking(longer: Array) -> Array:
    """(2, 2) symmetric, of determinant 1: makes an ellipse round. longer : log of its axes' ratio, angle
    doubled.
    """
    half = float(np.hypot(*longer)) / 2
    turned = np.array([[longer[0], longer[1]], [longer[1], -longer[0]]]) / 2
    return np.asarray(np.cosh(half) * np.eye(2) - (np.sinh(half) / half if half > 1e-9 else 1.0) * turned)


def soft_disc(radius: float, soft: float) -> tuple[Array, Array]:
    """(distances, light) of a disc of light 1 blurred by a Gaussian of sd `soft`: the radial profile.

    The complement of Marcum's Q (J. Marcum, RAND RM-753, 1950), as the integral of its slope from outside.
    """
    nodes, slope, _ = disc_slopes(radius, soft)
    return nodes, light_of_slope(nodes, slope)


def light_of_slope(nodes: Array, slope: Array) -> Array:
    """A radial profile from its slope: nothing at the last node, and the slope's integral from there."""
    steps = np.diff(nodes) * (slope[1:] + slope[:-1]) / 2
    return np.concatenate([-np.cumsum(steps[::-1])[::-1], [0.0]])


def disc_slopes(radius: float, soft: float) -> tuple[Array, Array, Array]:
    """(distances, slope of `soft_disc` by distance, slope by log radius).

    A blurred disc changes by what its edge sends: -(r / s^2) exp(-(d - r)^2 / (2 s^2)) I1(r d / s^2) by distance d,
    the same with I0, positive, by radius r; I0 and I1 scaled by exp(-r d / s^2).
    """
    from scipy.special import i0e, i1e

    near, far = max(0.0, radius - 6.0 * soft), radius + 6.0 * soft
    nodes = np.linspace(near, far, DISC_NODES)
    if near > 0:
        nodes = np.concatenate([[0.0], nodes])
    edge = radius / soft**2 * np.exp(-((nodes - radius) ** 2) / (2 * soft**2))
    reach = radius * nodes / soft**2
    return nodes, -edge * i1e(reach), radius * edge * i0e(reach)

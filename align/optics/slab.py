"""Light on a mirror of glass: refraction, Fresnel, the place and strength of images, ghosts and seam.

Pure optics, no files and no pictures. Angles in radians, lengths in mm. A mirror is a slab of glass of
thickness t and refractive index n_g in air, silvered at the back (t = 0: front-coated). The order k of an
image counts the passes of its light down to the silvering: k = 0 is the reflection of the front face,
1 the main image, 2, 3 ... later ghosts.

Sources: M. Born, E. Wolf, Principles of Optics, 7th ed. (1999), section 1.5.2 (Fresnel formulae);
E. Hecht, Optics, 5th ed. (2017), section 4.6; the order sum of a silvered slab follows from tracing
one ray (docs/theory.md).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]

#: Clear soda-lime float glass in visible light, and how far one melt may differ (1 sd, a choice). Source: M. Rubin,
#: Optical properties of soda lime silica glasses, Solar Energy Materials 12 (1985) 275-288, from memory:
#: n = 1.5130 - 0.003169 w^2 + 0.003962 / w^2 at wavelength w [um], hence 1.523 at 0.589 um, 1.521 at 0.65 um and
#: 1.532 at 0.45 um. EN 572-1, from memory, gives 1.50 as a rounded figure for buildings.
FLOAT_GLASS_INDEX = 1.52
FLOAT_GLASS_INDEX_SD = 0.005
#: Glass thicknesses that mirrors are commonly sold in [mm] (nominal thicknesses of EN 572-2 and EN 1036-1).
COMMON_GLASS_MM = (2.0, 3.0, 4.0, 5.0, 6.0)
#: Glass below this is none, and the mirror front-coated [mm]: halfway between no glass and the thinnest common one.
THINNEST_GLASS_MM = COMMON_GLASS_MM[0] / 2
#: Reflectance of silver behind glass in visible light, about; common practice, no source.
SILVERING_REFLECTANCE = 0.93


def refracted_angle(incidence: ArrayLike, index: float = FLOAT_GLASS_INDEX) -> Array:
    """Angle inside the glass [rad] of a ray that meets it from air at `incidence` [rad] (Snell's law)."""
    return np.asarray(np.arcsin(np.sin(np.asarray(incidence, float)) / index))


def fresnel_reflectance(incidence: ArrayLike, index: float = FLOAT_GLASS_INDEX) -> tuple[Array, Array]:
    """Share of intensity reflected by a bare air-glass face, for s and p polarisation.

    Parameters
    ----------
    incidence : angle from the normal [rad], in air; index : refractive index of the glass.

    Returns
    -------
    (R_s, R_p), each shaped like `incidence`. Source: Born & Wolf, section 1.5.2, eqs (21a), (32)-(33).
    """
    incidence = np.asarray(incidence, float)
    cos_out = np.cos(incidence)
    cos_in = np.sqrt(1.0 - (np.sin(incidence) / index) ** 2)
    r_s = (cos_out - index * cos_in) / (cos_out + index * cos_in)
    r_p = (index * cos_out - cos_in) / (index * cos_out + cos_in)
    return r_s**2, r_p**2


def unpolarised_reflectance(incidence: ArrayLike, index: float = FLOAT_GLASS_INDEX) -> Array:
    """Mean of the s and p reflectances of a bare face."""
    r_s, r_p = fresnel_reflectance(incidence, index)
    return (r_s + r_p) / 2.0


def image_strength(
    order: int,
    incidence: ArrayLike,
    *,
    index: float = FLOAT_GLASS_INDEX,
    silvering: float = SILVERING_REFLECTANCE,
) -> Array:
    """Intensity of the image of order k, for a source of intensity 1, unpolarised light.

    Front ghost R; image k >= 1: (1 - R)^2 s^k R^(k - 1), for each polarisation, then averaged.
    """
    parts = []
    for reflectance in fresnel_reflectance(incidence, index):
        if order == 0:
            parts.append(reflectance)
        else:
            parts.append((1 - reflectance) ** 2 * silvering**order * reflectance ** (order - 1))
    return np.asarray((parts[0] + parts[1]) / 2.0)


def solve_chief_ray(height_sum: ArrayLike, lateral: ArrayLike, passes_thickness: ArrayLike, index: float) -> Array:
    """tan(theta) of the ray from a point to the eye by way of the glass.

    Solves  rho = (a + b) tan(theta) + 2 k t tan(theta'),  sin(theta) = n_g sin(theta').

    Parameters
    ----------
    height_sum : a + b [mm], heights of point and eye above the front face, added
    lateral : rho [mm], distance between their feet on the face
    passes_thickness : k t [mm]
    index : n_g

    Returns
    -------
    tan(theta), broadcast shape. Newton's method from the small-angle solution; the left side is increasing
    and concave in tan(theta), so the first step lands below the root and the rest climb to it.
    """
    s = np.asarray(height_sum, float)
    rho = np.asarray(lateral, float)
    kt = np.asarray(passes_thickness, float)
    n2 = index * index
    tau = rho / (s + 2.0 * kt / index)
    for _ in range(25):
        root = np.sqrt(n2 + (n2 - 1.0) * tau * tau)
        value = s * tau + 2.0 * kt * tau / root - rho
        step = value / (s + 2.0 * kt * n2 / root**3)
        tau = tau - step
        if np.all(np.abs(step) <= 1e-15 + 1e-14 * np.abs(tau)):
            break
    return np.asarray(tau)


def virtual_depth(height_sum: ArrayLike, lateral: ArrayLike, passes_thickness: ArrayLike, index: float) -> Array:
    """How much deeper than the front face's own mirror image the image seems, along the normal [mm].

    delta = 2 k t tan(theta') / tan(theta) = 2 k t / sqrt(n_g^2 + (n_g^2 - 1) tan^2(theta)); 2 k t / n_g seen
    square on. It is also the depth of the seam for something that touches the glass (k = 1).
    """
    tau = solve_chief_ray(height_sum, lateral, passes_thickness, index)
    n2 = index * index
    return np.asarray(2.0 * np.asarray(passes_thickness, float) / np.sqrt(n2 + (n2 - 1.0) * tau * tau))


def virtual_depth_derivatives(
    height_sum: Array, lateral: Array, passes_thickness: float, index: float
) -> tuple[Array, Array, Array, Array, Array]:
    """`virtual_depth` and its derivatives by height sum, lateral distance, k t and index.

    By implicit differentiation of the chief-ray equation.
    """
    n2 = index * index
    kt = passes_thickness
    tau = solve_chief_ray(height_sum, lateral, kt, index)
    root2 = n2 + (n2 - 1.0) * tau * tau
    root = np.sqrt(root2)
    slope = height_sum + 2.0 * kt * n2 / (root2 * root)  # d(rho)/d(tau)
    delta = 2.0 * kt / root
    d_tau = -2.0 * kt * (n2 - 1.0) * tau / (root2 * root)
    d_index_at_tau = -2.0 * kt * index * (1.0 + tau * tau) / (root2 * root)
    tau_by_index = 2.0 * kt * tau * index * (1.0 + tau * tau) / (root2 * root) / slope
    by_sum = d_tau * (-tau / slope)
    by_lateral = d_tau / slope
    by_kt = 2.0 / root + d_tau * (-2.0 * tau / root / slope)
    by_index = d_index_at_tau + d_tau * tau_by_index
    return delta, by_sum, by_lateral, by_kt, by_index


def virtual_point(
    point: Array,
    eye: Array,
    *,
    normal: Array,
    plane_point: Array,
    thickness_mm: float,
    order: int = 1,
    index: float = FLOAT_GLASS_INDEX,
) -> Array:
    """Where `eye` sees the image of order k of `point`: a point behind the glass on the right line of sight.

    Parameters
    ----------
    point : (n, 3) [mm] before the mirror; eye : (3,) [mm]; normal : (3,) unit, towards the viewer;
    plane_point : (3,) [mm] on the *front* face; all in one frame.

    Returns
    -------
    (n, 3) [mm]. Only its direction from `eye` has a physical meaning.
    """
    point = np.atleast_2d(np.asarray(point, float))
    heights = (point - plane_point) @ normal
    eye_height = float((np.asarray(eye) - plane_point) @ normal)
    separation = np.asarray(eye, float) - point
    lateral2 = (separation**2).sum(axis=1) - (eye_height - heights) ** 2
    depth = virtual_depth(heights + eye_height, np.sqrt(np.maximum(lateral2, 0.0)), order * thickness_mm, index)
    return np.asarray(point - (2.0 * heights + depth)[:, None] * normal)


def seam_width_mm(incidence: ArrayLike, thickness_mm: float, index: float = FLOAT_GLASS_INDEX) -> Array:
    """Depth [mm] between something that touches the glass and its own reflection, seen at `incidence` [rad]."""
    tau2 = np.tan(np.asarray(incidence, float)) ** 2
    n2 = index * index
    return np.asarray(2.0 * thickness_mm / np.sqrt(n2 + (n2 - 1.0) * tau2))


def nearest_common_glass_mm(thickness_mm: float) -> float:
    """The common glass thickness nearest to a measured one [mm]."""
    return min(COMMON_GLASS_MM, key=lambda common: abs(common - thickness_mm))

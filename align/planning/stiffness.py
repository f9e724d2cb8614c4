"""How much a sheet of mirror glass bends under its own weight and under its clips: thin-plate theory.

Source of the formulae: S. Timoshenko, S. Woinowsky-Krieger, Theory of Plates and Shells, 2nd ed. (1959): flexural
rigidity and bending to a cylindrical surface (chapter 1), pure twist and the force at a corner (chapters 2 and 4);
from memory. Elastic constants of soda-lime glass: EN 572-1 (E = 70 GPa, Poisson's ratio 0.2), from memory.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from ..optics.slab import COMMON_GLASS_MM
from .opening import GLASS_DENSITY
from .thresholds import CLIP_FORCE_N, LEAN_WHEN_SET, MOST_SLOPE

#: Young's modulus [Pa] and Poisson's ratio of glass; standard gravity [m/s2] (CGPM 1901).
YOUNG_PA, POISSON, GRAVITY = 70e9, 0.2, 9.80665


def rigidity_nm(glass_mm: float) -> float:
    """Flexural rigidity D = E h^3 / (12 (1 - nu^2)) [N m]."""
    return YOUNG_PA * (glass_mm * 1e-3) ** 3 / (12.0 * (1.0 - POISSON**2))


def slope_by_weight(length_mm: float, glass_mm: float, lean: float) -> float:
    """Slope [rad] at the supported ends of a sheet that leans and is held at two opposite edges.

    The part of its weight that is square to the sheet, q = rho g h sin(lean), bends it to a cylinder:
    q l^3 / (24 D). The longer side counts, as if it were held at its ends alone: more than any sheet held better.
    """
    load = GLASS_DENSITY * GRAVITY * glass_mm * 1e-3 * abs(math.sin(lean))
    return load * (length_mm * 1e-3) ** 3 / (24.0 * rigidity_nm(glass_mm))


def slope_by_clips(width_mm: float, height_mm: float, glass_mm: float, force_n: float = CLIP_FORCE_N) -> float:
    """Difference in slope [rad] between two edges of a sheet that one clip presses out of flat at a corner.

    Held at three corners and pressed at the fourth, a plate twists to w = c x y with the force F = 2 D (1 - nu) c;
    along one side its slope changes by c times the other side.
    """
    twist = force_n / (2.0 * rigidity_nm(glass_mm) * (1.0 - POISSON))
    return twist * max(width_mm, height_mm) * 1e-3


def sheet_slope(width_mm: float, height_mm: float, glass_mm: float, lean: float) -> float:
    """Both together [rad], for a sheet that leans as planned and by as much more as it may when it is set."""
    longest = max(width_mm, height_mm)
    by_weight = slope_by_weight(longest, glass_mm, abs(lean) + LEAN_WHEN_SET)
    return by_weight + slope_by_clips(width_mm, height_mm, glass_mm)


def thinnest_flat_mm(
    width_mm: float, height_mm: float, lean: float, glasses_mm: Sequence[float] = COMMON_GLASS_MM
) -> float | None:
    """The thinnest common glass that bends by less than shows; None where none of them is stiff enough."""
    flat = (glass for glass in sorted(glasses_mm) if sheet_slope(width_mm, height_mm, glass, lean) <= MOST_SLOPE)
    return next(flat, None)

"""Is the mirror flat? Its sagitta over the part that the photos show, and what that does to the view."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from ..quantity import Quantity
from ..solve.joint import Solution
from ..solve.solution import SolvedBend
from .flatness_map import FlatnessMap, FlatVerdict

Array = NDArray[np.float64]
Worst = Literal["across", "upright"]


@dataclass(frozen=True)
class WholeFace:
    """The mean plane of the mirror's whole face [deg] and its sagittae [mm], extrapolated from the part seen.

    The mirror is taken to stand on the floor, its middle before the sheet's.
    """

    lean_deg: Quantity
    turn_deg: Quantity
    sagitta_across_mm: Quantity
    sagitta_upright_mm: Quantity

    def to_json(self) -> dict[str, Any]:
        """All fields."""
        return {name: quantity.to_json() for name, quantity in vars(self).items()}


@dataclass(frozen=True)
class Flatness:
    """How flat a mirror is over the part of it that was seen.

    sagitta_across_mm, sagitta_upright_mm : how far the part's middle stands before its edges, towards the viewer;
    part_mm : (left, right, bottom, top) of the part, from the foot of the middle of the sheet's contact edge;
    edge_deg : how much the face at the part's edge is turned from its middle; verdict : of that, by the tolerance;
    of all that the map measured, where there is one.
    """

    sagitta_across_mm: Quantity
    sagitta_upright_mm: Quantity
    twist_mm: Quantity
    part_mm: tuple[float, float, float, float]
    edge_deg: Quantity
    across_is_worst: bool
    verdict: FlatVerdict
    whole: WholeFace | None = None
    map: FlatnessMap | None = None

    def to_json(self) -> dict[str, Any]:
        """The contract's flatness object, and what was measured besides."""
        names = ("left", "right", "bottom", "top")
        return {
            "sagitta_across_mm": self.sagitta_across_mm.to_json(),
            "sagitta_upright_mm": self.sagitta_upright_mm.to_json(),
            "verdict": self.verdict,
            "twist_mm": self.twist_mm.to_json(),
            "part_mm": {name: round(value, 1) for name, value in zip(names, self.part_mm, strict=True)},
            "edge_deg": self.edge_deg.to_json(),
            "worst": "across" if self.across_is_worst else "upright",
            "whole_face": None if self.whole is None else self.whole.to_json(),
            "map": None if self.map is None else self.map.to_json(),
        }


def flatness_of(
    solution: Solution, number: int, tolerance_deg: float, mirror_size_mm: tuple[float, float] | None
) -> Flatness | None:
    """A mirror's flatness; None where the solve took it for flat."""
    bend = solution.bend(number)
    if bend is None:
        return None
    q, face = solution.quantile, bend.face
    across, upright, twist = (_around(bend.values[k], q * math.sqrt(bend.covariance[k, k])) for k in range(3))
    # A sagitta s over a half width h is a parabola whose slope at the edge is 2 s / h.
    slopes = [(across, 2 / face.half_u_mm), (upright, 2 / face.half_v_mm)]
    edges = [
        _around(abs(math.degrees(quantity.value * by)), math.degrees(quantity.half_width * by))
        for quantity, by in slopes
    ]
    worst = max((0, 1), key=lambda k: edges[k].value + edges[k].half_width)
    verdict: FlatVerdict = "undetermined"
    if any(edge.low > tolerance_deg for edge in edges):
        verdict = "bent"
    elif all(edge.high <= tolerance_deg for edge in edges):
        verdict = "flat"
    left, bottom = face.u_mm - face.half_u_mm, face.v_mm - face.half_v_mm
    part = (left, left + 2 * face.half_u_mm, bottom, bottom + 2 * face.half_v_mm)
    whole = None if mirror_size_mm is None else _whole_face(solution, number, bend, mirror_size_mm)
    return Flatness(across, upright, twist, part, edges[worst], worst == 0, verdict, whole)


def _whole_face(solution: Solution, number: int, bend: SolvedBend, size_mm: tuple[float, float]) -> WholeFace:
    """The whole face's mean plane and sagittae: linear in the bend, so their covariance follows."""
    mirror, q = solution.mirror(number), solution.quantile
    foot = -mirror.offset_mm * math.tan(mirror.lean_rad)
    grid = (np.arange(12) + 0.5) / 6 - 1
    u, v = (part.ravel() for part in np.meshgrid(grid, grid))
    places = np.column_stack([u * size_mm[0] / 2, foot + (v + 1) * size_mm[1] / 2])
    heights, _ = bend.face.basis(places)
    columns = np.column_stack([np.ones_like(u), u, v, 1 / 3 - u * u, 1 / 3 - v * v, u * v])
    fitted = np.linalg.lstsq(columns, heights, rcond=None)[0]  # (6, bend parameters)
    by_lean, by_turn = fitted[2] / (size_mm[1] / 2), -fitted[1] / (size_mm[0] / 2)
    with_angles = np.hstack([np.eye(2), np.stack([by_lean, by_turn])])
    covariance = with_angles @ bend.with_angles @ with_angles.T
    lean, turn = mirror.lean_rad + by_lean @ bend.values, mirror.turn_rad + by_turn @ bend.values
    sagittae = fitted[3:5]
    sds = np.sqrt(np.einsum("ip,pq,iq->i", sagittae, bend.covariance, sagittae))
    return WholeFace(
        *(
            _around(math.degrees(value), math.degrees(q * math.sqrt(covariance[k, k])))
            for k, value in enumerate((float(lean), float(turn)))
        ),
        *(_around(float(sagittae[k] @ bend.values), q * float(sds[k])) for k in range(2)),
    )


def _around(value: float, half: float) -> Quantity:
    return Quantity(float(value), float(value - half), float(value + half))

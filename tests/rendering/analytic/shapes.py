"""What is not flat: a mirror's faces, a sheet of paper, a print in its plane. Values with their slopes.

Families of our own beside plain parabolas, so that no solver that is measured with them shares their basis.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from align.target.sheets import Sheet

Array = NDArray[np.float64]
BendKind = Literal[
    "parabola_across", "parabola_upright", "arch_across", "arch_upright", "clip_across", "twist", "twist_sine"
]
#: Points along each side of a face that its mean plane is fitted to.
_FIT_POINTS = 401


@dataclass(frozen=True)
class Bend:
    """One way in which a face is bent: `sagitta_mm` towards the viewer, in the middle or, for twists, at a corner.

    at : for "clip_across", where the load sits, -1 (left edge) to 1.
    """

    kind: BendKind
    sagitta_mm: float
    at: float = 0.0

    def of(self, u: Array, v: Array) -> tuple[Array, Array, Array]:
        """Height [mm] and its derivatives by u and v, the places on the face from -1 to 1."""
        s, none = self.sagitta_mm, np.zeros_like(u)
        if self.kind == "parabola_across":
            return s * (1 - u * u), -2 * s * u, none
        if self.kind == "parabola_upright":
            return s * (1 - v * v), none, -2 * s * v
        half = np.pi / 2
        if self.kind == "arch_across":
            return s * np.cos(half * u), -s * half * np.sin(half * u), none
        if self.kind == "arch_upright":
            return s * np.cos(half * v), none, -s * half * np.sin(half * v)
        if self.kind == "clip_across":
            height, slope = beam_under_load((u + 1) / 2, (self.at + 1) / 2)
            return s * height, s * slope / 2, none
        if self.kind == "twist":
            return s * u * v, s * v, s * u
        if self.kind == "twist_sine":
            su, sv, cu, cv = np.sin(half * u), np.sin(half * v), np.cos(half * u), np.cos(half * v)
            return s * su * sv, s * half * cu * sv, s * half * su * cv
        raise ValueError(f"expected a kind of bend, found {self.kind!r}")


def beam_under_load(x: Array, load: float) -> tuple[Array, Array]:
    """Deflection of a beam on two supports (x = 0 and 1) under one load, at most 1, and its slope by x.

    Source: S. Timoshenko, Strength of Materials I (1930), simply supported beam, concentrated load.
    """
    rest = 1 - load
    shorter = min(load, rest)
    largest = 2 * shorter * ((1 - shorter**2) / 3) ** 1.5
    left = x <= load
    y = 1 - x
    height = np.where(left, rest * x * (1 - rest**2 - x * x), load * y * (1 - load**2 - y * y))
    slope = np.where(left, rest * (1 - rest**2 - 3 * x * x), -load * (1 - load**2 - 3 * y * y))
    return height / largest, slope / largest


@dataclass(frozen=True)
class Face:
    """A mirror's face: height above its mean plane at places across and up it, from its foot's middle [mm].

    The least-squares plane over the whole rectangle is taken off, so lean, turn and distance are the mean plane's.
    """

    width_mm: float
    height_mm: float
    foot_mm: float = 0.0
    bends: tuple[Bend, ...] = ()

    @property
    def flat(self) -> bool:
        """Whether it is."""
        return not any(bend.sagitta_mm for bend in self.bends)

    @cached_property
    def plane(self) -> tuple[float, float, float]:
        """Height [mm] at the face's middle and slopes by u and v of the plane that is taken off."""
        grid = np.linspace(-1, 1, _FIT_POINTS)
        u, v = (part.ravel() for part in np.meshgrid(grid, grid))
        weight = np.ones(_FIT_POINTS)
        weight[[0, -1]] = 0.5  # the trapezium rule
        root = np.sqrt(np.outer(weight, weight).ravel())
        height = sum((bend.of(u, v)[0] for bend in self.bends), np.zeros_like(u))
        columns = np.column_stack([np.ones_like(u), u, v]) * root[:, None]
        found = np.linalg.lstsq(columns, height * root, rcond=None)[0]
        return float(found[0]), float(found[1]), float(found[2])

    def of(self, across: Array, up: Array) -> tuple[Array, Array, Array]:
        """Height [mm] towards the viewer, and its slopes across and up."""
        half_w, half_h = self.width_mm / 2, self.height_mm / 2
        u, v = across / half_w, (up - self.foot_mm - half_h) / half_h
        first, by_u, by_v = self.plane
        height = -first - by_u * u - by_v * v
        slope_u, slope_v = np.full_like(u, -by_u), np.full_like(u, -by_v)
        for bend in self.bends:
            more = bend.of(u, v)
            height, slope_u, slope_v = height + more[0], slope_u + more[1], slope_v + more[2]
        return height, slope_u / half_w, slope_v / half_h

    def holds(self, across: Array, up: Array) -> NDArray[np.bool_]:
        """Whether places lie on the face."""
        inside = (np.abs(across) < self.width_mm / 2) & (up > self.foot_mm)
        return np.asarray(inside & (up < self.foot_mm + self.height_mm))


@dataclass(frozen=True)
class Curl:
    """Paper that rises beyond a line: height `lift_mm` (s / length)^power at s mm past it along `direction`.

    direction : unit vector in the floor's plane; onset_mm : of the line along it. The paper is bent, not stretched:
    a place on it is farther along the paper than along the floor.
    """

    lift_mm: float
    direction: tuple[float, float]
    onset_mm: float
    length_mm: float
    power: float

    def of(self, x: Array, y: Array) -> tuple[Array, Array, Array]:
        """Height [mm] and its slopes along x and y."""
        s = np.maximum(x * self.direction[0] + y * self.direction[1] - self.onset_mm, 0.0) / self.length_mm
        lower = s ** (self.power - 1)
        slope = self.lift_mm * self.power / self.length_mm * lower
        return self.lift_mm * lower * s, slope * self.direction[0], slope * self.direction[1]

    def longer(self, past_mm: Array) -> Array:
        """How much longer the paper is than the floor beneath it, `past_mm` past the line [mm].

        The arc length's series in the slope, to its fourth power: the next term is below a nanometre here.
        """
        s = np.maximum(past_mm, 0.0) / self.length_mm
        steep = self.lift_mm * self.power / self.length_mm
        second = steep**2 / 2 * self.length_mm / (2 * self.power - 1) * s ** (2 * self.power - 1)
        fourth = steep**4 / 8 * self.length_mm / (4 * self.power - 3) * s ** (4 * self.power - 3)
        return np.asarray(second - fourth)


@dataclass(frozen=True)
class PaperShape:
    """A sheet on a floor: it lies on z = 0 except where it curls up. Curls do not overlap."""

    curls: tuple[Curl, ...] = ()

    @property
    def flat(self) -> bool:
        """Whether it lies on the floor everywhere."""
        return not any(curl.lift_mm for curl in self.curls)

    def of(self, x: Array, y: Array) -> tuple[Array, Array, Array]:
        """Height [mm] above the floor and its slopes along x and y."""
        height, by_x, by_y = np.zeros_like(x), np.zeros_like(x), np.zeros_like(x)
        for curl in self.curls:
            more = curl.of(x, y)
            height, by_x, by_y = height + more[0], by_x + more[1], by_y + more[2]
        return height, by_x, by_y

    def unrolled(self, x: Array, y: Array) -> tuple[Array, Array]:
        """Places on the paper, were it rolled flat, of places seen from straight above [mm]."""
        flat_x, flat_y = x, y
        for curl in self.curls:
            past = x * curl.direction[0] + y * curl.direction[1] - curl.onset_mm
            longer = curl.longer(past)
            flat_x, flat_y = flat_x + longer * curl.direction[0], flat_y + longer * curl.direction[1]
        return flat_x, flat_y


@dataclass(frozen=True)
class PrintFault:
    """Where a printer puts what should be at (x, y): scales along both, shear, and a bow of the rows.

    X = scale_x x + shear y,  Y = scale_y y + bow (1 - (2 x / width)^2); lengths in mm, width the sheet's.
    """

    scale_x: float = 1.0
    scale_y: float = 1.0
    shear: float = 0.0
    bow_mm: float = 0.0
    width_mm: float = 200.0

    @property
    def exact(self) -> bool:
        """Whether the print is as it should be."""
        return (self.scale_x, self.scale_y, self.shear, self.bow_mm) == (1.0, 1.0, 0.0, 0.0)

    def printed(self, x: Array, y: Array) -> tuple[Array, Array]:
        """Where on the paper places of the sheet's design came to lie [mm]."""
        bow = self.bow_mm * (1 - (2 * x / self.width_mm) ** 2)
        return self.scale_x * x + self.shear * y, self.scale_y * y + bow

    def designed(self, x: Array, y: Array) -> tuple[Array, Array]:
        """The inverse: which place of the design lies at a place of the paper [mm]."""
        if self.exact:
            return x, y
        at_x, at_y = x / self.scale_x, y / self.scale_y
        for _ in range(4):  # shear and bow are thousandths: each round gains three digits or more
            at_y = (y - self.bow_mm * (1 - (2 * at_x / self.width_mm) ** 2)) / self.scale_y
            at_x = (x - self.shear * at_y) / self.scale_x
        return at_x, at_y


def curl_of_edge(
    sheet: Sheet, edge: Literal["far", "near"], lift_mm: float, length_mm: float, power: float
) -> Curl:
    """A curl along the sheet's far (contact) edge or its near one."""
    if edge == "far":
        return Curl(lift_mm, (0.0, 1.0), -length_mm, length_mm, power)
    return Curl(lift_mm, (0.0, -1.0), sheet.depth_mm - length_mm, length_mm, power)


def curl_of_corner(
    sheet: Sheet, right: bool, far: bool, lift_mm: float, length_mm: float, power: float, angle_rad: float
) -> Curl:
    """A corner that is up by `lift_mm`, rolled about a line across `angle_rad` from x towards y."""
    across, along = np.cos(angle_rad) * (1 if right else -1), np.sin(angle_rad) * (1 if far else -1)
    corner = np.array([sheet.width_mm / 2 * (1 if right else -1), 0.0 if far else -sheet.depth_mm])
    reach = float(corner @ [across, along])
    return Curl(lift_mm, (float(across), float(along)), reach - length_mm, length_mm, power)

"""What the joint solve answers: camera, poses and mirrors with their covariance, each by its name."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..optics.camera_model import Camera
from ..optics.geometry import angle_between, height_before, mirror_normal
from .forward_model import MIRROR_PARAMETERS, State
from .further_bend import curvature_found, further_bend
from .least_squares import student_quantile
from .problem import UserConstraints, View
from .reflection import Face
from .shape_choice import Shape
from .sheet_shape import Place

Array = NDArray[np.float64]
#: Left, right, bottom, top.
Box = tuple[float, float, float, float]
#: What people ask of a mirror: `distance_mm` runs along y, at the middle of the sheet.
PLACED_PARAMETERS = ("lean_rad", "turn_rad", "distance_mm", "thickness_mm")


@dataclass(frozen=True, eq=False)
class SolvedMirror:
    """One mirror as solved: angles [rad] of its plane, offset of its front face along the normal, glass [mm].

    covariance : (4, 4) in the order of `parameter_names`.
    """

    number: int
    lean_rad: float
    turn_rad: float
    offset_mm: float
    thickness_mm: float
    covariance: Array
    parameter_names: tuple[str, ...] = MIRROR_PARAMETERS

    def sd(self, name: str) -> float:
        """Standard deviation of one of `parameter_names`."""
        where = self.parameter_names.index(name)
        return math.sqrt(max(float(self.covariance[where, where]), 0.0))

    @property
    def normal(self) -> Array:
        """(3,) unit normal towards the viewer, target frame."""
        return mirror_normal(self.lean_rad, self.turn_rad)

    @property
    def distance_mm(self) -> float:
        """Along y, from the middle of the contact edge to the front face [mm]."""
        return -self.offset_mm / float(self.normal[1])

    @property
    def distance_sd_mm(self) -> float:
        """Standard deviation of `distance_mm`, to first order."""
        return math.sqrt(max(float(self.placed_covariance[2, 2]), 0.0))

    @property
    def placed(self) -> Array:
        """(4,) in the order of PLACED_PARAMETERS."""
        return np.array([self.lean_rad, self.turn_rad, self.distance_mm, self.thickness_mm])

    @property
    def placed_covariance(self) -> Array:
        """(4, 4) covariance of `placed`, to first order."""
        cosines = math.cos(self.lean_rad) * math.cos(self.turn_rad)
        by = np.eye(4)
        by[2] = [
            self.offset_mm * math.tan(self.lean_rad) / cosines,
            self.offset_mm * math.tan(self.turn_rad) / cosines,
            1.0 / cosines,
            0.0,
        ]
        return np.asarray(by @ self.covariance @ by.T)

    def height_before(self, points: Array) -> Array:
        """(n,) [mm] how far (n, 3) points stand before the front face's plane; negative behind it."""
        return height_before(points, self.normal, self.offset_mm)


@dataclass(frozen=True, eq=False)
class SolvedBend:
    """How a mirror's face is bent, over the part of it that was seen.

    values, covariance : (12,), (12, 12) of the bend parameters [mm], in the order of BEND_PARAMETERS;
    with_plane : (15, 15) covariance of lean, turn [rad], offset [mm] and these.
    """

    face: Face
    values: Array
    covariance: Array
    with_plane: Array

    @property
    def with_angles(self) -> Array:
        """(14, 14) covariance of lean, turn [rad] and the bend parameters."""
        kept = np.delete(np.arange(len(self.with_plane)), 2)
        return self.with_plane[np.ix_(kept, kept)]

    @property
    def curvature_per_mm(self) -> float:
        """How much the face is bent [1/mm], with what its covariance leaves open."""
        return curvature_found(self.face, self.values, self.covariance)

    def by_bend(self, part: Box) -> Array:
        """(3, 12) how lean, turn [rad] and offset [mm] of the mean plane over another part differ by its bend.

        part : (left, right, bottom, top) [mm] along the face's own axes, as in `Face`.
        """
        places = _grid(part)
        return _planes(places, self.face.basis(places)[0])

    def beyond(self, part: Box, curvature_per_mm: float) -> Array:
        """(3, 3) covariance that the powers which the solve leaves out add to the mean plane over another part."""
        places = _grid(part)
        further = _planes(places, further_bend(self.face, places, curvature_per_mm)[0])
        return np.asarray(further @ further.T)

    def to_plane_over(self, part: Box, curvature_per_mm: float) -> tuple[Array, Array]:
        """How lean, turn [rad] and offset [mm] of the mean plane over another part differ; their covariance there.

        part : as of `by_bend`; where it lies beyond the face's own, a face so much bent is extrapolated.
        """
        by_bend = self.by_bend(part)
        onto = np.hstack([np.eye(3), by_bend])
        return by_bend @ self.values, onto @ self.with_plane @ onto.T + self.beyond(part, curvature_per_mm)


def _grid(part: Box) -> Array:
    """(49, 2) places all over a part of a face."""
    left, right, bottom, top = part
    grid = (np.arange(7) + 0.5) / 7
    u, v = np.meshgrid(left + grid * (right - left), bottom + grid * (top - bottom))
    return np.column_stack([u.ravel(), v.ravel()])


def _planes(places: Array, heights: Array) -> Array:
    """(3, k) lean, turn [rad] and offset [mm] of the mean planes of (n, k) heights at (n, 2) places, each small."""
    columns = np.column_stack([np.ones(len(places)), places])
    level, by_u, by_v = np.linalg.lstsq(columns, heights, rcond=None)[0]
    return np.stack([by_v, -by_u, -level])


@dataclass(frozen=True)
class SolvedCurl:
    """An edge or a corner of the sheet that curls up: how far [mm], and its standard deviation."""

    place: Place
    lift_mm: float
    sd_mm: float


@dataclass(frozen=True, eq=False)
class Solution:
    """The answer of the joint solve, with its covariance.

    covariance : (p, p) of `state.vector` in the order of `parameter_names`; degrees : of freedom of the
    noise estimate; views : the views with outlying corners removed; residuals_px : (n, 2) for each view;
    sigma0 : of direct and reflected corners' covariances; spatial_correlation : of the errors of corners one
    square apart, which the covariance allows for; covariance_apart : what it would be if each erred by itself;
    camera_prior_residual : the largest distance of focal length and centre from their prior, in its sd;
    reshape_score : what the corners gain by a stretched or sheared picture, chi-square of 2 degrees; shape : what
    was allowed for beyond flat mirrors and an exact print, None: only the sheet's bow; log_evidence : logarithm of
    the corners' marginal likelihood over all such shapes, to compare with that of another prior of the camera on
    the same corners; nan where no shape was allowed for; to_go : by how much the cost could still fall [noise
    variances] where the descent stopped at its limit, which the covariance allows for; 0 where it came to its end.
    """

    state: State
    covariance: Array
    degrees: float
    views: tuple[View, ...]
    residuals_px: tuple[Array, ...]
    rejected: tuple[int, ...]
    sigma0: tuple[float, float]
    spatial_correlation: float
    covariance_apart: Array
    camera_prior_residual: float
    reshape_score: float
    cost: float
    constraints: UserConstraints
    curls: tuple[SolvedCurl, ...] = ()
    shape: Shape | None = None
    log_evidence: float = math.nan
    to_go: float = 0.0

    def bend(self, number: int) -> SolvedBend | None:
        """How a mirror's face is bent; None where it was taken for flat."""
        layout = self.state.layout
        if not layout.faces:
            return None
        entries = np.arange(*layout.bend(number).indices(layout.size))
        both = np.concatenate([layout.mirror(number).start + np.arange(3), entries])
        return SolvedBend(
            layout.faces[number],
            self.state.vector[entries],
            self.covariance[np.ix_(entries, entries)],
            self.covariance[np.ix_(both, both)],
        )

    @property
    def parameter_names(self) -> tuple[str, ...]:
        """Names of the entries of `state.vector` and `covariance`."""
        return self.state.layout.names

    @property
    def camera(self) -> Camera:
        """The camera as solved."""
        return self.state.camera

    @property
    def glass_index(self) -> float:
        """The refractive index of the mirrors' glass."""
        return float(self.state.vector[self.state.layout.index])

    @property
    def quantile(self) -> float:
        """Half-width of a 95 % interval in standard deviations."""
        return student_quantile(self.degrees)

    @property
    def mirror_count(self) -> int:
        """How many mirrors there are."""
        return self.state.layout.mirrors

    def mirror(self, number: int) -> SolvedMirror:
        """One mirror's parameters and their covariance."""
        where = self.state.layout.mirror(number)
        lean, turn, offset, thickness = (float(value) for value in self.state.vector[where])
        return SolvedMirror(number, lean, turn, offset, thickness, self.covariance[where, where])

    def mirrors(self) -> tuple[SolvedMirror, ...]:
        """All mirrors, from the left."""
        return tuple(self.mirror(number) for number in range(self.mirror_count))

    def angle_between(self, first: int, second: int) -> tuple[float, float]:
        """The angle between two mirrors' faces, 180 degrees less that between their normals, and its sd [rad]."""
        wheres = [self.state.layout.mirror(number).start + np.arange(2) for number in (first, second)]
        entries = np.concatenate(wheres)

        def between(angles: Array) -> float:
            a, b = mirror_normal(*angles[:2]), mirror_normal(*angles[2:])
            return np.pi - angle_between(a, b)

        angles, step = self.state.vector[entries], 1e-6
        by = np.array([(between(angles + d) - between(angles - d)) / (2 * step) for d in step * np.eye(4)])
        variance = float(by @ self.covariance[np.ix_(entries, entries)] @ by)
        return between(angles), math.sqrt(max(variance, 0.0))

    def entries(self, *names: str) -> list[int]:
        """Places in the vector of parameters by name; of a mirror's or a photo's name, those of all of them."""
        return [n for n, name in enumerate(self.parameter_names) if name.partition("[")[0] in names]

    def widened_by(self, unknown: Sequence[int]) -> float:
        """How many times wider the widest of lean and turn is for not knowing some entries of the vector."""
        covariance = self.covariance
        known = [index for index in unknown if covariance[index, index] > 0]
        if not known:
            return 1.0
        angle = self.widest_angle
        across = covariance[angle, known]
        explained = float(across @ np.linalg.solve(covariance[np.ix_(known, known)], across))
        return math.sqrt(covariance[angle, angle] / max(covariance[angle, angle] - explained, 1e-18))

    @property
    def widest_angle(self) -> int:
        """Which entry of the vector is the widest of all mirrors' lean and turn."""
        return max(self.entries("lean_rad", "turn_rad"), key=lambda a: float(self.covariance[a, a]))

    def rms_px(self, photo: int | None = None) -> float:
        """Root mean square reprojection error over both coordinates of all corners kept [px]."""
        chosen = [
            r for r, v in zip(self.residuals_px, self.views, strict=True) if photo is None or v.photo == photo
        ]
        stacked = np.concatenate(chosen)
        return float(np.sqrt((stacked**2).sum() / max(len(stacked), 1)))

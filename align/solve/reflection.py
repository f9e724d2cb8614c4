"""Where a mirror shows a point: virtual points seen in flat and in bent glass mirrors, with derivatives.

Derivatives are analytic; tests/solve/test_bent_mirror.py compares them with finite differences.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from ..optics.geometry import crossed, mirror_normal
from ..optics.slab import virtual_depth, virtual_depth_derivatives

Array = NDArray[np.float64]

#: Powers along u and v of each bend parameter: quadratics (across, upright, twist), cubics and quartics.
BEND_POWERS = ((2, 0), (0, 2), (1, 1), *((3 - k, k) for k in range(4)), *((4 - k, k) for k in range(5)))
#: The first two are the face's sagitta over the part that was seen, its middle nearer to the viewer when positive.
BEND_PARAMETERS = (
    *("bend_across_mm", "bend_upright_mm", "bend_twist_mm"),
    *(f"bend_{'u' * i}{'v' * j}_mm" for i, j in BEND_POWERS[3:]),
)
#: Steps in which the place of a reflection in a bent mirror is found, each some fifty times nearer than the last; a
#: last one by Newton's method squares what is left.
WALKS = 3


@dataclass(frozen=True)
class Face:
    """The part of a mirror's face that was seen: middle and half size [mm].

    Along the mirror's own level axis u (to the viewer's right) and the axis v upwards in its plane, both from the
    foot of the target frame's origin on the plane.
    """

    u_mm: float
    v_mm: float
    half_u_mm: float
    half_v_mm: float

    @property
    def edges(self) -> tuple[float, float, float, float]:
        """Left, right, bottom, top [mm]."""
        u, v = self.u_mm, self.v_mm
        return u - self.half_u_mm, u + self.half_u_mm, v - self.half_v_mm, v + self.half_v_mm

    def basis(self, places: Array) -> tuple[Array, Array]:
        """Heights (n, 12) towards the viewer for a unit of each bend parameter at (n, 2) places; slopes (n, 2, 12).

        Products of Legendre's polynomials, so that no plane is left over the part.
        """
        (at_u, by_u, _), (at_v, by_v, _) = self._polynomials(places)
        i, j = _POWERS
        heights = at_u[:, i] * at_v[:, j] * _SIGNS
        slopes = np.empty((len(places), 2, len(BEND_POWERS)))
        slopes[:, 0] = by_u[:, i] * at_v[:, j] * (_SIGNS / self.half_u_mm)
        slopes[:, 1] = at_u[:, i] * by_v[:, j] * (_SIGNS / self.half_v_mm)
        return heights, slopes

    def bent(self, places: Array, bend: Array) -> tuple[Array, Array]:
        """(n,) height and (n, 2) slopes of a face bent by (12,) at (n, 2) places."""
        (at_u, by_u, _), (at_v, by_v, _) = self._polynomials(places)
        across, slope = at_u @ _coefficients(bend), by_u @ _coefficients(bend)
        slopes = ((slope * at_v).sum(axis=1) / self.half_u_mm, (across * by_v).sum(axis=1) / self.half_v_mm)
        return (across * at_v).sum(axis=1), np.stack(slopes, axis=1)

    def curvatures(self, places: Array, bend: Array) -> Array:
        """(n, 2, 2) second derivatives [1/mm] of the height of a face bent by (12,) at (n, 2) places."""
        (at_u, by_u, twice_u), (at_v, by_v, twice_v) = self._polynomials(places)
        coefficients = _coefficients(bend)
        result = np.empty((len(places), 2, 2))
        result[:, 0, 0] = (twice_u @ coefficients * at_v).sum(axis=1) / self.half_u_mm**2
        result[:, 1, 1] = (at_u @ coefficients * twice_v).sum(axis=1) / self.half_v_mm**2
        result[:, 0, 1] = (by_u @ coefficients * by_v).sum(axis=1) / (self.half_u_mm * self.half_v_mm)
        result[:, 1, 0] = result[:, 0, 1]
        return result

    def _polynomials(self, places: Array) -> tuple[tuple[Array, Array, Array], tuple[Array, Array, Array]]:
        u, v = (places[:, 0] - self.u_mm) / self.half_u_mm, (places[:, 1] - self.v_mm) / self.half_v_mm
        return _monic_legendre(u), _monic_legendre(v)


#: BEND_POWERS by column: along u and along v; and with which sign each is a parameter.
_POWERS = np.array(BEND_POWERS).T
_SIGNS = np.array([-1.0, -1.0] + [1.0] * (len(BEND_POWERS) - 2))


def _coefficients(bend: Array) -> Array:
    """(5, 5) of the products of polynomials along u and v."""
    result = np.zeros((5, 5))
    result[_POWERS[0], _POWERS[1]] = bend * _SIGNS
    return result


def _monic_legendre(x: Array) -> tuple[Array, Array, Array]:
    """(n, 5) Legendre's polynomials to the fourth order with first coefficient 1, first and second derivatives."""
    values, slopes, twice = np.zeros((3, len(x), 5))
    square = x * x
    values[:, 0], values[:, 1], values[:, 2] = 1.0, x, square - 1 / 3
    values[:, 3], values[:, 4] = x * (square - 3 / 5), square * (square - 6 / 7) + 3 / 35
    slopes[:, 1], slopes[:, 2] = 1.0, 2 * x
    slopes[:, 3], slopes[:, 4] = 3 * square - 3 / 5, x * (4 * square - 12 / 7)
    twice[:, 2], twice[:, 3], twice[:, 4] = 2.0, 6 * x, 12 * square - 12 / 7
    return values, slopes, twice


def mirror_image(points: Array, eye: Array, mirror: Array, index: float, order: int = 1) -> tuple[Array, Array]:
    """Virtual points seen in a flat glass mirror, with derivatives.

    Parameters
    ----------
    points : (n, 3) [mm]; eye : (3,) [mm]; mirror : (4,) lean, turn [rad], offset, thickness [mm];
    index : of the glass; order : passes down to the silvering.

    Returns
    -------
    seen : (n, 3) [mm]; derivatives : (n, 3, 11) by lean, turn, offset, thickness, index, eye (3), point (3).
    """
    lean, turn, offset, thickness = (float(v) for v in mirror)
    by_normal = np.column_stack([*_normal_by_angles(lean, turn), np.zeros(3)])
    planes = _Planes(mirror_normal(lean, turn), offset, by_normal, np.array([0.0, 0.0, 1.0]))
    seen, derivatives, _, _ = _slab_image(points, eye, planes, thickness, index, order)
    return seen, derivatives


def bent_mirror_image(
    points: Array,
    eye: Array,
    mirror: Array,
    index: float,
    face: Face,
    bend: Array,
    order: int = 1,
) -> tuple[Array, Array]:
    """Virtual points seen in a glass mirror whose faces are bent alike, with derivatives.

    Where a ray is reflected, both faces are taken for planes at right angles to their normal there, which is found
    by walking to it. In front of the silvering a ray meets the front face a little to one side of that place and
    leaves it as far to the other, so the faces' tilts there cancel: what is left is below a micrometre on the print
    for bends of a tenth of a millimetre.

    Parameters
    ----------
    As `mirror_image`; face : the part that was seen; bend : (12,) [mm], in the order of BEND_PARAMETERS.

    Returns
    -------
    seen : (n, 3) [mm]; derivatives : (n, 3, 23), those of `mirror_image` and by bend (12).
    """
    lean, turn, _, thickness = (float(v) for v in mirror)
    by_angle = _normal_by_angles(lean, turn)
    axes = np.array(face_axes(lean, turn))
    bent = bool(np.any(bend))
    planes, places, tilt, length = _walked(points, eye, mirror, index, order, face, bend)
    axes_by = _axes_by_angles(lean, turn)
    by_normal, by_offset = _bent_planes_by(by_angle, axes_by, axes, tilt, places, face.basis(places))
    if not bent:
        planes = _Planes(planes.normal, planes.offset, by_normal, by_offset)
        seen, derivatives, _, _ = _slab_image(points, eye, planes, thickness, index, order)
        return seen, derivatives
    curvatures = face.curvatures(places, bend)
    by_normal = np.concatenate([by_normal, -axes.T @ curvatures], axis=2)
    by_offset = np.concatenate([by_offset, (places[:, None] @ curvatures)[:, 0]], axis=1)
    planes = _of_unit(planes, by_normal, by_offset, length)
    seen, derivatives, hits, by_places = _slab_image(points, eye, planes, thickness, index, order, axes=axes)
    # The place of a reflection decides the plane there, and the plane the place: q = g(x, q).
    own = by_places[:, :, :-2]
    for k, by_axes in enumerate(axes_by):
        own[:, :, k] += hits @ by_axes.T
    left = (hits @ axes.T - places)[:, :, None]  # what the walk has still to go, by Newton's step
    moved = np.linalg.solve(np.eye(2) - by_places[:, :, -2:], np.concatenate([own, left], axis=2))
    by_place = derivatives[:, :, -2:]
    return seen + (by_place @ moved[:, :, -1:])[:, :, 0], derivatives[:, :, :-2] + by_place @ moved[:, :, :-1]


def _walked(
    points: Array, eye: Array, mirror: Array, index: float, order: int, face: Face | None, bend: Array | None
) -> tuple[_Planes, Array, Array, Array]:
    """Each ray's plane after walking to where it is reflected; the last place, its tilt and its normal's length.

    bend : (12,); None or all 0: the face is flat, and one look finds the places
    """
    lean, turn, offset, thickness = (float(v) for v in mirror)
    normal, axes = mirror_normal(lean, turn), np.array(face_axes(lean, turn))
    planes, tilt, length = _Planes(normal, offset), np.zeros((len(points), 2)), np.ones(len(points))
    if face is None or bend is None or not bend.any():
        _, _, hits, _ = _slab_image(points, eye, planes, thickness, index, order, derivatives=False)
        return planes, hits @ axes.T, tilt, length
    for _ in range(WALKS):
        _, _, hits, _ = _slab_image(points, eye, planes, thickness, index, order, derivatives=False)
        places = hits @ axes.T
        rise, tilt = face.bent(places, bend)
        length = np.sqrt(1.0 + (tilt**2).sum(axis=1))
        normals = (normal - tilt @ axes) / length[:, None]
        planes = _Planes(normals, (offset - rise + (tilt * places).sum(axis=1)) / length)
    return planes, places, tilt, length


def _bent_planes_by(
    by_angle: tuple[Array, Array],
    axes_by: tuple[Array, Array],
    axes: Array,
    tilt: Array,
    places: Array,
    basis: tuple[Array, Array],
) -> tuple[Array, Array]:
    """Derivatives of the planes at places on a bent face, before their normals are of unit length.

    (n, 3, 15) of the normals and (n, 15) of the offsets, by lean, turn, offset and bend (12).
    """
    heights, slopes = basis
    by_normal = np.zeros((len(places), 3, 3 + heights.shape[1]))
    by_offset = np.zeros((len(places), 3 + heights.shape[1]))
    for k in range(2):
        by_normal[:, :, k] = by_angle[k] - tilt @ axes_by[k]
    by_offset[:, 2] = 1.0
    by_normal[:, :, 3:] = -axes.T @ slopes
    by_offset[:, 3:] = (places[:, None] @ slopes)[:, 0] - heights
    return by_normal, by_offset


def face_axes(lean: float, turn: float) -> tuple[Array, Array]:
    """A mirror's own level axis, to the viewer's right, and the axis upwards in its plane."""
    right = np.array([np.cos(turn), np.sin(turn), 0.0])
    return right, crossed(mirror_normal(lean, turn), right)


def hit_places(
    points: Array, eye: Array, mirror: Array, index: float, face: Face | None = None, bend: Array | None = None
) -> Array:
    """(n, 2) [mm] where a flat or bent mirror reflects points to an eye, by `face_axes` from the origin's foot."""
    return _walked(points, eye, mirror, index, 1, face, bend)[1]


def _normal_by_angles(lean: float, turn: float) -> tuple[Array, Array]:
    """Derivatives of `mirror_normal` by lean and turn."""
    return (
        np.array([-np.sin(turn) * np.sin(lean), np.cos(turn) * np.sin(lean), -np.cos(lean)]),
        np.array([np.cos(turn) * np.cos(lean), np.sin(turn) * np.cos(lean), 0.0]),
    )


def _axes_by_angles(lean: float, turn: float) -> tuple[Array, Array]:
    """Derivatives (2, 3) of `face_axes` by lean and by turn."""
    normal, (by_lean, by_turn) = mirror_normal(lean, turn), _normal_by_angles(lean, turn)
    right, right_by = np.array([np.cos(turn), np.sin(turn), 0.0]), np.array([-np.sin(turn), np.cos(turn), 0.0])
    up_by = crossed(by_turn, right) + crossed(normal, right_by)
    return np.array([np.zeros(3), crossed(by_lean, right)]), np.array([right_by, up_by])


@dataclass(frozen=True, eq=False)
class _Planes:
    """The front face as each ray meets it: normal (3,) or (n, 3), offset, and both by some parameters.

    by_normal : (3, c) or (n, 3, c); by_offset : (c,) or (n, c)
    """

    normal: Array
    offset: Array | float
    by_normal: Array = field(default_factory=lambda: np.zeros((3, 0)))
    by_offset: Array = field(default_factory=lambda: np.zeros(0))


def _of_unit(planes: _Planes, by_normal: Array, by_offset: Array, length: Array) -> _Planes:
    """Planes with unit normals and their derivatives, from those of planes whose normals have a length.

    by_normal : (n, 3, c), by_offset : (n, c) before; length : (n,) of the normals then.
    """
    longer = (planes.normal[:, None] @ by_normal)[:, 0]
    off = (by_offset - np.asarray(planes.offset)[:, None] * longer) / length[:, None]
    by = (by_normal - planes.normal[:, :, None] * longer[:, None]) / length[:, None, None]
    return _Planes(planes.normal, planes.offset, by, off)


def _slab_image(
    points: Array,
    eye: Array,
    planes: _Planes,
    thickness: float,
    index: float,
    order: int,
    *,
    derivatives: bool = True,
    axes: Array | None = None,
) -> tuple[Array, Array, Array, Array]:
    """Virtual points seen by way of a slab, each with its own plane; derivatives; where each ray is reflected.

    Derivatives (n, 3, p) are by the first three of the planes' parameters, thickness, index, eye (3), point (3) and
    the rest of the planes' parameters. axes : (2, 3); given, the last result has the derivatives (n, 2, p) of where
    the rays are reflected along these.
    """
    none = np.zeros((0, 2, 0))
    n = len(points)
    normals = np.broadcast_to(planes.normal, (n, 3))
    to_eye = eye - points
    height = (points * normals).sum(axis=1) + planes.offset
    eye_height = normals @ eye + planes.offset
    total = height + eye_height
    along = eye_height - height
    lateral = np.sqrt(np.maximum((to_eye**2).sum(axis=1) - along**2, 1e-12))
    kt, index = order * thickness, max(index, 1.05)
    if derivatives:
        depth, by_total, by_lateral, by_kt, by_index = virtual_depth_derivatives(total, lateral, kt, index)
    else:
        depth = virtual_depth(total, lateral, kt, index)
    shift = 2.0 * height + depth
    seen = points - shift[:, None] * normals
    share = (height + depth / 2) / (total + depth)
    hits = points - height[:, None] * normals + share[:, None] * (to_eye - along[:, None] * normals)
    if not derivatives:
        return seen, np.zeros((0, 3, 0)), hits, none

    # Each local variable enters through height, total, along (scalars per point) and the normal itself.
    by_normal, by_offset = planes.by_normal, planes.by_offset
    d_height, d_eye_height = np.zeros((2, n, 8 + by_offset.shape[-1]))
    first, rest = slice(0, 3), slice(11, None)  # where the planes' parameters stand
    by_height, by_eye_height = (points[:, None] @ by_normal)[:, 0] + by_offset, eye @ by_normal + by_offset
    d_height[:, first], d_height[:, rest] = by_height[:, :3], by_height[:, 3:]
    d_eye_height[:, first], d_eye_height[:, rest] = by_eye_height[..., :3], by_eye_height[..., 3:]
    d_eye_height[:, 5:8] = normals
    d_height[:, 8:11] = normals
    d_lateral = -along[:, None] * (d_eye_height - d_height)
    d_lateral[:, 5:8] += to_eye
    d_lateral[:, 8:11] -= to_eye
    d_lateral /= lateral[:, None]
    d_total = d_height + d_eye_height
    d_depth = by_total[:, None] * d_total + by_lateral[:, None] * d_lateral
    d_depth[:, 3] += order * by_kt
    d_depth[:, 4] += by_index
    d_shift = 2.0 * d_height + d_depth
    result = -normals[:, :, None] * d_shift[:, None, :]
    shifted = shift[:, None, None] * by_normal
    result[:, :, first] -= shifted[:, :, :3]
    result[:, :, rest] -= shifted[:, :, 3:]
    result[:, :, 8:11] += np.eye(3)
    if axes is None:
        return seen, result, hits, none
    d_share = (d_height + d_depth / 2 - share[:, None] * (d_total + d_depth)) / (total + depth)[:, None]
    across = to_eye @ axes.T - along[:, None] * (normals @ axes.T)
    d_along = d_height + share[:, None] * (d_eye_height - d_height)
    by_places = across[:, :, None] * d_share[:, None, :] - (normals @ axes.T)[:, :, None] * d_along[:, None, :]
    by_places[:, :, 5:8] += share[:, None, None] * axes
    by_places[:, :, 8:11] += (1.0 - share)[:, None, None] * axes
    moved = (height + share * along)[:, None, None] * (axes @ by_normal)
    by_places[:, :, first] -= moved[:, :, :3]
    by_places[:, :, rest] -= moved[:, :, 3:]
    return seen, result, hits, by_places

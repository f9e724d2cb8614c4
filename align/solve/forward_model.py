"""The forward model: where a camera sees the corners of the target, directly and in a glass mirror.

One parameter vector holds everything that is unknown: the camera, the glass's index, how the picture was
reshaped, the bow of the sheet, each mirror (lean, turn, offset, thickness) and one camera pose for each
photo; where they are asked for, also the sheet's curls, the faults of its print, its waves and each mirror's bend.
`Layout` knows which entry is which; `predict` projects one view and returns the derivatives as well.
Derivatives are analytic; tests/solve/test_forward_model.py compares them with finite differences.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from ..optics.camera_model import (
    CAMERA_PARAMETERS,
    N_CAMERA,
    Camera,
    camera_from_parameters,
    project_with_derivatives,
    reshape_matrix,
    reshaped,
)
from ..optics.geometry import crossed, mirror_normal, rotation_from_vector, skew
from .reflection import BEND_PARAMETERS, Face, bent_mirror_image, mirror_image

Array = NDArray[np.float64]

#: offset: of the front face from the origin, along the normal; `distance_mm` (along y) has no value for a
#: mirror that runs along the sheet, so the solve does not use it.
MIRROR_PARAMETERS = ("lean_rad", "turn_rad", "offset_mm", "thickness_mm")
#: What resizing and tilting a picture on a computer does: (sides' ratio - 1), and sideways px per px of height.
RESHAPE_PARAMETERS = ("stretch", "shear")
BOW_PARAMETERS = ("bow_x_mm", "bow_y_mm", "twist_mm")
POSE_PARAMETERS = ("rot_x", "rot_y", "rot_z", "t_x_mm", "t_y_mm", "t_z_mm")
#: Entries that all mirrors and photos share: camera, index of the glass, reshaping, bow.
N_SHARED = N_CAMERA + 1 + len(RESHAPE_PARAMETERS) + len(BOW_PARAMETERS)
DIRECT = -1  # the mirror number of a direct view


@dataclass(frozen=True)
class Layout:
    """Which entry of the parameter vector is what, for a number of mirrors and photos.

    moved_sheet : the mirrors stood still and the sheet was moved: the sheet's placement relative to the first
    photo's for every further photo; moved_camera : the camera was moved too. A pose for each photo, but one for all
    where only the sheet was moved.
    curls, print_faults, waves : how many parameters the sheet's curls, its print's faults and its waves have;
    faces : the part of each mirror that was seen, where mirrors may be bent, else empty.
    """

    mirrors: int
    photos: int
    moved_sheet: bool = False
    curls: int = 0
    print_faults: int = 0
    faces: tuple[Face, ...] = ()
    moved_camera: bool = False
    waves: int = 0

    @property
    def camera(self) -> slice:
        """The eight camera parameters."""
        return slice(0, N_CAMERA)

    @property
    def index(self) -> int:
        """The refractive index of the glass."""
        return N_CAMERA

    @property
    def reshape(self) -> slice:
        """How the picture was stretched and sheared after it was taken."""
        return slice(N_CAMERA + 1, N_CAMERA + 3)

    @property
    def bow(self) -> slice:
        """The three bow parameters of the sheet [mm]."""
        return slice(N_CAMERA + 3, N_SHARED)

    def mirror(self, number: int) -> slice:
        """lean, turn [rad], offset, thickness [mm] of a mirror."""
        start = N_SHARED + 4 * number
        return slice(start, start + 4)

    @cached_property
    def poses(self) -> int:
        """How many camera poses there are."""
        return 1 if self.moved_sheet and not self.moved_camera else self.photos

    def pose_number(self, photo: int) -> int:
        """Which of `motions` is the pose of a photo's camera."""
        return photo if self.poses == self.photos else 0

    def placement_number(self, photo: int) -> int | None:
        """Which of `motions` is the placement of a photo's sheet; None where it did not move."""
        return self.poses - 1 + photo if self.moved_sheet and photo > 0 else None

    def pose(self, photo: int) -> slice:
        """Rotation (a small left-multiplied rotation vector) and translation of a photo's camera."""
        return self.motions[self.pose_number(photo)]

    def placement(self, photo: int) -> slice | None:
        """The same for the sheet in a photo, relative to the first photo's; None where it did not move."""
        number = self.placement_number(photo)
        return None if number is None else self.motions[number]

    @cached_property
    def motions(self) -> tuple[slice, ...]:
        """All poses and placements, in the order of the vector."""
        start = N_SHARED + 4 * self.mirrors
        count = self.poses + (self.photos - 1 if self.moved_sheet else 0)
        return tuple(slice(start + 6 * i, start + 6 * i + 6) for i in range(count))

    @cached_property
    def _plain(self) -> int:
        """Length of the vector without curls, faults of the print and bends."""
        return N_SHARED + 4 * self.mirrors + 6 * len(self.motions)

    @cached_property
    def curl(self) -> slice:
        """The sheet's curls [mm]."""
        return slice(self._plain, self._plain + self.curls)

    @cached_property
    def print_fault(self) -> slice:
        """The faults of the print, in its plane."""
        return slice(self.curl.stop, self.curl.stop + self.print_faults)

    @cached_property
    def wave(self) -> slice:
        """The sheet's waves [mm]."""
        return slice(self.print_fault.stop, self.print_fault.stop + self.waves)

    def bend(self, mirror: int) -> slice:
        """The bend parameters of a mirror [mm]."""
        start = self.wave.stop + len(BEND_PARAMETERS) * mirror
        return slice(start, start + len(BEND_PARAMETERS))

    @cached_property
    def size(self) -> int:
        """Length of the parameter vector."""
        return int(self.wave.stop) + len(BEND_PARAMETERS) * len(self.faces)

    @property
    def names(self) -> tuple[str, ...]:
        """A name for every entry."""
        names = [*CAMERA_PARAMETERS, "glass_index", *RESHAPE_PARAMETERS, *BOW_PARAMETERS]
        names += [f"{name}[{m}]" for m in range(self.mirrors) for name in MIRROR_PARAMETERS]
        motions = [f"pose_{{}}[{p}]" for p in range(self.poses)]
        motions += [f"sheet_{{}}[{p}]" for p in range(1, self.photos) if self.moved_sheet]
        names += [motion.format(name) for motion in motions for name in POSE_PARAMETERS]
        names += [f"curl_mm[{k}]" for k in range(self.curls)] + [f"print[{k}]" for k in range(self.print_faults)]
        names += [f"wave_mm[{k}]" for k in range(self.waves)]
        names += [f"{name}[{m}]" for m in range(len(self.faces)) for name in BEND_PARAMETERS]
        return tuple(names)


@dataclass(frozen=True, eq=False)
class State:
    """A point of the parameter space: the vector, and the rotation that each pose's vector multiplies.

    The rotation part of every pose and placement in `vector` is zero: steps are folded into `rotations`
    (one for each of `layout.motions`) at once.
    """

    layout: Layout
    vector: Array
    rotations: tuple[Array, ...]

    def stepped(self, step: Array) -> State:
        """The state after adding `step`, rotations composed on the left."""
        vector = self.vector + step
        rotations = []
        for where, rotation in zip(self.layout.motions, self.rotations, strict=True):
            rotations.append(rotation_from_vector(vector[where][:3]) @ rotation)
            vector[where.start : where.start + 3] = 0.0
        return State(self.layout, vector, tuple(rotations))

    def cam_from_target(self, photo: int) -> tuple[Array, Array]:
        """(R, t) of a photo's camera from the scene: the target frame of the first photo."""
        return self.rotations[self.layout.pose_number(photo)], self.vector[self.layout.pose(photo)][3:]

    def scene_from_sheet(self, photo: int) -> tuple[Array, Array]:
        """(R, t) of the sheet in a photo; the identity where it did not move."""
        number = self.layout.placement_number(photo)
        if number is None:
            return np.eye(3), np.zeros(3)
        return self.rotations[number], self.vector[self.layout.motions[number]][3:]

    def cam_from_sheet(self, photo: int) -> tuple[Array, Array]:
        """(R, t) of a photo's camera from the sheet as it lay in that photo."""
        rotation, translation = self.cam_from_target(photo)
        placed_rotation, placed_translation = self.scene_from_sheet(photo)
        return rotation @ placed_rotation, rotation @ placed_translation + translation

    @property
    def camera(self) -> Camera:
        """The camera with what was done to its picture."""
        stretch, shear = (float(value) for value in self.vector[self.layout.reshape])
        return replace(camera_from_parameters(self.vector[self.layout.camera]), reshape=(stretch, shear))

    def eye(self, photo: int) -> Array:
        """(3,) [mm] the camera's centre of projection in the target frame."""
        rotation, translation = self.cam_from_target(photo)
        return -rotation.T @ translation


def bow_basis(points: Array, half_size: tuple[float, float], centre_y: float) -> Array:
    """(n, 3) height of each point for a unit of each bow parameter.

    Quadratics over the sheet with their mean plane removed, so that the floor stays the sheet's mean
    plane: z = bow_x (u^2 - 1/3) + bow_y (v^2 - 1/3) + twist u v, with u, v = -1..1 over the squares. A
    parameter is thus the sagitta in mm between the middle and the edge.
    """
    u = points[:, 0] / half_size[0]
    v = (points[:, 1] - centre_y) / half_size[1]
    return np.column_stack([u * u - 1 / 3, v * v - 1 / 3, u * v])


def offset_of_distance(lean: float, turn: float, distance_mm: float) -> float:
    """Offset of the front face along its normal [mm], from its distance along y at x = z = 0."""
    return -float(mirror_normal(lean, turn)[1]) * distance_mm


def shaped_sheet(state: State, points: Array, basis: Array, in_plane: Array | None) -> Array:
    """(n, 3) [mm] places on the sheet as it is: bowed, curled up and wavy, its print off."""
    layout, vector = state.layout, state.vector
    places = points.copy()
    places[:, 2] += basis[:, :3] @ vector[layout.bow]
    if layout.curls:
        places[:, 2] += basis[:, 3 : 3 + layout.curls] @ vector[layout.curl]
    if layout.waves:
        places[:, 2] += basis[:, 3 + layout.curls :] @ vector[layout.wave]
    if in_plane is not None:
        places[:, :2] += in_plane @ vector[layout.print_fault]
    return places


def _fill_by_shape(jacobian: Array, layout: Layout, by_place: Array, basis: Array, in_plane: Array | None) -> None:
    """The derivatives by the sheet's shape, from those by the places in its own frame (n, 2, 3)."""
    jacobian[:, :, layout.bow] = by_place[:, :, 2:] * basis[:, None, :3]
    if layout.curls:
        jacobian[:, :, layout.curl] = by_place[:, :, 2:] * basis[:, None, 3 : 3 + layout.curls]
    if layout.waves:
        jacobian[:, :, layout.wave] = by_place[:, :, 2:] * basis[:, None, 3 + layout.curls :]
    if in_plane is not None:
        jacobian[:, :, layout.print_fault] = by_place[:, :, :2] @ in_plane


def _seen_in(state: State, mirror: int, places: Array, eye: Array, order: int) -> tuple[Array, Array | None]:
    """(n, 3) where places seem to be; derivatives by mirror, index, eye and place, or None if seen directly."""
    layout, vector = state.layout, state.vector
    if mirror == DIRECT:
        return places, None
    parameters, index = vector[layout.mirror(mirror)], float(vector[layout.index])
    if not layout.faces:
        return mirror_image(places, eye, parameters, index, order)
    face, bend = layout.faces[mirror], vector[layout.bend(mirror)]
    return bent_mirror_image(places, eye, parameters, index, face, bend, order)


def _pictured(state: State, in_camera: Array) -> tuple[Array, Array, Array, Array]:
    """(n, 2) pixels of points in the camera's frame; derivatives by camera, by reshaping and by the point."""
    camera, reshaping = state.vector[state.layout.camera], state.vector[state.layout.reshape]
    pixels, by_camera, by_cam_point = project_with_derivatives(camera, in_camera)
    pixels, by_reshape = reshaped(pixels, camera[1:3], reshaping)
    if reshaping.any():
        by_pixel = reshape_matrix(*reshaping)
        by_camera, by_cam_point = by_pixel @ by_camera, by_pixel @ by_cam_point
        by_camera[:, :, 1:3] = np.eye(2)  # the picture is reshaped about the centre, which moves as a whole
    return pixels, by_camera, by_reshape, by_cam_point


def predict(
    state: State,
    photo: int,
    mirror: int,
    points: Array,
    basis: Array,
    order: int = 1,
    in_plane: Array | None = None,
) -> tuple[Array, Array]:
    """Pixels of target points in one photo, directly or in one mirror, with derivatives.

    Parameters
    ----------
    points : (n, 3) [mm] flat places in the target frame; basis : (n, 3 + layout.curls + layout.waves) heights for
    a unit of each bow, curl and wave parameter, the first three from `bow_basis`; mirror : number, or DIRECT;
    order : the image's order (1: the main image); in_plane : (n, 2, layout.print_faults) shifts of the print.

    Returns
    -------
    pixels : (n, 2); jacobian : (n, 2, layout.size)
    """
    layout = state.layout
    rotation, translation = state.cam_from_target(photo)
    placed_rotation, placed_translation = state.scene_from_sheet(photo)
    turned = shaped_sheet(state, points, basis, in_plane) @ placed_rotation.T
    jacobian = np.zeros((len(points), 2, layout.size))
    seen, by_local = _seen_in(state, mirror, turned + placed_translation, -rotation.T @ translation, order)
    pixels, by_camera, by_reshape, by_cam_point = _pictured(state, seen @ rotation.T + translation)
    jacobian[:, :, layout.camera], jacobian[:, :, layout.reshape] = by_camera, by_reshape
    by_seen = by_cam_point @ rotation  # (n, 2, 3) by the seen point in the target frame
    pose = layout.pose(photo)
    rotated = seen @ rotation.T
    by_rotation = crossed(rotated[:, None, :], by_cam_point)  # -by_point @ skew(rotated)
    by_translation = by_cam_point.copy()
    if by_local is None:
        by_point = by_seen
    else:
        # (n, 2, 11 or more): lean, turn, offset, thickness, index, eye 3, point 3, bend
        chained = by_seen @ by_local
        jacobian[:, :, layout.mirror(mirror)] = chained[:, :, :4]
        jacobian[:, :, layout.index] = chained[:, :, 4]
        by_eye = chained[:, :, 5:8]
        by_rotation = by_rotation + by_eye @ (-rotation.T @ skew(translation))
        by_translation = by_translation - by_eye @ rotation.T
        by_point = chained[:, :, 8:11]
        if layout.faces:
            jacobian[:, :, layout.bend(mirror)] = chained[:, :, 11:]
    _fill_by_shape(jacobian, layout, by_point @ placed_rotation, basis, in_plane)
    placement = layout.placement(photo)
    if placement is not None:
        jacobian[:, :, placement] = np.concatenate([crossed(turned[:, None, :], by_point), by_point], axis=2)
    jacobian[:, :, pose] = np.concatenate([by_rotation, by_translation], axis=2)
    return pixels, jacobian

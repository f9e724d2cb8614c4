"""The least-squares problem of a solve: the views, what is known beforehand, residuals and their descent."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from ..optics.camera_model import CameraPrior
from ..optics.geometry import skew
from ..optics.robust import median
from ..optics.slab import FLOAT_GLASS_INDEX, FLOAT_GLASS_INDEX_SD
from ..target.sheets import Sheet, corners_target
from .forward_model import DIRECT, Layout, State, bow_basis, predict, shaped_sheet
from .least_squares import DAMPING, TOLERANCE, Minimum, Prior, minimise, settled
from .shape_choice import Shape
from .sheet_shape import CURL_COLUMNS, Curl, half_sizes, print_fault_count, print_sds, print_shifts, wave_heights
from .thresholds import FLOOR_SAME_MM, FLOOR_SAME_RAD, RULE_READING_SD_MM, TURNED_ON_SPOT_MM, WAVE_SHARE

Array = NDArray[np.float64]

#: What is known of the glass when nobody says: any common mirror, front-coated to 6 mm.
UNKNOWN_GLASS_MM, UNKNOWN_GLASS_SD_MM = 3.0, 2.0
#: A stated thickness is nominal: EN 572-2 allows +-0.2 mm for 2 to 6 mm float glass (2 sd).
STATED_GLASS_SD_MM = 0.1
#: Sagitta of a sheet that lies flat to the eye, one sd [mm].
BOW_SD_MM = 1.0
#: How well a cut contact edge follows the glass, one sd [mm]; common practice, no source.
CONTACT_SD_MM = 0.3


@dataclass(frozen=True, eq=False)
class View:
    """The corners of one board seen in one photo.

    photo : number; mirror : number or DIRECT; corner_ids : (n,) into `corners_target`; pixels : (n, 2);
    covariance : (n, 2, 2) [px^2], relative sizes count, the scale is estimated.
    """

    photo: int
    mirror: int
    corner_ids: NDArray[np.int64]
    pixels: Array
    covariance: Array

    @cached_property
    def whitener(self) -> Array:
        """(n, 2, 2) [1/px] turns residuals into units of their covariance."""
        return np.asarray(np.linalg.inv(np.linalg.cholesky(self.covariance)))

    def kept(self, mask: NDArray[np.bool_]) -> View:
        """The view with only the masked corners; itself where these are all."""
        if mask.all():
            return self
        return View(self.photo, self.mirror, self.corner_ids[mask], self.pixels[mask], self.covariance[mask])


@dataclass(frozen=True)
class Moved:
    """What was moved between the photos besides the camera; the mirrors stood still.

    sheet : the sheet; camera : and the camera too (False: it stood still); one_floor : the sheet lay on the same
    flat floor each time, and where the camera was moved too, it was turned on its spot: else how far along the
    mirror it was moved could not be told.
    """

    sheet: bool = False
    camera: bool = False
    one_floor: bool = False


#: The sheet lay still.
STILL = Moved()


@dataclass(frozen=True)
class UserConstraints:
    """What the user says beyond the photo: glass thickness [mm] (0: front-coated), contact of the sheet.

    mirrors : which mirrors the contact edge touches; empty where nobody said, which the solve takes for the first;
    exact_print : the print is known to be as it should be (a render, a plotted or engraved plate);
    rules_mm : measured lengths of its two equal rules, across and along; None: not both were measured.
    """

    glass_mm: float | None = None
    touching: bool = False
    mirrors: tuple[int, ...] = ()
    exact_print: bool = False
    rules_mm: tuple[float, float] | None = None

    @property
    def of_the_print(self) -> UserConstraints:
        """What was said of the print alone, which no photo contradicts."""
        return UserConstraints(exact_print=self.exact_print, rules_mm=self.rules_mm)

    @property
    def scale_ratio(self) -> tuple[float, float] | None:
        """Ratio of the print's scales, across over along, less 1, and its sd; None where the rules do not tell."""
        if self.rules_mm is None or self.exact_print:
            return None
        across, along = self.rules_mm
        return math.log(across / along), math.sqrt(2.0) * RULE_READING_SD_MM / ((across + along) / 2)

    @property
    def contacts(self) -> tuple[int, ...]:
        """The mirrors that the contact edge is taken to touch."""
        return (self.mirrors or (0,)) if self.touching else ()

    def thickness_prior(self) -> tuple[float, float]:
        """(mean, sd) [mm]; sd 0 for a front-coated mirror."""
        if self.glass_mm is None:
            return UNKNOWN_GLASS_MM, UNKNOWN_GLASS_SD_MM
        return self.glass_mm, STATED_GLASS_SD_MM if self.glass_mm > 0 else 0.0


class Problem:
    """The residuals and priors of one solve."""

    def __init__(
        self,
        sheet: Sheet,
        views: tuple[View, ...],
        prior: CameraPrior,
        constraints: UserConstraints,
        moved: Moved = STILL,
        shape: Shape | None = None,
    ) -> None:
        """shape : what is allowed for beyond flat mirrors and an exact print; None: only the sheet's bow."""
        self.sheet, self.views, self.camera_prior, self.constraints = sheet, views, prior, constraints
        photos = 1 + max(view.photo for view in views)
        mirrors = 1 + max(view.mirror for view in views)
        self.shape = shape
        self.moved = moved
        faults = print_fault_count(sheet) if shape is not None and shape.print_level > 0 else 0
        curls = () if shape is None else tuple(curl for curl, _ in shape.curls)
        faces = () if shape is None else shape.faces
        waves = wave_heights(sheet)[:, : None if shape is not None else 0]
        self.layout = Layout(
            mirrors,
            photos,
            moved.sheet,
            CURL_COLUMNS * len(curls),
            faults,
            faces,
            moved_camera=moved.camera,
            waves=waves.shape[1],
        )
        self.points = corners_target(sheet)
        self.basis = np.hstack([height_basis(sheet, curls, self.points), waves])
        self.in_plane = print_shifts(sheet) if faults else None
        self.prior = self._prior()
        self._kept: list[tuple[State, dict[int, tuple[View, tuple[Array, Array]]]]] = []

    def _prior(self) -> Prior:
        layout = self.layout
        mean, sd = np.zeros(layout.size), np.full(layout.size, 1e6)
        mean[layout.camera], sd[layout.camera] = self.camera_prior.mean, self.camera_prior.sd
        mean[layout.index], sd[layout.index] = FLOAT_GLASS_INDEX, FLOAT_GLASS_INDEX_SD
        sd[layout.reshape], sd[layout.bow] = self.camera_prior.reshape_sd, BOW_SD_MM
        thickness, thickness_sd = self.constraints.thickness_prior()
        for mirror in range(layout.mirrors):
            where = layout.mirror(mirror).start
            mean[where + 3], sd[where + 3] = thickness, thickness_sd
        if layout.mirrors == 0 or thickness_sd == 0.0:
            sd[layout.index] = 0.0
        for placement in self._placements if self.moved.one_floor else ():
            sd[placement.stop - 1] = FLOOR_SAME_MM
        if self.shape is not None:
            self._shape_prior(sd, self.shape)
        joint = None
        if self.camera_prior.covariance is not None:
            joint = np.zeros((layout.size, layout.size))
            joint[layout.camera, layout.camera] = self.camera_prior.covariance
        return Prior(mean, sd, joint)

    def _shape_prior(self, sd: Array, shape: Shape) -> None:
        layout = self.layout
        sd[layout.bow] = shape.bow_sd_mm
        sd[layout.wave] = WAVE_SHARE * shape.bow_sd_mm
        sd[layout.curl] = np.repeat([curl_sd for _, curl_sd in shape.curls], CURL_COLUMNS)
        if layout.print_faults:
            sd[layout.print_fault] = print_sds(shape.print_level, layout.print_faults)
        for mirror in range(len(shape.faces)):
            sd[layout.bend(mirror)] = shape.bend_sd(mirror)

    def places(self, state: State, ids: NDArray[np.int64]) -> tuple[Array, Array, Array | None]:
        """Flat places of corners (n, 3), heights (n, 3 + curls + waves) and shifts in the plane for `predict`.

        Where the paper curls up, its corners have moved along the floor as well.
        """
        points = drawn_in(self.points[ids], curls_of(self.shape, state))
        return points, self.basis[ids], None if self.in_plane is None else self.in_plane[ids]

    def risen(self, state: State, ids: NDArray[np.int64]) -> Array:
        """(n, 3) [mm] corners in the sheet's own frame, with its shape where the problem allows for one."""
        if self.shape is None:
            return self.points[ids]
        points, basis, in_plane = self.places(state, ids)
        return shaped_sheet(state, points, basis, in_plane)

    def residuals(
        self, state: State, views: Sequence[View], scales: tuple[float, float]
    ) -> tuple[list[Array], list[Array], list[Array]]:
        """Whitened residuals (n, 2), whitened Jacobians (n, 2, p) and raw residuals [px] of each view."""
        whitened, jacobians, raw = [], [], []
        for view in views:
            pixels, jacobian = self._predicted(state, view)
            off = pixels - view.pixels
            scale = scales[0] if view.mirror == DIRECT else scales[1]
            root = view.whitener / scale
            whitened.append(np.einsum("nij,nj->ni", root, off))
            jacobians.append(np.einsum("nij,njp->nip", root, jacobian))
            raw.append(off)
        return whitened, jacobians, raw

    def _predicted(self, state: State, view: View) -> tuple[Array, Array]:
        """A view's pixels and their derivatives, kept for two states: a descent's end is asked for again."""
        found = next((kept for known, kept in self._kept if known is state), None)
        if found is None:
            found = {}
            self._kept = [*self._kept[-1:], (state, found)]
        entry = found.get(id(view))
        if entry is None or entry[0] is not view:
            points, basis, in_plane = self.places(state, view.corner_ids)
            entry = (view, predict(state, view.photo, view.mirror, points, basis, in_plane=in_plane))
            found[id(view)] = entry
        return entry[1]

    def descend(
        self,
        state: State,
        views: Sequence[View],
        *,
        huber: bool,
        scales: tuple[float, float] = (1.0, 1.0),
        iterations: int = 60,
        sd: Array | None = None,
        tolerance: float = TOLERANCE,
        damping: float = DAMPING,
    ) -> Minimum[State]:
        """Minimise over the parameters whose prior sd is not zero, optionally with Huber's weights.

        Huber's loss as reweighted least squares, its threshold 2.5 times the median length; source: P. Huber,
        E. Ronchetti, Robust Statistics, 2nd ed. (2009), section 7.8.
        """
        prior = self.prior if sd is None else Prior(np.where(sd > 0, self.prior.mean, state.vector), sd)
        evaluate = self._evaluation(views, scales, huber)
        return minimise(state, evaluate, State.stepped, _vector_of, prior, iterations, tolerance, damping)

    def settle(self, minimum: Minimum[State], views: Sequence[View], scales: tuple[float, float]) -> Minimum[State]:
        """A minimum without Huber's weights, the same to the last digits whatever led to it."""
        return settled(minimum, self._evaluation(views, scales, False), State.stepped, _vector_of, self.prior)

    def _evaluation(
        self, views: Sequence[View], scales: tuple[float, float], huber: bool
    ) -> Callable[[State], tuple[Array, Array]]:
        """What a descent minimises: flat residuals and their Jacobian at a state."""
        size = self.layout.size

        def evaluate(at: State) -> tuple[Array, Array]:
            whitened, jacobians, _ = self.residuals(at, views, scales)
            residual, jacobian = np.concatenate(whitened), np.concatenate(jacobians)
            contact, by_state = self.stated(at)
            if huber:
                length = np.linalg.norm(residual, axis=1)
                threshold = 2.0 * max(1.0, 1.48 * float(median(length)) / 1.18)
                weight = np.sqrt(np.minimum(1.0, threshold / np.maximum(length, 1e-12)))
                residual, jacobian = residual * weight[:, None], jacobian * weight[:, None, None]
            flat = np.nan_to_num(residual.ravel(), nan=1e6)
            return (
                np.concatenate([flat, contact]),
                np.concatenate([np.nan_to_num(jacobian.reshape(-1, size)), by_state]),
            )

        return evaluate

    @property
    def _placements(self) -> tuple[slice, ...]:
        """Of the sheet in every photo but the first, where it was moved."""
        return self.layout.motions[self.layout.poses :]

    def stated(self, state: State) -> tuple[Array, Array]:
        """Residuals of what was stated, contact, floor and the ratio of the rules, in a state's own layout."""
        residual, jacobian = self._contact(state)
        if self.moved.one_floor:
            off, by = self._floor(state)
            residual, jacobian = np.append(residual, off), np.vstack([jacobian, by])
        ratio = self.constraints.scale_ratio
        if ratio is None or not state.layout.print_faults:
            return residual, jacobian
        where = state.layout.print_fault.start
        by = np.zeros((1, state.layout.size))
        by[0, where] = 1 / ratio[1]
        off = (state.vector[where] - ratio[0]) / ratio[1]
        return np.append(residual, off), np.vstack([jacobian, by])

    def _floor(self, state: State) -> tuple[Array, Array]:
        """Residuals of each placement's tilt against the first, and of its middle where the camera moved too.

        By a small rotation w on the left, R p changes by w x R p.
        """
        residuals, rows = [np.zeros(0)], [np.zeros((0, state.layout.size))]
        middle = self.points.mean(axis=0)
        for photo in range(1, state.layout.photos):
            rotation, translation = state.scene_from_sheet(photo)
            where = state.layout.placement(photo)
            assert where is not None  # one floor is said of a sheet that was moved
            tilt = np.zeros((2, state.layout.size))
            tilt[:, where.start : where.start + 3] = -skew(rotation[:, 2])[:2] / FLOOR_SAME_RAD
            residuals.append(rotation[:2, 2] / FLOOR_SAME_RAD)
            rows.append(tilt)
            if self.moved.camera:
                turned = rotation @ middle
                shift = np.zeros((2, state.layout.size))
                shift[:, where] = np.hstack([-skew(turned)[:2], np.eye(3)[:2]]) / TURNED_ON_SPOT_MM
                residuals.append((turned + translation - middle)[:2] / TURNED_ON_SPOT_MM)
                rows.append(shift)
        return np.concatenate(residuals), np.vstack(rows)

    def _contact(self, state: State) -> tuple[Array, Array]:
        """Residuals of the sheet's contact edge against the mirrors it touches: its nearer end does."""
        contacts = self.constraints.contacts
        gaps, jacobian = np.zeros(len(contacts)), np.zeros((len(contacts), state.layout.size))
        half = self.sheet.width_mm / 2
        for row, mirror in enumerate(contacts):
            where = self.layout.mirror(mirror).start
            lean, turn, offset = (float(v) for v in state.vector[where : where + 3])
            # The height of the contact edge's nearer end before the glass: offset - half |sin(turn)| cos(lean).
            side = math.copysign(half, turn)
            jacobian[row, where] = side * math.sin(turn) * math.sin(lean)
            jacobian[row, where + 1] = -side * math.cos(turn) * math.cos(lean)
            jacobian[row, where + 2] = 1.0
            gaps[row] = offset - side * math.sin(turn) * math.cos(lean)
        return gaps / CONTACT_SD_MM, jacobian / CONTACT_SD_MM


def height_basis(sheet: Sheet, curls: Sequence[Curl], points: Array) -> Array:
    """(n, 3 + curls) heights of places of the sheet for a unit of each bow and curl parameter."""
    *half, centre_y = half_sizes(sheet)
    bow = bow_basis(points, (half[0], half[1]), centre_y)
    return np.hstack([bow, *(curl.columns(points) for curl in curls)])


def curls_of(shape: Shape | None, state: State) -> list[tuple[Curl, float]]:
    """The sheet's curls as a state has them, each with its lift [mm]."""
    if shape is None:
        return []
    found = []
    steps = state.vector[state.layout.curl].reshape(-1, CURL_COLUMNS)
    for (curl, _), (lift, *changes) in zip(shape.curls, steps, strict=True):
        if lift > 0:
            found.append((curl.varied(*(change / lift for change in changes)), float(lift)))
    return found


def drawn_in(points: Array, curls: Sequence[tuple[Curl, float]]) -> Array:
    """(n, 3) flat places of the sheet [mm], moved along the floor where its paper curls up."""
    for curl, lift in curls:
        points = points.copy()
        points[:, :2] += lift**2 * curl.shortenings(points)
    return points


def _vector_of(state: State) -> Array:
    return state.vector

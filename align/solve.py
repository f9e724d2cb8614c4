"""The joint solve: one camera, one target, the mirrors and a pose for each photo, in one least-squares fit."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from .camera import Camera, CameraPrior, camera_from_parameters
from .errors import SolveError
from .geometry import fit_homography, lean_turn_of_normal, mirror_normal
from .glass import FLOAT_GLASS_INDEX, FLOAT_GLASS_INDEX_SD
from .leastsquares import Minimum, Prior, covariance_of, minimise, student_quantile
from .model import DIRECT, Layout, State, bow_basis, predict
from .start import focal_from_homographies, mirror_candidates, plane_poses
from .target import Sheet, corners_target

Array = NDArray[np.float64]

#: What is known of the glass when nobody says: any common mirror, front-coated to 6 mm.
UNKNOWN_GLASS_MM, UNKNOWN_GLASS_SD_MM = 3.0, 2.0
#: A stated thickness is nominal: EN 572-2 allows +-0.2 mm for 2 to 6 mm float glass (2 sd).
STATED_GLASS_SD_MM = 0.1
#: Sagitta of a sheet that lies flat to the eye, one sd [mm].
BOW_SD_MM = 1.0
#: How well a cut contact edge follows the glass, one sd [mm]; common practice, no source.
CONTACT_SD_MM = 0.3
#: Corner noise can not be smaller than this [px]: below it, model errors count.
NOISE_FLOOR_PX = 0.01
#: A corner farther from the fit than this many robust standard deviations is left out.
OUTLIER_SIGMAS = 4.5


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

    def kept(self, mask: NDArray[np.bool_]) -> View:
        """The view with only the masked corners."""
        return View(self.photo, self.mirror, self.corner_ids[mask], self.pixels[mask], self.covariance[mask])


@dataclass(frozen=True)
class Knowledge:
    """What the user says beyond the photo: glass thickness [mm] (0: front-coated), contact of the sheet."""

    glass_mm: float | None = None
    touching: bool = False

    def thickness_prior(self) -> tuple[float, float]:
        """(mean, sd) [mm]; sd 0 for a front-coated mirror."""
        if self.glass_mm is None:
            return UNKNOWN_GLASS_MM, UNKNOWN_GLASS_SD_MM
        return self.glass_mm, STATED_GLASS_SD_MM if self.glass_mm > 0 else 0.0


@dataclass(frozen=True, eq=False)
class Solution:
    """The answer of the joint solve, with its covariance.

    covariance : (p, p) of `state.vector` in the order of `parameter_names`; degrees : of freedom of the
    noise estimate; views : the views with outlying corners removed; residuals_px : (n, 2) for each view;
    noise_scale : of direct and reflected corners' covariances; camera_surprise : the largest distance of focal
    length and centre from their prior, in its sd.
    """

    state: State
    covariance: Array
    degrees: float
    views: tuple[View, ...]
    residuals_px: tuple[Array, ...]
    rejected: tuple[int, ...]
    noise_scale: tuple[float, float]
    camera_surprise: float
    cost: float

    @property
    def parameter_names(self) -> tuple[str, ...]:
        """Names of the entries of `state.vector` and `covariance`."""
        return self.state.layout.names

    @property
    def camera(self) -> Camera:
        """The camera as solved."""
        return camera_from_parameters(self.state.vector[self.state.layout.camera])

    @property
    def quantile(self) -> float:
        """Half-width of a 95 % interval in standard deviations."""
        return student_quantile(self.degrees)

    def mirror_parameters(self, mirror: int) -> Array:
        """(4,) lean, turn [rad], distance along y to the front face, thickness [mm]."""
        parameters = self.state.vector[self.state.layout.mirror(mirror)].copy()
        parameters[2] /= -self.normal(mirror)[1]
        return parameters

    def mirror_covariance(self, mirror: int) -> Array:
        """(4, 4) covariance of `mirror_parameters`, to first order."""
        where = self.state.layout.mirror(mirror)
        lean, turn, offset, _ = self.state.vector[where]
        cosines = math.cos(lean) * math.cos(turn)
        by = np.eye(4)
        by[2] = [offset * math.tan(lean) / cosines, offset * math.tan(turn) / cosines, 1.0 / cosines, 0.0]
        return np.asarray(by @ self.covariance[where, where] @ by.T)

    def height_before(self, mirror: int, points: Array) -> Array:
        """(n,) [mm] how far (n, 3) points stand before a mirror's front face; negative behind it."""
        offset = float(self.state.vector[self.state.layout.mirror(mirror)][2])
        return np.asarray(np.atleast_2d(points) @ self.normal(mirror) + offset)

    def normal(self, mirror: int) -> Array:
        """Unit normal of a mirror towards the viewer, target frame."""
        lean, turn = self.state.vector[self.state.layout.mirror(mirror)][:2]
        return mirror_normal(float(lean), float(turn))

    def rms_px(self, photo: int | None = None) -> float:
        """Root mean square reprojection error over both coordinates of all corners kept [px]."""
        chosen = [
            r
            for r, v in zip(self.residuals_px, self.views, strict=True)
            if photo is None or v.photo == photo
        ]
        stacked = np.concatenate(chosen)
        return float(np.sqrt((stacked**2).sum() / max(len(stacked), 1)))


def solve(
    sheet: Sheet,
    views: Sequence[View],
    prior: CameraPrior,
    knowledge: Knowledge | None = None,
    *,
    moved_sheet: bool = False,
) -> Solution:
    """Solve camera, mirrors and poses from all views at once.

    Parameters
    ----------
    sheet : the target; views : direct and reflected; prior : of the camera; knowledge : of glass and contact;
    moved_sheet : the camera stood still and the sheet was moved between the photos.

    Raises
    ------
    SolveError
        If no direct view is given for a photo, or no plane mirror explains the reflections.
    """
    problem = _Problem(sheet, tuple(views), prior, knowledge or Knowledge(), moved_sheet)
    best: Minimum[State] | None = None
    for camera in problem.cameras_to_try():
        for state in problem.starts(camera):
            found = problem.descend(state, problem.views, huber=True, iterations=25)
            if best is None or found.cost < best.cost:
                best = found
        if best is not None and best.cost < problem.good_cost:
            break
    if best is None:
        raise SolveError(
            "No plane mirror explains the corners that were found.",
            "Check that the photo shows one flat sheet and its reflection; retake it from another height.",
        )
    return problem.finish(best.point)


class _Problem:
    """The residuals, priors and starts of one solve."""

    def __init__(
        self,
        sheet: Sheet,
        views: tuple[View, ...],
        prior: CameraPrior,
        knowledge: Knowledge,
        moved_sheet: bool = False,
    ) -> None:
        self.sheet, self.views, self.camera_prior, self.knowledge = sheet, views, prior, knowledge
        photos = 1 + max(view.photo for view in views)
        mirrors = 1 + max(view.mirror for view in views)
        self.layout = Layout(mirrors, photos, moved_sheet)
        self.points = corners_target(sheet)
        half = (sheet.squares_x * sheet.square_mm / 2, sheet.squares_y * sheet.square_mm / 2)
        self.basis = bow_basis(self.points, half, -sheet.contact_margin_mm - half[1])
        self.prior = self._prior()
        #: A first fit below this cost needs no other start: 2 px rms where 1 px is expected.
        self.good_cost = 4.0 * 2 * sum(len(view.pixels) for view in views)

    def _prior(self) -> Prior:
        layout = self.layout
        mean, sd = np.zeros(layout.size), np.full(layout.size, 1e6)
        mean[layout.camera], sd[layout.camera] = self.camera_prior.mean, self.camera_prior.sd
        mean[layout.index], sd[layout.index] = FLOAT_GLASS_INDEX, FLOAT_GLASS_INDEX_SD
        sd[layout.bow] = BOW_SD_MM
        thickness, thickness_sd = self.knowledge.thickness_prior()
        for mirror in range(layout.mirrors):
            where = layout.mirror(mirror).start
            mean[where + 3], sd[where + 3] = thickness, thickness_sd
        if layout.mirrors == 0 or thickness_sd == 0.0:
            sd[layout.index] = 0.0
        joint = None
        if self.camera_prior.covariance is not None:
            joint = np.zeros((layout.size, layout.size))
            joint[layout.camera, layout.camera] = self.camera_prior.covariance
        return Prior(mean, sd, joint)

    # Starts -----------------------------------------------------------------------------------------

    def cameras_to_try(self) -> list[Camera]:
        """The prior's camera; when its focal length is a guess, also what the homographies say and others."""
        camera = self.camera_prior.camera
        if self.camera_prior.sd[0] < 0.1:
            return [camera]
        homographies = [
            fit_homography(self.points[view.corner_ids, :2], view.pixels)
            for view in self.views
            if len(view.pixels) >= 8
        ]
        told = focal_from_homographies(homographies, camera.centre_px) if homographies else None
        ratio = None if told is None else told / camera.focal_px
        focals = [told] if told is not None and ratio is not None and 0.3 < ratio < 6.0 else []
        focals += [camera.focal_px * factor for factor in (1.0, 0.65, 1.6, 2.6)]
        return [camera.with_focal(f) for f in focals if f is not None]

    def starts(self, camera: Camera) -> list[State]:
        """States to descend from: poses by homography, mirrors by the bisector; the likeliest first."""
        vector = self.prior.mean.copy()
        vector[self.layout.camera] = camera.parameters
        rotations = []
        for photo in range(self.layout.photos):
            direct = [v for v in self.views if v.photo == photo and v.mirror == DIRECT]
            if not direct:
                raise SolveError(
                    "A photo shows a reflection but not the target itself.",
                    "Take the photo so that the sheet and its reflection are both in it.",
                )
            view = max(direct, key=lambda v: len(v.pixels))
            points = self.points[view.corner_ids]
            poses = plane_poses(camera.normalise(view.pixels), points)
            # A floor is seen from above: its normal points to the camera's side.
            rotation, translation = min(
                poses, key=lambda pose: _pose_error(camera, pose, points, view.pixels)
            )
            where = self.layout.placement(photo)
            if where is None:
                where = self.layout.pose(photo)
            else:  # from the camera's frame to the first photo's target frame
                first_translation = vector[self.layout.pose(0)][3:]
                translation = rotations[0].T @ (translation - first_translation)
                rotation = rotations[0].T @ rotation
            rotations.append(rotation)
            vector[where] = np.concatenate([np.zeros(3), translation])
        state = State(self.layout, vector, tuple(rotations))
        direct = self._descend_direct(state)
        state = direct.point
        corners = sum(len(v.pixels) for v in self.views if v.mirror == DIRECT)
        for mirror in range(self.layout.mirrors):
            state = self._with_mirror(state, mirror, direct.cost / max(corners, 1))
        return [state]

    def _descend_direct(self, state: State) -> Minimum[State]:
        """Poses refined on the direct corners with the camera held."""
        held = self.prior.sd.copy()
        held[: self.layout.bow.stop] = 0.0
        for mirror in range(self.layout.mirrors):
            held[self.layout.mirror(mirror)] = 0.0
        views = tuple(v for v in self.views if v.mirror == DIRECT)
        return self.descend(state, views, huber=True, iterations=12, sd=held)

    def _with_mirror(self, state: State, mirror: int, direct_cost: float) -> State:
        """The state with the best of the mirror's candidates, descended with all else held.

        A candidate that fits the reflection as well as the poses fit the target (`direct_cost` a corner)
        is taken without trying others: what is left is the camera's doing.
        """
        views = tuple(v for v in self.views if v.mirror == mirror)
        view = max(views, key=lambda v: len(v.pixels))
        candidates = self._mirror_candidates(state, view)
        where = self.layout.mirror(mirror)
        held = np.zeros(self.layout.size)
        held[where.start : where.start + 3] = 1e6
        best: Minimum[State] | None = None
        for candidate in candidates:
            vector = state.vector.copy()
            thickness = vector[where.start + 3]
            vector[where.start : where.start + 3] = candidate
            # The candidates are of plane mirrors: the glass's face lies before that plane by t / n.
            vector[where.start + 2] -= thickness / FLOAT_GLASS_INDEX
            start = State(self.layout, vector, state.rotations)
            try:
                found = self.descend(start, views, huber=True, iterations=12, sd=held)
            except SolveError:
                continue
            if best is None or found.cost < best.cost:
                best = found
            if best.cost < max(8.0, 3.0 * direct_cost) * sum(len(v.pixels) for v in views):
                break
        if best is None:
            raise SolveError(
                "No plane mirror explains the reflection that was found.",
                "Check that the photo shows the sheet and its reflection in one flat mirror.",
            )
        return self._facing(best.point, mirror, view.photo)

    def _facing(self, state: State, mirror: int, photo: int) -> State:
        """The state with the mirror's normal on the camera's side: the same plane has two."""
        where = self.layout.mirror(mirror)
        lean, turn, offset, thickness = state.vector[where]
        normal = mirror_normal(float(lean), float(turn))
        if normal @ state.eye(photo) + offset < 0:
            # The glass changes sides: its face comes nearer by twice the silvering's depth.
            normal, offset = -normal, -offset - 2 * thickness / FLOAT_GLASS_INDEX
        vector = state.vector.copy()
        vector[where] = [*lean_turn_of_normal(normal), offset, thickness]
        return State(self.layout, vector, state.rotations)

    def _mirror_candidates(self, state: State, view: View) -> list[Array]:
        """(lean, turn, offset) of mirrors that may explain a view, in the scene's frame."""
        camera = camera_from_parameters(state.vector[self.layout.camera])
        points = self.points[view.corner_ids]
        found = mirror_candidates(camera, state.cam_from_sheet(view.photo), points, view.pixels)
        rotation, translation = state.scene_from_sheet(view.photo)
        result = []
        eye = state.eye(view.photo)
        for lean, turn, offset in found:
            normal = rotation @ mirror_normal(lean, turn)
            offset = offset - float(normal @ translation)
            if normal @ eye + offset < 0:  # the same plane; its face is the side that the camera sees
                normal, offset = -normal, -offset
            result.append(np.array([*lean_turn_of_normal(normal), offset]))
        return result

    # Descent ----------------------------------------------------------------------------------------

    def residuals(
        self, state: State, views: Sequence[View], scales: tuple[float, float]
    ) -> tuple[list[Array], list[Array], list[Array]]:
        """Whitened residuals (n, 2), whitened Jacobians (n, 2, p) and raw residuals [px] of each view."""
        whitened, jacobians, raw = [], [], []
        for view in views:
            points, basis = self.points[view.corner_ids], self.basis[view.corner_ids]
            pixels, jacobian = predict(state, view.photo, view.mirror, points, basis)
            off = pixels - view.pixels
            scale = scales[0] if view.mirror == DIRECT else scales[1]
            root = np.linalg.inv(np.linalg.cholesky(view.covariance)) / scale
            whitened.append(np.einsum("nij,nj->ni", root, off))
            jacobians.append(np.einsum("nij,njp->nip", root, jacobian))
            raw.append(off)
        return whitened, jacobians, raw

    def descend(
        self,
        state: State,
        views: Sequence[View],
        *,
        huber: bool,
        scales: tuple[float, float] = (1.0, 1.0),
        iterations: int = 60,
        sd: Array | None = None,
    ) -> Minimum[State]:
        """Minimise over the parameters whose prior sd is not zero, optionally with Huber's weights.

        Huber's loss with threshold 2 robust standard deviations, as reweighted least squares; source: P. Huber,
        E. Ronchetti, Robust Statistics, 2nd ed. (2009), section 7.8.
        """
        size = self.layout.size

        def evaluate(at: State) -> tuple[Array, Array]:
            whitened, jacobians, _ = self.residuals(at, views, scales)
            residual, jacobian = np.concatenate(whitened), np.concatenate(jacobians)
            if self.knowledge.touching:
                contact, by_state = self._contact(at)
            else:
                contact, by_state = np.zeros(0), np.zeros((0, size))
            if huber:
                length = np.linalg.norm(residual, axis=1)
                threshold = 2.0 * max(1.0, 1.48 * float(np.median(length)) / 1.18)
                weight = np.sqrt(np.minimum(1.0, threshold / np.maximum(length, 1e-12)))
                residual, jacobian = residual * weight[:, None], jacobian * weight[:, None, None]
            flat = np.nan_to_num(residual.ravel(), nan=1e6)
            return (
                np.concatenate([flat, contact]),
                np.concatenate([np.nan_to_num(jacobian.reshape(-1, size)), by_state]),
            )

        prior = self.prior if sd is None else Prior(np.where(sd > 0, self.prior.mean, state.vector), sd)
        return minimise(state, evaluate, State.stepped, lambda at: at.vector, prior, iterations)

    def _contact(self, state: State) -> tuple[Array, Array]:
        """Residuals of the sheet's contact edge against the first mirror: its nearer end touches."""
        where = self.layout.mirror(0).start
        lean, turn, offset = (float(v) for v in state.vector[where : where + 3])
        half = self.sheet.width_mm / 2
        # The height of the contact edge's nearer end before the glass: offset - half |sin(turn)| cos(lean).
        side = math.copysign(half, turn)
        jacobian = np.zeros((1, self.layout.size))
        jacobian[0, where] = side * math.sin(turn) * math.sin(lean)
        jacobian[0, where + 1] = -side * math.cos(turn) * math.cos(lean)
        jacobian[0, where + 2] = 1.0
        gap = offset - side * math.sin(turn) * math.cos(lean)
        return np.array([gap / CONTACT_SD_MM]), jacobian / CONTACT_SD_MM

    # Finish -----------------------------------------------------------------------------------------

    def finish(self, state: State) -> Solution:
        """Leave out bad corners, estimate the noise of both kinds of view, and take the covariance."""
        views, scales, rejected = self.views, (1.0, 1.0), [0] * len(self.views)
        minimum = self.descend(state, views, huber=True, scales=self._robust_scales(state, views))
        for attempt in range(4):
            scales = self._robust_scales(minimum.point, views)
            views, dropped = self._without_outliers(minimum.point, views, scales)
            rejected = [total + new for total, new in zip(rejected, dropped, strict=True)]
            minimum = self.descend(minimum.point, views, huber=False, scales=scales)
            if not any(dropped) and attempt > 0:
                break
        for _ in range(4):
            updated, degrees = self._noise_scales(minimum, views, scales)
            settled = all(abs(a / b - 1) < 1e-3 for a, b in zip(updated, scales, strict=True))
            scales = updated
            minimum = self.descend(minimum.point, views, huber=False, scales=scales)
            if settled:
                break
        _, _, raw = self.residuals(minimum.point, views, scales)
        # Focal length and centre only: these are what cropping and zooming change.
        off, sd = (minimum.point.vector - self.prior.mean)[:3], self.prior.sd[:3]
        surprise = float(np.max(np.abs(off[sd > 0]) / sd[sd > 0], initial=0.0))
        return Solution(
            state=minimum.point,
            covariance=covariance_of(minimum.information, self.prior.free),
            degrees=degrees,
            views=tuple(views),
            residuals_px=tuple(raw),
            rejected=tuple(rejected),
            noise_scale=scales,
            camera_surprise=surprise,
            cost=minimum.cost,
        )

    def _robust_scales(self, state: State, views: Sequence[View]) -> tuple[float, float]:
        """Noise scale of direct and reflected corners from the median absolute residual."""
        whitened, _, _ = self.residuals(state, views, (1.0, 1.0))
        result = []
        for direct in (True, False):
            parts = [w for w, v in zip(whitened, views, strict=True) if (v.mirror == DIRECT) == direct]
            median = float(np.median(np.abs(np.concatenate(parts)))) if parts else 1.0
            result.append(max(1.4826 * median, self._floor(views, direct)))
        return result[0], result[1]

    def _floor(self, views: Sequence[View], direct: bool) -> float:
        """The scale that stands for NOISE_FLOOR_PX, given the covariances' own size."""
        sizes = [np.trace(v.covariance, axis1=1, axis2=2) / 2 for v in views if (v.mirror == DIRECT) == direct]
        return NOISE_FLOOR_PX / math.sqrt(float(np.median(np.concatenate(sizes)))) if sizes else 1e-3

    def _without_outliers(
        self, state: State, views: Sequence[View], scales: tuple[float, float]
    ) -> tuple[tuple[View, ...], list[int]]:
        whitened, _, _ = self.residuals(state, views, scales)
        kept, dropped = [], []
        for residual, view in zip(whitened, views, strict=True):
            good = (np.abs(residual) < OUTLIER_SIGMAS).all(axis=1)
            if good.sum() < min(6, len(good)):  # never argue a whole view away
                good = np.ones(len(good), bool)
            kept.append(view.kept(good))
            dropped.append(int((~good).sum()))
        return tuple(kept), dropped

    def _noise_scales(
        self, minimum: Minimum[State], views: Sequence[View], scales: tuple[float, float]
    ) -> tuple[tuple[float, float], float]:
        """Residual scale of both kinds, each over its own degrees of freedom, and the smaller of those."""
        covariance = covariance_of(minimum.information, self.prior.free)
        whitened, jacobians, _ = self.residuals(minimum.point, views, scales)
        result, degrees = [], math.inf
        for direct, scale in zip((True, False), scales, strict=True):
            squares, freedom = 0.0, 0.0
            for residual, jacobian, view in zip(whitened, jacobians, views, strict=True):
                if (view.mirror == DIRECT) == direct:
                    flat = jacobian.reshape(-1, self.layout.size)
                    squares += float((residual**2).sum())
                    freedom += residual.size - float(np.einsum("ip,pq,iq->", flat, covariance, flat))
            if freedom <= 0:
                result.append(scale)
                continue
            degrees = min(degrees, freedom)
            result.append(max(scale * math.sqrt(squares / freedom), self._floor(views, direct)))
        return (result[0], result[1]), degrees if math.isfinite(degrees) else 1.0


def _pose_error(camera: Camera, pose: tuple[Array, Array], points: Array, pixels: Array) -> float:
    """Mean squared reprojection error [px^2], with poses under the floor set back."""
    rotation, translation = pose
    projected = camera.project(points @ rotation.T + translation)
    error = float(np.nan_to_num(((projected - pixels) ** 2).mean(), nan=1e12))
    eye = -rotation.T @ translation
    return error if eye[2] > 0 else error * 1e3 + 1e6


def widened(prior: CameraPrior, size: tuple[int, int]) -> CameraPrior:
    """The prior for a photo that turns out cropped or zoomed: focal length and centre nearly free."""
    from .camera import CENTRE_SD_SHARE, FOCAL_SD_BLIND

    sd = prior.sd.copy()
    sd[0] = max(sd[0], FOCAL_SD_BLIND)
    sd[1:3] = np.maximum(sd[1:3], CENTRE_SD_SHARE["part"] * max(size))
    return replace(prior, sd=sd, source="guess", covariance=None)

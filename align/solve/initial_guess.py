"""Where the descent of a solve begins: cameras, poses and mirrors that may explain the corners.

A small flat target fits two poses nearly equally well, and a mirror's face has two sides; every
combination that the corners do not rule out is a seed of its own.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..errors import SolveError
from ..optics.camera_model import Camera
from ..optics.geometry import fit_homography, height_before, lean_turn_of_normal, mirror_normal
from ..optics.slab import FLOAT_GLASS_INDEX
from .forward_model import DIRECT, State
from .homographies import focal_from_homographies, mirror_candidates, plane_poses, pose_error
from .least_squares import Minimum
from .problem import Problem, View
from .standing import standing

Array = NDArray[np.float64]
Pose = tuple[Array, Array]

#: A photo's second pose is a seed too unless it fits this many times worse than the first, bow and all.
POSE_RATIO = 4.0
MAX_POSE_CHOICES = 8
#: A seed's own descents end where the cost can fall by this and a hundredth of a per cent: others follow.
NEARLY = 0.1
#: Two descents whose costs differ by less than this share found the same mirror.
SAME_COST = 1e-3
#: A centre whose sd is more than this share of where it is thought to be is nearly free; a choice between a whole
#: photo's 0.016 and a cut one's 0.4.
FREE_CENTRE_SHARE = 0.15


@dataclass(frozen=True, eq=False)
class Hint:
    """Where to begin: what solves of the photos alone found.

    camera : of the surest of them; poses : each photo's camera from target, None where it was not solved;
    rms_px : of the one that fits worst; placements : each photo's sheet in the first one's frame, where sheet and
    camera were moved, else ().
    """

    camera: Camera
    poses: tuple[Pose | None, ...]
    rms_px: float
    placements: tuple[Pose, ...] = ()


def cameras_to_try(problem: Problem, hint: Hint | None = None) -> list[Camera]:
    """The hinted camera; else the prior's, and when its focal length is a guess others as well."""
    if hint is not None:
        return [hint.camera]
    camera = problem.camera_prior.camera
    if problem.camera_prior.sd[0] < 0.1:
        return [camera]
    homographies = [
        fit_homography(problem.points[view.corner_ids, :2], view.pixels)
        for view in problem.views
        if len(view.pixels) >= 8
    ]
    told = focal_from_homographies(homographies, camera.centre_px) if homographies else None
    ratio = None if told is None else told / camera.focal_px
    focals = [told] if told is not None and ratio is not None and 0.3 < ratio < 6.0 else []
    focals += [camera.focal_px * factor for factor in (1.0, 0.65, 1.6, 2.6)]
    return [camera.with_focal(f) for f in focals if f is not None]


def seeds(problem: Problem, camera: Camera, hint: Hint | None = None) -> Iterator[State]:
    """States to descend from, the likeliest first, each worked out when it is asked for; poses as hinted.

    Raises
    ------
    SolveError
        A photo has no direct view, or no plane mirror explains a reflection.
    """
    hinted = hint.poses if hint is not None else (None,) * problem.layout.photos
    choices = [
        _photo_poses(problem, camera, photo) if pose is None else [pose] for photo, pose in enumerate(hinted)
    ]
    for poses in itertools.islice(itertools.product(*choices), MAX_POSE_CHOICES):
        state = _state_of(problem, camera, poses, () if hint is None else hint.placements)
        direct = _descend_direct(problem, state)
        state = direct.point
        corners = sum(len(v.pixels) for v in problem.views if v.mirror == DIRECT)
        for mirror in range(problem.layout.mirrors):
            state = _with_mirror(problem, state, mirror, direct.cost / max(corners, 1))
        yield _off_centre(problem, state)


def _off_centre(problem: Problem, state: State) -> State:
    """Where the photo's centre is nearly free: the state with centre and focal length found, distortion held.

    From a centre that is far off (a photo off the middle of a screenshot, by a sixth of its width) distortion, let
    free at once, runs away into a minimum of its own.
    """
    camera = problem.camera_prior
    if max(camera.sd[1:3]) < FREE_CENTRE_SHARE * max(camera.mean[1:3]):
        return state
    held = problem.prior.sd.copy()
    held[problem.layout.camera][3:] = 0.0
    try:
        return problem.descend(state, problem.views, huber=True, iterations=25, sd=held).point
    except SolveError:
        return state


def _photo_poses(problem: Problem, camera: Camera, photo: int) -> list[Pose]:
    """The poses of a photo's camera that its direct corners do not rule out, best first."""
    direct = [v for v in problem.views if v.photo == photo and v.mirror == DIRECT]
    if not direct:
        raise SolveError(
            "A photo shows a reflection but not the sheet itself.",
            "Take the photo so that the sheet and its reflection are both in it.",
        )
    view = max(direct, key=lambda v: len(v.pixels))
    points = problem.points[view.corner_ids]
    poses = plane_poses(camera.normalise(view.pixels), points)
    errors = [pose_error(camera, pose, points, view.pixels) for pose in poses]
    best = min(errors)
    # A square of pixels of slack: bow and distortion, not yet known, can tip the balance.
    slack = POSE_RATIO * best + 1.0
    return [pose for error, pose in sorted(zip(errors, poses, strict=True), key=lambda p: p[0]) if error <= slack]


def _state_of(
    problem: Problem, camera: Camera, poses: tuple[Pose, ...], placements: tuple[Pose, ...] = ()
) -> State:
    """The state with each photo's camera posed from the sheet as it lies in that photo."""
    layout = problem.layout
    vector = problem.prior.mean.copy()
    vector[layout.camera] = camera.parameters
    first_rotation, first_translation = poses[0]
    motions: list[Pose] = []
    if not layout.moved_sheet:
        motions += poses
    elif not layout.moved_camera:  # from the camera's frame to the first photo's target frame
        motions.append(poses[0])
        motions += [(first_rotation.T @ r, first_rotation.T @ (t - first_translation)) for r, t in poses[1:]]
    else:
        for (rotation, translation), (placed, shift) in zip(poses, placements, strict=True):
            motions.append((rotation @ placed.T, translation - rotation @ placed.T @ shift))
        motions += placements[1:]
    for where, (_, translation) in zip(layout.motions, motions, strict=True):
        vector[where] = np.concatenate([np.zeros(3), translation])
    return State(layout, vector, tuple(rotation for rotation, _ in motions))


def _descend_direct(problem: Problem, state: State) -> Minimum[State]:
    """Poses refined on the direct corners with the camera held."""
    held = problem.prior.sd.copy()
    held[: problem.layout.bow.stop] = 0.0
    for mirror in range(problem.layout.mirrors):
        held[problem.layout.mirror(mirror)] = 0.0
    if problem.layout.moved_camera:  # a direct view does not tell the sheet's move from the camera's
        for placement in problem.layout.motions[problem.layout.poses :]:
            held[placement] = 0.0
    views = tuple(v for v in problem.views if v.mirror == DIRECT)
    return problem.descend(state, views, huber=True, iterations=12, sd=held, tolerance=NEARLY)


def _with_mirror(problem: Problem, state: State, mirror: int, direct_cost: float) -> State:
    """The state with the best of the mirror's candidates, descended with all else held.

    A candidate that fits the reflection as well as the poses fit the target (`direct_cost` a corner)
    is taken without trying others: what is left is the camera's doing. So is one that a second
    candidate leads to as well.
    """
    views = tuple(v for v in problem.views if v.mirror == mirror)
    view = max(views, key=lambda v: len(v.pixels))
    candidates = _mirror_candidates(problem, state, view)
    where = problem.layout.mirror(mirror)
    held = np.zeros(problem.layout.size)
    held[where.start : where.start + 3] = 1e6
    best: Minimum[State] | None = None
    for candidate in candidates:
        vector = state.vector.copy()
        thickness = vector[where.start + 3]
        vector[where.start : where.start + 3] = candidate
        # The candidates are of plane mirrors: the glass's face lies before that plane by t / n.
        vector[where.start + 2] -= thickness / FLOAT_GLASS_INDEX
        start = State(problem.layout, vector, state.rotations)
        try:
            found = problem.descend(start, views, huber=True, iterations=12, sd=held, tolerance=NEARLY)
        except SolveError:
            continue
        twice = best is not None and abs(found.cost - best.cost) < SAME_COST * best.cost
        if best is None or found.cost < best.cost:
            best = found
        if twice or best.cost < max(8.0, 3.0 * direct_cost) * sum(len(v.pixels) for v in views):
            break
    if best is None:
        raise SolveError(
            "No plane mirror explains the reflection that was found.",
            "Check that the photo shows the sheet and its reflection in one flat mirror.",
        )
    return facing(problem, best.point, mirror, view.photo)


def facing(problem: Problem, state: State, mirror: int, photo: int) -> State:
    """The state with the mirror's normal on the camera's side: the same plane has two."""
    where = problem.layout.mirror(mirror)
    lean, turn, offset, thickness = state.vector[where]
    normal = mirror_normal(float(lean), float(turn))
    if standing(state, photo, mirror, problem.points).camera_mm < 0:
        # The glass changes sides: its face comes nearer by twice the silvering's depth.
        normal, offset = -normal, -offset - 2 * thickness / FLOAT_GLASS_INDEX
    vector = state.vector.copy()
    vector[where] = [*lean_turn_of_normal(normal), offset, thickness]
    return State(problem.layout, vector, state.rotations)


def _mirror_candidates(problem: Problem, state: State, view: View) -> list[Array]:
    """(lean, turn, offset) of mirrors that may explain a view, in the scene's frame."""
    camera = state.camera
    points = problem.points[view.corner_ids]
    found = mirror_candidates(camera, state.cam_from_sheet(view.photo), points, view.pixels)
    rotation, translation = state.scene_from_sheet(view.photo)
    result = []
    eye = state.eye(view.photo)
    for lean, turn, offset in found:
        normal = rotation @ mirror_normal(lean, turn)
        offset = offset - float(normal @ translation)
        if height_before(eye, normal, offset)[0] < 0:  # the same plane; its face is the side that the camera sees
            normal, offset = -normal, -offset
        result.append(np.array([*lean_turn_of_normal(normal), offset]))
    return result

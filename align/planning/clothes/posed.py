"""Photos of a scene with the sheet in it: where each was taken from, in the scene's frame."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from ...bundle.photo_set import Sighted, sight_photos
from ...errors import PhotoError, SolveError, TargetError
from ...optics.camera_model import Camera
from ...photo.camera_file import CameraFile
from ...photo.read import colour_of, read_colour
from ...photo.tone import linear_light
from ...solve.forward_model import DIRECT
from ...solve.joint import Solution, View, solve
from ...target.sheets import Sheet
from ..eye import extent_of
from ..scene import Scene, SheetPlace
from ..thresholds import MOST_POSE_RMS_PX, PIXELS_A_TEXEL

Array = NDArray[np.float64]
Light = NDArray[np.float32]
Say = Callable[[str], None]


@dataclass(frozen=True, eq=False)
class PosedPhoto:
    """A photo and where it was taken from.

    rotation (3, 3), translation (3,) [mm] : to the camera's frame from the scene's
    pixels : (h, w, 3) sRGB bytes; rms_px : how well the sheet's corners fit, in the photo as it was taken
    astray_mm : how far off, one sd, the photo may lay the scene's outermost points
    sheet, place : what lay in the scene, and where; mirror_there : whether mirrors hung when it was taken
    """

    name: str
    camera: Camera
    rotation: Array
    translation: Array
    pixels: NDArray[np.uint8]
    rms_px: float
    astray_mm: float
    sheet: Sheet
    place: SheetPlace
    mirror_there: bool = False

    @property
    def eye(self) -> Array:
        """(3,) [mm] where it was taken from, in the scene."""
        return -self.rotation.T @ self.translation

    def project(self, points: Array) -> Array:
        """(n, 2) [px] of points (n, 3) of the scene; nan behind the camera."""
        with np.errstate(invalid="ignore"):
            return self.camera.project(points @ self.rotation.T + self.translation)

    def inside(self, pixels: Array, margin: float = 1.0) -> NDArray[np.bool_]:
        """(n,) whether pixels lie in the photo."""
        height, width = self.pixels.shape[:2]
        with np.errstate(invalid="ignore"):
            good = (pixels > margin) & (pixels < np.array([width, height]) - 1.0 - margin)
        return np.asarray(good.all(axis=1))

    def sample(self, pixels: Array) -> Light:
        """(n, 3) linear light at pixels (n, 2) inside, between them linearly."""
        low = np.floor(pixels).astype(np.int64)
        part = (pixels - low).astype(np.float32)
        x, y = low.T
        rows = [[self.pixels[y + j, x + i] for i in (0, 1)] for j in (0, 1)]
        light = [[linear_light(value) for value in row] for row in rows]
        a, b = part[:, :1], part[:, 1:]
        top, bottom = ((1 - a) * left + a * right for left, right in light)
        return np.asarray((1 - b) * top + b * bottom, np.float32)

    def reduced(self, factor: float) -> PosedPhoto:
        """The photo at `factor` of its size, each pixel the mean of what it was; at its own size from 1 on."""
        import cv2

        if factor >= 1.0:
            return self
        height, width = self.pixels.shape[:2]
        size = max(8, round(width * factor)), max(8, round(height * factor))
        pixels = np.asarray(cv2.resize(self.pixels, size, interpolation=cv2.INTER_AREA), np.uint8)
        scale = size[0] / width
        centre = tuple((value + 0.5) * scale - 0.5 for value in self.camera.centre_px)
        camera = replace(self.camera, focal_px=self.camera.focal_px * scale, centre_px=(centre[0], centre[1]))
        return replace(self, camera=camera, pixels=pixels)


@dataclass(frozen=True, eq=False)
class PosedPhotos:
    """All of them, and what their reader must know."""

    photos: tuple[PosedPhoto, ...]
    notes: tuple[str, ...]


def posed_photos(
    scene: Scene,
    photos: Sequence[str | os.PathLike[str]],
    texel_mm: float,
    camera_file: CameraFile | None = None,
    progress: Say | None = None,
) -> PosedPhotos:
    """Where photos of a scene were taken from, by the sheet that lies in it.

    Parameters
    ----------
    texel_mm : of the faces that they are to clothe: the photos are reduced to what that needs

    Raises
    ------
    AlignError
        A photo cannot be read or shows no sheet; or the scene does not say where the sheet lies.
    """
    if not scene.sheets:
        raise TargetError(
            "The scene file does not say where the sheet lies in the photos.",
            "Add a line at its top, the place of the middle of the sheet's far edge: sheet_at = [0, 300]",
        )
    _refuse_twice(photos)
    sighted = []
    for number, photo in enumerate(photos, start=1):
        if progress:
            progress(f"photo {number} of {len(photos)}: {Path(photo).name}")
        sighted.append(_sighted(Path(photo), camera_file, scene))
    _refuse_unplaced(scene, sighted)
    there = any(item.sighting.reflections for item in sighted)
    found: dict[int, PosedPhoto] = {}
    for group in _of_one_camera(sighted):
        solution = _solved([sighted[k] for k in group])
        for number, k in enumerate(group):
            found[k] = _fitting(_posed(scene, sighted[k], solution, number, there), scene, texel_mm)
    notes = [note for item in sighted for note in item.notes]
    if there:
        notes.append("A mirror hangs in these photos: what they show behind its plane is not used.")
    return PosedPhotos(tuple(found[k] for k in range(len(sighted))), tuple(notes))


def _refuse_twice(photos: Sequence[str | os.PathLike[str]]) -> None:
    paths = [Path(photo).resolve() for photo in photos]
    twice = next((path for path in paths if paths.count(path) > 1), None)
    if twice is not None:
        raise PhotoError(f"{twice.name} is named twice.", "Name each photo once.")


def _fitting(photo: PosedPhoto, scene: Scene, texel_mm: float) -> PosedPhoto:
    """The photo reduced until a texel in the scene's middle is PIXELS_A_TEXEL of its pixels wide."""
    x0, x1, y0, y1 = scene.floor.area_mm
    far = float(np.linalg.norm(photo.eye - [(x0 + x1) / 2, (y0 + y1) / 2, 0.0]))
    return photo.reduced(PIXELS_A_TEXEL * far / (photo.camera.focal_px * texel_mm))


def _sighted(photo: Path, camera_file: CameraFile | None, scene: Scene) -> Sighted:
    found = sight_photos([photo], camera_file)[0]
    kind = found.sighting.sheet.name
    if _place_of(scene, kind) is None:
        named = ", ".join(f'"{place.kind}"' for place in scene.sheets)
        raise TargetError(
            f'{photo.name} shows the sheet "{kind}", but the scene file has a place for {named}.',
            "Correct the scene file, or leave the photo out.",
        )
    return found


def _place_of(scene: Scene, kind: str) -> SheetPlace | None:
    return next((place for place in scene.sheets if place.kind in ("", kind)), None)


def _refuse_unplaced(scene: Scene, sighted: Sequence[Sighted]) -> None:
    kinds = sorted({item.sighting.sheet.name for item in sighted})
    if len(kinds) > 1 and len(scene.sheets) == 1:
        raise TargetError(
            f"The photos show different sheets: {', '.join(kinds)}.",
            'Only one can lie at sheet_at: say which (sheet = "a5"), and of the others in [[sheet_place]] tables.',
        )


def _of_one_camera(sighted: Sequence[Sighted]) -> list[list[int]]:
    """Photos, by number, of one camera, held one way, not zoomed, and of one sheet: they are solved together."""
    groups: list[list[int]] = []
    for number, item in enumerate(sighted):
        for group in groups:
            first = sighted[group[0]]
            same = (first.size, first.orientation) == (item.size, item.orientation)
            same &= first.sighting.sheet.name == item.sighting.sheet.name
            if same and not first.lens.differs(item.lens):
                group.append(number)
                break
        else:
            groups.append([number])
    return groups


def _solved(group: Sequence[Sighted]) -> Solution:
    views = [
        View(number, DIRECT, board.corner_ids, board.pixels, board.covariance)
        for number, board in enumerate(item.sighting.target for item in group)
    ]
    solution = solve(_sheet_of(group), views, group[0].prior)
    for number, item in enumerate(group):
        off = solution.rms_px(number)
        if off > MOST_POSE_RMS_PX * max(1.0, max(item.size) / 4000.0):
            raise SolveError(
                f"The sheet in {item.photo.name} does not fit: its corners are off by {off:.1f} px.",
                "Lay the sheet flat where the scene file says, and use the photos as they were taken.",
            )
    return solution


def _sheet_of(group: Sequence[Sighted]) -> Sheet:
    return group[0].sighting.sheet


def _posed(scene: Scene, item: Sighted, solution: Solution, number: int, mirror_there: bool) -> PosedPhoto:
    sheet = item.sighting.sheet
    place = _place_of(scene, sheet.name)
    assert place is not None, "_sighted has refused"
    rotation, translation = solution.state.cam_from_target(number)
    turned = rotation @ place.rotation.T
    return PosedPhoto(
        name=item.photo.name,
        camera=solution.camera,
        rotation=turned,
        translation=translation - turned @ place.origin,
        pixels=colour_of(item.file) if item.file is not None else read_colour(item.photo),
        rms_px=solution.rms_px(number),
        astray_mm=_astray_mm(scene, place, solution, number, item.size),
        sheet=sheet,
        place=place,
        mirror_there=mirror_there,
    )


def _astray_mm(scene: Scene, place: SheetPlace, solution: Solution, number: int, size: tuple[int, int]) -> float:
    """How far off, one sd [mm], pose and camera lay the worst of the scene's outermost points in the photo.

    To first order: the points' pixels moved by each parameter in turn, over the covariance of them all.
    """
    targets = (extent_of(scene) - place.origin) @ place.rotation
    rotation, translation = solution.state.cam_from_target(number)
    depths = (targets @ rotation.T + translation)[:, 2]
    with np.errstate(invalid="ignore"):
        there = solution.camera.project(targets @ rotation.T + translation)
        framed = ((there > 0) & (there < size)).all(axis=1) & (depths > 1.0)
    targets, depths = targets[framed], depths[framed]
    if len(targets) == 0:
        return 0.0

    def pixels(step: Array) -> Array:
        state = solution.state.stepped(step)
        rotation, translation = state.cam_from_target(number)
        return np.asarray(state.camera.project(targets @ rotation.T + translation))

    layout = solution.state.layout
    pose, camera = layout.pose(number), layout.camera
    entries = [*range(camera.start, camera.stop), *range(pose.start, pose.stop)]
    sd = np.sqrt(np.maximum(np.diag(solution.covariance), 0.0))
    moved = []
    for entry in entries:
        step = np.zeros(layout.size)
        step[entry] = max(0.1 * float(sd[entry]), 1e-9)
        moved.append((pixels(step) - pixels(-step)) / (2.0 * step[entry]))
    by = np.stack(moved, axis=2)  # (points, 2, entries)
    spread = by @ solution.covariance[np.ix_(entries, entries)] @ by.transpose(0, 2, 1)
    off = np.sqrt(np.maximum(np.trace(spread, axis1=1, axis2=2), 0.0)) * depths / solution.camera.focal_px
    return float(np.nanmax(off, initial=0.0))

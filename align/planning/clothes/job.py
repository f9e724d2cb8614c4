"""From a scene and photos of it to the clothed scene."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path as FilePath

import numpy as np
from numpy.typing import NDArray

from ...photo.camera_file import CameraFile, read_camera_file
from ..bodies import Box
from ..scene import Scene
from ..scene_file import read_scene
from .cutouts import Behind, cutout_picture, may_hide
from .faces import bodies_of, faces_of, stands_on_floor
from .posed import PosedPhoto, posed_photos
from .result import Clothed
from .textures import Texture, on_sheet, texel_mm, textures_of, with_footprints, with_sheets_filled
from .tracing import World, light_behind

Array = NDArray[np.float64]
PathLike = str | os.PathLike[str]


def clothe(
    scene: Scene | PathLike,
    photos: PathLike | Sequence[PathLike],
    *,
    camera: PathLike | CameraFile | None = None,
    progress: Callable[[str], None] | None = None,
) -> Clothed:
    """Clothe a planned scene with photos of it as it stands.

    Parameters
    ----------
    scene : a Scene, or the path of a scene file; it says where the sheet lies (`sheet_at`)
    photos : taken with the sheet lying there; camera : a file of `align camera`
    progress : called with a few words before each long step

    Raises
    ------
    AlignError : a file cannot be read, a photo shows no sheet, or the scene does not say where it lies.
    ValueError : no photo is given.
    """
    if isinstance(photos, str | os.PathLike):
        photos = [photos]
    if not photos:
        raise ValueError("expected one photo or more, found none")
    if not isinstance(scene, Scene):
        scene = read_scene(FilePath(scene))
    file = camera if camera is None or isinstance(camera, CameraFile) else read_camera_file(camera)
    bodies = bodies_of(scene)
    faces = [face for face in faces_of(bodies) if stands_on_floor(scene, face.box)]
    posed = posed_photos(scene, photos, texel_mm(faces), file, progress)
    hides = _hiding(scene, posed.photos)
    textures, gains = textures_of(faces, bodies, scene.mirrors, posed.photos, hides, progress)
    by_face = {
        (texture.face.body, texture.face.side): _finished(texture, posed.photos, bodies) for texture in textures
    }
    world = World(bodies, by_face, ())
    behind = _behind(world, posed.photos)
    pictures = tuple(cutout_picture(cutout, posed.photos, gains, bodies, behind) for cutout in scene.cutouts)
    return Clothed(scene, posed.photos, replace(world, cutouts=pictures), posed.notes)


def _hiding(scene: Scene, photos: Sequence[PosedPhoto]) -> Callable[[int, Array], NDArray[np.bool_]]:
    def hides(number: int, points: Array) -> NDArray[np.bool_]:
        hidden = np.zeros(len(points), bool)
        for cutout in scene.cutouts:
            hidden |= may_hide(cutout, photos[number].eye, points)
        return hidden

    return hides


def _behind(world: World, photos: Sequence[PosedPhoto]) -> Behind:
    def behind(number: int, ways: Array) -> tuple[NDArray[np.float32], NDArray[np.bool_], NDArray[np.bool_]]:
        photo = photos[number]
        light, known = light_behind(world, photo.eye, ways)
        # On its own sheet the photo shows the print, not the floor.
        down = np.minimum(ways[:, 2], -1e-6)
        printed = on_sheet(photo.eye - (photo.eye[2] / down)[:, None] * ways, photo.sheet, photo.place)
        return light, known & ~printed, printed

    return behind


def _finished(texture: Texture, photos: Sequence[PosedPhoto], bodies: Sequence[Box]) -> Texture:
    if texture.face.box.name != "the floor":
        return texture
    return with_footprints(with_sheets_filled(texture, photos), bodies)

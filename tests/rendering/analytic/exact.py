"""Where corners must appear, found another way than by following rays: the optical path is stationary.

Fermat's principle in place of Snell's law, OpenCV's projection in place of this package's or `align`'s, and the
print forwards (design to paper to floor) in place of backwards. Only the shapes' own heights are shared.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from align.target.sheets import corners_target

from .scene import BentMirror, BentScene, LensCamera

Array = NDArray[np.float64]


def projected(camera: LensCamera, points_mm: Array) -> Array:
    """(n, 2) [px] by OpenCV."""
    matrix = np.array(
        [[camera.focal_px, 0, camera.centre_px[0]], [0, camera.focal_px, camera.centre_px[1]], [0, 0, 1.0]]
    )
    vector = cv2.Rodrigues(camera.rotation)[0]
    shift = -camera.rotation @ np.asarray(camera.eye_mm, float)
    pixels, _ = cv2.projectPoints(np.asarray(points_mm, float), vector, shift, matrix, np.array(camera.distortion))
    return np.asarray(pixels.reshape(-1, 2))


def placed(scene: BentScene, design_mm: Array) -> Array:
    """(n, 3) [mm] where (n, 2) places of the sheet's design really are: printed, then curled."""
    paper_x, paper_y = scene.fault.printed(design_mm[:, 0], design_mm[:, 1])
    x, y = paper_x.copy(), paper_y.copy()
    for curl in scene.paper.curls:
        along = paper_x * curl.direction[0] + paper_y * curl.direction[1] - curl.onset_mm
        past = along.copy()
        for _ in range(30):  # `longer` grows slowly: a fixed point
            past = along - curl.longer(past)
        x, y = x + (past - along) * curl.direction[0], y + (past - along) * curl.direction[1]
    return np.column_stack([x, y, scene.paper.of(x, y)[0]])


def stationary_path(mirror: BentMirror, points_mm: Array, eye_mm: Array) -> Array:
    """(n, 3, 3) [mm], mirror's frame: where light from points meets the front face, the silvering, the front again.

    Newton's method on the derivative of the optical path by the six places on the faces (two, front-coated), which
    vanishes for the true path; its own derivative by central differences.
    """
    start = (points_mm - mirror.foot) @ mirror.axes.T
    end = np.broadcast_to((eye_mm - mirror.foot) @ mirror.axes.T, start.shape)
    share = (start[:, 2] / (start[:, 2] + end[:, 2]))[:, None]
    crossing = (start + share * (end - start))[:, :2]
    depths = [0.0, mirror.thickness_mm, 0.0] if mirror.thickness_mm else [0.0]
    places = np.tile(crossing, (1, len(depths)))
    size, step = places.shape[1], 1e-3
    for _ in range(12):
        slope = _path_slope(mirror, start, end, places, depths)
        curvature = np.empty((len(places), size, size))
        for column in range(size):
            moved = np.eye(size)[column] * step
            ahead = _path_slope(mirror, start, end, places + moved, depths)
            curvature[:, :, column] = (ahead - _path_slope(mirror, start, end, places - moved, depths)) / (2 * step)
        places = places - np.linalg.solve(curvature, slope[:, :, None])[:, :, 0]
    found = _on_faces(mirror, places, depths)
    return found if len(depths) == 3 else np.repeat(found, 3, axis=1)


def _on_faces(mirror: BentMirror, places: Array, depths: list[float]) -> Array:
    """(n, k, 3) from (n, 2 k) places on faces at k depths."""
    across, up = places[:, 0::2], places[:, 1::2]
    return np.stack([across, up, mirror.face.of(across, up)[0] - np.array(depths)], axis=2)


def _path_slope(mirror: BentMirror, start: Array, end: Array, places: Array, depths: list[float]) -> Array:
    """(n, 2 k) derivative of the optical path by the places on the faces."""
    met = _on_faces(mirror, places, depths)
    _, by_a, by_b = mirror.face.of(met[:, :, 0], met[:, :, 1])
    knots = np.concatenate([start[:, None], met, end[:, None]], axis=1)
    legs = np.diff(knots, axis=1)
    index = np.full(legs.shape[1], mirror.index)
    index[[0, -1]] = 1.0
    unit = legs / np.linalg.norm(legs, axis=2, keepdims=True) * index[:, None]
    force = unit[:, :-1] - unit[:, 1:]  # by each knot between
    slope = np.empty_like(places)
    slope[:, 0::2] = force[:, :, 0] + by_a * force[:, :, 2]
    slope[:, 1::2] = force[:, :, 1] + by_b * force[:, :, 2]
    return slope


def exact_pixels(scene: BentScene, design_mm: Array | None = None) -> tuple[Array, Array, Array]:
    """Where places of the design show, directly and in the mirror, and where on the mirror.

    Returns
    -------
    direct, reflected : (n, 2) [px]; on_face : (n, 2) [mm] across and up, where the light meets the silvering.
    """
    if design_mm is None:
        design_mm = corners_target(scene.sheet)[:, :2]
    points = placed(scene, design_mm)
    mirror = scene.mirror
    path = stationary_path(mirror, points, np.asarray(scene.camera.eye_mm, float))
    last = path[:, 2] @ mirror.axes + mirror.foot
    return projected(scene.camera, points), projected(scene.camera, last), path[:, 1, :2]

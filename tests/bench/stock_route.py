"""The stock route: OpenCV's board detector, two separate poses, and a mirror from their difference.

    python -m tests.bench.stock_route PHOTO SHEET        the bare detection that our time is compared with

What anyone would write with OpenCV alone, at its best: the detector on the photo and on its flip, both at
native size; for each a pose by `cv2.solvePnP` (IPPE), refined by `cv2.solvePnPRefineLM`, with the focal
length that EXIF tells, the centre in the middle and no distortion.
"""

from __future__ import annotations

import sys

import cv2
import numpy as np

from align.target.markers import charuco_board
from align.target.sheets import SHEETS, Sheet, corners_target


def detect_twice(path: str, sheet: Sheet) -> tuple[dict, dict, tuple[int, int]]:
    """Corners {number: (x, y)} in the photo and in its flip, each in its own pixels, and (width, height)."""
    gray = cv2.imread(path, cv2.IMREAD_GRAYSCALE)
    return *corners_in_both(gray, sheet), (gray.shape[1], gray.shape[0])


def corners_in_both(gray: np.ndarray, sheet: Sheet) -> tuple[dict, dict]:
    """Corners {number: (x, y)} in a grey picture and in its flip, each in its own pixels."""
    detector = cv2.aruco.CharucoDetector(charuco_board(sheet))
    found = []
    for picture in (gray, cv2.flip(gray, 1)):
        corners, ids, _, _ = detector.detectBoard(picture)
        pairs = [] if ids is None else zip(ids.ravel(), np.reshape(corners, (-1, 2)), strict=True)
        found.append({int(number): corner for number, corner in pairs})
    return found[0], found[1]


def pose(points_mm: np.ndarray, pixels: np.ndarray, matrix: np.ndarray) -> tuple[np.ndarray, np.ndarray] | None:
    """(R, t) of a board, or None where OpenCV finds none."""
    if len(pixels) < 4:
        return None
    try:
        ok, rotation, translation = cv2.solvePnP(points_mm, pixels, matrix, None, flags=cv2.SOLVEPNP_IPPE)
        if not ok:
            return None
        rotation, translation = cv2.solvePnPRefineLM(points_mm, pixels, matrix, None, rotation, translation)
    except cv2.error:
        return None
    if not (np.isfinite(rotation).all() and np.isfinite(translation).all()):
        return None
    return cv2.Rodrigues(rotation)[0], translation.ravel()


def mirror_from_poses(
    direct: tuple[np.ndarray, np.ndarray], flipped: tuple[np.ndarray, np.ndarray], middle_mm: np.ndarray
) -> dict[str, tuple[float, float]]:
    """(lean, turn) [deg] by each of two ways to take the mirror's normal n from the difference of two poses.

    S = diag(-1, 1, 1) undoes the flip: S (R_f p + t_f) is the virtual point of p in the photo's camera.
    "rotation": S R_f = R_d (I - 2 n n^T), so n is the main eigenvector of the symmetric part of
    (I - R_d^T S R_f) / 2. "translation": the middle of the board and its image are joined along n.
    """
    undo = np.diag([-1.0, 1.0, 1.0])
    between = direct[0].T @ undo @ flipped[0]
    outer = (np.eye(3) - between) / 2
    by_rotation = np.linalg.eigh((outer + outer.T) / 2)[1][:, -1]
    image = direct[0].T @ (undo @ (flipped[0] @ middle_mm + flipped[1]) - direct[1])
    return {"rotation": _angles(by_rotation), "translation": _angles(middle_mm - image)}


def _angles(normal: np.ndarray) -> tuple[float, float]:
    """(lean, turn) [deg] of a normal, turned towards the viewer."""
    normal = normal / np.linalg.norm(normal) * (-1.0 if normal[1] > 0 else 1.0)
    return float(np.degrees(np.arcsin(-normal[2]))), float(np.degrees(np.arctan2(normal[0], -normal[1])))


def stock_angles(
    sheet: Sheet, direct: dict, flipped: dict, size: tuple[int, int], focal_px: float
) -> dict[str, tuple[float, float]] | None:
    """(lean, turn) [deg] by both ways, or None where a pose is missing.

    Parameters
    ----------
    direct, flipped : {corner number: (x, y)} in pixels of the photo and of its flip
    size : (width, height) [px]; focal_px : as EXIF tells.
    """
    corners = corners_target(sheet)
    matrix = np.array([[focal_px, 0, (size[0] - 1) / 2], [0, focal_px, (size[1] - 1) / 2], [0, 0, 1.0]])
    poses = []
    for found in (direct, flipped):
        numbers = sorted(found)
        pixels = np.array([found[number] for number in numbers], float).reshape(-1, 2)
        poses.append(pose(corners[numbers], pixels, matrix))
    if poses[0] is None or poses[1] is None:
        return None
    return mirror_from_poses(poses[0], poses[1], corners.mean(axis=0))


if __name__ == "__main__":
    first, second, _ = detect_twice(sys.argv[1], SHEETS[sys.argv[2]])
    print(len(first), len(second))

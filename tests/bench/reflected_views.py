"""Pictures of a board as its reflection looks in the flipped photo, simulated for measurements.

In perspective, far wider than high, blurred, crossed by the ghost of the mirror's front face, noisy,
JPEG-compressed. Exact homography, so every corner's true place is known. Lengths in squares.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

COLUMNS, ROWS = 10, 7
MARKERS = COLUMNS * ROWS // 2
PIXELS_PER_SQUARE = 96

# Reflectances and camera terms of an ordinary photo, linear light.
PAPER, INK, FLOOR = 0.80, 0.05, 0.30
MARGIN_SQUARES = 0.25  # paper around the squares, as on our sheets
NOISE_SD = 0.015 * 255
GHOST = 0.04  # Fresnel reflectance of glass near normal incidence
JPEG_QUALITY = 92
EXPECTED_BLUR_PX = 0.9


@dataclass(frozen=True)
class View:
    """One view of a board; lengths in squares, angles in radians, h: height of the middle square [px]."""

    square_height_px: float
    elevation: float
    azimuth: float
    roll: float
    distance: float
    blur_px: float
    ghost_px: float
    noise_seed: int


def random_view(rng: np.random.Generator, square_height_px: float) -> View:
    """A view from a plausible place; a square looks 1 / sin(elevation) = 1.5 to 4 times wider than high."""
    return View(
        square_height_px=square_height_px,
        elevation=math.asin(1 / rng.uniform(1.5, 4.0)),
        azimuth=math.radians(rng.uniform(-20, 20)),
        roll=math.radians(rng.uniform(-5, 5)),
        distance=rng.uniform(20, 40),
        blur_px=rng.uniform(0.6, 1.2),
        ghost_px=rng.choice([-1, 1]) * rng.uniform(2, 6),
        noise_seed=int(rng.integers(2**31)),
    )


def homography(view: View) -> tuple[NDArray[np.float64], tuple[int, int]]:
    """Board (in squares, from the far-left corner of the squares) to pixels, and the image's size."""
    cos_a, sin_a = math.cos(view.azimuth), math.sin(view.azimuth)
    cos_r, sin_r = math.cos(view.roll), math.sin(view.roll)
    sin_e, cos_e = math.sin(view.elevation), math.cos(view.elevation)
    focal = view.square_height_px * view.distance / sin_e
    centred = np.array([[1, 0, -COLUMNS / 2], [0, 1, -ROWS / 2], [0, 0, 1]])
    turned = np.array([[cos_a, -sin_a, 0], [sin_a, cos_a, 0], [0, 0, 1]])
    # Board y runs towards the viewer: down in the picture and nearer to the camera.
    seen = np.array([[1, 0, 0], [0, sin_e, 0], [0, -cos_e, view.distance]])
    rolled = np.array([[cos_r, -sin_r, 0], [sin_r, cos_r, 0], [0, 0, 1]])
    matrix = rolled @ np.diag([focal, focal, 1]) @ seen @ turned @ centred
    m = MARGIN_SQUARES + 0.5
    outline = project(matrix, np.array([[-m, -m], [COLUMNS + m, -m], [COLUMNS + m, ROWS + m], [-m, ROWS + m]]))
    low = np.floor(outline.min(axis=0)) - 12
    size = np.ceil(outline.max(axis=0) - low).astype(int) + 12
    shift = np.array([[1, 0, -low[0]], [0, 1, -low[1]], [0, 0, 1]])
    return shift @ matrix, (int(size[0]), int(size[1]))


def project(matrix: NDArray[np.float64], points: NDArray[np.float64]) -> NDArray[np.float64]:
    """(n, 2) points through a homography."""
    lifted = np.column_stack([points, np.ones(len(points))]) @ matrix.T
    return lifted[:, :2] / lifted[:, 2:]


def board_picture(dictionary: cv2.aruco.Dictionary, ratio: float) -> NDArray[np.uint8]:
    """The board as ink (0) on paper (255), no margin."""
    board = cv2.aruco.CharucoBoard((COLUMNS, ROWS), 1.0, ratio, dictionary)
    return board.generateImage((COLUMNS * PIXELS_PER_SQUARE, ROWS * PIXELS_PER_SQUARE))


def photograph(picture: NDArray[np.uint8], view: View) -> NDArray[np.uint8]:
    """The picture as a camera sees it in the mirror, flipped: (height, width) uint8, sRGB-coded."""
    light = 0.85 * blurred_light(picture, view, view.blur_px)
    ghost_shift = np.array([[1, 0, 0], [0, 1, view.ghost_px]])
    ghost = cv2.warpAffine(light, ghost_shift, light.shape[::-1], borderMode=cv2.BORDER_REPLICATE)
    coded = tone_curve(light + GHOST * ghost)
    coded = coded + np.random.default_rng(view.noise_seed).normal(0, NOISE_SD, coded.shape)
    photo = np.clip(np.round(coded), 0, 255).astype(np.uint8)
    _, packed = cv2.imencode(".jpg", photo, [cv2.IMWRITE_JPEG_QUALITY, JPEG_QUALITY])
    return cv2.imdecode(packed, cv2.IMREAD_GRAYSCALE)


def prediction(picture: NDArray[np.uint8], view: View) -> NDArray[np.float64]:
    """What one would expect to see from the view alone: middling blur, no ghost, no noise."""
    return tone_curve(0.85 * blurred_light(picture, view, EXPECTED_BLUR_PX))


def blurred_light(picture: NDArray[np.uint8], view: View, blur_px: float) -> NDArray[np.float64]:
    """The paper on the floor in linear light, seen through the view's homography and blurred."""
    matrix, (width, height) = homography(view)
    # Oversample until one square covers at least its source pixels in height, so that nothing aliases.
    fine = max(3, math.ceil(PIXELS_PER_SQUARE / view.square_height_px))
    margin = round(MARGIN_SQUARES * PIXELS_PER_SQUARE)
    paper = cv2.copyMakeBorder(picture, *[margin] * 4, cv2.BORDER_CONSTANT, value=255)
    offset = (0.5 - margin) / PIXELS_PER_SQUARE
    scale = 1 / PIXELS_PER_SQUARE
    from_source = np.array([[scale, 0, offset], [0, scale, offset], [0, 0, 1]])
    to_fine = np.array([[fine, 0, (fine - 1) / 2], [0, fine, (fine - 1) / 2], [0, 0, 1]])
    light = INK + (PAPER - INK) * (paper.astype(np.float32) / 255)
    warped = cv2.warpPerspective(
        light, to_fine @ matrix @ from_source, (width * fine, height * fine), borderValue=FLOOR
    )
    scene = cv2.resize(warped, (width, height), interpolation=cv2.INTER_AREA)
    return cv2.GaussianBlur(scene, (0, 0), blur_px).astype(np.float64)


def tone_curve(light: NDArray[np.float64]) -> NDArray[np.float64]:
    """Linear light 0..1 to grey values 0..255."""
    return 255 * np.clip(light, 0, 1) ** (1 / 2.2)

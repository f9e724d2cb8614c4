"""Small made-up photographs of known truth, quick enough for unit tests.

The print is warped onto the photo through the forward model: refraction in the glass and lens distortion
included. There is no ghost, no shading and no scenery but a plain floor, wall and glass; photographs that
show those are rendered with Mitsuba (tests/rendering).

    python -m tests.synthetic PHOTO.jpg [lean_deg] [turn_deg]    writes one, to look at
"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

from align.optics.camera_model import Camera, camera_from_parameters, prior_from_focal
from align.optics.geometry import apply_homography, fit_homography, mirror_normal
from align.solve.forward_model import DIRECT, State, bow_basis, predict
from align.solve.simulate import Simulated, simulate
from align.target.sheets import SHEETS, Sheet, raster

Array = NDArray[np.float64]

EQUIVALENT_MM = 26.0
#: Grey values of the print, the paper's margin, and the plain surroundings.
INK, PAPER, FLOOR, GLASS = 25, 235, 120, 95
GAMMA = 2.2
#: The photo is drawn this many times finer and then reduced, against jagged edges.
FINER = 2
#: The correction for lens and glass is worked out at every so many pixels.
STRIDE = 16
#: The mirror's face where none is given: (width, height) [mm].
MIRROR_SIZE_MM = (300.0, 200.0)


def synthetic_photo(
    sheet: Sheet,
    eye: ArrayLike,
    mirrors: Sequence[ArrayLike],
    camera: ArrayLike | None = None,
    size: tuple[int, int] = (1600, 1200),
    blur: float = 0.8,
    noise: float = 0.01,
    rng: np.random.Generator | None = None,
    *,
    aim: ArrayLike | None = None,
    mirror_size_mm: tuple[float, float] = MIRROR_SIZE_MM,
    show_target: bool = True,
    bow_mm: tuple[float, float, float] = (0.0, 0.0, 0.0),
    grain: np.random.Generator | None = None,
) -> tuple[NDArray[np.uint8], Simulated]:
    """A grey photo of a sheet before mirrors, and its truth.

    Parameters
    ----------
    eye : (3,) [mm] camera place in the target frame
    mirrors : for each, (4,) lean, turn [rad], distance, thickness [mm]; none: a photo without reflection
    camera : (8,) camera parameters; without them a phone's main lens without distortion
    blur : sd of the blur [px]; noise : sd of the linear intensity at full white
    aim : (3,) [mm] where the camera looks; without it, at the far part of the sheet
    show_target : False leaves the target itself out, so that only its reflections show
    bow_mm : of the sheet; grain : draws the noise, where `rng`, which also draws the roll, is not to

    Returns
    -------
    photo : (height, width) uint8
    truth : Simulated; its views hold the exact corners, its state the mirrors and poses
    """
    rng = rng or np.random.default_rng(0)
    parameters = prior_from_focal(size, EQUIVALENT_MM).mean if camera is None else np.asarray(camera, float)
    truth = simulate(
        sheet,
        eyes=[np.asarray(eye, float)],
        mirrors=[np.asarray(mirror, float) for mirror in mirrors],
        camera_parameters=parameters,
        size=size,
        noise_px=0.0,
        rng=rng,
        equivalent_mm=EQUIVALENT_MM,
        bow_mm=bow_mm,
        aim=None if aim is None else np.asarray(aim, float),
    )
    drawn = np.full((size[1] * FINER, size[0] * FINER), FLOOR, np.uint8)
    # Mirrors first: what stands before them may cover them.
    for number in range(len(mirrors)):
        _draw_glass(drawn, truth.state, parameters, number, mirror_size_mm)
        _draw_sheet(drawn, sheet, truth.state, number)
    if show_target:
        _draw_sheet(drawn, sheet, truth.state, DIRECT)
    return _as_a_phone(drawn, size, blur, noise, grain or rng), truth


def degrees_mirror(lean_deg: float, turn_deg: float, distance_mm: float = 40.0, thickness_mm: float = 0.0) -> Array:
    """A mirror as `synthetic_photo` takes it, from angles in degrees."""
    return np.array([np.radians(lean_deg), np.radians(turn_deg), distance_mm, thickness_mm])


def write_photo(
    path: Path,
    photo: NDArray[np.uint8],
    *,
    equivalent_mm: float | None = EQUIVALENT_MM,
    orientation: int = 1,
) -> Path:
    """Write a photo; a JPEG gets the EXIF tags that a phone writes, unless `equivalent_mm` is None."""
    from PIL import Image

    image = Image.fromarray(photo)
    exif = Image.Exif()
    if equivalent_mm is not None:
        exif[0x0112] = orientation
        exif[0x8769] = {0xA405: round(equivalent_mm)}
    image.save(path, quality=95, exif=exif)
    return path


def _draw_glass(
    drawn: NDArray[np.uint8], state: State, parameters: Array, mirror: int, size_mm: tuple[float, float]
) -> None:
    """The mirror's face as a plain grey patch that stands on the floor."""
    lean, turn, distance, _ = state.vector[state.layout.mirror(mirror)]
    right = np.array([np.cos(turn), np.sin(turn), 0.0])
    up = np.cross(mirror_normal(lean, turn), right)
    face = [(-0.5, 0.0), (0.5, 0.0), (0.5, 1.0), (-0.5, 1.0)]
    corners = [[0, distance, 0] + x * size_mm[0] * right + y * size_mm[1] * up for x, y in face]
    rotation, translation = state.cam_from_target(0)
    camera: Camera = camera_from_parameters(parameters)
    pixels = camera.project(np.array(corners) @ rotation.T + translation)
    if np.isfinite(pixels).all():
        fine = (pixels + 0.5) * FINER - 0.5
        cv2.fillConvexPoly(drawn, np.round(fine * 16).astype(np.int32), GLASS, cv2.LINE_AA, 4)


def _draw_sheet(drawn: NDArray[np.uint8], sheet: Sheet, state: State, mirror: int) -> None:
    """The print with its margin, as the camera sees it directly or in a mirror."""
    grid, pixels = _printed_grid(sheet, state, mirror)
    if not np.isfinite(pixels).all():
        return
    fine = (pixels + 0.5) * FINER - 0.5
    low = np.maximum(np.floor(fine.min(axis=0)).astype(int) - 2, 0)
    high = np.minimum(np.ceil(fine.max(axis=0)).astype(int) + 3, drawn.shape[::-1])
    if (high <= low).any():
        return
    board = _board_places(grid, fine, low, high)
    print_, per_square, margin = _print_for(sheet, fine)
    places = board * np.float32(per_square / sheet.square_mm) + np.float32(margin - 0.5)
    seen = cv2.remap(print_, places[..., 0], places[..., 1], cv2.INTER_LINEAR, borderValue=0)
    region = drawn[low[1] : high[1], low[0] : high[0]]
    np.copyto(region, seen, where=seen > 0)


def _printed_grid(sheet: Sheet, state: State, mirror: int) -> tuple[Array, Array]:
    """(n, 2) [mm] board places all over the print and its margin, and their (n, 2) photo pixels."""
    side = sheet.square_mm
    across, along = sheet.squares_x * side, sheet.squares_y * side
    x, y = np.meshgrid(np.linspace(-side / 2, across + side / 2, 24), np.linspace(-side / 2, along + side / 2, 18))
    grid = np.column_stack([x.ravel(), y.ravel()])
    points = sheet.board_to_target(grid)
    basis = bow_basis(points, (across / 2, along / 2), -sheet.contact_margin_mm - along / 2)
    pixels, _ = predict(state, 0, mirror, points, basis)
    return grid, pixels


def _board_places(grid: Array, fine: Array, low: NDArray[np.int64], high: NDArray[np.int64]) -> NDArray[np.float32]:
    """Board places [mm] of all pixels of a region: a homography, and a polynomial for what it leaves.

    Seventh order leaves less than a hundredth of a pixel for phone lenses and 6 mm glass. It is so smooth
    that it is worked out at every STRIDE-th pixel only.
    """
    homography = fit_homography(fine, grid)
    rough = apply_homography(homography, fine)
    centre, scale = grid.mean(axis=0), np.ptp(grid, axis=0) / 2

    def terms(places: Array) -> Array:
        u, v = np.clip((places - centre) / scale, -1.2, 1.2).T
        return np.stack([u**i * v**j for i in range(8) for j in range(8 - i)], axis=1)

    weights = np.linalg.lstsq(terms(rough), grid - rough, rcond=None)[0]
    columns, rows = (np.arange(low[k], high[k] + 2 * STRIDE, STRIDE, dtype=float) for k in (0, 1))
    x, y = np.meshgrid(columns, rows)
    sparse = apply_homography(homography, np.column_stack([x.ravel(), y.ravel()]))
    correction = (terms(sparse) @ weights).reshape(*x.shape, 2).astype(np.float32)
    across, down = np.meshgrid(*(np.arange(high[k] - low[k], dtype=np.float32) for k in (0, 1)))
    correction = cv2.remap(correction, across / STRIDE, down / STRIDE, cv2.INTER_LINEAR)
    pixels = np.column_stack([(across + low[0]).ravel(), (down + low[1]).ravel()])
    return apply_homography(homography, pixels).reshape(*across.shape, 2).astype(np.float32) + correction


def _print_for(sheet: Sheet, fine: Array) -> tuple[NDArray[np.uint8], int, int]:
    """The print at about the photo's fineness, smoothed over one photo pixel each way.

    Returns the image, its pixels per square and its margin [px].
    """
    squares = np.array([sheet.squares_x + 1, sheet.squares_y + 1])
    extent = np.ptp(fine, axis=0) / squares
    per_square = int(np.clip(8 * np.ceil(extent.max() / 8), 24, 96))
    margin = per_square // 4
    ink = np.pad(raster(sheet, per_square), margin, constant_values=255)
    footprint = np.maximum(per_square / np.maximum(extent, 1.0), 1.0)
    smooth = cv2.blur(ink, (int(footprint[0]) | 1, int(footprint[1]) | 1))
    return np.round(INK + smooth * ((PAPER - INK) / 255.0)).astype(np.uint8), per_square, margin


def _as_a_phone(
    drawn: NDArray[np.uint8], size: tuple[int, int], blur: float, noise: float, rng: np.random.Generator
) -> NDArray[np.uint8]:
    """Reduced, blurred and made noisy in linear light, then put through a tone curve."""
    reduced = cv2.resize(drawn, size, interpolation=cv2.INTER_AREA).astype(np.float32) / 255
    linear = cv2.GaussianBlur(reduced**GAMMA, (0, 0), blur) if blur > 0 else reduced**GAMMA
    grain = rng.standard_normal(linear.shape, dtype=np.float32) * noise
    linear = np.clip(linear + grain * np.sqrt(np.maximum(linear, 0.02)), 0, 1)
    return np.clip(255 * linear ** (1 / GAMMA) + 0.5, 0, 255).astype(np.uint8)


if __name__ == "__main__":
    angles = [float(word) for word in sys.argv[2:4]] + [0.6, -0.35][len(sys.argv[2:4]) :]
    made, _ = synthetic_photo(
        SHEETS["a5"], (60, -500, 280), [degrees_mirror(*angles, 40.0, 3.0)], size=(4032, 3024)
    )
    write_photo(Path(sys.argv[1]), made)

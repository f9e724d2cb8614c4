"""What lies behind a lamp's image: the print, where a board was sighted there, else the neighbourhood without the
lamp.

The print is warped by the corners nearest by and blurred; its level and contrast vary smoothly (bilinear tiles),
and a small shift and a little more or less blur are allowed for (the template's own derivatives). All is fitted
to the pixels round the lamp and its possible ghosts, never to those under them, by robust linear least squares.

Source of the linearised shift: B. Lucas, T. Kanade, An iterative image registration technique, IJCAI 1981.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from ..optics.geometry import fit_homography
from ..sighting.boards import Board
from ..target.sheets import Sheet, corners_board, raster
from . import thresholds as limits

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

#: Pixels per square of the drawn print, and how much finer than the photo it is drawn.
RASTER_PX, FINER = 48, 3
#: Corners nearest to a lamp that shape the print there.
NEAREST_CORNERS = 14
#: Tiles of level and contrast are at least so wide [px]; and how strongly neighbours are tied to each other.
LEAST_TILE_PX, TIE = 20.0, 0.02
#: What a textured ground does under a lamp is as smooth as tiles of this size; the lamp's fit has them as unknowns.
FINE_TILE_PX = 6.0
#: More pixels than this add nothing to the fit of the background.
MOST_PIXELS = 9000
HUBER = 2.0


@dataclass(frozen=True, eq=False)
class Background:
    """Behind one lamp: (h, w) light, (h, w) sd of what is wrong with it from pixel to pixel, sd of what is
    smooth, and how
    many pixels of the former err as one.
    """

    light: Array
    sd: Array
    smooth_sd: float
    correlation: float


def background_of(
    light: Array, corner: tuple[int, int], boards: Sequence[Board], free: Mask, reach: float
) -> Background:
    """The background of a square part of a photo.

    Parameters
    ----------
    light : (h, w) linear light of the part; corner : its (column, row) in the photo [px]
    boards : sighted in the photo; free : (h, w) pixels without lamps; reach : half width of what is not free [px]
    """
    columns, smooth = _templates(light.shape, corner, boards, max(LEAST_TILE_PX, 2.0 * reach))
    chosen = np.flatnonzero(free.ravel())
    if len(chosen) < 40:
        level = float(np.median(light))
        return Background(
            np.full(light.shape, level), np.full(light.shape, limits.DARK_NOISE), limits.DARK_NOISE, 4.0
        )
    chosen = chosen[:: max(1, len(chosen) // MOST_PIXELS)]
    weights = np.ones(len(chosen))
    seen, rows = light.ravel()[chosen], columns[chosen]
    ties = smooth * TIE * len(chosen)
    for _ in range(4):
        normal = rows.T @ (rows * weights[:, None]) + ties
        solution = np.linalg.solve(
            normal + 1e-9 * np.trace(normal) * np.eye(len(normal)), rows.T @ (seen * weights)
        )
        off = seen - rows @ solution
        scale = max(1.4826 * float(np.median(np.abs(off))), 1e-4)
        weights = np.minimum(1.0, HUBER * scale / np.maximum(np.abs(off), 1e-12))
    fitted = (columns @ solution).reshape(light.shape)
    residual = np.where(free, light - fitted, np.nan)
    smooth, rough = _parted(residual, scale)
    fine = max(1.4826 * float(np.nanmedian(np.abs(rough))), 1e-4)
    smooth_sd = max(1.4826 * float(np.nanmedian(np.abs(smooth))), 1e-4)
    return Background(fitted, _local_sd(rough, fine), smooth_sd, correlation_of(rough, fine))


def _parted(residual: Array, scale: float) -> tuple[Array, Array]:
    """What of the residuals is smooth over FINE_TILE_PX, and what is not; NaN where nothing is known."""
    import cv2

    known = np.isfinite(residual)
    clipped = np.where(known, np.clip(np.nan_to_num(residual), -6 * scale, 6 * scale), 0.0)
    sigma = (0, 0)
    total, count = (
        np.asarray(cv2.GaussianBlur(part, sigma, 0.4 * FINE_TILE_PX)) for part in (clipped, known.astype(float))
    )
    smooth = np.where(known, total / np.maximum(count, 1e-6), np.nan)
    return smooth, residual - smooth


def _local_sd(residual: Array, scale: float) -> Array:
    """(h, w) scatter of the residuals in the neighbourhood, at least half of that of the whole part."""
    import cv2

    known = np.isfinite(residual)
    squared = np.where(known, np.minimum(np.nan_to_num(residual) ** 2, (6 * scale) ** 2), 0.0)
    width = (31, 31)
    total, count = (np.asarray(cv2.blur(part, width)) for part in (squared, known.astype(float)))
    prior = 0.1
    return np.asarray(np.sqrt(np.maximum((total + prior * scale**2) / (count + prior), (0.5 * scale) ** 2)))


def correlation_of(residual: Array, scale: float) -> float:
    """How many pixels count as one: the sum of the residuals' correlations with their neighbours.

    residual : (h, w), NaN where not known. First-order autoregression along rows and columns: (1 + r) / (1 - r)
    each.
    """
    grid = np.clip(residual / scale, -3.0, 3.0)
    factor = 1.0
    if not np.isfinite(grid).any():
        return factor
    variance = max(float(np.nanmean(grid**2)), 1e-9)
    for first, second in ((grid[1:], grid[:-1]), (grid[:, 1:], grid[:, :-1])):
        product = first * second
        r = float(np.nanmean(product) / variance) if np.isfinite(product).any() else 0.0
        r = min(max(r, 0.0), 0.9)
        factor *= (1 + r) / (1 - r)
    return min(factor, limits.MOST_CORRELATION)


def _templates(
    shape: tuple[int, ...], corner: tuple[int, int], boards: Sequence[Board], tile: float
) -> tuple[Array, Array]:
    """(pixels, columns) of the linear model, and the (columns, columns) ties between neighbouring tiles."""
    hats, ties = hats_of(shape, tile)
    columns, blocks = [hats], [ties]
    for board in boards:
        drawn = _drawn(board, shape, corner)
        if drawn is None:
            continue
        paper, ink = drawn
        columns.append(hats * ink.ravel()[:, None])
        blocks.append(ties)
        slopes = [*np.gradient(ink), _laplacian(ink)]
        if np.ptp(paper) > 0.05:
            slopes += [paper, *np.gradient(paper)]
        columns.append(np.column_stack([part.ravel() for part in slopes]))
        blocks.append(1e-6 * np.eye(len(slopes)))
    size = sum(len(block) for block in blocks)
    tied, at = np.zeros((size, size)), 0
    for block in blocks:
        tied[at : at + len(block), at : at + len(block)] = block
        at += len(block)
    return np.concatenate(columns, axis=1), tied


def hats_of(shape: tuple[int, ...], tile: float) -> tuple[Array, Array]:
    """(pixels, nodes) bilinear interpolation from a grid of nodes, and the matrix of their squared differences."""
    counts = [max(2, round(side / tile) + 1) for side in shape[:2]]
    parts = []
    for side, count in zip(shape[:2], counts, strict=True):
        place = np.linspace(0, count - 1, side)
        parts.append(np.maximum(0.0, 1.0 - np.abs(place[:, None] - np.arange(count)[None])))
    hats = (parts[0][:, None, :, None] * parts[1][None, :, None, :]).reshape(shape[0] * shape[1], -1)
    rows, columns = counts
    numbers = np.arange(rows * columns).reshape(rows, columns)
    pairs = [(numbers[1:], numbers[:-1]), (numbers[:, 1:], numbers[:, :-1])]
    ties = np.zeros((rows * columns, rows * columns))
    for first, second in pairs:
        difference = np.zeros((first.size, rows * columns))
        difference[np.arange(first.size), first.ravel()] = 1.0
        difference[np.arange(first.size), second.ravel()] = -1.0
        ties += difference.T @ difference
    return hats, ties / (rows * columns)


def _laplacian(part: Array) -> Array:
    padded = np.pad(part, 1, mode="edge")
    around = padded[:-2, 1:-1] + padded[2:, 1:-1] + padded[1:-1, :-2] + padded[1:-1, 2:]
    return np.asarray(around - 4 * part)


def _drawn(board: Board, shape: tuple[int, ...], corner: tuple[int, int]) -> tuple[Array, Array] | None:
    """(h, w) how much of each pixel is paper of a sheet, and how much is its ink, blurred; None where it is not
    there.
    """
    import cv2

    height, width = shape[:2]
    middle = np.array([corner[0] + (width - 1) / 2, corner[1] + (height - 1) / 2])
    near = np.argsort(np.hypot(*(board.pixels - middle).T))[:NEAREST_CORNERS]
    points = corners_board(board.sheet)[board.corner_ids]
    homography = fit_homography(points[near], board.pixels[near]) if _spread(points[near]) else board.homography
    ink, margin, scale = _print(board.sheet)
    # Print pixel to photo pixel, drawn FINER times.
    to_print = np.array([[scale, 0, margin[0] - 0.5], [0, scale, margin[1] - 0.5], [0, 0, 1.0]])
    shift = np.array(
        [[FINER, 0, -FINER * (corner[0] - 0.5) - 0.5], [0, FINER, -FINER * (corner[1] - 0.5) - 0.5], [0, 0, 1.0]]
    )
    whole = shift @ homography @ np.linalg.inv(to_print)
    flags = cv2.INTER_AREA | 0
    parts = []
    for texture in (np.ones_like(ink), ink):
        fine = cv2.warpPerspective(
            texture, whole, (width * FINER, height * FINER), flags=cv2.INTER_LINEAR, borderValue=0.0
        )
        part = cv2.resize(fine, (width, height), interpolation=flags)
        parts.append(np.asarray(cv2.GaussianBlur(part, (0, 0), max(board.blur_px, 0.3)), float))
    return None if parts[0].max() < 0.02 else (parts[0], parts[1])


def _spread(points: Array) -> bool:
    """Whether corners carry a homography: at least eight that spread in two directions."""
    if len(points) < 8:
        return False
    values = np.linalg.eigvalsh(np.cov(points.T))
    return bool(values[0] > 0.05 * values[1])


@cache
def _print(sheet: Sheet) -> tuple[NDArray[np.float32], tuple[float, float], float]:
    """(ink, 1 = black, with the paper's margins round it; the margins (left, far) [px]; pixels per mm)."""
    scale = RASTER_PX / sheet.square_mm
    left, far = (round(mm * scale) for mm in (sheet.side_margin_mm, sheet.contact_margin_mm))
    near = round(sheet.near_margin_mm * scale)
    black = 1.0 - raster(sheet, RASTER_PX).astype(np.float32) / 255.0
    padded = np.pad(black, ((far, near), (left, left)))
    return padded, (float(left), float(far)), scale

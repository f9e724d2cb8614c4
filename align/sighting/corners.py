"""Corners to a hundredth of a pixel: each is matched with the print as it must look there.

The print around a corner is drawn through the local homography, blurred, and shifted until it fits the
photo (Lucas-Kanade with gain, offset and blur as nuisance parameters), in linear light. Unlike a
saddle-point search this uses the markers instead of being disturbed by them, works on squares a few
pixels high, gives every corner its own covariance, and tells by the correlation whether the print is
there at all.

Source: B. Lucas, T. Kanade, An iterative image registration technique, IJCAI 1981; S. Baker, I. Matthews,
Lucas-Kanade 20 years on, IJCV 56 (2004), section 4 for gain and offset.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from ..optics.geometry import apply_homography
from ..optics.robust import median
from ..photo.tone import linear_light
from ..target.sheets import MARKER_BITS, MARKER_CELLS, Sheet, corners_board, marker_corners_board, raster
from ..target.thresholds import MARKER_RATIO

Array = NDArray[np.float64]

RASTER_PX = 48  # pixels per square of the drawn print
SUPERSAMPLING = 3
#: Corners whose last step was shorter than this [px] are where they belong: a tenth of what the best are known to.
SETTLED_PX = 0.003
#: Half the window, as a share of the square and as a limit in pixels.
WINDOW_SHARE, WINDOW_MAX_PX, WINDOW_MIN_PX = 0.55, 13, 3
#: Half the extent of a marker's bits, as a share of the square.
_BITS_SHARE = MARKER_RATIO * MARKER_BITS / MARKER_CELLS / 2


@dataclass(frozen=True, eq=False)
class Matches:
    """Corners after matching: pixels (n, 2), covariance (n, 2, 2) [px^2], score (n,) correlation -1..1."""

    pixels: Array
    covariance: Array
    score: Array


@dataclass(frozen=True, eq=False)
class Patches:
    """The photo's own pixels around corners, kept to match them again: middles (n, 2), pixels (n, h, w) uint8."""

    middles: NDArray[np.int64]
    pixels: NDArray[np.uint8]


@cache
def _prints(sheet: Sheet) -> tuple[NDArray[np.float32], ...]:
    """The print with a white border of one square, at full, half, quarter ... size (1 = paper)."""
    import cv2

    image = raster(sheet, RASTER_PX).astype(np.float32) / 255.0
    image = np.pad(image, RASTER_PX, constant_values=1.0)
    levels = [image]
    while RASTER_PX / 2 ** len(levels) >= 6:
        half = cv2.resize(levels[-1], None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
        levels.append(np.asarray(half, np.float32))
    return tuple(levels)


def local_frames(homography: Array, board: Array, square_mm: float) -> Array:
    """(n, 2, 2) [px per square] derivative of a homography at (n, 2) board points [mm]."""
    step = 0.05 * square_mm
    columns = [
        apply_homography(homography, board + along) - apply_homography(homography, board - along)
        for along in np.eye(2) * step
    ]
    return np.stack(columns, axis=2) * (square_mm / (2 * step))


def square_heights_px(homography: Array, sheet: Sheet) -> Array:
    """(n,) the smaller extent in pixels of a square at each corner: its height across its longer side."""
    frames = local_frames(homography, corners_board(sheet), sheet.square_mm)
    area = np.abs(np.linalg.det(frames))
    return np.asarray(area / np.maximum(np.linalg.norm(frames, axis=1).max(axis=1), 1e-9))


def match_corners(
    gray: NDArray[np.uint8],
    sheet: Sheet,
    homography: Array,
    corner_ids: NDArray[np.int64],
    pixels: Array,
    *,
    blur_px: float,
    iterations: int = 3,
    settled_px: float = SETTLED_PX,
) -> Matches:
    """Match corners with the print, starting from `pixels`.

    Parameters
    ----------
    gray : (h, w) uint8; homography : board mm -> px, for the local shape only; corner_ids : (n,);
    pixels : (n, 2) first places; blur_px : sd of the photo's blur; settled_px : no further step where none was
    longer.

    Returns
    -------
    Matches in the order given; score -1 where the corner left the photo.
    """
    board = corners_board(sheet)[corner_ids]
    frames = local_frames(homography, board, sheet.square_mm)
    half = _half_extents(frames)
    place = pixels.copy()
    inside = _inside(gray.shape, place, half)
    covariance = np.broadcast_to(np.eye(2), (len(place), 2, 2)).copy()
    score = np.full(len(place), -1.0)
    if not inside.any():
        return Matches(place, covariance, score)
    windows = Windows(sheet, homography, board, frames, half, blur_px)
    for round_number in range(iterations):
        chosen = np.flatnonzero(inside & _inside(gray.shape, place, half))
        if not len(chosen):
            break
        middles = np.round(place[chosen]).astype(int)
        shift, cov, fit = windows.register(_cut(gray, middles, half), place[chosen] - middles, chosen)
        limit = 0.35 * np.abs(frames[chosen]).sum(axis=2).min(axis=1) / (1 + round_number)
        length = np.linalg.norm(shift, axis=1)
        shift *= np.minimum(1.0, limit / np.maximum(length, 1e-9))[:, None]
        place[chosen] += shift
        covariance[chosen], score[chosen] = cov, fit
        if length.max() < settled_px:
            break
    score[~_inside(gray.shape, place, half)] = -1.0
    return Matches(place, covariance, score)


def marker_scores(gray: NDArray[np.uint8], sheet: Sheet, homography: Array, *, blur_px: float) -> Array:
    """Correlation (m,) of each marker's own bits with the photo, NaN where it is out of the photo.

    The frame of a marker and the squares around it look alike on every sheet; only the bits tell which
    sheet this is, which way it is shifted, and whether it is mirrored.
    """
    middles = marker_corners_board(sheet).mean(axis=1)
    frames = local_frames(homography, middles, sheet.square_mm)
    reach = _BITS_SHARE * np.abs(frames).sum(axis=2)
    half = np.clip(np.ceil(median(reach, axis=0)), 2, WINDOW_MAX_PX).astype(int)
    place = apply_homography(homography, middles)
    scores = np.full(len(middles), np.nan)
    chosen = np.flatnonzero(_inside(gray.shape, place, half + 1))
    if len(chosen):
        windows = Windows(sheet, homography, middles, frames, half, blur_px, share=_BITS_SHARE)
        nearest = np.round(place[chosen]).astype(int)
        scores[chosen] = windows.register(_cut(gray, nearest, half), place[chosen] - nearest, chosen)[2]
    return scores


def patches_of(
    gray: NDArray[np.uint8], sheet: Sheet, homography: Array, corner_ids: NDArray[np.int64], pixels: Array
) -> Patches:
    """The photo's pixels around corners that `match_corners` found inside the photo, with the same arguments."""
    board = corners_board(sheet)[corner_ids]
    middles = np.round(pixels).astype(int)
    return Patches(middles, _cut(gray, middles, _half_extents(local_frames(homography, board, sheet.square_mm))))


def _half_extents(frames: Array) -> NDArray[np.int64]:
    """(2,) half the windows' width and height [px], of the largest square among those with (n, 2, 2) frames."""
    reach = WINDOW_SHARE * np.abs(frames).sum(axis=2)
    return np.asarray(np.clip(np.ceil(reach.max(axis=0)), WINDOW_MIN_PX, WINDOW_MAX_PX), int)


def _cut(gray: NDArray[np.uint8], middles: NDArray[np.int64], half: NDArray[np.int64]) -> NDArray[np.uint8]:
    """(n, h, w) the photo's pixels around (n, 2) of them."""
    x = middles[:, 0, None, None] + np.arange(-half[0], half[0] + 1)[None, None, :]
    y = middles[:, 1, None, None] + np.arange(-half[1], half[1] + 1)[None, :, None]
    return np.asarray(gray[y, x])


def _inside(shape: tuple[int, ...], place: Array, half: NDArray[np.int64]) -> NDArray[np.bool_]:
    limit = np.array([shape[1], shape[0]]) - half - 2
    with np.errstate(invalid="ignore"):
        return np.asarray(((place > half + 1) & (place < limit)).all(axis=1))


class Windows:
    """The windows of one set of corners: draws the print in each and solves for the shift."""

    def __init__(
        self,
        sheet: Sheet,
        homography: Array,
        board: Array,
        frames: Array,
        half: NDArray[np.int64],
        blur_px: float,
        share: float = WINDOW_SHARE,
    ) -> None:
        self.share = share
        self.half, self.board, self.square = half, board, sheet.square_mm
        levels = _prints(sheet)
        # Supersampled pixels of the photo against pixels of the print: take the level that is no finer.
        extent = float(median(np.sqrt(np.abs(np.linalg.det(frames)))))
        finer = np.log2(RASTER_PX * SUPERSAMPLING / max(extent, 1.0))
        level = int(np.clip(np.floor(finer - 1.0), 0, len(levels) - 1))
        self.image, self.raster_scale = levels[level], RASTER_PX / 2**level
        self.to_board = np.linalg.inv(homography)
        self.centres = apply_homography(homography, board)
        ss = SUPERSAMPLING
        self.margin = int(np.ceil(3 * blur_px)) + 1
        self.fine = [
            (np.arange(ss * (2 * (h + self.margin) + 1)) + 0.5) / ss - 0.5 - (h + self.margin) for h in half
        ]
        self.blur_px = blur_px
        self.weight = self._weights(frames)

    def _weights(self, frames: Array) -> Array:
        """(n, h, w) weight of each window pixel: 1 near the corner, 0 beyond the squares around it."""
        x, y = np.meshgrid(*(np.arange(-h, h + 1) for h in self.half))
        inverse = np.linalg.inv(frames)
        unit = np.einsum("nij,jhw->nihw", inverse, np.stack([x, y]).astype(float))
        distance = np.abs(unit).max(axis=1) / self.share
        return np.asarray(np.clip(4.0 * (1.15 - distance), 0.0, 1.0))

    def draw(self, offset: Array, chosen: NDArray[np.int64]) -> NDArray[np.float32]:
        """(n, h + 2m, w + 2m) the print as the photo would show it with the corner `offset` px off the middle."""
        import cv2

        map_x, map_y = self.print_places(offset, chosen)
        n, rows, columns = map_x.shape
        ss = SUPERSAMPLING
        drawn = np.empty((n, rows // ss, columns // ss), np.float32)
        per_call = max(1, 30000 // rows)  # cv2.remap takes at most 32767 rows
        for start in range(0, n, per_call):
            part = slice(start, min(start + per_call, n))
            fine = cv2.remap(
                self.image,
                map_x[part].reshape(-1, columns),
                map_y[part].reshape(-1, columns),
                cv2.INTER_LINEAR,
                borderMode=cv2.BORDER_CONSTANT,
                borderValue=(1.0,),
            )
            size = (columns // ss, fine.shape[0] // ss)
            drawn[part] = cv2.resize(fine, size, interpolation=cv2.INTER_AREA).reshape(-1, rows // ss, size[0])
        return drawn

    def print_places(
        self, offset: Array, chosen: NDArray[np.int64]
    ) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
        """Pixels of the print (n, rows, columns) under the fine grid, corners (n, 2) px off its middle.

        The grid is fixed to the photo's pixels; only the homography's shape counts, re-centred. Exact for a
        homography, in single precision: the map's difference from its value at the middle.
        """
        around, h = self.centres[chosen] - offset, self.to_board
        u = self.fine[0].astype(np.float32)[None, None, :]
        v = self.fine[1].astype(np.float32)[None, :, None]
        depth = around @ h[2, :2] + h[2, 2]
        scale = self.raster_scale / self.square
        over = [h[2, i] / depth for i in (0, 1)]
        denominator = 1.0 + _column(over[0]) * u + _column(over[1]) * v
        places = []
        for axis in (0, 1):
            middle = (around @ h[axis, :2] + h[axis, 2]) / depth
            slope = [scale * (h[axis, i] / depth - middle * over[i]) for i in (0, 1)]
            place = _column(slope[0]) * u + _column(slope[1]) * v
            with np.errstate(divide="ignore", invalid="ignore"):  # a wild first guess: nothing there will match
                place /= denominator
            place += _column((middle + self.square) * scale - 0.5)
            places.append(place)
        return places[0], places[1]

    def register(
        self, seen: NDArray[np.uint8], offset: Array, chosen: NDArray[np.int64]
    ) -> tuple[Array, Array, Array]:
        """One Gauss-Newton step: shift (n, 2), covariance (n, 2, 2), correlation (n,).

        seen : (n, h, w) the photo's pixels in each window; offset : (n, 2) [px] of the corner from their middle.
        """
        sharp = self.draw(offset, chosen)
        kernel = _gauss_kernel(self.blur_px, self.margin)
        template = _separable(sharp, kernel)
        m = self.margin
        grad_y = (template[:, 2:, 1:-1] - template[:, :-2, 1:-1]) / 2
        grad_x = (template[:, 1:-1, 2:] - template[:, 1:-1, :-2]) / 2
        middle = template[:, 1:-1, 1:-1]
        across = template[:, 1:-1, 2:] + template[:, 1:-1, :-2]
        laplace = template[:, 2:, 1:-1] + template[:, :-2, 1:-1] + across - 4 * middle
        cut = (slice(None), slice(m - 1, -(m - 1) or None), slice(m - 1, -(m - 1) or None))
        pieces = [part[cut].reshape(len(chosen), -1) for part in (middle, grad_x, grad_y, laplace)]
        observed = linear_light(seen).reshape(len(chosen), -1).astype(float)
        weight = self.weight[chosen].reshape(len(chosen), -1)
        drawn = [piece.astype(float) for piece in pieces]
        return _solve_windows(observed, weight, drawn, self.bending(chosen, drawn[1], drawn[2]))

    def bending(self, chosen: NDArray[np.int64], grad_x: Array, grad_y: Array) -> Array | None:
        """(n, pixels) how the windows change as the print in them bends by one standard deviation; None: it cannot.

        grad_x, grad_y : (n, pixels) of the print as drawn.
        """
        return None


def _solve_windows(
    observed: Array, weight: Array, pieces: list[Array], bending: Array | None = None
) -> tuple[Array, Array, Array]:
    """Least squares of observed = gain (template - shift . gradient) + offset + c laplace, window by window.

    bending : (n, pixels) of template, for one standard deviation of a further unknown.
    """
    template, grad_x, grad_y, laplace = pieces
    further = [] if bending is None else [bending]
    columns = np.stack([template, np.ones_like(template), -grad_x, -grad_y, laplace, *further], axis=1)
    total = weight.sum(axis=1)
    inverse, solution = _fitted(observed, weight, columns)
    variance = _variance(observed, weight, total, columns, solution)
    if bending is not None:  # free so far, which tells the noise that its prior is weighed by
        inverse, solution = _fitted(observed, weight, columns, variance / np.maximum(solution[:, 0] ** 2, 1e-8))
    gain = solution[:, 0]
    safe_gain = np.where(np.abs(gain) > 1e-4, gain, 1e-4)
    shift = solution[:, 2:4] / safe_gain[:, None]
    covariance = inverse[:, 2:4, 2:4] * (variance / safe_gain**2)[:, None, None]
    mean = (weight * observed).sum(axis=1) / total
    plain = (weight * template).sum(axis=1) / total
    both = (weight * (observed - mean[:, None]) * (template - plain[:, None])).sum(axis=1)
    power = (weight * (observed - mean[:, None]) ** 2).sum(axis=1) * (
        weight * (template - plain[:, None]) ** 2
    ).sum(axis=1)
    score = both / np.sqrt(np.maximum(power, 1e-12))
    return shift, covariance, score


def _variance(observed: Array, weight: Array, total: Array, columns: Array, solution: Array) -> Array:
    """(n,) of the pixels' noise, from what the fit leaves."""
    residual = observed - (solution[:, None, :] @ columns)[:, 0]
    variance = (weight * residual**2).sum(axis=1) / np.maximum(total - 5, 1.0)
    # 8-bit photos carry rounding noise even where they look clean.
    return np.asarray(np.maximum(variance, (0.4 / 255) ** 2))


def _fitted(observed: Array, weight: Array, columns: Array, ridge: Array | float = 0.0) -> tuple[Array, Array]:
    """Inverse of each window's normal matrix, and its solution; ridge : (n,) of a prior on what is beyond five."""
    weighted = columns * weight[:, None, :]
    normal = weighted @ columns.transpose(0, 2, 1)
    size = normal.shape[1]
    normal += 1e-9 * np.trace(normal, axis1=1, axis2=2)[:, None, None] * np.eye(size)
    for further in range(5, size):
        normal[:, further, further] += ridge
    right = (weighted @ observed[:, :, None])[:, :, 0]
    inverse = np.asarray(np.linalg.inv(normal))
    return inverse, np.einsum("nij,nj->ni", inverse, right)


def _column(values: Array) -> NDArray[np.float32]:
    return values.astype(np.float32)[:, None, None]


@cache
def _gauss_kernel(sigma: float, radius: int) -> Array:
    x = np.arange(-radius, radius + 1)
    kernel = np.exp(-0.5 * (x / sigma) ** 2)
    return np.asarray(kernel / kernel.sum())


def _separable(stack: NDArray[np.float32], kernel: Array) -> NDArray[np.float32]:
    """Blur each image of a stack; the borders are thrown away by the caller."""
    import cv2

    blurred = np.empty_like(stack)
    for i in range(len(stack)):
        cv2.sepFilter2D(stack[i], -1, kernel, kernel, dst=blurred[i], borderType=cv2.BORDER_REPLICATE)
    return blurred

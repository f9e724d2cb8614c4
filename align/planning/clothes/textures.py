"""What photos show of each face: every place from the views that see it best, seams blended, the rest said to be
unseen.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ...target.sheets import Sheet
from ..bodies import Box
from ..scene import Mirror, SheetPlace
from ..sightlines import blocked, through_pane
from ..thresholds import (
    BEST_VIEW_POWER,
    BLEND_MM,
    EDGE_MM,
    FLATTEST_COSINE,
    MOST_TEXELS,
    SLIVER_MM,
)
from .faces import Face
from .posed import PosedPhoto

Array = NDArray[np.float64]
Light = NDArray[np.float32]
Flags = NDArray[np.bool_]
Kinds = NDArray[np.uint8]

#: What a texel is: in no photo, taken from photos, filled in from beside; under something that stands on it.
UNSEEN, COVERED, FILLED, UNDER = 0, 1, 2, 6
#: Exposures of two photos are compared where they share so many texels at least.
_ENOUGH = 50
#: A photo's exposure is held to its own by as much as this share of a comparison.
_HELD = 0.01
#: Lines of sight end this far before a face [mm].
_BEFORE_MM = 0.05
#: An ordinary sheet is cut a little wide and lies a little askew [mm].
_SHEET_MARGIN_MM = 2.0

#: A body no higher above the floor than this stands on it [mm].
_STANDS_MM = 1.0
#: What may be hidden from a photo counts so little that any other photo goes before it.
_MAYBE_HIDDEN = 1e-9

#: Whether something that is no body, a cut-out, may hide points (n, 3) from a photo (by its number): (n,).
Hides = Callable[[int, Array], Flags]


@dataclass(frozen=True, eq=False)
class Texture:
    """A face's picture. light : (rows, columns, 3) linear, rows along v, columns along u; kinds : of each texel."""

    face: Face
    light: Light
    kinds: Kinds

    @property
    def unseen_share(self) -> float:
        """Of its area, what no photo shows and nothing fills."""
        return self._share(UNSEEN)

    @property
    def filled_share(self) -> float:
        """Of its area, what is filled in from beside."""
        return self._share(FILLED)

    def _share(self, kind: int) -> float:
        """Of what is not under something."""
        free = self.kinds != UNDER
        return float(np.mean(self.kinds[free] == kind)) if free.any() else 0.0

    def sample(self, places: Array) -> tuple[Light, Kinds]:
        """Light (n, 3), between texels linearly, and kinds (n,) of the nearest, at places (n, 2) [mm]."""
        rows, columns = self.kinds.shape
        at = places / np.array(self.face.size_mm) * [columns, rows] - 0.5
        near = np.clip(np.round(at), 0, [columns - 1, rows - 1]).astype(np.int64)
        at = np.clip(at, 0.0, [columns - 1, rows - 1])
        low = np.minimum(np.floor(at), np.maximum([columns - 2, rows - 2], 0)).astype(np.int64)
        a, b = (at - low).astype(np.float32).T[:, :, None]
        x, y = low.T
        x1, y1 = np.minimum(x + 1, columns - 1), np.minimum(y + 1, rows - 1)
        top = (1 - a) * self.light[y, x] + a * self.light[y, x1]
        bottom = (1 - a) * self.light[y1, x] + a * self.light[y1, x1]
        return (1 - b) * top + b * bottom, self.kinds[near[:, 1], near[:, 0]]


@dataclass(frozen=True, eq=False)
class _Grid:
    """A face's texels: (n, 3) their middles, and (rows, columns)."""

    face: Face
    points: Array
    shape: tuple[int, int]


@dataclass(frozen=True, eq=False)
class _Taken:
    """What one photo gives to a face: weights (n,), 0 where nothing, and light (n, 3)."""

    weights: Array
    light: Light


def texel_mm(faces: Sequence[Face]) -> float:
    """Width of a texel with which all faces together have about MOST_TEXELS [mm]."""
    return math.sqrt(sum(face.area_mm2 for face in faces) / MOST_TEXELS)


def textures_of(
    faces: Sequence[Face],
    bodies: Sequence[Box],
    mirrors: Sequence[Mirror],
    photos: Sequence[PosedPhoto],
    hides: Hides,
    progress: Callable[[str], None] | None = None,
) -> tuple[tuple[Texture, ...], Light]:
    """Clothe faces with photos; and (photos, 3) factors that bring the photos' exposures together.

    Parameters
    ----------
    bodies : all that hides a face in a photo; mirrors : hide what lies behind them where they hung already
    hides : what a cut-out may hide is taken from other photos, as is the floor under a photo's own sheet
    """
    step = texel_mm(faces)
    grids = [_grid(face, _shape_of(face, step)) for face in faces]
    taken: list[list[_Taken | None]] = []
    for number, photo in enumerate(photos):
        if progress:
            progress(f"clothing with photo {number + 1} of {len(photos)}")
        panes = mirrors if photo.mirror_there else ()
        taken.append([_take(grid, photo, number, bodies, panes, hides, step) for grid in grids])
    gains = _gains(taken)
    return tuple(_texture(grid, [part[k] for part in taken], gains, step) for k, grid in enumerate(grids)), gains


def _shape_of(face: Face, step: float) -> tuple[int, int]:
    """(rows, columns) of texels."""
    wide, high = face.size_mm
    return max(2, round(high / step)), max(2, round(wide / step))


def _grid(face: Face, shape: tuple[int, int]) -> _Grid:
    (wide, high), (rows, columns) = face.size_mm, shape
    u, v = np.meshgrid((np.arange(columns) + 0.5) / columns * wide, (np.arange(rows) + 0.5) / rows * high)
    return _Grid(face, face.points(u.ravel(), v.ravel()), (rows, columns))


def _take(
    grid: _Grid,
    photo: PosedPhoto,
    number: int,
    bodies: Sequence[Box],
    panes: Sequence[Mirror],
    hides: Hides,
    step: float,
) -> _Taken | None:
    """What one photo gives to one face; None: nothing."""
    normal = grid.face.normal
    if float((photo.eye - grid.points[0]) @ normal) <= 0.0:
        return None
    sight = photo.eye - grid.points
    far = np.linalg.norm(sight, axis=1)
    cosine = (sight @ normal) / far
    rows = np.flatnonzero(cosine > FLATTEST_COSINE)
    if len(rows) == 0:
        return None
    pixels = np.full((len(cosine), 2), np.nan)
    pixels[rows] = photo.project(grid.points[rows])
    framed = photo.inside(pixels)
    rows = np.flatnonzero(framed & (cosine > FLATTEST_COSINE))
    points = grid.points[rows] + _BEFORE_MM * normal
    starts = np.tile(photo.eye, (len(rows), 1))
    seen = np.zeros(len(cosine), bool)
    free = ~blocked(starts, points, bodies)
    for pane in panes:
        free &= ~through_pane(starts, points, pane)
    if grid.face.box.name == "the floor":
        free &= ~on_sheet(points, photo.sheet, photo.place)
    seen[rows] = free
    if not seen.any():
        return None
    quality = (photo.camera.focal_px * cosine / far) ** 2
    weights = _feathered(seen.reshape(grid.shape), step).ravel() * quality**BEST_VIEW_POWER
    weights[rows[hides(number, points)]] *= _MAYBE_HIDDEN
    light = np.zeros((len(seen), 3), np.float32)
    light[seen] = photo.sample(pixels[seen])
    return _Taken(weights, light)


def on_sheet(points: Array, sheet: Sheet, place: SheetPlace) -> Flags:
    """(n,) whether points of the floor lie under the sheet."""
    own = (points - place.origin) @ place.rotation
    margin = _SHEET_MARGIN_MM
    aside = np.abs(own[:, 0]) <= sheet.width_mm / 2 + margin
    return np.asarray(aside & (own[:, 1] <= margin) & (own[:, 1] >= -sheet.depth_mm - margin))


def _feathered(seen: Flags, step: float) -> Array:
    """(rows, columns) 0 to 1: nothing within EDGE_MM of what is hidden, all of it BLEND_MM farther in."""
    import cv2

    if seen.all():
        return np.ones(seen.shape)
    # Beyond the face's own edge nothing is hidden.
    padded = np.pad(seen.astype(np.uint8), 1, mode="edge")
    deep = cv2.distanceTransform(padded, cv2.DIST_L2, 5)[1:-1, 1:-1] * step
    share = np.clip((deep - EDGE_MM) / BLEND_MM, 0.0, 1.0)
    return np.asarray(np.where(deep > EDGE_MM, np.maximum(share, 0.02), 0.0), float)


def _gains(taken: Sequence[Sequence[_Taken | None]]) -> Light:
    """(photos, 3) factors that bring photos' exposures together, where they show the same texels.

    Least squares on the logarithms, each photo held a little to its own (M. Brown, D. Lowe, Automatic panoramic
    image stitching, IJCV 74 (2007), section 6, from memory).
    """
    count = len(taken)
    normal, right = _HELD * np.eye(count), np.zeros((count, 3))
    for i in range(count):
        for j in range(i + 1, count):
            ratios = [
                np.log(np.maximum(a.light[both], 0.002) / np.maximum(b.light[both], 0.002))
                for a, b in zip(taken[i], taken[j], strict=True)
                if a is not None and b is not None and (both := (a.weights > 0) & (b.weights > 0)).sum() >= _ENOUGH
            ]
            if ratios:
                ratio = np.median(np.concatenate(ratios), axis=0)
                normal[[i, j], [i, j]] += 1.0
                normal[[i, j], [j, i]] -= 1.0
                right[i] -= ratio
                right[j] += ratio
    logs = np.linalg.solve(normal, right)
    return np.asarray(np.exp(logs - logs.mean(axis=0)), np.float32)


def _texture(grid: _Grid, parts: Sequence[_Taken | None], gains: Light, step: float) -> Texture:
    total = np.zeros(len(grid.points))
    light = np.zeros((len(grid.points), 3))
    most = max((float(part.weights.max()) for part in parts if part is not None), default=0.0)
    for part, gain in zip(parts, gains, strict=True):
        if part is not None and most > 0:
            weights = part.weights / most
            total += weights
            light += weights[:, None] * part.light * gain
    covered = total > 0
    light[covered] /= total[covered, None]
    kinds = covered.astype(np.uint8).reshape(grid.shape)
    return Texture(grid.face, *_filled(light.astype(np.float32).reshape(*grid.shape, 3), kinds, step))


def _filled(light: Light, kinds: Kinds, step: float) -> tuple[Light, Kinds]:
    """Slivers filled in from beside; beyond them the nearest light goes on, for what is drawn between texels."""
    import cv2

    if not kinds.any() or kinds.all():
        return light, kinds
    missing = (kinds == UNSEEN).astype(np.uint8)
    far, nearest = cv2.distanceTransformWithLabels(missing, cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_PIXEL)
    of_label = np.zeros((int(nearest.max()) + 1, 3), np.float32)
    of_label[nearest[missing == 0]] = light[missing == 0]
    light = of_label[nearest]
    kinds = kinds.copy()
    kinds[(missing > 0) & (far * step <= SLIVER_MM)] = FILLED
    return light, kinds


def with_footprints(texture: Texture, bodies: Sequence[Box]) -> Texture:
    """The floor's texture where nobody can see what bodies stand on: it counts as neither seen nor unseen."""
    points = _grid(texture.face, texture.kinds.shape).points
    under = np.zeros(len(points), bool)
    for box in bodies:
        if box.name != "the floor" and box.base_mm <= _STANDS_MM:
            own = box.to_own_frame(points)[:, :2]
            under |= ((own > box.low[:2]) & (own < box.high[:2])).all(axis=1)
    kinds = np.where(under.reshape(texture.kinds.shape), UNDER, texture.kinds).astype(np.uint8)
    return Texture(texture.face, texture.light, kinds)


def with_sheets_filled(texture: Texture, photos: Sequence[PosedPhoto]) -> Texture:
    """The floor's texture with what is under a sheet in every photo filled in from around it."""
    import cv2

    rows, columns = texture.kinds.shape
    grid = _grid(texture.face, (rows, columns))
    under = np.zeros(grid.shape, bool)
    for photo in photos:
        under |= on_sheet(grid.points, photo.sheet, photo.place).reshape(grid.shape)
    under &= texture.kinds != COVERED
    if not under.any():
        return texture
    reach = math.ceil((EDGE_MM + 2.0) * columns / texture.face.size_mm[0])
    around = cv2.dilate(under.astype(np.uint8), np.ones((2 * reach + 1,) * 2, np.uint8)) > 0
    if not np.any(around & ~under & (texture.kinds == COVERED)):
        return texture  # no photo shows what lies around it
    from .tones import as_bytes, as_light

    hole = under.astype(np.uint8)
    half = cv2.INTER_AREA
    small = (max(2, columns // 2), max(2, rows // 2))
    filled = cv2.inpaint(
        cv2.resize(as_bytes(texture.light), small, interpolation=half),
        cv2.dilate(cv2.resize(hole, small, interpolation=cv2.INTER_NEAREST), np.ones((3, 3), np.uint8)),
        5.0,
        cv2.INPAINT_TELEA,
    )
    light, kinds = texture.light.copy(), texture.kinds.copy()
    light[hole > 0] = as_light(np.asarray(cv2.resize(filled, (columns, rows)), np.uint8))[hole > 0]
    kinds[hole > 0] = FILLED
    return Texture(texture.face, light, kinds)

"""Cutting one lamp's part out of the photo for the fit: the strip along its ghosts' line, less its background."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..sighting.boards import Board
from . import thresholds as limits
from .background import FINE_TILE_PX, background_of, hats_of
from .ghost_geometry import GhostView, Lamp, MirrorView
from .lamps import Light, Mask, Spot
from .patch import Patch

Array = NDArray[np.float64]

#: The strip reaches this far beyond the farthest ghost considered, in lamp radii and in pixels.
BEYOND_RADII, BEYOND_PX = 1.6, 6.0
#: Patches with more pixels than this are made coarser by whole numbers.
MOST_PIXELS = 2600
#: The ground under a lamp and its ghosts has about so many tiles at most.
MOST_TILES = 90


def patch_of(
    lamp: Lamp,
    view: GhostView,
    light: Light,
    full: Mask,
    others: Sequence[Spot],
    photo: int = 0,
    boards: Sequence[Board] = (),
) -> Patch | None:
    """The strip of pixels along a lamp's ghosts, its background taken out; None where too little is left in the
    photo.

    others : spots that are not this lamp's: pixels of theirs, and those nearer to them on the ghosts' line, are
    left out; boards : sighted in the photo, whose print may be behind the lamp
    """
    ends = view.ghosts(lamp, limits.MOST_GLASS_MM).offsets[:2]
    if not np.isfinite(ends).all():
        return None
    spot = lamp.reflected
    reach = BEYOND_RADII * spot.radius_px + BEYOND_PX
    square = square_round(spot, int(np.ceil(np.abs(ends).max() + reach)) + 12, light, full)
    if square is None:
        return None
    places = square.places_px
    strip = distance_to_line(places - spot.centre_px, ends) < reach
    free, chosen = ~strip & ~square.full, strip.copy()
    for other in others:
        far = np.hypot(*(places - other.centre_px).T)
        free &= distance_to_line(places - other.centre_px, ends) > 1.3 * other.radius_px + 4.0
        chosen &= far > 1.4 * other.radius_px + 4.0
        near_line = distance_to_line(places - other.centre_px, ends) < 1.3 * other.radius_px + 3.0
        chosen &= ~(near_line & (far < np.hypot(*(places - spot.centre_px).T)))
    shape = square.light.shape
    behind = background_of(square.light, square.corner, boards, free.reshape(shape), reach)
    # Where the background itself is as bright as the camera's curve is known, nothing can be told.
    chosen &= ~(square.full & (behind.light.ravel() > 0.5))
    if (chosen & ~square.full).sum() < 40:
        return None
    alone = square.light - behind.light
    noise = np.hypot(noise_of(alone, square.light), behind.sd).ravel()
    # A large lamp before a near phone has many tiles' worth of ground: larger ones keep the fit quick.
    hats, _ = hats_of(shape, max(FINE_TILE_PX, float(np.sqrt(chosen.sum() / MOST_TILES))))
    hats = hats[chosen][:, hats[chosen].sum(axis=0) > 1.0]
    pixels, hats, block = _coarser(places[chosen], alone.ravel()[chosen], square.full[chosen], noise[chosen], hats)
    longer, longer_sd = _expected_length(lamp, view)
    return Patch(
        lamp, view, photo, *pixels, view.ghost_ratios(lamp.position_mm),
        block=block, longer=longer, longer_sd=longer_sd, hats=hats, hats_sd=behind.smooth_sd,
        soft_px=_blur_px(boards), correlation=behind.correlation,
    )  # fmt: skip


def _expected_length(lamp: Lamp, view: GhostView) -> tuple[tuple[float, float], float]:
    """How far the reflection is longer than wide, and its sd: as the lamp seen directly is, in the mirror."""
    if lamp.direct is None or not isinstance(view, MirrorView):
        return (0.0, 0.0), 0.1
    size = float(np.hypot(*lamp.direct.longer))
    angle = 2 * view.mirrored_angle(lamp.position_mm, float(np.arctan2(*lamp.direct.longer[::-1])) / 2)
    return (size * float(np.cos(angle)), size * float(np.sin(angle))), 0.05 + 0.4 * size


def _blur_px(boards: Sequence[Board]) -> float | None:
    """Blur of the reflected print, else of the sheet's own; None without either."""
    blurs = [board.blur_px for board in boards if board.mirrored] or [board.blur_px for board in boards]
    return max(float(np.median(blurs)), limits.LEAST_BLUR_PX) if blurs else None


def _coarser(
    places: Array, light: Array, full: Mask, noise: Array, hats: Array
) -> tuple[tuple[Array, Array, Mask, Array], Array, int]:
    """Blocks of pixels joined to their means where there are very many, and their side; a lower bound rules its
    block.
    """
    block = int(np.ceil(np.sqrt(len(places) / MOST_PIXELS)))
    if block < 2:
        return (places, light, full, noise), hats, 1
    cells = np.floor(places / block).astype(np.int64)
    _, number, count = np.unique(cells, axis=0, return_inverse=True, return_counts=True)
    number = number.ravel()

    def mean(values: Array) -> Array:
        return np.asarray(np.bincount(number, values) / count)

    whole = count >= 0.7 * block**2
    joined = np.column_stack([mean(places[:, 0]), mean(places[:, 1])])
    # Neighbours err alike: their mean is hardly surer than one of them.
    made = (joined[whole], mean(light)[whole], (mean(full.astype(float)) > 0)[whole], mean(noise)[whole])
    tiles = np.column_stack([mean(hat) for hat in hats.T]) if hats.shape[1] else hats[:0]
    return made, tiles[whole], block


@dataclass(frozen=True, eq=False)
class Square:
    """All pixels of a square part: its corner (column, row), (n, 2) places [px], (h, w) light, (n,) full."""

    corner: tuple[int, int]
    places_px: Array
    light: Array
    full: Mask


def square_round(spot: Spot, half: int, light: Light, full: Mask) -> Square | None:
    """The pixels as far as `half` [px] from a spot's middle, each way, as far as the photo reaches; None: it is
    outside.
    """
    column, row = (round(value) for value in spot.centre_px)
    height, width = light.shape
    if not (4 <= column < width - 4 and 4 <= row < height - 4):
        return None
    left, top = max(column - half, 0), max(row - half, 0)
    inside = slice(top, min(row + half + 1, height)), slice(left, min(column + half + 1, width))
    rows, columns = np.mgrid[inside]
    places = np.column_stack([columns.ravel(), rows.ravel()]).astype(float)
    part = light[inside].astype(float)
    return Square((left, top), places, part, full[inside].ravel())


def noise_of(part: Array, seen: Array | None = None) -> Array:
    """(h, w) sd of a part's linear light: sensor noise, and edges that no model gets right.

    part : the light; seen : with the background, where `part` is without
    """
    slope = np.hypot(*np.gradient(part))
    brightness = np.maximum(part if seen is None else seen, 0.0)
    edges = limits.EDGE_NOISE_PX * slope
    return np.asarray(np.sqrt(limits.DARK_NOISE**2 + limits.FULL_NOISE**2 * brightness + edges**2))


def distance_to_line(places: Array, ends: Array) -> Array:
    """(n,) distance to the line from one end by way of the origin to the other."""
    best = np.full(len(places), np.inf)
    for end in ends:
        share = np.clip(places @ end / max(float(end @ end), 1e-12), 0.0, 1.0)
        best = np.minimum(best, np.linalg.norm(places - share[:, None] * end, axis=1))
    return best

"""One lamp's part of the photo as the fit sees it: pixels in a strip along the ghosts' line, and the model there.

The model is the lamp's own shape, a soft-edged disc or ellipse, drawn once for the main image and once for each
ghost, with a halo for glare and an even slope for what the background leaves. The shape, its softness and its
brightness are the lamp's own unknowns, fitted to what is not saturated; a saturated pixel only pulls when the model
is darker there.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from .ghost_geometry import Ghosts, GhostView, Lamp
from .lamps import Mask
from .shape import disc_slopes, light_of_slope, shrinking

Array = NDArray[np.float64]

PARAMETERS = (
    "x", "y", "log_bright", "log_radius", "log_soft", "halo", "ground", "slope_x", "slope_y", "longer_x",
    "longer_y",
)  # fmt: skip
#: Behind the lamp's own: the ghosts' brightness, front and later ones, relative to Fresnel; and the log scale
#: of their distances.
SHARED = ("front", "later", "log_scale")
N_OWN, N_ALL = len(PARAMETERS), len(PARAMETERS) + len(SHARED)
LOG_SOFT, LONGER = 4, slice(9, 11)
FRONT, LATER, LOG_SCALE = N_OWN, N_OWN + 1, N_OWN + 2
#: Thicknesses at which a lamp's ghosts are worked out; between them, distances per mm change evenly.
NODES_MM = np.array([0.7, 2.0, 4.0, 6.5, 11.0])
#: Burnt-out ghosts make a reflection's bright part at most so many times as wide.
MOST_GROWN = 2.0


@dataclass(frozen=True, eq=False)
class Image:
    """One image of a lamp: its light as a share of the main one's, and how far off the pixels that it reaches are
    [px].

    shift : (2,) from the main image; at : (m,) which pixels; moved : (m, 2) from the image's middle to each;
    round : the same with the lamp's length taken out, over its size; distance : (m,) length of that
    """

    share: float
    size: float
    shift: Array
    at: NDArray[np.intp]
    moved: Array
    round: Array
    distance: Array


@dataclass(frozen=True, eq=False)
class Drawn:
    """A lamp drawn with parameters `p`: what its light and the light's derivatives have in common.

    parts : (4, n) light of main image, halo, front ghost and later ghosts for a lamp of brightness 1
    disc : as `disc_slopes`; images : the main one first, then the ghosts that are drawn
    """

    p: Array
    parts: Array
    disc: tuple[Array, Array, Array]
    images: tuple[Image, ...]

    @cached_property
    def glow(self) -> Array:
        """(n,) light of all parts together."""
        p, parts = self.p, self.parts
        return np.asarray(parts[0] + p[5] * parts[1] + p[FRONT] * parts[2] + p[LATER] * parts[3])


@dataclass(frozen=True, eq=False)
class Patch:
    """The pixels of one lamp: places, light less its background, whether a lower bound only, and the sd of each.

    soft_px : blur (sd) of the print in the same mirror, which the lamp's edge shares; None: not known;
    hats : (n, k) how much of each tile of the ground each pixel is; None: the ground is even; hats_sd : of their
    light; block : side of the blocks of pixels that were joined; longer : (2,) how far the lamp is expected to be
    longer than wide, as `Spot` has it, and longer_sd
    """

    lamp: Lamp
    view: GhostView
    photo: int
    places_px: Array
    light: Array
    full: Mask
    noise: Array
    ratios: Array
    scale: float = 1.0
    correlation: float = 1.0
    block: int = 1
    longer: tuple[float, float] = (0.0, 0.0)
    longer_sd: float = 0.05
    hats: Array | None = None
    hats_sd: float = 0.0
    soft_px: float | None = None

    def scaled(self, scale: float, correlation: float) -> Patch:
        """The patch with its noise scale and the correlation of neighbouring residuals known."""
        return replace(self, scale=scale, correlation=correlation)

    @cached_property
    def _nodes(self) -> tuple[Array, Array]:
        """Ghosts at NODES_MM: (nodes, 6) offsets per mm, (nodes, 3) sizes."""
        ghosts = [self.view.ghosts(self.lamp, float(node)) for node in NODES_MM]
        offsets = [ghost.offsets.ravel() / node for ghost, node in zip(ghosts, NODES_MM, strict=True)]
        return np.array(offsets), np.array([ghost.sizes for ghost in ghosts])

    def ghosts(self, thickness_mm: float) -> Ghosts:
        """Places and sizes of the ghosts."""
        per_mm, sizes = self._nodes
        number = int(np.clip(np.searchsorted(NODES_MM, thickness_mm) - 1, 0, len(NODES_MM) - 2))
        share = (thickness_mm - NODES_MM[number]) / (NODES_MM[number + 1] - NODES_MM[number])
        step, size = ((1 - share) * part[number] + share * part[number + 1] for part in (per_mm, sizes))
        return Ghosts(thickness_mm * step.reshape(3, 2), size)

    def offsets(self, thickness_mm: float) -> Array:
        """(3, 2) [px] of the ghosts from the main image."""
        return self.ghosts(thickness_mm).offsets

    def drawn(self, p: Array, ghosts: Ghosts, *, all_ghosts: bool = False) -> Drawn:
        """A lamp of brightness 1 and its ghosts, as parameters `p` (PARAMETERS and SHARED) have them.

        all_ghosts : also those whose factor is held at nothing; else they cost no time.
        """
        radius, soft = float(np.exp(p[3])), float(np.exp(p[4]))
        disc = disc_slopes(radius, soft)
        table = light_of_slope(*disc[:2])
        away = self.places_px - p[:2]
        near = 1.0 + (away[:, 0] ** 2 + away[:, 1] ** 2) / (2.0 * (radius + soft)) ** 2
        parts = np.zeros((4, len(away)))
        parts[1] = 1.0 / (near * np.sqrt(near))
        images = []
        shrink = shrinking(p[LONGER])
        shifts = np.vstack([np.zeros((1, 2)), ghosts.offsets * np.exp(p[LOG_SCALE])])
        sizes = (1.0, *ghosts.sizes)
        factors = (1.0, p[FRONT], p[LATER], p[LATER])
        for number, (part, shift) in enumerate(zip((0, 2, 3, 3), shifts, strict=True)):
            if factors[number] == 0.0 and not all_ghosts:
                continue
            ratio = 1.0 if number == 0 else self.ratios[number - 1]
            moved = away - shift
            rounded = moved @ (shrink / sizes[number])
            far2 = rounded[:, 0] ** 2 + rounded[:, 1] ** 2
            at = np.flatnonzero(far2 < disc[0][-1] ** 2)
            distance = np.sqrt(far2[at])
            parts[part][at] += ratio * np.interp(distance, disc[0], table, right=0.0)
            share, size = float(ratio * factors[number]), float(sizes[number])
            images.append(Image(share, size, shift, at, moved[at], rounded[at], distance))
        return Drawn(p, parts, disc, tuple(images))

    def light_of(self, drawn: Drawn) -> Array:
        """(n,) linear light: lamp, halo and ghosts over the surroundings."""
        p = drawn.p
        return np.asarray(np.exp(p[2]) * drawn.glow + p[6] + self._from_middle @ p[7:9])

    def model(self, p: Array, ghosts: Ghosts) -> Array:
        """(n,) linear light for parameters `p`."""
        return self.light_of(self.drawn(p, ghosts))

    @cached_property
    def _ground(self) -> tuple[Array, Array] | None:
        """(n, k) whitened tiles of the ground, and (k, n) their least-squares light, prior and all, from
        residuals.
        """
        if self.hats is None or self.hats.shape[1] == 0:
            return None
        tiles = np.where(self.full[:, None], 0.0, self.hats) / (self.noise * self.scale)[:, None]
        known = self.correlation / self.hats_sd**2 * np.eye(tiles.shape[1])
        return tiles, np.asarray(np.linalg.solve(tiles.T @ tiles + known, tiles.T), float)

    def over_ground(self, residual: Array) -> Array:
        """(n,) or (n, m) whitened residuals or derivatives less what uneven ground explains of them."""
        if self._ground is None:
            return residual
        tiles, solved = self._ground
        return np.asarray(residual - tiles @ (solved @ residual))

    def linearised(self, drawn: Drawn, free: NDArray[np.bool_]) -> tuple[Array, Array]:
        """Whitened residuals and their (n, N_ALL) derivatives by the free parameters; zero for others."""
        base = self.light_of(drawn)
        bright = float(np.exp(drawn.p[2]))
        columns = np.zeros((len(base), N_ALL))
        columns[:, 2] = bright * drawn.glow
        columns[:, 5], columns[:, FRONT], columns[:, LATER] = bright * drawn.parts[1:]
        columns[:, 6] = 1.0
        columns[:, 7:9] = self._from_middle
        columns[:, [0, 1, 3, 4, 9, 10, LOG_SCALE]] = bright * self._by_shape(drawn)
        residual = (self.light - base) / (self.noise * self.scale)
        pulls = ~self.full | (residual > 0)
        residual = np.where(pulls, residual, 0.0)
        columns *= -(pulls / (self.noise * self.scale))[:, None]
        return self.over_ground(residual), np.where(free, self.over_ground(columns), 0.0)

    def _by_shape(self, drawn: Drawn) -> Array:
        """(n, 7) derivatives of the light of a lamp of brightness 1 by x, y, log_radius, log_soft, longer,
        log_scale.
        """
        p = drawn.p
        nodes, by_distance, by_log_radius = drawn.disc
        shrink = shrinking(p[LONGER])
        by_longer = [
            (shrinking(p[LONGER] + step) - shrinking(p[LONGER] - step)) / 2e-4 for step in np.eye(2) * 1e-4
        ]
        away = self.places_px - p[:2]
        result = np.zeros((len(away), 7))
        self._halo_by_shape(result, p[5], away, float(np.exp(p[3])), float(np.exp(p[4])))
        for image in drawn.images:
            at = image.at
            slope = image.share * np.interp(image.distance, nodes, by_distance, right=0.0)
            wider = image.share * np.interp(image.distance, nodes, by_log_radius, right=0.0)
            unit = image.round * (slope / np.maximum(image.distance, 1e-9) / image.size)[:, None]
            pull = -unit @ shrink
            part = np.empty((len(at), 7))
            part[:, :2] = pull
            part[:, 2] = wider
            # The profile depends on distance / soft and radius / soft alone: its three log slopes sum to zero.
            part[:, 3] = -image.distance * slope - wider
            for number, turn in enumerate(by_longer):
                part[:, 4 + number] = (unit * (image.moved @ turn)).sum(axis=1)
            part[:, 6] = pull @ image.shift
            result[at] += part
        return result

    @staticmethod
    def _halo_by_shape(result: Array, share: float, away: Array, radius: float, soft: float) -> None:
        """The halo's part of `_by_shape`."""
        if share == 0.0:
            return
        wide = radius + soft
        squared = away[:, 0] ** 2 + away[:, 1] ** 2
        factor = share * 0.75 / wide**2 * (1.0 + squared / (2.0 * wide) ** 2) ** -2.5
        by_width = factor * squared / wide
        result[:, :2] = away * factor[:, None]
        result[:, 2], result[:, 3] = by_width * radius, by_width * soft

    @cached_property
    def _from_middle(self) -> Array:
        return np.asarray(self.places_px - np.asarray(self.lamp.reflected.centre_px))

    def whitened(self, drawn: Drawn) -> Array:
        """(n,) residuals over their sd; at saturated pixels only what the model lacks."""
        residual = (self.light - self.light_of(drawn)) / (self.noise * self.scale)
        return self.over_ground(np.where(self.full, np.maximum(residual, 0.0), residual))

    def _outline_px(self) -> float:
        """Radius [px] of the bright core; burnt-out ghosts that run into it are told by the lamp seen directly."""
        direct, reflected, ratio = self.lamp.direct, self.lamp.reflected, self.lamp.size_ratio
        own = reflected.radius_px
        if direct is None or ratio is None or not (direct.saturated and reflected.saturated):
            return own
        return max(min(own, ratio * direct.radius_px), own / MOST_GROWN)

    def start(self, brightness: float = 1.0) -> Array:
        """Parameters to begin with; brightness : of a saturated lamp, over its peak."""
        spot = self.lamp.reflected
        bright = max(spot.peak, 0.02) * (brightness if self.full.any() else 1.0)
        # A lamp far brighter than full scale looks wider than it is, by its blurred edge.
        radius = max(self._outline_px() - 0.3 * np.log(max(brightness, 1.0)), 0.8)
        own = [
            *spot.centre_px,
            np.log(bright),
            np.log(radius),
            np.log(self.soft_px or 1.0),
            0.0,
            0.0,
            0.0,
            0.0,
            *self.longer,
        ]
        return np.array([*own, 1.0, 1.0, 0.0])

"""One lamp's part of the photo as the fit sees it: pixels in a strip along the ghosts' line, and the model there.

The model is the lamp's own shape, a soft-edged disc, drawn once for the main image and once for each ghost,
with a halo for glare and an even slope for the surroundings. The disc's radius, its softness and its
brightness are the lamp's own unknowns, fitted to what is not saturated; a saturated pixel only pulls when the
model is darker there.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from .ghost_geometry import GhostView, Lamp
from .lamps import Light, Mask, Spot

Array = NDArray[np.float64]

PARAMETERS = ("x", "y", "log_bright", "log_radius", "log_soft", "halo", "ground", "slope_x", "slope_y")
#: Behind the lamp's own: the ghosts' brightness, front and later ones, relative to Fresnel; and the log scale
#: of their distances.
SHARED = ("front", "later", "log_scale")
N_OWN, N_ALL = len(PARAMETERS), len(PARAMETERS) + len(SHARED)
FRONT, LATER, LOG_SCALE = N_OWN, N_OWN + 1, N_OWN + 2
#: Polarised light (a lamp behind glass, light off a wet street) changes the ghosts: sd of their factor.
FRESNEL_SD = 0.3
#: Noise of a photo's linear light: in the dark, and at full scale; common practice, no source.
DARK_NOISE, FULL_NOISE = 0.004, 0.012
#: Edges are wrong by this share of a pixel's own slope: shape, JPEG and sharpening.
EDGE_NOISE_PX = 0.12
#: The strip reaches this far beyond the farthest ghost considered, in lamp radii and in pixels.
BEYOND_RADII, BEYOND_PX = 1.6, 6.0
#: Places at which a lamp's radial profile is worked out.
DISC_NODES = 100
#: The thickest glass that is considered [mm].
MAX_THICKNESS_MM = 8.0


@dataclass(frozen=True, eq=False)
class Image:
    """One image of a lamp: its light as a share of the main one's, its shift, and how far off each pixel is [px].

    shift : (2,) from the main image; moved : (n, 2) from the image's middle to each pixel; distance : (n,)
    """

    share: float
    shift: Array
    moved: Array
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
    """The pixels of one lamp: places, light, whether a lower bound only, and the sd of each."""

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

    def scaled(self, scale: float, correlation: float) -> Patch:
        """The patch with its noise scale and the correlation of neighbouring residuals known."""
        return replace(self, scale=scale, correlation=correlation)

    def offsets(self, thickness_mm: float) -> Array:
        """(3, 2) [px] of the ghosts from the main image."""
        return self.view.ghost_offsets(self.lamp.position_mm, thickness_mm)

    def drawn(self, p: Array, offsets: Array, *, all_ghosts: bool = False) -> Drawn:
        """A lamp of brightness 1 and its ghosts, as parameters `p` (PARAMETERS and SHARED) have them.

        all_ghosts : also those whose factor is held at nothing; else they cost no time.
        """
        radius, soft = float(np.exp(p[3])), float(np.exp(p[4]))
        disc = disc_slopes(radius, soft)
        table = light_of_slope(*disc[:2])
        away = self.places_px - p[:2]
        squared = np.einsum("ij,ij->i", away, away)
        parts = np.zeros((4, len(away)))
        parts[1] = (1.0 + squared / (2.0 * (radius + soft)) ** 2) ** -1.5
        images = []
        shifts = np.vstack([np.zeros((1, 2)), offsets * np.exp(p[LOG_SCALE])])
        factors = (1.0, p[FRONT], p[LATER], p[LATER])
        for number, (part, shift) in enumerate(zip((0, 2, 3, 3), shifts, strict=True)):
            if factors[number] == 0.0 and not all_ghosts:
                continue
            ratio = 1.0 if number == 0 else self.ratios[number - 1]
            moved = away - shift
            distance = np.sqrt(np.einsum("ij,ij->i", moved, moved))
            parts[part] += ratio * np.interp(distance, disc[0], table, right=0.0)
            images.append(Image(float(ratio * factors[number]), shift, moved, distance))
        return Drawn(p, parts, disc, tuple(images))

    def light_of(self, drawn: Drawn) -> Array:
        """(n,) linear light: lamp, halo and ghosts over the surroundings."""
        p = drawn.p
        return np.asarray(np.exp(p[2]) * drawn.glow + p[6] + self._from_middle() @ p[7:9])

    def model(self, p: Array, offsets: Array) -> Array:
        """(n,) linear light for parameters `p`."""
        return self.light_of(self.drawn(p, offsets))

    def linearised(self, drawn: Drawn, free: NDArray[np.bool_]) -> tuple[Array, Array]:
        """Whitened residuals and their (n, N_ALL) derivatives by the free parameters; zero for others."""
        base = self.light_of(drawn)
        bright = float(np.exp(drawn.p[2]))
        columns = np.zeros((len(base), N_ALL))
        columns[:, 2] = bright * drawn.glow
        columns[:, 5], columns[:, FRONT], columns[:, LATER] = bright * drawn.parts[1:]
        columns[:, 6] = 1.0
        columns[:, 7:9] = self._from_middle()
        columns[:, [0, 1, 3, 4, LOG_SCALE]] = bright * self._by_shape(drawn)
        residual = (self.light - base) / (self.noise * self.scale)
        pulls = ~self.full | (residual > 0)
        residual = np.where(pulls, residual, 0.0)
        columns *= -(pulls / (self.noise * self.scale))[:, None]
        return residual, np.where(free, columns, 0.0)

    def _by_shape(self, drawn: Drawn) -> Array:
        """(n, 5) derivatives of the light of a lamp of brightness 1 by x, y, log_radius, log_soft, log_scale."""
        p = drawn.p
        nodes, by_distance, by_log_radius = drawn.disc
        result = self._halo_by_shape(p[5], drawn.images[0].moved, float(np.exp(p[3])), float(np.exp(p[4])))
        for image in drawn.images:
            slope = image.share * np.interp(image.distance, nodes, by_distance, right=0.0)
            wider = image.share * np.interp(image.distance, nodes, by_log_radius, right=0.0)
            pull = -image.moved * (slope / np.maximum(image.distance, 1e-9))[:, None]
            result[:, :2] += pull
            result[:, 2] += wider
            # The profile depends on distance / soft and radius / soft alone: its three log slopes sum to zero.
            result[:, 3] -= image.distance * slope + wider
            result[:, 4] += pull @ image.shift
        return result

    @staticmethod
    def _halo_by_shape(share: float, away: Array, radius: float, soft: float) -> Array:
        """(n, 5) the halo's part of `_by_shape`."""
        wide = radius + soft
        squared = np.einsum("ij,ij->i", away, away)
        factor = share * 0.75 / wide**2 * (1.0 + squared / (2.0 * wide) ** 2) ** -2.5
        by_width = factor * squared / wide
        nothing = np.zeros(len(away))
        return np.column_stack([away * factor[:, None], by_width * radius, by_width * soft, nothing])

    def _from_middle(self) -> Array:
        return np.asarray(self.places_px - np.asarray(self.lamp.reflected.centre_px))

    def whitened(self, drawn: Drawn) -> Array:
        """(n,) residuals over their sd; at saturated pixels only what the model lacks."""
        residual = (self.light - self.light_of(drawn)) / (self.noise * self.scale)
        return np.asarray(np.where(self.full, np.maximum(residual, 0.0), residual))

    def start(self) -> Array:
        """Parameters to begin with."""
        spot = self.lamp.reflected
        ground = float(np.percentile(self.light, 25))
        bright = max(spot.peak - ground, 0.02) * (2.0 if self.full.any() else 1.0)
        own = [*spot.centre_px, np.log(bright), np.log(max(spot.radius_px, 1.5)), 0.0, 0.0, ground, 0.0, 0.0]
        return np.array([*own, 1.0, 1.0, 0.0])


def soft_disc(radius: float, soft: float) -> tuple[Array, Array]:
    """(distances, light) of a disc of light 1 blurred by a Gaussian of sd `soft`: the radial profile.

    The complement of Marcum's Q (J. Marcum, RAND RM-753, 1950), as the integral of its slope from outside.
    """
    nodes, slope, _ = disc_slopes(radius, soft)
    return nodes, light_of_slope(nodes, slope)


def light_of_slope(nodes: Array, slope: Array) -> Array:
    """A radial profile from its slope: nothing at the last node, and the slope's integral from there."""
    steps = np.diff(nodes) * (slope[1:] + slope[:-1]) / 2
    return np.concatenate([-np.cumsum(steps[::-1])[::-1], [0.0]])


def disc_slopes(radius: float, soft: float) -> tuple[Array, Array, Array]:
    """(distances, slope of `soft_disc` by distance, slope by log radius).

    A blurred disc changes by what its edge sends: -(r / s^2) exp(-(d - r)^2 / (2 s^2)) I1(r d / s^2) by distance d,
    the same with I0, positive, by radius r; I0 and I1 scaled by exp(-r d / s^2).
    """
    from scipy.special import i0e, i1e

    near, far = max(0.0, radius - 6.0 * soft), radius + 6.0 * soft
    nodes = np.linspace(near, far, DISC_NODES)
    if near > 0:
        nodes = np.concatenate([[0.0], nodes])
    edge = radius / soft**2 * np.exp(-((nodes - radius) ** 2) / (2 * soft**2))
    reach = radius * nodes / soft**2
    return nodes, -edge * i1e(reach), radius * edge * i0e(reach)


def patch_of(
    lamp: Lamp, view: GhostView, light: Light, full: Mask, others: Sequence[Spot], photo: int = 0
) -> Patch | None:
    """The strip of pixels along a lamp's ghosts; None where it leaves the photo or too little is left.

    Pixels of other spots, and of where their ghosts would be, are left out.
    """
    ends = view.ghost_offsets(lamp.position_mm, MAX_THICKNESS_MM)[:2]
    if not np.isfinite(ends).all():
        return None
    spot = lamp.reflected
    reach = BEYOND_RADII * spot.radius_px + BEYOND_PX
    half = int(np.ceil(np.abs(ends).max() + reach))
    square = square_round(spot, half, light, full)
    if square is None:
        return None
    places = square.places_px
    chosen = _distance_to_line(places - spot.centre_px, ends) < reach
    for other in others:
        if other is not spot:
            near = _distance_to_line(places - other.centre_px, ends)
            chosen &= near > 1.3 * other.radius_px + 3.0
    if (chosen & ~square.full).sum() < 60:
        return None
    ratios = view.ghost_ratios(lamp.position_mm)
    values, bound, noise = square.light.ravel()[chosen], square.full[chosen], square.noise[chosen]
    return Patch(lamp, view, photo, places[chosen], values, bound, noise, ratios)


@dataclass(frozen=True, eq=False)
class Square:
    """All pixels of a square part: (n, 2) places [px], (h, w) light, (n,) whether full, (n,) sd of the light."""

    places_px: Array
    light: Array
    full: Mask
    noise: Array


def square_round(spot: Spot, half: int, light: Light, full: Mask) -> Square | None:
    """The pixels as far as `half` [px] from a spot's middle, each way; None where they leave the photo."""
    column, row = (round(value) for value in spot.centre_px)
    height, width = light.shape
    if not (half <= column < width - half and half <= row < height - half):
        return None
    inside = slice(row - half, row + half + 1), slice(column - half, column + half + 1)
    rows, columns = np.mgrid[inside]
    places = np.column_stack([columns.ravel(), rows.ravel()]).astype(float)
    part = light[inside].astype(float)
    return Square(places, part, full[inside].ravel(), noise_of(part).ravel())


def noise_of(part: Array) -> Array:
    """(h, w) standard deviation of a part's linear light: sensor noise, and edges that no model gets right."""
    slope = np.hypot(*np.gradient(part))
    return np.asarray(np.sqrt(DARK_NOISE**2 + FULL_NOISE**2 * np.maximum(part, 0.0) + (EDGE_NOISE_PX * slope) ** 2))


def _distance_to_line(places: Array, ends: Array) -> Array:
    """(n,) distance to the line from one end by way of the origin to the other."""
    best = np.full(len(places), np.inf)
    for end in ends:
        share = np.clip(places @ end / max(float(end @ end), 1e-12), 0.0, 1.0)
        best = np.minimum(best, np.linalg.norm(places - share[:, None] * end, axis=1))
    return best

"""What a photo can tell at all: how much of a ghost its own lamp leaves free, and what would free more.

A ghost is a weak copy of the lamp's image, moved by the glass. What sticks out is a crescent; the lamp's blurred
edge hides some of it, the more the brighter the lamp is: its light falls to VISIBLE_LIGHT at s Q^-1(VISIBLE_LIGHT
/ L) from its outline, s being the blur (sd) and Q the Gaussian's tail.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ..optics.slab import FLOAT_GLASS_INDEX
from . import thresholds as limits
from .descent import Fit
from .patch import Patch

#: The angle from the square to the glass at which ghosts lie farthest apart [degrees].
STEEPEST_DEG = 49.0
NEARER = "Come nearer with the phone, to half the distance."
STEEPER = "Look at the mirror more from the side, up to about 50° from the square to the glass."
SHORTER = "Expose shorter, so that the lamps are hardly burnt out (two stops darker)."
LONGER = "Expose longer, so that the lamps are just white: their ghosts have 4 to 6 % of their light."


@dataclass(frozen=True)
class Crescent:
    """What one lamp's reflection would show of a ghost.

    separation_px : between main image and ghost for each mm of glass, about; edge_px : how far beyond the lamp's
    outline its own light hides a ghost; bright : the lamp, full scale being 1; soft_px : sd of its edge;
    ghost_light : of its ghosts, full scale being 1; noise : sd of the light there; incidence_deg : from the square
    to the glass
    """

    separation_px: float
    edge_px: float
    bright: float
    soft_px: float
    ghost_light: float
    noise: float
    incidence_deg: float

    def free_px(self, thickness_mm: float) -> float:
        """How much of a ghost of that glass sticks out; negative where it is hidden."""
        return self.separation_px * thickness_mm - self.edge_px

    @property
    def tells(self) -> bool:
        """Whether ghosts of the thinnest glass that is sold would show."""
        bright_enough = self.ghost_light > limits.GHOST_OVER_NOISE * self.noise
        return bright_enough and self.free_px(limits.LEAST_GLASS_MM) >= limits.LEAST_CRESCENT_PX


def edge_px(soft_px: float, bright: float) -> float:
    """How far beyond its outline a lamp's own light hides a ghost [px]."""
    from scipy.special import ndtri

    soft = max(soft_px, limits.LEAST_BLUR_PX)
    return float(max(soft * -ndtri(min(limits.VISIBLE_LIGHT / max(bright, 1e-6), 0.5)), 0.0))


def crescent_of(patch: Patch, fit: Fit, incidence_deg: float) -> Crescent:
    """From a lamp's fit."""
    bright, soft = float(np.exp(fit.parameters[2])), float(np.exp(fit.parameters[4]))
    thin = limits.LEAST_GLASS_MM
    apart = np.hypot(*patch.offsets(thin)[:2].T).min() / thin
    ghost = bright * float(patch.ratios[:2].mean())
    noise = float(np.median(patch.noise)) * patch.scale
    return Crescent(float(apart), edge_px(soft, bright), bright, soft, ghost, noise, incidence_deg)


def spread(incidence_deg: float, index: float = FLOAT_GLASS_INDEX) -> float:
    """Separation of ghosts for 1 mm of glass over the distance: sin 2a / sqrt(n^2 - sin^2 a), a far lamp's."""
    angle = np.radians(incidence_deg)
    return float(np.sin(2 * angle) / np.sqrt(index**2 - np.sin(angle) ** 2))


def better_photos(crescents: Sequence[Crescent]) -> tuple[str, ...]:
    """Ways to a photo in which ghosts show, most gain first: those that gain half a pixel or more."""
    if not crescents:
        return ()
    best = max(crescents, key=lambda lamp: lamp.free_px(limits.LEAST_GLASS_MM))
    thin = limits.LEAST_GLASS_MM
    apart = best.separation_px * thin
    gains = [
        (apart, NEARER),
        (apart * (spread(STEEPEST_DEG) / max(spread(best.incidence_deg), 1e-3) - 1), STEEPER),
        (best.edge_px - edge_px(best.soft_px, min(best.bright, max(best.bright / 4, 1.0))), SHORTER),
    ]
    if best.ghost_light <= limits.GHOST_OVER_NOISE * best.noise:
        gains.append((np.inf, LONGER))
    gains.sort(key=lambda gain: -gain[0])
    return tuple(words for gain, words in gains if gain >= 0.5)

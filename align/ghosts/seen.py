"""What a lamp showed, as numbers for the answer: its ghosts, the light along their line, what other glass would
show.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ..optics.slab import COMMON_GLASS_MM, seam_width_mm
from ..quantity import Quantity
from . import thresholds as limits
from .crescent import Crescent
from .ghost_geometry import GHOST_ORDERS, MirrorView
from .likelihood import THINNEST_COMMON_MM, LampFit
from .patch import FRONT, LATER, LOG_SCALE, Patch
from .result import GhostSeen, LampSeen, OtherGlass, Profile

#: The profile is the mean of pixels this near to the ghosts' line [px].
PROFILE_HALF_PX = 1.5


def lamp_seen(lamp: LampFit, crescent: Crescent, file: str, seen: bool) -> LampSeen:
    """One lamp's numbers; its ghosts only where the verdict is that there are any."""
    fit = lamp.best if seen else lamp.without
    p, patch = fit.parameters, lamp.patch
    direct = patch.lamp.direct
    return LampSeen(
        photo=file,
        position_px=(float(p[0]), float(p[1])),
        direct_px=None if direct is None else direct.centre_px,
        incidence_deg=crescent.incidence_deg,
        ghosts=_ghosts(lamp) if seen else (),
        profile=_profile(lamp, seen),
        crescent_px=crescent.free_px(THINNEST_COMMON_MM),
        tells=crescent.tells,
    )


def _ghosts(lamp: LampFit) -> tuple[GhostSeen, ...]:
    p, patch = lamp.best.parameters, lamp.patch
    sd = np.sqrt(np.maximum(np.diag(lamp.best.covariance), 0.0))
    ghosts = []
    offsets = patch.offsets(lamp.thickness_mm) * np.exp(p[LOG_SCALE])
    for order, offset, ratio in zip(GHOST_ORDERS, offsets, patch.ratios, strict=True):
        which = FRONT if order == 0 else LATER
        value, half = float(ratio * p[which]), float(1.96 * ratio * sd[which])
        place = (float(p[0] + offset[0]), float(p[1] + offset[1]))
        ghosts.append(GhostSeen(order, place, Quantity(value, max(value - half, 0.0), value + half)))
    return tuple(ghosts)


def _profile(lamp: LampFit, seen: bool) -> Profile:
    """Light along the line through main image and ghosts, mean of the pixels near it, pixel by pixel."""
    patch, fit = lamp.patch, lamp.best if seen else lamp.without
    thickness = lamp.thickness_mm if seen else limits.LEAST_GLASS_MM
    towards: NDArray[np.float64] = patch.offsets(thickness)[1]
    away = patch.places_px - fit.parameters[:2]
    line = towards / max(float(np.hypot(*towards)), 1e-9)
    along, across = away @ line, away @ np.array([-line[1], line[0]])
    near = np.abs(across) < max(PROFILE_HALF_PX, 0.75 * patch.block)
    step = (np.round(along[near] / patch.block) * patch.block).astype(int)
    model = patch.model(fit.parameters, patch.ghosts(thickness))[near]
    places = np.unique(step)
    light = [float(patch.light[near][step == place].mean()) for place in places]
    fitted = [float(model[step == place].mean()) for place in places]
    return Profile(tuple(float(place) for place in places), tuple(light), tuple(fitted))


def other_glass(patch: Patch, view: MirrorView) -> tuple[OtherGlass, ...]:
    """Ghosts and seam on each common glass, for one lamp at its very place."""
    place = patch.lamp.position_mm
    angle = view.incidence(place)
    return tuple(
        OtherGlass(mm, view.ghost_step_mm(place, mm), float(seam_width_mm(angle, mm, view.index)))
        for mm in COMMON_GLASS_MM
    )

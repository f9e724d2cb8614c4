"""Which glass is it where no sheet is in the photo: what parallel ghost pairs alone can tell."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from ..bundle.glass import GlassSummary
from ..drawing.wording import number_text
from ..optics.camera_model import prior_from_focal
from ..optics.slab import COMMON_GLASS_MM, FLOAT_GLASS_INDEX, virtual_depth
from ..photo.camera_file import CameraFile, prior_for
from ..photo.file import PhotoFile
from ..photo.read import Photo, colour_of, read_photo
from .ghost_pairs import Pair, ghost_pairs
from .lamps import find_spots, light_of
from .result import GlassResult

#: Angles to the glass's normal at which a mirror is looked at [rad]; beyond, its reflections are hardly seen.
ANGLES = np.radians(np.arange(5.0, 76.0, 0.5))
#: The distance is told to about this share (sd), by tape; a choice.
DISTANCE_SD_SHARE = 0.05
BETTER = (
    "Lay the sheet before the mirror: with it and its reflection in the photo the thickness can be told, and a "
    "front-coated mirror too."
)


def glass_without_sheet(
    sources: Sequence[PhotoFile],
    camera: CameraFile | None,
    *,
    distance_mm: float | None,
    glass_mm: float | None,
    progress: Callable[[str], None] | None = None,
) -> GlassResult | None:
    """What ghost pairs tell; None where no lamp has one.

    Parameters
    ----------
    distance_mm : from the phone to the lamps' reflections, by way of the mirror; glass_mm : what the glass is
        thought to be; progress : called with a few words before each long step
    """
    lamps = 0
    spacings: list[tuple[float, float] | None] = []
    notes = ["No sheet and reflection in the photo: the mirror's plane is not known."]
    for source in sources:
        photo = read_photo(source)
        notes += photo.notes
        light, full = light_of(colour_of(source))
        pairs = ghost_pairs(light, full, find_spots(light), progress)
        lamps += len(pairs)
        spacings += [_spacing(pair, photo, camera) for pair in pairs]
    if not lamps:
        return None
    which = "a lamp" if lamps == 1 else f"{lamps} lamps"
    reason = f"Ghosts flank {which} on both sides, in one direction and equally far: glass before the silver."
    if None in spacings:
        reason += " The photo does not name its lens, so that no distance in millimetres can be told."
    elif distance_mm is None:
        reason += " How thick it is cannot be told without the sheet; --distance would tell how thick at least."
    else:
        known = [spacing for spacing in spacings if spacing is not None]
        apart = float(np.median([share for share, _ in known])) * distance_mm
        sd = float(np.min([sd for _, sd in known])) * distance_mm
        uncertainty = float(np.hypot(1.96 * sd, 1.96 * DISTANCE_SD_SHARE * apart))
        reason += " " + _thickness_words(apart, uncertainty, glass_mm)
    files = tuple(str(source.path) for source in sources)
    glass = GlassSummary("back-silvered", None)
    return GlassResult(files, glass, reason, BETTER, None, None, (), (), tuple(notes), sources=tuple(sources))


def _spacing(pair: Pair, photo: Photo, camera: CameraFile | None) -> tuple[float, float] | None:
    """(angle between main image and ghost [rad], its sd); None where the photo does not name its lens."""
    prior = (
        prior_for(camera, photo)
        if camera is not None
        else prior_from_focal(photo.size, photo.equivalent_mm, crop=photo.crop)
    )
    if prior.source == "guess":
        return None
    focal = float(np.exp(prior.mean[0]))
    share = pair.length_px / focal
    return share, float(np.hypot(pair.sd_px / focal, share * prior.sd[0]))


def apart_per_mm(angle: float) -> float:
    """How far apart main image and first extra trip seem, across the line of sight, per mm of glass.

    At a distance that is large beside the thickness: glass.virtual_depth, times the sine of the angle.
    """
    far = 1e6
    depths = [float(virtual_depth(far * np.cos(angle), far * np.sin(angle), k, FLOAT_GLASS_INDEX)) for k in (1, 2)]
    return (depths[1] - depths[0]) * float(np.sin(angle))


def _thickness_words(apart_mm: float, uncertainty_mm: float, glass_mm: float | None) -> str:
    """How thick the glass is at least, and at which angle each common glass, or the user's, would show this."""
    steps = np.array([apart_per_mm(angle) for angle in ANGLES])
    least = max(apart_mm - uncertainty_mm, 0.0) / steps.max()
    words = f"They lie {number_text(apart_mm, 1)} mm apart (± {number_text(uncertainty_mm, 1)} mm), "
    words += f"so that the glass is at least {number_text(least, 1)} mm thick"
    rising = slice(0, int(steps.argmax()) + 1)
    fitting = [
        f"{glass:g} mm if seen at {np.degrees(np.interp(apart_mm / glass, steps[rising], ANGLES[rising])):.0f}°"
        for glass in ([glass_mm] if glass_mm is not None else COMMON_GLASS_MM)
        if glass >= least and apart_mm / glass <= steps.max()
    ]
    if glass_mm is not None and glass_mm < least:
        return f"{words}: more than the {glass_mm:g} mm that --glass gives."
    return f"{words}: {', '.join(fitting)} to the glass's normal." if fitting else f"{words}."

"""An answer whose lengths rest on a thing of known size beside the sheet."""

from __future__ import annotations

from dataclasses import replace

from ..bundle.adjustment import Adjustment
from ..photo.read import read_photo
from ..quantity import Quantity, combined
from ..sighting.known_length import THINGS, print_scale
from .result import CheckResult
from .settings import CheckSettings


def scale_beside(adjustment: Adjustment, name: str) -> Quantity:
    """The print's scale from the named thing in the first photo, as solved with the sheet taken to be to scale.

    Raises
    ------
    TargetError
        It is not found beside the sheet.
    """
    first, solution = adjustment.photos[0], adjustment.solution
    gray = read_photo(first.file or first.photo).gray
    pose = solution.state.cam_from_sheet(0)
    return print_scale(gray, solution.camera, pose, adjustment.sheet, THINGS[name])


def with_scale(result: CheckResult, scale: Quantity, settings: CheckSettings) -> CheckResult:
    """The answer for the scale that was found, its lengths as sure as the scale lets them be, and a word of it."""
    low, high = scale.low / scale.value, scale.high / scale.value

    def widened(length: Quantity | None) -> Quantity | None:
        if length is None:
            return None
        ends = [(length.low, length.high), (length.value * low, length.value * high)]
        return combined(length.value, ends)

    mirrors = tuple(
        replace(mirror, distance_mm=widened(mirror.distance_mm), offset_mm=widened(mirror.offset_mm))
        for mirror in result.mirrors
    )
    words = (
        f"By the {THINGS[settings.beside or 'card'].words} beside it, the sheet is printed at "
        f"{100 * scale.value:.1f} % \u00b1 {50 * (scale.high - scale.low):.1f} %: lengths are given for that."
    )
    return replace(result, mirrors=mirrors, settings=settings, warnings=(*result.warnings, words))

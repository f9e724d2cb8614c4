"""A calibration as words: what `align camera` prints, in at most COLUMNS columns."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from ..drawing.layout import filled, wrapped_lines
from ..drawing.wording import decimals_of, number_text
from ..quantity import Quantity
from .result import Calibration, CameraTerm, FrameCoverage, ModelWeight, NextPhoto
from .thresholds import CLOSE_CALL_BIC, POOR_FIT_RATIO, UNKNOWN_SHARE

_LABEL_COLUMNS = 10
RADIAL_WORDS = ("no radial term", "one radial term", "two radial terms", "three radial terms")
TERM_WORDS = {"focal_px": "focal length", "centre_x_px": "centre x", "centre_y_px": "centre y"}
TILT_WORDS = {
    "flat on": "seen flat on",
    "upper edge away": "its upper edge tilted away from you by 40 degrees",
    "lower edge away": "its lower edge tilted away from you by 40 degrees",
    "left edge away": "its left edge tilted away from you by 40 degrees",
    "right edge away": "its right edge tilted away from you by 40 degrees",
}
FILL_WORDS = {0.33: "a third", 0.5: "half", 0.75: "three quarters"}


def calibration_text(result: Calibration, file: Path | None = None) -> str:
    """The calibration in plain words: the camera, how well it is known, and what would improve it."""
    parts = [filled(_headline(result, file)), "\n".join(_term_lines(result))]
    parts.append("\n".join(_fit_lines(result)))
    if result.warnings:
        parts.append("\n".join(filled(f"Note: {warning}") for warning in result.warnings))
    parts.append(filled(_next_sentence(result.next_photo)))
    return "\n\n".join(parts)


def _headline(result: Calibration, file: Path | None) -> str:
    focal = result.terms[0].quantity
    known = 100 * focal.half_width / focal.value
    place = f" Written to {file}." if file is not None else ""
    count = len(result.used)
    return (
        f"The camera is measured from {count} photo{'s' if count != 1 else ''} of {result.size[0]} x "
        f"{result.size[1]} px: its focal length to within {known:.2g} %, directions to within "
        f"{directions_words(result)} (95 %).{place}"
    )


def directions_words(result: Calibration) -> str:
    """How well directions are known, where the sheet was seen and at the frame's worst place."""
    seen, worst = result.direction_uncertainty_px, result.worst_direction_uncertainty_px
    if worst > UNKNOWN_SHARE * max(result.size):
        return f"{_uncertainty_words(seen)} px where the sheet was seen, not at all far from there"
    return (
        f"{_uncertainty_words(seen)} px where the sheet was seen, {_uncertainty_words(worst)} px at the worst place"
    )


def _uncertainty_words(pixels: float) -> str:
    return f"{pixels:.2g}" if pixels < 10 else f"{pixels:.0f}"


def _term_lines(result: Calibration) -> list[str]:
    lines = []
    for term in result.terms:
        if term.used:
            lines.append(f"  {TERM_WORDS.get(term.name, term.name):<14}{term_words(term)}")
    unused = [term.name for term in result.terms if not term.used]
    if unused:
        lines.append(f"  {', '.join(unused)}: not needed, near zero as in ordinary lenses")
    return lines


def term_words(term: CameraTerm) -> str:
    """A parameter with its uncertainty and unit, no finer than the uncertainty allows."""
    unit = " px" if term.name.endswith("_px") else ""
    half = term.quantity.half_width
    decimals = max(decimals_of(half, 6), 0)
    return f"{number_text(term.quantity.value, decimals)} ± {number_text(half, decimals)}{unit}"


def _fit_lines(result: Calibration) -> list[str]:
    lines = _row("Fit", f"{result.rms_px:.2f} px rms over {len(result.corners_px)} corners")
    poor = poor_photos(result)
    if poor:
        lines += _row("", f"the worst: {', '.join(poor)}")
    lines += _row("Lens", f"{model_words(result.models[0].terms)}: {reason_words(result.models)}")
    lines += _row("Frame", coverage_words(result.coverage))
    return lines


def poor_photos(result: Calibration) -> list[str]:
    """Names and fits of photos that fit clearly worse than the typical one."""
    ranked = sorted(result.used, key=lambda photo: -photo.rms_px)
    typical = ranked[len(ranked) // 2].rms_px
    return [
        f"{Path(photo.file).name} ({photo.rms_px:.2f} px)"
        for photo in ranked
        if photo.rms_px > POOR_FIT_RATIO * typical
    ]


def model_words(terms: Sequence[str]) -> str:
    """A distortion model in words."""
    radial = RADIAL_WORDS[sum(term.startswith("k") for term in terms)]
    if "p1" in terms:
        return f"{radial} and the tangential pair"
    return "no distortion" if not terms else f"{radial} of distortion"


def reason_words(models: Sequence[ModelWeight]) -> str:
    """Why the first of the models was chosen: what less would cost, and what more would gain."""
    chosen, rivals = models[0], models[1:]
    fewer = [one for one in rivals if set(one.terms) < set(chosen.terms)]
    more = [one for one in rivals if set(one.terms) > set(chosen.terms)]
    reasons = []
    if fewer:
        best = min(fewer, key=lambda one: one.bic_above_chosen)
        close = best.bic_above_chosen < CLOSE_CALL_BIC
        verdict = "nearly as well, a close call" if close else "worse than chance allows"
        reasons.append(
            f"with {model_words(best.terms)} the corners fit {verdict} "
            f"(BIC higher by {best.bic_above_chosen:.{1 if close else 0}f})"
        )
    if more:
        best = min(more, key=lambda one: one.bic_above_chosen)
        extra = [term for term in best.terms if term not in chosen.terms]
        reasons.append(f"adding {' and '.join(extra)} gains too little (BIC higher by {best.bic_above_chosen:.1f})")
    return "; ".join(reasons)


def coverage_words(coverage: FrameCoverage) -> str:
    """How much of the frame holds corners, and which parts do not."""
    covered = f"{100 * coverage.covered_share:.0f} % of it holds corners"
    if not coverage.gaps:
        return f"{covered}; no part is missed"
    return f"{covered}; few or none in the {listed([place_words(*gap) for gap in coverage.gaps])}"


def place_words(row: str, column: str) -> str:
    """One of the frame's nine parts: "upper left", "middle right", "middle"."""
    return row if row == column == "middle" else f"{row} {column}"


def listed(words: Sequence[str]) -> str:
    """a, b and c."""
    return " and ".join([", ".join(words[:-1]), words[-1]] if len(words) > 1 else words)


def next_photo_words(photo: NextPhoto) -> str:
    """What to do for the photo that would teach most."""
    return (
        f"the sheet in the {place_words(photo.row, photo.column)} of the frame, {TILT_WORDS[photo.tilt]}, "
        f"as near as if to fill {FILL_WORDS[photo.fill]} of the frame"
    )


def _next_sentence(photo: NextPhoto) -> str:
    return (
        f"To improve it most, add a photo with {next_photo_words(photo)}: directions would then be known to "
        f"{100 * photo.after_px / photo.before_px:.0f} % of today's uncertainty."
    )


def interval_words(quantity: Quantity, unit: str, decimals: int) -> str:
    """A value with half its interval, for the picture."""
    value, half = number_text(quantity.value, decimals), number_text(quantity.half_width, decimals)
    return f"{value} ± {half} {unit}".strip()


def _row(label: str, words: str) -> list[str]:
    first = f"  {label:<{_LABEL_COLUMNS}}"
    return wrapped_lines(words, first, " " * len(first))

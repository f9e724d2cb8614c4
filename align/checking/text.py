"""A result as words: the short answer that `align check` prints, in at most COLUMNS columns."""

from __future__ import annotations

from ..drawing.layout import filled, wrapped_lines
from ..drawing.wording import KEEP, length_words, with_uncertainty
from ..target.sheets import SHEETS
from .result import CheckResult, MirrorResult, PhotoSummary, Shim, ShimSet
from .settings import RULE_MM
from .thresholds import WRONG_WAY_DEG
from .wording import (
    CORNER_WORDS,
    PLACE_WORDS,
    VERDICT_WORDS,
    bend_words,
    climb_words,
    flatness_words,
    glass_words,
    inter_reflection_words,
    lean_words,
    map_words,
    quality_words,
    remaining_words,
    shim_is_needed,
    shim_size_words,
    stack_words,
    turn_words,
    verdict_sentence,
)

_LABEL_COLUMNS = 8
_BLANK = " " * (2 + _LABEL_COLUMNS)


def check_text(result: CheckResult, *, kept: bool = False) -> str:
    """The answer in plain words: verdict first, then each mirror, how sure, and what to do next.

    kept : the answer is in a record already
    """
    parts = [filled(verdict_sentence(result), "  ")]
    for mirror in result.mirrors:
        parts.append("\n".join(_mirror_lines(mirror, result)))
    if result.angles:
        parts.append("\n".join(_angle_lines(result)))
    parts.append("\n".join(_sure_lines(result)))
    if result.warnings:
        parts.append("\n".join(filled(f"Note: {warning}", "  ") for warning in result.warnings))
    parts.append(_next_text(result, kept))
    return "\n\n".join(parts)


def _mirror_lines(mirror: MirrorResult, result: CheckResult) -> list[str]:
    lines = []
    if len(result.mirrors) > 1:
        lines.append(f"Mirror {mirror.number}, counted from the left: {VERDICT_WORDS[mirror.verdict]}")
    lines += _row("Lean", lean_words(mirror))
    lines += _row("Turn", turn_words(mirror, mirror.want_turn_deg))
    units = result.settings.units
    if mirror.verdict != "square":
        lines += _shim_lines(mirror.shims, units)
        lines += _row("View", f"{climb_words(mirror, units)} and {bend_words(mirror, units)}")
    if mirror.distance_mm is not None:
        gap = length_words(mirror.distance_mm, units, 1)
        lines += _row("Gap", f"{gap} from the sheet's contact edge to the glass")
    elif mirror.offset_mm is not None:
        gap = length_words(mirror.offset_mm, units, 1)
        lines += _row("Gap", f"{gap} from the middle of the contact edge to the glass, which runs along the sheet")
    lines += _row("Glass", glass_words(mirror.glass, units))
    if mirror.flatness is not None:
        shown = mirror.flatness.map
        words = (
            flatness_words(mirror.flatness, units) if shown is None else map_words(shown, len(result.photos), units)
        )
        lines += _row("Flat", words)
    return lines


def _shim_lines(shims: ShimSet, units: str) -> list[str]:
    needed = [shim for shim in shims.shims if shim_is_needed(shim)]
    if not needed and not shims.turn_by:
        return _row("Shims", "none: less than the thinnest sheet is needed")
    if shims.mount == "wall" and needed:
        rows = _row("Shims", "behind the mirror's corners, as you face it:")
        for shim in shims.shims:
            rows += _row("", f"{CORNER_WORDS.get(shim.place, shim.place):<12}  {_packing(shim, units)}")
    else:
        lines = [f"{PLACE_WORDS.get(shim.place, shim.place)}: {_packing(shim, units)}" for shim in needed]
        rows = [row for n, line in enumerate(lines) for row in _row("Shims" if n == 0 else "", line)]
    if needed and shims.remaining is not None:
        rows += _row("", f"once packed, {remaining_words(shims.remaining)} remain")
    if shims.turn_by:
        rows += _row("Meant?" if shims.asks_turn else "" if rows else "Shims", shims.turn_by)
    return rows


def _packing(shim: Shim, units: str) -> str:
    """ "1.05 mm ± 0.01 mm (1.0 + 0.1)": the thickness, and the sheets to stack."""
    if not shim_is_needed(shim):
        return "nothing"
    size = shim_size_words(shim, uncertainty=True, units=units)
    return f"{size} ({stack_words(shim, units)})" if shim.stack_mm else size


def _angle_lines(result: CheckResult) -> list[str]:
    return [
        f"Angle between mirrors {angle.first} and {angle.second}: {with_uncertainty(angle.angle_deg, '°', 3)}"
        for angle in result.angles
    ]


def _sure_lines(result: CheckResult) -> list[str]:
    lines = _row("Sure", "95 times in 100 the truth lies within each ±")
    for photo in result.photos:
        lines += _row("", _photo_words(photo, len(result.photos) > 1))
        names = [inter_reflection_words(inter_reflection) for inter_reflection in photo.inter_reflections]
        for words in dict.fromkeys(names):
            times = f"{names.count(words)} times " if names.count(words) > 1 else ""
            lines += _row("", f"also seen: {times}{words}")
    photos = "photo" if len(result.photos) == 1 else "photos"
    camera = "from the camera file" if result.camera.source == "file" else f"solved from the {photos}"
    lines += _row("", f"sheet {result.sheet}{_scale_words(result)}; camera {camera}")
    if result.quality is not None:
        label = "Photo" if len(result.photos) == 1 else "Photos"
        lines += _row(label, quality_words(result.quality, result.tolerance_deg))
    return lines


def _scale_words(result: CheckResult) -> str:
    """What lengths rest on: the measured rule, or a print to scale; of one's own board the square was measured."""
    if result.rule_mm is not None and (thing := result.settings.beside_words):
        return f", printed at {result.rule_mm / RULE_MM * 100:.1f}{KEEP}% by the {thing} beside it"
    if result.rule_mm is not None:
        return f" with a rule of {result.rule_mm:g} mm"
    return f", taken to be printed at 100{KEEP}%" if result.sheet in SHEETS else ""


def _photo_words(photo: PhotoSummary, named: bool) -> str:
    name = f"{photo.file.replace(chr(92), '/').rsplit('/', 1)[-1]}: " if named else ""
    return (
        f"{name}{photo.direct_corners} corners of the sheet and {photo.reflected_corners} of its reflection, "
        f"off by {max(photo.rms_px, 0.01):.2f} px"
    )


def _next_text(result: CheckResult, kept: bool) -> str:
    """What to do next: one line of advice at least."""
    if result.verdict == "square":
        keep = "" if kept else " Keep this answer with your record (--into FOLDER)."
        steps = [f"Next: nothing to correct.{keep}"]
    elif result.verdict == "out of square":
        steps = ["Next: put the shims in, then photograph and check again."]
        if any(abs(mirror.turn_off_deg) > WRONG_WAY_DEG for mirror in result.mirrors):
            steps = ["Next: see that the sheet's arrow points to the mirror, then photograph and check again."]
        elif any(mirror.shims.asks_turn for mirror in result.mirrors):
            steps = [
                "Next: if the turn is meant, check the same photo again with the turn that is wanted; if not, see "
                "that the sheet's arrow points to the mirror, then photograph again."
            ]
        elif any(mirror.shims.mount == "per 100 mm" for mirror in result.mirrors):
            size = "(in inches: 12x6in)" if result.settings.units == "in" else "(in mm)"
            steps.append(f"With --mirror WIDTHxHEIGHT {size} the shims come out for your mirror's corners.")
    else:
        steps = ["Next: take another photo and check again."]
        if not result.advice:
            steps.append(
                "Take two or three sharp photos from 30 to 45 degrees above the floor, at different heights, "
                "without moving sheet or zoom, and check them together."
            )
    return "\n".join(filled(step, "  ") for step in (*steps, *advice_left(result)))


def advice_left(result: CheckResult) -> list[str]:
    """The advice but for what the quality line has said."""
    quality = result.quality
    if quality is None or not quality.cause:
        return list(result.advice)
    said = quality.remedy.partition(":")[0].rstrip(".")
    return [words for words in result.advice if not words.startswith(said)]


def _row(label: str, words: str) -> list[str]:
    """A labelled line, wrapped under itself."""
    return wrapped_lines(words, f"  {label:<{_LABEL_COLUMNS}}", _BLANK)

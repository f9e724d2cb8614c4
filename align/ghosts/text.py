"""The answer of `align glass` in plain words."""

from __future__ import annotations

from ..drawing.layout import filled, wrapped_lines
from ..drawing.wording import number_text, with_uncertainty
from .result import GlassResult, LampSeen

#: Ghosts with less than this share of the main image's light are not told.
LEAST_TOLD = 0.0005
ORDER_WORDS = {0: "front face", 2: "first extra trip", 3: "second extra trip"}


def glass_text(result: GlassResult) -> str:
    """Verdict first, then why, each lamp, what other glass would show, and the better photo; mirror by mirror."""
    if not result.other_mirrors:
        return _mirror_text(result)
    answers = (result, *result.other_mirrors)
    return "\n\n".join(f"MIRROR {number} from the left\n\n{_mirror_text(a)}" for number, a in enumerate(answers, 1))


def _mirror_text(result: GlassResult) -> str:
    parts = [_filled(_verdict(result)), _filled(result.reason)]
    parts += ["\n".join(_lamp_lines(number, lamp)) for number, lamp in enumerate(result.lamps, 1)]
    if result.other_glass:
        parts.append("\n".join(_other_lines(result)))
    for cause in result.blur or ():
        parts.append(_filled(f"Blur ({cause.name}): {cause.seen} {cause.cure}"))
    parts += [_filled(f"Note: {warning}") for warning in result.warnings]
    if result.better_photo:
        parts.append(_filled(f"Better photo: {result.better_photo}"))
    return "\n\n".join(parts)


def _verdict(result: GlassResult) -> str:
    glass = result.glass
    if glass.verdict == "undetermined":
        return "CANNOT TELL YET which glass this is."
    if glass.verdict == "front-coated":
        return "FRONT-COATED: no glass before the silver."
    if glass.thickness_mm is None:
        return "BACK-SILVERED: glass before the silver; its thickness cannot be told from this photo."
    return (
        f"BACK-SILVERED, {with_uncertainty(glass.thickness_mm, 'mm', 2)} thick "
        f"(the nearest common glass: {result.nearest_common_mm:g} mm)."
    )


def _lamp_lines(number: int, lamp: LampSeen) -> list[str]:
    x, y = lamp.position_px
    seen = "seen directly too" if lamp.direct_px is not None else "not seen directly"
    lines = [f"  Lamp {number}  reflected at ({x:.0f}, {y:.0f}), {seen}"]
    lines.append(f"          {lamp.incidence_deg:.0f}° from the square to the glass")
    if not lamp.ghosts and lamp.crescent_px is not None:
        lines.append(f"          {_crescent_words(lamp)}")
    for ghost in lamp.ghosts:
        away = ((ghost.position_px[0] - x) ** 2 + (ghost.position_px[1] - y) ** 2) ** 0.5
        if ghost.ratio.value < LEAST_TOLD:
            continue
        share = number_text(100 * ghost.ratio.value, 1)
        lines.append(f"          ghost of the {ORDER_WORDS[ghost.order]}: {away:.1f} px away, {share} %")
    return [piece for line in lines for piece in wrapped_lines(line, "", " " * 10)]


def _crescent_words(lamp: LampSeen) -> str:
    """How far a ghost would stick out of its lamp's glow."""
    free = lamp.crescent_px or 0.0
    if free <= 0:
        return "a ghost of 2 mm glass would be hidden by the lamp's own glow"
    little = "" if lamp.tells else ": too little to tell"
    return f"{number_text(free, 1)} px of a ghost of 2 mm glass would stick out{little}"


def _other_lines(result: GlassResult) -> list[str]:
    lines = ["At this very place (first lamp), ghosts lie beside the lamp by, and the seam is:"]
    for other in result.other_glass:
        apart, seam = number_text(other.ghosts_apart_mm, 1), number_text(other.seam_mm, 1)
        lines.append(f"  {other.thickness_mm:g} mm glass: {apart} mm; seam {seam} mm")
    return [*lines, "  front-coated: none; no seam"]


def _filled(words: str) -> str:
    return filled(words, "  ")

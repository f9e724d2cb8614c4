"""The tables of a record's page, and its answers in a few words: read from results, nothing computed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from ..checking.result import MirrorResult, Shim
from ..checking.wording import (
    PLACE_WORDS,
    VERDICT_WORDS,
    bend_words,
    climb_words,
    flatness_words,
    glass_words,
    lean_words,
    map_words,
    shim_is_needed,
    shim_size_words,
    stack_words,
    turn_error,
    turn_words,
)
from ..drawing.thresholds import ANGLE_DECIMALS, LENGTH_DECIMALS
from ..drawing.wording import kept_together, number_text, size_with_uncertainty, with_uncertainty
from ..quantity import Quantity
from .entry import in_words
from .glass_drawing import IMAGE_WORDS, percent_words
from .mirror_part import CheckEntry, GlassEntry, MirrorPart, Optics, Standing
from .safety import DENSITY_SOURCE

#: A table shows the packing of this many checks at most: more do not fit a phone.
MOST_ASKED = 3


@dataclass(frozen=True)
class Grid:
    """A table: caption, column headings, rows whose first cell heads the row."""

    caption: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


def entry_answer(item: CheckEntry | GlassEntry) -> str:
    """The answer of an entry in a few words."""
    if isinstance(item, GlassEntry):
        return f"glass: {glass_words(item.answer.glass)}"
    return VERDICT_WORDS[item.result.verdict]


def before_and_now(part: MirrorPart) -> list[CheckEntry]:
    return [item for item in (part.before, part.now) if item is not None]


def answer_grid(part: MirrorPart) -> Grid | None:
    """Lean, turn, gap, glass and verdict: as it was first, and as it is now."""
    shown = before_and_now(part)
    if not shown:
        return None
    names = ("First", "Latest") if len(shown) == 2 else ("Check",)
    columns = (
        "What",
        *(f"{n} (entry {i.number}), {i.day_in_words}" for n, i in zip(names, shown, strict=True)),
    )
    rows = [
        (kept_together(name), *(kept_together(word) for word in words))
        for name, words in _answer_rows([item.result.mirrors[0] for item in shown])
    ]
    if part.glass is not None:
        rows.append(("Glass", *[""] * (len(shown) - 1), _glass_now(part)))
    return Grid("How the mirror stands", columns, tuple(rows))


def _glass_now(part: MirrorPart) -> str:
    """The glass as far as it is known, by measuring or by the builder's word."""
    assert part.glass is not None
    bought = part.stated.glass_mm
    words = glass_words(part.glass)
    if bought and part.glass.thickness_mm is None and part.glass.verdict != "front-coated":
        words += f"; {bought:g} mm thick, as bought"
    return kept_together(words)


def _answer_rows(mirrors: Sequence[MirrorResult]) -> list[tuple[str, list[str]]]:
    return [
        ("Verdict", [VERDICT_WORDS[m.verdict] for m in mirrors]),
        ("Lean", [lean_words(m) for m in mirrors]),
        ("Turn", [turn_words(m, m.want_turn_deg) for m in mirrors]),
        ("View", [_view_words(m) for m in mirrors]),
        ("Packing", [_packing_in_short(m) for m in mirrors]),
        ("Gap from sheet to glass", [_gap_words(m) for m in mirrors]),
        *([("Flat", [_flat_words(m) for m in mirrors])] if any(m.flatness for m in mirrors) else []),
    ]


def _flat_words(mirror: MirrorResult) -> str:
    """Whether the mirror is flat, where that was measured."""
    if mirror.flatness is None:
        return "not measured"
    if mirror.flatness.map is not None:
        return map_words(mirror.flatness.map, 2)
    return flatness_words(mirror.flatness)


def wanted_words(want_turn_deg: float) -> str:
    """The turn that was wanted."""
    return f"{number_text(want_turn_deg, ANGLE_DECIMALS).rstrip('0').rstrip('.')}°" if want_turn_deg else "square"


def _gap_words(mirror: MirrorResult) -> str:
    if mirror.distance_mm is None:
        return "the mirror runs along the sheet"
    return with_uncertainty(mirror.distance_mm, "mm", 1)


def _view_words(mirror: MirrorResult) -> str:
    """What the errors do to the view; within the tolerance that is not worth a number."""
    if mirror.verdict == "square":
        return "the reflected street runs on as it should"
    return f"{climb_words(mirror)} and {bend_words(mirror)}"


def _packing_in_short(mirror: MirrorResult) -> str:
    needed = [shim for shim in mirror.shims.shims if shim_is_needed(shim)]
    if mirror.verdict == "square" or not needed:
        return "none needed" + (f"; {mirror.shims.turn_by}" if mirror.shims.turn_by else "")
    words = [f"{PLACE_WORDS.get(shim.place, shim.place)} {shim_size_words(shim)}" for shim in needed]
    return ", ".join([*words, *([mirror.shims.turn_by] if mirror.shims.turn_by else [])])


def packing_grid(standing: Standing) -> Grid | None:
    """The packing that checks asked for, the latest last; None when none ever did."""
    if not standing.asked or not standing.asked[-1].shims.shims:
        return None
    places = [shim.place for shim in standing.asked[-1].shims.shims]
    alike = [asked for asked in standing.asked if [s.place for s in asked.shims.shims] == places]
    shown = alike[-MOST_ASKED:]
    rows = tuple(
        (PLACE_WORDS.get(place, place), *(_shim_cell(asked.shims.shims[k]) for asked in shown))
        for k, place in enumerate(places)
    )
    caption = "Packing that each check asked for, on top of what was in place then; sheets in mm"
    return Grid(caption, ("Place", *(f"Entry {asked.number}, {asked.day}" for asked in shown)), rows)


def _shim_cell(shim: Shim) -> str:
    """Thickness, and the sheets to stack; breaks before the ± and within the stack only."""
    if not shim_is_needed(shim):
        return "none"
    per = next((words for words in ("height", "width") if shim.place.endswith(words)), "")
    size = _narrow(shim.thickness_mm, "mm", LENGTH_DECIMALS) + (
        f" per 100\N{NO-BREAK SPACE}mm of {per}" if per else ""
    )
    return f"{size} ({stack_words(shim)})"


def entries_grid(part: MirrorPart) -> Grid:
    """Every entry of one mirror with its numbers."""
    rows: list[tuple[str, ...]] = []
    wanted = {item.result.mirrors[0].want_turn_deg for item in part.checks}
    alike = len(wanted) == 1
    heading = f"Turn, wanted {wanted_words(*wanted)}" if alike and wanted != {0.0} else "Turn"
    for item in part.entries:
        if isinstance(item, GlassEntry):
            rows.append((str(item.number), when_words(item), "", "", kept_together(entry_answer(item))))
            continue
        mirror = item.result.mirrors[0]
        lean, turn = (_narrow(q, "°", ANGLE_DECIMALS) for q in (mirror.lean_deg, mirror.turn_deg))
        if not alike:
            turn += f", wanted {wanted_words(mirror.want_turn_deg)}"
        rows.append((str(item.number), when_words(item), lean, turn, VERDICT_WORDS[mirror.verdict]))
    return Grid("All entries, oldest first", ("No.", "When", "Lean", heading, "Answer"), tuple(rows))


def when_words(item: CheckEntry | GlassEntry) -> str:
    """When the photo was taken, with the day of the check where that was another; or the check alone."""
    checked, at = item.entry.checked, item.at
    if item.moment.source == "photo":
        other = "" if checked.date() == at.date() else f" (checked {checked.date().isoformat()})"
        return f"{item.day}, {at:%H:%M}{other}"
    if item.moment.source == "check":
        return f"checked {item.day}, {at:%H:%M}"
    return f"not known (checked {checked.date().isoformat()} by a wrong clock)"


def summary_grid(parts: Sequence[MirrorPart]) -> Grid:
    """All mirrors as they stand now, a row each."""
    rows = []
    for part in parts:
        if part.now is None:
            rows.append((part.called, "not checked yet", "", "", "", ""))
            continue
        mirror = part.now.result.mirrors[0]
        turn = turn_error(mirror, mirror.turn_deg.value - mirror.turn_off_deg)
        rows.append(
            (
                part.called,
                VERDICT_WORDS[mirror.verdict],
                _narrow(mirror.lean_deg, "°", ANGLE_DECIMALS),
                _narrow(turn, "°", ANGLE_DECIMALS),
                part.now.day,
                drift_short(part),
            )
        )
    columns = ("Mirror", "Answer", "Lean", "Turn, less what is wanted", "Latest photo", "Moved")
    return Grid("All mirrors as they stand now", columns, tuple(rows))


def drift_short(part: MirrorPart) -> str:
    """Whether the mirror moved, in a few words."""
    if part.drift is None:
        return "nothing to compare with"
    since = f"since {part.drift.since.date().isoformat()}"
    moved = [
        f"{change.name} by {kept_together(size_with_uncertainty(change.change_deg, '°', ANGLE_DECIMALS))}"
        for change in part.drift.changes
        if change.verdict == "moved"
    ]
    if moved:
        return f"{' and '.join(moved)} {since}"
    return f"{'no' if part.drift.verdict == 'not moved' else 'cannot tell'}, {since}"


#: How a change of each angle is said, for the larger and the smaller number, and what else it may be.
_CHANGE_WORDS = {
    "lean": ("Its top came towards you", "Its top went away from you"),
    "turn": ("Its left edge came towards you", "Its right edge came towards you"),
}


def drift_words(part: MirrorPart) -> list[str]:
    """How the mirror changed since it was last set, a sentence for each angle and one on the test."""
    drift = part.drift
    if drift is None:
        return []
    since = f"since {in_words(drift.since)} (entry {drift.number})"
    told = []
    for change in drift.changes:
        size = with_uncertainty(change.change_deg, "°", ANGLE_DECIMALS)
        if change.verdict == "moved":
            positive, negative = _CHANGE_WORDS[change.name]
            moved = positive if change.change_deg.value > 0 else negative
            size = size_with_uncertainty(change.change_deg, "°", ANGLE_DECIMALS)
            told.append(f"{change.name.capitalize()}: moved, {size} {since}. {moved}.")
        elif change.verdict == "not moved":
            told.append(f"{change.name.capitalize()}: no movement to be seen, {size} {since}.")
        else:
            told.append(
                f"{change.name.capitalize()}: cannot tell, {size} {since}. A movement as large as the tolerance "
                "could hide in that interval."
            )
    if any(change.name == "turn" and change.verdict == "moved" for change in drift.changes):
        told[-1] += " Or the sheet was laid otherwise: turn is measured against it."
    return [kept_together(words) for words in told]


def _narrow(quantity: Quantity, unit: str, decimals: int) -> str:
    """A quantity with its uncertainty that breaks before the ± only."""
    words = kept_together(with_uncertainty(quantity, unit, decimals))
    return words.replace("\N{NO-BREAK SPACE}±", " ±")


def seam_grid(optics: Optics) -> Grid:
    """The seam seen from several directions."""
    rows = tuple(
        (f"{view:g}° off square" if view else "square on", f"{number_text(width, 1)} mm")
        for view, width in optics.seam_mm
    )
    return Grid("Seam between an object that touches the glass and its reflection", ("Seen", "Width"), rows)


def images_grid(optics: Optics) -> Grid:
    """The images of a lamp: where, and how bright."""
    rows = tuple(
        (
            IMAGE_WORDS[order],
            f"{number_text(depth, 1)} mm deeper than that"
            if depth
            else "where a front-coated mirror has its image",
            percent_words(ratio),
        )
        for order, depth, ratio in optics.images
    )
    return Grid("Images of a lamp, worked out for this glass", ("Image", "Where", "Brightness"), rows)


def measured_ghosts_grid(part: MirrorPart) -> Grid | None:
    """The brightness of ghosts as the latest glass photo showed them."""
    if not part.glasses:
        return None
    rows = []
    for number, ghosts in enumerate(part.glasses[-1].answer.lamps, 1):
        for ghost in ghosts:
            if ghost.ratio is not None:
                rows.append((f"lamp {number}", _order_words(ghost.order), percent_words(ghost.ratio)))
    caption = f"Ghosts measured on {part.glasses[-1].day_in_words}"
    return Grid(caption, ("Lamp", "Ghost", "Brightness"), tuple(rows)) if rows else None


def _order_words(order: int) -> str:
    return IMAGE_WORDS.get(order, f"ghost of order {order}")


def used_grid(part: MirrorPart) -> Grid | None:
    """Camera and target of the latest check."""
    if part.now is None:
        return None
    result, photos = part.now.result, part.now.entry.photos
    camera = "camera file" if result.camera.source == "file" else "solved from the photos themselves"
    rows = [
        ("Printed", f"sheet {result.sheet}"),
        ("Camera", kept_together(f"{camera}; focal length {with_uncertainty(result.camera.focal_px, 'px', 0)}")),
        ("Tolerance", f"{result.tolerance_deg:g}° for lean and turn"),
    ]
    for photo, kept in zip(result.photos, photos, strict=False):
        taken = f", taken {kept.taken[:16]}" if kept.taken else ""
        words = (
            f"{photo.size[0]} × {photo.size[1]} px{taken}; {photo.direct_corners} corners of the sheet and "
            f"{photo.reflected_corners} of its reflection, off by {max(photo.rms_px, 0.01):.2f} px"
        )
        rows.append((f"Photo {kept.name}", kept_together(words)))
    return Grid("Used for the latest check", ("What", "Which"), tuple(rows))


def weight_words(part: MirrorPart) -> str:
    """The bare mirror's weight and where it is from; "" when its size is not known."""
    weight = part.weight
    if weight is None:
        return ""
    assumed = ", a thickness assumed for want of a known one" if weight.glass_assumed else ""
    return kept_together(
        f"The bare mirror weighs about {number_text(weight.kilograms, 2 if weight.kilograms < 1 else 1)} kg: "
        f"{number_text(weight.width_mm, 0)} × {number_text(weight.height_mm, 0)} × "
        f"{number_text(weight.glass_mm, 1)} mm{assumed} ({DENSITY_SOURCE})."
    )

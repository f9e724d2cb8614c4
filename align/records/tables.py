"""The tables of a record's page, and its answers in a few words: read from results, nothing computed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from ..checking.result import CheckResult, MirrorResult, Shim
from ..checking.wording import (
    PLACE_WORDS,
    VERDICT_WORDS,
    bend_words,
    climb_words,
    glass_words,
    lean_words,
    shim_is_needed,
    shim_size_words,
    stack_words,
    turn_words,
)
from ..drawing.wording import ANGLE_DECIMALS, LENGTH_DECIMALS, kept_together, number_text, with_uncertainty
from ..quantity import Quantity
from .contents import CheckEntry, GlassEntry, Optics, Record, Standing, stated_of
from .glass_drawing import IMAGE_WORDS
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


def before_and_now(record: Record) -> list[CheckEntry]:
    return [item for item in (record.before, record.now) if item is not None]


def answer_grid(record: Record) -> Grid | None:
    """Lean, turn, gap, glass and verdict: as it was first, and as it is now."""
    shown = before_and_now(record)
    if not shown:
        return None
    names = ("First", "Latest") if len(shown) == 2 else ("Check",)
    columns = (
        "What",
        *(f"{n} (entry {i.number}), {i.entry.day_in_words}" for n, i in zip(names, shown, strict=True)),
    )
    rows: list[tuple[str, ...]] = []
    for number in range(1, max(len(item.result.mirrors) for item in shown) + 1):
        mirrors = [_mirror(item.result, number) for item in shown]
        prefix = f"Mirror {number}: " if len(shown[-1].result.mirrors) > 1 else ""
        for name, words in _answer_rows(shown, mirrors):
            rows.append((kept_together(f"{prefix}{name}"), *(kept_together(word) for word in words)))
    if record.glass is not None and len(shown[-1].result.mirrors) == 1:
        rows.append(("Glass", *[""] * (len(shown) - 1), _glass_now(record)))
    return Grid("How the mirror stands", columns, tuple(rows))


def _glass_now(record: Record) -> str:
    """The glass as far as it is known, by measuring or by the builder's word."""
    assert record.glass is not None
    bought = stated_of(record.installation).glass_mm
    words = glass_words(record.glass)
    if bought and record.glass.thickness_mm is None and record.glass.verdict != "front-coated":
        words += f"; {bought:g} mm thick, as bought"
    return kept_together(words)


def _answer_rows(
    shown: Sequence[CheckEntry], mirrors: Sequence[MirrorResult | None]
) -> list[tuple[str, list[str]]]:
    pairs = list(zip(shown, mirrors, strict=True))
    return [
        ("Verdict", [VERDICT_WORDS[m.verdict] if m else "not seen" for _, m in pairs]),
        ("Lean", [lean_words(m) if m else "" for _, m in pairs]),
        ("Turn", [turn_words(m, m.want_turn_deg) if m else "" for _, m in pairs]),
        ("View", [_view_words(m) if m else "" for _, m in pairs]),
        ("Packing", [_packing_in_short(m) if m else "" for _, m in pairs]),
        ("Gap from sheet to glass", [_gap_words(m) for _, m in pairs]),
    ]


def _gap_words(mirror: MirrorResult | None) -> str:
    if mirror is None:
        return ""
    if mirror.distance_mm is None:
        return "the mirror runs along the sheet"
    return with_uncertainty(mirror.distance_mm, "mm", 1)


def _view_words(mirror: MirrorResult) -> str:
    """What the errors do to the view; within the tolerance that is not worth a number."""
    if mirror.verdict == "square":
        return "the reflected street runs on as it should"
    return f"{climb_words(mirror)} and {bend_words(mirror)}"


def _mirror(result: CheckResult, number: int) -> MirrorResult | None:
    return next((mirror for mirror in result.mirrors if mirror.number == number), None)


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
    which = f" of mirror {standing.number}" if standing.number > 1 else ""
    caption = f"Packing{which} that each check asked for, on top of what was in place then; sheets in mm"
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


def entries_grid(record: Record) -> Grid:
    """Every entry with its numbers."""
    rows: list[tuple[str, ...]] = []
    for item in record.entries:
        when = f"{item.entry.day}, {item.entry.clock}"
        if isinstance(item, GlassEntry):
            rows.append((str(item.number), when, "", "", kept_together(entry_answer(item))))
            continue
        for mirror in item.result.mirrors:
            which = f" ({mirror.number})" if len(item.result.mirrors) > 1 else ""
            angles = (_narrow(q, "°", ANGLE_DECIMALS) for q in (mirror.lean_deg, mirror.turn_deg))
            rows.append((f"{item.number}{which}", when, *angles, VERDICT_WORDS[mirror.verdict]))
    return Grid("All entries, oldest first", ("No.", "When", "Lean", "Turn", "Answer"), tuple(rows))


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
            f"{100 * ratio:.0f} %",
        )
        for order, depth, ratio in optics.images
    )
    return Grid("Images of a lamp, worked out for this glass", ("Image", "Where", "Brightness"), rows)


def measured_ghosts_grid(record: Record) -> Grid | None:
    """The brightness of ghosts as the latest glass photo showed them."""
    if not record.glasses:
        return None
    rows = []
    for number, ghosts in enumerate(record.glasses[-1].answer.lamps, 1):
        for ghost in ghosts:
            if ghost.ratio is not None:
                rows.append((f"lamp {number}", _order_words(ghost.order), f"{100 * ghost.ratio:.0f} %"))
    caption = f"Ghosts measured on {record.glasses[-1].entry.day_in_words}"
    return Grid(caption, ("Lamp", "Ghost", "Brightness"), tuple(rows)) if rows else None


def _order_words(order: int) -> str:
    return IMAGE_WORDS.get(order, f"ghost of order {order}")


def used_grid(record: Record) -> Grid | None:
    """Camera and target of the latest check."""
    if record.now is None:
        return None
    result, photos = record.now.result, record.now.entry.photos
    camera = "camera file" if result.camera.source == "file" else "solved from the photos themselves"
    rows = [
        ("Target", f"sheet {result.sheet}"),
        ("Camera", kept_together(f"{camera}; focal length {with_uncertainty(result.camera.focal_px, 'px', 0)}")),
        ("Tolerance", f"{result.tolerance_deg:g}° for lean and turn"),
    ]
    for photo, kept in zip(result.photos, photos, strict=False):
        taken = f", taken {kept.taken[:16]}" if kept.taken else ""
        words = (
            f"{photo.size[0]} × {photo.size[1]} px{taken}; {photo.direct_corners} corners of the target and "
            f"{photo.reflected_corners} of its reflection, off by {max(photo.rms_px, 0.01):.2f} px"
        )
        rows.append((f"Photo {kept.name}", kept_together(words)))
    return Grid("Used for the latest check", ("What", "Which"), tuple(rows))


def weight_words(record: Record) -> str:
    """The bare mirror's weight and where it is from; "" when its size is not known."""
    weight = record.weight
    if weight is None:
        return ""
    assumed = ", a thickness assumed for want of a known one" if weight.glass_assumed else ""
    return kept_together(
        f"The bare mirror weighs about {number_text(weight.kilograms, 2 if weight.kilograms < 1 else 1)} kg: "
        f"{number_text(weight.width_mm, 0)} × {number_text(weight.height_mm, 0)} × "
        f"{number_text(weight.glass_mm, 1)} mm{assumed} ({DENSITY_SOURCE})."
    )

"""A record as one HTML file that needs nothing else: no network, no script, pictures inside."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ..checking.wording import verdict_sentence
from ..drawing.wording import number_text
from .charts import history_chart, legend_words
from .contents import Record, Removed
from .drawings import plan_drawing, plan_view, side_drawing, side_view
from .entry import in_words
from .glass_drawing import glass_drawing
from .mirror_part import MirrorPart, Standing
from .page_pictures import flatness_pictures, gallery, large_picture, pair_in_page
from .tables import (
    answer_grid,
    before_and_now,
    drift_words,
    entries_grid,
    images_grid,
    measured_ghosts_grid,
    packing_grid,
    seam_grid,
    summary_grid,
    used_grid,
    weight_words,
)

if TYPE_CHECKING:
    from .standalone import BeforeAfter

TEMPLATES = Path(__file__).parent / "templates"
VERDICT_SYMBOLS = {"square": "✓", "out of square": "✗", "undetermined": "?"}
VERDICT_CLASSES = {"square": "true", "out of square": "out", "undetermined": "open"}
_LINES = "Thin line: where the glass should be."


@dataclass(frozen=True)
class Drawing:
    """Inline SVG markup and the caption under it."""

    svg: str
    caption: str


def page_html(
    record: Record, pairs: Sequence[BeforeAfter | None] = (), progress: Callable[[str], None] | None = None
) -> str:
    """The page; pairs : the pictures of before and after, one for each of the record's parts."""
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    environment = Environment(
        loader=FileSystemLoader(TEMPLATES),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    template = environment.get_template("record.html.j2")
    page: str = template.render(**page_contents(record, pairs, progress))
    return page


def page_contents(
    record: Record, pairs: Sequence[BeforeAfter | None] = (), progress: Callable[[str], None] | None = None
) -> dict[str, Any]:
    """What the template shows, by the names that it uses."""
    from importlib.metadata import version

    several = len(record.parts) > 1
    pictured = [*pairs, *[None] * (len(record.parts) - len(pairs))]
    checked = [part.now.at for part in record.parts if part.now is not None]
    return {
        "style": (TEMPLATES / "record.css").read_text(encoding="utf-8"),
        "installation": record.installation,
        "notes": [words for words in record.installation.notes.split("\n\n") if words.strip()],
        **overall_verdict(record),
        "checked_on": in_words(max(checked)) if checked else "",
        "summary": summary_grid(record.parts) if several else None,
        "parts": [
            part_contents(record, part, pair, progress) for part, pair in zip(record.parts, pictured, strict=True)
        ],
        "removed": [removed_words(entry) for entry in record.removed],
        "cautions": record.cautions,
        "remarks": [*record.refused, *record.notes],
        "made_by": f"align {version('align')}",
    }


def part_contents(
    record: Record, part: MirrorPart, pair: BeforeAfter | None, progress: Callable[[str], None] | None = None
) -> dict[str, Any]:
    """What the template shows of one mirror."""
    shown = [item for item in before_and_now(part) if item.entry.photos]
    now = part.now
    return {
        "key": f"m{part.number}",
        "name": part.called,
        "named": part.name,
        "stated": part.stated,
        "verdict": verdict_sentence(now.result) if now else "NOT CHECKED YET. No check of it is in this record.",
        **_marked(now.result.verdict if now else "undetermined"),
        "checked_on": now.day_in_words if now else "",
        "answer": answer_grid(part),
        "remarks": [*part.notes, *(now.result.warnings if now else ()), *(now.entry.stated if now else ())],
        "before_now": [large_picture(item) for item in shown],
        "pair": pair_in_page(part, pair),
        "maps": flatness_pictures(part),
        "drift": drift_words(part),
        "charts": chart_drawings(part),
        "entries": entries_grid(part),
        "entry_notes": note_words(record, part),
        "gallery": gallery(part, progress),
        "views": view_drawings(part.standing) if part.standing and not part.standing.along_sheet else [],
        "packing": packing_grid(part.standing) if part.standing else None,
        "optics": optics_in_page(part),
        "used": used_grid(part),
        "weight": weight_words(part),
    }


def overall_verdict(record: Record) -> dict[str, str]:
    """The answer at the top of the page; no check, no verdict."""
    verdicts = [part.now.result.verdict if part.now else "undetermined" for part in record.parts]
    if len(record.parts) == 1:
        now = record.parts[0].now
        words = verdict_sentence(now.result) if now else "NOT CHECKED YET. This record holds no check."
        return {"verdict": words, **_marked(verdicts[0])}
    worst = next(v for v in ("out of square", "undetermined", "square") if v in verdicts)
    if worst == "square":
        return {"verdict": f"TRUE. All {len(verdicts)} mirrors are true.", **_marked(worst)}
    told = {"out of square": "OUT OF TRUE", "undetermined": "CANNOT TELL YET", "square": "True"}
    sentences = []
    for verdict, start in told.items():
        names = [part.called for part, found in zip(record.parts, verdicts, strict=True) if found == verdict]
        if names:
            sentences.append(f"{start}: {', '.join(names)}.")
    return {"verdict": " ".join(sentences), **_marked(worst)}


def _marked(verdict: str) -> dict[str, str]:
    """Colour and symbol of a verdict."""
    return {"verdict_class": VERDICT_CLASSES[verdict], "verdict_symbol": VERDICT_SYMBOLS[verdict]}


def removed_words(entry: Removed) -> str:
    """One entry that was taken out."""
    day = f" of {entry.day}" if entry.day else ""
    note = f" Note: {entry.note.text}" if entry.note.text else ""
    return f"Entry {entry.number}{day} was taken out; it lies in the folder “removed”.{note}"


def note_words(record: Record, part: MirrorPart) -> list[str]:
    """The builder's notes to one mirror's entries, and what they said before they were put right."""
    told = []
    for item in part.entries:
        note = record.notes_to.get(item.number)
        if note is None:
            continue
        before = "; ".join(f"“{words}”" for words in note.before)
        changed = f" (Changed on {note.day}; before: {before}.)" if before else f" (Noted on {note.day}.)"
        told.append(f"Entry {item.number}: {note.text or 'the note was taken back.'}{changed}")
    return told


def chart_drawings(part: MirrorPart) -> list[Drawing]:
    """Lean and turn over time."""
    if part.now is None:
        return []
    chart = history_chart(part.checks, f"history-{part.number}", f"Lean and turn of {part.called}")
    return [Drawing(chart, legend_words())]


def view_drawings(standing: Standing) -> list[Drawing]:
    """Plan and side view of one mirror, with what the lines are."""
    uncertainties = "" if standing.size_known else " The mirror's size is a guess: it is not in installation.toml."
    if not standing.glass_known:
        uncertainties += f" Its thickness is not known and drawn as {standing.glass_mm:g} mm."

    def caption(seen: str, larger: int) -> str:
        dashed = f" Dashed: the error, drawn {larger} times larger than life." if larger > 1 else ""
        return f"{seen}, to scale. {_LINES}{dashed}{uncertainties}"

    return [
        Drawing(
            plan_drawing(standing, f"plan-{standing.number}"),
            caption("From above", plan_view(standing).larger),
        ),
        Drawing(
            side_drawing(standing, f"side-{standing.number}"),
            caption("From the side", side_view(standing).larger),
        ),
    ]


def optics_in_page(part: MirrorPart) -> dict[str, Any] | None:
    """Drawing and tables of seam and ghosts; None for a front-coated or unknown glass."""
    if part.optics is None:
        return None
    return {
        "thickness": number_text(part.optics.thickness_mm, 1),
        "drawing": Drawing(
            glass_drawing(part.optics, f"glass-{part.number}"),
            "Section through the glass, seen square on, to scale, with a lamp 20 mm before it.",
        ),
        "seam": seam_grid(part.optics),
        "images": images_grid(part.optics),
        "measured": measured_ghosts_grid(part),
        "reason": part.glasses[-1].answer.reason if part.glasses else "",
    }

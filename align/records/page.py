"""A record as one HTML file that needs nothing else: no network, no script, pictures inside."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ..checking.wording import verdict_sentence
from ..drawing.wording import number_text
from .charts import history_chart, legend_words
from .contents import CheckEntry, Record, Standing, stated_of
from .drawings import plan_drawing, plan_view, side_drawing, side_view
from .glass_drawing import glass_drawing
from .page_pictures import gallery, large_picture, pair_in_page
from .tables import (
    answer_grid,
    before_and_now,
    entries_grid,
    images_grid,
    measured_ghosts_grid,
    packing_grid,
    seam_grid,
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
    record: Record, pair: BeforeAfter | None = None, progress: Callable[[str], None] | None = None
) -> str:
    """The page."""
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    environment = Environment(
        loader=FileSystemLoader(TEMPLATES),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    template = environment.get_template("record.html.j2")
    page: str = template.render(**page_contents(record, pair, progress))
    return page


def page_contents(
    record: Record, pair: BeforeAfter | None, progress: Callable[[str], None] | None = None
) -> dict[str, Any]:
    """What the template shows, by the names that it uses."""
    from importlib.metadata import version

    now = record.now
    shown = [item for item in before_and_now(record) if item.entry.photos]
    return {
        "style": (TEMPLATES / "record.css").read_text(encoding="utf-8"),
        "installation": record.installation,
        "stated": stated_of(record.installation),
        "notes": [words for words in record.installation.notes.split("\n\n") if words.strip()],
        **_verdict(now),
        "answer": answer_grid(record),
        "before_now": [large_picture(item) for item in shown],
        "pair": pair_in_page(record, pair),
        "charts": chart_drawings(record),
        "entries": entries_grid(record),
        "gallery": gallery(record, progress),
        "views": [drawing for one in record.standing if not one.along_sheet for drawing in view_drawings(one)],
        "packing": [packing_grid(standing) for standing in record.standing],
        "optics": optics_in_page(record),
        "used": used_grid(record),
        "weight": weight_words(record),
        "cautions": record.cautions,
        "remarks": [*record.refused, *record.notes, *(now.result.warnings if now else ())],
        "made_by": f"align {version('align')}",
    }


def _verdict(now: CheckEntry | None) -> dict[str, str]:
    """The answer at the top of the page; no check, no verdict."""
    verdict = now.result.verdict if now else "undetermined"
    return {
        "verdict": verdict_sentence(now.result) if now else "NOT CHECKED YET. This record holds no check.",
        "verdict_class": VERDICT_CLASSES[verdict],
        "verdict_symbol": VERDICT_SYMBOLS[verdict],
        "checked_on": now.entry.day_in_words if now else "",
    }


def chart_drawings(record: Record) -> list[Drawing]:
    """Lean and turn over the checks, for each mirror; the last one's caption explains the marks."""
    if record.now is None:
        return []
    numbers = sorted({m.number for item in record.checks for m in item.result.mirrors})
    return [
        Drawing(
            history_chart(record.checks, number, f"history-{number}", f"Lean and turn of mirror {number}"),
            (f"Mirror {number}. " if len(numbers) > 1 else "") + (legend_words() if number == numbers[-1] else ""),
        )
        for number in numbers
    ]


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


def optics_in_page(record: Record) -> dict[str, Any] | None:
    """Drawing and tables of seam and ghosts; None for a front-coated or unknown glass."""
    if record.optics is None:
        return None
    return {
        "thickness": number_text(record.optics.thickness_mm, 1),
        "drawing": Drawing(
            glass_drawing(record.optics, "glass"),
            "Section through the glass, seen square on, to scale, with a lamp 20 mm before it.",
        ),
        "seam": seam_grid(record.optics),
        "images": images_grid(record.optics),
        "measured": measured_ghosts_grid(record),
        "reason": record.glasses[-1].answer.reason if record.glasses else "",
    }

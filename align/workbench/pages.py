"""What the pages show: answers as the templates take them, and the templates filled in."""

from __future__ import annotations

import functools
import re
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ..checking.result import MirrorResult
from ..checking.text import advice_left
from ..checking.wording import (
    flatness_words,
    glass_words,
    map_title,
    map_words,
    quality_words,
    remaining_words,
    shim_is_needed,
    verdict_sentence,
)
from ..drawing.wording import MM_PER_INCH, length_words, size_with_uncertainty, with_uncertainty
from .drawings import band_drawing, front_drawing
from .guard import Refusal
from .lies import LIE_WORDS
from .page_words import for_the_page
from .series import Answer
from .session import Session, Table
from .words import (
    CLASSES,
    SYMBOLS,
    Axis,
    Packing,
    axes,
    next_step,
    packing_of,
    settled_words,
    verdict_heading,
    what_changed,
)
from .worker import Ticket

if TYPE_CHECKING:
    from jinja2 import Environment

HERE = Path(__file__).parent
ORDINALS = ("at work", "next", "second in the queue", "third in the queue", "fourth in the queue")


@dataclass(frozen=True)
class AxisShown:
    """One number on its way to the middle."""

    axis: Axis
    size: str
    drawing: str


@dataclass(frozen=True)
class MirrorShown:
    """One mirror of an answer; map : what the map of its flatness shows, "" where there is none."""

    number: int
    axes: tuple[AxisShown, ...]
    packing: tuple[Packing, ...]
    front: str
    turn_by: str
    remaining: str
    is_true: bool
    facts: tuple[tuple[str, str], ...] = ()
    map: str = ""


@dataclass(frozen=True)
class Waiting:
    """A photo that is not answered yet, and where it stands."""

    words: str
    place: str
    progress: str


@functools.cache
def _environment() -> Environment:
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    return Environment(
        loader=FileSystemLoader(HERE / "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        finalize=for_the_page,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def page(template: str, session: Session | None, here: str, **contents: Any) -> str:
    """A page from its template; `here` marks the place in the page's navigation."""
    from importlib.metadata import version

    made: str = (
        _environment()
        .get_template(template)
        .render(
            scene=session.installation.name if session is not None else "",
            here=here,
            version=version("align"),
            **contents,
        )
    )
    return made


def refusal_page(refusal: Refusal) -> bytes:
    """A refusal as a page."""
    return page(
        "message.html.j2", None, "", heading="That did not work", message=refusal.message, remedy=refusal.remedy
    ).encode()


def table_contents(session: Session, table: Table) -> dict[str, Any]:
    """Everything about one mirror that its page shows."""
    series = table.series
    now, before = series.now, series.before
    waiting = waiting_shown(session, table.key)
    return {
        "table": table,
        "units": session.units,
        "size_words": size_words(table.mirror.size_mm, session.units),
        "stack_units": now.result.settings.units if now else "mm",
        "waiting": waiting,
        "lies": LIE_WORDS,
        "refused": series.refused_last,
        "answer": now,
        "heading": verdict_heading(now.result) if now else "",
        "sentence": without_shout(verdict_sentence(now.result)) if now else "",
        "kind": CLASSES[now.result.verdict] if now else "",
        "symbol": SYMBOLS[now.result.verdict] if now else "",
        "mirrors": mirrors_shown(now, before, table.mirror.size_mm) if now else (),
        "changed": what_changed(now, before) if now else [],
        "step": next_step(series),
        "remarks": _remarks(now) if now else [],
        "rows": [_row(item) for item in reversed(series.answers)],
        "settled": settled_words(now) if now and not waiting else "",
    }


def _remarks(answer: Answer) -> list[str]:
    """What else is to be known of an answer: how good its photos are, first."""
    result, quality = answer.result, []
    if result.quality is not None:
        which = "This photo is" if len(result.photos) == 1 else "These photos are"
        quality = [f"{which} {quality_words(result.quality, result.tolerance_deg)}"]
    remarks = [*answer.notes, *quality, *result.warnings, *advice_left(result)]
    return [words if words.endswith(".") else f"{words}." for words in remarks]


def mirrors_shown(
    now: Answer, before: Answer | None, size_mm: tuple[float, float] | None
) -> tuple[MirrorShown, ...]:
    """The mirrors of an answer, with those of the answer before where they can be compared."""
    old: dict[int, MirrorResult] = {}
    if before is not None and now.moved and len(before.result.mirrors) == len(now.result.mirrors):
        old = {mirror.number: mirror for mirror in before.result.mirrors}
    shown = []
    for mirror in now.result.mirrors:
        both = axes(mirror, now.result.tolerance_deg, old.get(mirror.number))
        parts = tuple(
            AxisShown(
                axis,
                size_with_uncertainty(axis.error, "°", 3),
                band_drawing(axis, f"band-{axis.name.lower()}-{mirror.number}"),
            )
            for axis in both
        )
        units = now.result.settings.units
        front = front_drawing(mirror, size_mm, f"front-{mirror.number}", units) if mirror.shims.shims else ""
        shown.append(
            MirrorShown(
                mirror.number,
                parts,
                tuple(packing_of(mirror, units)),
                front,
                mirror.shims.turn_by,
                _remaining(mirror),
                mirror.verdict == "square",
                facts_of(mirror, units, len(now.photos)),
                _map_alt(mirror, units),
            )
        )
    return tuple(shown)


def facts_of(mirror: MirrorResult, units: str, photos: int = 1) -> tuple[tuple[str, str], ...]:
    """Gap, glass and flatness: name and words; photos : that the answer is from."""
    facts = []
    if mirror.distance_mm is not None:
        facts.append(("Gap", f"{length_words(mirror.distance_mm, units, 1)} from the sheet's edge to the glass"))
    facts.append(("Glass", glass_words(mirror.glass, units)))
    if mirror.flatness is not None:
        shown = mirror.flatness.map
        words = flatness_words(mirror.flatness, units) if shown is None else map_words(shown, photos, units)
        facts.append(("Flat", words))
    return tuple(facts)


def _map_alt(mirror: MirrorResult, units: str) -> str:
    """The map of a mirror's flatness for who does not see it; "" where there is none."""
    if mirror.flatness is None or mirror.flatness.map is None:
        return ""
    shown = mirror.flatness.map
    beyond = "" if shown.beyond_mm is None else " Striped, told above with its uncertainty: what is extrapolated."
    return (
        f"Map of the mirror's face from the front. {map_title(shown, units)} Clear, inside the outlines: what "
        f"photos show, told above.{beyond}"
    )


def _remaining(mirror: MirrorResult) -> str:
    """What the stacks leave, where anything is packed."""
    left = mirror.shims.remaining
    if left is None or not any(shim_is_needed(shim) for shim in mirror.shims.shims):
        return ""
    return f"With these sheets in, {remaining_words(left)} remain."


def size_words(size_mm: tuple[float, float] | None, units: str) -> str:
    """A mirror's width and height; "" where nobody stated them."""
    if size_mm is None:
        return ""
    if units == "in":
        return " × ".join(f"{side / MM_PER_INCH:.4g}" for side in size_mm) + " in"
    return " × ".join(f"{side:g}" for side in size_mm) + " mm"


def waiting_shown(session: Session, whose: str) -> list[Waiting]:
    """What is at work or waits for one table."""
    return [_waiting(session, ticket) for ticket in session.worker.open(whose)]


def _waiting(session: Session, ticket: Ticket) -> Waiting:
    place = session.worker.place(ticket)
    words = ORDINALS[place] if place < len(ORDINALS) else f"number {place} in the queue"
    return Waiting(ticket.words.capitalize(), words, ticket.progress if ticket.state == "working" else "")


def without_shout(sentence: str) -> str:
    """The sentence after its verdict, which stands above it in large letters."""
    named = re.sub(r"^[A-Z ]+(: |, (?=unless))", "", sentence)
    if named != sentence:
        return named[0].upper() + named[1:]
    _, dot, rest = sentence.partition(". ")
    return rest if dot else sentence


def _row(answer: Answer) -> dict[str, str]:
    """A line of the series' table."""
    lean, turn = (
        [with_uncertainty(getattr(mirror, name), "°", 3) for mirror in answer.result.mirrors]
        for name in ("lean_deg", "turn_deg")
    )
    return {
        "photo": f"Photo {answer.number}, {answer.clock}" if answer.source == "photo" else f"Live, {answer.clock}",
        "lean": "; ".join(lean),
        "turn": "; ".join(turn),
        "verdict": verdict_heading(answer.result),
        "stand": f"stand {answer.stand}" + (f", {len(answer.photos)} photos" if len(answer.photos) > 1 else ""),
    }

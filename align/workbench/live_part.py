"""The live part of a mirror's page: as its template takes it, and the few words that change with every frame."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from ..checking.result import MirrorResult
from ..checking.wording import VERDICT_WORDS
from ..drawing.wording import size_with_uncertainty
from .drawings import needle_drawing, place_on_band
from .feeds import Feeds
from .live_shown import STATE_WORDS, LiveShown
from .session import Session, Table
from .words import CLASSES, SYMBOLS, Axis, axes


@dataclass(frozen=True)
class NeedleShown:
    """One number live: its name on the page, the frame's own value, the stand's, and the drawing."""

    id: str
    name: str
    now: str
    number: str
    way: str
    drawing: str


def live_contents(session: Session, feeds: Feeds, table: Table) -> dict[str, Any]:
    """What a mirror's page shows of its feeds: `live` None where no camera runs."""
    shown = None if feeds.live is None else feeds.live.shown
    mine = shown is not None and session.attended is table
    if mine and shown is not None and shown.table != table.key:  # the next picture is of this mirror
        shown = LiveShown("measuring", table.key, *STATE_WORDS["measuring"])
    found: dict[str, Any] = {
        "live": shown,
        "live_here": mine,
        "watching": None if feeds.watch is None else feeds.watch.shown,
    }
    if shown is None or not mine:
        return found
    number = shown.number if shown.state == "still" else None
    found["live_kind"] = CLASSES[number.verdict] if number else "open"
    found["live_symbol"] = SYMBOLS[number.verdict] if number else "·"
    found["live_heading"] = VERDICT_WORDS[number.verdict].capitalize() if number else shown.heading
    found["live_needles"] = needles_shown(shown)
    found["live_pace"] = pace_words(shown)
    found["live_from"] = from_words(shown) if number else ""
    return found


def needles_shown(shown: LiveShown) -> list[NeedleShown]:
    """Both numbers of every mirror."""
    found = []
    numbers = shown.number.mirrors if shown.number is not None and shown.state == "still" else ()
    for position, mirror in enumerate(shown.needles):
        stand = _axes(numbers[position], shown) if position < len(numbers) else (None, None)
        for axis, number in zip(_axes(mirror, shown), stand, strict=True):
            id_ = f"needle-{axis.name.lower()}-{mirror.number}"
            several = f"Mirror {mirror.number}: " if len(shown.needles) > 1 else ""
            found.append(
                NeedleShown(
                    id_,
                    several + axis.name,
                    size_with_uncertainty(axis.error, "°", 3),
                    "" if number is None else size_with_uncertainty(number.error, "°", 3),
                    (number or axis).way,
                    needle_drawing(axis, number, id_),
                )
            )
    return found


def _axes(mirror: MirrorResult, shown: LiveShown) -> tuple[Axis, Axis]:
    return axes(mirror, shown.tolerance_deg, None)


def frame_message(shown: LiveShown) -> dict[str, Any]:
    """What changes from frame to frame: needles' places, and words by their element's id."""
    texts, places = {"live-pace": pace_words(shown)}, {}
    for mirror in shown.needles:
        for axis in _axes(mirror, shown):
            id_ = f"needle-{axis.name.lower()}-{mirror.number}"
            texts[f"{id_}-now"] = size_with_uncertainty(axis.error, "°", 3)
            places[id_] = round(place_on_band(axis.side * axis.error.value, axis.tolerance_deg), 1)
    return {"table": shown.table, "structure": shown.structure, "texts": texts, "places": places}


def pace_words(shown: LiveShown) -> str:
    """How fast and how fresh."""
    if not shown.needles:
        return ""
    rate = f"{shown.rate_hz:.0f} answers" if shown.rate_hz >= 1.5 else "One answer"
    return f"{rate} a second, the last {shown.age_s:.1f} s after its picture."


def from_words(shown: LiveShown) -> str:
    """What the number rests on."""
    if shown.views > 1:
        return f"The numbers: pictures from {shown.views} places since the mirror came to rest, solved together."
    return (
        "The numbers: pictures from one place since the mirror came to rest. Move the camera by a hand's width: "
        "another place makes the ± narrower."
    )

"""Ghosts of lamps for docs/accuracy.md: the sample photos that show lamps, and a folder of ghosts.py's answers."""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from align.errors import AlignError
from align.ghosts.job import glass_of
from align.ghosts.result import GhostSeen, LampSeen
from align.optics.slab import image_strength
from tests.bench.accuracy_figures import NAMES
from tests.bench.accuracy_prose import GHOSTS_ALONE, GHOSTS_PROSE, GHOSTS_TRACED
from tests.bench.accuracy_summary import wilson
from tests.bench.accuracy_tables import Row, percent, table
from tests.bench.ghosts_summary import (
    GLASS,
    UNSURE,
    Answer,
    brightness,
    count,
    of_glass,
    right,
    thickness_errors,
    wrong,
)
from tests.bench.ghosts_text import brightness_words, glass_name, read_answers

#: docs/glass.md counts thicknesses within this.
NEAR_MM = 0.3


@dataclass(frozen=True, eq=False)
class Ghosts:
    """Answers on sample photos that show lamps, and on traced ones: empty where no folder was given.

    Both as ghosts_summary has them. A sample photo's lamps count as saturated, because the answer does not say
    whether they are; "ratios" has brightness over Fresnel's with the 95 % half-width, (lamps, front and later, 2).
    """

    samples: list[Answer]
    traced: list[Answer]


def shows_lamps(path: Path) -> bool:
    """Whether the truth beside a photo has lamps before a mirror."""
    truth = json.loads(path.with_suffix(".truth.json").read_text())
    return bool(truth.get("lamps")) and bool(truth.get("mirrors"))


def ghosts_of(samples: Sequence[Path], folder: Path | None) -> Ghosts:
    """Answer the photos that show lamps, whole, with nothing stated; read the folder's results.jsonl."""
    answers = [sample_answer(path) for path in samples if shows_lamps(path)]
    return Ghosts(answers, read_answers(folder / "results.jsonl") if folder else [])


def sample_answer(path: Path) -> Answer:
    """What `align glass` makes of one photo, sheet and all; a refusal is undetermined."""
    truth = json.loads(path.with_suffix(".truth.json").read_text())
    answer: Answer = {"photo": path.stem, "thickness_mm": truth["mirrors"][0]["thickness_mm"]}
    try:
        result = glass_of(path)
    except AlignError as error:
        return answer | {"verdict": UNSURE, "reason": str(error), "ratios": []}
    answer |= {"verdict": result.glass.verdict, "reason": result.reason}
    if result.glass.verdict == GLASS and result.glass.thickness_mm:
        thickness = result.glass.thickness_mm
        answer |= {"thickness": thickness.value, "low": thickness.low, "high": thickness.high}
    ratios = [_over_fresnel(lamp) for lamp in result.lamps if lamp.ghosts]
    factors = [[(value, half / 1.96) for value, half in lamp] for lamp in ratios]
    return answer | {"ratios": ratios, "factors": factors, "saturated": [True] * len(factors)}


def _over_fresnel(lamp: LampSeen) -> list[tuple[float, float]]:
    """Front ghost and first extra trip: brightness over Fresnel's and its 95 % half-width."""
    angle = math.radians(lamp.incidence_deg)
    main = float(image_strength(1, angle))
    seen: dict[int, GhostSeen] = {ghost.order: ghost for ghost in lamp.ghosts}
    found = []
    for order in (0, 2):
        fresnel, ratio = float(image_strength(order, angle)) / main, seen[order].ratio
        found.append((ratio.value / fresnel, (ratio.high - ratio.value) / fresnel))
    return found


def reach_ghosts(ghosts: Ghosts) -> list[Row]:
    """Rows of "In short": of the traced photos, or else of the sample photos alone."""
    answers, source = (ghosts.traced, "traced") if ghosts.traced else (ghosts.samples, "sample")
    if not answers:
        return []
    name = f"ghosts of lamps, {_photos(len(answers), source)}"
    told = thickness_errors(answers)
    rows: list[Row] = [(f"{name}: verdicts", "none wrong", _verdict_words(answers), not wrong(answers))]
    if len(told.error):
        within = told.rms_mm <= NEAR_MM
        rows.append((f"{name}: rms error of thickness", f"≤ {NEAR_MM} mm", f"{told.rms_mm:.3f} mm", within))
        held, photos = int(told.holds.sum()), len(told.error)
        low, high = wilson(held, photos)
        reach = "93 to 97 %, as far as so few can tell"
        rows.append(
            (f"{name}: 95 % intervals of thickness", reach, percent(held, photos), low <= 0.97 and high >= 0.93)
        )
    found = brightness(answers)
    if found:
        text = f"front ghost {found.front:.3f}, first extra trip {found.later:.3f} ({found.ghosts} ghosts)"
        met = all(0.9 <= mean <= 1.1 for mean in (found.front, found.later))
        rows.append((f"{name}: ghosts' brightness / Fresnel's, means", "0.9 to 1.1", text, met))
    return rows


def _photos(number: int, source: str) -> str:
    return f"{number} {source} photo" + "s" * (number != 1)


def _verdict_words(answers: Sequence[Answer]) -> str:
    """Right, wrong, undetermined of each kind of mirror."""
    kinds = {
        "back-silvered": [a for a in answers if a["thickness_mm"]],
        "front-coated": [a for a in answers if not a["thickness_mm"]],
    }
    return "; ".join(
        f"{kind}: {right(here)} right, {wrong(here)} wrong, {count(here, UNSURE)} undetermined"
        for kind, here in kinds.items()
        if here
    )


def ghosts_section(ghosts: Ghosts) -> str:
    """The page's section, figure and all."""
    if not ghosts.samples and not ghosts.traced:
        return "No photo that shows lamps was found.\n"
    names = ", ".join(f"`{answer['photo']}`" for answer in ghosts.samples) or "none"
    parts = [GHOSTS_PROSE.format(samples=names)]
    if ghosts.samples:
        parts.append(_samples_table(ghosts.samples))
    if ghosts.traced:
        scenes = len({answer["scene"] for answer in ghosts.traced})
        parts.append(GHOSTS_TRACED.format(photos=len(ghosts.traced), scenes=scenes))
        parts += [_traced_table(ghosts.traced), brightness_words(ghosts.traced) + "\n"]
    else:
        parts.append(GHOSTS_ALONE.format(photos=_photos(len(ghosts.samples), "sample")))
    if len(thickness_errors(ghosts.samples + ghosts.traced).error):
        parts.append(f"![Thickness of glass measured, less true](figures/{NAMES[3]})\n")
    return "\n".join(parts)


def _samples_table(samples: Sequence[Answer]) -> str:
    rows = []
    for answer in samples:
        thickness = "–"
        if "thickness" in answer:
            missed = "" if answer["low"] <= answer["thickness_mm"] <= answer["high"] else " **missed**"
            thickness = f"{answer['thickness']:.2f} ({answer['low']:.2f} to {answer['high']:.2f}){missed}"
        glass = glass_name(answer["thickness_mm"])
        rows.append((answer["photo"], glass, answer["verdict"], thickness, *_side_cells(answer["ratios"])))
    head = ("photo", "true glass", "verdict", "thickness [mm], 95 % interval")
    return table((*head, "front ghost / Fresnel's, lamp by lamp", "first extra trip / Fresnel's"), rows)


def _side_cells(lamps: Sequence[Sequence[tuple[float, float]]]) -> list[str]:
    """Front ghosts and first extra trips, lamp by lamp."""
    sides = (", ".join(f"{lamp[side][0]:.2f} ± {lamp[side][1]:.2f}" for lamp in lamps) for side in (0, 1))
    return [text or "–" for text in sides]


def _traced_table(traced: Sequence[Answer]) -> str:
    rows = []
    for name, here in [*((glass_name(g), a) for g, a in of_glass(traced).items()), ("all", list(traced))]:
        told = thickness_errors(here)
        counts = (str(number) for number in (len(here), right(here), wrong(here), count(here, UNSURE)))
        errors = (f"{told.rms_mm:.3f}", f"{told.mean_mm:+.3f}") if len(told.error) else ("–", "–")
        rows.append((name, *counts, *errors, percent(int(told.holds.sum()), len(told.error))))
    head = ("true glass", "photos", "right", "wrong", "undetermined", "thickness rms error [mm]")
    return table((*head, "its mean error [mm]", "95 % intervals that hold the true thickness"), rows)

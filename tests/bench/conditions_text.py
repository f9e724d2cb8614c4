"""docs/conditions.md: what became of the photos of every condition."""

from __future__ import annotations

import statistics
from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from typing import Any

Case = dict[str, Any]
#: An answer off by more than this is wrong [deg].
WRONG_DEG = 1.0
ANGLES = ("lean_deg", "turn_deg")


def answered(case: Case) -> bool:
    """Whether the photo was answered, with whatever verdict."""
    return bool(case["answer"]["format"] == "align-check-1")


def errors_deg(case: Case) -> tuple[float, float]:
    """Answer less truth of lean and of turn [deg]; turns wrap at 180."""
    mirror = case["answer"]["mirrors"][0]
    off = [mirror[name]["value"] - case["truth"][name] for name in ANGLES]
    return off[0], (off[1] + 180.0) % 360.0 - 180.0


def halves_deg(case: Case) -> tuple[float, float]:
    """Half-widths of the 95 % intervals of lean and turn [deg]."""
    mirror = case["answer"]["mirrors"][0]
    lean, turn = ((mirror[name]["high"] - mirror[name]["low"]) / 2 for name in ANGLES)
    return lean, turn


def held(case: Case) -> tuple[bool, bool]:
    """Whether the intervals of lean and turn hold the truth."""
    lean, turn = (abs(e) <= h for e, h in zip(errors_deg(case), halves_deg(case), strict=True))
    return lean, turn


def named(cases: Sequence[Case]) -> dict[str, list[Case]]:
    """The cases of each condition, in their order."""
    groups: dict[str, list[Case]] = {}
    for case in cases:
        groups.setdefault(case["condition"], []).append(case)
    return groups


HEADS = (
    "condition",
    "answered",
    "refused",
    "interval holds lean",
    "turn",
    "rms error lean, turn [deg]",
    "median half-width lean, turn [deg]",
    "largest error [deg]",
    "off by > 1° (exit code 0)",
    "exit codes 0 / 1 / 3",
    "warned",
)


def table(cases: Sequence[Case]) -> str:
    """A row for each condition."""
    lines = [HEADS, ["---"] * len(HEADS), *(_row(name, group) for name, group in named(cases).items())]
    return "\n".join("| " + " | ".join(line) + " |" for line in lines)


def _row(name: str, group: Sequence[Case]) -> list[str]:
    told = [case for case in group if answered(case)]
    codes = Counter(case["code"] for case in group)
    cells = [name, str(len(told)), str(len(group) - len(told))]
    if told:
        errors = list(zip(*map(errors_deg, told), strict=True))
        halves = list(zip(*map(halves_deg, told), strict=True))
        far = [case for case in told if max(map(abs, errors_deg(case))) > WRONG_DEG]
        cells += [f"{sum(column)} of {len(told)}" for column in zip(*map(held, told), strict=True)]
        cells += [", ".join(f"{statistics.fmean(e * e for e in column) ** 0.5:.4f}" for column in errors)]
        cells += [", ".join(f"{statistics.median(column):.4f}" for column in halves)]
        cells += [f"{max(abs(e) for column in errors for e in column):.4f}"]
        cells += [f"{len(far)} ({sum(case['code'] == 0 for case in far)})"]
    else:
        cells += ["–"] * 6
    cells += [" / ".join(str(codes[code]) for code in (0, 1, 3))]
    return [*cells, str(sum(bool(case["answer"].get("warnings")) for case in told))]


def detail(cases: Sequence[Case]) -> str:
    """Every case on its own line, for whoever mends."""
    lines = []
    for case in cases:
        head = f"{case['condition']} {case['number']} code {case['code']}"
        if not answered(case):
            answer = case["answer"]
            lines.append(f"{head}: {answer['error']}: {answer['message']} | {answer['try']}")
            continue
        photo = case["answer"]["photos"][0]
        parts = [
            f"{e:+.4f}±{h:.4f}{'' if ok else '*'}"
            for e, h, ok in zip(errors_deg(case), halves_deg(case), held(case), strict=True)
        ]
        corners = f"{photo['direct_corners']}+{photo['reflected_corners']} rms {photo['rms_px']:.3f}"
        said = " | ".join([*case["answer"]["warnings"], *case["answer"]["advice"]])
        lines.append(f"{head}: lean {parts[0]} turn {parts[1]} {corners} {_distance(case)} {said}")
    return "\n".join(lines)


def _distance(case: Case) -> str:
    gap = case["answer"]["mirrors"][0]["distance_mm"]
    if gap is None:
        return "no distance"
    off = gap["value"] - case["truth"]["distance_mm"]
    return f"gap {off:+.3f}±{(gap['high'] - gap['low']) / 2:.3f} mm"


INTRODUCTION = """# Photos as people take them

How `align check` fares with photos that are shaken, out of focus, dark, dirty, half covered. Ten rendered photos of
each condition, {width} x {height} pixels, of known truth: `tests/bench/conditions.py` renders them with Mitsuba,
finishes them like a phone's, runs the command on each and writes this page. Every photo has its own noise; those of
conditions that befall the camera or the mirror's face share ten scenes. Lean and turn are drawn within 1.5 degrees,
the glass is 0 to 6 mm thick, the phone stands 26 to 45 degrees above the floor with lens errors of its own.
The command is told nothing but what a row's name says.

![A photo of each condition.](figures/conditions_photos.jpg)

What the conditions are, at this size of picture:

- **shaken**: the picture moved along a slightly curved stroke of so many pixels, end to end, in ten directions.
- **out of focus**: a disc of so many pixels at the reflection, other sizes nearer and farther; half of the photos
  are focused on something nearer, half far off.
- **dark**: the paper at a fifth of full light, grain of 3 %; **very dark**: at a seventeenth, 5 %; smoothed as
  phones do.
- **glare**: a window mirrored by glossy paper, 0.4 to 3 times as bright as the paper; in half of the photos the
  reflection has one too.
- **a hand**: four fingers over a near or a far corner, seen in the mirror as well. It is made of boxes.
- **sheet upside down**: its arrow points away from the mirror. **At 45°**: to the left or to the right.
- **half outside**: the mirror ends in the middle of the reflection. **Three rows**: the mirror is so low that it
  shows three rows of squares.
- **printed at 97 %** without a word of it, and with `--rule 97`. **In grey**: ink that reflects 20 to 50 %, where
  toner reflects 4.5 % and paper 80 %.
- **dirty mirror**: wiped smears that veil and blur, and dust; **very dirty**: twice as much.

Glare, smears and dust are put into the picture, not traced.
"""


def write_document(cases: Sequence[Case], path: Path, size: tuple[int, int]) -> None:
    """Write the page."""
    parts = [
        INTRODUCTION.format(width=size[0], height=size[1]),
        "## Answers against the truth\n",
        table(cases),
        "",
        _summary(cases),
        "![Errors against intervals.](figures/conditions_errors.png)\n",
        "## What the refusals name\n",
        _refusals(cases),
        "\n## What the answers say\n",
        "The quality line's grade (of the tolerance of 0.1°) and the one thing that it names; warnings in the last "
        "column.\n",
        _sayings(cases),
        "\n## The print's scale\n",
        _scale(cases),
    ]
    path.write_text("\n".join(parts))


def _summary(cases: Sequence[Case]) -> str:
    """All photos together, each once: those that are checked twice count with the first row."""
    once = list({case["photo"]: case for case in reversed(cases)}.values())
    told = [case for case in once if answered(case)]
    intervals, holding = 2 * len(told), sum(sum(held(case)) for case in told)
    far = [case for case in told if max(map(abs, errors_deg(case))) > WRONG_DEG]
    worst = max(max(map(abs, errors_deg(case))) for case in told)
    return (
        f"{len(told)} of {len(once)} photos were answered. Of their {intervals} intervals of lean and turn "
        f"{holding} hold the truth ({100 * holding / intervals:.1f} %). Off by more than {WRONG_DEG:g}°: "
        f"{len(far)}; the largest error is {worst:.3f}°. Ten photos cannot tell 85 % from 95 %, and rows that "
        "share ten scenes share what errs in them: one row is no proof. No mirror here is true within 0.1°, so "
        "no answer has exit code 0.\n"
    )


def _refusals(cases: Sequence[Case]) -> str:
    lines = ["| condition | refused | what is said | what is to be tried |", "| --- | --- | --- | --- |"]
    for name, group in named(cases).items():
        said = Counter((_plain(c["answer"]["message"], c), c["answer"]["try"]) for c in group if not answered(c))
        lines += [f"| {name} | {count} | {message} | {remedy} |" for (message, remedy), count in said.items()]
    return "\n".join(lines)


def _plain(message: str, case: Case) -> str:
    return str(message.replace(case["photo"], "PHOTO"))


def _sayings(cases: Sequence[Case]) -> str:
    lines = ["| condition | grade | named | warnings |", "| --- | --- | --- | --- |"]
    for name, group in named(cases).items():
        told = [case["answer"] for case in group if answered(case)]
        if told:
            columns = (
                Counter(answer["quality"]["grade"] for answer in told),
                Counter(answer["quality"]["cause"] for answer in told if answer["quality"]["cause"]),
                Counter(_first(words) for answer in told for words in answer["warnings"]),
            )
            cells = ["; ".join(f"{n} {words}" for words, n in column.most_common()) or "–" for column in columns]
            lines.append(f"| {name} | " + " | ".join(cells) + " |")
    return "\n".join(lines)


def _first(words: str) -> str:
    """A warning's beginning, without the photo's name and numbers."""
    if "corners of the reflection" in words:
        return "only some corners of the reflection are visible"
    return words.partition(":")[0].partition(". ")[0]


def _scale(cases: Sequence[Case]) -> str:
    """The gap of prints at 97 %, with and without the measured rule."""
    lines = ["| | gap: mean error, share of the truth | interval holds the gap |", "| --- | --- | --- |"]
    for name, group in named(cases).items():
        if not name.startswith("printed at 97"):
            continue
        told = [case for case in group if answered(case)]
        gaps = [(case["answer"]["mirrors"][0]["distance_mm"], case["truth"]["distance_mm"]) for case in told]
        share = statistics.fmean((gap["value"] - true) / true for gap, true in gaps)
        inside = sum(gap["low"] <= true <= gap["high"] for gap, true in gaps)
        lines.append(f"| {name} | {100 * share:+.1f} % | {inside} of {len(gaps)} |")
    words = (
        "Lean and turn are angles: the print's scale does not touch them. Lengths, the gap and the glass, rest on "
        'it. Where `--rule` is not given the answer says "taken to be printed at 100 %", and `rule_mm` is null in '
        "the JSON: the interval of the gap holds for a print to scale only.\n"
    )
    return "\n".join(lines) + "\n\n" + words

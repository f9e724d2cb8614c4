"""Tables of a log of corrupted inputs, in Markdown."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import Any

Case = dict[str, Any]
#: Answers off by more than this are counted; with exit code 0, those off by more than twice the tolerance [deg].
WRONG_DEG, CONFIDENT_WRONG_DEG = 1.0, 0.2


def tables(cases: Sequence[Case]) -> str:
    """The whole account: what was run, what must not be, and answers against truth."""
    parts = [_overall(cases), _by_corruption(cases), _problems(cases)]
    return "\n\n".join(part for part in parts if part) + "\n"


def _overall(cases: Sequence[Case]) -> str:
    rows = ["| inputs | cases | answered | refused | traceback | over 20 s | half-written | longest, s (CPU) |"]
    rows.append("|---|---|---|---|---|---|---|---|")
    groups = [
        (kind, [c for c in cases if c["kind"] == kind]) for kind in ("pictures", "images", "texts", "hostile")
    ]
    for kind, group in [*groups, ("all", list(cases))]:
        outcomes = Counter(case["outcome"] for case in group)
        told = [problem for case in group for problem in case["problems"]]
        cells = [kind, len(group), outcomes["answered"] + outcomes["done"], outcomes["refused"]]
        bad = ("traceback", "took", "half-written")
        cells += [sum(problem.startswith(word) for problem in told) for word in bad]
        longest = max((case["cpu_s"] for case in group), default=0.0)
        rows.append("| " + " | ".join(str(cell) for cell in cells) + f" | {longest:.1f} |")
    return "\n".join(rows)


def coverage(cases: Sequence[Case]) -> tuple[int, int, int]:
    """(answers, intervals, intervals that hold the truth); lean and turn of each judged mirror count one each."""
    answered = [case for case in cases if "held" in case]
    return len(answered), sum(len(case["held"]) for case in answered), sum(sum(case["held"]) for case in answered)


def wrong(cases: Sequence[Case]) -> list[Case]:
    """Answers off by more than twice the tolerance with exit code 0."""
    return [c for c in cases if c["code"] == 0 and max(map(abs, c.get("error_deg", [0]))) > CONFIDENT_WRONG_DEG]


def _by_corruption(cases: Sequence[Case]) -> str:
    seen = [case for case in cases if case["kind"] == "pictures"]
    names = sorted({name for case in seen for name in case["done"].split(" + ")})
    rows = ["| what was done | cases | answered | intervals that hold, % | off by > 1° (exit 0: > 0.2°) |"]
    rows.append("|---|---|---|---|---|")
    groups = [(name, [c for c in seen if name in c["done"].split(" + ")]) for name in names]
    groups += [("all pictures", seen), ("damaged image files", [c for c in cases if c["kind"] == "images"])]
    groups.append(("hostile use", [c for c in cases if c["kind"] == "hostile"]))
    groups.append(("with exit code 0", [c for c in cases if c["code"] == 0]))
    groups.append(("all", list(cases)))
    for name, group in groups:
        answers, intervals, held = coverage(group)
        share = f"{100 * held / intervals:.1f}" if intervals else "–"
        far = sum(max(map(abs, c.get("error_deg", [0]))) > WRONG_DEG for c in group)
        rows.append(f"| {name} | {len(group)} | {answers} | {share} | {far} ({len(wrong(group))}) |")
    return "\n".join(rows)


def _problems(cases: Sequence[Case]) -> str:
    bad = [case for case in cases if case["problems"]]
    return "\n".join(f"- {c['kind']}:{c['number']} {c['command']} [{c['done']}] {c['problems']}" for c in bad[:60])

"""docs/conditions.md: what became of the photos of every condition."""

from __future__ import annotations

import statistics
from collections import Counter
from collections.abc import Sequence
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

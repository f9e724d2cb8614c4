"""docs/accuracy_bent.md: how answers hold where mirrors are bent, paper curls and prints are skewed."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np

from tests.bench.accuracy_tables import percent, table
from tests.bench.bent_answers import Answer, Interval
from tests.rendering.analytic.cases import GROUPS, SIZE_PX

INTRODUCTION = """# How accurate it is outside a flat world, measured

Mirrors bend, paper curls, printers skew. These photos show all that, of known truth. They are drawn, not
traced: every sub-pixel is followed by formulae back through the lens, off or through the mirror's curved faces,
down to the curled paper and the print (`tests/rendering/analytic`). The set-up shares nothing with the traced
one of the [accuracy page](accuracy.md): another scene, another finish (colour filter array, sharpening, an
S-shaped tone curve, JPEG 4:2:0). {width} x {height} pixels, a quarter of them upright; focal length in EXIF,
true to 1.2 % (sd).

    python -m tests.bench.bent_photos DIR --seed {seed} --cases 34
    python -m tests.bench.bent_gate 80 > DIR/gate.json
    python -m tests.bench.bent DIR --gate DIR/gate.json      # this page

Each group has {photos} photos of {cases} cases; {threes} of these have three photos of one mirror and one sheet,
which are answered {sets}, so that not all photos of a group are independent. What is drawn:

- **Mirror**: 1.2 to 2 times as wide as the sheet, 4 to 70 mm (times the sheet's width over 200 mm) behind the
  sheet's contact edge; front-coated or 2 to 6 mm of glass, its ghosts drawn. Two in five are nearly true
  (within 0.15°), the others within 2.5° of lean and 4° of turn.
- **bent**: one main bend of 0.02 to 0.5 mm over the whole face, across (parabola, cosine arch, or a beam under
  a clip's load), upright or twisted, with lesser ones (up to 0.12 mm) of the other kinds, half of the time
  each.
- **curled**: the far edge, the near edge, both, or a corner, up by 0.1 to 2 mm over its last 35 to 70 mm. Paper
  is bent, not stretched: a curl also draws its edge in, by up to 0.04 mm.
- **skewed**: scales along and across apart (0.14 % sd each), shear (0.1 % sd), rows bowed (0.03 mm sd); common
  practice, no source, and as wide as `align` takes an ordinary printer for (sets before: 0.12 %, 0.07 %, 0.02 mm).
- **combined**: two or all three of these.

Lean and turn are compared with the mean plane of the part of the face in which the corners are reflected (the
least-squares plane over the rectangle that holds them), and sagittae with that part's. "Held" counts the 95 %
intervals that hold the truth; its brackets are Wilson's 95 % intervals. "exact print" is `--exact-print`, which
only prints that are exact are given. The stock route is two separate poses by OpenCV ([accuracy](accuracy.md));
of three photos the mean.
"""

GATE_WORDS = """\
Corners of photos finished with nothing but blur and a whiff of noise, as `align` matches them, against their
places by an independent way: the optical path is stationary (Fermat), OpenCV projects. The drawing's own rays
through those places miss the print's corners by at most {miss:.0e} µm. Asked: means below 0.003 px direct and
0.01 px reflected, nothing above 0.3 µm that repeats per corner, no dependence on the place within a pixel. A
pattern below zero is chance's part overestimated. With ghosts, what is measured is the matching: a ghost pulls
at the corner that it crosses, in real photos too. Of curled paper this is the first match, through one plane;
it is matched again as it was solved.
"""


def page(answers: Sequence[Answer], gate: dict[str, Any] | None, note: str, seed: int) -> str:
    """The whole page."""
    singles = [a for a in answers if a.photos == 1]
    together = _each_group({(a.group, a.case) for a in answers if a.photos > 1})
    counts: dict[str, Any] = {
        "photos": _each_group({(a.group, a.first) for a in singles}),
        "cases": _each_group({(a.group, a.case) for a in singles}),
        "threes": _each_group({(a.group, a.case) for a in singles if a.first.endswith("_2")}),
        "sets": f"alone and, in {together} cases of each group, together" if together != "0" else "alone",
    }
    parts = [INTRODUCTION.format(seed=seed, width=SIZE_PX[0], height=SIZE_PX[1], **counts)]
    parts += [note + "\n"] if note else []
    parts.append("## In short\n\n" + in_short(answers))
    for way in ("exact print", "nothing stated"):
        for photos, name in ((1, "one photo"), (3, "three photos")):
            chosen = [a for a in answers if a.way == way and a.photos == photos]
            if chosen:
                parts.append(f"## {way.capitalize()}, {name}\n\n" + by_group(chosen))
    parts.append("## All answers\n\n" + overall(answers))
    parts.append("## Sagitta of the part that was measured\n\n" + sagittae(answers))
    parts.append("## Exit code 0\n\n" + exit_codes(answers))
    parts.append("## Front-coated or back-silvered\n\n" + verdicts(answers))
    if gate is not None:
        parts.append("## Can the photos be trusted?\n\n" + gate_text(gate))
    return "\n".join(parts)


def _each_group(things: set[tuple[str, str]]) -> str:
    """How many things, given as (group, name), each group has: a number, or the fewest and the most."""
    counts = [sum(group == each for group, _ in things) for each in GROUPS]
    return f"{min(counts)} to {max(counts)}" if min(counts) < max(counts) else str(counts[0])


def in_short(answers: Sequence[Answer]) -> str:
    """What was aimed at before the photos were drawn, and what was measured; every photo and every three once."""
    best = _each_once(answers)
    rows = []
    for name in ("lean", "turn"):
        held = [i.holds for i in _intervals(best, name)]
        share = 100 * float(np.mean(held))
        rows.append(
            [f"95 % intervals of {name} that hold", "93 to 97 %", percent(sum(held), len(held)), 93 <= share <= 97]
        )
    worst = min(_group_shares(best), key=lambda found: found[1])
    words = f"{worst[0]}: {worst[1]:.1f} % of {worst[2]}"
    rows.append(["the worst group's, lean or turn", "≥ 90 %", words, worst[1] >= 90])
    flat = [a for a in best if a.group == "flat" and a.way == "exact print"]
    bent = [a for a in best if a.group in ("bent", "curled")]
    for words, chosen, most in (("flat, exact print", flat, 0.008), ("bent or curled", bent, 0.03)):
        found = _rms(np.array([i.error for i in _intervals(chosen, "lean")]))
        rows.append([f"rms of lean, {words}", f"≤ {most}°", f"{found:.4f}°", found <= most])
    wide = [a for a in best if a.share_of_width >= 1 / 3]
    for name in ("across", "upright"):
        found = _rms(np.array([i.error for i in _intervals(wide, f"sagitta_{name}")]))
        words = f"rms of the sagitta {name}, a third of the width or more covered"
        rows.append([words, "≤ 0.02 mm", f"{found:.4f} mm", found <= 0.02])
    wrong = sum(a.falsely_true for a in answers)
    rows.append(["exit code 0 though off by more than twice the tolerance", "none", str(wrong), wrong == 0])
    refused = sum(a.lean is None for a in best)
    words = f"{refused} of {len(best)} photos and sets were refused.\n"
    shown = [[*row[:3], "met" if row[3] else "**not met**"] for row in rows]
    return table(["", "aim", "measured", ""], shown) + "\n" + words


def _intervals(answers: Sequence[Answer], name: str) -> list[Interval]:
    """The intervals of one number, where it was given."""
    return [interval for a in answers if (interval := getattr(a, name)) is not None]


def _group_shares(answers: Sequence[Answer]) -> list[tuple[str, float, int]]:
    """(group and number, share held [%], how many) of lean and of turn in each group."""
    shares = []
    for group in GROUPS:
        for name in ("lean", "turn"):
            held = [i.holds for i in _intervals([a for a in answers if a.group == group], name)]
            if held:
                shares.append((f"{group}, {name}", 100 * float(np.mean(held)), len(held)))
    return shares


def by_group(answers: Sequence[Answer]) -> str:
    """Errors and held intervals of lean and of turn, group by group."""
    tables = []
    for which, name in enumerate(("lean", "turn")):
        head = [
            "group",
            "answers",
            "refused",
            f"{name} rms [°]",
            "median [°]",
            "largest [°]",
            "half-width, median [°]",
        ]
        head += ["held", "stock route, rms [°]"]
        rows = []
        for group in (*GROUPS, "all"):
            chosen = [a for a in answers if group in (a.group, "all")]
            if chosen:
                rows.append(_group_row(group, chosen, which))
        tables.append(table(head, rows))
    return "\n".join(tables)


def _group_row(group: str, answers: Sequence[Answer], which: int) -> list[str]:
    found = [interval for a in answers if (interval := (a.lean, a.turn)[which])]
    stock = np.array([a.stock_error_deg[which] for a in answers if a.stock_error_deg])
    errors = np.abs([interval.error for interval in found])
    halves = np.array([(interval.high - interval.low) / 2 for interval in found])
    none = not len(found)
    return [
        group,
        str(len(found)),
        str(len(answers) - len(found)),
        "–" if none else f"{_rms(errors):.4f}",
        "–" if none else f"{np.median(errors):.4f}",
        "–" if none else f"{errors.max():.3f}",
        "–" if none else f"{np.median(halves):.4f}",
        percent(sum(interval.holds for interval in found), len(found)),
        f"{_rms(stock):.3f} ({len(stock)} solved)" if len(stock) else "none solved",
    ]


def _rms(values: np.ndarray) -> float:
    return float(np.sqrt(np.mean(values**2))) if len(values) else float("nan")


def overall(answers: Sequence[Answer]) -> str:
    """Held intervals over all groups; every case once: as exact where its print is exact and that can be stated."""
    best = _each_once(answers)
    rows = []
    for photos in (1, 3):
        for name, take in (("lean", lambda a: a.lean), ("turn", lambda a: a.turn)):
            found = [take(a) for a in best if a.photos == photos and take(a)]
            rows.append([f"{photos}", name, percent(sum(i.holds for i in found), len(found))])
    both = [i for a in best for i in (a.lean, a.turn) if i]
    rows.append(["all", "lean and turn", percent(sum(i.holds for i in both), len(both))])
    words = "Every photo and every three once, stated to be an exact print where it is one.\n\n"
    return words + table(["photos", "", "held"], rows)


def _each_once(answers: Sequence[Answer]) -> list[Answer]:
    exact = {(a.first, a.photos) for a in answers if a.way == "exact print"}
    return [a for a in answers if a.way == "exact print" or (a.first, a.photos) not in exact]


def sagittae(answers: Sequence[Answer]) -> str:
    """Errors of the two sagittae where the reflection covers a third of the mirror's width, and elsewhere."""
    rows = []
    for photos in (1, 3):
        for wide in (True, False):
            chosen = [a for a in _each_once(answers) if a.photos == photos and (a.share_of_width >= 1 / 3) == wide]
            for name in ("across", "upright"):
                found = [i for a in chosen if (i := getattr(a, f"sagitta_{name}"))]
                if found:
                    rows.append(_sagitta_row(photos, wide, name, found))
    if not rows:
        return "No answer held a sagitta.\n"
    head = ["photos", "reflection covers", "sagitta", "answers", "rms error [mm]", "true rms [mm]", "held"]
    return table(head, rows)


def _sagitta_row(photos: int, wide: bool, name: str, found: Iterable[Interval]) -> list[str]:
    intervals = list(found)
    return [
        str(photos),
        "a third of the width or more" if wide else "less",
        name,
        str(len(intervals)),
        f"{_rms(np.array([i.error for i in intervals])):.4f}",
        f"{_rms(np.array([i.true for i in intervals])):.4f}",
        percent(sum(i.holds for i in intervals), len(intervals)),
    ]


def exit_codes(answers: Sequence[Answer]) -> str:
    """How often a mirror was called true, and which of those were off by more than twice the tolerance."""
    true = [a for a in answers if a.exit_code == 0]
    wrong = [a for a in answers if a.falsely_true]
    text = (
        f"{len(true)} of {len(answers)} answers called the mirror true within the default tolerance of 0.1°; "
        f"{len(wrong)} of them were off by more than twice that"
    )
    if not wrong:
        return text + ".\n"
    names = [
        f"{a.case} ({a.photos} photos, {a.way}: lean {a.lean.true:.2f}°, turn {a.turn.true:.2f}°)"
        for a in wrong
        if a.lean and a.turn
    ]
    return text + ": " + "; ".join(names) + ".\n"


def verdicts(answers: Sequence[Answer]) -> str:
    """Verdicts about the glass, by group."""
    rows = []
    for group in GROUPS:
        chosen = [a for a in answers if a.group == group and a.lean]
        right = wrong = 0
        for a in chosen:
            is_front = a.thickness_true_mm == 0
            right += a.glass_verdict == ("front-coated" if is_front else "back-silvered")
            wrong += a.glass_verdict == ("back-silvered" if is_front else "front-coated")
        rows.append([group, str(len(chosen)), str(right), str(wrong), str(len(chosen) - right - wrong)])
    wrong = sum(int(row[3]) for row in rows)
    front = sum(a.thickness_true_mm == 0 and a.lean is not None for a in answers)
    words = (
        f"{sum(int(row[1]) for row in rows)} answers, {front} of them of front-coated mirrors: {wrong} called a "
        "front-coated mirror back-silvered or the reverse, bent or not.\n\n"
    )
    return words + table(["group", "answers", "right", "wrong", "undetermined"], rows)


def gate_text(gate: dict[str, Any]) -> str:
    """What was asked of the drawing before anything was concluded from it."""
    misses = gate["ray_misses_um"]
    rows = []
    for key, words in (("without_ghosts", "no ghosts drawn"), ("with_ghosts", "ghosts drawn")):
        for name, figures in gate[key].items():
            rows.append(
                [
                    f"{name}, {words}",
                    f"{figures['views']:.0f}",
                    f"{figures['mean_x_px']:+.4f}, {figures['mean_y_px']:+.4f} (± {figures['mean_se_px']:.4f})",
                    f"{figures['largest_view_mean_px']:.4f}",
                    f"{figures['rms_px']:.4f}",
                    f"{figures['pattern_um']:.2f}",
                    f"{figures['fraction_px']:.4f} (± {figures['fraction_se_px']:.4f})",
                ]
            )
    head = ["corners", "views", "mean error x, y (se) [px]", "largest mean of a view [px]", "rms [px]"]
    head += ["same at each corner in all views [µm]", "depends on the place within a pixel (se) [px]"]
    return GATE_WORDS.format(miss=max(misses.values())) + "\n" + table(head, rows)

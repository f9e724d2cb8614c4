"""docs/accuracy.md from the records: tables first, then what they mean and what they do not cover."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from tests.bench.accuracy_figures import NAMES
from tests.bench.accuracy_ghosts import Ghosts, ghosts_section, reach_ghosts
from tests.bench.accuracy_photos import WAYS, CornerErrors, PhotoRecord
from tests.bench.accuracy_prose import (
    BESIDE,
    COVERAGE_PROSE,
    FLAT_PROSE,
    MADE_BY,
    NOT_COVERED,
    PHOTOS_PROSE,
    SIMULATED_PROSE,
    STOCK_PROSE,
    TIMING_PROSE,
)
from tests.bench.accuracy_real import real_section
from tests.bench.accuracy_simulated import CASES, QUANTITIES, UNITS, ViewRecord
from tests.bench.accuracy_summary import (
    photo_spread,
    photo_stock,
    rms,
    spread,
    stock_errors,
    unanswered,
    wilson,
)
from tests.bench.accuracy_tables import Row, percent, table
from tests.bench.accuracy_timing import Timing


@dataclass(frozen=True, eq=False)
class Measurements:
    """All that one run of accuracy.py measured."""

    seed: int
    views: list[ViewRecord]
    flat_views: list[ViewRecord]
    photos: list[PhotoRecord]
    sample_names: frozenset[str]
    skipped: list[str]
    timing: list[Timing]
    ghosts: Ghosts


def page(m: Measurements) -> str:
    """The whole page."""
    parts = [
        "# How accurate it is, measured\n",
        MADE_BY,
        f"    python -m tests.bench.accuracy --views {len(m.views)} --seed {m.seed} [--photos DIR ...] "
        "[--ghosts DIR]\n",
        BESIDE,
        "## In short\n",
        _reach(m),
        "## Simulated views\n",
        SIMULATED_PROSE.format(views=len(m.views), redrawn=sum(r.redrawn for r in m.views)),
        _simulated_table(m.views),
        f"![Shares of simulated views below an error](figures/{NAMES[0]})\n",
        COVERAGE_PROSE,
        f"![Intervals that hold the truth, less what they promise](figures/{NAMES[1]})\n",
        "### With more knowledge\n",
        _cases_table(m.views),
        "### On a sheet that is truly flat\n",
        _flat_section(m.flat_views),
        "### By sheet and by glass\n",
        _groups_table(m.views),
        "### The stock route on the same corners\n",
        STOCK_PROSE,
        _stock_table(m.views),
        "## Rendered photos\n",
        _photos_section(m),
        "## Ghosts of lamps\n",
        ghosts_section(m.ghosts),
        *(["## Real photos\n", section] if (section := real_section()) else []),
        "## Time\n",
        _timing_section(m.timing),
        "## What this does not cover\n",
        NOT_COVERED,
    ]
    return "\n".join(parts).rstrip() + "\n"


def _reach(m: Measurements) -> str:
    """What was aimed at, what was measured, and whether that is enough."""
    rows = [_reach_bound(m.views), _reach_coverage(m.views), _reach_stock(m.views)]
    if m.photos:
        rows += [_reach_photos(m.photos, WAYS[0], 0.02), _reach_photos(m.photos, WAYS[1], 0.01)]
        rows += [_reach_photo_stock(m.photos), _reach_photo_coverage(m.photos), _reach_solved(m)]
    rows += reach_ghosts(m.ghosts)
    if m.timing:
        worst = max(m.timing, key=lambda t: t.ratio)
        rows.append(
            (
                "time of `align check` / bare stock script, slowest photo",
                "≤ 2",
                f"{worst.ratio:.2f}",
                worst.ratio <= 2,
            )
        )
        help_s = max(t.help_s for t in m.timing)
        rows.append(("`align --help`", "≤ 0.3 s", f"{help_s:.2f} s", help_s <= 0.3))
    return table(
        ("", "reach", "measured", ""), [(a, b, c, "met" if met else "**not met**") for a, b, c, met in rows]
    )


def _reach_bound(views: Sequence[ViewRecord]) -> Row:
    lean, turn = (spread(views, CASES[0], q) for q in QUANTITIES[:2])
    worst = max(lean.ratio, turn.ratio)
    text = f"lean {lean.ratio:.2f}, turn {turn.ratio:.2f}"
    return "simulated rms error / Cramér-Rao bound, nothing stated", "≤ 1.3", text, worst <= 1.3


def _reach_coverage(views: Sequence[ViewRecord]) -> Row:
    lean, turn = (spread(views, CASES[0], q) for q in QUANTITIES[:2])
    held, count = lean.held + turn.held, lean.count + turn.count
    text = f"{percent(held, count)}: lean {100 * lean.coverage:.1f} %, turn {100 * turn.coverage:.1f} %"
    label = "95 % intervals that hold the truth, simulated, nothing stated, lean and turn together"
    return label, "93 to 97 %", text, 0.93 <= held / count <= 0.97


def _reach_stock(views: Sequence[ViewRecord]) -> Row:
    ours = spread(views, CASES[0], "lean").rms
    stock = min(rms(stock_errors(views, way)[:, 0]) for way in ("rotation", "translation"))
    label = "rms lean error, ours / stock route, same simulated corners"
    return label, "≤ 0.2", f"{ours:.4f}° / {stock:.3f}° = {ours / stock:.3f}", ours / stock <= 0.2


def _reach_photos(photos: Sequence[PhotoRecord], way: str, limit_deg: float) -> Row:
    found = photo_spread(photos, way)
    text = f"{found.rms[0]:.4f}° ({len(found.error)} of {found.mirrors} mirrors answered)"
    return (
        f"rms lean error on rendered photos, {way}",
        f"≤ {limit_deg}°",
        text,
        bool(found.rms[0] <= limit_deg),
    )


def _reach_photo_stock(photos: Sequence[PhotoRecord]) -> Row:
    stock, ours = photo_stock(photos, "rotation")
    other, _ = photo_stock(photos, "translation")
    if not len(stock):
        return "rms lean error, ours / stock route, photos both solve", "≤ 0.2", "stock solves none", False
    best = min(rms(stock[:, 0]), rms(other[:, 0]))
    ratio = rms(ours[:, 0]) / best
    text = f"{rms(ours[:, 0]):.4f}° / {best:.3f}° = {ratio:.3f} ({len(stock)} photos)"
    return "rms lean error, ours / stock route, photos both solve", "≤ 0.2", text, ratio <= 0.2


def _reach_photo_coverage(photos: Sequence[PhotoRecord]) -> Row:
    found = photo_spread(photos, WAYS[0])
    held, count = int(found.held[:2].sum()), 2 * len(found.error)
    low, high = wilson(held, count)
    label = "95 % intervals that hold the truth, rendered photos, lean and turn together"
    return label, "93 to 97 %, as far as so few can tell", percent(held, count), low <= 0.97 and high >= 0.93


def _reach_solved(m: Measurements) -> Row:
    samples = [r for r in m.photos if r.name in m.sample_names]
    solved = sum(r.solved for r in samples)
    return "sample photos solved", "all", f"{solved} of {len(samples)}", solved == len(samples) > 0


def _simulated_table(views: Sequence[ViewRecord]) -> str:
    rows = []
    for quantity, unit in zip(QUANTITIES, UNITS, strict=True):
        s = spread(views, CASES[0], quantity)
        rows.append(
            (
                f"{quantity} [{unit}]",
                f"{s.rms:.4f}",
                f"{s.bound:.4f}",
                f"{s.ratio:.2f} ({s.ratio_range[0]:.2f} to {s.ratio_range[1]:.2f})",
                f"{s.normalised:.2f}",
                f"{s.median_abs:.4f}",
                f"{s.mean_z:+.1f}",
                percent(s.held, s.count),
            )
        )
    head = ("nothing stated", "rms error", "bound, rms", "ratio (95 % interval)", "rms of error / bound")
    failed = f"Views without an answer: {unanswered(views, CASES[0])} of {len(views)}.\n"
    return (
        table((*head, "median abs. error", "bias, in its se", "intervals that hold the truth"), rows)
        + "\n"
        + failed
    )


def _cases_table(views: Sequence[ViewRecord]) -> str:
    rows = []
    for case in CASES[1:]:
        for quantity, unit in zip(QUANTITIES, UNITS, strict=True):
            s = spread(views, case, quantity)
            ratio = f"{s.ratio:.2f} ({s.ratio_range[0]:.2f} to {s.ratio_range[1]:.2f})"
            texts = (
                f"{quantity} [{unit}]",
                f"{s.rms:.4f}",
                f"{s.bound:.4f}",
                ratio,
                percent(s.held, s.count),
            )
            rows.append((case, *texts))
    head = ("", "", "rms error", "bound, rms", "ratio (95 % interval)", "intervals that hold the truth")
    lost = ", ".join(f"{case}: {unanswered(views, case)}" for case in CASES[1:])
    return table(head, rows) + f"\nViews without an answer: {lost}.\n"


def _flat_section(views: Sequence[ViewRecord]) -> str:
    if not views:
        return "Not run.\n"
    rows = []
    for quantity, unit in zip(QUANTITIES, UNITS, strict=True):
        s = spread(views, CASES[0], quantity)
        rows.append(
            (
                f"{quantity} [{unit}]",
                f"{s.rms:.4f}",
                f"{s.bound:.4f}",
                f"{s.ratio:.2f}",
                percent(s.held, s.count),
            )
        )
    text = FLAT_PROSE.format(views=len(views))
    return text + "\n" + table(("", "rms error", "bound, rms", "ratio", "intervals that hold the truth"), rows)


def _groups_table(views: Sequence[ViewRecord]) -> str:
    groups: dict[str, list[ViewRecord]] = {}
    for record in views:
        groups.setdefault(f"sheet {record.sheet}", []).append(record)
    for record in sorted(views, key=lambda r: r.glass_mm):
        groups.setdefault(f"glass {record.glass_mm:g} mm", []).append(record)
    rows = []
    for name, group in groups.items():
        lean, turn = (spread(group, CASES[0], q) for q in ("lean", "turn"))
        held, count = lean.held + turn.held, lean.count + turn.count
        stock = rms(stock_errors(group, "rotation")[:, 0])
        errors = (f"{lean.rms:.4f}", f"{lean.bound:.4f}", f"{turn.rms:.4f}", f"{turn.bound:.4f}")
        rows.append((name, str(len(group)), *errors, percent(held, count), f"{stock:.3f}"))
    head = ("nothing stated", "views", "lean rms [°]", "its bound [°]", "turn rms [°]", "its bound [°]")
    return table((*head, "lean and turn intervals that hold the truth", "stock lean rms [°]"), rows)


def _stock_table(views: Sequence[ViewRecord]) -> str:
    rows = []
    ours = [spread(views, CASES[0], q).rms for q in ("lean", "turn")]
    for way in ("rotation", "translation"):
        errors = stock_errors(views, way)
        values = [rms(errors[:, i]) for i in (0, 1)]
        medians = [float(np.median(np.abs(errors[:, i]))) for i in (0, 1)]
        cells = [f"{len(errors)} of {len(views)}"]
        for value, median, our in zip(values, medians, ours, strict=True):
            cells += [f"{value:.4f}", f"{median:.4f}", f"{our / value:.3f}"]
        rows.append((way, *cells))
    head = ("normal from", "solved", "lean rms [°]", "lean median [°]", "ours / it, lean")
    return table((*head, "turn rms [°]", "turn median [°]", "ours / it, turn"), rows)


def _photos_section(m: Measurements) -> str:
    if not m.photos:
        return "No photo with a truth file was found.\n"
    text = PHOTOS_PROSE.format(
        photos=len(m.photos),
        samples=sum(r.name in m.sample_names for r in m.photos),
        ours=sum(r.solved for r in m.photos),
        stock=sum(bool(r.stock) for r in m.photos),
    )
    if m.skipped:
        text += f"\nLeft out, because they show no sheet before a mirror: {', '.join(m.skipped)}.\n"
    parts = [text, _photo_spread_table(m.photos), f"![Errors photo by photo](figures/{NAMES[2]})\n"]
    parts += [
        "### Photo by photo\n",
        _answers_table(m.photos),
        "### The corners\n",
        _corner_means(m.photos),
        _corners_table(m.photos),
    ]
    lost = [f"- {r.name}, {way}: {why}" for r in m.photos for way, why in r.failures.items()]
    if lost:
        parts += ["### Without an answer\n", "\n".join(lost) + "\n"]
    return "\n".join(parts)


def _photo_spread_table(photos: Sequence[PhotoRecord]) -> str:
    rows = []
    for way in WAYS:
        s = photo_spread(photos, way)
        held = [
            f"{percent(int(h), len(s.error))}; rms {sd:.2f} sd, mean {mean:+.2f} sd"
            for h, sd, mean in zip(s.held, s.in_sd, s.mean_sd, strict=True)
        ]
        values = (f"{s.rms[0]:.4f}", f"{s.rms[1]:.4f}", f"{s.rms[2]:.2f}")
        rows.append((f"ours, {way}", f"{len(s.error)} of {s.mirrors}", *values, *held))
    for way in ("rotation", "translation"):
        errors, _ = photo_stock(photos, way)
        values = ("–", "–") if not len(errors) else (f"{rms(errors[:, 0]):.4f}", f"{rms(errors[:, 1]):.4f}")
        rows.append((f"stock, normal from {way}", f"{len(errors)} photos", *values, "–", "–", "–", "–"))
    head = ("", "mirrors answered", "lean rms [°]", "turn rms [°]", "distance rms [mm]")
    return table((*head, "lean held", "turn held", "distance held"), rows)


def _answers_table(photos: Sequence[PhotoRecord]) -> str:
    rows = []
    for r in photos:
        for number, truth in enumerate(r.truths):
            cells = [r.name, r.sheet, f"{truth[0]:+.2f}, {truth[1]:+.2f}", f"{truth[2]:.0f}", f"{truth[3]:g}"]
            for way in WAYS:
                answer = r.answers[way][number]
                if answer is None:
                    cells += ["no answer"] * 3
                    continue
                for place, digits in enumerate((4, 4, 2)):
                    missed = "" if answer.covered[place] else " **missed**"
                    cells.append(
                        f"{answer.error[place]:+.{digits}f} ± {answer.half_width[place]:.{digits}f}{missed}"
                    )
            stock = r.stock.get("rotation")
            cells.append("no answer" if stock is None else f"{stock[0]:+.3f}, {stock[1]:+.3f}")
            cells.append(f"{r.seconds[WAYS[0]]:.1f}")
            rows.append(cells)
    head = ["photo", "sheet", "true lean, turn [°]", "distance [mm]", "glass [mm]"]
    head += [f"{way}: {q}" for way in WAYS for q in ("lean [°]", "turn [°]", "distance [mm]")]
    return table((*head, "stock: lean, turn [°]", "our time [s]"), rows)


def _corners_table(photos: Sequence[PhotoRecord]) -> str:
    rows = []
    for r in photos:
        for number, reflected in enumerate(r.reflected):
            ours = [*_corner_cells(r.direct), *_corner_cells(reflected)]
            rows.append(
                (
                    r.name if len(r.truths) == 1 else f"{r.name} {number + 1}",
                    *ours,
                    *map(str, r.stock_corners),
                )
            )
    parts = [
        f"{board}: {what}" for board in ("direct", "reflected") for what in ("found", "rms [px]", "mean x, y [px]")
    ]
    return table(("photo", *parts, "stock: direct", "stock: in the flip"), rows)


def _corner_means(photos: Sequence[PhotoRecord]) -> str:
    """Mean corner error over the photos, by kind of board: a shift common to all would show here."""
    groups: dict[str, list[CornerErrors]] = {"direct": [r.direct for r in photos if r.direct]}
    for name, coated in (("reflected, front-coated", True), ("reflected, behind glass", False)):
        groups[name] = [
            corners
            for r in photos
            for corners, truth in zip(r.reflected, r.truths, strict=True)
            if corners and (truth[3] == 0) == coated
        ]
    rows = []
    for name, group in groups.items():
        if len(group) > 1:
            means = np.array([corners.mean_px for corners in group])
            se = means.std(axis=0, ddof=1) / np.sqrt(len(means))
            cells = [f"{mean:+.4f} ± {one:.4f}" for mean, one in zip(means.mean(axis=0), se, strict=True)]
            rows.append((name, str(len(group)), f"{rms(np.array([c.rms_px for c in group])):.3f}", *cells))
    return table(("board", "boards", "rms [px]", "mean in x ± se [px]", "mean in y ± se [px]"), rows)


def _corner_cells(corners: CornerErrors | None) -> tuple[str, str, str]:
    if corners is None:
        return "–", "–", "–"
    mean = f"{corners.mean_px[0]:+.3f}, {corners.mean_px[1]:+.3f}"
    return f"{corners.found} of {corners.possible}", f"{corners.rms_px:.3f}", mean


def _timing_section(timing: Sequence[Timing]) -> str:
    if not timing:
        return "Not measured in this run.\n"
    rows = [
        (t.photo, f"{t.check_s:.2f}", f"{t.stock_s:.2f}", f"{t.ratio:.2f}", f"{t.help_s:.2f}", str(t.rounds))
        for t in timing
    ]
    head = ("photo", "`align check --json` [s]", "stock script [s]", "ratio", "`align --help` [s]", "rounds")
    return TIMING_PROSE + "\n" + table(head, rows)

"""Figures of docs/accuracy.md. They read records, they compute nothing but shares."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from statistics import NormalDist

import numpy as np
from accuracy_photos import WAYS, PhotoRecord
from accuracy_simulated import CASES, QUANTITIES, ViewRecord
from accuracy_summary import answered, stock_errors
from numpy.typing import NDArray

Array = NDArray[np.float64]

# Okabe and Ito's colours; every line and mark also differs in dash or shape.
BLUE, ORANGE, GREEN, VERMILION = "#0072B2", "#E69F00", "#009E73", "#D55E00"
NAMES = ("accuracy_simulated.png", "accuracy_intervals.png", "accuracy_photos.png")


def draw_all(folder: Path, records: Sequence[ViewRecord], photos: Sequence[PhotoRecord]) -> None:
    """Draw every figure for which there are records."""
    import matplotlib

    matplotlib.use("Agg")
    matplotlib.rcParams.update({"font.size": 17, "axes.grid": True, "grid.alpha": 0.3, "savefig.dpi": 80})
    _simulated(folder / NAMES[0], records)
    _intervals(folder / NAMES[1], records)
    if photos:
        _photos(folder / NAMES[2], photos)


def _share(axis, errors: Array, **style) -> None:  # type: ignore[no-untyped-def]
    ordered = np.sort(np.abs(errors))
    axis.plot(ordered, (np.arange(len(ordered)) + 0.5) / len(ordered), linewidth=3, **style)


def _bound_share(bounds: Array, at: Array) -> Array:
    """Share of views with |error| below `at` if every error were normal with its own bound as its sd."""
    normal = NormalDist()
    return np.array([np.mean([2 * normal.cdf(x / b) - 1 for b in bounds]) for x in at])


def _simulated(path: Path, records: Sequence[ViewRecord]) -> None:
    import matplotlib.pyplot as plt

    figure, axes = plt.subplots(1, 2, figsize=(15, 7), sharey=True, constrained_layout=True)
    for column, (axis, quantity) in enumerate(zip(axes, ("lean", "turn"), strict=True)):
        first, best = answered(records, CASES[0]), answered(records, CASES[3])
        _share(
            axis,
            stock_errors(records, "rotation")[:, column],
            color=VERMILION,
            linestyle=":",
            label="stock route",
        )
        _share(axis, np.array([a.error[column] for a in first]), color=BLUE, label="ours, nothing stated")
        if best:
            _share(
                axis,
                np.array([a.error[column] for a in best]),
                color=GREEN,
                linestyle="-.",
                label="ours, camera and glass known",
            )
        at = np.geomspace(2e-4, 2, 60)
        bounds = np.array([a.bound[column] for a in first])
        axis.plot(at, _bound_share(bounds, at), "k--", linewidth=2, label="Cramér-Rao bound, nothing stated")
        axis.set_xscale("log")
        axis.set_xlim(2e-4, 2)
        axis.set_xticks([0.001, 0.01, 0.1, 1], ["0.001", "0.01", "0.1", "1"])
        axis.set_xlabel(f"error of {quantity}, absolute [°]")
    axes[0].set_ylabel("share of simulated views below it")
    handles, labels = axes[0].get_legend_handles_labels()
    figure.legend(handles, labels, loc="outside lower center", ncols=2, frameon=False)
    figure.savefig(path)
    plt.close(figure)


def _intervals(path: Path, records: Sequence[ViewRecord]) -> None:
    """How many intervals hold the truth, at every confidence, less what they promise."""
    import matplotlib.pyplot as plt

    figure, axis = plt.subplots(figsize=(12, 7), constrained_layout=True)
    answers = answered(records, CASES[0])
    promised = np.linspace(0.02, 0.995, 80)
    spread = 100 * 1.96 * np.sqrt(promised * (1 - promised) / len(answers))
    axis.fill_between(
        100 * promised, -spread, spread, color="0.85", label=f"chance alone, 95 % of {len(answers)} views"
    )
    normal = NormalDist()
    styles = zip(("lean", "turn", "distance"), (BLUE, ORANGE, GREEN), ("-", "--", "-."), strict=True)
    for quantity, colour, dash in styles:
        column = QUANTITIES.index(quantity)
        deviates = np.array([1.96 * abs(a.error[column]) / a.half_width[column] for a in answers])
        needed = np.array([2 * normal.cdf(z) - 1 for z in deviates])
        held = np.array([(needed <= p).mean() for p in promised])
        axis.plot(100 * promised, 100 * (held - promised), dash, color=colour, linewidth=3, label=quantity)
    axis.axvline(95, color="0.4", linewidth=1)
    axis.set_xlabel("what the interval promises [%]")
    axis.set_ylabel("held less promised [percentage points]")
    figure.legend(loc="outside lower center", ncols=2, frameon=False)
    figure.savefig(path)
    plt.close(figure)


def _photos(path: Path, photos: Sequence[PhotoRecord]) -> None:
    """Each photo's errors with their intervals, and beside them the stock route's on a wider scale."""
    import matplotlib.pyplot as plt
    from matplotlib.ticker import MaxNLocator

    rows = [(r, i) for r in photos for i in range(len(r.truths))]
    names = [r.name if len(r.truths) == 1 else f"{r.name}, mirror {i + 1}" for r, i in rows]
    places = np.arange(len(rows))[::-1]
    figure, axes = plt.subplots(1, 3, figsize=(19, 2.5 + 0.5 * len(rows)), sharey=True, constrained_layout=True)
    for column, (axis, quantity) in enumerate(zip(axes, ("lean", "turn"), strict=False)):
        for way, colour, shape, shift in zip(WAYS, (BLUE, ORANGE), "os", (0.15, -0.15), strict=True):
            kept = [(p, r.answers[way][i]) for p, (r, i) in zip(places, rows, strict=True) if r.answers[way][i]]
            axis.errorbar(
                [a.error[column] for _, a in kept],
                [p + shift for p, _ in kept],
                xerr=[a.half_width[column] for _, a in kept],
                fmt=shape,
                color=colour,
                markersize=7,
                linewidth=2,
                label=f"ours, {way}",
            )
        axis.axvline(0, color="0.3", linewidth=1)
        axis.xaxis.set_major_locator(MaxNLocator(5))
        axis.set_xlabel(f"error of {quantity} [°]")
    _photo_sizes(axes[2], places, rows)
    axes[0].set_yticks(places, names)
    axes[0].set_ylim(-0.7, len(rows) - 0.3)
    handles, labels = axes[0].get_legend_handles_labels()
    more = axes[2].get_legend_handles_labels()
    figure.legend(handles + more[0], labels + more[1], loc="outside lower center", ncols=2, frameon=False)
    figure.savefig(path)
    plt.close(figure)


def _photo_sizes(axis, places: Array, rows: Sequence[tuple[PhotoRecord, int]]) -> None:  # type: ignore[no-untyped-def]
    """Lean and turn error together, ours and the stock route's, on a logarithmic axis."""
    ours = [(p, r.answers[WAYS[0]][i]) for p, (r, i) in zip(places, rows, strict=True) if r.answers[WAYS[0]][i]]
    stock = [(p, r.stock["rotation"]) for p, (r, i) in zip(places, rows, strict=True) if r.stock and i == 0]
    axis.plot([np.hypot(*a.error[:2]) for _, a in ours], [p for p, _ in ours], "o", color=BLUE, markersize=7)
    axis.plot(
        [np.hypot(*e) for _, e in stock],
        [p for p, _ in stock],
        "X",
        color=VERMILION,
        markersize=10,
        label="stock route (no mark: it finds no answer)",
    )
    axis.set_xscale("log")
    axis.set_xlim(2e-5, 20)
    axis.set_xticks([0.001, 0.01, 0.1, 1, 10], ["0.001", "0.01", "0.1", "1", "10"])
    axis.minorticks_off()
    axis.set_xlabel("lean and turn error together [°]")

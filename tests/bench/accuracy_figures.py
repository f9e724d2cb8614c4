"""Figures of docs/accuracy.md. They read records, they compute nothing but shares."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

from tests.bench.accuracy_photos import WAYS, PhotoRecord
from tests.bench.accuracy_simulated import CASES, QUANTITIES, ViewRecord
from tests.bench.accuracy_summary import answered, stock_errors
from tests.bench.ghosts_summary import Answer, of_glass, thickness_errors

Array = NDArray[np.float64]

# Okabe and Ito's colours; every line and mark also differs in dash or shape.
BLUE, ORANGE, GREEN, VERMILION = "#0072B2", "#E69F00", "#009E73", "#D55E00"
NAMES = ("accuracy_simulated.png", "accuracy_intervals.png", "accuracy_photos.png", "accuracy_ghosts.png")


def draw_all(
    folder: Path,
    records: Sequence[ViewRecord],
    photos: Sequence[PhotoRecord],
    samples: Sequence[Answer],
    traced: Sequence[Answer],
) -> None:
    """Draw every figure for which there are records."""
    use_style()
    _simulated(folder / NAMES[0], records)
    _intervals(folder / NAMES[1], records)
    if photos:
        _photos(folder / NAMES[2], photos)
    draw_ghosts(folder / NAMES[3], samples, traced)


def use_style() -> None:
    """Large type, a faint grid, no window."""
    import matplotlib

    matplotlib.use("Agg")
    matplotlib.rcParams.update({"font.size": 17, "axes.grid": True, "grid.alpha": 0.3, "savefig.dpi": 80})


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


def draw_ghosts(path: Path, samples: Sequence[Answer], traced: Sequence[Answer]) -> None:
    """Thickness measured less true, with its interval, side by side for each glass; nothing if none was told."""
    import matplotlib.pyplot as plt

    glasses = [g for g, a in of_glass([*traced, *samples]).items() if len(thickness_errors(a).error)]
    if not glasses:
        return
    figure, axis = plt.subplots(figsize=(15, 8), constrained_layout=True)
    ticks = []
    for place, glass in enumerate(glasses):
        counts = []
        for answers, style in (
            (traced, TRACED),
            (samples, SAMPLE if traced else SAMPLE | {"left": -0.2, "right": 0.2}),
        ):
            here = [answer for answer in answers if answer["thickness_mm"] == glass]
            counts.append(len(thickness_errors(here).error))
            if counts[-1]:
                _glass_errors(axis, place, here, **style)
        words = [f"{n} {what}" for n, what in zip(counts, ("traced", "sample"), strict=True) if n]
        ticks.append(f"{glass:g} mm glass\n{', '.join(words)}")
    axis.axhline(0, color="0.3", linewidth=1)
    axis.set_xticks(range(len(glasses)), ticks)
    axis.set_xlim(-0.5, len(glasses) - 0.5)
    axis.grid(visible=False, axis="x")
    axis.set_ylabel("thickness, measured less true [mm]")
    handles = dict(zip(*reversed(axis.get_legend_handles_labels()), strict=True))
    figure.legend(handles.values(), handles.keys(), loc="outside lower center", ncols=2, frameon=False)
    figure.savefig(path)
    plt.close(figure)


TRACED = {"left": -0.44, "right": 0.34, "color": BLUE, "marker": "o", "label": "traced lamps"}
SAMPLE = {"left": 0.36, "right": 0.46, "color": ORANGE, "marker": "s", "label": "sample photo, from file to answer"}


def _glass_errors(  # type: ignore[no-untyped-def]
    axis, place: int, answers: Sequence[Answer], *, left: float, right: float, color: str, marker: str, label: str
) -> None:
    """One glass's errors in order of size; intervals that miss the truth are marked by colour and shape."""
    told = thickness_errors(answers)
    order = np.argsort(told.error)
    at = place + left + (right - left) * (np.arange(len(order)) + 0.5) / len(order)
    for held, colour, shape, words in (
        (True, color, marker, f"{label}: 95 % interval holds the truth"),
        (False, VERMILION, "X", f"{label}: it does not"),
    ):
        chosen = told.holds[order] == held
        if chosen.any():
            error, low, high = (ends[order][chosen] for ends in (told.error, told.low, told.high))
            bars = np.stack([error - low, high - error])
            style = {"color": colour, "markersize": 5 if held else 9, "linewidth": 2, "label": words}
            axis.errorbar(at[chosen], error, yerr=bars, fmt=shape, **style)

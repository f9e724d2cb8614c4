"""Figures of docs/performance.md. They read measurements, they compute nothing but shares and medians."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from tests.bench.performance_measured import Measured, ratios
from tests.bench.performance_stages import BESIDE, REST, STAGES

# Okabe and Ito's colours; every line and mark also differs in dash, shape or hatching.
BLUE, ORANGE, GREEN, VERMILION, SKY, PURPLE, YELLOW = (
    "#0072B2", "#E69F00", "#009E73", "#D55E00", "#56B4E9", "#CC79A7", "#F0E442",
)  # fmt: skip
GREY = "#999999"
NAMES = ("performance_ratio.png", "performance_stages.png", "performance_memory.png", "performance_detection.png")
STAGE_STYLES = dict(
    zip(
        STAGES,
        ((GREY, ""), (YELLOW, ""), (SKY, ""), (BLUE, ""), (GREEN, ""), ("black", ""), ("white", "//"),
         (ORANGE, ""), ("white", "..")),
        strict=True,
    )
)  # fmt: skip
#: What the issue allows, in times of the stock script: the check, and the check with its picture.
ALLOWED = {"check": 2.0, "picture": 4.0}
#: ... and in memory [MB].
ALLOWED_MB = 600


def draw_all(folder: Path, measured: Measured) -> None:
    """Draw every figure for which there are measurements."""
    import matplotlib

    matplotlib.use("Agg")
    matplotlib.rcParams.update({"font.size": 17, "axes.grid": True, "grid.alpha": 0.3, "savefig.dpi": 80})
    matplotlib.rcParams.update({"axes.spines.top": False, "axes.spines.right": False, "axes.axisbelow": True})
    _ratios(folder / NAMES[0], measured)
    _stages(folder / NAMES[1], measured)
    _memory(folder / NAMES[2], measured)
    if measured.rates:
        _detection(folder / NAMES[3], measured)


def _ratios(path: Path, measured: Measured) -> None:
    """Every pair's ratio as a mark, their median as a line, and as a number in a column beside the axes.

    There no reach line runs and no mark lies, whatever the ratios are.
    """
    import matplotlib.pyplot as plt

    photos = [command.photo for command in measured.of("stock")]
    figure, axis = plt.subplots(figsize=(13, 2.6 + 0.9 * len(photos)), constrained_layout=True)
    beside = axis.get_yaxis_transform()
    largest = ALLOWED["picture"]
    for what, colour, shape, shift, label in (
        ("check", BLUE, "o", 0.2, "check --json"),
        ("picture", ORANGE, "s", -0.2, "with --picture"),
    ):
        for row, photo in enumerate(photos):
            found = ratios(measured.of(what, photo)[0].runs, measured.of("stock", photo)[0].runs)
            y = len(photos) - 1 - row + shift
            axis.plot(found, [y] * len(found), shape, color=colour, alpha=0.45, markersize=8)
            middle = float(np.median(found))
            axis.plot([middle] * 2, [y - 0.15, y + 0.15], color=colour, linewidth=4)
            axis.plot(1.025, y, shape, color=colour, markersize=8, transform=beside, clip_on=False)
            axis.text(1.045, y, f"{middle:.2f}", transform=beside, va="center_baseline")
            largest = max(largest, *found)
        axis.plot([], [], shape, color=colour, label=label)
        dash = "--" if what == "check" else ":"
        axis.axvline(ALLOWED[what], color=colour, linestyle=dash, linewidth=2, label=f"allowed: {ALLOWED[what]:g}")
    axis.text(1.015, len(photos) - 0.35, "median", transform=beside)
    axis.set_yticks(range(len(photos))[::-1], photos)
    axis.set_ylim(-0.6, len(photos) - 0.4)
    axis.set_xlim(0, 1.05 * largest)
    axis.set_xlabel("time over that of the bare stock script (1 = as long)")
    figure.legend(loc="outside lower center", ncols=4, frameon=False, fontsize=15)
    figure.savefig(path)
    plt.close(figure)


def _stages(path: Path, measured: Measured) -> None:
    """Stacked bars: the first thread's stages, and above each what the second core did meanwhile."""
    import matplotlib.pyplot as plt

    rows = measured.stages
    figure, axis = plt.subplots(figsize=(14, 3.4 + 0.9 * len(rows)), constrained_layout=True)
    for number, row in enumerate(rows):
        y, left = len(rows) - 1 - number, 0.0
        for stage in STAGES:
            milliseconds = 1000 * row.seconds[stage]
            colour, hatch = STAGE_STYLES[stage]
            axis.barh(y, milliseconds, 0.5, left, color=colour, hatch=hatch, edgecolor="0.2", linewidth=0.8)
            left += milliseconds
        begin = 1000 * sum(row.seconds[stage] for stage in STAGES[:2])
        beside = 1000 * row.seconds[BESIDE]
        axis.barh(y + 0.36, beside, 0.14, begin, color=PURPLE, hatch="xx", edgecolor="0.2", linewidth=0.8)
        axis.annotate(f"{left:.0f} ms", (left, y), (8, 0), textcoords="offset points", va="center")
    for stage in STAGES:
        colour, hatch = STAGE_STYLES[stage]
        label = "all else" if stage == REST else stage
        axis.bar(0, 0, color=colour, hatch=hatch, edgecolor="0.2", label=label)
    axis.bar(0, 0, color=PURPLE, hatch="xx", edgecolor="0.2", label="reflections, on the second core")
    axis.set_yticks(range(len(rows))[::-1], [row.photo for row in rows])
    axis.set_xlim(0, 1.12 * axis.dataLim.x1)
    axis.set_xlabel("time from the start of the process [ms]")
    figure.legend(loc="outside lower center", ncols=4, frameon=False, fontsize=15)
    figure.savefig(path)
    plt.close(figure)


def _memory(path: Path, measured: Measured) -> None:
    import matplotlib.pyplot as plt

    names = list(dict.fromkeys(command.what for command in measured.commands if command.what != "help"))
    peaks = [max(command.peak_mb for command in measured.of(name)) for name in names]
    figure, axis = plt.subplots(figsize=(13, 2.0 + 0.55 * len(names)), constrained_layout=True)
    places = range(len(names))[::-1]
    axis.barh(places, peaks, color=[GREY if name == "stock" else BLUE for name in names])
    for y, peak in zip(places, peaks, strict=True):
        axis.annotate(f"{peak:.0f} MB", (peak, y), (8, 0), textcoords="offset points", va="center")
    axis.axvline(ALLOWED_MB, color=VERMILION, linestyle="--", linewidth=3, label=f"allowed: {ALLOWED_MB} MB")
    axis.set_yticks(places, [LABELS.get(name, name) for name in names])
    axis.set_xlim(0, max(1.15 * ALLOWED_MB, 1.2 * max(peaks)))
    axis.set_xlabel("largest memory of the process [MB]")
    figure.legend(loc="outside lower center", frameon=False)
    figure.savefig(path)
    plt.close(figure)


def _detection(path: Path, measured: Measured) -> None:
    import matplotlib.pyplot as plt

    heights = [rate.height_px for rate in measured.rates]
    figure, axis = plt.subplots(figsize=(13, 6.5), constrained_layout=True)
    for values, style, colour, label in (
        ([rate.found / rate.views for rate in measured.rates], "o-", BLUE, "align"),
        ([rate.stock / rate.views for rate in measured.rates], "X:", VERMILION, "stock detector, flipped photo"),
        ([rate.wrong / rate.views for rate in measured.rates], "^--", "black", "align, in a wrong place"),
    ):
        shares = [100 * value for value in values]
        axis.plot(heights, shares, style, color=colour, linewidth=3, markersize=10, label=label, clip_on=False)
    axis.set_xscale("log")
    axis.set_xticks(heights, [f"{height:g}" for height in heights])
    axis.minorticks_off()
    axis.set_ylim(0, 100)
    axis.set_xlabel("height of the reflection's middle square [px]")
    axis.set_ylabel("reflections found [%]")
    figure.legend(loc="outside lower center", ncols=3, frameon=False)
    figure.savefig(path)
    plt.close(figure)


#: The commands in words.
LABELS = {
    "stock": "bare stock script",
    "check": "check --json",
    "picture": "check --picture",
    "help": "--help",
    "glass": "glass --json",
    "glass picture": "glass --picture",
    "into": "check --into",
    "record first": "record, all new",
    "record again": "record, nothing new",
}

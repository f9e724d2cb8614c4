"""The figure of docs/photo_sets.md: errors of lean, one photo against three, with their intervals."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from tests.bench.photo_sets_text import Measured

ONE, SET = "#b35c00", "#1f5fa8"


def draw(sets: Sequence[Measured], path: Path) -> None:
    """Draw lean errors of every one-mirror set, single photos beside all three together."""
    import matplotlib

    matplotlib.use("Agg")
    import matplotlib.pyplot as plt

    single = [item for item in sets if len(item.truth["mirrors"]) == 1]
    figure, axes = plt.subplots(figsize=(8, 3.6), layout="constrained")
    for place, item in enumerate(single):
        for number, result in enumerate((*item.alone, item.together)):
            lean, together = result.mirrors[0].lean_deg, number == len(item.alone)
            axes.errorbar(
                place + 0.15 * (number - 1.5),
                1000 * (lean.value - item.truth["lean_deg"]),
                1000 * lean.half_width,
                fmt="s" if together else "o",
                color=SET if together else ONE,
                markersize=5 if together else 3,
                capsize=3,
            )
    axes.axhline(0, color="0.5", linewidth=0.8)
    axes.set_xticks(range(len(single)), [item.name for item in single])
    axes.set_ylabel("error of lean (1/1000 degree)")
    axes.set_title("Orange: photos from 20, 34 and 50 degrees alone. Blue: all three in one solve.", fontsize=10)
    figure.savefig(path, dpi=110)
    plt.close(figure)

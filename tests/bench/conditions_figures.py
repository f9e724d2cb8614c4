"""Figures of docs/conditions.md: a photo of every condition, and every answer's error against its interval."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from tests.bench.conditions_text import ANGLES, answered, errors_deg, halves_deg, named

Case = dict[str, Any]
#: The contact sheet: photos in a row, each so wide [px], and the line above it for its name.
COLUMNS, WIDTH_PX, LINE_PX = 4, 480, 40
#: Which of the ten photos is shown.
SHOWN = 2
DARK = 40
#: Colours that colour-blind people tell apart (Okabe and Ito, 2008): lean, turn.
COLOURS = ("#0072B2", "#D55E00")


def draw(cases: Sequence[Case], folder: Path, figures: Path) -> None:
    """Both figures."""
    contact_sheet(cases, folder, figures / "conditions_photos.jpg")
    errors_figure(cases, figures / "conditions_errors.png")


def contact_sheet(cases: Sequence[Case], folder: Path, path: Path) -> None:
    """A part of one photo of every condition, round the sheet and the mirror."""
    tiles, seen = [], set()
    for name, group in named(cases).items():
        photo = group[SHOWN]["photo"]
        if photo not in seen:
            seen.add(photo)
            tiles.append(_tile(name, np.asarray(cv2.imread(str(folder / "photos" / photo)), np.uint8)))
    blank = np.full_like(tiles[0], DARK)
    tiles += [blank] * (-len(tiles) % COLUMNS)
    rows = [np.hstack(tiles[start : start + COLUMNS]) for start in range(0, len(tiles), COLUMNS)]
    cv2.imwrite(str(path), np.vstack(rows), [cv2.IMWRITE_JPEG_QUALITY, 76])


def _tile(name: str, photo: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """The photo's middle, with its name above."""
    height, width = photo.shape[:2]
    part = photo[int(0.02 * height) : int(0.82 * height), int(0.12 * width) : int(0.92 * width)]
    inner = WIDTH_PX - 8
    small = cv2.resize(part, (inner, round(inner * part.shape[0] / part.shape[1])), interpolation=cv2.INTER_AREA)
    tile = np.full((small.shape[0] + LINE_PX + 8, WIDTH_PX, 3), DARK, np.uint8)
    tile[LINE_PX : LINE_PX + small.shape[0], 4 : 4 + inner] = small
    return _named(tile, name)


def _named(tile: NDArray[np.uint8], name: str) -> NDArray[np.uint8]:
    from align.drawing.canvas import Canvas, Words

    canvas = Canvas(tile)
    canvas.write(Words(name.replace("half of the reflection", "half of it"), 8, 5, 26))
    return canvas.finished()


def errors_figure(cases: Sequence[Case], path: Path) -> None:
    """Each answer's error over its half-width: within one, the interval holds the truth."""
    from matplotlib.figure import Figure

    groups = named(cases)
    figure = Figure(figsize=(10, 0.42 * len(groups) + 1.6), layout="constrained")
    axes = figure.add_subplot()
    axes.axvspan(-1, 1, color="0.9", zorder=0)
    for row, group in enumerate(groups.values()):
        told = [case for case in group if answered(case)]
        for which, colour in enumerate(COLOURS):
            ratios = [errors_deg(case)[which] / halves_deg(case)[which] for case in told]
            height = row + 0.16 * (2 * which - 1)
            axes.plot(ratios, [height] * len(told), "o^"[which], color=colour, ms=5, alpha=0.8)
    axes.set_yticks(range(len(groups)), [_label(name, group) for name, group in groups.items()], fontsize=11)
    axes.invert_yaxis()
    axes.set_xlabel("error / half-width of the interval; grey: it holds the truth", fontsize=11)
    handles = [axes.plot([], [], "o^"[n], color=COLOURS[n])[0] for n in (0, 1)]
    axes.legend(handles, [name.removesuffix("_deg") for name in ANGLES], loc="upper center", ncols=2, fontsize=11,
                bbox_to_anchor=(0.5, 1.06), frameon=False)  # fmt: skip
    axes.grid(axis="y", color="0.93")
    axes.spines[["top", "right"]].set_visible(False)
    figure.savefig(path, dpi=110)


def _label(name: str, group: Sequence[Case]) -> str:
    short = name.replace("half of the reflection outside the mirror", "half of it outside the mirror")
    return f"{short} ({sum(map(answered, group))} of {len(group)})"

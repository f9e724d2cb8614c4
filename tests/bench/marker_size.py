"""Measure how small a reflected marker may be: ratio, bits and square height against what is read.

    python -m tests.bench.marker_size [--trials N] [--json FILE] [--figure FILE]

Three measurements on simulated reflections (reflected_views.py): the share of markers that OpenCV's
stock detector reads, at native size and enlarged; the share of single bits read right where the grid is
already known; and the error of refined corners, by cornerSubPix and by fitting the predicted print. All
boards meet the same views (same seeds), so the differences between them are the boards', not luck.
docs/target.md shows the result.
"""

from __future__ import annotations

import argparse
import json
import math
import sys
from collections import defaultdict
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from align.target.markers import aruco_dictionary
from align.target.sheets import SHEETS
from align.target.thresholds import MARKER_RATIO
from tests.bench.reflected_views import (
    COLUMNS,
    MARKERS,
    ROWS,
    View,
    board_picture,
    homography,
    photograph,
    prediction,
    project,
    random_view,
)

SEED = 20_240
RATIOS = (0.60, 0.65, 0.70, 0.75, 0.80, 0.85)
HEIGHTS_PX = (6, 8, 10, 12, 15, 20, 28, 40)
ENLARGEMENTS = (1, 2, 3)
OURS = "ours, 4x4"
OURS_CORRECTED = "ours, 1 bit corrected"
WHITE_SQUARES = [(c, r) for r in range(ROWS) for c in range(COLUMNS) if (c + r) % 2]
INNER_CORNERS = np.array([(c, r) for r in range(1, ROWS) for c in range(1, COLUMNS)], float)


def detect(
    detector: cv2.aruco.ArucoDetector, photo: NDArray[np.uint8], enlargement: int
) -> list[tuple[int, NDArray[np.float64]]]:
    """(number, middle [px of the photo]) of every marker the detector reads."""
    if enlargement > 1:
        photo = cv2.resize(photo, None, fx=enlargement, fy=enlargement, interpolation=cv2.INTER_CUBIC)
    corners, ids, _ = detector.detectMarkers(photo)
    if ids is None:
        return []
    middles = [(c.reshape(4, 2).mean(axis=0) + 0.5) / enlargement - 0.5 for c in corners]
    return [(int(number), middle) for number, middle in zip(ids.ravel(), middles, strict=True)]


def rightly_read(found: list[tuple[int, NDArray[np.float64]]], view: View) -> tuple[int, int]:
    """(right, wrong): markers read with the right number in the right square, and all other readings."""
    matrix, _ = homography(view)
    places = project(matrix, np.array(WHITE_SQUARES) + 0.5)
    right = {
        number
        for number, middle in found
        if number < MARKERS and np.linalg.norm(places[number] - middle) < view.square_height_px / 2
    }
    return len(right), len(found) - len(right)


def share_of_bits(dictionary: cv2.aruco.Dictionary, ratio: float, photo: NDArray[np.uint8], view: View) -> float:
    """Share of bits read right by sampling each cell where the view says it is (0.5 is chance)."""
    matrix, _ = homography(view)
    bits = dictionary.markerSize
    cells, samples = bits + 2, 8
    along = (1 - ratio) / 2 + (np.arange(cells * samples) + 0.5) / samples * ratio / cells
    around = np.linspace(-0.5, 1.5, 40)  # the square and half of each neighbour: as much ink as paper
    right = []
    for number, square in enumerate(WHITE_SQUARES):
        dark, bright = np.percentile(sample(photo, matrix, square, around), [5, 95])
        grid = sample(photo, matrix, square, along).reshape(cells, samples, cells, samples)
        means = grid[:, 2:-2, :, 2:-2].mean(axis=(1, 3))[1:-1, 1:-1]
        truth = cv2.aruco.Dictionary.getBitsFromByteList(dictionary.bytesList[number : number + 1], bits)
        right.append(np.mean((means > (dark + bright) / 2) == truth))
    return float(np.mean(right))


def sample(
    photo: NDArray[np.uint8], matrix: NDArray[np.float64], square: tuple[int, int], along: NDArray[np.float64]
) -> NDArray[np.float64]:
    """(n, n) grey values on a grid over one square, at `along` squares from its far-left corner."""
    x, y = np.meshgrid(square[0] + along, square[1] + along)
    places = project(matrix, np.column_stack([x.ravel(), y.ravel()])).astype(np.float32)
    grid = places.reshape(len(along), len(along), 2)
    return cv2.remap(photo, grid[..., 0], grid[..., 1], cv2.INTER_LINEAR).astype(float)


def subpix_errors(photo: NDArray[np.uint8], view: View, window: float = 0.15) -> NDArray[np.float64]:
    """(n, 2) [px] errors of cornerSubPix started 0.3 px off; half window as a share of the square."""
    matrix, _ = homography(view)
    truth = project(matrix, INNER_CORNERS)
    start = truth + np.random.default_rng(view.noise_seed).normal(0, 0.3, truth.shape)
    half = half_window(view, window)
    stop = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 40, 0.001)
    refined = cv2.cornerSubPix(photo, start.astype(np.float32).reshape(-1, 1, 2), half, (-1, -1), stop)
    return refined.reshape(-1, 2) - truth


def fit_errors(photo: NDArray[np.uint8], expected: NDArray[np.float64], view: View) -> NDArray[np.float64]:
    """(n, 2) [px] errors of fitting the expected picture round each corner: shift, gain and offset.

    One Gauss-Newton step from the truth, so this shows what the pixels hold, not how far off one may start.
    """
    matrix, _ = homography(view)
    half_x, half_y = half_window(view, 0.45)
    down, across = np.gradient(expected)
    errors = []
    for x, y in np.round(project(matrix, INNER_CORNERS)).astype(int):
        patch = np.s_[y - half_y : y + half_y + 1, x - half_x : x + half_x + 1]
        here = expected[patch].ravel()
        design = np.column_stack([here, np.ones_like(here), -across[patch].ravel(), -down[patch].ravel()])
        gain, _, *shift = np.linalg.lstsq(design, photo[patch].ravel().astype(float), rcond=None)[0]
        errors.append(np.array(shift) / gain)
    return np.array(errors)


def half_window(view: View, share: float) -> tuple[int, int]:
    """(x, y) [px] half window that is `share` of a square either way, at least 2 px."""
    width_px = view.square_height_px / math.sin(view.elevation)
    return max(2, round(share * width_px)), max(2, round(share * view.square_height_px))


def contenders() -> dict[str, tuple[cv2.aruco.Dictionary, cv2.aruco.ArucoDetector]]:
    """Dictionary and detector by name: ours (the a4 sheet's), and OpenCV's of 4, 5 and 6 bits a side.

    At OpenCV's default error-correction rate of 0.6 ours corrects no bit, nor does its 4x4; its 5x5
    corrects 1, its 6x6 corrects 3. OURS_CORRECTED is ours at rate 1: one bit.
    """
    numbers = SHEETS["a4"].marker_ids
    ours = aruco_dictionary()
    part = cv2.aruco.Dictionary(
        ours.bytesList[numbers.start : numbers.stop], ours.markerSize, ours.maxCorrectionBits
    )
    correcting = cv2.aruco.DetectorParameters()
    correcting.errorCorrectionRate = 1.0
    stock = {
        "4x4": cv2.aruco.DICT_4X4_50,
        "5x5": cv2.aruco.DICT_5X5_50,
        "6x6": cv2.aruco.DICT_6X6_50,
    }
    named = {name: cv2.aruco.getPredefinedDictionary(number) for name, number in stock.items()}
    return {
        OURS: (part, cv2.aruco.ArucoDetector(part)),
        OURS_CORRECTED: (part, cv2.aruco.ArucoDetector(part, correcting)),
        **{name: (dictionary, cv2.aruco.ArucoDetector(dictionary)) for name, dictionary in named.items()},
    }


def measure(trials: int) -> dict[str, list]:
    """All measurements, as rows that JSON can hold."""
    read: dict[tuple, list[float]] = defaultdict(list)
    bits: dict[tuple, list[float]] = defaultdict(list)
    corners: dict[tuple, list[NDArray[np.float64]]] = defaultdict(list)
    wrong: dict[str, int] = defaultdict(int)
    for name, (dictionary, detector) in contenders().items():
        for ratio in RATIOS:
            picture = board_picture(dictionary, ratio)
            for height in HEIGHTS_PX:
                rng = np.random.default_rng([SEED, height])
                for view in [random_view(rng, height) for _ in range(trials)]:
                    photo = photograph(picture, view)
                    for enlargement in ENLARGEMENTS:
                        right, other = rightly_read(detect(detector, photo, enlargement), view)
                        read[name, ratio, enlargement, height].append(right / MARKERS)
                        wrong[name] += other
                    bits[name, ratio, height].append(share_of_bits(dictionary, ratio, photo, view))
                    if name == OURS:
                        expected = prediction(picture, view)
                        corners["subpix", ratio, height].append(subpix_errors(photo, view))
                        corners["fit", ratio, height].append(fit_errors(photo, expected, view))
            print(f"{name} {ratio:.2f} done", file=sys.stderr, flush=True)
    return {
        "read": [[*key, float(np.mean(values))] for key, values in read.items()],
        "bits": [[*key, float(np.mean(values))] for key, values in bits.items()],
        "corners": [[*key, *spread(np.concatenate(errors))] for key, errors in corners.items()],
        "wrong": [[*row] for row in wrong.items()],
        "mirrored": mirror_misreads(trials),
    }


def spread(errors: NDArray[np.float64]) -> tuple[float, float]:
    """(rms [px] per coordinate of the corners that stay within 1 px, the share that does)."""
    stayed = np.linalg.norm(errors, axis=1) < 1
    if not stayed.any():
        return math.nan, 0.0
    return float(np.sqrt(np.mean(errors[stayed] ** 2))), float(np.mean(stayed))


def mirror_misreads(trials: int) -> list[list]:
    """[dictionary, readings, markers shown] where nothing should be read: the picture not flipped back."""
    rows = []
    for name, (dictionary, detector) in contenders().items():
        readings = shown = 0
        picture = board_picture(dictionary, MARKER_RATIO)
        for height in HEIGHTS_PX[-4:]:
            rng = np.random.default_rng([SEED, 1, height])
            for view in [random_view(rng, height) for _ in range(trials)]:
                photo = np.ascontiguousarray(photograph(picture, view)[:, ::-1])
                readings += len(detect(detector, photo, 2))
                shown += MARKERS
        rows.append([name, readings, shown])
    return rows


def height_for(read: dict[tuple, float], name: str, ratio: float, enlargement: int, share: float) -> str:
    """Square height [px] from which on at least `share` of the markers is read, interpolated, as text."""
    values = np.array([read[name, ratio, enlargement, height] for height in HEIGHTS_PX])
    below = np.flatnonzero(values < share)
    if len(below) == 0:
        return f"{HEIGHTS_PX[0]}"
    last = below[-1]
    if last == len(values) - 1:
        return f"> {HEIGHTS_PX[-1]}"
    return f"{np.interp(share, values[last : last + 2], HEIGHTS_PX[last : last + 2]):.1f}"


def table(title: str, first: str, columns: list[str], rows: list[tuple[str, list[str]]]) -> str:
    """A Markdown table under its title."""
    lines = [f"\n{title}\n", f"| {first} | " + " | ".join(columns) + " |", "|---" * (len(columns) + 1) + "|"]
    return "\n".join(lines + [f"| {name} | " + " | ".join(cells) + " |" for name, cells in rows])


def tables(result: dict[str, list]) -> str:
    """The tables of docs/target.md, in Markdown."""
    read = {tuple(row[:-1]): row[-1] for row in result["read"]}
    bits = {tuple(row[:-1]): row[-1] for row in result["bits"]}
    corners = {tuple(row[:3]): row[3:] for row in result["corners"]}
    names = list(dict.fromkeys(row[0] for row in result["read"]))
    pixels = [f"{height} px" for height in HEIGHTS_PX]
    parts = [
        table(
            f"Square height [px] from which half of the markers are read, photo enlarged {e} times:",
            "marker / square",
            names,
            [(f"{r:.2f}", [height_for(read, n, r, e, 0.5) for n in names]) for r in RATIOS],
        )
        for e in ENLARGEMENTS
    ]
    for name in (OURS, OURS_CORRECTED):
        parts.append(
            table(
                f"Share of markers read ({name}), photo enlarged 2 times, by square height:",
                "marker / square",
                pixels,
                [(f"{r:.2f}", [f"{read[name, r, 2, h]:.2f}" for h in HEIGHTS_PX]) for r in RATIOS],
            )
        )
    parts.append(
        table(
            f"Share of single bits read right where the grid is known, marker / square {MARKER_RATIO}:",
            "bits",
            pixels,
            [(n, [f"{bits[n, MARKER_RATIO, h]:.2f}" for h in HEIGHTS_PX]) for n in names if n != OURS_CORRECTED],
        )
    )
    titles = {
        "subpix": "Corner error by cornerSubPix, rms px per coordinate (share of corners within 1 px):",
        "fit": "Corner error by fitting the predicted print, rms px per coordinate:",
    }
    for method, title in titles.items():
        rows = []
        for ratio in RATIOS:
            cells = [corners[method, ratio, h] for h in HEIGHTS_PX]
            shares = method == "subpix"
            rows.append((f"{ratio:.2f}", [f"{rms:.3f}" + f" ({kept:.0%})" * shares for rms, kept in cells]))
        parts.append(table(title, "marker / square", pixels, rows))
    parts.append("\nWrong readings: " + "; ".join(f"{name} {count}" for name, count in result["wrong"]))
    parts.append(
        "Read in the picture not flipped, where there should be none: "
        + "; ".join(f"{name} {readings} of {shown}" for name, readings, shown in result["mirrored"])
    )
    return "\n".join(parts)


def draw(result: dict[str, list], path: Path) -> None:
    """The figure of docs/target.md: share read by ratio, by bits; corner error by ratio."""
    import matplotlib

    matplotlib.use("Agg")
    import matplotlib.pyplot as plt

    plt.rcParams.update({"font.size": 16, "axes.spines.top": False, "axes.spines.right": False})
    read = {tuple(row[:-1]): row[-1] for row in result["read"]}
    corners = {tuple(row[:3]): row[3] for row in result["corners"]}
    names = list(dict.fromkeys(row[0] for row in result["read"]))
    figure, axes = plt.subplots(1, 3, figsize=(19, 6.5), layout="constrained")
    curves = {
        "A  ours, 1 bit corrected, by marker / square": [
            (f"{r:.2f}", [read[OURS_CORRECTED, r, 2, h] for h in HEIGHTS_PX]) for r in RATIOS
        ],
        f"B  by bits a side, at {MARKER_RATIO}": [
            (n, [read[n, MARKER_RATIO, 2, h] for h in HEIGHTS_PX]) for n in names
        ],
        "C  corners fitted, by marker / square": [
            (f"{r:.2f}", [corners["fit", r, h] for h in HEIGHTS_PX]) for r in RATIOS
        ],
    }
    # Okabe and Ito's colours, told apart by marker and dash as well.
    styles = list(
        zip(
            ("#0072B2", "#E69F00", "#009E73", "#000000", "#CC79A7", "#D55E00"),
            "osD^vX",
            ("-", "--", "-.", "-", ":", "--"),
            strict=True,
        )
    )
    for axis, (title, lines) in zip(axes, curves.items(), strict=True):
        for (label, values), (colour, shape, dash) in zip(lines, styles, strict=False):
            axis.plot(HEIGHTS_PX, values, dash, color=colour, marker=shape, markersize=8, label=label)
        axis.set_title(title, fontsize=17, loc="left")
        axis.set_xscale("log")
        axis.set_xticks(HEIGHTS_PX, [str(height) for height in HEIGHTS_PX])
        axis.minorticks_off()
        axis.set_xlabel("height of a reflected square [px]")
        axis.grid(alpha=0.3)
        axis.set_ylim(bottom=0)
        axis.legend(frameon=False, fontsize=14)
    axes[0].set_ylabel("share of markers read")
    axes[1].set_ylabel("share of markers read")
    axes[2].set_ylabel("corner error, rms [px]")
    figure.savefig(path, dpi=80)


def main() -> None:
    """Measure, print the tables, and write what was asked for."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--trials", type=int, default=20, help="views per height (default 20)")
    parser.add_argument("--json", type=Path, help="write the numbers here")
    parser.add_argument("--figure", type=Path, help="draw the figure here")
    parser.add_argument("--from-json", type=Path, help="read the numbers here instead of measuring")
    options = parser.parse_args()
    result = json.loads(options.from_json.read_text()) if options.from_json else measure(options.trials)
    if options.json:
        options.json.write_text(json.dumps(result))
    if options.figure:
        draw(result, options.figure)
    print(tables(result))


if __name__ == "__main__":
    main()

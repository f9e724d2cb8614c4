"""A calibration in one picture: where the corners lie, what the fit leaves, the lens's distortion, in words."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from ..drawing.wording import decimals_of
from ..optics.camera_model import camera_from_parameters, project
from ..whole_file import write_figure
from .result import Calibration
from .text import directions_words, interval_words, model_words, term_words

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Array = NDArray[np.float64]

# M. Okabe, K. Ito, Color Universal Design (2008): told apart by all common kinds of colour vision.
BLUE, ORANGE, VERMILION = "#0072B2", "#E69F00", "#D55E00"
INK, GREY = "#222222", "#777777"
TYPE = 17
DPI = 100
#: Typical residuals are drawn this long, as a share of the frame's width, rounded to a handy exaggeration.
RESIDUAL_SHARE = 0.03
EXAGGERATIONS = np.array([1, 2, 5, 10, 20, 50, 100, 200, 500, 1000, 2000, 5000])
#: More vectors than this are a thicket: every n-th corner is drawn.
MOST_VECTORS = 700


def save_calibration_picture(result: Calibration, path: str | os.PathLike[str]) -> Path:
    """Draw a calibration into a PNG or JPEG file.

    Raises
    ------
    AlignError
        The picture cannot be written.
    """
    path = Path(path)
    write_figure(draw_calibration(result), path, dpi=DPI, facecolor="white")
    return path


def draw_calibration(result: Calibration) -> Any:
    """The picture as a matplotlib figure: three maps of the frame and a table of the camera's terms."""
    from matplotlib.figure import Figure
    from matplotlib.layout_engine import ConstrainedLayoutEngine

    layout = ConstrainedLayoutEngine(w_pad=0.15, h_pad=0.15)
    width, height = result.size
    figure = Figure(figsize=(17, max(17 * height / width, 11) + 2.6), layout=layout)
    axes = figure.subplots(2, 2).ravel()
    for ax in axes[:3]:
        _frame(ax, result.size)
    _draw_coverage(axes[0], result)
    _draw_residuals(axes[1], result)
    _draw_distortion(axes[2], result)
    _write_terms(axes[3], result)
    return figure


def _frame(ax: Axes, size: tuple[int, int]) -> None:
    """Axes that are the photo's frame: pixels, y down, to scale."""
    ax.set_xlim(-0.5, size[0] - 0.5)
    ax.set_ylim(size[1] - 0.5, -0.5)
    ax.set_aspect("equal")
    ax.tick_params(labelsize=TYPE - 4)
    ax.locator_params(nbins=5)
    ax.set_xlabel("column in the photo [px]", fontsize=TYPE - 2)
    ax.set_ylabel("row [px]", fontsize=TYPE - 2)


def _title(ax: Axes, words: str) -> None:
    ax.set_title(words, fontsize=TYPE, loc="left", color=INK, fontweight="bold")


def _draw_coverage(ax: Axes, result: Calibration) -> None:
    counts = np.array(result.coverage.cells)
    rows, columns = counts.shape
    width, height = result.size
    empty = np.argwhere(counts == 0)
    for row, column in empty:
        corner = (column * width / columns - 0.5, row * height / rows - 0.5)
        ax.add_patch(_hatched(corner, width / columns, height / rows))
    ax.plot(*result.corners_px.T, ".", ms=5, color=BLUE, zorder=3)
    outline = result.next_photo.outline_px
    closed = np.concatenate([outline, outline[:1]])
    ax.plot(*closed.T, "--", color=VERMILION, lw=3, zorder=4)
    share = 100 * result.coverage.covered_share
    _title(ax, f"Corners cover {share:.0f} % of the frame\nhatched: none; dashed: the best next photo")


def _hatched(corner: tuple[float, float], width: float, height: float) -> Any:
    from matplotlib.patches import Rectangle

    return Rectangle(corner, width, height, facecolor="#EEEEEE", edgecolor="#BBBBBB", hatch="//", lw=0, zorder=1)


def _draw_residuals(ax: Axes, result: Calibration) -> None:
    times = exaggeration(result)
    step = max(1, -(-len(result.corners_px) // MOST_VECTORS))
    corners, residuals = result.corners_px[::step], result.residuals_px[::step]
    ax.quiver(
        *corners.T,
        *(residuals * times).T,
        angles="xy",
        scale_units="xy",
        scale=1,
        color=BLUE,
        width=0.0028,
        headwidth=3.5,
        headlength=4,
        headaxislength=3.5,
    )
    drawn = f", one corner in {step}" if step > 1 else ""
    _title(ax, f"What the fit leaves: {result.rms_px:.2f} px rms\ndrawn {times} times too long{drawn}")


def exaggeration(result: Calibration) -> int:
    """How many times too long the residuals are drawn."""
    wanted = RESIDUAL_SHARE * result.size[0] / max(result.rms_px, 1e-6)
    return int(EXAGGERATIONS[np.argmin(np.abs(np.log(EXAGGERATIONS / wanted)))])


def distortion_px(result: Calibration) -> tuple[Array, Array, Array]:
    """Pixel columns, rows, and how far the lens moves a point from where a pinhole would show it [px]."""
    width, height = result.size
    columns, rows = np.linspace(0, width - 1, 81), np.linspace(0, height - 1, 61)
    grid = np.stack(np.meshgrid(columns, rows), axis=2).reshape(-1, 2)
    camera = camera_from_parameters(result.mean)
    rays = np.column_stack([camera.normalise(grid), np.ones(len(grid))])
    pinhole = result.mean.copy()
    pinhole[3:] = 0.0
    moved = np.linalg.norm(grid - project(pinhole, rays), axis=1)
    return columns, rows, moved.reshape(len(rows), len(columns))


def _draw_distortion(ax: Axes, result: Calibration) -> None:
    columns, rows, moved = distortion_px(result)
    most = float(moved.max())
    if most < 0.05:
        _title(ax, "Distortion: none to be seen\nbelow 0.05 px everywhere")
        return
    lines = ax.contour(columns, rows, moved, levels=_levels(most), colors=INK, linewidths=1.8)
    ax.clabel(lines, fontsize=TYPE - 3, fmt=lambda value: f"{value:g} px", inline_spacing=10)
    centre = result.mean[1:3]
    ax.plot(*centre, "+", ms=18, mew=3, color=VERMILION)
    _title(ax, f"Distortion: up to {most:.2g} px in the frame\n+ marks the lens's centre")


def _levels(most: float) -> Array:
    """Up to seven levels, each about twice the one before, 1-2-5 series."""
    series = np.array([m * 10.0**e for e in range(-2, 4) for m in (1, 2, 5)])
    return series[series < most][-6:]


def _write_terms(ax: Axes, result: Calibration) -> None:
    """The camera in words, one line under the other."""
    ax.axis("off")
    focal = result.terms[0].quantity
    lines = [
        (f"{len(result.used)} photos, {len(result.corners_px)} corners", True),
        (f"{result.size[0]} × {result.size[1]} px  {result.device}".rstrip(), False),
        (f"focal length {interval_words(focal, 'px', max(decimals_of(focal.half_width, 3), 0))}", False),
    ]
    for term in result.terms[1:]:
        name = {"centre_x_px": "centre x", "centre_y_px": "centre y"}.get(term.name, term.name)
        lines.append((f"{name} {term_words(term) if term.used else 'not needed'}", False))
    lines += [
        ("± is half the 95 % interval", False),
        (model_words(result.models[0].terms), True),
        (
            f"directions to {directions_words(result)}".replace(", ", ",\n"),
            False,
        ),
    ]
    place = 0.98
    for words, bold in lines:
        ax.text(
            0.04,
            place,
            words,
            fontsize=TYPE,
            fontweight="bold" if bold else "normal",
            color=INK,
            va="top",
            transform=ax.transAxes,
        )
        place -= 0.075

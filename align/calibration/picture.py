"""A calibration in one picture: where the corners lie, the lens's shift against radius, what is left, in words."""

from __future__ import annotations

import os
import textwrap
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from ..drawing import palette
from ..drawing.palette import as_hex
from ..drawing.wording import decimals_of
from ..optics.camera_model import camera_from_parameters
from ..whole_file import write_figure
from .result import Calibration
from .text import directions_words, interval_words, model_words, term_words

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Array = NDArray[np.float64]

BLUE, VERMILION, INK, GREY = (
    as_hex(colour) for colour in (palette.BLUE, palette.VERMILION, palette.INK, palette.GREY)
)
TYPE = 17
DPI = 100
#: So many characters fit into the left column of words.
COLUMN_CHARACTERS = 32


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
    """The picture as a matplotlib figure: the frame with its corners and words on the left; on the right, against
    the distance from the lens's centre, how far the lens shifts a point and what the fit leaves."""
    from matplotlib.figure import Figure
    from matplotlib.layout_engine import ConstrainedLayoutEngine

    width, height = result.size
    left = 9 * height / width
    figure = Figure(figsize=(17, max(left + 5.4, 11)), layout=ConstrainedLayoutEngine(w_pad=0.15, h_pad=0.15))
    halves: Any = figure.subfigures(1, 2, width_ratios=(9, 8))
    seen, words = halves[0].subplots(2, 1, height_ratios=(left + 1.2, 4.2))
    shift, left_over = halves[1].subplots(2, 1, sharex=True)
    _frame(seen, result.size)
    _draw_coverage(seen, result)
    _write_terms(words, result)
    _draw_shift(shift, result)
    _draw_left_over(left_over, result)
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


def radial_shift_px(result: Calibration, radii_px: Array) -> tuple[Array, Array]:
    """How far the lens shifts a point outwards (inwards: negative), and the 95 % half-width of that.

    Parameters
    ----------
    radii_px : (n,) distances from the lens's centre in the photo [px]

    Returns
    -------
    (n,) and (n,) [px]; the half-width is the parameters' covariance carried through by finite differences
    (JCGM 100:2008, 5.1.2), the tangential pair left out: it shifts each direction otherwise.
    """
    which = [0, 3, 4, 7]  # focal length and the radial terms
    free = [k for k in which if result.covariance[k, k] > 0]

    def shift(mean: Array) -> Array:
        radial = mean.copy()
        radial[5:7] = 0.0
        camera = camera_from_parameters(radial)
        places = np.array(camera.centre_px) + np.column_stack([radii_px, np.zeros(len(radii_px))])
        return np.asarray(radii_px - camera.focal_px * camera.normalise(places)[:, 0])

    middle = shift(result.mean)
    slopes = np.empty((len(radii_px), len(free)))
    for column, parameter in enumerate(free):
        step = np.zeros(len(result.mean))
        step[parameter] = 0.05 * np.sqrt(result.covariance[parameter, parameter])
        slopes[:, column] = (shift(result.mean + step) - shift(result.mean - step)) / (2 * step[parameter])
    variance = np.einsum("ni,ij,nj->n", slopes, result.covariance[np.ix_(free, free)], slopes)
    return middle, 1.96 * np.sqrt(np.maximum(variance, 0.0))


def _radii_px(result: Calibration) -> Array:
    """(n,) the corners' distances from the lens's centre."""
    return np.asarray(np.linalg.norm(result.corners_px - result.mean[1:3], axis=1))


def _draw_shift(ax: Axes, result: Calibration) -> None:
    width, height = result.size
    corners = np.array([[0, 0], [width - 1, 0], [0, height - 1], [width - 1, height - 1]], float)
    farthest = float(np.linalg.norm(corners - result.mean[1:3], axis=1).max())
    reached = float(_radii_px(result).max(initial=0.0))
    radii = np.linspace(1.0, farthest, 120)
    shift, half = radial_shift_px(result, radii)
    ax.fill_between(radii, shift - half, shift + half, color=BLUE, alpha=0.25, lw=0, label="95 % interval")
    seen = radii <= reached
    ax.plot(radii[seen], shift[seen], color=BLUE, lw=3.5, label="where corners were seen")
    ax.plot(radii[~seen], shift[~seen], "--", color=VERMILION, lw=3.5, label="beyond: extrapolated")
    ax.axhline(0.0, color=GREY, lw=1)
    low, high = float((shift - half).min()), float((shift + half).max())
    room = 0.35 * max(high - low, 0.5)  # for the legend
    ax.set_ylim(low - 0.1 * room, high + room)
    _axes_words(ax, "shift outwards [px]")
    ax.legend(fontsize=TYPE - 3, loc="best", frameon=False)
    _title(ax, f"The lens shifts points by up to {float(np.abs(shift).max()):.2g} px")


def _draw_left_over(ax: Axes, result: Calibration) -> None:
    left = np.linalg.norm(result.residuals_px, axis=1)
    ax.plot(_radii_px(result), left, ".", ms=5, color=BLUE)
    ax.axhline(result.rms_px, color=VERMILION, lw=2.5)
    ax.annotate(
        f"rms {result.rms_px:.2f} px",
        (0.98, result.rms_px),
        xycoords=("axes fraction", "data"),
        xytext=(0, 6),
        textcoords="offset points",
        fontsize=TYPE - 2,
        color=VERMILION,
        ha="right",
        va="bottom",
        bbox={"facecolor": "white", "edgecolor": "none", "alpha": 0.85, "pad": 1.5},
    )
    ax.set_ylim(0.0, max(1.05 * float(left.max(initial=0.0)), 2.5 * result.rms_px, 0.05))
    _axes_words(ax, "off by [px]")
    ax.set_xlabel("distance from the lens's centre [px]", fontsize=TYPE - 2)
    _title(ax, "How far each corner is off its place in the fit")


def _axes_words(ax: Axes, upright: str) -> None:
    ax.tick_params(labelsize=TYPE - 4)
    ax.set_ylabel(upright, fontsize=TYPE - 2)
    for side in ("top", "right"):
        ax.spines[side].set_visible(False)


def _write_terms(ax: Axes, result: Calibration) -> None:
    """The camera in words, in two columns under the frame."""
    ax.axis("off")
    focal = result.terms[0].quantity
    names = {"centre_x_px": "centre x", "centre_y_px": "centre y"}
    terms = [f"focal length {interval_words(focal, 'px', max(decimals_of(focal.half_width, 3), 0))}"]
    terms += [f"{names.get(t.name, t.name)} {term_words(t) if t.used else 'not needed'}" for t in result.terms[1:]]
    general = [
        f"{len(result.used)} photos, {len(result.corners_px)} corners",
        f"{result.size[0]} × {result.size[1]} px  {result.device}".rstrip(),
        *textwrap.wrap(model_words(result.models[0].terms), COLUMN_CHARACTERS),
        *textwrap.wrap(f"directions to {directions_words(result)}", COLUMN_CHARACTERS),
        "± is half the 95 % interval",
    ]
    for across, lines in ((0.0, general), (0.58, terms)):
        for number, words in enumerate(lines):
            ax.text(
                across,
                0.98 - 0.112 * number,
                words,
                fontsize=TYPE - 1,
                fontweight="bold" if number == 0 else "normal",
                color=INK,
                va="top",
                transform=ax.transAxes,
            )

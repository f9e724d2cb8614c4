"""A sheet as a print-ready vector PDF at true scale.

Page coordinates: millimetres from the paper's top-left corner, x right and y *down*. The contact edge
lies at the top, so that up on the page is towards the mirror.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from ..whole_file import write_figure
from .sheets import Sheet, black_rectangles_board, sheet_named
from .thresholds import CAPTION_ROOM_MM, NARROW_MM, UNPRINTABLE_MM

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

RULE_MM = 100.0
MM_PER_INCH = 25.4
POINT_MM = MM_PER_INCH / 72
CUT_LINE_MM = 0.2

#: As narrow as A4 and as short as US Letter: printed at 100 %, it fits on both.
SMALL_PAGE_MM = (210.0, 279.0)
FULL_PAGES_MM = {"a4": (297.0, 210.0), "letter": (279.4, 215.9)}

CONTACT_EDGE_WORDS = "CONTACT EDGE  –  CUT EXACTLY HERE. IT MAY TOUCH THE GLASS"
ARROW_WORDS = "towards the mirror, square to the street"
RULE_WORDS = (
    "Both rules must measure 100 mm.",
    "If not, write down what each measures.",
)
USE_WORDS = (
    "1  Print at 100 % (“actual size”), then measure both rules.",
    "2  Cut along the contact edge, tape to card, lay flat: arrow towards the mirror, sides along the street.",
    "3  Photograph from 30–45° above, sheet and whole reflection sharp; a slanting view is fine.",
)
COMMAND_WORDS = "Then type:  align check PHOTO --mirror WIDTHxHEIGHT   (the mirror's size in mm)"
#: Inside the cut line of a small sheet, along its left edge, to check a sheet that is found later.
SHORT_RULES_MM = {"card": 40.0, "a6": 80.0, "a5": 100.0}


@dataclass(frozen=True)
class Layout:
    """Where the cut sheet lies on its page; page coordinates [mm]."""

    sheet: Sheet
    page_width_mm: float
    page_height_mm: float
    left_mm: float
    top_mm: float

    @property
    def right_mm(self) -> float:
        """The sheet's right edge."""
        return self.left_mm + self.sheet.width_mm

    @property
    def bottom_mm(self) -> float:
        """The sheet's near edge."""
        return self.top_mm + self.sheet.depth_mm

    @property
    def squares_mm(self) -> tuple[float, float, float, float]:
        """The squares' (left, top, right, bottom)."""
        sheet = self.sheet
        return (
            self.left_mm + sheet.side_margin_mm,
            self.top_mm + sheet.contact_margin_mm,
            self.right_mm - sheet.side_margin_mm,
            self.bottom_mm - sheet.near_margin_mm,
        )

    @property
    def fills_page(self) -> bool:
        """Whether the page has no room for words beside the sheet: they go into its margins."""
        return self.sheet.name in FULL_PAGES_MM


def quiet_mm(sheet: Sheet) -> float:
    """Width [mm] of the margin around the squares that stays white.

    An eighth of a square, as wide as the white frame between a marker and its square, so that blur
    joins an outer square to no word before it joins squares to markers.
    """
    return max(2.0, sheet.square_mm / 8)


def layout_of(sheet: Sheet) -> Layout:
    """The page for a sheet and the sheet's place on it."""
    width, height = FULL_PAGES_MM.get(sheet.name, SMALL_PAGE_MM)
    top = (height - sheet.depth_mm) / 2 if sheet.name in FULL_PAGES_MM else UNPRINTABLE_MM + CAPTION_ROOM_MM
    return Layout(sheet, width, height, (width - sheet.width_mm) / 2, top)


def write_sheet_pdf(sheet_name: str, path: Path | str) -> Path:
    """Write a sheet as a vector PDF at true scale.

    Parameters
    ----------
    sheet_name : one of `target.sheets.SHEETS`.
    path : file to write; an existing one is replaced.

    Returns
    -------
    The path written. Equal input gives equal bytes: the file carries no date.

    Raises
    ------
    TargetError
        There is no such sheet.
    AlignError
        The file cannot be written.
    """
    sheet = sheet_named(sheet_name)
    import matplotlib

    path = Path(path)
    # Fonts as TrueType outlines, which every printer takes; no simplifying, which would shift edges.
    with matplotlib.rc_context({"pdf.fonttype": 42, "path.simplify": False, "font.family": "DejaVu Sans"}):
        figure = draw_page(layout_of(sheet))
        write_figure(
            figure,
            path,
            format="pdf",
            metadata={
                "Title": f"align target sheet {sheet.name}",
                "Creator": "align",
                "Producer": None,
                "CreationDate": None,
            },
        )
    return path


def draw_page(layout: Layout) -> Figure:
    """The whole page as a figure whose axes are page millimetres."""
    from matplotlib.backends.backend_pdf import FigureCanvasPdf
    from matplotlib.figure import Figure

    width, height = layout.page_width_mm, layout.page_height_mm
    figure = Figure(figsize=(width / MM_PER_INCH, height / MM_PER_INCH))
    FigureCanvasPdf(figure)
    axes = figure.add_axes((0, 0, 1, 1))
    axes.set_axis_off()
    axes.set_xlim(0, width)
    axes.set_ylim(height, 0)
    _draw_squares(axes, layout)
    _draw_cut_lines(axes, layout)
    if layout.fills_page:
        _words_in_margins(axes, layout)
    else:
        _words_on_small_sheet(axes, layout)
        _words_below_small_sheet(axes, layout)
    return figure


def sheet_words(sheet: Sheet) -> str:
    """Which sheet this is."""
    last = sheet.marker_ids[-1]
    return f"sheet {sheet.name}, squares {sheet.square_mm:g} mm, markers {sheet.first_marker}–{last}"


def _draw_squares(axes: Axes, layout: Layout) -> None:
    """All squares and markers as one filled path, so that no viewer shows seams between their parts."""
    left, top, _, _ = layout.squares_mm
    x, y, width, height = black_rectangles_board(layout.sheet).T
    x, y = x + left, y + top
    corners = np.stack(
        [np.stack([x, x + width, x + width, x], 1), np.stack([y, y, y + height, y + height], 1)], axis=2
    )
    _fill(axes, corners)


def _draw_cut_lines(axes: Axes, layout: Layout) -> None:
    """The contact edge drawn full, exactly on the edge; the other edges dashed, just inside it."""
    left, right, top, bottom = layout.left_mm, layout.right_mm, layout.top_mm, layout.bottom_mm
    # Inside by half the line's width, so that a sheet as wide as the printable area is not clipped.
    inset = CUT_LINE_MM / 2
    _stroke(axes, [[(left, top), (right, top)]], 2 * CUT_LINE_MM, capstyle="butt")
    _stroke(
        axes,
        [
            [(left + inset, top), (left + inset, bottom - inset)],
            [(right - inset, top), (right - inset, bottom - inset)],
            [(left, bottom - inset), (right, bottom - inset)],
        ],
        CUT_LINE_MM,
        capstyle="butt",
        linestyle=(0, (6, 4)),
    )


def _words_in_margins(axes: Axes, layout: Layout) -> None:
    """Everything in the margins of a sheet that fills its page: captions, arrow, rules, use."""
    sheet = layout.sheet
    left, top, right, bottom = layout.squares_mm
    quiet = quiet_mm(sheet)
    _text(axes, (left + right) / 2, layout.top_mm + 2.4, CONTACT_EDGE_WORDS, 7, ha="center", weight="bold")

    # Right margin, read from the side: the arrow, its words, and which sheet this is.
    middle = (right + quiet + layout.right_mm - CUT_LINE_MM) / 2
    _arrow(axes, middle, top, 24.0, 4.4)
    _text(axes, middle, top + 28, ARROW_WORDS, 9.5, va="top", ha="center", rotation=90)
    _text(axes, middle, bottom, sheet_words(sheet), 8, va="bottom", ha="center", rotation=90)

    # Left margin: the rule along y.
    spine = left - quiet - 0.5
    _rule(axes, (spine, top), along=(0, 1), ticks=(-1, 0))
    _text(axes, spine - 2.2, top + RULE_MM + 4, "100 mm", 9, va="top", ha="center", rotation=90)

    # Near margin: the rule along x with its words, then how to use the sheet.
    start = layout.left_mm + 4
    _rule(axes, (start, bottom + quiet + 0.8), along=(1, 0), ticks=(0, 1))
    for row, words in enumerate(RULE_WORDS):
        _text(axes, start, bottom + quiet + 8.3 + 4 * row, words, 9)
    column = start + RULE_MM + 10
    for row, words in enumerate((*USE_WORDS, COMMAND_WORDS)):
        _text(axes, column, bottom + quiet + 3.0 + 3.5 * row, words, 7.6)


def _words_on_small_sheet(axes: Axes, layout: Layout) -> None:
    """In the near margin, so that the cut sheet still says which way it lies and which it is."""
    sheet = layout.sheet
    left, _, right, squares_bottom = layout.squares_mm
    room = sheet.near_margin_mm - quiet_mm(sheet) - CUT_LINE_MM
    size_pt = min(11.0, 0.49 * room / POINT_MM)
    cap_mm = 0.73 * size_pt * POINT_MM
    baseline = squares_bottom + quiet_mm(sheet) + room / 2 + cap_mm / 2
    _arrow(axes, left + cap_mm, baseline - 1.2 * cap_mm, 1.4 * cap_mm, 1.2 * cap_mm)
    _text(axes, left + 2.4 * cap_mm, baseline, ARROW_WORDS, size_pt)
    rule_mm = SHORT_RULES_MM[sheet.name]
    _short_rule(axes, layout, rule_mm)
    name = "" if sheet.width_mm < NARROW_MM else f"{sheet.name} "
    _text(axes, right, baseline, f"{name}↕ {rule_mm:g} mm", size_pt, ha="right")


def _short_rule(axes: Axes, layout: Layout, length_mm: float) -> None:
    """A rule inside the cut line, upright in the left margin: a tick every 10 mm, towards the cut line."""
    left, top, _, bottom = layout.squares_mm
    spine, outer = left - quiet_mm(layout.sheet) - 0.2, layout.left_mm + 2 * CUT_LINE_MM
    start = (top + bottom - length_mm) / 2
    segments = [[(spine, start), (spine, start + length_mm)]]
    segments += [[(spine, start + mm), (outer, start + mm)] for mm in np.arange(0.0, length_mm + 1, 10.0)]
    _stroke(axes, segments, 0.15, capstyle="butt")


def _words_below_small_sheet(axes: Axes, layout: Layout) -> None:
    """The contact edge's caption above; below, the rules, which sheet this is, and how to use it."""
    middle = layout.page_width_mm / 2
    _text(axes, middle, layout.top_mm - 3, CONTACT_EDGE_WORDS, 11, ha="center", weight="bold")

    top = layout.bottom_mm + 5
    spine = 16.0
    _rule(axes, (spine, top), along=(0, 1), ticks=(-1, 0))
    _text(axes, spine + 3, top + RULE_MM / 2, "100 mm", 10, va="center", ha="center", rotation=90)

    column = 30.0
    _rule(axes, (column, top), along=(1, 0), ticks=(0, 1))
    _text(axes, column + RULE_MM / 2, top + 8.5, "100 mm", 10, ha="center")
    _text(axes, column, top + 21, sheet_words(layout.sheet), 14, weight="bold")
    for row, words in enumerate(RULE_WORDS):
        _text(axes, column, top + 34 + 7 * row, words, 10.5)
    for row, words in enumerate((*USE_WORDS, COMMAND_WORDS)):
        _text(axes, column, top + 57 + 7 * row, words, 9.5)


def _rule(axes: Axes, start: tuple[float, float], along: tuple[float, float], ticks: tuple[int, int]) -> None:
    """A 100 mm rule from `start` along a page direction, millimetre ticks to the `ticks` side."""
    origin, direction, side = np.array(start), np.array(along), np.array(ticks)
    segments = [[origin, origin + RULE_MM * direction]]
    for mm in range(int(RULE_MM) + 1):
        length_mm = 4.0 if mm % 10 == 0 else 3.0 if mm % 5 == 0 else 2.0
        foot = origin + mm * direction
        segments.append([foot, foot + length_mm * side])
    _stroke(axes, segments, 0.15, capstyle="butt")


def _arrow(axes: Axes, x: float, top: float, length_mm: float, width_mm: float) -> None:
    """A solid arrow that points up the page, its tip at (x, top)."""
    head, shaft = min(width_mm, 0.6 * length_mm), width_mm / 6
    outline = [
        (0.0, 0.0),
        (width_mm / 2, head),
        (shaft, head),
        (shaft, length_mm),
        (-shaft, length_mm),
        (-shaft, head),
        (-width_mm / 2, head),
    ]
    _fill(axes, np.array([outline]) + np.array([x, top]))


def _text(
    axes: Axes,
    x: float,
    y: float,
    words: str,
    size_pt: float,
    ha: str = "left",
    va: str = "baseline",
    rotation: float = 0,
    weight: str = "normal",
) -> None:
    """Black words at a page place [mm]."""
    axes.text(x, y, words, fontsize=size_pt, ha=ha, va=va, rotation=rotation, weight=weight, color="black")


def _fill(axes: Axes, polygons: NDArray[np.float64]) -> None:
    """Fill (n, k, 2) [mm] polygons black, as one path without an outline."""
    from matplotlib.patches import PathPatch
    from matplotlib.path import Path as Outline

    count, corners, _ = polygons.shape
    closed = np.concatenate([polygons, polygons[:, :1]], axis=1).reshape(-1, 2)
    codes = np.tile([Outline.MOVETO, *[Outline.LINETO] * (corners - 1), Outline.CLOSEPOLY], count)
    axes.add_patch(PathPatch(Outline(closed, codes), facecolor="black", edgecolor="none", linewidth=0))


def _stroke(
    axes: Axes,
    segments: Sequence[Sequence[tuple[float, float]] | list[NDArray[np.float64]]],
    width_mm: float,
    capstyle: str,
    linestyle: str | tuple[float, tuple[float, ...]] = "-",
) -> None:
    """Draw (start, end) [mm] segments black, as one path."""
    from matplotlib.patches import PathPatch
    from matplotlib.path import Path as Outline

    points = np.array(segments, dtype=float).reshape(-1, 2)
    codes = np.tile([Outline.MOVETO, Outline.LINETO], len(segments))
    axes.add_patch(
        PathPatch(
            Outline(points, codes),
            facecolor="none",
            edgecolor="black",
            linewidth=width_mm / POINT_MM,
            linestyle=linestyle,
            capstyle=capstyle,
        )
    )

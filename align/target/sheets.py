"""The printed target: mirror-safe markers, sheets, corner places and raster images of the print.

A sheet is a checkerboard whose white squares carry 4x4-bit markers (OpenCV's ChArUco arrangement).
The markers are our own set: every marker stays at least `MIRROR_DISTANCE_BITS` bits from every *mirrored*
marker, its own mirror image included, in all four rotations, so that a reflection can never be read
as the target itself. Markers of one sheet occur on no other sheet, so a photo alone tells which
sheet it shows.

Frame: the target frame of `docs/conventions.md`; the origin is the middle of the contact edge, x to
the viewer's right, y towards the mirror, z up. The printed corners therefore have negative y.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cache

import numpy as np
from numpy.typing import NDArray

from ..errors import TargetError
from .thresholds import MARKER_RATIO

MARKER_BITS = 4
MARKER_CELLS = MARKER_BITS + 2  # one black border cell on either side

# Row-major bits, most significant first, 1 = white. Found by a greedy search over all 65536 codes in
# random order (numpy default_rng(0)): the first 86 keep 4 bits from one another and from every
# mirrored marker, the rest 3. tests/target/test_sheets.py checks both exhaustively.
_CODES = (
    "7551 31ea 6e67 6c41 e60b 3c12 4dce ab94 e915 9311 c541 d4b6 fe0e 0b91 46e3 980e "
    "2477 e998 91cc d62c 9a84 cceb 67d5 eac7 86e6 34d0 cbdc 98bd 6a30 82fc c50a bfa8 "
    "8fc4 d07c 9726 a4b5 e6bc 8788 4a1f 68e5 3cf9 2f52 1954 04df 47db ae6d 830b af5c "
    "6b9b 8c92 5291 1759 826a df1a dfb0 64a4 ac8d 6a03 70f4 77a5 ba40 faa3 7a51 355a "
    "60d8 e537 a96f 5229 f93c f650 9b4f 7ccb a2a4 9b58 c126 53fc d657 da2f 0be0 6dd3 "
    "afe1 72e1 4ab3 e9ea 5d61 b190 8231 c16a a920 0575 9dd4 9195 290c feaa 9e50 71b7 "
    "6439 2731 b011 a508 6453 47b0 e486 28f0 c9cb 5a9d 5e74 78b0 64dd 84bf 194e 3d30 "
    "f5d9 db6b acb6 eab7 411a 991c ef8d 158e e7f8 d977 083f a795 1158 a5f1 36b0 489b "
    "d05f 70be 9093 43cc 857b e38a 37bb aa3b 5490 6cec af79 861b afbc b859 9df3 93e5 "
    "233c 01b2 467b "
)
MARKER_CODES: tuple[int, ...] = tuple(int(code, 16) for code in _CODES.split())


@dataclass(frozen=True)
class Sheet:
    """One printable target: its checkerboard, margins and marker numbers. Lengths in mm."""

    name: str
    squares_x: int
    squares_y: int
    square_mm: float
    contact_margin_mm: float  # from the far row of squares to the contact edge
    side_margin_mm: float
    near_margin_mm: float
    first_marker: int
    has_markers: bool = True
    paper: str = ""

    @property
    def width_mm(self) -> float:
        """Width of the cut sheet along x [mm]."""
        return self.squares_x * self.square_mm + 2 * self.side_margin_mm

    @property
    def depth_mm(self) -> float:
        """Depth of the cut sheet along y [mm]."""
        return self.squares_y * self.square_mm + self.contact_margin_mm + self.near_margin_mm

    @property
    def corner_grid(self) -> tuple[int, int]:
        """Inner corners as (columns, rows)."""
        return self.squares_x - 1, self.squares_y - 1

    @property
    def corner_count(self) -> int:
        """Number of inner corners."""
        return (self.squares_x - 1) * (self.squares_y - 1)

    @property
    def marker_count(self) -> int:
        """Number of markers: one in each white square."""
        return self.squares_x * self.squares_y // 2 if self.has_markers else 0

    @property
    def marker_ids(self) -> range:
        """This sheet's marker numbers."""
        return range(self.first_marker, self.first_marker + self.marker_count)

    def board_to_target(self, board_xy: NDArray[np.float64]) -> NDArray[np.float64]:
        """Points from board coordinates to the target frame.

        Parameters
        ----------
        board_xy : (n, 2) [mm], x right and y *towards the viewer* from the far-left corner of the squares
            (OpenCV's board coordinates).

        Returns
        -------
        (n, 3) [mm], target frame, z = 0.
        """
        board_xy = np.asarray(board_xy, float)
        half_width = self.squares_x * self.square_mm / 2
        return np.column_stack(
            [
                board_xy[:, 0] - half_width,
                -self.contact_margin_mm - board_xy[:, 1],
                np.zeros(len(board_xy)),
            ]
        )

    def scaled(self, factor: float) -> Sheet:
        """The same sheet as a printer drew it at `factor` of true scale (`--rule` / 100 mm)."""
        return replace(
            self,
            square_mm=self.square_mm * factor,
            contact_margin_mm=self.contact_margin_mm * factor,
            side_margin_mm=self.side_margin_mm * factor,
            near_margin_mm=self.near_margin_mm * factor,
        )


SHEETS: dict[str, Sheet] = {
    sheet.name: sheet
    for sheet in (
        Sheet("card", 6, 5, 9.0, 3.0, 3.0, 6.0, 0, paper="A4 or US Letter, cut out"),
        Sheet("a6", 9, 6, 15.0, 4.0, 5.0, 8.0, 15, paper="A4 or US Letter, cut out"),
        Sheet("a5", 10, 7, 19.0, 5.0, 5.0, 10.0, 42, paper="A4 or US Letter, cut out"),
        Sheet("a4", 10, 7, 25.0, 6.0, 16.0, 18.0, 77, paper="A4, landscape"),
        Sheet("letter", 10, 7, 25.0, 6.0, 9.0, 24.0, 112, paper="US Letter, landscape"),
    )
}
DEFAULT_SHEET = "a5"


def sheet_named(name: str) -> Sheet:
    """The sheet called `name`; raises TargetError naming the sheets there are."""
    try:
        return SHEETS[name]
    except KeyError:
        raise TargetError(f"There is no sheet called {name!r}.", f"Choose one of: {', '.join(SHEETS)}.") from None


def plain_board(columns: int, rows: int, square_mm: float) -> Sheet:
    """A plain checkerboard of the user's own, given by its inner corners.

    It has no contact edge: the far outer edge of its squares stands in for it.
    """
    if columns < 3 or rows < 3:
        raise TargetError(
            f"A board of {columns}x{rows} inner corners is too small.",
            "Give the inner corners, at least 3x3, as in --board 7x6.",
        )
    if not square_mm > 0:
        raise TargetError(f"A square of {square_mm} mm is impossible.", "Give --square in millimetres.")
    return Sheet("board", columns + 1, rows + 1, square_mm, 0.0, 0.0, 0.0, 0, has_markers=False)


def sheet_of_marker(marker_id: int) -> Sheet | None:
    """The sheet that carries marker number `marker_id`, or None."""
    for sheet in SHEETS.values():
        if marker_id in sheet.marker_ids:
            return sheet
    return None


def marker_bits(marker_id: int) -> NDArray[np.uint8]:
    """(4, 4) bits of a marker, 1 = white, top row (farther from the viewer) first."""
    code = MARKER_CODES[marker_id]
    shifts = np.arange(MARKER_BITS**2 - 1, -1, -1)
    return ((code >> shifts) & 1).astype(np.uint8).reshape(MARKER_BITS, MARKER_BITS)


def corners_board(sheet: Sheet) -> NDArray[np.float64]:
    """(n, 2) [mm] inner corners in board coordinates, row by row from the far-left one."""
    columns, rows = sheet.corner_grid
    grid_x, grid_y = np.meshgrid(np.arange(1, columns + 1), np.arange(1, rows + 1))
    grid = np.column_stack([grid_x.ravel(), grid_y.ravel()]).astype(np.float64)
    return grid * sheet.square_mm


def corners_target(sheet: Sheet) -> NDArray[np.float64]:
    """(n, 3) [mm] inner corners in the target frame, row by row from the far-left one."""
    return sheet.board_to_target(corners_board(sheet))


def white_squares(sheet: Sheet) -> list[tuple[int, int]]:
    """(column, row) of the squares that carry markers, in marker order (the far-left square is black)."""
    return [(c, r) for r in range(sheet.squares_y) for c in range(sheet.squares_x) if (c + r) % 2 == 1]


def marker_corners_board(sheet: Sheet) -> NDArray[np.float64]:
    """(markers, 4, 2) [mm] marker corners, clockwise from the far-left one, in board coordinates."""
    side = MARKER_RATIO * sheet.square_mm
    inset = (sheet.square_mm - side) / 2
    origin = np.array(white_squares(sheet), float) * sheet.square_mm + inset
    return origin[:, None, :] + side * np.array([[0, 0], [1, 0], [1, 1], [0, 1]], float)[None]


@cache
def black_rectangles_board(sheet: Sheet) -> NDArray[np.float64]:
    """(n, 4) [mm] black rectangles (x, y, width, height) of the print, in board coordinates."""
    side = sheet.square_mm
    rectangles = [
        (c * side, r * side, side, side)
        for r in range(sheet.squares_y)
        for c in range(sheet.squares_x)
        if (c + r) % 2 == 0
    ]
    if sheet.has_markers:
        cell = MARKER_RATIO * side / MARKER_CELLS
        for marker_id, corners in zip(sheet.marker_ids, marker_corners_board(sheet), strict=True):
            framed = np.zeros((MARKER_CELLS, MARKER_CELLS), np.uint8)
            framed[1:-1, 1:-1] = marker_bits(marker_id)
            rectangles += _row_runs(framed, corners[0], cell)
    result = np.array(rectangles, dtype=np.float64)
    result.setflags(write=False)
    return result


def _row_runs(
    cells: NDArray[np.uint8], origin: NDArray[np.float64], cell_mm: float
) -> list[tuple[float, float, float, float]]:
    """Black runs of each row of `cells` (0 = black), so that no seam shows between cells of a row."""
    runs = []
    for row_index, row in enumerate(cells):
        edges = np.flatnonzero(np.diff(np.concatenate([[1], row, [1]]).astype(int)))
        for start, stop in zip(edges[::2], edges[1::2], strict=True):
            runs.append(
                (
                    float(origin[0] + start * cell_mm),
                    float(origin[1] + row_index * cell_mm),
                    float((stop - start) * cell_mm),
                    cell_mm,
                )
            )
    return runs


def raster(sheet: Sheet, pixels_per_square: int = 48) -> NDArray[np.uint8]:
    """The squares and markers as a grey image (0 = black ink, 255 = paper), without margins.

    Edges that do not fall between two pixels are antialiased by area. With MARKER_RATIO 0.75 every edge
    falls between two pixels when `pixels_per_square` is a multiple of 8.

    Returns
    -------
    (squares_y * p, squares_x * p) uint8 for p = `pixels_per_square`; pixel (row, column) covers the board
    from column * square / p to (column + 1) * square / p [mm], and likewise along y.
    """
    scale = pixels_per_square / sheet.square_mm
    height, width = sheet.squares_y * pixels_per_square, sheet.squares_x * pixels_per_square
    ink = np.zeros((height, width))
    for x, y, w, h in black_rectangles_board(sheet):
        columns, across = _cover(x * scale, (x + w) * scale, width)
        rows, down = _cover(y * scale, (y + h) * scale, height)
        ink[rows, columns] += np.outer(down, across)
    return np.round(255 * (1 - np.clip(ink, 0, 1))).astype(np.uint8)


def _cover(start: float, stop: float, size: int) -> tuple[slice, NDArray[np.float64]]:
    """Which of `size` unit pixels the interval meets, and the share of each that it covers."""
    first, end = max(math.floor(start), 0), min(math.ceil(stop), size)
    cover = np.ones(end - first)
    cover[0] = min(first + 1.0, stop) - max(float(first), start)
    cover[-1] = min(float(end), stop) - max(end - 1.0, start)
    return slice(first, end), cover

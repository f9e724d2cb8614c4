"""The whole sheet as it was solved, between its corners too: where any place of it shows in a photo."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ..target.sheets import Sheet
from .forward_model import predict
from .problem import curls_of, drawn_in, height_basis
from .sheet_shape import print_shifts_at
from .solution import Solution

Array = NDArray[np.float64]

#: A window reaches so many squares from its corner.
REACH_SQUARES = 0.6
#: Half the difference of heights for the derivative of a place in the photo by its height.
_STEP_MM = 0.25


def pictured(
    sheet: Sheet, solution: Solution, photo: int, mirror: int, places: Array, *, rise_mm: float = 0.0
) -> Array:
    """Where places of the print show in a photo, directly or in a mirror, with the sheet's and the mirror's shape.

    Parameters
    ----------
    places : (n, 2) [mm] in board coordinates; mirror : number, or DIRECT; rise_mm : above the sheet as solved

    Returns
    -------
    (n, 2) [px]
    """
    state, shape = solution.state, solution.shape
    points = sheet.board_to_target(places)
    heights = height_basis(sheet, () if shape is None else [curl for curl, _ in shape.curls], points)
    in_plane = print_shifts_at(sheet, points) if state.layout.print_faults else None
    flat = drawn_in(points, curls_of(shape, state))
    flat[:, 2] += rise_mm
    return predict(state, photo, mirror, flat, heights, in_plane=in_plane)[0]


def bending_ways(sheet: Sheet, solution: Solution, corners: Array) -> Array:
    """(n, 2) unit directions, board coordinates, in which the paper bends at (n, 2) corners [mm]; 0: it lies flat.

    Of several curls that reach a corner's window, the one that has risen most there.
    """
    points = sheet.board_to_target(corners)[:, :2]
    ways, most = np.zeros_like(corners), np.zeros(len(corners))
    for curl, lift in curls_of(solution.shape, solution.state):
        direction = np.array(curl.direction)
        risen = lift * curl.heights(points + REACH_SQUARES * sheet.square_mm * direction)
        higher = risen > most
        ways[higher], most[higher] = direction * [1.0, -1.0], risen[higher]
    return ways


def upwards(sheet: Sheet, solution: Solution, photo: int, mirror: int, corners: Array) -> Array:
    """(n, 2) [px/mm] how far the places of (n, 2) corners [mm] move in the photo as they rise."""
    above, below = (pictured(sheet, solution, photo, mirror, corners, rise_mm=h) for h in (_STEP_MM, -_STEP_MM))
    return (above - below) / (2 * _STEP_MM)

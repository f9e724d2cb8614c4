"""What stands before a mirror: the one question that seeds, descent and sanity checks ask.

It is asked of a photo that shows the mirror: of one that does not, its camera may well stand behind the
mirror's plane, beside the glass.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..optics.geometry import height_before, mirror_normal
from .forward_model import State

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Standing:
    """How far things of one photo stand before the front face of a mirror that it shows [mm]; negative: behind.

    camera_mm : the camera's centre; contact_edge_mm : the middle of the sheet's contact edge; corners_mm : the
    middle of its corners; above_sheet_mm : the camera over the sheet's face.
    """

    camera_mm: float
    contact_edge_mm: float
    corners_mm: float
    above_sheet_mm: float

    def feasible(self, contact_slack_mm: float | None = None) -> bool:
        """Whether a reflection can be: sheet and camera before the glass, the camera over the sheet's face.

        contact_slack_mm : how far the contact edge may seem to stand behind the glass; None: as far as it likes
        """
        before = min(self.camera_mm, self.corners_mm, self.above_sheet_mm) > 0
        return before and (contact_slack_mm is None or self.contact_edge_mm >= -contact_slack_mm)


def standing(state: State, photo: int, mirror: int, corners: Array) -> Standing:
    """How camera and sheet of a photo stand before a mirror that it shows; corners : (n, 3) of the sheet [mm]."""
    lean, turn, offset, _ = state.vector[state.layout.mirror(mirror)]
    rotation, edge = state.scene_from_sheet(photo)
    points = np.stack([state.eye(photo), edge, rotation @ corners.mean(axis=0) + edge])
    camera, contact_edge, middle = height_before(points, mirror_normal(float(lean), float(turn)), float(offset))
    return Standing(float(camera), float(contact_edge), float(middle), above_sheet_mm(state, photo))


def above_sheet_mm(state: State, photo: int) -> float:
    """How far a photo's camera stands over the face of the sheet [mm]."""
    rotation, translation = state.cam_from_sheet(photo)
    return float(-(rotation.T @ translation)[2])

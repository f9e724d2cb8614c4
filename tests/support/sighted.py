"""Simulated views as the sighting of a photo would hand them on, to test what comes after without pixels."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from align.bundle.photo_set import Sighted
from align.optics.camera_model import CameraPrior
from align.optics.geometry import fit_homography, rotation_from_vector
from align.photo.facts import Lens
from align.sighting.boards import Board
from align.sighting.photo import Sighting
from align.solve.forward_model import DIRECT, Layout, State, bow_basis, offset_of_distance, predict
from align.solve.joint import View
from align.solve.simulate import Simulated, look_at
from align.target.sheets import Sheet, corners_board, corners_target

Array = NDArray[np.float64]


def board_of(sheet: Sheet, view: View) -> Board:
    """A view as a board."""
    count = len(view.pixels)
    return Board(
        sheet=sheet,
        mirrored=view.mirror != DIRECT,
        corner_ids=view.corner_ids,
        pixels=view.pixels,
        covariance=view.covariance,
        score=np.ones(count),
        square_px=np.full(count, 40.0),
        homography=fit_homography(corners_board(sheet)[view.corner_ids], view.pixels),
        blur_px=0.8,
    )


def sighted_photo(
    sheet: Sheet, views: Sequence[View], size: tuple[int, int], prior: CameraPrior, name: str
) -> Sighted:
    """The views of one photo, reflections from left to right."""
    target = next(board_of(sheet, view) for view in views if view.mirror == DIRECT)
    reflections = [board_of(sheet, view) for view in views if view.mirror != DIRECT]
    reflections.sort(key=lambda board: float(board.centre_px[0]))
    return Sighted(Path(name), size, prior, Lens(), Sighting(sheet, target, tuple(reflections)))


def sighted_photos(sheet: Sheet, sim: Simulated, names: Sequence[str] = "abcdefgh") -> list[Sighted]:
    """All photos of a simulation, named a.jpg, b.jpg ..."""
    return [
        sighted_photo(sheet, [v for v in sim.views if v.photo == photo], sim.size, sim.prior, f"{names[photo]}.jpg")
        for photo in range(sim.state.layout.photos)
    ]


def moved_sheet_views(
    sheet: Sheet,
    *,
    eye: Array,
    mirrors: Sequence[Array],
    placements: Sequence[Array],
    camera_parameters: Array,
    noise_px: float,
    rng: np.random.Generator,
) -> tuple[State, list[list[View]]]:
    """A camera that stood still while the sheet was moved: the truth, and the views of each photo.

    mirrors : (4,) lean, turn [rad], distance, thickness [mm]; placements : (6,) rotation vector [rad] and
    shift [mm] of the sheet in the second and every further photo.
    """
    layout = Layout(len(mirrors), 1 + len(placements), moved_sheet=True)
    vector = np.zeros(layout.size)
    vector[layout.camera], vector[layout.index] = camera_parameters, 1.52
    for number, (lean, turn, distance, thickness) in enumerate(mirrors):
        vector[layout.mirror(number)] = [lean, turn, offset_of_distance(lean, turn, distance), thickness]
    rotation, translation = look_at(eye, np.zeros(3))
    vector[layout.pose(0).start + 3 : layout.pose(0).stop] = translation
    rotations = [rotation]
    for photo, placement in enumerate(placements, 1):
        rotations.append(rotation_from_vector(placement[:3]))
        vector[layout.placement(photo).start + 3 : layout.placement(photo).stop] = placement[3:]
    state = State(layout, vector, tuple(rotations))
    points = corners_target(sheet)
    half = (sheet.squares_x * sheet.square_mm / 2, sheet.squares_y * sheet.square_mm / 2)
    basis = bow_basis(points, half, -sheet.contact_margin_mm - half[1])
    photos = []
    for photo in range(layout.photos):
        views = []
        for mirror in range(DIRECT, len(mirrors)):
            pixels, _ = predict(state, photo, mirror, points, basis)
            noisy = pixels + rng.normal(0, noise_px, pixels.shape)
            covariance = np.broadcast_to(0.01 * np.eye(2), (len(points), 2, 2))
            views.append(View(photo, mirror, np.arange(len(points)), noisy, covariance))
        photos.append(views)
    return state, photos


def heights(
    rng: np.random.Generator, elevations_deg: Sequence[float] = (20, 34, 50), far_mm: float = 500
) -> list[Array]:
    """(3,) [mm] eyes at several heights above the floor, a little to either side."""
    eyes = []
    for elevation in np.radians(elevations_deg):
        azimuth, far = math.radians(rng.uniform(-12, 12)), rng.uniform(0.9, 1.1) * far_mm
        level = far * math.cos(elevation)
        eyes.append(np.array([level * math.sin(azimuth), -level * math.cos(azimuth), far * math.sin(elevation)]))
    return eyes

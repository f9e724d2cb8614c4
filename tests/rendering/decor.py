"""The surroundings: a bare floor, or a small museum's harbour-street diorama whose arcade ends in a mirror.

The diorama is built to fit the first mirror: two posts and a lintel at its edges, the customs house above it,
house fronts on the left, a shorter row and a quay wall on the right. Nothing stands between the viewer and
the target, nor between the target and the glass.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from .spec import Mirror, SceneSpec
from .surfaces import Patch, box, patch, post

Array = NDArray[np.float64]

FLOOR_Z_MM = -0.12  # below the print, see scene.PAPER_LIFT_MM


@dataclass(frozen=True, eq=False)
class Floor:
    """The floor's one patch and its (h, w, 3) reflectance picture, far edge at the top."""

    patch: Patch
    image: Array


def floor(spec: SceneSpec) -> Floor:
    """The floor under the sheet."""
    if spec.decor == "plain":
        ground = patch([-700, -1100, FLOOR_Z_MM], [1400, 0, 0], [0, 1700, 0], [0.3] * 3, spacing_mm=20)
        return Floor(ground, np.full((4, 4, 3), 0.3))
    plot = street_plot(spec)
    near, far = plot.near_mm, plot.far_mm
    ground = patch(
        [-plot.half_width_mm - 4, near, FLOOR_Z_MM],
        [2 * plot.half_width_mm + 8, 0, 0],
        [0, far - near, 0],
        [0.3] * 3,
        spacing_mm=5,
    )
    size = (int((2 * plot.half_width_mm + 8) * 4), int((far - near) * 4))
    return Floor(ground, cobbles(size, 4.0, spec.seed))


def cobbles(size: tuple[int, int], pixels_per_mm: float, seed: int) -> Array:
    """(h, w, 3) reflectance of small setts in running bond, quiet enough not to look like a checkerboard."""
    rng = np.random.default_rng(seed + 99)
    width, height = size
    x, y = np.meshgrid(np.arange(width) / pixels_per_mm, np.arange(height) / pixels_per_mm)
    wander = cv2.GaussianBlur(rng.standard_normal((height, width, 2)), (0, 0), 14 * pixels_per_mm / 4)
    wander *= 0.45 / wander.std()
    length_mm, depth_mm = 7.0, 4.4
    row = np.floor((y + wander[..., 1]) / depth_mm)
    column = np.floor((x + wander[..., 0]) / length_mm + 0.5 * (row % 2))
    in_x = ((x + wander[..., 0]) / length_mm + 0.5 * (row % 2)) % 1 * length_mm
    in_y = (y + wander[..., 1]) % depth_mm
    to_joint = np.minimum(np.minimum(in_x, length_mm - in_x), np.minimum(in_y, depth_mm - in_y))
    joint = np.clip((to_joint - 0.15) / 0.5, 0, 1)
    stone = rng.uniform(0.85, 1.15, 65536)[((row * 131 + column * 7919) % 65536).astype(int)]
    grain = cv2.GaussianBlur(rng.standard_normal((height, width)), (0, 0), 1.2)
    value = 0.30 * (0.72 + 0.28 * joint) * (0.55 + 0.45 * stone) * (1 + 0.04 * grain / grain.std())
    return np.clip(value[..., None] * np.array([1.0, 0.95, 0.88]), 0.02, 0.9)


# --- the street -------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Plot:
    """Outline of the street: half its width, its near end and the end behind the mirror [mm]."""

    half_width_mm: float
    near_mm: float
    far_mm: float


def street_plot(spec: SceneSpec) -> Plot:
    """Room for the mirror at any turn it has, and for the sheet."""
    mirror = spec.mirrors[0]
    half = mirror.width_mm / 2 + 14
    return Plot(half, -330.0 - 0.35 * mirror.width_mm, _behind_mm(mirror))


def _behind_mm(mirror: Mirror) -> float:
    """A y that clears the mirror's back."""
    return float(mirror.face_corners(mirror.thickness_mm + 2.0)[:, 1].max()) + 4.0


def harbour_street(spec: SceneSpec) -> list[Patch]:
    """All painted surfaces of the diorama."""
    mirror, plot = spec.mirrors[0], street_plot(spec)
    rng = np.random.default_rng(spec.seed + 5)
    return [
        *_bench(plot),
        *_arcade(mirror, plot),
        *_left_row(plot, mirror.height_mm, rng),
        *_right_row(plot, mirror.height_mm, rng),
        *_quay(plot),
        *_lamp_posts(spec),
    ]


def _bench(plot: Plot) -> list[Patch]:
    """The bench the base board lies on, and the board's own edges."""
    wood, board = [0.33, 0.23, 0.15], [0.40, 0.33, 0.25]
    bench = patch([-1500, -1600, -30], [3000, 0, 0], [0, 2600, 0], wood, spacing_mm=40, mottle=0.008)
    left, right = -plot.half_width_mm - 130, plot.half_width_mm + 150
    size = [right - left, plot.far_mm + 70 - plot.near_mm, 24]
    base = box([left, plot.near_mm, -30], size, board, spacing_mm=12, faces="xXyY")
    # The board's top shows only outside the street and the quay.
    top = [
        patch([left, plot.near_mm, -6], [right - left, 0, 0], [0, size[1], 0], board, spacing_mm=10),
        *box(
            [-plot.half_width_mm - 4, plot.near_mm, -6],
            [2 * plot.half_width_mm + 8, size[1], 5.8],
            board,
            faces="xXyY",
            spacing_mm=8,
        ),
    ]
    return [bench, *base, *top]


def _arcade(mirror: Mirror, plot: Plot) -> list[Patch]:
    """Posts at the mirror's edges, lintel along its top, the customs house above and behind."""
    stone, dark = [0.46, 0.42, 0.35], [0.30, 0.27, 0.23]
    top_mm = float(mirror.face_corners()[:, 2].max())
    front = float(mirror.face_corners()[:, 1].min())
    back = plot.far_mm
    parts: list[Patch] = []
    for side, edge in ((-1, 0), (1, 1)):
        edge_y = float(mirror.face_corners()[edge, 1])
        foot = [side * (mirror.width_mm / 2 + 4), edge_y - 5, FLOOR_Z_MM]
        parts += box([foot[0] - 7, foot[1] - 7, FLOOR_Z_MM], [14, 14, 9], dark, spacing_mm=3)
        parts += post([foot[0], foot[1], 9], 5.0, top_mm - 18, stone)
        parts += box([foot[0] - 7, foot[1] - 7, top_mm - 9], [14, 14, 9], dark, spacing_mm=3)
    width = 2 * plot.half_width_mm
    lintel = box([-plot.half_width_mm, front - 13, top_mm], [width, back - front + 13, 12], stone, faces="xXyYzZ")
    wall = [0.62, 0.52, 0.36]
    house = box(
        [-plot.half_width_mm, front - 6, top_mm + 12],
        [width, 60 + back - front, 84],
        wall,
        spacing_mm=5,
        faces="xXyYZ",
    )
    parts += [*lintel, *house]
    parts += _windows(
        np.array([-plot.half_width_mm, front - 6, top_mm + 12]),
        np.array([width, 0, 0]),
        84,
        max(4, int(width // 55)),
        2,
        [0.75, 0.74, 0.70],
        [0.12, 0.22, 0.20],
    )
    parts += box(
        [-plot.half_width_mm - 5, front - 12, top_mm + 96],
        [width + 10, 72 + back - front, 6],
        dark,
        faces="xXyYzZ",
    )
    # The pier walls behind the posts, so that nothing but the mirror shows between them.
    for x in (-plot.half_width_mm - 60, plot.half_width_mm - 5):
        parts += box([x, back - 8, -6], [65, 60, top_mm + 6], stone)
    parts += box([-plot.half_width_mm, back, -6], [width, 52, top_mm + 6], dark, faces="xXyYZ")
    return parts


_FRONTS = (
    # wall, trim, shutters
    ([0.55, 0.30, 0.22], [0.74, 0.70, 0.62], [0.10, 0.20, 0.17]),
    ([0.66, 0.60, 0.46], [0.50, 0.46, 0.40], [0.16, 0.22, 0.34]),
    ([0.36, 0.45, 0.50], [0.76, 0.75, 0.72], [0.40, 0.12, 0.10]),
    ([0.68, 0.46, 0.24], [0.72, 0.68, 0.60], [0.14, 0.26, 0.20]),
    ([0.52, 0.54, 0.44], [0.74, 0.72, 0.66], [0.30, 0.17, 0.10]),
)


def _left_row(plot: Plot, mirror_mm: float, rng: np.random.Generator) -> list[Patch]:
    """Three or four house fronts along the left side, facing right."""
    parts: list[Patch] = []
    y = plot.near_mm + 25
    number = 0
    while y < plot.far_mm - 70:
        width = min(float(rng.uniform(95, 125)), plot.far_mm - 12 - y)
        height = float(rng.uniform(0.62, 0.85)) * mirror_mm
        parts += _house(-plot.half_width_mm, y, width, height, number, faces_right=True)
        y += width + 1.5
        number += 1
    return parts


def _right_row(plot: Plot, mirror_mm: float, rng: np.random.Generator) -> list[Patch]:
    """One or two fronts next to the arcade on the right, facing left."""
    parts: list[Patch] = []
    y = plot.far_mm - 12
    for number in (2, 4):
        width = float(rng.uniform(85, 110))
        height = float(rng.uniform(0.6, 0.8)) * mirror_mm
        parts += _house(plot.half_width_mm, y - width, width, height, number, faces_right=False)
        y -= width + 1.5
    return parts


def _house(x: float, y: float, width: float, height: float, number: int, *, faces_right: bool) -> list[Patch]:
    """A house front of `width` along y with windows, door, plinth, cornice and a pitched roof."""
    wall, trim, shutter = _FRONTS[number % len(_FRONTS)]
    deep = 105.0
    low_x = x - deep if faces_right else x
    parts = box([low_x, y, -6], [deep, width, height + 6], wall, spacing_mm=5, faces="xXyY")
    # The front's run goes so that run x up points into the street.
    corner, run = (
        (np.array([x, y, 0.0]), np.array([0, width, 0.0]))
        if faces_right
        else (np.array([x, y + width, 0.0]), np.array([0, -width, 0.0]))
    )
    storeys = 3 if height > 105 else 2
    parts += _windows(corner, run, height, 3, storeys, trim, shutter, door=True)
    out = 1.0 if faces_right else -1.0
    eave = box([low_x - 3, y - 0.5, height], [deep + 6, width + 1, 4], trim, faces="xXyYzZ")
    plinth_x = x if faces_right else x - 1.6
    plinth = box([plinth_x, y, FLOOR_Z_MM], [1.6, width, 7], [0.28, 0.26, 0.24], faces="xXyYZ", spacing_mm=4)
    tiles = [0.34, 0.16, 0.11] if number % 2 == 0 else [0.22, 0.21, 0.22]
    ridge = [low_x + deep / 2, y, height + 4 + 34]
    slope = np.array([deep / 2 + 3, 0, -34.0])
    run_y = np.array([0, width, 0.0])
    parts += [patch(ridge, slope, run_y, tiles), patch(ridge, run_y, slope * [-1, 1, 1], tiles)]
    eaves_x, rise = np.array([deep + 6, 0, 0.0]), [0, 0, 34.0]
    parts.append(patch([low_x - 3, y, height + 4], eaves_x, rise, wall, taper=1.0))
    parts.append(patch([low_x + deep + 3, y + width, height + 4], -eaves_x, rise, wall, taper=1.0))
    if number % 2:
        parts += box(
            [low_x + deep / 2 - 6 + 16 * out, y + width * 0.3, height + 10], [11, 15, 42], [0.42, 0.22, 0.17]
        )
    return [*parts, *eave, *plinth]


def _windows(
    corner: Array, run: Array, height: float, columns: int, storeys: int, trim, shutter, *, door: bool = False
) -> list[Patch]:
    """Windows with frames, sills and shutters on a wall; `run` along its foot, run x up pointing outwards."""
    length = float(np.linalg.norm(run))
    along, up = run / length, np.array([0, 0, 1.0])
    out = np.cross(along, up)
    storey, bay = (height - 8) / storeys, length / columns
    wide, tall = min(13.0, bay * 0.42), min(21.0, storey * 0.56)
    parts: list[Patch] = []

    def slab(along_mm, up_mm, wide_mm, tall_mm, thick_mm, colour):
        origin = corner + along_mm * along + up_mm * up + 0.02 * out
        a, b, c = wide_mm * along, tall_mm * up, thick_mm * out
        parts.append(patch(origin + c, a, b, colour))
        parts.append(patch(origin, c, b, colour))
        parts.append(patch(origin + a + c, -c, b, colour))
        parts.append(patch(origin + b + c, a, -c, colour))
        parts.append(patch(origin, a, c, colour))

    for level in range(storeys):
        for column in range(columns):
            left = (column + 0.5) * bay - wide / 2
            foot = 8 + level * storey + (storey - tall) * 0.45
            if door and level == 0 and column == columns // 2:
                slab(left - 2, 0.2, wide + 4, foot + tall * 0.92, 1.0, trim)
                slab(left, 0.2, wide, foot + tall * 0.92 - 2.5, 1.5, shutter)
                slab(left + wide - 2.4, 11, 1.2, 1.2, 2.4, [0.62, 0.5, 0.2])
                continue
            slab(left - 1.6, foot - 1.6, wide + 3.2, tall + 3.2, 0.9, trim)
            slab(left, foot, wide, tall, 1.0, [0.045, 0.06, 0.075])
            slab(left + wide / 2 - 0.45, foot, 0.9, tall, 1.5, trim)
            slab(left, foot + tall * 0.55, wide, 0.9, 1.45, trim)
            slab(left - 3, foot - 3, wide + 6, 1.7, 2.8, trim)
            if level > 0:
                slab(left - 1.8 - wide / 2, foot - 1, wide / 2 - 0.6, tall + 2, 1.3, shutter)
                slab(left + wide + 2.4, foot - 1, wide / 2 - 0.6, tall + 2, 1.3, shutter)
    return parts


def _quay(plot: Plot) -> list[Patch]:
    """On the right, nearer than the houses: a low wall with bollards, and the water beyond it."""
    stone, cap, water = [0.40, 0.38, 0.34], [0.50, 0.47, 0.41], [0.06, 0.13, 0.15]
    x, start = plot.half_width_mm - 4, plot.near_mm
    length = 230.0 + 0.35 * (plot.half_width_mm * 2 - 28) - 25
    stop = min(start + length, plot.far_mm - 230)
    parts = box([x, start, -6], [9, stop - start, 6 + 12], stone, spacing_mm=5)
    parts += box([x - 1, start, 12], [11, stop - start, 2.5], cap, spacing_mm=5, faces="xXyYzZ")
    for y in np.arange(start + 25, stop - 10, 55):
        parts += post([x + 4.5, y, 14.5], 3.4, 9, [0.07, 0.07, 0.075])
        parts += post([x + 4.5, y, 23.0], 4.6, 2.6, [0.07, 0.07, 0.075])
    parts.append(patch([x + 9, start, -5.5], [145, 0, 0], [0, stop - start, 0], water, spacing_mm=8, mottle=0.10))
    return parts


def _lamp_posts(spec: SceneSpec) -> list[Patch]:
    """A thin post under each lamp, or a rod down from the lintel for a lamp in the upper third."""
    iron = [0.05, 0.055, 0.055]
    lintel_mm = float(spec.mirrors[0].face_corners()[:, 2].max())
    parts: list[Patch] = []
    for lamp in spec.lamps:
        x, y, z = lamp.position_mm
        if z > 0.67 * lintel_mm:
            rod_foot = z + lamp.radius_mm
            parts += post([x, y, rod_foot], 0.5, lintel_mm - rod_foot, iron, sides=8)
            parts += post([x, y, rod_foot], 1.3, 1.2, iron, sides=10)
        else:
            parts += post([x, y, FLOOR_Z_MM], 0.8, z - lamp.radius_mm, iron, sides=8)
            parts += post([x, y, FLOOR_Z_MM], 2.2, 5.0, iron, sides=10)
            parts += post([x, y, z - lamp.radius_mm - 1.2], 1.5, 1.2, iron, sides=10)
    return parts

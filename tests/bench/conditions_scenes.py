"""The scenes of docs/conditions.md: ten of each kind, drawn from seeds, with what is true of them.

A sheet that is turned on the floor stays where it is and all else turns about it, for the target's frame is the
scene's. Everything is seen with a phone of its own lens errors, 2016 x 1512 pixels.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from align.target.sheets import sheet_named
from tests.rendering.framing import framing_of, phone_camera
from tests.rendering.spec import Box, Mirror, SceneSpec
from tests.rendering.truth import corners_mm

Array = NDArray[np.float64]

SIZE_PX = (2016, 1512)
SCENES = 10
SHEETS = ("a5", "a6", "a5", "a4", "a5", "letter", "a5", "a6", "a5", "card")
THICKNESSES_MM = (0.0, 2.0, 3.0, 4.0, 6.0)
SMALLEST_SQUARE_PX = 12.0
#: A print that came out at 97 %: everything else is so much larger in the print's own millimetres.
PRINTED_SCALE = 0.97
SKIN = (0.62, 0.36, 0.26)
#: A reflection is cut beside this many squares, against the mirror's upper edge.
ROWS_SHOWN = 3.05


@dataclass(frozen=True)
class Truth:
    """What is true of a photo: angles [deg], and the distance along y at the sheet's middle [mm]."""

    lean_deg: float
    turn_deg: float
    distance_mm: float
    thickness_mm: float


@dataclass(frozen=True)
class Scene:
    """A scene to render and its truth; seed: of what befalls the photo afterwards."""

    spec: SceneSpec
    truth: Truth
    seed: int


def scene(kind: str, number: int) -> Scene:
    """Scene `number` (0 to 9) of a kind in KINDS."""
    make, offset = KINDS[kind]
    rng_seed = 1000 * offset + number
    spec = make(number, np.random.default_rng([20241125, rng_seed]))
    scale = PRINTED_SCALE if kind == "printed at 97 %" else 1.0
    return Scene(replace(spec, seed=rng_seed), _truth(spec.mirrors[0], scale), rng_seed)


def around_the_sheet(spec: SceneSpec) -> NDArray[np.bool_]:
    """(h, w) where the sheet and its reflection are, with room about them: the rest needs few rays."""
    (mirror,) = spec.mirrors
    corners = corners_mm(spec)
    heights = (corners - mirror.foot_point) @ mirror.normal
    images = corners - 2 * heights[:, None] * mirror.normal
    mask = np.zeros(spec.camera.size_px[::-1], bool)
    for points in (corners, images):
        pixels = spec.camera.project(points)
        low, high = pixels.min(axis=0), pixels.max(axis=0)
        room = 0.35 * (high - low) + 30
        left, top = np.maximum(low - room, 0).astype(int)
        right, bottom = (high + room).astype(int)
        mask[top:bottom, left:right] = True
    return mask


def _truth(mirror: Mirror, scale: float) -> Truth:
    # The mirror's foot need not stand before the sheet's middle, where the distance is told.
    distance = mirror.distance_mm - mirror.x_mm * math.tan(math.radians(mirror.turn_deg))
    turn = (mirror.turn_deg + 180.0) % 360.0 - 180.0
    return Truth(mirror.lean_deg, turn, distance * scale, mirror.thickness_mm * scale)


def _straight(number: int, rng: np.random.Generator) -> SceneSpec:
    """A sheet before a mirror, whole, with its whole reflection, as the guide asks for."""
    return _turned(number, rng, 0.0)


def _turned(number: int, rng: np.random.Generator, sheet_turn_deg: float) -> SceneSpec:
    """The same with the sheet turned on the floor, anticlockwise seen from above."""
    while True:
        spec = _draw(number, rng, sheet_turn_deg)
        framing = framing_of(spec)
        if framing.complete and framing.reflected_square_px >= SMALLEST_SQUARE_PX:
            return spec


def _draw(number: int, rng: np.random.Generator, sheet_turn_deg: float) -> SceneSpec:
    sheet = sheet_named(SHEETS[number])
    reach = sheet.width_mm / 200
    turn, half = math.radians(sheet_turn_deg), np.array([sheet.width_mm, sheet.depth_mm]) / 2
    deepest = abs(half[0] * math.sin(turn)) + abs(half[1] * math.cos(turn))
    gap = float(np.exp(rng.uniform(np.log(8), np.log(60))))
    mirror = Mirror(
        gap,
        float(rng.uniform(-1.5, 1.5)),
        float(rng.uniform(-1.5, 1.5)),
        THICKNESSES_MM[(number + number // 5) % 5],
        width_mm=sheet.width_mm * 1.8,
        height_mm=160 * reach + 40,
    )
    aim = (float(rng.uniform(-15, 15)), float(rng.uniform(-45, 0)) * reach, 0.0)
    camera = phone_camera(
        aim,
        float(rng.uniform(400, 560)) * max(reach, 0.45),
        float(rng.uniform(26, 45)),
        float(rng.uniform(-18, 18)),
        rng=rng,
        size_px=SIZE_PX,
        roll_deg=float(rng.uniform(-4, 4)),
    )
    about, middle = np.array([0.0, -deepest]), np.array([0.0, -sheet.depth_mm / 2])

    def placed(point: Array | tuple[float, ...]) -> tuple[float, float, float]:
        x, y, z = (float(value) for value in point)
        off = np.array([x, y]) - about
        back = np.array([[math.cos(turn), math.sin(turn)], [-math.sin(turn), math.cos(turn)]])
        return (*(float(value) for value in middle + back @ off), z)

    x, y, _ = placed(mirror.foot_point)
    mirror = replace(mirror, x_mm=x, distance_mm=y, turn_deg=mirror.turn_deg - sheet_turn_deg)
    camera = replace(camera, position_mm=placed(camera.position_mm), look_at_mm=placed(camera.look_at_mm))
    return SceneSpec(camera, (mirror,), sheet.name, note="docs/conditions.md")


def _upside_down(number: int, rng: np.random.Generator) -> SceneSpec:
    return _turned(number, rng, 180.0)


def _at_45(number: int, rng: np.random.Generator) -> SceneSpec:
    return _turned(number, rng, 45.0 if number % 2 else -45.0)


def _printed_small(number: int, rng: np.random.Generator) -> SceneSpec:
    """A scene in millimetres of a print at 97 %: its glass is thicker by 1 / 0.97."""
    spec = _straight(number, rng)
    (mirror,) = spec.mirrors
    return replace(spec, mirrors=(replace(mirror, thickness_mm=mirror.thickness_mm / PRINTED_SCALE),))


def _printed_grey(number: int, rng: np.random.Generator) -> SceneSpec:
    """Ink that reflects 20 to 50 % where toner reflects 4.5 %; paper reflects 80 %."""
    return replace(_straight(number, rng), ink_reflectance=0.20 + 0.30 * number / (SCENES - 1))


def _crossings(spec: SceneSpec, points: Array) -> Array:
    """(n, 2) [mm] across and up, on the mirror's face, where reflected points are seen."""
    (mirror,) = spec.mirrors
    eye = np.asarray(spec.camera.position_mm, float)
    heights = (points - mirror.foot_point) @ mirror.normal
    images = points - 2 * heights[:, None] * mirror.normal
    share = ((mirror.foot_point - eye) @ mirror.normal) / ((images - eye) @ mirror.normal)
    crossing = eye + share[:, None] * (images - eye) - mirror.foot_point
    return np.column_stack([crossing @ mirror.across, crossing @ mirror.upward])


def _half_outside(number: int, rng: np.random.Generator) -> SceneSpec:
    """The mirror ends, left or right, in the middle of the reflection."""
    spec = _straight(number, rng)
    (mirror,) = spec.mirrors
    edge = float(np.median(_crossings(spec, corners_mm(spec))[:, 0]))
    side = 1 if number % 2 else -1
    middle = mirror.foot_point + (edge + side * mirror.width_mm / 2) * mirror.across
    moved = replace(mirror, x_mm=float(middle[0]), distance_mm=float(middle[1]))
    return replace(spec, mirrors=(moved,))


def _three_rows(number: int, rng: np.random.Generator) -> SceneSpec:
    """The mirror is so low that it shows three rows of squares."""
    spec = _straight(number, rng)
    sheet = sheet_named(spec.sheet_name)
    (mirror,) = spec.mirrors
    across = np.linspace(0, sheet.squares_x * sheet.square_mm, 5)
    row = sheet.board_to_target(np.column_stack([across, np.full(5, ROWS_SHOWN * sheet.square_mm)]))
    top = float(_crossings(spec, row)[:, 1].mean())
    return replace(spec, mirrors=(replace(mirror, height_mm=top),))


def _hand(number: int, rng: np.random.Generator) -> SceneSpec:
    """A hand reaches over a corner of the sheet: three scenes in five a near one, else a far one."""
    spec = _straight(number, rng)
    sheet = sheet_named(spec.sheet_name)
    side = 1 if number % 2 else -1
    near = number % 5 < 3
    reach = float(rng.uniform(0.22, 0.38)) * sheet.depth_mm
    tip_x = side * (sheet.width_mm / 2 - 0.3 * sheet.width_mm * float(rng.uniform(0.7, 1.2)))
    if near:
        return replace(spec, occluders=_fingers_from_the_front(tip_x, -sheet.depth_mm + reach, side))
    return replace(spec, occluders=_fingers_from_the_side(tip_x, -6.0, side))


def _fingers_from_the_front(x_mm: float, tip_y_mm: float, side: int) -> tuple[Box, ...]:
    """Four fingers along y, the outer one shortest, and the back of the hand."""
    fingers = []
    for number, shorter in enumerate((6.0, 0.0, 4.0, 16.0)):
        left = x_mm + side * 18.0 * number - (16.0 if side < 0 else 0.0)
        fingers.append(Box((left, tip_y_mm - shorter - 60.0, 2.0), (16.0, 60.0, 13.0), SKIN))
    left = x_mm - (70.0 if side < 0 else 0.0)
    return (*fingers, Box((left, tip_y_mm - 140.0, 6.0), (70.0, 84.0, 24.0), SKIN))


def _fingers_from_the_side(tip_x_mm: float, far_y_mm: float, side: int) -> tuple[Box, ...]:
    """Four fingers along x, the farthest at `far_y_mm`, and the back of the hand."""
    fingers = []
    for number, shorter in enumerate((8.0, 0.0, 4.0, 16.0)):
        tip = tip_x_mm + side * shorter
        left = tip if side > 0 else tip - 60.0
        fingers.append(Box((left, far_y_mm - 18.0 * number - 16.0, 2.0), (60.0, 16.0, 13.0), SKIN))
    left = tip_x_mm + 56.0 if side > 0 else tip_x_mm - 140.0
    return (*fingers, Box((left, far_y_mm - 70.0, 6.0), (84.0, 70.0, 24.0), SKIN))


#: Each kind's maker, and the number its seeds begin with.
KINDS: dict[str, tuple[Callable[[int, np.random.Generator], SceneSpec], int]] = {
    "as the guide asks": (partial(_straight), 1),
    "upside down": (_upside_down, 2),
    "at 45 degrees": (_at_45, 3),
    "half outside": (_half_outside, 4),
    "three rows": (_three_rows, 5),
    "a hand": (_hand, 6),
    "printed at 97 %": (_printed_small, 7),
    "printed in grey": (_printed_grey, 8),
}

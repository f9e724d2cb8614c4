"""The sets of rendered photos that docs/photo_sets.md reports on: one mirror scene each, seen from three heights.

Everything is drawn from seeds, so that a set is the same whenever it is rendered. All photos of a set
share one camera, lens errors included.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from align.target.sheets import Sheet, sheet_named
from tests.rendering.framing import phone_camera
from tests.rendering.spec import Box, Mirror, RenderCamera, SceneSpec

SIZE_PX = (2016, 1512)
#: The three heights: elevation and azimuth of the phone seen from the sheet [deg], and its distance [mm].
PLACES = ((20.0, -10.0, 540.0), (34.0, 9.0, 480.0), (50.0, 2.0, 470.0))
THICKNESSES_MM = (0.0, 2.0, 3.0, 4.0, 6.0)
BOW_MM = 2.0
#: A corner sharp enough for triple reflections to be seen whole [deg].
SHARP_CORNER_DEG = 50.0
#: The two mirrors of the corner stop short of one another by this, for their leans differ [mm].
CORNER_GAP_MM = 1.5


def photo_sets() -> dict[str, tuple[SceneSpec, ...]]:
    """The scenes of every set, by the set's name."""
    sets = {f"glass_{t:g}": _one_mirror(int(10 * t), t) for t in THICKNESSES_MM}
    sets["bow"] = tuple(replace(spec, sheet_bow_mm=BOW_MM) for spec in _one_mirror(101, 4.0))
    sets["hidden"] = tuple(replace(spec, occluders=(_box(),)) for spec in _one_mirror(102, 4.0))
    sets["corner"] = _corner(103, 90.0, 22.0)
    sets["sharp"] = _corner(104, SHARP_CORNER_DEG, 110.0)
    return sets


def _one_mirror(seed: int, thickness_mm: float) -> tuple[SceneSpec, ...]:
    """An a5 sheet before one mirror, lean and turn within 1.5 degrees."""
    rng = np.random.default_rng([20240601, seed])
    lean, turn = rng.uniform(-1.5, 1.5, 2)
    distance = float(rng.uniform(8, 45))
    mirror = Mirror(distance, float(lean), float(turn), thickness_mm, width_mm=380.0, height_mm=230.0)
    return _seen(seed, (mirror,), sheet_named("a5"), aim_y_mm=-20.0)


def _corner(seed: int, angle_deg: float, beyond_mm: float) -> tuple[SceneSpec, ...]:
    """An a6 sheet before two mirrors that meet behind it at about an angle, so far beyond half its width."""
    rng = np.random.default_rng([20240601, seed])
    sheet = sheet_named("a6")
    corner_mm, width_mm = sheet.width_mm / 2 + beyond_mm, 250.0 + beyond_mm - 22.0
    mirrors = []
    for side in (-1, 1):
        mirror = Mirror(
            corner_mm,
            float(rng.uniform(-0.6, 0.6)),
            -(90.0 - angle_deg / 2) * side + float(rng.uniform(-0.6, 0.6)),
            4.0,
            width_mm=width_mm,
            height_mm=210.0,
        )
        middle = mirror.foot_point + side * (width_mm / 2 + CORNER_GAP_MM / 2) * mirror.across
        mirrors.append(replace(mirror, x_mm=float(middle[0]), distance_mm=float(middle[1])))
    return _seen(seed, tuple(mirrors), sheet, aim_y_mm=corner_mm - sheet.width_mm / 2 + 8.0)


def _box() -> Box:
    """A block beside the sheet's middle that hides some of the sheet and of its reflection."""
    return Box((52.0, -70.0, 0.0), (22.0, 22.0, 30.0))


def _seen(seed: int, mirrors: tuple[Mirror, ...], sheet: Sheet, aim_y_mm: float) -> tuple[SceneSpec, ...]:
    """The scene from every one of PLACES, through one camera."""
    return tuple(
        SceneSpec(
            _camera(seed, number, sheet, aim_y_mm),
            mirrors,
            sheet.name,
            seed=100 * seed + number,
            note="photo set: plain floor",
        )
        for number in range(len(PLACES))
    )


def _camera(seed: int, place: int, sheet: Sheet, aim_y_mm: float) -> RenderCamera:
    elevation, azimuth, distance = PLACES[place]
    # The lens errors are the first thing drawn: the same seed gives every photo the same camera.
    lens = phone_camera(
        (0.0, aim_y_mm, 0.0),
        distance * math.sqrt(sheet.width_mm / 200),
        elevation,
        azimuth,
        rng=np.random.default_rng([20240602, seed]),
        size_px=SIZE_PX,
    )
    return replace(lens, roll_deg=float(np.random.default_rng([20240603, seed, place]).uniform(-4, 4)))

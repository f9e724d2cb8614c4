"""Cases drawn from a seeded distribution: flat, bent, curled, skewed, and several at once."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from align.target.sheets import Sheet, sheet_named

from .exact import exact_pixels
from .finish import Finish, nominal_focal_px
from .scene import BentMirror, BentScene, LensCamera, Look
from .shapes import Bend, BendKind, Curl, Face, PaperShape, PrintFault, curl_of_corner, curl_of_edge

Group = Literal["flat", "bent", "curled", "skewed", "combined"]
GROUPS: tuple[Group, ...] = ("flat", "bent", "curled", "skewed", "combined")
SIZE_PX = (2800, 2100)
SHEETS, SHEET_ODDS = ("a5", "a6", "a4"), (0.6, 0.2, 0.2)
GLASS_MM, GLASS_ODDS = (0.0, 2.0, 3.0, 4.0, 5.0, 6.0), (0.2, 0.1, 0.25, 0.2, 0.1, 0.15)
#: Of mirrors that somebody has nearly brought true: lean and turn within this [deg].
NEARLY_TRUE_SHARE, NEARLY_TRUE_DEG = 0.4, 0.15
LARGEST_SAGITTA_MM, LARGEST_LIFT_MM = 0.5, 2.0
#: A printer's faults, sd: common practice, no source, and what `align` takes an ordinary printer for. Drawn within
#: 2.5 sd.
SCALE_SD, SHEAR_SD, PRINT_BOW_SD_MM = 0.0014, 0.001, 0.03
#: What a case must show: whole sheet and reflection, this far from the edges, reflected squares this high.
PICTURE_EDGE_PX, FACE_EDGE_MM, SMALLEST_SQUARE_PX = 30.0, 4.0, 13.0


@dataclass(frozen=True)
class Case:
    """One mirror and one sheet in one or more photos."""

    name: str
    group: Group
    photos: tuple[tuple[BentScene, Finish], ...]

    @property
    def exact_print(self) -> bool:
        """Whether the print is as designed."""
        return self.photos[0][0].fault.exact


def draw_case(seed: int, group: Group, number: int, photos: int) -> Case:
    """Case `number` of a group: the same every time."""
    rng = np.random.default_rng([20261126, seed, GROUPS.index(group), number])
    sheet = sheet_named(str(rng.choice(SHEETS, p=SHEET_ODDS)))
    faults = _which(rng, group)
    paper = _paper(rng, sheet) if "curled" in faults else PaperShape()
    fault = fault_of(rng, sheet) if "skewed" in faults else PrintFault()
    look = _look(rng)
    while True:
        mirror = _mirror(rng, sheet, "bent" in faults)
        lens = _lens(rng)
        scenes = [_view(rng, lens, sheet, mirror, paper, fault, look) for _ in range(photos)]
        if all(scene is not None for scene in scenes):
            break
    finish = _finish(rng)
    taken = [(scene, replace(finish, seed=int(rng.integers(2**31)))) for scene in scenes if scene is not None]
    return Case(f"{group}{number:03d}", group, tuple(taken))


def _which(rng: np.random.Generator, group: Group) -> set[str]:
    if group != "combined":
        return {group}
    kinds = ["bent", "curled", "skewed"]
    if rng.random() < 0.6:
        kinds.remove(str(rng.choice(kinds)))
    return set(kinds)


def _mirror(rng: np.random.Generator, sheet: Sheet, bent: bool) -> BentMirror:
    reach = sheet.width_mm / 200
    spread = (NEARLY_TRUE_DEG, NEARLY_TRUE_DEG) if rng.random() < NEARLY_TRUE_SHARE else (2.5, 4.0)
    lean, turn = (float(rng.uniform(-most, most)) for most in spread)
    width, height = sheet.width_mm * rng.uniform(1.2, 2.0), (100 * rng.uniform(1.0, 1.7) + 20) * reach
    face = Face(float(width), float(height), 0.3, bends_of(rng) if bent else ())
    distance = float(np.exp(rng.uniform(np.log(4), np.log(70)))) * reach
    distance += sheet.width_mm / 2 * abs(math.sin(math.radians(turn)))  # no corner of the sheet behind the glass
    thickness = float(rng.choice(GLASS_MM, p=GLASS_ODDS))
    if thickness:
        thickness += float(rng.normal(0, 0.07))
    return BentMirror(distance, lean, turn, face, thickness, 1.52 + float(rng.normal(0, 0.004)))


def bends_of(rng: np.random.Generator) -> tuple[Bend, ...]:
    """One main bend of up to half a millimetre and, mostly, lesser ones."""

    def bend(kinds: tuple[BendKind, ...], largest_mm: float) -> Bend:
        kind = kinds[int(rng.integers(len(kinds)))]
        sagitta = float(rng.uniform(0.02, largest_mm) * rng.choice([-1, 1]))
        return Bend(kind, sagitta, float(rng.uniform(-0.4, 0.4)))

    across: tuple[BendKind, ...] = ("parabola_across", "arch_across", "clip_across")
    upright: tuple[BendKind, ...] = ("parabola_upright", "arch_upright")
    twist: tuple[BendKind, ...] = ("twist", "twist_sine")
    ways = [across, upright, twist]
    main = int(rng.choice(3, p=[0.6, 0.25, 0.15]))
    bends = [bend(ways[main], LARGEST_SAGITTA_MM)]
    for number, kinds in enumerate(ways):
        if number != main and rng.random() < 0.5:
            bends.append(bend(kinds, 0.12))
    return tuple(bends)


def _paper(rng: np.random.Generator, sheet: Sheet) -> PaperShape:
    reach = sheet.width_mm / 200

    def shape() -> tuple[float, float, float]:
        lift = float(rng.uniform(0.1, LARGEST_LIFT_MM)) * min(reach, 1.0)
        return lift, float(rng.uniform(35, 70)) * reach, float(rng.choice([2.0, 2.5, 3.0]))

    kind = rng.choice(["far", "near", "corner", "both"], p=[0.35, 0.2, 0.3, 0.15])
    curls: list[Curl] = []
    if kind in ("far", "both"):
        curls.append(curl_of_edge(sheet, "far", *shape()))
    if kind in ("near", "both"):
        curls.append(curl_of_edge(sheet, "near", *shape()))
    if kind == "corner":
        right, far = bool(rng.random() < 0.5), bool(rng.random() < 0.65)
        curls.append(curl_of_corner(sheet, right, far, *shape(), float(rng.uniform(0.5, 1.1))))
    return PaperShape(tuple(curls))


def fault_of(rng: np.random.Generator, sheet: Sheet) -> PrintFault:
    scale_x, scale_y, shear, bow = (float(v) for v in np.clip(rng.standard_normal(4), -2.5, 2.5))
    return PrintFault(
        1 + SCALE_SD * scale_x,
        1 + SCALE_SD * scale_y,
        SHEAR_SD * shear,
        PRINT_BOW_SD_MM * bow * sheet.width_mm / 200,
        sheet.width_mm,
    )


def _look(rng: np.random.Generator) -> Look:
    base = Look()
    red, green, blue = (float(value * rng.uniform(0.7, 1.3)) for value in base.floor)
    slope_x, slope_y = (float(v) for v in rng.uniform(-0.06, 0.06, 2))
    return replace(base, floor=(red, green, blue), light=(slope_x, slope_y), seed=int(rng.integers(2**31)))


def _finish(rng: np.random.Generator) -> Finish:
    return Finish(
        blur_px=float(rng.uniform(0.6, 1.05)),
        exposure=float(rng.uniform(0.75, 1.05)),
        shot_noise=float(np.exp(rng.uniform(np.log(0.004), np.log(0.014)))),
        sharpen=float(rng.uniform(0.0, 0.8)),
        curve=float(rng.uniform(0.0, 0.2)),
        corner_dark=float(rng.uniform(0.0, 0.25)),
        quality=int(rng.integers(85, 96)),
        equivalent_mm=int(rng.choice([24, 25, 26, 27])),
    )


@dataclass(frozen=True)
class _Lens:
    """What the photos of one case share: size, focal length, centre [px], k1, k2, p1, p2."""

    size_px: tuple[int, int]
    focal_px: float
    centre_px: tuple[float, float]
    distortion: tuple[float, float, float, float]


def _lens(rng: np.random.Generator) -> _Lens:
    """One phone, held one way up."""
    size = SIZE_PX if rng.random() < 0.75 else SIZE_PX[::-1]
    equivalent = 26 * (1 + float(np.clip(rng.normal(0, 0.012), -0.025, 0.025)))
    focal = nominal_focal_px(size, equivalent)
    centre = (np.array(size) - 1) / 2 + rng.normal(0, 0.004 * max(size), 2)
    k1, k2 = (float(v) for v in np.clip(rng.normal(0, 0.03, 2), -0.06, 0.06))
    p1, p2 = (float(v) for v in rng.normal(0, 2e-4, 2))
    return _Lens(size, focal, (float(centre[0]), float(centre[1])), (k1, k2, p1, p2))


def _view(
    rng: np.random.Generator,
    lens: _Lens,
    sheet: Sheet,
    mirror: BentMirror,
    paper: PaperShape,
    fault: PrintFault,
    look: Look,
) -> BentScene | None:
    """A camera that sees sheet and reflection whole and large enough, or None after forty tries."""
    reach = sheet.width_mm / 200
    for _ in range(40):
        aim = (float(rng.uniform(-20, 20)) * reach, float(rng.uniform(-70, 20)) * reach, float(rng.uniform(0, 25)))
        elevation, azimuth = math.radians(rng.uniform(22, 48)), math.radians(rng.uniform(-25, 25))
        away = rng.uniform(340, 560) * (0.35 + 0.65 * reach)
        level = away * math.cos(elevation)
        eye = np.add(
            aim, [level * math.sin(azimuth), -level * math.cos(azimuth), away * math.sin(elevation) - aim[2]]
        )
        camera = LensCamera(
            (float(eye[0]), float(eye[1]), float(eye[2])),
            aim,
            lens.size_px,
            lens.focal_px,
            lens.centre_px,
            lens.distortion,
            float(rng.uniform(-4, 4)),
        )
        scene = BentScene(camera, mirror, sheet.name, paper, fault, look)
        if shows_all(scene):
            return scene
    return None


def shows_all(scene: BentScene) -> bool:
    """Whether all corners show directly and in the mirror, and the reflected squares are high enough."""
    direct, reflected, on_face = exact_pixels(scene)
    limit = np.array(scene.camera.size_px) - 1 - PICTURE_EDGE_PX
    for pixels in (direct, reflected):
        if not ((pixels > PICTURE_EDGE_PX) & (pixels < limit)).all():
            return False
    face = replace(scene.mirror.face, width_mm=scene.mirror.face.width_mm - 2 * FACE_EDGE_MM)
    face = replace(face, foot_mm=face.foot_mm + FACE_EDGE_MM, height_mm=face.height_mm - 2 * FACE_EDGE_MM)
    if not face.holds(on_face[:, 0], on_face[:, 1]).all():
        return False
    columns = scene.sheet.corner_grid[0]
    column = reflected[::columns]
    return bool(np.linalg.norm(np.diff(column, axis=0), axis=1).min() >= SMALLEST_SQUARE_PX)

"""Lamps before mirrors of known glass, rendered in small, and what `align.lamps_fit` makes of them.

    python tests/bench/ghosts.py FOLDER [FIRST LAST] [--traced]

Every photo is a part of a 12-megapixel one (26 mm-equivalent lens) that shows the lamps and their reflections
in a dark room. By default the images are drawn as discs at the places and strengths of the forward model, which
is itself checked against Mitsuba (tests/test_rendering.py); with --traced, Mitsuba traces them. Exposure, blur,
glare, noise, tone curve and JPEG are a phone's. The mirror's plane is given as it was, with its doubt left out:
this measures the lamps, not the sheet. Seeded by the case's number. FOLDER gets the pictures and
results_FIRST.jsonl.
"""

from __future__ import annotations

import json
import sys
import time
from dataclasses import asdict, dataclass
from pathlib import Path

import cv2
import numpy as np

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE.parent), str(HERE.parent.parent)]

from rendering.phone import tone  # noqa: E402
from rendering.spec import Lamp, Mirror, RenderCamera, SceneSpec  # noqa: E402

from align.camera import Camera  # noqa: E402
from align.glass import image_strength  # noqa: E402
from align.lamps import find_spots, light_of  # noqa: E402
from align.lamps_fit import fit_glass  # noqa: E402
from align.lamps_model import MirrorView, ghost_offsets, lamps_of  # noqa: E402
from align.lamps_patch import patch_of  # noqa: E402
from align.lamps_verdict import judge  # noqa: E402

FOCAL_PX = 3028.0
THICKNESSES = (0.0, 2.0, 3.0, 4.0, 6.0)
KINDS = ("plain",) * 9 + ("pairs", "window", "ball")
MARGIN_PX = 90
CASES = 72


@dataclass(frozen=True)
class Case:
    """One photo. exposure : of a lamp's direct image, full scale being 1; glare : share of light spread wide."""

    number: int
    kind: str
    thickness_mm: float
    radii_mm: tuple[float, ...]
    places_mm: tuple[tuple[float, float, float], ...]
    eye_mm: tuple[float, float, float]
    lean_deg: float
    turn_deg: float
    exposure: float
    blur_px: float
    glare: float
    ambient: float


def case_of(number: int) -> Case:
    """The case of a number: thickness and kind in turn, everything else drawn."""
    rng = np.random.default_rng([41, number])
    kind = KINDS[(number // len(THICKNESSES)) % len(KINDS)]
    count = 1 + number % 6 if kind == "plain" else 2
    places = [
        (float(rng.uniform(-70, 70)), float(rng.uniform(-70, 10)), float(rng.uniform(15, 110)))
        for _ in range(count)
    ]
    radii = [float(rng.uniform(0.5, 1.5)) for _ in range(count)]
    if kind == "pairs":  # two real lamps side by side
        places[1] = (places[0][0] + 2.6, places[0][1], places[0][2] + 1.5)
    azimuth, elevation = np.radians(rng.uniform(-25, 25)), np.radians(rng.uniform(15, 40))
    far = rng.uniform(330, 620)
    eye = far * np.array([np.sin(azimuth) * np.cos(elevation), -np.cos(azimuth) * np.cos(elevation), 0])
    eye[2] = far * np.sin(elevation) + 40
    return Case(
        number, kind, THICKNESSES[number % len(THICKNESSES)], tuple(radii), tuple(places),
        tuple(float(v) for v in eye), float(rng.normal(0, 0.6)), float(rng.normal(0, 1.5)),
        float(np.exp(rng.uniform(np.log(0.4), np.log(25)))), float(rng.uniform(0.6, 2.2)),
        float(rng.choice([0.0, 0.0, 0.02, 0.06])), float(rng.uniform(0.0, 0.06)),
    )  # fmt: skip


def scene_of(case: Case) -> SceneSpec:
    """The scene, seen through the part of the photo that shows lamps and reflections."""
    mirror = Mirror(40.0, case.lean_deg, case.turn_deg, case.thickness_mm, 400.0, 260.0)
    lamps = tuple(
        Lamp(place, radius, 1.0, (1.0, 0.86, 0.62))
        for place, radius in zip(case.places_mm, case.radii_mm, strict=True)
    )
    whole = RenderCamera(case.eye_mm, (0.0, 10.0, 50.0), focal_px=FOCAL_PX, k1=-0.03)
    places = np.array(case.places_mm)
    heights = (places - mirror.foot_point) @ mirror.normal
    seen = np.concatenate([whole.project(places), whole.project(places - 2 * heights[:, None] * mirror.normal)])
    low = np.floor(seen.min(axis=0)).astype(int) - MARGIN_PX
    size = np.ceil(seen.max(axis=0)).astype(int) + MARGIN_PX - low
    centre = whole.matrix[:2, 2] - low
    part = RenderCamera(
        case.eye_mm, (0.0, 10.0, 50.0), (int(size[0]), int(size[1])), FOCAL_PX,
        (float(centre[0]), float(centre[1])), k1=-0.03,
    )  # fmt: skip
    return SceneSpec(part, (mirror,), None, lamps=lamps, day=0.0, seed=case.number)


def photograph_of(case: Case, spec: SceneSpec, traced: bool) -> np.ndarray:
    """(h, w, 3) RGB code values, JPEG and all."""
    rng = np.random.default_rng([43, case.number])
    light = (_traced(spec) if traced else _drawn(case, spec)) * case.exposure
    light += case.ambient * np.array([1.0, 0.95, 0.9], np.float32)
    _distract(light, case, spec, rng)
    light = cv2.GaussianBlur(light, (0, 0), case.blur_px)
    if case.glare:
        light = (1 - case.glare) * light + case.glare * cv2.GaussianBlur(light, (0, 0), 25)
    noise = np.sqrt(0.003**2 + 0.012**2 * np.maximum(light, 0))
    light = light + noise * rng.standard_normal(light.shape, dtype=np.float32)
    codes = np.round(255 * tone(light.astype(np.float32))).astype(np.uint8)
    _, data = cv2.imencode(".jpg", codes[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, 90])
    return cv2.imdecode(data, cv2.IMREAD_COLOR)[..., ::-1]


def _traced(spec: SceneSpec) -> np.ndarray:
    """Linear light by Mitsuba: exact, and slow to start for every new number of lamps."""
    from rendering.scene import build
    from rendering.trace import ALL_ORDERS, picture

    world = build(spec, day=0.0, lamps=True)
    return picture(world, spec.camera, 4, ghost_grid=4, orders=ALL_ORDERS)


def _drawn(case: Case, spec: SceneSpec) -> np.ndarray:
    """Linear light by drawing discs at the places and strengths of the forward model (glass.virtual_point)."""
    view, (width, height) = view_of(spec), spec.camera.size_px
    light = np.zeros((height, width, 3), np.float32)
    for place, radius in zip(np.array(case.places_mm), case.radii_mm, strict=True):
        angle = view.incidence(place)
        _disc(light, view.pixels(place)[0], FOCAL_PX * radius / np.linalg.norm(place - view.eye), 1.0)
        far = np.hypot(*view._rise_and_lateral(place))
        for order in (0, 1, 2, 3) if case.thickness_mm else (1,):
            where = view.image_pixels(place, order, case.thickness_mm)[0]
            strength = float(image_strength(order, angle, silvering=0.92)) if case.thickness_mm else 0.92
            _disc(light, where, FOCAL_PX * radius / far, strength)
    return light


def _disc(light: np.ndarray, centre: np.ndarray, radius: float, strength: float) -> None:
    """Add a disc of a lamp's colour, edges smoothed over a pixel by drawing it finely."""
    fine = 8
    low = np.floor(centre - radius - 2).astype(int)
    size = int(2 * radius + 6)
    steps = (np.arange(size * fine) + 0.5) / fine - 0.5
    inside = np.hypot(steps[None] + low[0] - centre[0], steps[:, None] + low[1] - centre[1]) < radius
    disc = inside.reshape(size, fine, size, fine).mean(axis=(1, 3))
    part = light[low[1] : low[1] + size, low[0] : low[0] + size]
    part += (strength * disc)[: part.shape[0], : part.shape[1], None] * np.array([1.0, 0.86, 0.62])


def _distract(light: np.ndarray, case: Case, spec: SceneSpec, rng: np.random.Generator) -> None:
    """Paint the distractor: a bright window, or the highlights of a glossy ball beside lamp and reflection."""
    height, width = light.shape[:2]
    if case.kind == "window":
        left, top = int(rng.uniform(0, 0.6) * width), int(rng.uniform(0, 0.3) * height)
        light[top : top + height // 3, left : left + width // 4] += 0.8
    if case.kind == "ball":  # one weak highlight near each reflection, on one side
        places = np.array(case.places_mm)
        mirror = spec.mirrors[0]
        heights = (places - mirror.foot_point) @ mirror.normal
        for x, y in spec.camera.project(places - 2 * heights[:, None] * mirror.normal):
            angle = rng.uniform(0, 2 * np.pi)
            centre = np.array([x, y]) + 11 * np.array([np.cos(angle), np.sin(angle)])
            rows, columns = np.mgrid[:height, :width]
            near = np.hypot(columns - centre[0], rows - centre[1]) < 4
            light[near] += 0.05 * case.exposure


def view_of(spec: SceneSpec) -> MirrorView:
    """The solved mirror, as it was; its thickness unknown (the prior's 3 mm)."""
    camera, mirror = spec.camera, spec.mirrors[0]
    centre = camera.matrix[:2, 2]
    lens = Camera(camera.focal_px, (float(centre[0]), float(centre[1])), (camera.k1, 0.0, 0.0, 0.0, 0.0))
    return MirrorView(
        lens, camera.cam_from_target_R, camera.cam_from_target_t, mirror.normal, mirror.foot_point, 3.0
    )


def answer_of(case: Case, spec: SceneSpec, codes: np.ndarray) -> dict:
    """Verdict and numbers for one photo."""
    view = view_of(spec)
    light, full = light_of(codes)
    spots = find_spots(light)
    lamps = [lamp for lamp in lamps_of(spots, view, 4032) if lamp.direct is not None]
    patches = [patch_of(lamp, view, light, full, spots) for lamp in lamps]
    patches = [patch for patch in patches if patch is not None]
    shifts = [np.linalg.norm(ghost_offsets(view, np.array(p), case.thickness_mm or 2.0)[1]) for p in case.places_mm]
    answer = asdict(case) | {"lamps": len(patches), "ghost_px": float(max(shifts)), "size": codes.shape[:2]}
    if not patches:
        return answer | {"verdict": "undetermined", "reason": "no lamp seen both ways"}
    fit = fit_glass(patches)
    judged = judge(fit, True)
    return answer | {
        "verdict": judged.verdict, "reason": judged.reason,
        "thickness": fit.thickness_mm, "low": fit.low_mm, "high": fit.high_mm,
        "evidence": fit.evidence, "both": fit.both_sides, "against": fit.against, "limit": fit.limit_share,
        "factors": [lamp.factors for lamp in fit.lamps],
        "saturated": [bool(lamp.patch.full.any()) for lamp in fit.lamps],
    }  # fmt: skip


def run(folder: Path, numbers: range, traced: bool = False) -> None:
    """Render, fit and note every case."""
    folder.mkdir(parents=True, exist_ok=True)
    with (folder / f"results_{numbers.start}.jsonl").open("w") as out:
        for number in numbers:
            case = case_of(number)
            spec = scene_of(case)
            path = folder / f"ghosts_{number:02d}.png"
            started = time.time()
            if not path.exists():
                cv2.imwrite(str(path), photograph_of(case, spec, traced)[..., ::-1])
            rendered = time.time()
            answer = answer_of(case, spec, cv2.imread(str(path))[..., ::-1])
            answer["seconds"] = [rendered - started, time.time() - rendered]
            out.write(json.dumps(answer) + "\n")
            out.flush()
            print(number, case.kind, case.thickness_mm, _short(answer), flush=True)


def _short(answer: dict) -> str:
    """One line on an answer."""
    numbers = ("exposure", "blur_px", "glare", "ghost_px", "lamps", "thickness", "low", "high", "evidence")
    return answer["verdict"] + "".join(f"  {key} {answer[key]:.2f}" for key in numbers if key in answer)


if __name__ == "__main__":
    words = [word for word in sys.argv[1:] if word != "--traced"]
    first, last = (int(word) for word in words[1:3]) if len(words) > 2 else (0, CASES)
    run(Path(words[0]), range(first, last), traced="--traced" in sys.argv)

"""Small photos of lamps before mirrors of known glass, traced by Mitsuba and finished as a phone would.

Each is a part of a 12-megapixel photo (26 mm-equivalent lens) in which some lamps and their reflections show.
Lamps stand 8 to 40 mm before the glass, in a dark room; every number is drawn from the case's own seed.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from .phone import tone
from .scene import build
from .spec import Ball, Lamp, Mirror, RenderCamera, SceneSpec, Window
from .trace import ALL_ORDERS, _trace_pixels

Light = NDArray[np.float32]
Codes = NDArray[np.uint8]

FOCAL_PX = 3028.0
WHOLE_PX = (4032, 3024)
THICKNESSES_MM = (0.0, 2.0, 3.0, 4.0, 6.0)
KINDS = ("plain",) * 9 + ("pairs", "window", "ball")
#: Scenes that are traced, distractors among them, and photos finished from each (exposure, blur, glare drawn anew).
SCENES = range(60)
FINISHES = 3
MARGIN_PX = 70
MOST_LAMPS = 6
LAMP_COLOUR = (1.0, 0.86, 0.62)
GRID = 4  # its square: rays per pixel, and as many again for each order of ghost
#: Code values are written with this JPEG quality.
QUALITY = 90


@dataclass(frozen=True)
class Finish:
    """What exposure, lens and hand do to the light.

    exposure : a lamp's own surface, full scale being 1; blur_px : of the lens in focus, sd; glare : share of the
    light that the lens spreads wide; haze : share that the mirror's surface spreads, reflections only;
    focus_px : radius of the disc of a point out of focus; shake_px : (x, y) path of the picture while exposed;
    ambient : even light of the room.
    """

    exposure: float
    blur_px: float = 0.9
    glare: float = 0.0
    haze: float = 0.0
    focus_px: float = 0.0
    shake_px: tuple[float, float] = (0.0, 0.0)
    ambient: float = 0.01


@dataclass(frozen=True)
class Case:
    """One photo: finish `variant` of the scene of a number."""

    number: int
    variant: int
    kind: str
    scene: SceneSpec
    finish: Finish

    @property
    def mirror(self) -> Mirror:
        """The only one."""
        return self.scene.mirrors[0]

    @property
    def lamps(self) -> tuple[Lamp, ...]:
        """Those before the mirror."""
        return self.scene.lamps


def case_of(number: int, variant: int = 0, finish: Finish | None = None) -> Case:
    """Glass and kind in turn by the number, everything else drawn; the finish too, unless it is given."""
    rng = np.random.default_rng([47, number])
    kind = KINDS[(number // len(THICKNESSES_MM)) % len(KINDS)]
    count = 1 + int(rng.integers(MOST_LAMPS)) if kind == "plain" else 2
    middle = np.array([rng.uniform(-60, 60), 0.0, rng.uniform(20, 90)])
    low, high = middle + np.array([[-22, 0, -18], [22, 32, 18]])
    places = list(rng.uniform(low, high, (count, 3)))
    if kind == "pairs":  # two real lamps side by side, as far apart as ghosts are
        places[1] = places[0] + np.array([2.6, 0.0, 1.5])
    radii = rng.uniform(0.5, 1.5, count)
    scene = _scene(number, kind, places, radii, rng)
    return Case(number, variant, kind, scene, finish or _finish(np.random.default_rng([61, number, variant])))


def _finish(rng: np.random.Generator) -> Finish:
    """From under- to heavily exposed, from sharp to softly blurred."""
    return Finish(
        exposure=float(np.exp(rng.uniform(np.log(0.4), np.log(25)))),
        blur_px=float(rng.uniform(0.6, 2.2)),
        glare=float(rng.choice([0.0, 0.0, 0.02, 0.06])),
        ambient=float(rng.uniform(0.0, 0.06)),
    )


def _scene(number: int, kind: str, places: list, radii: NDArray, rng: np.random.Generator) -> SceneSpec:
    """Lamps at their places, mirror, distractors and the part of the photo that shows them."""
    thickness = THICKNESSES_MM[number % len(THICKNESSES_MM)]
    mirror = Mirror(40.0, float(rng.normal(0, 0.6)), float(rng.normal(0, 1.5)), thickness, 400.0, 260.0)
    azimuth, elevation = np.radians(rng.uniform(-30, 30)), np.radians(rng.uniform(15, 40))
    far = rng.uniform(330, 620)
    eye = far * np.array([np.sin(azimuth) * np.cos(elevation), -np.cos(azimuth) * np.cos(elevation), 0])
    eye[2] = far * np.sin(elevation) + 40
    lamps = [
        Lamp(tuple(float(v) for v in place), float(radius), 1.0, LAMP_COLOUR)
        for place, radius in zip(places, radii, strict=True)
    ]
    balls, windows = (), ()
    if kind == "ball":  # beside the first lamp: its highlights stand near the reflections
        balls = (Ball(tuple(float(v) for v in places[0] + [7.0, 2.0, -6.0]), 5.0),)
    if kind == "window":  # lit, of a model house that shows its black back to the camera
        windows = (Window(tuple(float(v) for v in places[0] + [15.0, -12.0, -6.0]), (12.0, 18.0), 0.2),)
    camera = _part(eye, mirror, np.array(places))
    return SceneSpec(camera, (mirror,), None, lamps=tuple(lamps), balls=balls, windows=windows, day=0.0)


def _part(eye: NDArray, mirror: Mirror, places: NDArray) -> RenderCamera:
    """The camera of the part of the photo that shows the lamps and their reflections."""
    aim = (0.0, 10.0, 50.0)
    whole = RenderCamera(tuple(float(v) for v in eye), aim, WHOLE_PX, FOCAL_PX, k1=-0.03)
    heights = (places - mirror.foot_point) @ mirror.normal
    seen = np.concatenate([whole.project(places), whole.project(places - 2 * heights[:, None] * mirror.normal)])
    low = np.floor(seen.min(axis=0)).astype(int) - MARGIN_PX
    size = np.ceil(seen.max(axis=0)).astype(int) + MARGIN_PX - low
    centre = whole.matrix[:2, 2] - low
    return replace(whole, size_px=(int(size[0]), int(size[1])), centre_px=(float(centre[0]), float(centre[1])))


def traced(case: Case) -> tuple[Light, Light]:
    """(h, w, 3) linear light of what is seen directly, and of what is seen in the mirror.

    Most of the picture is black: every pixel gets one ray for each order of image, and what is lit, with its
    surroundings, is then traced finely.
    """
    world = build(case.scene, day=0.0, lamps=True)
    width, height = case.scene.camera.size_px
    light = np.zeros((height * width, 3), np.float32)
    everywhere = np.arange(height * width, dtype=np.uint32)
    for order in ALL_ORDERS if case.mirror.thickness_mm else (1,):
        coarse, _ = _trace_pixels(world, case.scene.camera, everywhere, 1, order)
        lit = (coarse.max(axis=1) > 0).astype(np.uint8).reshape(height, width)
        near = np.asarray(cv2.dilate(lit, np.ones((5, 5), np.uint8))).ravel() > 0
        if near.any():
            light[near] += _trace_pixels(world, case.scene.camera, everywhere[near], GRID, order)[0]
    both = light.reshape(height, width, 3)
    direct = np.where(_seen_directly(case)[..., None], both, 0)
    return direct, both - direct


def _seen_directly(case: Case) -> NDArray[np.bool_]:
    """(h, w) where the lamps themselves, not their reflections, show."""
    camera = case.scene.camera
    width, height = camera.size_px
    rows, columns = np.mgrid[:height, :width]
    found = np.zeros((height, width), bool)
    for lamp in case.lamps:
        x, y = camera.project(np.array([lamp.position_mm]))[0]
        far = np.linalg.norm(np.subtract(lamp.position_mm, camera.position_mm))
        found |= np.hypot(columns - x, rows - y) < camera.focal_px * lamp.radius_mm / far + 1.5
    return found


def finished(direct: Light, reflected: Light, finish: Finish, seed: int) -> Codes:
    """(h, w, 3) RGB code values of a JPEG photo of the light.

    Glare and haze spread light as Moffat's profile does, (1 + (r / a)^2)^-1.5, a = 12 px; common practice.
    """
    rng = np.random.default_rng([53, seed])
    if finish.haze:
        reflected = (1 - finish.haze) * reflected + finish.haze * cv2.filter2D(reflected, -1, _wide(), borderType=0)
    light = (direct + reflected) * finish.exposure
    light += finish.ambient * np.array([1.0, 0.95, 0.9], np.float32)
    light = cv2.GaussianBlur(light, (0, 0), finish.blur_px)
    if finish.focus_px:
        light = cv2.filter2D(light, -1, disc(finish.focus_px), borderType=cv2.BORDER_REPLICATE)
    if any(finish.shake_px):
        light = cv2.filter2D(light, -1, path(finish.shake_px), borderType=cv2.BORDER_REPLICATE)
    if finish.glare:
        light = (1 - finish.glare) * light + finish.glare * cv2.filter2D(light, -1, _wide(), borderType=2)
    noise = np.sqrt(0.003**2 + 0.012**2 * np.maximum(light, 0))
    light = light + noise * rng.standard_normal(light.shape, dtype=np.float32)
    codes = np.round(255 * tone(light.astype(np.float32))).astype(np.uint8)
    _, data = cv2.imencode(".jpg", codes[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, QUALITY])
    return np.asarray(cv2.imdecode(data, cv2.IMREAD_COLOR)[..., ::-1], np.uint8)


def _wide(scale_px: float = 12.0, half: int = 60) -> Light:
    rows, columns = np.mgrid[-half : half + 1, -half : half + 1]
    kernel = (1 + (rows**2 + columns**2) / scale_px**2) ** -1.5
    return np.asarray(kernel / kernel.sum(), np.float32)


def disc(radius_px: float) -> Light:
    """The image of a point out of focus."""
    half, fine = int(np.ceil(radius_px)) + 1, 8
    steps = (np.arange((2 * half + 1) * fine) + 0.5) / fine - half - 0.5
    inside = np.hypot(steps[None], steps[:, None]) < radius_px
    kernel = inside.reshape(2 * half + 1, fine, 2 * half + 1, fine).mean(axis=(1, 3))
    return np.asarray(kernel / kernel.sum(), np.float32)


def path(vector_px: tuple[float, float]) -> Light:
    """The image of a point while the camera moves steadily along a vector."""
    half = int(np.ceil(max(abs(v) for v in vector_px) / 2)) + 2
    kernel = np.zeros((2 * half + 1, 2 * half + 1), np.float32)
    for share in np.linspace(-0.5, 0.5, 400):
        x, y = half + share * vector_px[0], half + share * vector_px[1]
        column, row = int(x), int(y)
        for down in (0, 1):
            for across in (0, 1):
                kernel[row + down, column + across] += abs(1 - down - (y - row)) * abs(1 - across - (x - column))
    return np.asarray(kernel / kernel.sum(), np.float32)

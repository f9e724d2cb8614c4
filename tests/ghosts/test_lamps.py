"""Lamps and ghosts: finding, pairing, the shape, the fit and the verdict, on small made-up pictures.

The pictures are drawn here as blurred discs at the places of `slab.virtual_point`, independently of the fit's
own shape; photographs traced by Mitsuba are in tests/bench/ghosts.py and docs/glass.md.
"""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from align.ghosts.ghost_geometry import MirrorView, lamps_of
from align.ghosts.lamps import Spot, find_spots, light_of, same_place, white_paper_light
from align.ghosts.likelihood import GlassFit, LampFit, fit_glass
from align.ghosts.patch import FRONT, LATER, Patch, patch_of, soft_disc
from align.ghosts.verdict import judge
from align.optics.camera_model import Camera
from align.optics.geometry import mirror_normal
from align.optics.slab import image_strength

Picture = np.ndarray
SIZE = (520, 620)  # height, width
LAMP_MM = (12.0, -8.0, 55.0)
RADIUS_MM = 1.2


def view() -> MirrorView:
    """A camera before a mirror 40 mm behind the origin, aimed so that lamp and reflection share the picture."""
    eye = np.array([60.0, -420.0, 260.0])
    forward = np.array([5.0, 40.0, 40.0]) - eye
    forward /= np.linalg.norm(forward)
    right = np.cross(forward, [0, 0, 1.0])
    right /= np.linalg.norm(right)
    rotation = np.stack([right, np.cross(forward, right), forward])
    camera = Camera(3000.0, (310.0, 260.0))
    return MirrorView(camera, rotation, -rotation @ eye, mirror_normal(0.005, -0.01), np.array([0, 40.0, 0]), 3.0)


def picture(
    thickness_mm: float, exposure: float = 6.0, blur_px: float = 1.0, extra: tuple[float, float] | None = None
) -> Picture:
    """Code values of one lamp, its reflection and, behind glass, its ghosts; `extra` px: a faint spot beside."""
    seen, place = view(), np.array(LAMP_MM)
    angle = seen.incidence(place)
    images = [(seen.pixels(place)[0], 1.0, float(np.linalg.norm(place - seen.eye)))]
    for order in (0, 1, 2, 3) if thickness_mm else (1,):
        strength = 0.92 if not thickness_mm else float(image_strength(order, angle))
        where = seen.image_pixels(place, order, thickness_mm)[0]
        images.append((where, strength, float(np.hypot(*seen._rise_and_lateral(place)))))
    if extra is not None:
        images.append((images[1][0] + extra, 0.046, images[1][2]))
    rows, columns = np.mgrid[: SIZE[0] * 4, : SIZE[1] * 4] / 4 - 0.375
    light = np.zeros(SIZE)
    for where, strength, far in images:
        disc = (np.hypot(columns - where[0], rows - where[1]) < 3000.0 * RADIUS_MM / far).astype(np.float32)
        light += exposure * strength * cv2.resize(disc, SIZE[::-1], interpolation=cv2.INTER_AREA)
    light = cv2.GaussianBlur(light, (0, 0), blur_px) + 0.01
    rng = np.random.default_rng(3)
    light += rng.standard_normal(SIZE) * np.sqrt(0.003**2 + 0.012**2 * light)
    light = np.clip(light, 0, 1)
    code = np.where(light <= 0.0031308, 12.92 * light, 1.055 * np.maximum(light, 1e-6) ** (1 / 2.4) - 0.055)
    return np.repeat(np.round(255 * code).astype(np.uint8)[..., None], 3, axis=2)


def patches(codes: Picture) -> list[Patch]:
    """The lamps seen both ways, ready for the fit."""
    light, full = light_of(codes)
    spots = find_spots(light)
    lamps = [lamp for lamp in lamps_of(spots, view(), 4032) if lamp.direct is not None]
    return [p for lamp in lamps if (p := patch_of(lamp, view(), light, full, spots)) is not None]


@pytest.fixture(scope="module")
def glass_fit() -> GlassFit:
    """A saturated lamp before 4 mm glass."""
    return fit_glass(patches(picture(4.0)))


def test_soft_disc_is_a_blurred_disc() -> None:
    """Marcum's integral against a disc drawn finely and blurred."""
    nodes, table = soft_disc(6.0, 1.5)
    rows, columns = np.mgrid[-240:241, -240:241] / 12.0
    drawn = cv2.GaussianBlur((np.hypot(rows, columns) < 6.0).astype(float), (0, 0), 18.0)
    distance = np.linspace(0, 12, 40)
    expected = np.interp(distance, np.arange(241) / 12.0, drawn[240, 240:])
    assert np.abs(np.interp(distance, nodes, table, right=0.0) - expected).max() < 0.006


def test_lamp_and_reflection_are_a_stereo_pair() -> None:
    """The lamp's place to a millimetre, thickness not yet known."""
    (patch,) = patches(picture(4.0))
    assert patch.lamp.position_mm == pytest.approx(LAMP_MM, abs=1.0)


def test_ghosts_flank_the_main_image() -> None:
    """Front ghost and first extra trip: opposite sides, nearly equal distances, 4 to 6 % each."""
    offsets = view().ghost_offsets(np.array(LAMP_MM), 4.0)
    front, extra = (np.linalg.norm(offset) for offset in offsets[:2])
    assert front == pytest.approx(extra, rel=0.05)
    assert offsets[0] @ offsets[1] < -0.99 * front * extra
    assert view().ghost_ratios(np.array(LAMP_MM))[:2] == pytest.approx([0.052, 0.041], abs=0.005)


def test_thickness_of_glass(glass_fit: GlassFit) -> None:
    """4 mm glass, saturated lamp: inside the interval, within 0.3 mm."""
    assert judge(glass_fit, paired=True).verdict == "back-silvered"
    assert glass_fit.low_mm <= 4.0 <= glass_fit.high_mm
    assert glass_fit.thickness_mm == pytest.approx(4.0, abs=0.3)


def test_front_coated_mirror() -> None:
    """No ghosts, and the limit is said."""
    fit = fit_glass(patches(picture(0.0)))
    judged = judge(fit, paired=True)
    assert judged.verdict == "front-coated"
    assert fit.limit_share is not None
    assert fit.limit_share < 0.02
    assert "would have been seen" in judged.reason
    # Spots that may be no reflections at all prove nothing.
    assert judge(fit, paired=False).verdict == "undetermined"


def test_a_highlight_on_one_side_is_no_glass() -> None:
    """A faint spot where the front ghost of 4 mm glass would be, and none opposite."""
    offset = view().ghost_offsets(np.array(LAMP_MM), 4.0)[0]
    fit = fit_glass(patches(picture(0.0, extra=(float(offset[0]), float(offset[1])))))
    assert judge(fit, paired=True).verdict != "back-silvered"


def test_ghosts_too_dark_to_see_are_not_denied() -> None:
    """An underexposed lamp: no claim of a front coating for 2 mm glass in deep dark."""
    fit = fit_glass(patches(picture(2.0, exposure=0.15)))
    assert judge(fit, paired=True).verdict != "front-coated"


def test_wrong_brightness_is_undetermined(glass_fit: GlassFit) -> None:
    """Ghosts three times too bright are something else."""
    (lamp,) = glass_fit.lamps
    loud = with_ghosts(lamp, 3.0)
    assert judge(replace(glass_fit, lamps=(loud,)), paired=True).verdict == "undetermined"


def with_ghosts(lamp: LampFit, brightness: float) -> LampFit:
    """The lamp with ghosts of another brightness."""
    parameters = lamp.best.parameters.copy()
    parameters[[FRONT, LATER]] = brightness
    return replace(lamp, best=replace(lamp.best, parameters=parameters))


@pytest.mark.parametrize(
    ("flanked", "bare", "verdict"),
    [(4, 1, "back-silvered"), (2, 1, "back-silvered"), (2, 2, "undetermined"), (1, 2, "undetermined")],
)
def test_lamps_that_contradict_one_another_are_undetermined(
    glass_fit: GlassFit, flanked: int, bare: int, verdict: str
) -> None:
    """One of three front-coated reflections had been covered by another's image: called 2 mm glass once."""
    (lamp,) = glass_fit.lamps
    lamps = (lamp,) * flanked + (with_ghosts(lamp, 0.0),) * bare
    judged = judge(replace(glass_fit, lamps=lamps), paired=True)
    assert judged.verdict == verdict
    if verdict == "undetermined":
        assert "at least as many plainly are not" in judged.reason


def test_photos_from_one_place_show_lamps_in_one_place() -> None:
    """Most spots within 2.5 px; one alone proves nothing, nor do lamps that have moved."""
    spots = [Spot((float(x), float(y)), 5.0, 1.0) for x, y in ((100, 80), (300, 90), (220, 240))]
    moved = [replace(spot, centre_px=(spot.centre_px[0] + 1.0, spot.centre_px[1] - 1.5)) for spot in spots]
    assert same_place(moved, [*spots, Spot((20.0, 20.0), 3.0, 0.4)])
    assert not same_place(moved[:1], spots)
    assert not same_place([replace(spot, centre_px=(spot.centre_px[0] + 9.0, 5.0)) for spot in spots], spots)


def test_white_paper_is_the_sheets_white() -> None:
    """Black and white squares in equal parts, brighter surroundings."""
    light = np.full((120, 160), 0.9, np.float32)
    board = np.kron(np.indices((8, 8)).sum(axis=0) % 2, np.ones((10, 10)))
    light[20:100, 40:120] = np.where(board > 0, 0.4, 0.02)
    outline = np.array([[40, 20], [119, 20], [119, 99], [40, 99]], float)
    assert white_paper_light(light, outline) == pytest.approx(0.4, abs=0.01)

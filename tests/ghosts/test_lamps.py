"""Lamps and ghosts: finding, pairing, the shape, the fit and the verdict, on small made-up pictures.

The pictures are drawn here as blurred discs at the places of `slab.virtual_point`, independently of the fit's
own shape; photographs traced by Mitsuba are in tests/bench/ghosts.py and docs/glass.md.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

from align.ghosts.crescent import Crescent, better_photos, edge_px, spread
from align.ghosts.ghost_geometry import MirrorView
from align.ghosts.job import chosen_patches
from align.ghosts.lamps import Spot, find_spots, light_of, same_place, white_paper_light
from align.ghosts.likelihood import GlassFit, LampFit, fit_glass
from align.ghosts.pairing import lamps_of, own_ghost
from align.ghosts.patch import FRONT, LATER, Patch
from align.ghosts.shape import soft_disc
from align.ghosts.verdict import Judgement, judge
from align.ghosts.views import LitPhoto, lamps_by_mirror
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
    thickness_mm: float,
    exposure: float = 6.0,
    blur_px: float = 1.0,
    extra: tuple[float, float] | None = None,
    radius_mm: float = RADIUS_MM,
) -> Picture:
    """Code values of one lamp, its reflection and, behind glass, its ghosts; `extra` px: a faint spot beside."""
    seen, place = view(), np.array(LAMP_MM)
    angle = seen.incidence(place)
    images = [(seen.pixels(place)[0], 1.0, float(np.linalg.norm(place - seen.eye)))]
    for order in (0, 1, 2, 3) if thickness_mm else (1,):
        strength = 0.92 if not thickness_mm else float(image_strength(order, angle))
        where = seen.image_pixels(place, order, thickness_mm)[0]
        images.append((where, strength, float(np.hypot(*seen.rise_and_lateral(place)))))
    if extra is not None:
        images.append((images[1][0] + extra, 0.046, images[1][2]))
    rows, columns = np.mgrid[: SIZE[0] * 4, : SIZE[1] * 4] / 4 - 0.375
    light = np.zeros(SIZE)
    for where, strength, far in images:
        disc = (np.hypot(columns - where[0], rows - where[1]) < 3000.0 * radius_mm / far).astype(np.float32)
        light += exposure * strength * cv2.resize(disc, SIZE[::-1], interpolation=cv2.INTER_AREA)
    light = cv2.GaussianBlur(light, (0, 0), blur_px) + 0.01
    rng = np.random.default_rng(3)
    light += rng.standard_normal(SIZE) * np.sqrt(0.003**2 + 0.012**2 * light)
    light = np.clip(light, 0, 1)
    code = np.where(light <= 0.0031308, 12.92 * light, 1.055 * np.maximum(light, 1e-6) ** (1 / 2.4) - 0.055)
    return np.repeat(np.round(255 * code).astype(np.uint8)[..., None], 3, axis=2)


def patches(codes: Picture, paper: float = 0.1) -> list[Patch]:
    """The lamps seen both ways, ready for the fit."""
    light, full = light_of(codes)
    item = LitPhoto(Path("made up"), (view(),), light, full, find_spots(light, paper), ())
    lamps = [lamp for lamp in lamps_by_mirror(item)[0] if lamp.direct is not None]
    return chosen_patches([item], [lamps], 0)


#: Ghosts of 1.5 mm glass stick out by more than a pixel.
CLEAR = Crescent(3.0, 2.0, 6.0, 1.0, 0.3, 0.005, 37.0)


def judged_by(fit: GlassFit, paired: bool = True, crescent: Crescent = CLEAR) -> Judgement:
    """The verdict, every lamp able to show ghosts."""
    return judge(fit, [crescent] * len(fit.lamps), paired=paired)


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
    assert judged_by(glass_fit).verdict == "back-silvered"
    assert glass_fit.low_mm <= 4.0 <= glass_fit.high_mm
    assert glass_fit.thickness_mm == pytest.approx(4.0, abs=0.3)


def test_front_coated_mirror() -> None:
    """No ghosts, and the limit is said."""
    fit = fit_glass(patches(picture(0.0)))
    judged = judged_by(fit)
    assert judged.verdict == "front-coated"
    assert fit.limit_share is not None
    assert fit.limit_share < 0.02
    assert "would have been seen" in judged.reason
    # Spots that may be no reflections at all prove nothing.
    assert judged_by(fit, paired=False).verdict == "undetermined"


@pytest.mark.slow
def test_a_highlight_on_one_side_is_no_glass() -> None:
    """A faint spot where the front ghost of 4 mm glass would be, and none opposite."""
    offset = view().ghost_offsets(np.array(LAMP_MM), 4.0)[0]
    fit = fit_glass(patches(picture(0.0, extra=(float(offset[0]), float(offset[1])))))
    assert judged_by(fit).verdict != "back-silvered"


@pytest.mark.slow
def test_ghosts_too_dark_to_see_are_not_denied() -> None:
    """An underexposed lamp: no claim of a front coating for 2 mm glass in deep dark."""
    fit = fit_glass(patches(picture(2.0, exposure=0.15)))
    assert judged_by(fit).verdict != "front-coated"


def test_wrong_brightness_is_undetermined(glass_fit: GlassFit) -> None:
    """Ghosts three times too bright are something else."""
    (lamp,) = glass_fit.lamps
    loud = with_ghosts(lamp, 3.0)
    assert judged_by(replace(glass_fit, lamps=(loud,))).verdict == "undetermined"


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
    judged = judged_by(replace(glass_fit, lamps=lamps))
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


def test_lamps_in_daylight_are_found_where_the_sheet_lies() -> None:
    """Two lamps over white paper, one of 2 px, one saturated with its two saturated ghosts: four spots and no
    paper.
    """
    light = np.full((240, 320), 0.5, np.float32)
    light[::20, ::20] = 0.05
    discs = [((80, 60), 1.2, 1.4), ((200, 120), 6.0, 30.0), ((200, 104), 6.0, 1.6), ((200, 136), 6.0, 1.6)]
    rows, columns = np.mgrid[:240, :320]
    for (x, y), radius, bright in discs:
        light += bright * (np.hypot(columns - x, rows - y) < radius)
    light = np.clip(cv2.GaussianBlur(light, (0, 0), 0.7), 0, 1)
    spots = find_spots(light, 0.5)
    for (x, y), _, _ in discs:
        assert min(np.hypot(spot.centre_px[0] - x, spot.centre_px[1] - y) for spot in spots) < 0.8
    assert len(spots) == 4


def test_an_oval_lamp_says_which_way_it_is_long() -> None:
    """Axes 12 and 6 px, turned by 30 degrees: the log of 2 and the doubled angle."""
    rows, columns = np.mgrid[:80, :80] - 40.0
    along = np.cos(np.radians(30)) * columns + np.sin(np.radians(30)) * rows
    across = np.cos(np.radians(30)) * rows - np.sin(np.radians(30)) * columns
    light = cv2.GaussianBlur(((along / 12) ** 2 + (across / 6) ** 2 < 1).astype(np.float32), (0, 0), 0.8)
    (spot,) = find_spots(light, 0.2)
    assert np.hypot(*spot.longer) == pytest.approx(np.log(2), abs=0.1)
    assert np.degrees(np.arctan2(spot.longer[1], spot.longer[0])) / 2 == pytest.approx(30, abs=3)


@pytest.mark.parametrize(("size_of_ghosts", "peak_of_ghosts"), [(0.8, 1.0), (0.98, 0.5)])
def test_a_ghost_is_neither_lamp_nor_reflection(size_of_ghosts: float, peak_of_ghosts: float) -> None:
    """Three spots on one line beside one lamp: the middle one, the brightest, is the reflection.

    The others are burnt out and smaller, or as large and fainter: ghost and reflection would pair as well.
    """
    seen, place = view(), np.array(LAMP_MM)
    pixel = seen.pixels(place)[0]
    far = np.linalg.norm(place - seen.eye)
    radius = 3000.0 * RADIUS_MM / far
    mirrored = radius * far / seen.image_distance(place, 1, 4.0)
    spots = [Spot(tuple(pixel), float(radius), 1.0)]
    for order, size, peak in (
        (1, 1.0, 1.0),
        (0, size_of_ghosts, peak_of_ghosts),
        (2, size_of_ghosts, peak_of_ghosts),
    ):
        spots.append(Spot(tuple(seen.image_pixels(place, order, 4.0)[0]), float(mirrored * size), peak))
    paired = [lamp for lamp in lamps_of(spots, seen, 4032) if lamp.direct is not None]
    assert [(lamp.direct, lamp.reflected) for lamp in paired] == [(spots[0], spots[1])]
    assert own_ghost(spots[2], paired[0], seen)
    assert own_ghost(spots[3], paired[0], seen)
    assert len(lamps_of(spots, seen, 4032)) == 1


def test_a_burnt_out_lamp_has_no_dim_reflection() -> None:
    """Where two lamps' reflections run into one spot, a ghost is left on each lamp's line: it is no reflection."""
    seen, place = view(), np.array(LAMP_MM)
    ghost = tuple(seen.image_pixels(place, 0, 6.0)[0])
    spots = [Spot(tuple(seen.pixels(place)[0]), 9.0, 1.0), Spot(ghost, 7.5, 0.3)]
    assert not [lamp for lamp in lamps_of(spots, seen, 4032) if lamp.direct is not None]
    brighter = [spots[0], replace(spots[1], peak=0.8)]
    assert [lamp for lamp in lamps_of(brighter, seen, 4032) if lamp.direct is not None]


def test_what_may_be_a_ghost_does_not_speak_for_a_front_coating(glass_fit: GlassFit) -> None:
    """Two lamps' reflections have run into one spot; the ghost of one, as bright, is taken for a reflection."""
    seen, place = view(), np.array(LAMP_MM)
    main, ghost = (np.array(seen.image_pixels(place, order, 6.0)[0]) for order in (1, 0))
    beside = np.array([main[1] - ghost[1], ghost[0] - main[0]]) / np.hypot(*(main - ghost))
    spots = [
        Spot(tuple(seen.pixels(place)[0]), 9.0, 1.0),
        Spot(tuple(ghost), 8.0, 1.0),
        Spot(tuple(main + 8.0 * beside), 13.0, 1.0),
    ]
    (lamp,) = [lamp for lamp in lamps_of(spots, seen, 4032) if lamp.direct is not None]
    assert lamp.reflected is spots[1]
    assert lamp.may_be_ghost
    (alone,) = [lamp for lamp in lamps_of(spots[:2], seen, 4032) if lamp.direct is not None]
    assert not alone.may_be_ghost

    def bare(*lamps: LampFit) -> GlassFit:
        against = sum(lamp.against for lamp in lamps)
        return replace(glass_fit, evidence=-against, against=against, limit_share=0.01, lamps=lamps)

    (fitted,) = glass_fit.lamps
    doubtful = replace(fitted, against=60.0, patch=replace(fitted.patch, lamp=lamp))
    sure = replace(fitted, against=20.0, patch=replace(fitted.patch, lamp=alone))
    assert judged_by(bare(doubtful)).verdict == "undetermined"
    assert "may be a ghost" in judged_by(bare(doubtful)).reason
    assert judged_by(bare(doubtful, sure)).verdict == "front-coated"


def test_a_ghost_that_runs_into_its_lamp_is_a_spot_of_its_own_size() -> None:
    """Half way down from a ghost that is not burnt out lies its lamp: one of 6 px, and its ghosts, as large."""
    light = np.full((160, 160), 0.05, np.float32)
    rows, columns = np.mgrid[:160, :160]
    for away, bright in ((0, 20.0), (-10, 0.82), (10, 0.82)):
        light += bright * (np.hypot(columns - 80 - away, rows - 80 - away) < 6.0)
    light = np.clip(cv2.GaussianBlur(light, (0, 0), 0.8), 0, 1)
    spots = find_spots(light, 0.42)  # one of the levels is then 0.86
    assert sorted(round(spot.centre_px[0]) for spot in spots) == pytest.approx([70, 80, 90], abs=1)
    assert max(spots, key=lambda spot: spot.radius_px).centre_px[0] == pytest.approx(80, abs=0.5)
    assert max(spot.radius_px for spot in spots) < 8.0


def test_a_lamp_that_is_just_burnt_out_is_one_of_its_own_size() -> None:
    """Light about full scale with noise: burnt-out pieces here and there, within a disc of 4.5 px."""
    rows, columns = np.mgrid[:60, :60]
    light = (0.1 + 0.78 * (np.hypot(columns - 30, rows - 30) < 4.5)).astype(np.float32)
    light = cv2.GaussianBlur(light, (0, 0), 0.8)
    for y, x in ((28, 28), (28, 29), (29, 28), (31, 32), (32, 32), (32, 31)):
        light[y, x] = 0.93
    (spot,) = find_spots(light, 0.2)
    assert spot.centre_px == pytest.approx((30.0, 30.0), abs=0.3)
    assert spot.radius_px == pytest.approx(4.5, abs=0.5)


def test_a_ragged_burnt_out_part_is_measured_lower_down() -> None:
    """A disc of 9 px of light about the level of what is burnt out, with noise: no compact part is above it."""
    rows, columns = np.mgrid[:80, :80]
    disc = cv2.GaussianBlur((np.hypot(columns - 40, rows - 40) < 9.0).astype(np.float32), (0, 0), 1.5)
    noise = np.random.default_rng(5).standard_normal(disc.shape)
    light = (0.02 + 0.89 * disc * (1 + 0.01 * noise)).astype(np.float32)
    spots = find_spots(light, 0.1)
    assert [spot.centre_px for spot in spots] == [pytest.approx((40.0, 40.0), abs=0.5)]
    assert spots[0].radius_px == pytest.approx(9.0, abs=1.5)


def test_three_small_spots_in_a_row_are_not_measured_as_one() -> None:
    """A lamp of 1.9 px and its burnt-out ghosts, joined half way down: 4.3 px once, now 2.8 px."""
    rows, columns = np.mgrid[:60, :60]
    light = np.full((60, 60), 0.05, np.float32)
    for away, bright in ((0.0, 30.0), (-4.5, 1.6), (4.5, 1.5)):
        light += bright * (np.hypot(columns - 30 - away, rows - 30 - away) < 1.9)
    spots = find_spots(np.clip(cv2.GaussianBlur(light, (0, 0), 0.7), 0, 1), 0.1)
    assert len(spots) == 3
    assert spots[0].centre_px == pytest.approx((30.0, 30.0), abs=0.3)
    assert 2.0 < spots[0].radius_px < 3.2


@pytest.mark.slow
def test_burnt_out_ghosts_that_run_into_their_lamp() -> None:
    """A lamp 35 times full scale: lamp and ghosts are one white patch, twice as long as wide."""
    fit = fit_glass(patches(picture(6.0, exposure=35.0, radius_mm=2.6)))
    lamp = fit.lamps[0].patch.lamp
    assert lamp.reflected.radius_px > 1.3 * lamp.size_ratio * lamp.direct.radius_px
    assert judged_by(fit).verdict == "back-silvered"
    assert fit.thickness_mm == pytest.approx(6.0, abs=0.3)


def test_no_ghosts_needs_four_sd(glass_fit: GlassFit) -> None:
    """Glass has been searched for at all thicknesses: what beats it by 16 is sure once in 3000."""
    (lamp,) = glass_fit.lamps

    def bare(against: float) -> GlassFit:
        lamps = (replace(lamp, against=against),)
        return replace(glass_fit, evidence=-against, against=against, limit_share=0.01, lamps=lamps)

    assert judged_by(bare(17.0)).verdict == "front-coated"
    assert judged_by(bare(15.0)).verdict == "undetermined"


def test_thicker_glass_puts_the_lamp_elsewhere_on_its_line() -> None:
    """A lamp whose place was worked out for 3 mm glass: ghosts of 6 mm glass where 6 mm glass puts them, to 0.3
    %.
    """
    seen, true = view(), replace(view(), thickness_mm=6.0)
    place = np.array(LAMP_MM)
    direct, main = seen.pixels(place)[0], true.image_pixels(place, 1, 6.0)[0]
    wrong = seen.place_of(direct, main, place)
    assert np.linalg.norm(wrong - place) > 1.0
    spots = [Spot(tuple(direct), 5.0, 1.0), Spot(tuple(main), 4.5, 1.0)]
    (lamp,) = [lamp for lamp in lamps_of(spots, seen, 4032) if lamp.direct is not None]
    assert seen.ghosts(lamp, 6.0).offsets[:2] == pytest.approx(true.ghost_offsets(place, 6.0)[:2], rel=0.003)


def test_what_a_photo_can_tell() -> None:
    """The edge of a lamp 20 times full scale, by hand: Q^-1(0.0025) = 2.807 sd; the best way to a better photo
    first.
    """
    assert edge_px(1.0, 20.0) == pytest.approx(2.807, abs=0.001)
    assert edge_px(0.2, 20.0) == pytest.approx(0.6 * 2.807, abs=0.001)  # no lens blurs less than 0.6 px
    assert edge_px(1.0, 0.05) == 0.0
    # By hand: sin 60 / sqrt(1.52^2 - 0.25).
    assert spread(30.0) == pytest.approx(0.8660 / np.sqrt(1.52**2 - 0.25), rel=2e-3)
    hidden = Crescent(1.2, edge_px(1.0, 20.0), 20.0, 1.0, 0.9, 0.004, 15.0)
    assert hidden.free_px(2.0) == pytest.approx(2.4 - 2.807, abs=0.001)
    assert not hidden.tells
    ways = better_photos([hidden])
    # From 15 to 49 degrees the ghosts move apart 2.25 times, at half the distance 2 times.
    assert ways[0].startswith("Look at the mirror more from the side")
    assert ways[1].startswith("Come nearer")
    assert better_photos([replace(hidden, incidence_deg=45.0)])[0].startswith("Come nearer")


def test_hidden_ghosts_are_not_denied(glass_fit: GlassFit) -> None:
    """No ghosts fit best by far, but none would have stuck out of the lamps: no claim, and a better photo
    instead.
    """
    hidden = Crescent(1.2, 3.0, 20.0, 1.0, 0.9, 0.004, 15.0)
    lamps = tuple(replace(lamp, against=60.0) for lamp in glass_fit.lamps)
    bare = replace(glass_fit, evidence=-60.0, against=60.0, limit_share=0.01, lamps=lamps)
    assert judged_by(bare).verdict == "front-coated"
    judged = judged_by(bare, crescent=hidden)
    assert judged.verdict == "undetermined"
    assert "Come nearer" in judged.better_photo

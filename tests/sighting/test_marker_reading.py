"""Markers read from pixels: those that OpenCV reads, where it finds them, both ways round in one search."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from align.optics.geometry import apply_homography, fit_homography
from align.sighting.marker_reading import MOST_LIGHT_IN_BORDER, Look, _meanings, read_markers
from align.sighting.markers import CAREFUL_LOOK, PART_LOOK, detect_markers
from align.solve.forward_model import DIRECT
from align.target.markers import aruco_dictionary
from align.target.sheets import MARKER_CODES, SHEETS, corners_board, marker_bits, marker_corners_board, raster
from tests.support.synthetic import degrees_mirror, synthetic_photo

SIZE = (1600, 1200)


@pytest.fixture(scope="module")
def drawn():
    """A sheet and its reflection in a mirror near by, drawn as a phone takes them, and where their corners are."""
    mirror = degrees_mirror(0.5, -1.0, 20.0, 3.0)
    rng = np.random.default_rng(5)
    return synthetic_photo(SHEETS["a5"], (80, -430, 300), [mirror], size=SIZE, rng=rng)


@pytest.fixture(scope="module")
def photo(drawn):
    """The drawn photo alone."""
    return drawn[0]


def read_by_opencv(picture, look):
    """{number: corners (4, 2)} of the markers that OpenCV's own detector reads with a look's settings."""
    parameters = cv2.aruco.DetectorParameters()
    parameters.adaptiveThreshWinSizeMin, parameters.adaptiveThreshWinSizeMax = look.windows[0], look.windows[-1]
    parameters.adaptiveThreshWinSizeStep = max(look.windows[-1] - look.windows[0], 1)
    parameters.minMarkerPerimeterRate = look.least_outline
    parameters.polygonalApproxAccuracyRate = look.straightness
    parameters.minMarkerDistanceRate = 0.02
    parameters.errorCorrectionRate = 1.0
    parameters.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    parameters.relativeCornerRefinmentWinSize = 0.2
    parameters.cornerRefinementWinSize = 4
    corners, ids, _ = cv2.aruco.ArucoDetector(aruco_dictionary(), parameters).detectMarkers(picture)
    return {int(i): np.reshape(c, (4, 2)) for i, c in zip(np.ravel(ids), corners, strict=True)}


@pytest.mark.parametrize("name", SHEETS)
def test_every_marker_of_a_sheet_is_read_in_its_place_and_none_mirrored(name):
    sheet, pixels = SHEETS[name], 48
    picture = cv2.copyMakeBorder(raster(sheet, pixels), *[24] * 4, cv2.BORDER_CONSTANT, value=255)
    printed, mirrored = read_markers(picture, PART_LOOK)
    assert sorted(printed.ids) == list(sheet.marker_ids)
    assert mirrored.ids == []
    for number, place in zip(printed.ids, printed.places, strict=True):
        true = marker_corners_board(sheet)[number - sheet.first_marker] * pixels / sheet.square_mm + 24 - 0.5
        np.testing.assert_allclose(place, true, atol=0.6)


@pytest.mark.parametrize("turns", range(4))
def test_a_turned_or_mirrored_sheet_has_its_corners_in_the_order_of_the_print(turns):
    sheet, pixels = SHEETS["card"], 40
    picture = cv2.copyMakeBorder(raster(sheet, pixels), *[20] * 4, cv2.BORDER_CONSTANT, value=255)
    turned = np.ascontiguousarray(np.rot90(picture, turns))
    for shown, mirrored in ((turned, False), (np.ascontiguousarray(turned[:, ::-1]), True)):
        ids, places = detect_markers(shown, mirrored=mirrored)
        assert sorted(ids) == list(sheet.marker_ids)
        assert detect_markers(shown, mirrored=not mirrored) == ([], [])
        for number, place in zip(ids, places, strict=True):
            true = marker_corners_board(sheet)[number - sheet.first_marker] * pixels / sheet.square_mm + 20 - 0.5
            height, width = picture.shape
            for _ in range(turns):  # np.rot90 takes (x, y) to (y, width - 1 - x)
                true = np.column_stack([true[:, 1], width - 1 - true[:, 0]])
                height, width = width, height
            if mirrored:
                true[:, 0] = width - 1 - true[:, 0]
            np.testing.assert_allclose(place, true, atol=0.6)


def test_reads_at_least_what_opencv_reads_and_nearer_to_where_it_is(drawn):
    """In the photo and in its flip; another library's reading of the same pixels, and the true places."""
    photo, truth = drawn
    sheet = SHEETS["a5"]
    for reading, mirrored in zip(read_markers(photo, PART_LOOK), (False, True), strict=True):
        view = next(view for view in truth.views if (view.mirror == DIRECT) != mirrored)
        homography = fit_homography(corners_board(sheet)[view.corner_ids], view.pixels)
        true = apply_homography(homography, marker_corners_board(sheet).reshape(-1, 2)).reshape(-1, 4, 2)
        theirs = read_by_opencv(np.ascontiguousarray(photo[:, ::-1]) if mirrored else photo, PART_LOOK)
        if mirrored:
            for place in theirs.values():
                place[:, 0] = photo.shape[1] - 1 - place[:, 0]
        off = [
            [
                float(np.abs(place - true[number - sheet.first_marker]).max())
                for number, place in pairs
                if number in sheet.marker_ids
            ]
            for pairs in (zip(reading.ids, reading.places, strict=True), theirs.items())
        ]
        assert len(off[0]) >= len(off[1]) >= 12
        assert max(off[0]) < 2.0
        assert np.median(off[0]) < np.median(off[1]) + 0.05


def test_a_marker_in_two_places_is_read_twice_and_in_one_place_once():
    sheet, pixels = SHEETS["card"], 40
    one = cv2.copyMakeBorder(raster(sheet, pixels), *[20] * 4, cv2.BORDER_CONSTANT, value=255)
    printed, _ = read_markers(np.hstack([one, one]), Look((7, 15, 23), 0.016, 0.05))
    assert sorted(printed.ids) == sorted([*sheet.marker_ids, *sheet.marker_ids])


def test_the_table_of_codes_allows_one_wrong_bit_and_no_more():
    """Against a comparison of each code with each marker in each rotation, on codes drawn by chance."""
    rng = np.random.default_rng(1)
    all_bits = [np.rot90(marker_bits(m), k).ravel() for m in range(len(MARKER_CODES)) for k in range(4)]
    table = np.array(all_bits)
    for mirrored in (False, True):
        known = np.array([b.reshape(4, 4)[:, ::-1].ravel() for b in all_bits]) if mirrored else table
        for code in rng.integers(0, 65536, 300):
            bits = (code >> np.arange(15, -1, -1)) & 1
            wrong = (known != bits).sum(axis=1)
            for most in (0, 1):
                expected = int(np.argmin(wrong)) if wrong.min() <= most else -1
                assert _meanings(mirrored, most)[code] == expected


def test_what_is_no_marker_is_not_read():
    """Grain, a plain picture, and a marker's bits in a light border."""
    rng = np.random.default_rng(2)
    grain = rng.integers(0, 256, (300, 400)).astype(np.uint8)
    plain = np.full((300, 400), 128, np.uint8)
    bordered = np.ones((6, 6), np.uint8)
    bordered[1:-1, 1:-1] = marker_bits(3)
    bordered[0, : 20 - MOST_LIGHT_IN_BORDER] = 0
    light = cv2.copyMakeBorder(
        np.kron(255 * bordered, np.ones((10, 10), np.uint8)), *[40] * 4, cv2.BORDER_CONSTANT, value=0
    )
    for picture in (plain, light):
        for reading in read_markers(picture, CAREFUL_LOOK):
            assert reading.ids == []
    assert sum(len(reading.ids) for reading in read_markers(grain, PART_LOOK)) <= 5

"""The markers' mirror safety, the sheets' frames, and the raster against OpenCV's own board."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from align.errors import TargetError
from align.target.markers import aruco_dictionary, charuco_board
from align.target.sheets import (
    MARKER_BITS,
    MARKER_CODES,
    SHEETS,
    corners_board,
    corners_target,
    marker_bits,
    marker_corners_board,
    plain_board,
    raster,
    sheet_named,
    sheet_of_marker,
    white_squares,
)
from align.target.thresholds import MARKER_RATIO, MIRROR_DISTANCE_BITS

ALL_SHEETS = list(SHEETS.values())
each_sheet = pytest.mark.parametrize("sheet", ALL_SHEETS, ids=lambda sheet: sheet.name)


def rotations(bits):
    """The four rotations of (markers, n, n) bits: (4, markers, n * n)."""
    return np.array([np.rot90(bits, turns, axes=(1, 2)).reshape(len(bits), -1) for turns in range(4)])


def distances(bits, others):
    """(markers, others) smallest Hamming distance over all rotations of `others`."""
    flat = bits.reshape(len(bits), -1)
    turned = rotations(others)
    return (flat[None, :, None, :] != turned[:, None, :, :]).sum(axis=3).min(axis=0)


def markers_read_in_a_mirror(dictionary):
    """Count of a dictionary's markers whose mirror image its own error correction reads as a marker."""
    size = dictionary.markerSize
    bits = np.array(
        [
            cv2.aruco.Dictionary.getBitsFromByteList(dictionary.bytesList[i : i + 1], size)
            for i in range(len(dictionary.bytesList))
        ]
    )
    nearest = distances(bits, bits[:, :, ::-1]).min(axis=1)
    return int((nearest <= dictionary.maxCorrectionBits).sum())


OUR_BITS = np.array([marker_bits(i) for i in range(len(MARKER_CODES))])


def test_marker_bits_are_the_code_row_by_row():
    assert MARKER_CODES[0] == 0x7551
    np.testing.assert_array_equal(OUR_BITS[0], [[0, 1, 1, 1], [0, 1, 0, 1], [0, 1, 0, 1], [0, 0, 0, 1]])


@pytest.mark.parametrize(
    ("count", "least"),
    [(len(MARKER_CODES), MIRROR_DISTANCE_BITS), (86, 4)],
    ids=["all", "first 86"],
)
def test_markers_stay_apart_from_each_other_and_from_every_mirrored_marker(count, least):
    bits = OUR_BITS[:count]
    among = distances(bits, bits)
    np.fill_diagonal(among, MARKER_BITS**2)
    assert among.min() == least
    assert distances(bits, bits[:, :, ::-1]).min() == least


def test_every_marker_has_one_rotation_only():
    # A marker that looks the same turned would leave the board's orientation open.
    turned = rotations(OUR_BITS)
    assert min((turned[0] != turned[k]).sum(axis=1).min() for k in (1, 2, 3)) >= MIRROR_DISTANCE_BITS


def test_small_sheets_use_the_markers_that_keep_four_bits():
    assert all(SHEETS[name].marker_ids[-1] < 86 for name in ("card", "a6", "a5"))


@pytest.mark.parametrize(
    ("number", "count"),
    [(cv2.aruco.DICT_4X4_50, 4), (cv2.aruco.DICT_5X5_100, 5), (cv2.aruco.DICT_6X6_100, 0)],
    ids=["4X4_50", "5X5_100", "6X6_100"],
)
def test_stock_dictionaries_read_some_markers_in_a_mirror(number, count):
    # Why we have a set of our own; docs/target.md quotes these counts.
    assert markers_read_in_a_mirror(cv2.aruco.getPredefinedDictionary(number)) == count


def test_our_dictionary_reads_none_in_a_mirror():
    assert aruco_dictionary().maxCorrectionBits >= 1
    assert markers_read_in_a_mirror(aruco_dictionary()) == 0


def test_sheets_share_no_marker_and_stay_within_the_codes():
    used = [marker for sheet in ALL_SHEETS for marker in sheet.marker_ids]
    assert len(used) == len(set(used))
    assert max(used) < len(MARKER_CODES)
    assert all(sheet_of_marker(marker).name == s.name for s in ALL_SHEETS for marker in s.marker_ids)
    assert sheet_of_marker(len(MARKER_CODES)) is None


@each_sheet
def test_corners_run_from_far_left_row_by_row(sheet):
    corners = corners_target(sheet).reshape(sheet.squares_y - 1, sheet.squares_x - 1, 3)
    assert corners.size == 3 * sheet.corner_count
    np.testing.assert_allclose(np.diff(corners[..., 0], axis=1), sheet.square_mm)  # x to the right
    np.testing.assert_allclose(np.diff(corners[..., 1], axis=0), -sheet.square_mm)  # towards the viewer
    np.testing.assert_allclose(corners[..., 0].mean(), 0, atol=1e-9)  # origin: middle of the contact edge
    np.testing.assert_allclose(corners[0, :, 1], -(sheet.contact_margin_mm + sheet.square_mm))
    assert (corners[..., 2] == 0).all()


@each_sheet
def test_board_and_target_frames_agree_at_the_sheets_edges(sheet):
    squares = np.array([[0.0, 0.0], [sheet.squares_x * sheet.square_mm, sheet.squares_y * sheet.square_mm]])
    far_left, near_right = sheet.board_to_target(squares)
    assert far_left[1] + sheet.contact_margin_mm == pytest.approx(0)  # the contact edge is y = 0
    assert near_right[1] - sheet.near_margin_mm == pytest.approx(-sheet.depth_mm)
    assert near_right[0] + sheet.side_margin_mm == pytest.approx(sheet.width_mm / 2)


@each_sheet
def test_opencv_numbers_corners_and_markers_as_we_do(sheet):
    board = charuco_board(sheet)
    np.testing.assert_allclose(board.getChessboardCorners()[:, :2], corners_board(sheet), atol=1e-4)
    np.testing.assert_allclose(np.array(board.getObjPoints())[:, :, :2], marker_corners_board(sheet), atol=1e-4)
    assert list(np.ravel(board.getIds())) == list(sheet.marker_ids)
    assert len(white_squares(sheet)) == sheet.marker_count


@each_sheet
def test_raster_is_opencvs_picture_of_the_board(sheet):
    pixels = 48
    picture = charuco_board(sheet).generateImage((sheet.squares_x * pixels, sheet.squares_y * pixels))
    ours = raster(sheet, pixels)
    np.testing.assert_array_equal(ours, picture)
    assert ours[0, 0] == 0  # the far-left square is black


@pytest.mark.parametrize("pixels", [17, 50])
def test_raster_keeps_the_ink_whatever_the_pixel_size(pixels):
    sheet = SHEETS["card"]
    ink = 1 - raster(sheet, pixels).mean() / 255
    assert ink == pytest.approx(1 - raster(sheet, 48).mean() / 255, abs=2e-3)


@each_sheet
def test_markers_read_as_printed_and_never_in_the_mirror(sheet):
    picture = cv2.copyMakeBorder(raster(sheet, 48), *[24] * 4, cv2.BORDER_CONSTANT, value=255)
    detector = cv2.aruco.ArucoDetector(aruco_dictionary())
    _, ids, _ = detector.detectMarkers(picture)
    assert sorted(ids.ravel()) == list(sheet.marker_ids)
    _, ids, _ = detector.detectMarkers(np.ascontiguousarray(picture[:, ::-1]))
    assert ids is None or len(ids) == 0


def test_scaled_sheet_keeps_its_markers_and_scales_every_length():
    sheet = SHEETS["a5"]
    printed = sheet.scaled(0.994)
    np.testing.assert_allclose(corners_target(printed), 0.994 * corners_target(sheet))
    assert (printed.width_mm, printed.depth_mm) == pytest.approx((0.994 * sheet.width_mm, 0.994 * sheet.depth_mm))
    assert (printed.name, printed.marker_ids) == (sheet.name, sheet.marker_ids)


def test_plain_board_has_inner_corners_and_no_markers():
    board = plain_board(7, 6, 20.0)
    assert (board.corner_grid, board.corner_count, board.marker_count) == ((7, 6), 42, 0)
    assert corners_target(board)[:, 1].max() == -20.0
    with pytest.raises(ValueError, match="plain board"):
        charuco_board(board)


@pytest.mark.parametrize(("columns", "rows", "square_mm"), [(2, 6, 20.0), (7, 2, 20.0), (7, 6, 0.0)])
def test_impossible_boards_are_refused(columns, rows, square_mm):
    with pytest.raises(TargetError):
        plain_board(columns, rows, square_mm)


def test_unknown_sheet_names_those_there_are():
    with pytest.raises(TargetError) as caught:
        sheet_named("a3")
    assert "card" in caught.value.remedy
    assert 0 < MARKER_RATIO < 1

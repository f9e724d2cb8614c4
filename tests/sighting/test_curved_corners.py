"""Corners matched again where the print runs in curves, on a picture drawn with curves that are known."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from align.optics.geometry import apply_homography, fit_homography
from align.sighting.boards import Board
from align.sighting.corners import RASTER_PX, match_corners, patches_of, square_heights_px
from align.sighting.curved_corners import PLANE_PX, Bends, matched_on, off_plane_px
from align.target.sheets import SHEETS, corners_board, raster

A5 = SHEETS["a5"]
CORNERS = corners_board(A5)
PLANE = np.array([[2.2, 0.35, 60.0], [0.1, 1.9, 50.0], [0.0, 0.0006, 1.0]])
#: Columns bend sideways past this row of board coordinates [mm], by so much [1/mm].
PAST_MM, BEND_PER_MM = 3.2 * A5.square_mm, 8e-4
SIDEWAYS = Bends(np.tile([0.0, -1.0], (len(CORNERS), 1)), np.tile([2.0, 0.0], (len(CORNERS), 1)))


def pictured(places, bend=BEND_PER_MM):
    past = np.maximum(PAST_MM - places[:, 1], 0.0)
    return apply_homography(PLANE, places - np.column_stack([bend * past**2, 0 * past]))


def drawn():
    """The print as `pictured` has it, blurred, with a whiff of noise."""
    finer = 4
    y, x = np.mgrid[0 : 420 * finer, 0 : 520 * finer]
    pixels = (np.column_stack([x.ravel(), y.ravel()]) + 0.5) / finer - 0.5
    places = apply_homography(np.linalg.inv(PLANE), pixels)
    places[:, 0] += BEND_PER_MM * np.maximum(PAST_MM - places[:, 1], 0.0) ** 2
    at = (places * RASTER_PX / A5.square_mm - 0.5).astype(np.float32).reshape(*x.shape, 2)
    light = cv2.remap(raster(A5, RASTER_PX).astype(np.float32) / 255, at, None, cv2.INTER_LINEAR, borderValue=1.0)
    light = cv2.GaussianBlur(cv2.resize(light, (520, 420), interpolation=cv2.INTER_AREA), (0, 0), 0.8)
    noise = np.random.default_rng(3).normal(0, 0.004, light.shape)
    value = np.clip(0.05 + 0.8 * light + noise, 0, 1)
    srgb = np.where(value <= 0.0031308, 12.92 * value, 1.055 * value ** (1 / 2.4) - 0.055)
    return np.round(255 * srgb).astype(np.uint8)


@pytest.fixture(scope="module")
def board():
    """The board as a plane's windows match it."""
    gray, true = drawn(), pictured(CORNERS)
    ids = np.arange(len(CORNERS))
    plane = fit_homography(CORNERS, true)
    matches = match_corners(gray, A5, plane, ids, true, blur_px=0.8)
    patches = patches_of(gray, A5, plane, ids, matches.pixels)
    square = square_heights_px(plane, A5)
    return Board(A5, False, ids, matches.pixels, matches.covariance, matches.score, square, plane, 0.8, patches)


def errors(board):
    return np.abs(board.pixels - pictured(CORNERS)).max(axis=1)


def test_a_planes_windows_find_rows_beside_their_places(board):
    """What the second match is for: by tenths of a pixel where the print bends, not where it is flat."""
    bent = CORNERS[:, 1] < PAST_MM - A5.square_mm
    assert errors(board)[bent].max() > 0.1
    assert errors(board)[~bent].max() < 0.05


def test_drawn_as_it_runs_the_print_is_found_where_it_is(board):
    again = matched_on(board, pictured, SIDEWAYS)
    assert errors(again).max() < 0.03
    assert np.sqrt((errors(again) ** 2).mean()) < 0.012


@pytest.mark.parametrize("share", [0.4, 1.6])
def test_the_bend_need_be_known_roughly_only(board, share):
    """Drawn with a bend that is off, corners stray by a part of what they do where it may not bend otherwise."""
    off = lambda places: pictured(places, share * BEND_PER_MM)  # noqa: E731
    stiff = Bends(SIDEWAYS.ways, 0 * SIDEWAYS.upwards)
    loosely, stiffly = (errors(matched_on(board, off, bends)).max() for bends in (SIDEWAYS, stiff))
    assert loosely < 0.35 * stiffly


def test_where_the_bend_is_open_corners_are_known_less_well(board):
    stiff = Bends(SIDEWAYS.ways, 0 * SIDEWAYS.upwards)
    loose, known = (matched_on(board, pictured, bends).covariance for bends in (SIDEWAYS, stiff))
    assert (loose[:, 0, 0] > 1.2 * known[:, 0, 0]).all()
    assert (loose[:, 1, 1] < 1.2 * known[:, 1, 1]).all()  # the bend is sideways


def test_how_far_the_print_is_off_a_plane(board):
    assert off_plane_px(board, pictured, CORNERS) > 5 * PLANE_PX
    straight = replace(board, homography=PLANE)
    assert off_plane_px(straight, lambda places: apply_homography(PLANE, places), CORNERS) < 1e-9
    turned = PLANE @ np.array([[1, 0.02, 0], [-0.01, 1, 0], [0, 0, 1.0]])  # runs in another direction, but straight
    assert off_plane_px(straight, lambda places: apply_homography(turned, places), CORNERS) < PLANE_PX


def test_a_board_without_its_pixels_stays_as_it_is(board):
    bare = replace(board, patches=None)
    assert matched_on(bare, pictured, SIDEWAYS) is bare


def test_a_corner_that_shows_no_print_that_way_keeps_its_place(board):
    covered = board.patches.pixels.copy()
    covered[5] = 128
    again = matched_on(replace(board, patches=replace(board.patches, pixels=covered)), pictured, SIDEWAYS)
    assert np.array_equal(again.pixels[5], board.pixels[5])
    assert again.score[5] == board.score[5]

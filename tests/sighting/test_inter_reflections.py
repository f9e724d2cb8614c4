"""Images by way of several mirrors, in pictures drawn here by reflecting the print in planes, one after another."""

from __future__ import annotations

import itertools
import json
import math
from pathlib import Path

import cv2
import numpy as np
import pytest

from align.bundle.adjustment import Adjustment
from align.bundle.photo_set import Sighted
from align.checking.report import report
from align.checking.settings import CheckSettings
from align.optics.camera_model import prior_from_focal
from align.optics.geometry import fit_homography, lean_turn_of_normal
from align.photo.read import Lens, Photo
from align.sighting.inter_reflections import told_apart
from align.sighting.photo import sight
from align.sighting.pyramid import Pyramid
from align.solve.joint import View, solve
from align.solve.simulate import look_at, simulate
from align.target.sheets import SHEETS, corners_board, corners_target, plain_board, raster
from tests.support.commands import invoke
from tests.support.sighted import board_of, heights
from tests.support.synthetic import degrees_mirror, write_photo

SHEET = SHEETS["a6"]
SIZE = (2000, 1500)
PRIOR = prior_from_focal(SIZE, 26.0)
BEYOND_MM = {90: 95.0, 70: 130.0, 50: 185.0}  # from the contact edge to the mirrors' common edge


def householder(normal, point):
    """(4, 4) reflection in the plane through a point: H = I - 2 n n^T, with its shift."""
    matrix = np.eye(4)
    matrix[:3, :3] -= 2 * np.outer(normal, normal)
    matrix[:3, 3] = 2 * normal * (normal @ point)
    return matrix


def corner(angle_deg, turned_deg=4.0):
    """The reflections in two front-coated mirrors that meet upright behind the sheet, left one first."""
    edge = np.array([0.0, BEYOND_MM[angle_deg], 0.0])
    turns = np.radians([90 - angle_deg / 2 + turned_deg, -90 + angle_deg / 2 + turned_deg])
    normals = [np.array([math.sin(turn), -math.cos(turn), 0.0]) for turn in turns]
    return [householder(normal, edge) for normal in normals], normals


def seen_by(chain, mirrors):
    """(4, 4) where the sheet is seen by a chain, its first mirror being the one that the eye looks into."""
    return np.linalg.multi_dot([*(mirrors[number] for number in chain), np.eye(4)]) if chain else np.eye(4)


def drawn(angle_deg, chains, sheet=SHEET, eye=(20.0, -420.0, 330.0), noise=1.5):
    """A photo that shows the sheet by each of the chains, the farthest first."""
    mirrors, _ = corner(angle_deg)
    rotation, translation = look_at(np.array(eye), np.array([0.0, BEYOND_MM[angle_deg] - 60, 0.0]))
    outline = sheet.board_to_target(sheet_corners(sheet))
    image = np.full((SIZE[1], SIZE[0]), 110, np.uint8)
    far = {c: np.linalg.norm((seen_by(c, mirrors) @ [0, -50, 0, 1])[:3] - eye) for c in chains}
    for chain in sorted(chains, key=far.get, reverse=True):
        points = (np.column_stack([outline, np.ones(len(outline))]) @ seen_by(chain, mirrors).T)[:, :3]
        places = PRIOR.camera.project(points @ rotation.T + translation)
        print_image = np.pad(raster(sheet, 48), 24, constant_values=235)
        corners = sheet_corners(sheet) / sheet.square_mm * 48 + 24 - 0.5
        homography = fit_homography(corners, places)
        size = SIZE
        warped = cv2.warpPerspective(print_image, homography, size, flags=cv2.INTER_AREA)
        mask = cv2.warpPerspective(np.full_like(print_image, 255), homography, size)
        image = np.where(mask > 127, warped, image)
    image = cv2.GaussianBlur(image, (0, 0), 0.8).astype(float)
    image += np.random.default_rng(1).normal(0, noise, image.shape)
    gray = np.clip(image, 0, 255).astype(np.uint8)
    return Photo(Path("corner.jpg"), gray, 26.0, None, "whole", "", "")


def sheet_corners(sheet):
    """(4, 2) [mm] outer corners of the squares on the board."""
    width, depth = sheet.squares_x * sheet.square_mm, sheet.squares_y * sheet.square_mm
    return np.array([[0, 0], [width, 0], [width, depth], [0, depth]], float)


SINGLE, DOUBLE, TRIPLE = [(), (0,), (1,)], [(0, 1), (1, 0)], [(0, 1, 0), (1, 0, 1)]


@pytest.mark.slow
@pytest.mark.parametrize(
    ("angle_deg", "chains", "kinds"),
    [
        (90, [*SINGLE, (0, 1)], ["double"]),
        (70, SINGLE + DOUBLE, ["double", "double"]),
        (50, SINGLE + DOUBLE + TRIPLE, ["double", "double", "triple", "triple"]),
    ],
)
def test_repeated_reflections_are_named_and_are_no_mirrors(angle_deg, chains, kinds):
    sighting = sight(drawn(angle_deg, chains), PRIOR)
    mirrors, normals = corner(angle_deg)
    assert len(sighting.reflections) == 2
    assert sorted(inter_reflection.kind for inter_reflection in sighting.inter_reflections) == kinds
    # Each is the image by the chain it is said to be, to within a pixel, whatever the order at a right angle.
    rotation, translation = look_at(np.array([20.0, -420.0, 330.0]), np.array([0.0, BEYOND_MM[angle_deg] - 60, 0]))
    for inter_reflection in sighting.inter_reflections:
        assert inter_reflection.board.mirrored == (inter_reflection.kind == "triple")
        points = corners_target(SHEET)[inter_reflection.board.corner_ids]
        image = (np.column_stack([points, np.ones(len(points))]) @ seen_by(inter_reflection.mirrors, mirrors).T)[
            :, :3
        ]
        off = np.abs(PRIOR.camera.project(image @ rotation.T + translation) - inter_reflection.board.pixels)
        assert np.median(off) < 0.6
    assert len({inter_reflection.mirrors for inter_reflection in sighting.inter_reflections}) == len(kinds)
    boards = [sighting.target, *sighting.reflections]
    views = [View(0, number, b.corner_ids, b.pixels, b.covariance) for number, b in enumerate(boards, -1)]
    solution = solve(SHEET, views, PRIOR)
    for number, normal in enumerate(normals):
        turn = math.degrees(lean_turn_of_normal(normal)[1])
        assert math.degrees(solution.mirror(number).placed[1]) == pytest.approx(turn, abs=0.1)
    item = Sighted(Path("corner.jpg"), SIZE, PRIOR, Lens(), sighting, mirrors=(0, 1))
    summary = report(Adjustment(SHEET, (item,), solution), CheckSettings(), "photo").photos[0]
    assert [inter_reflection.kind for inter_reflection in summary.inter_reflections] == [
        inter_reflection.kind for inter_reflection in sighting.inter_reflections
    ]
    assert all(set(inter_reflection.mirrors) == {1, 2} for inter_reflection in summary.inter_reflections)


def test_a_triple_reflection_read_by_its_markers_is_no_third_mirror():
    """The boards handed on as mirrors, all six images among them: two mirrors are left, whatever the order."""
    mirrors, _ = corner(50)
    rotation, translation = look_at(np.array([20.0, -420.0, 330.0]), np.array([0.0, 125.0, 0]))
    points = np.column_stack([corners_target(SHEET), np.ones(SHEET.corner_count)])
    rng = np.random.default_rng(3)
    boards = {}
    for chain in SINGLE + DOUBLE + TRIPLE:
        image = (points @ seen_by(chain, mirrors).T)[:, :3]
        pixels = PRIOR.camera.project(image @ rotation.T + translation) + rng.normal(0, 0.05, (len(points), 2))
        covariance = np.broadcast_to(0.0025 * np.eye(2), (len(points), 2, 2))
        view = View(0, len(chain) % 2 - 1, np.arange(len(points)), pixels, covariance)
        boards[chain] = board_of(SHEET, view)
    blank = Pyramid(np.full((SIZE[1], SIZE[0]), 110, np.uint8))
    odd = [chain for chain in boards if len(chain) % 2]
    for order in itertools.islice(itertools.permutations(odd), 0, 24, 13):
        singles, inter_reflections = told_apart(
            blank, boards[()], [boards[c] for c in order], [boards[c] for c in DOUBLE], PRIOR
        )
        assert singles == [boards[(0,)], boards[(1,)]]
        assert {inter_reflection.mirrors for inter_reflection in inter_reflections} == {*DOUBLE, *TRIPLE}
        assert all(
            inter_reflection.board is boards[inter_reflection.mirrors] for inter_reflection in inter_reflections
        )


def test_three_mirrors_are_three_mirrors():
    """Three walls of a niche: no third mirror is explained away."""
    rng = np.random.default_rng(5)
    turns = [(0.3, 62.0, 190.0), (-0.2, 1.0, 60.0), (0.1, -60.0, 180.0)]
    sim = simulate(
        SHEET,
        eyes=heights(rng, (34,)),
        mirrors=[degrees_mirror(*turn, 3.0) for turn in turns],
        camera_parameters=PRIOR.mean,
        size=SIZE,
        noise_px=0.05,
        rng=rng,
        equivalent_mm=26.0,
    )
    target, *mirrored = (board_of(SHEET, view) for view in sim.views)
    blank = Pyramid(np.full((SIZE[1], SIZE[0]), 110, np.uint8))
    singles, inter_reflections = told_apart(blank, target, mirrored, [], PRIOR)
    assert len(mirrored) == 3
    assert len(singles) == 3
    assert inter_reflections == []


def test_a_right_handed_board_that_no_mirrors_explain_is_said_to_be_so():
    mirrors, _ = corner(90)
    photo = drawn(90, [*SINGLE])
    sighting = sight(photo, PRIOR)
    other = sighting.target
    _, inter_reflections = told_apart(
        Pyramid(photo.gray), sighting.target, list(sighting.reflections)[:1], [other], PRIOR
    )
    assert [(inter_reflection.kind, inter_reflection.mirrors) for inter_reflection in inter_reflections] == [
        ("unexplained", ())
    ]
    assert len(mirrors) == 2


def test_a_plain_board_s_double_is_found_by_its_print_only_where_it_is():
    board = plain_board(7, 6, 14.0)
    kinds = {}
    for chains in ([*SINGLE], [*SINGLE, (0, 1)]):
        photo = drawn(90, chains, board)
        views = {chain: corners_of(board, chain) for chain in SINGLE}
        target, *mirrored = views.values()
        _, inter_reflections = told_apart(Pyramid(photo.gray), target, mirrored, [], PRIOR)
        kinds[len(chains)] = [inter_reflection.kind for inter_reflection in inter_reflections]
    assert kinds == {3: [], 4: ["double"]}


def corners_of(sheet, chain):
    """The board seen by a chain, as the exact model has it."""
    mirrors, _ = corner(90)
    rotation, translation = look_at(np.array([20.0, -420.0, 330.0]), np.array([0.0, BEYOND_MM[90] - 60, 0.0]))
    points = np.column_stack([corners_target(sheet), np.ones(len(corners_board(sheet)))])
    pixels = PRIOR.camera.project((points @ seen_by(chain, mirrors).T)[:, :3] @ rotation.T + translation)
    covariance = np.broadcast_to(0.0025 * np.eye(2), (len(points), 2, 2))
    return board_of(sheet, View(0, len(chain) - 1, np.arange(len(points)), pixels, covariance))


@pytest.mark.slow
def test_the_command_takes_a_turn_for_each_mirror(tmp_path):
    photo = tmp_path / "corner.jpg"
    write_photo(photo, drawn(90, [*SINGLE, (0, 1)]).gray)

    def run(*options):
        result = invoke("check", photo, "--glass", "0", "--json", *options)
        return result.exit_code, json.loads(result.stdout)

    code, answer = run("--want-turn", "49", "--want-turn", "-41", "--tolerance", "0.2")
    assert (code, answer["verdict"], answer["want_turn_deg"]) == (0, "square", None)
    assert [mirror["want_turn_deg"] for mirror in answer["mirrors"]] == [49.0, -41.0]
    (inter_reflection,) = answer["photos"][0]["repeats"]
    assert (inter_reflection["kind"], sorted(inter_reflection["mirrors"])) == ("double", [1, 2])
    code, answer = run("--want-turn", "49")
    assert (code, answer["want_turn_deg"]) == (3, 49.0)
    assert [mirror["verdict"] for mirror in answer["mirrors"]][1] == "out of square"
    code, answer = run("--want-turn", "49", "--want-turn", "-41", "--want-turn", "0")
    assert (code, answer["format"]) == (1, "align-error-1")
    assert "3 mirrors were named, but 2 mirrors could be seen" in answer["message"]

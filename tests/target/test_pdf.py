"""The printed sheets: measured in the PDF's own path coordinates, and read back from its raster."""

from __future__ import annotations

import itertools
import re
import shutil
import subprocess
import zlib

import cv2
import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg

from align.errors import TargetError
from align.target.markers import aruco_dictionary
from align.target.pdf import (
    CUT_LINE_MM,
    POINT_MM,
    RULE_MM,
    SHORT_RULES_MM,
    draw_page,
    layout_of,
    quiet_mm,
    write_sheet_pdf,
)
from align.target.sheets import SHEETS, black_rectangles_board
from align.target.thresholds import UNPRINTABLE_MM

PAGES_MM = {
    "card": (210, 279),
    "a6": (210, 279),
    "a5": (210, 279),
    "a4": (297, 210),
    "letter": (279.4, 215.9),
}
DPI = 300


@pytest.fixture(scope="module", params=SHEETS, ids=str)
def printed(request, tmp_path_factory):
    """(layout, PDF path) of every sheet."""
    path = write_sheet_pdf(request.param, tmp_path_factory.mktemp("pdf") / f"{request.param}.pdf")
    return layout_of(SHEETS[request.param]), path


def page_size_mm(path):
    """(width, height) of the only page."""
    boxes = re.findall(rb"/MediaBox \[ ?([\d. ]+)\]", path.read_bytes())
    assert len(boxes) == 1
    left, bottom, right, top = (float(word) for word in boxes[0].split())
    return (right - left) * POINT_MM, (top - bottom) * POINT_MM


def paths_mm(path):
    """[(operator, (n, 2) points)] painted on the page, in page mm: x right, y down from the top-left corner.

    Reads the one content stream. Nothing but words is drawn in a changed coordinate system, so path
    coordinates are points on paper; the test fails if that ever changes.
    """
    streams = re.findall(rb"stream\r?\n(.*?)\r?\nendstream", path.read_bytes(), re.S)
    content = next(text for text in map(inflated, streams) if b" m\n" in text and b" l\n" in text)
    content = re.sub(rb"BT.*?ET", b"", content, flags=re.S).decode("latin1")
    height_mm = page_size_mm(path)[1]
    painted, points, moved, operands = [], [], [False], []
    for word in content.split():
        if not re.fullmatch(r"[A-Za-z]+\*?", word):
            operands.append(word)
            continue
        if word in ("m", "l"):
            assert not moved[-1], "a path is drawn in a changed coordinate system"
            x, y = (float(number) * POINT_MM for number in operands[-2:])
            points.append((x, height_mm - y))
        elif word in ("f", "f*", "B", "S", "s", "n"):
            if points and word != "n":
                painted.append((word, np.array(points)))
            points = []
        elif word == "q":
            moved.append(moved[-1])
        elif word == "Q":
            moved.pop()
        elif word == "cm":
            moved[-1] = True
        operands = []
    return painted


def inflated(data):
    """A stream's plain bytes; as it is if it is not deflated."""
    try:
        return zlib.decompress(data)
    except zlib.error:
        return data


def raster_of(path, tmp_path):
    """The page at 300 dots per inch, grey, by poppler."""
    if shutil.which("pdftoppm") is None:
        pytest.skip("pdftoppm (poppler-utils) is not installed; the vector tests still ran")
    subprocess.run(
        ["pdftoppm", "-r", str(DPI), "-gray", "-singlefile", str(path), str(tmp_path / "page")], check=True
    )
    return cv2.imread(str(tmp_path / "page.pgm"), cv2.IMREAD_GRAYSCALE)


@pytest.mark.slow
def test_page_is_the_paper(printed):
    layout, path = printed
    assert page_size_mm(path) == pytest.approx(PAGES_MM[layout.sheet.name], abs=0.01)


def test_squares_lie_where_target_says(printed):
    layout, path = printed
    filled = [points for operator, points in paths_mm(path) if operator.startswith("f")]
    corners = max(filled, key=len).reshape(-1, 4, 2)
    found = np.column_stack([corners.min(axis=1), np.ptp(corners, axis=1)])
    origin = np.array(
        [
            layout.left_mm + layout.sheet.side_margin_mm,
            layout.top_mm + layout.sheet.contact_margin_mm,
            0,
            0,
        ]
    )
    np.testing.assert_allclose(found, black_rectangles_board(layout.sheet) + origin, atol=0.001)


def test_contact_edge_is_drawn_on_the_edge(printed):
    layout, path = printed
    edge = [[layout.left_mm, layout.top_mm], [layout.right_mm, layout.top_mm]]
    assert any(
        points.shape == (2, 2) and np.allclose(points, edge, atol=0.001)
        for operator, points in paths_mm(path)
        if operator == "S"
    )


def test_rules_measure_100_mm_along_both_axes(printed):
    _, path = printed
    spans = []
    for operator, points in paths_mm(path):
        if operator == "S" and len(points) == 2 * (1 + RULE_MM + 1):  # the spine and a tick each mm
            feet = points[2::2]
            axis = int(np.argmax(np.ptp(feet, axis=0)))
            np.testing.assert_allclose(np.diff(feet[:, axis]), 1.0, atol=0.001)
            np.testing.assert_allclose(feet[:, 1 - axis], feet[0, 1 - axis], atol=0.001)
            spans.append((axis, np.ptp(feet[:, axis])))
    assert sorted(axis for axis, _ in spans) == [0, 1]
    assert [span for _, span in spans] == pytest.approx([100.0, 100.0], abs=0.05)


@pytest.mark.slow
def test_opencv_reads_every_marker_and_none_in_the_mirror(printed, tmp_path):
    layout, path = printed
    picture = raster_of(path, tmp_path)
    parameters = cv2.aruco.DetectorParameters()
    parameters.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_NONE
    detector = cv2.aruco.ArucoDetector(aruco_dictionary(), parameters)
    _, ids, _ = detector.detectMarkers(picture)
    assert sorted(ids.ravel()) == list(layout.sheet.marker_ids)
    _, ids, _ = detector.detectMarkers(np.ascontiguousarray(picture[:, ::-1]))
    assert ids is None or len(ids) == 0


def test_raster_shows_the_squares_in_place(printed, tmp_path):
    # The same measure on what a printer gets: the ink's outer edges, half a pixel being 0.04 mm.
    layout, path = printed
    picture = raster_of(path, tmp_path)
    left, top, _, _ = layout.squares_mm
    side = layout.sheet.square_mm
    pixels_per_mm = DPI / 25.4
    row = picture[round((top + side / 2) * pixels_per_mm)] < 128
    column = picture[:, round((left + side / 2) * pixels_per_mm)] < 128
    # The middle of the far-left square: the first ink inwards from just outside the squares is its edge.
    outside_x, outside_y = (round((edge - 1) * pixels_per_mm) for edge in (left, top))
    found = (
        (outside_x + int(np.argmax(row[outside_x:]))) / pixels_per_mm,
        (outside_y + int(np.argmax(column[outside_y:]))) / pixels_per_mm,
    )
    assert found == pytest.approx((left, top), abs=0.05)


def test_quiet_margin_and_paper_edge_stay_white(printed, tmp_path):
    layout, path = printed
    picture = raster_of(path, tmp_path)
    pixels_per_mm = DPI / 25.4
    left, top, right, bottom = layout.squares_mm
    quiet = min(quiet_mm(layout.sheet), layout.sheet.contact_margin_mm - 0.3)
    outer = [round(v * pixels_per_mm) for v in (left - quiet, top - quiet, right + quiet, bottom + quiet)]
    inner = [round(v * pixels_per_mm) for v in (left, top, right, bottom)]
    ring = picture.copy()
    ring[inner[1] - 1 : inner[3] + 2, inner[0] - 1 : inner[2] + 2] = 255
    assert ring[outer[1] + 1 : outer[3], outer[0] + 1 : outer[2]].min() == 255
    band = int(UNPRINTABLE_MM * pixels_per_mm) - 1
    sheet_area = picture.copy()
    sheet_area[band:-band, band:-band] = 255
    assert sheet_area.min() == 255


def test_words_overlap_nothing(printed):
    layout, _ = printed
    figure = draw_page(layout)
    renderer = FigureCanvasAgg(figure).get_renderer()
    axes = figure.axes[0]
    words = {text.get_text(): text.get_window_extent(renderer) for text in axes.texts}
    # Solid things: the squares, arrows and rules; of the cut lines only the outline counts.
    patches = [patch for patch in axes.patches if not _is_cut_line(patch, layout)]
    solids = [patch.get_window_extent(renderer) for patch in patches]
    for (name, box), (other, second) in itertools.combinations(words.items(), 2):
        assert not box.overlaps(second), f"{name!r} overlaps {other!r}"
    for (name, box), solid in itertools.product(words.items(), solids):
        assert not box.overlaps(solid), f"{name!r} overlaps something drawn"
    for line in (patch for patch in axes.patches if _is_cut_line(patch, layout)):
        path = line.get_path().transformed(line.get_transform())
        for name, box in words.items():
            crossed = [
                box.x0 < max(start[0], end[0])
                and min(start[0], end[0]) < box.x1
                and box.y0 < max(start[1], end[1])
                and min(start[1], end[1]) < box.y1
                for start, end in path.vertices.reshape(-1, 2, 2)
            ]
            assert not any(crossed), f"{name!r} crosses a cut line"


def _is_cut_line(patch, layout):
    points = patch.get_path().vertices
    return len(points) <= 6 and np.isclose(points[:, 0].min(), layout.left_mm, atol=0.2)


def test_words_say_what_the_user_needs(printed):
    layout, _ = printed
    words = " ".join(text.get_text() for text in draw_page(layout).axes[0].texts)
    for needed in (
        "CONTACT EDGE",
        "towards the mirror",
        "square to the street",
        "100 %",
        "100 mm",
        layout.sheet.name,
    ):
        assert needed in words
    first, last = layout.sheet.marker_ids[0], layout.sheet.marker_ids[-1]
    assert f"{first}–{last}" in words
    assert f"{layout.sheet.square_mm:g} mm" in words
    assert "align check PHOTO --mirror WIDTHxHEIGHT" in words
    assert "--touching" not in words
    assert "--rule" not in words


def test_a_sheet_found_later_can_be_checked_by_the_rule_inside_its_cut_line(printed):
    layout, path = printed
    if layout.fills_page:  # both long rules lie inside
        return
    length = SHORT_RULES_MM[layout.sheet.name]
    inside = [
        points
        for operator, points in paths_mm(path)
        if operator == "S"
        and len(points) == 2 * (1 + length / 10 + 1)
        and points[:, 0].max() < layout.squares_mm[0]
    ]
    (rule,) = inside
    assert np.ptp(rule[:, 1]) == pytest.approx(length, abs=0.01)
    assert rule[:, 0].min() > layout.left_mm + CUT_LINE_MM
    assert layout.squares_mm[0] - rule[:, 0].max() >= quiet_mm(layout.sheet) - 0.001
    words = " ".join(text.get_text() for text in draw_page(layout).axes[0].texts)
    assert f"↕ {length:g} mm" in words


@pytest.mark.slow
def test_same_sheet_gives_same_bytes(tmp_path):
    first = write_sheet_pdf("card", tmp_path / "first.pdf").read_bytes()
    assert first == write_sheet_pdf("card", tmp_path / "second.pdf").read_bytes()
    assert b"CreationDate" not in first


def test_unknown_sheet_is_refused(tmp_path):
    with pytest.raises(TargetError):
        write_sheet_pdf("a3", tmp_path / "a3.pdf")
    assert not list(tmp_path.iterdir())

"""The drawings of a record: well-formed, told in words, and true to scale."""

from __future__ import annotations

import datetime
import math
import xml.etree.ElementTree as ET
from itertools import pairwise

import numpy as np
import pytest

from align.checking.result import CheckResult
from align.checking.settings import Mount
from align.optics.slab import FLOAT_GLASS_INDEX
from align.records.charts import date_ticks, history_chart, ticks
from align.records.drawings import ERROR_REACH_PX, exaggeration, plan_drawing, plan_view, side_drawing, side_view
from align.records.glass_drawing import glass_drawing
from align.records.installation import Installation, StatedMirror
from align.records.mirror_part import Standing, optics_of
from tests.support.answers import made_answer, made_mirror
from tests.support.record_samples import entry_of, made_check, part_with


def standing_of(result: CheckResult, installation: Installation | None = None) -> Standing:
    """The first mirror as a record has it."""
    installation = installation or Installation("x", mirrors=(StatedMirror("", 240, 170, 4),))
    standing = part_with(installation, [entry_of(result, 1)]).standing
    assert standing is not None
    return standing


def parts(svg: str, class_: str) -> list[ET.Element]:
    """All parts of a class."""
    return [part for part in ET.fromstring(svg).iter() if part.get("class") == class_]


def points(part: ET.Element) -> list[tuple[float, float]]:
    """Corners of a polygon."""
    return [tuple(map(float, pair.split(","))) for pair in part.get("points", "").split()]


@pytest.mark.parametrize("make", [plan_drawing, side_drawing])
def test_drawings_are_told_in_words(make: object) -> None:
    """Title and description, by which the whole is named."""
    svg = make(standing_of(made_check(0.62, -0.35)), "one")  # type: ignore[operator]
    root = ET.fromstring(svg)
    assert root.get("role") == "img"
    ids = {part.get("id"): part.text for part in root.iter() if part.get("id")}
    named = root.get("aria-labelledby", "").split()
    assert all(ids[name] for name in named)
    assert "Packing: " in ids["one-desc"]


@pytest.mark.parametrize(("lean", "turn"), [(0.0, 0.0), (3.0, -5.0), (-2.0, 12.0)])
def test_the_glass_is_drawn_to_scale(lean: float, turn: float) -> None:
    """Sides, thickness and angles of the polygons, measured with a ruler."""
    standing = standing_of(made_check(lean, turn))
    plan, side = (points(parts(make(standing, "x"), "glass")[0]) for make in (plan_drawing, side_drawing))
    per_mm = plan_view(standing).px_per_mm
    left, right, _, behind_left = plan
    assert math.dist(left, right) / per_mm == pytest.approx(240, abs=0.1)
    assert math.dist(left, behind_left) / per_mm == pytest.approx(4, abs=0.1)
    # Anticlockwise from above: the left edge comes nearer, that is lower on the page.
    assert math.degrees(math.atan2(left[1] - right[1], right[0] - left[0])) == pytest.approx(turn, abs=0.02)
    per_mm = side_view(standing).px_per_mm
    foot, top = side[0], side[1]
    assert math.dist(foot, top) / per_mm == pytest.approx(170, abs=0.1)
    # The top leans towards the viewer, who stands to the left.
    assert math.degrees(math.atan2(foot[0] - top[0], foot[1] - top[1])) == pytest.approx(lean, abs=0.02)


def test_the_sheet_lies_at_its_distance() -> None:
    """From its far edge to the glass, at the middle."""
    standing = standing_of(made_check(0.0, 0.0))
    svg = plan_drawing(standing, "x")
    far_edge = min(y for _, y in points(parts(svg, "sheet")[0]))
    face = max(y for _, y in points(parts(svg, "glass")[0]))
    assert (far_edge - face) / plan_view(standing).px_per_mm == pytest.approx(standing.distance_mm, abs=0.1)


def test_packing_is_drawn_as_thick_as_it_is() -> None:
    """Large leans need packing thick enough to measure in the drawing."""
    standing = standing_of(made_check(4.0, 0.0))
    shims = {shim.place: shim.thickness_mm.value for shim in standing.shims.shims}
    block = points(parts(side_drawing(standing, "x"), "packing")[0])
    thickness = math.dist(block[1], block[2]) / side_view(standing).px_per_mm
    assert thickness == pytest.approx(max(shims.values()), rel=0.02)
    assert min(y for _, y in block) > 150, "behind the foot, not the top"


def test_no_packing_is_drawn_for_a_true_mirror() -> None:
    """Nothing was ever asked for."""
    standing = standing_of(made_check(0.01, 0.0))
    assert standing.shims is None
    for svg in (plan_drawing(standing, "x"), side_drawing(standing, "x")):
        assert parts(svg, "packing") == []
        assert "No packing was asked for" in svg


@pytest.mark.parametrize("mount", [None, Mount("foot", 40.0)])
def test_other_mounts_can_be_drawn(mount: Mount | None) -> None:
    """Without a size, and on a foot."""
    result = made_answer(made_mirror(1.2, 0.5, mount=mount))
    held = StatedMirror(mount="foot", foot_depth_mm=40.0) if mount else StatedMirror()
    installation = Installation("x", mirrors=(held,))
    standing = standing_of(result, installation)
    assert not standing.size_known
    for svg in (plan_drawing(standing, "x"), side_drawing(standing, "x")):
        ET.fromstring(svg)
    assert parts(side_drawing(standing, "x"), "packing")


@pytest.mark.parametrize(
    ("lean", "turn", "want"), [(0.6, -0.4, 0), (0.1, 12.3, 12), (-2, -30.5, -30), (-3, 0.1, 0)]
)
def test_packing_is_labelled_beside_it(lean: float, turn: float, want: float) -> None:
    """Every corner, also one that gets nothing; on no glass, no packing and no sheet; nearer to its own end."""
    standing = standing_of(made_answer(made_mirror(lean, turn, want_turn_deg=want, mirror_size_mm=(300, 150))))
    for svg, ends in (
        (plan_drawing(standing, "x"), ("left", "right")),
        (side_drawing(standing, "x"), ("top", "bottom")),
    ):
        labels = [part for part in ET.fromstring(svg).iter() if part.tag == "text" and ": " in (part.text or "")]
        assert len(labels) == 4
        glass = points(parts(svg, "glass")[0])
        things = [points(part) for name in ("glass", "packing", "sheet") for part in parts(svg, name)]
        for label in labels:
            wide, x, y = 6.5 * len(label.text or ""), float(label.get("x", "0")), float(label.get("y", "0"))
            x = x - wide if label.get("text-anchor") == "end" else x
            corners = [(x, y), (x + wide, y), (x + wide, y - 10), (x, y - 10)]
            assert x >= 0
            assert x + wide <= 360
            assert not any(overlapping(corners, thing) for thing in things), label.text
            middle = (x + wide / 2, y)
            own = next(end for end in ends if end in (label.text or ""))
            near, far = min(glass, key=_ENDS[own]), max(glass, key=_ENDS[own])
            assert math.dist(middle, near) < math.dist(middle, far), label.text


#: What is smallest at each end of the glass.
_ENDS = {
    "left": lambda point: point[0],
    "right": lambda point: -point[0],
    "top": lambda point: point[1],
    "bottom": lambda point: -point[1],
}


def overlapping(first: list[tuple[float, float]], second: list[tuple[float, float]]) -> bool:
    """Whether two convex outlines share a point: no side of either has all of the other beyond it."""
    for outline, other in ((first, second), (second, first)):
        middle = np.mean(outline, axis=0)
        for (ax, ay), (bx, by) in zip(outline, [*outline[1:], outline[0]], strict=True):
            normal = np.array([by - ay, ax - bx])
            if normal @ (middle - [ax, ay]) > 0:
                normal = -normal
            if all(normal @ (np.array(point) - [ax, ay]) > 0 for point in other):
                return False
    return True


@pytest.mark.parametrize("error", [0.001, 0.02, 0.35, -2.1, 12.0, 60.0])
def test_errors_are_drawn_as_large_as_there_is_room(error: float) -> None:
    """Never beyond the reach; the next larger step would be."""
    times = exaggeration(error, 150.0)
    assert times == 1 or math.tan(math.radians(times * abs(error))) * 150.0 <= ERROR_REACH_PX
    assert exaggeration(0.0, 150.0) == 100


@pytest.mark.parametrize("thickness", [2.0, 4.0, 6.0])
def test_the_glass_section_is_to_scale(thickness: float) -> None:
    """Slab, seam and images: 2 t / n apart, the formula of Snell's law seen square on."""
    svg = glass_drawing(optics_of(thickness), "x")
    slab = parts(svg, "glass")[0]
    per_mm = float(slab.get("width", "0")) / thickness
    street, reflected = parts(svg, "street")[0], parts(svg, "street-reflected")[0]
    end = float(street.get("x", "0")) + float(street.get("width", "0"))
    seam = (float(reflected.get("x", "0")) - end) / per_mm
    assert seam == pytest.approx(2 * thickness / FLOAT_GLASS_INDEX, rel=0.02)
    ghosts = sorted(float(part.get("cx", "0")) for part in parts(svg, "ghost"))
    assert (ghosts[1] - ghosts[0]) / per_mm == pytest.approx(2 * seam, rel=0.02)


def test_brightness_of_ghosts() -> None:
    """Square on: R = (0.52 / 2.52)^2 = 4.26 %; ratios R / ((1 - R)^2 s) and s R, of docs/theory.md."""
    images = {order: ratio for order, _, ratio in optics_of(4.0).images}
    assert images[1] == 1.0
    assert images[0] == pytest.approx(0.0426 / (0.9574**2 * 0.93), rel=0.01)
    assert images[2] == pytest.approx(0.93 * 0.0426, rel=0.01)


def chart_of(*results: CheckResult) -> str:
    """The chart of the first mirror."""
    return history_chart([entry_of(result, k) for k, result in enumerate(results, 1)], "c", "Lean and turn")


def test_the_chart_shows_values_where_the_axis_says() -> None:
    """Marks lie between ticks as their values do."""
    svg = chart_of(made_check(0.6, -0.3), made_check(0.3, 0.1), made_check(0.0, 0.0))
    out, true = parts(svg, "mark-out"), parts(svg, "mark-true")
    assert (len(out), len(true)) == (4, 2)
    heights = [sum(y for _, y in points(part)) / 4 for part in out[:2]] + [float(true[0].get("cy", "0"))]
    assert heights[1] - heights[0] == pytest.approx(heights[2] - heights[1], abs=0.05)
    band = parts(svg, "band")[0]
    per_degree = float(band.get("height", "0")) / 0.2
    assert heights[2] - heights[0] == pytest.approx(0.6 * per_degree, rel=0.01)
    told = next(part.text for part in ET.fromstring(svg).iter() if part.get("id") == "c-desc")
    assert told is not None
    assert "0.60° ± 0.02°" in told


def test_a_hopeless_interval_does_not_flatten_the_chart() -> None:
    """A check that could not tell has an interval of tens of degrees."""
    svg = chart_of(made_check(0.6, -0.3), made_check(0.1, 0.1, 30.0), made_check(0.0, 0.0))
    band = parts(svg, "band")[0]
    assert float(band.get("height", "0")) > 10
    assert len(parts(svg, "mark-open")) == 2


@pytest.mark.parametrize("count", [1, 2, 40, 300])
def test_any_number_of_checks_fits(count: int) -> None:
    """Numbers under the axis do not run into each other."""
    svg = chart_of(*[made_check(0.6 / k, -0.3 / k) for k in range(1, 29)][:count] * max(1, count // 28))
    numbers = [part for part in ET.fromstring(svg).iter() if part.tag == "text" and (part.text or "").isdigit()]
    shown = [part for part in numbers if float(part.get("y", "0")) == 168]
    ends = sorted((float(p.get("x", "0")), 3.3 * len(p.text or "")) for p in shown)
    assert len(ends) >= min(count, 3)
    assert all(b - b_half - (a + a_half) >= 2.9 for (a, a_half), (b, b_half) in pairwise(ends))


@pytest.mark.parametrize("days", [2.1, 3, 9, 40, 100, 365, 731, 4000, 30000])
def test_dates_under_the_axis_are_few_and_round(days: float) -> None:
    """No more than fit, all within, with words that differ."""
    first = datetime.datetime(2024, 11, 2, 10, 7)
    found = date_ticks(first, first + datetime.timedelta(days=days))
    assert 1 <= len(found) <= 4
    assert all(first <= moment <= first + datetime.timedelta(days=days) for moment, _ in found)
    assert len({words for _, words in found}) == len(found)


@pytest.mark.parametrize("span", [(-0.1, 0.12), (-3.0, 40.0), (0.0001, 0.0003)])
def test_ticks_are_few_and_round(span: tuple[float, float]) -> None:
    """Three to six, within."""
    found = ticks(*span)
    assert 2 <= len(found) <= 6
    assert span[0] <= found[0]
    assert found[-1] <= span[1]


def test_words_are_escaped() -> None:
    """A name with markup stays words."""
    svg = history_chart([entry_of(made_check(0.6, -0.3), 1)], "c", "<b>&</b>")
    assert "<b>" not in svg
    ET.fromstring(svg)

"""Bending of a sheet: against a beam worked out by hand, an energy balance, and the advice drawn from it."""

from __future__ import annotations

import math

import numpy as np
import pytest

from align.planning.advice import glass_advice
from align.planning.lamp_ghosts import LampGhosts
from align.planning.scene import Mirror
from align.planning.stiffness import (
    GRAVITY,
    POISSON,
    rigidity_nm,
    sheet_slope,
    slope_by_clips,
    slope_by_weight,
    thinnest_flat_mm,
)
from align.planning.thresholds import MOST_SLOPE


def test_slope_under_its_weight_is_that_of_a_strip_worked_out_step_by_step() -> None:
    """The bending moment of a strip held at both ends, M = q (l x - x^2) / 2, over D, added up to the middle."""
    length, glass, lean = 0.8, 4.0, math.radians(10)
    load = 2500.0 * GRAVITY * glass * 1e-3 * math.sin(lean)
    x = np.linspace(0.0, length / 2, 20_001)
    moment = load * (length * x - x**2) / 2
    slope = float(np.sum((moment[1:] + moment[:-1]) / 2 * np.diff(x))) / rigidity_nm(glass)
    assert slope_by_weight(800.0, glass, lean) == pytest.approx(slope, rel=1e-6)


def test_twist_by_a_clip_balances_the_work_of_its_force() -> None:
    """Pure twist w = c x y stores D (1 - nu) c^2 per area; the corner's force makes it, F c a b / 2."""
    width, height, glass, force = 0.6, 0.4, 3.0, 2.0
    twist = slope_by_clips(600.0, 400.0, glass, force) / width
    stored = rigidity_nm(glass) * (1 - POISSON) * twist**2 * width * height
    assert stored == pytest.approx(force * twist * width * height / 2, rel=1e-9)


def test_rigidity_of_four_millimetres() -> None:
    """70 GPa, 0.2: E h^3 / 12 (1 - nu^2) = 70e9 x 6.4e-8 / 11.52."""
    assert rigidity_nm(4.0) == pytest.approx(388.9, abs=0.1)


def test_thicker_glass_bends_less_and_larger_glass_needs_more() -> None:
    slopes = [sheet_slope(1180, 400, glass, 0.0) for glass in (2, 3, 4, 5, 6)]
    assert slopes == sorted(slopes, reverse=True)
    assert thinnest_flat_mm(240, 170, 0.0) == 3.0
    large = thinnest_flat_mm(1180, 400, 0.0)
    assert large is not None
    assert sheet_slope(1180, 400, large, 0.0) <= MOST_SLOPE < sheet_slope(1180, 400, large - 1, 0.0)
    assert large > 3.0
    assert thinnest_flat_mm(3000, 2000, 0.0) is None


def row(glass: float, apart_arcmin: float, doubled: float) -> LampGhosts:
    apart = math.radians(apart_arcmin / 60)
    return LampGhosts("l", glass, 0.5, 0.0, apart, 0.003, 1.0, doubled, 0.05, 0.04)


def test_a_large_mirror_is_not_told_to_be_two_millimetres_thin() -> None:
    """1180 x 400 mm was: its lamp's ghosts alone decided."""
    rows = [row(0, 0, 0), row(2, 0.5, 0), row(3, 1.5, 0), row(4, 2.0, 0), row(5, 2.5, 0), row(6, 3.0, 0)]
    assert glass_advice(rows, Mirror((0, 0), 240, 170)).glass_mm > 2
    large = glass_advice(rows, Mirror((0, 0), 1180, 400))
    assert large.flat_mm is not None
    assert large.glass_mm >= large.flat_mm > 3
    assert any("1180 × 400 mm" in words for words in large.reasons)
    assert any("under its own weight" in words for words in large.reasons)


def test_where_stiff_glass_doubles_a_lamp_the_pane_is_front_coated_and_as_stiff() -> None:
    rows = [row(0, 0, 0), row(2, 3, 0), row(3, 9, 0.4), row(4, 12, 0.6), row(5, 15, 0.7), row(6, 18, 0.8)]
    advice = glass_advice(rows, Mirror((0, 0), 1180, 400))
    assert advice.glass_mm == 0.0
    assert advice.pane_mm == advice.flat_mm


def test_what_no_glass_keeps_flat_is_backed_with_a_board() -> None:
    advice = glass_advice([], Mirror((0, 0), 3000, 2000))
    assert advice.flat_mm is None
    assert advice.pane_mm == 6.0
    assert any("board" in words for words in advice.reasons)

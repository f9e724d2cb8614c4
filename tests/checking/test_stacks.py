"""Stacks of sheets: few, near, and behind four corners in one plane."""

from __future__ import annotations

import math

import numpy as np
import pytest

from align.checking.result import Shim, ShimSet
from align.checking.settings import Mount
from align.checking.shims import WALL_CORNERS, Measured, shims_for, suggested_turn
from align.checking.stacks import COMMON_SHEETS_MM, Stock
from align.checking.stored import check_from_json
from align.checking.text import check_text
from align.checking.thresholds import PLANAR_MM
from align.optics.geometry import lean_turn_of_normal, mirror_normal
from tests.support.answers import about, made_answer, made_mirror

STOCKS = (COMMON_SHEETS_MM, (1.0, 0.5, 0.2, 0.1), (1.0,), (0.254, 0.508, 1.016), (0.1,))


def drawn(seed: int, stock: tuple[float, ...]) -> tuple[Measured, tuple[float, float], ShimSet]:
    """A mirror's errors and size, and its packing."""
    rng = np.random.default_rng([15, seed])
    angles = np.radians(rng.uniform(-1.2, 1.2, 2) * rng.choice([0.1, 1.0, 1.0], 2))
    size = (float(rng.uniform(60, 400)), float(rng.uniform(60, 300)))
    half = math.radians(10 ** rng.uniform(-3, -1))
    measured = Measured(angles, np.eye(2) * half**2, 1.0)
    return measured, size, shims_for(measured, mirror_size_mm=size, stock_mm=stock)


@pytest.mark.parametrize("stock", STOCKS, ids=str)
def test_five_hundred_packings_can_be_built(stock: tuple[float, ...]) -> None:
    """In one plane within 0.02 mm, what remains is right, at most one sheet more than corner by corner."""
    for seed in range(100):
        measured, (width, height), found = drawn(seed, stock)
        stacks = {shim.place: sum(shim.stack_mm) for shim in found.shims}
        assert set(stacks) == set(WALL_CORNERS)
        diagonals = stacks["top_left"] + stacks["bottom_right"], stacks["top_right"] + stacks["bottom_left"]
        assert abs(diagonals[0] - diagonals[1]) <= PLANAR_MM + 1e-9
        assert {sheet for shim in found.shims for sheet in shim.stack_mm} <= set(stock)
        by_corner = [
            Stock(stock).nearest(shim.thickness_mm.value, min(max(shim.thickness_mm.half_width, 0.05), 0.1))
            for shim in found.shims
        ]
        assert sum(len(shim.stack_mm) for shim in found.shims) <= sum(map(len, by_corner)) + 1
        # The mirror's face turned by the plane of the stacks, from three of its corners.
        normal = mirror_normal(measured.lean, measured.turn)
        right = np.array([math.cos(measured.turn), math.sin(measured.turn), 0.0])
        up = np.cross(normal, right)
        low_left = stacks["bottom_left"] * normal
        low_right = width * right + stacks["bottom_right"] * normal
        top_left = height * up + stacks["top_left"] * normal
        packed = np.cross(low_right - low_left, top_left - low_left)
        lean, turn = (math.degrees(angle) for angle in lean_turn_of_normal(packed / np.linalg.norm(packed)))
        assert found.remaining is not None
        assert found.remaining.turn_deg is not None
        assert found.remaining.lean_deg.value == pytest.approx(lean, abs=0.02)  # three corners, of four
        assert found.remaining.turn_deg.value == pytest.approx(turn, abs=0.02)


def test_corner_by_corner_would_twist_the_glass() -> None:
    """What the stacks of the README's mirror once did: 0.05 mm out of plane."""
    thickness = {"top_left": 1.84, "top_right": 0.0, "bottom_left": 3.47, "bottom_right": 1.63}
    apart = {place: sum(Stock().nearest(size, 0.05)) for place, size in thickness.items()}
    assert abs(apart["top_left"] + apart["bottom_right"] - apart["bottom_left"]) > PLANAR_MM
    first, second, across = (sum(stack) for stack in Stock().corners(1.84, 1.63, 0.05))
    assert across == pytest.approx(first + second)


def test_own_stock_is_used_and_told() -> None:
    """Only sheets at hand; they come back from JSON as they were."""
    answer = made_answer(made_mirror(mirror_size_mm=(300.0, 200.0), stock_mm=(1.0, 0.5, 0.2, 0.1)))
    (mirror,) = answer.mirrors
    assert {sheet for shim in mirror.shims.shims for sheet in shim.stack_mm} <= {1.0, 0.5, 0.2, 0.1}
    (again,) = check_from_json(answer.to_json(), "here").mirrors
    assert [shim.stack_mm for shim in again.shims.shims] == [shim.stack_mm for shim in mirror.shims.shims]
    assert again.shims.remaining is not None
    foot = made_mirror(mount=Mount("foot", 40.0), stock_mm=(0.3,)).shims
    assert {sheet for shim in foot.shims for sheet in shim.stack_mm} == {0.3}
    assert foot.remaining is not None
    assert foot.remaining.turn_deg is None


def test_per_100_mm_there_are_no_stacks() -> None:
    """How much goes where is known with the mirror's size only."""
    shims = made_mirror().shims
    assert all(shim.stack_mm == () for shim in shims.shims)
    assert [shim.is_needed for shim in shims.shims] == [True, True]
    text = check_text(made_answer())
    assert "1.08 mm ± 0.03 mm per 100 mm of height\n" in text
    assert not Shim("behind_top_per_100_height", about(0.03, 0.01)).is_needed


# The wanted turn ------------------------------------------------------------------------------------------


def test_an_angled_mirror_is_asked_about() -> None:
    """Twelve degrees that nobody named were once packed with 64 mm."""
    mirror = made_mirror(0.3, 12.0, 0.003, mirror_size_mm=(300.0, 150.0), want_turn_stated=False)
    assert mirror.shims.asks_turn
    assert "12.0° off square, its left edge nearer" in mirror.shims.turn_by
    assert mirror.shims.turn_by.count("--want-turn 12;") == 1
    assert max(shim.thickness_mm.value for shim in mirror.shims.shims) < 1.0  # for the lean alone
    assert "Meant?" in check_text(made_answer(mirror))
    upright = made_answer(made_mirror(0.01, 12.0, 0.003, want_turn_stated=False))
    assert check_text(upright).startswith("OUT OF TRUE, unless it is meant: the mirror stands 12.0° off square.")
    stated = made_mirror(0.3, 12.0, 0.003, mirror_size_mm=(300.0, 150.0))
    assert not stated.shims.asks_turn
    assert max(shim.thickness_mm.value for shim in stated.shims.shims) > 60


def test_the_wrong_sign_is_named() -> None:
    """24 degrees wanted, and the mirror stands at -24."""
    mirror = made_mirror(0.0, -23.5, 0.003, want_turn_deg=24.0)
    assert "wrong sign" in mirror.shims.turn_by
    assert "its right edge nearer to you" in mirror.shims.turn_by
    assert "--want-turn -23.5 " in mirror.shims.turn_by
    assert "wrong sign" not in made_mirror(0.0, 23.5, 0.003, want_turn_deg=24.0).shims.turn_by
    assert "wrong sign" not in made_mirror(0.0, 2.0, 0.003, want_turn_deg=-2.0).shims.turn_by


@pytest.mark.parametrize(
    ("turn", "half", "words"),
    [(12.0, 0.003, "12"), (24.034, 0.02, "24.03"), (-0.35, 0.2, "-0.3"), (44.7, 2.0, "45")],
)
def test_suggestions_are_as_precise_as_the_measurement(turn: float, half: float, words: str) -> None:
    """Not in steps of five degrees."""
    assert suggested_turn(about(turn, half)) in (words, words.replace("-0.3", "-0.4"))

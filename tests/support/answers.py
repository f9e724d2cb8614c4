"""Made-up answers, to test words and pictures without photos; and when two answers are the same."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from align.bundle.glass import GlassSummary
from align.checking.flatness import Flatness, WholeFace
from align.checking.flatness_map import FlatnessMap
from align.checking.report import verdict
from align.checking.result import CameraSummary, CheckResult, MirrorAngle, MirrorResult, PhotoSummary
from align.checking.settings import CheckSettings, Mount
from align.checking.shims import Measured, shims_for
from align.quantity import Quantity

#: Answers may differ so much from run to run, in degrees, millimetres or of their size.
SAME = 1e-6


def about(value: float, half: float) -> Quantity:
    """A quantity with an even interval."""
    return Quantity(value, value - half, value + half)


FLATNESS = Flatness(
    *(about(value, 0.01) for value in (0.12, -0.03, 0.0)),
    (-67.1, 66.4, 41.0, 80.2),
    about(0.2, 0.02),
    across_is_worst=True,
    verdict="bent",
    whole=WholeFace(about(0.6, 0.1), about(-0.3, 0.1), about(0.3, 0.1), about(0.0, 0.1)),
)


def made_map(top_mm: float = 0.1, **changes: Any) -> FlatnessMap:
    """A map of 300 x 150 mm, highest in its middle, measured in the middle half of its width."""
    right, up = np.arange(-145.0, 150.0, 10.0), np.arange(5.0, 150.0, 10.0)
    x, y = np.meshgrid(right, up)
    half = np.where(np.abs(x) < 75, 0.004, 0.05)
    outline = np.array([[-75.0, 0.0], [75.0, 0.0], [75.0, 150.0], [-75.0, 150.0]])
    known: dict[str, Any] = {
        "right_mm": right,
        "up_mm": up,
        "height_mm": top_mm * (1 - 2 * (x / 150) ** 2 + 0 * y),
        "half_width_mm": half,
        "measured": np.abs(x) < 75,
        "outlines_mm": (outline,),
        "size_known": True,
        "shifted_mm": 0.0,
        "lowest_mm": about(0.5 * top_mm, 0.004),
        "highest_mm": about(top_mm, 0.004),
        "slope_deg": about(0.15, 0.01),
        "slope_at_mm": (70.0, 75.0),
        "beyond_mm": 0.05,
        "verdict": "bent",
    }
    return FlatnessMap(**(known | changes))


def made_mirror(
    lean_deg: float = 0.62,
    turn_deg: float = -0.35,
    half_deg: float = 0.02,
    *,
    number: int = 1,
    want_turn_deg: float = 0.0,
    want_turn_stated: bool = True,
    tolerance_deg: float = 0.1,
    mirror_size_mm: tuple[float, float] | None = None,
    mount: Mount | None = None,
    stock_mm: tuple[float, ...] | None = None,
    glass: GlassSummary | None = None,
) -> MirrorResult:
    """One mirror as `align.report` would answer it."""
    half, want = float(np.radians(half_deg)), float(np.radians(want_turn_deg))
    measured = Measured(np.radians([lean_deg, turn_deg]), np.eye(2) * half**2, 1.0, want, stated=want_turn_stated)
    angles = measured.angles
    return MirrorResult(
        number=number,
        lean_deg=about(lean_deg, half_deg),
        turn_deg=about(turn_deg, half_deg),
        distance_mm=about(40.123, 0.6),
        glass=glass or GlassSummary("back-silvered", about(3.05, 0.14)),
        shims=shims_for(measured, mirror_size_mm=mirror_size_mm, mount=mount, stock_mm=stock_mm),
        verdict=verdict((lean_deg, turn_deg - want_turn_deg), (half_deg, half_deg), tolerance_deg),
        climb_mm_per_100=measured.of(lambda a, b: 100 * np.tan(2 * a)),
        bend_mm_per_100=measured.of(lambda a, b: 100 * np.tan(2 * (b - want))),
        want_turn_deg=want_turn_deg,
        offset_mm=about(40.123 * np.cos(angles).prod(), 0.6),
    )


def made_answer(
    *mirrors: MirrorResult,
    tolerance_deg: float = 0.1,
    photos: int = 1,
    warnings: tuple[str, ...] = (),
    advice: tuple[str, ...] = (),
    settings: CheckSettings | None = None,
) -> CheckResult:
    """An answer about mirrors; one leaning and turned mirror where none is given."""
    mirrors = mirrors or (made_mirror(),)
    return CheckResult(
        photos=tuple(
            PhotoSummary(f"photos/arcade {n}.jpg", (4032, 3024), 54, 53, 0.123) for n in range(1, photos + 1)
        ),
        camera=CameraSummary("photo", about(3034.5, 26.0)),
        mirrors=mirrors,
        angles=tuple(MirrorAngle(1, 2, about(90.04, 0.013)) for _ in mirrors[1:2]),
        sheet="a5",
        tolerance_deg=tolerance_deg,
        warnings=warnings,
        advice=advice,
        settings=settings or CheckSettings(),
    )


def assert_same(found: Any, expected: Any, where: str = "") -> None:
    """Equal throughout; numbers within SAME, of their size if they are large."""
    if isinstance(expected, dict):
        assert list(found) == list(expected), where
        for key, value in expected.items():
            assert_same(found[key], value, f"{where}.{key}")
    elif isinstance(expected, list):
        assert len(found) == len(expected), where
        for number, value in enumerate(expected):
            assert_same(found[number], value, f"{where}[{number}]")
    elif isinstance(expected, float):
        assert found == pytest.approx(expected, abs=SAME, rel=SAME), where
    else:
        assert found == expected, where

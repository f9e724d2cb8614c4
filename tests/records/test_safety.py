"""Weight and cautions."""

from __future__ import annotations

import pytest

from align.planning.opening import HOLDING, cautions
from align.records.safety import ASSUMED_GLASS_MM, DENSITY_SOURCE, Weight, cautions_for, weight_of


def headings(weight_kg: float | None, side_mm: float = 300.0, **changes: bool) -> list[str]:
    """Headings of the cautions for a square mirror of some weight."""
    flags = {"within_reach": False, "sunlight": False, "mains_lamps": False, **changes}
    weight = None if weight_kg is None else weight_of((side_mm, side_mm), weight_kg / (side_mm**2 * 2.5e-6))
    return [caution.heading for caution in cautions_for(weight, **flags)]


def test_weight_by_hand() -> None:
    """1 m x 1 m x 4 mm of float glass: 10 kg, as every glazier's table has it (2.5 kg a mm and m2)."""
    assert weight_of((1000, 1000), 4).kilograms == pytest.approx(10.0)
    assert weight_of((240, 170), 3).kilograms == pytest.approx(0.306)
    assert "2500 kg/m³, EN 572-1" in DENSITY_SOURCE


@pytest.mark.parametrize("glass", [None, 0.0])
def test_unknown_thickness_is_assumed_and_said_to_be(glass: float | None) -> None:
    """A front-coated mirror's glass does not show in a photo."""
    weight = weight_of((1000, 1000), glass)
    assert weight.glass_assumed
    assert weight.glass_mm == ASSUMED_GLASS_MM


def test_rules_come_first_and_hands_are_always_named() -> None:
    """Whatever the mirror."""
    for weight in (None, 0.3, 30.0):
        found = headings(weight)
        assert found[0] == "Rules and trades come first"
        assert "Hands and eyes" in found


def test_heavier_mirrors_are_held_by_more_than_glue() -> None:
    """Above 5 kg or 1.2 m two people set it."""
    heavy = "Two people, and more than glue"
    assert heavy not in headings(4.9)
    assert heavy in headings(5.1)
    assert heavy in headings(3.0, 1300)


@pytest.mark.parametrize("weight", [None, weight_of((300, 200), 4), weight_of((1300, 1300), 4)])
def test_one_rule_on_glue_in_plans_and_records(weight: Weight | None) -> None:
    """Whatever the weight, glue alone is no fixing; both say so in the same words."""
    words = cautions_for(weight, within_reach=True, sunlight=True, mains_lamps=True)[2].words
    assert HOLDING in words
    assert HOLDING in cautions(1.0, 300, 200)
    assert "Glue or tape alone is no fixing, however light" in HOLDING
    assert "trusted alone" not in words
    assert "common practice, no source" in words


def test_cautions_follow_the_place() -> None:
    """Only those that fit."""
    assert {"Within reach of people", "Sunlight", "Mains lamps"}.isdisjoint(headings(1.0))
    assert "Sunlight" in headings(1.0, sunlight=True)
    assert "Mains lamps" in headings(1.0, mains_lamps=True)
    assert "Within reach of people" in headings(1.0, within_reach=True)
    assert "Front coating" in headings(1.0, front_coated=True)

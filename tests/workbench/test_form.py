"""The mirror's form: what people write, and what is wrong with it."""

from __future__ import annotations

import pytest

from align.records.installation import StatedMirror
from align.workbench.form import FormErrors, mirror_from_form, written_of
from align.workbench.form_fields import FIELDS

GOOD = {"name": "arcade mirror", "width_mm": "300", "height_mm": "150", "mount": "wall"}


def errors_of(**written: str) -> dict[str, str]:
    """Complaints by field."""
    with pytest.raises(FormErrors) as found:
        mirror_from_form({**GOOD, **written}, StatedMirror(), ("camera-1.json",))
    return dict(found.value.by_entry)


def test_what_people_write_is_understood() -> None:
    """Decimal commas, units, a true minus, spaces."""
    written = {
        "width_mm": " 240,5 mm",
        "want_turn_deg": "−12°",
        "mount": "foot",
        "foot_depth_mm": "40mm",
        "touching": "on",
        "camera": "camera-1.json",
        "sheet": "a5",
        "notes": " cleaned  with\r\n\r\na soft brush ",
    }
    mirror = mirror_from_form({**GOOD, **written}, StatedMirror(notes="old"), ("camera-1.json",))
    assert (mirror.width_mm, mirror.want_turn_deg, mirror.foot_depth_mm) == (240.5, -12, 40)
    notes = "cleaned with\n\na soft brush"
    assert (mirror.touching, mirror.camera, mirror.sheet, mirror.notes) == (True, "camera-1.json", "a5", notes)


def test_a_form_comes_back_as_it_was_written() -> None:
    """What the page shows of a mirror makes the same mirror."""
    mirror = StatedMirror(
        name="m",
        width_mm=240.5,
        height_mm=100,
        mount="foot",
        foot_depth_mm=40,
        tolerance_deg=0.2,
        touching=True,
        rule_mm=(99.4, 99.7),
        exact_print=True,
        flatness=True,
        notes="one\n\ntwo",
        stock_mm=(0.1, 0.25, 1.0),
    )
    assert mirror_from_form(written_of(mirror), StatedMirror(), ()) == mirror
    own = StatedMirror(name="m", mount="wall", board=(7, 6), square_mm=20.5)
    assert mirror_from_form(written_of(own), StatedMirror(), ()) == own


@pytest.mark.parametrize(
    ("written", "rule"), [("99,5", 99.5), ("99.4x99.7", (99.4, 99.7)), ("99.4 × 99.7 mm", (99.4, 99.7)), ("", None)]
)
def test_one_rule_or_both(written: str, rule: object) -> None:
    """A decimal comma is no second rule."""
    assert mirror_from_form({**GOOD, "rule_mm": written}, StatedMirror(), ()).rule_mm == rule


def test_a_wall_has_no_foot() -> None:
    """A depth that was left over is dropped."""
    assert mirror_from_form({**GOOD, "foot_depth_mm": "40"}, StatedMirror(), ()).foot_depth_mm is None


@pytest.mark.parametrize(
    ("entry", "written", "words"),
    [
        ("name", "", "name"),
        ("width_mm", "wide", "number in mm"),
        ("width_mm", "1e999", "5 to 5000"),
        ("width_mm", "nan", "5 to 5000"),
        ("width_mm", "3", "5 to 5000"),
        ("height_mm", "", "belong together"),
        ("tolerance_deg", "0", "0.001 to 45"),
        ("mount", "ceiling", "Choose one"),
        ("sheet", "a0", "Choose one"),
        ("camera", "../../camera-1.json", "Choose one"),
        ("rule_mm", "99 x 99 x 99", "at most 2"),
        ("rule_mm", "5", "20 to 500"),
        ("board", "7", "two whole numbers"),
        ("stock_mm", "thin", "number in mm"),
    ],
)
def test_complaints_stand_at_their_field(entry: str, written: str, words: str) -> None:
    """Each says what was expected."""
    assert words in errors_of(**{entry: written})[entry]


def test_a_foot_needs_its_depth() -> None:
    """And says so at the depth."""
    assert "depth" in errors_of(mount="foot")["foot_depth_mm"]


def test_every_field_has_a_label_of_its_own() -> None:
    """No two fields ask the same; hints are not labels."""
    assert len({field.label for field in FIELDS}) == len(FIELDS)
    assert len({field.entry for field in FIELDS}) == len(FIELDS)


def test_a_board_needs_its_square_and_is_no_sheet() -> None:
    """Each complaint stands where something is to be done."""
    assert "belong together" in errors_of(board="7 x 6")["square_mm"]
    assert "belong together" in errors_of(square_mm="20")["board"]
    assert "no printed sheet" in errors_of(board="7 x 6", square_mm="20", sheet="a5")["board"]


def test_inches_are_understood() -> None:
    """With their sign or name behind them; the last number's unit is that of all before it."""
    written = {"width_mm": "12 in", "height_mm": '6"', "stock_mm": "0.01, 0.02 in", "rule_mm": "3.94 x 3.93in"}
    mirror = mirror_from_form({**GOOD, **written}, StatedMirror(), ())
    assert mirror.size_mm == pytest.approx((304.8, 152.4))
    assert mirror.stock_mm == pytest.approx((0.254, 0.508))
    assert mirror.rule_mm == pytest.approx((100.076, 99.822))
    assert "want_turn_deg" in errors_of(want_turn_deg="3 in")

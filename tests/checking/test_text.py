"""The answer in words: what it says, how finely, and that it fits a terminal."""

from __future__ import annotations

import itertools
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from align.bundle.glass import GlassSummary
from align.checking.flatness import Flatness
from align.checking.settings import Mount
from align.checking.text import check_text
from align.checking.wording import flatness_words
from align.drawing.layout import COLUMNS
from align.drawing.wording import number_text, with_uncertainty
from align.quantity import Quantity
from tests.support.answers import about, made_answer, made_mirror


@pytest.mark.parametrize(
    ("value", "half", "most", "words"),
    [
        (0.6213, 0.0213, 3, "0.62° ± 0.02°"),
        (0.6213, 0.0131, 3, "0.621° ± 0.013°"),  # a leading 1 keeps a second digit
        (0.6213, 0.00002, 3, "0.621° ± 0.001°"),  # never finer than `most`, never ± 0
        (-0.0004, 0.003, 3, "0.000° ± 0.003°"),  # no minus zero
        (-1.25, 0.3, 3, "−1.2° ± 0.3°"),
        (12.6, 4.0, 3, "13° ± 4°"),
        (126.0, 38.0, 3, "130° ± 40°"),
    ],
)
def test_numbers_are_rounded_to_their_uncertainty(value: float, half: float, most: int, words: str) -> None:
    """One digit of uncertainty, two when the first is a 1."""
    assert with_uncertainty(about(value, half), "°", most) == words


def test_lopsided_and_exact_numbers() -> None:
    """A lopsided interval is given by its ends, an exact number alone."""
    assert with_uncertainty(Quantity(0.5, 0.0, 1.4), "mm") == "0.0 mm to 1.4 mm"
    assert with_uncertainty(about(3.0, 0.0), "mm") == "3 mm"
    assert with_uncertainty(about(100.0, 0.0), "mm", 0) == "100 mm"


@given(st.floats(-1e4, 1e4), st.floats(1e-6, 1e3))
def test_shown_numbers_stay_true(value: float, half: float) -> None:
    """What is shown lies within the uncertainty, or the finest step, of what was measured."""
    shown, uncertainty = (
        float(part.removesuffix(" mm").replace("−", "-"))
        for part in with_uncertainty(about(value, half), "mm", 3).split(" ± ")
    )
    assert abs(shown - value) <= max(half, 0.0005) * 1.0001
    assert abs(uncertainty - half) <= max(0.5 * half, 0.001)
    assert uncertainty > 0


@given(st.floats(-1e5, 1e5), st.integers(-2, 4))
def test_numbers_have_points_and_true_minuses(value: float, decimals: int) -> None:
    """In every locale: digits, one point, one minus sign, and no minus before nothing."""
    text = number_text(value, decimals)
    assert re.fullmatch(r"−?\d+(\.\d+)?", text)
    assert not (text.startswith("−") and not re.search("[1-9]", text))


def all_kinds_of_answers() -> list[str]:
    """Texts over signs, sizes, mounts, wanted turns, glass and numbers of mirrors."""
    texts = []
    glasses = [
        None,
        GlassSummary("undetermined", None),
        GlassSummary("front-coated", Quantity(0.2, 0.0, 1.1)),
        GlassSummary("back-silvered", None),
        GlassSummary("front-coated", about(0.0, 0.0), "stated"),
        GlassSummary("back-silvered", about(4.0, 0.2), "stated"),
    ]
    mounts = [
        (None, None),
        ((300.0, 200.0), None),
        ((1250.0, 800.0), None),
        ((300.0, 200.0), Mount("foot", 40.0)),
    ]
    for lean, turn, half in itertools.product((-4.4, 0.03, 0.62), (-12.5, 0.0, 0.35), (0.004, 0.31)):
        for (size, mount), glass in zip(mounts, itertools.cycle(glasses), strict=False):
            for want in (0.0, -12.0):
                how = {"want_turn_deg": want, "mirror_size_mm": size, "mount": mount, "glass": glass}
                mirror = made_mirror(lean, turn, half, **how)
                texts.append(check_text(made_answer(mirror)))
    two = made_answer(made_mirror(), made_mirror(0.01, 0.02, number=2), photos=3, warnings=("w " * 80,))
    return [*texts, check_text(two)]


def test_text_fits_a_terminal_and_is_plain() -> None:
    """At most COLUMNS columns; no colour codes, tabs or odd characters; nothing left empty."""
    for text in all_kinds_of_answers():
        assert max(len(line) for line in text.splitlines()) <= COLUMNS
        assert set(re.sub(r"[ -~\n]", "", text)) <= set("°±−×")
        assert not re.search(r"\b(nan|inf|None)\b|  \n|\(\)", text)
        assert text.splitlines()[0].split(".")[0].split(":")[0] in ("TRUE", "OUT OF TRUE", "CANNOT TELL YET")
        assert "\nNext: " in text


@pytest.mark.parametrize(
    ("lean", "turn", "words"),
    [
        (0.62, 0.0, ("leans towards you", "its top overhangs", "behind the bottom edge", "climbs 2.2 mm")),
        (-0.62, 0.0, ("leans away from you", "its top is set back", "behind the top edge", "dives 2.2 mm")),
        (0.0, 0.35, ("is turned", "its left edge is nearer to you", "behind the right edge", "to the left")),
        (
            0.0,
            -0.35,
            ("is turned", "its right edge is nearer to you", "behind the left edge", "to the right"),
        ),
    ],
)
def test_ways_are_said_as_the_viewer_sees_them(lean: float, turn: float, words: tuple[str, ...]) -> None:
    """Signs of docs/conventions.md: lean > 0 overhangs, turn > 0 has the left edge nearer."""
    text = " ".join(check_text(made_answer(made_mirror(lean, turn))).split())
    for word in words:
        assert word in text


def test_out_of_true_answer_in_full() -> None:
    """One whole answer, as a builder reads it; which sheets to stack is for tests/checking/test_shims.py."""
    text = check_text(made_answer(made_mirror(mirror_size_mm=(300.0, 200.0))))
    assert re.sub(r" \([0-9. ×+]+\)$", "", text, flags=re.MULTILINE) == (
        "OUT OF TRUE. The mirror leans towards you and is turned.\n"
        "\n"
        "  Lean    towards you (its top overhangs) by 0.62° ± 0.02°\n"
        "  Turn    its right edge is nearer to you, by 0.35° ± 0.02°\n"
        "  Shims   behind the mirror's corners, as you face it:\n"
        "          top left      1.83 mm ± 0.10 mm\n"
        "          top right     nothing\n"
        "          bottom left   4.00 mm ± 0.13 mm\n"
        "          bottom right  2.16 mm ± 0.07 mm\n"
        "          once packed, 0.02° of lean and 0.02° of turn remain\n"
        "  View    the reflected street climbs 2.2 mm per 100 mm and bends 1.2 mm per\n"
        "          100 mm to the right\n"
        "  Gap     40.1 mm ± 0.6 mm from the sheet's contact edge to the glass\n"
        "  Glass   back-silvered, 3.0 mm ± 0.1 mm thick\n"
        "\n"
        "  Sure    95 times in 100 the truth lies within each ±\n"
        "          54 corners of the sheet and 53 of its reflection, off by 0.12 px\n"
        "          sheet a5, taken to be printed at 100 %; camera solved from the photo\n"
        "\n"
        "Next: put the shims in, then photograph and check again."
    )


def test_true_mirror_needs_nothing() -> None:
    """No shims and no damage to the view are talked of."""
    text = check_text(made_answer(made_mirror(0.01, -0.02)))
    assert text.startswith("TRUE. The mirror is square to the sheet, in lean and turn, within 0.1°.")
    assert "Shims" not in text
    assert "Next: nothing to correct." in text


def test_undetermined_asks_for_a_photo() -> None:
    """An answer that cannot tell names the photo that would; the advice it has goes first."""
    unsure = made_mirror(0.05, 0.0, 0.3)
    assert "at different heights" in " ".join(check_text(made_answer(unsure)).split())
    advised = check_text(made_answer(unsure, advice=("Hold the phone higher.",)))
    assert advised.startswith("CANNOT TELL YET.")
    assert advised.endswith("Hold the phone higher.")


def test_several_mirrors_are_told_apart() -> None:
    """Each mirror has its own lines, and the angle between two is said."""
    text = check_text(made_answer(made_mirror(0.0, 0.0), made_mirror(number=2)))
    assert text.startswith("OUT OF TRUE. Mirror 2 leans towards you and is turned.")
    assert "Mirror 1, counted from the left: true" in text
    assert "Mirror 2, counted from the left: out of true" in text
    assert "Angle between mirrors 1 and 2: 90.040° ± 0.013°" in text


def test_foot_says_which_edge_and_how_to_turn() -> None:
    """A foot gets packing under one edge, and is turned on the floor."""
    mirror = made_mirror(mirror_size_mm=(300.0, 200.0), mount=Mount("foot", 40.0))
    text = " ".join(check_text(made_answer(mirror)).split())
    assert "under the front edge of the foot: 0.43 mm ± 0.01 mm (" in text
    assert "turn the foot anticlockwise seen from above" in text


def test_wanted_turn_is_said() -> None:
    """With another wanted turn the error is against that."""
    text = check_text(made_answer(made_mirror(0.0, 44.8, want_turn_deg=45.0)))
    assert "OUT OF TRUE. The mirror is not turned as wanted." in text
    words = " ".join(text.split())
    assert "44.80° ± 0.02°, wanted 45°: its right edge is nearer than wanted, by 0.20° ± 0.02°" in words


def test_a_mirror_that_lies_back_is_told_without_packing():
    text = check_text(made_answer(made_mirror(-55.0, 0.8, mirror_size_mm=(200.0, 150.0))))
    assert "packing cannot make up for 55° of lean: lay the sheet flat" in text.replace("\n          ", " ")
    assert "corners, as you face it" not in text


@pytest.mark.parametrize(
    ("units", "high_mm", "words"),
    [
        ("mm", 0.0002, "less than 0.001 mm"),
        ("mm", 0.0014, "less than 0.002 mm"),
        ("in", 0.0002, "less than 0.0001 in"),
        ("in", 0.0254, "less than 0.0010 in"),
    ],
)
def test_less_than_is_rounded_up_and_never_nothing(units, high_mm, words):
    sagitta, edge = Quantity(0.0, -0.0001, high_mm), Quantity(0.0, 0.0, 0.01)
    flat = Flatness(sagitta, sagitta, sagitta, (-60.0, 60.0, 0.0, 40.0), edge, True, "flat")
    assert words in flatness_words(flat, units)

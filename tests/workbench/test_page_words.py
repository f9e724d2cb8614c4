"""What the page says in place of the command line's words."""

from __future__ import annotations

import re

import pytest
from markupsafe import Markup

from align.checking.photo_quality import EXACT_PRINT
from align.workbench.page_words import for_the_page
from align.workbench.pages import without_shout


@pytest.mark.parametrize(
    ("words", "on_the_page"),
    [
        ("Say how thick the glass is: --glass MM, 0 for none.", "0 for none, under “What is known of it”."),
        ("Take all photos without zooming; or check them with --each.", "Take all photos without zooming."),
        (
            "say --want-turn -90.4; if not, turn",
            "write -90.4 as its wanted turn, under “What is known of it”; if not",
        ),
        ("With --mirror WIDTHxHEIGHT the map", "With width and height (under “What is known of it”) the map"),
        (
            "Measure the camera once with `align camera` and pass its file: it",
            "on the page “Camera”, and choose its",
        ),
        (
            "for a plain checkerboard of your own, say --board COLSxROWS --square MM.",
            "its inner corners and its squares",
        ),
        ("photo-0012.jpg shows no reflection, photo-0003.jpg does", "Photo 12 shows no reflection, photo 3 does"),
        (
            "Name the turn that is wanted for each of them, from left to right; as they stand now: "
            "--want-turn 44.7 --want-turn -45.3",
            "As they stand now, from left to right: 44.7°, −45.3°",
        ),
        (EXACT_PRINT, "which is said above the button"),
    ],
)
def test_no_option_is_left(words: str, on_the_page: str) -> None:
    """Each as the page has it."""
    said = for_the_page(words)
    assert on_the_page in said
    assert not re.search(r"--[a-z]|`align|MM\b|COLS", said)


@pytest.mark.parametrize(
    ("sentence", "under_the_heading"),
    [
        ("OUT OF TRUE. The mirror leans towards you.", "The mirror leans towards you."),
        ("OUT OF TRUE: mirrors 1 and 2.", "Mirrors 1 and 2."),
        ("OUT OF TRUE, unless it is meant: the mirror stands off.", "Unless it is meant: the mirror stands off."),
        ("CANNOT TELL YET. The interval is too wide.", "The interval is too wide."),
    ],
)
def test_the_verdict_is_not_said_twice(sentence: str, under_the_heading: str) -> None:
    """It stands above in large letters."""
    assert without_shout(sentence) == under_the_heading


def test_all_else_stays() -> None:
    """Drawings, numbers, dashes; what is safe HTML stays safe HTML."""
    for value in (3, "", "0.3 mm – more", "a -- b", Markup("<svg></svg>")):
        assert for_the_page(value) is value or for_the_page(value) == value
    assert isinstance(for_the_page(Markup("<p>--glass MM narrows the interval</p>")), Markup)

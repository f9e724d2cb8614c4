"""What the page says and draws of an answer."""

from __future__ import annotations

import re

import pytest

from align.checking.result import CheckResult, MirrorResult
from align.checking.shims import Mount
from align.workbench.drawings import band_drawing, front_drawing, place_on_band
from align.workbench.series import Answer, Series
from align.workbench.words import axes, next_step, settled_words, what_changed
from tests.support.answers import made_answer, made_mirror

SIZE = (300.0, 150.0)


def mirror(lean: float, turn: float, half: float = 0.005, **more: object) -> MirrorResult:
    """A mirror of a stated size."""
    return made_mirror(lean, turn, half, **{"mirror_size_mm": SIZE, **more})  # type: ignore[arg-type]


def answer(number: int, stand: int, *mirrors: MirrorResult, moved: bool | None = True) -> Answer:
    """An answer of a series."""
    result: CheckResult = made_answer(*mirrors)
    return Answer(number, stand, (number,), moved, 0.0, "2026-07-14T10:32:05+02:00", result)


def changed(before: MirrorResult, now: MirrorResult) -> str:
    """What changed, in one text."""
    return " ".join(what_changed(answer(2, 2, now), answer(1, 1, before)))


def test_a_first_answer_changed_nothing() -> None:
    """There is nothing to compare with."""
    assert what_changed(answer(1, 1, mirror(0.6, 0.3), moved=None), None) == []


def test_what_got_better_and_what_is_left() -> None:
    """ "top left: 0.3 mm more; the turn is now right"."""
    words = changed(mirror(0.62, -0.35), mirror(0.2, 0.0))
    assert "Lean: 0.62° off before, 0.20° now: nearer to true." in words
    assert "The turn is right." in words
    assert re.search(r"Bottom left: 0\.\d+ mm more; bottom right: 0\.\d+ mm more\.", words), words


def test_what_went_past_true_is_said() -> None:
    """Too much packing tilts it the other way."""
    words = changed(mirror(0.62, 0.0), mirror(-0.3, 0.0))
    assert "on the other side: it went past true" in words
    assert "Top left" in words


def test_what_stayed_is_not_called_better() -> None:
    """A change within the uncertainties of both is none."""
    assert "Lean: 0.50° off before, 0.49° now: as it was." in changed(
        mirror(0.5, 0.3, 0.02), mirror(0.49, 0.0, 0.02)
    )
    assert "farther from true" in changed(mirror(0.3, 0.0), mirror(0.6, 0.0))


@pytest.mark.parametrize(
    ("result", "stop", "words"),
    [
        (mirror(0.01, 0.01), True, "nothing to correct"),
        (mirror(0.6, 0.3), False, "Put the packing in"),
        (mirror(0.09, 0.0, 0.05), False, "Another photo"),
        (mirror(0.0, 30.0), False, "Look at the sheet"),
        (made_mirror(0.0, 0.5, 0.01, mount=Mount("foot", 40.0)), False, "Turn the mirror"),
    ],
)
def test_what_to_do_next_and_when_to_stop(result: MirrorResult, stop: bool, words: str) -> None:
    """One clear thing to do."""
    step = next_step(Series(answers=[answer(1, 1, result, moved=None)]))
    assert step is not None
    assert step.stop is stop
    assert words in step.heading


def test_packing_thinner_than_any_sheet_ends_the_work() -> None:
    """A tolerance finer than the thinnest sheet corrects is not chased for ever."""
    tight = made_mirror(0.008, 0.0, 0.001, tolerance_deg=0.005, mirror_size_mm=SIZE)
    series = Series(
        answers=[Answer(1, 1, (1,), None, None, "2026-07-14T10:32:05", made_answer(tight, tolerance_deg=0.005))]
    )
    step = next_step(series)
    assert step is not None
    assert step.stop
    assert "thinner" in step.words


def test_what_is_read_aloud_has_verdict_and_both_numbers() -> None:
    """For screen readers, once an answer has settled."""
    words = settled_words(answer(3, 1, mirror(0.62, -0.35)))
    assert words.startswith("Photo 3: Out of true. Lean towards you")
    assert "0.350°" in words


def test_the_band_is_even_within_the_tolerance_and_by_decades_beyond() -> None:
    """Zero in the middle, the tolerance at its edge, ten times as far one decade on; never off the drawing."""
    places = [place_on_band(error, 0.1) for error in (-90, -1, -0.1, -0.05, 0, 0.05, 0.1, 1, 10, 90)]
    assert places == sorted(places)
    assert places[4] == 180
    assert places[5] - 180 == pytest.approx((places[6] - 180) / 2)
    assert places[7] - places[6] == pytest.approx(places[8] - places[7])
    assert min(places) >= 16
    assert max(places) <= 344


def test_marks_tell_their_state_without_colour() -> None:
    """A tick, a filled and a hollow triangle; words say the same."""
    kinds = {}
    for lean, half in ((0.0, 0.01), (0.6, 0.01), (0.1, 0.05)):
        axis = axes(mirror(lean, 0.0, half), 0.1, None)[0]
        drawing = band_drawing(axis, "band")
        kinds[axis.state] = set(re.findall(r'class="(mark-\w+)"', drawing))
        assert axis.against.rstrip(".") in drawing
    assert kinds == {"right": {"mark-right", "mark-tick"}, "off": {"mark-off"}, "open": {"mark-unsure"}}


def test_the_front_view_says_what_goes_where() -> None:
    """All four corners by name, what each gets, and the same in words for screen readers."""
    drawing = front_drawing(mirror(0.62, -0.35), SIZE, "front")
    for words in ("top left", "top right", "bottom left", "bottom right", "nothing", "mm"):
        assert words in drawing
    assert drawing.count('class="packing"') == 3
    assert re.search(r"<desc[^>]*>top left: \d\.\d+ mm \([^)]+\); top right: nothing; bottom left", drawing)


@pytest.mark.parametrize(
    ("made", "words"),
    [
        (made_mirror(0.6, 0.0, 0.01, mount=Mount("foot", 40.0)), "under the front edge of the foot"),
        (made_mirror(0.6, -0.4, 0.01), "per 100 mm of height"),
    ],
)
def test_other_mounts_are_drawn_too(made: MirrorResult, words: str) -> None:
    """A foot, and a mirror of unknown size."""
    drawing = front_drawing(made, None, "front")
    assert words in re.sub(r"<desc.*?</desc>", "", drawing)
    assert 'class="packing"' in drawing

"""A function beside its caller: answers, errors, and that it does run beside."""

from __future__ import annotations

import threading

import pytest

from align.second_core import Beside


def test_runs_while_the_caller_goes_on() -> None:
    told = threading.Event()
    beside = Beside(lambda: told.wait(10.0))
    told.set()
    assert beside.answer() is True
    assert beside.answer() is True


def test_its_error_is_raised_where_its_answer_is_asked_for() -> None:
    beside = Beside(lambda: [][0])
    with pytest.raises(IndexError):
        beside.answer()

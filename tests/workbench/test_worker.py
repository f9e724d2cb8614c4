"""One piece of work at a time."""

from __future__ import annotations

import threading
import time

from align.errors import PhotoError
from align.workbench.worker import Ticket, Worker
from tests.support.patience import patient


def test_work_is_done_in_turn_and_knows_its_place() -> None:
    """What can wait comes after all photos; each waiting ticket knows how many come before it."""
    done: list[str] = []
    gate = threading.Event()
    worker = Worker(lambda: None)

    def first(ticket: Ticket) -> None:
        gate.wait(5)
        done.append("first")

    begun = worker.put("a", "photo 1", first)
    later = worker.put("a", "entry", lambda ticket: done.append("entry"), later=True)
    photos = [worker.put("b", f"photo {n}", lambda ticket: done.append(ticket.words)) for n in (2, 3)]
    while begun.state == "waiting":
        time.sleep(0.001)
    assert [worker.place(ticket) for ticket in (begun, *photos, later)] == [0, 1, 2, 3]
    assert [ticket.words for ticket in worker.open("b")] == ["photo 2", "photo 3"]
    gate.set()
    assert worker.wait(later, 5)
    assert done == ["first", "photo 2", "photo 3", "entry"]
    assert worker.stop(1)


def test_what_fails_says_why_and_the_next_goes_on() -> None:
    """A photo that cannot be answered, and a fault of ours, cost only themselves."""
    worker = Worker(lambda: None)

    def refuse(ticket: Ticket) -> None:
        raise PhotoError("too dark", "more light")

    refused = worker.put("a", "photo 1", refuse)
    broken = worker.put("b", "photo 2", lambda ticket: [][1])
    good = worker.put("c", "photo 3", lambda ticket: None)
    assert worker.wait(good, 5)
    assert (refused.state, refused.message, refused.remedy) == ("failed", "too dark", "more light")
    assert broken.state == "failed"
    assert "IndexError" in broken.message
    assert good.state == "done"
    assert worker.failed("a") is refused
    assert worker.failed("c") is None
    worker.stop(1)


def test_stopping_does_not_wait_for_ever() -> None:
    """Work that goes on is left; nothing new is begun."""
    worker = Worker(lambda: None)
    gate, second = threading.Event(), []
    begun = worker.put("a", "long", lambda ticket: gate.wait(10))
    worker.put("a", "never", lambda ticket: second.append(1))
    while begun.state == "waiting":
        time.sleep(0.001)
    start = time.monotonic()
    assert not worker.stop(0.2)
    assert time.monotonic() - start < patient(1)
    gate.set()
    assert worker.stop(2)
    assert second == []

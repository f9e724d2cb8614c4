"""One piece of work at a time, in a thread of its own; what waits knows its place."""

from __future__ import annotations

import itertools
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Literal

from ..errors import AlignError

TicketState = Literal["waiting", "working", "done", "failed"]
Work = Callable[["Ticket"], None]
#: Tickets that ended are remembered in this number, for pages that ask what became of them.
REMEMBERED = 200


@dataclass(eq=False)
class Ticket:
    """A piece of work that was taken on.

    whose : of which mirror or table it is, "" for the whole bench; words : what it is, for people
    progress : what it is at just now; message, remedy : why it failed; quiet : nobody waits for it
    """

    number: int
    whose: str
    words: str
    state: TicketState = "waiting"
    progress: str = ""
    message: str = ""
    remedy: str = ""
    quiet: bool = False
    came: float = field(default_factory=time.monotonic)


class Worker:
    """A thread that does what it is given, photos before what can wait."""

    def __init__(self, changed: Callable[[], None]) -> None:
        self._changed = changed
        self._ready = threading.Condition()
        self._waiting: list[tuple[bool, Ticket, Work]] = []
        self._ended: list[Ticket] = []
        self._now: Ticket | None = None
        self._stopped = False
        self._numbers = itertools.count(1)
        self._thread = threading.Thread(target=self._run, name="bench worker", daemon=True)
        self._thread.start()

    def put(self, whose: str, words: str, work: Work, *, later: bool = False, quiet: bool = False) -> Ticket:
        """Take on a piece of work; `later` : after all that is not; `quiet` : nobody waits for it."""
        ticket = Ticket(next(self._numbers), whose, words, quiet=quiet)
        with self._ready:
            self._waiting.append((later, ticket, work))
            self._waiting.sort(key=lambda item: (item[0], item[1].number))
            self._ready.notify_all()
        self._changed()
        return ticket

    def open(self, whose: str | None = None) -> list[Ticket]:
        """What is worked on and what waits, in this order, but for what is quiet."""
        with self._ready:
            tickets = [self._now] if self._now else []
            tickets += [ticket for _, ticket, _ in self._waiting]
        return [ticket for ticket in tickets if whose in (None, ticket.whose) and not ticket.quiet]

    def place(self, ticket: Ticket) -> int:
        """How many pieces of work come before it; 0 for the one that is worked on or has ended."""
        with self._ready:
            before = [ticket for _, ticket, _ in self._waiting]
            return before.index(ticket) + (self._now is not None) if ticket in before else 0

    def wait(self, ticket: Ticket, timeout_s: float) -> bool:
        """Wait until a ticket has ended; False where the time was not enough."""
        end = time.monotonic() + timeout_s
        with self._ready:
            while ticket.state in ("waiting", "working"):
                rest = end - time.monotonic()
                if rest <= 0 or self._stopped:
                    return False
                self._ready.wait(rest)
        return True

    def failed(self, whose: str) -> Ticket | None:
        """The newest ticket of a table, if it failed."""
        with self._ready:
            mine = [ticket for ticket in self._ended if ticket.whose == whose and not ticket.quiet]
        return mine[-1] if mine and mine[-1].state == "failed" else None

    def stop(self, timeout_s: float) -> bool:
        """Begin nothing more; whether the work at hand came to its end in time."""
        with self._ready:
            self._stopped = True
            self._ready.notify_all()
        self._thread.join(timeout_s)
        return not self._thread.is_alive()

    def say(self, ticket: Ticket, words: str) -> None:
        """What a ticket is at."""
        ticket.progress = words
        self._changed()

    def _run(self) -> None:
        while True:
            with self._ready:
                while not self._waiting and not self._stopped:
                    self._ready.wait()
                if self._stopped:
                    return
                _, ticket, work = self._waiting.pop(0)
                ticket.state, self._now = "working", ticket
            self._changed()
            state: TicketState = "failed"
            try:
                work(ticket)
                state = "done"
            except AlignError as error:
                ticket.message, ticket.remedy = error.message, error.remedy
            except Exception as error:  # a fault of ours costs this photo, not the bench
                ticket.message = f"This is a fault in align: {type(error).__name__}: {error}"
                ticket.remedy = "Send the photo with these words to its makers, if you may."
            with self._ready:
                ticket.state, self._now = state, None
                self._ended = [*self._ended[-REMEMBERED:], ticket]
                self._ready.notify_all()
            self._changed()

"""Work on a second core: a function that runs in a thread of its own while its caller goes on.

As `concurrent.futures` has it, whose import takes 4 ms, more than some of what is run beside.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import Generic, TypeVar

Answer = TypeVar("Answer")


class Beside(Generic[Answer]):
    """A function under way in a thread of its own."""

    def __init__(self, function: Callable[[], Answer]) -> None:
        self._function = function
        self._answers: list[Answer] = []
        self._error: BaseException | None = None
        # A process that is told to end does not wait for it.
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def _run(self) -> None:
        try:
            self._answers.append(self._function())
        except BaseException as error:  # whoever asks for the answer gets it
            self._error = error

    def answer(self) -> Answer:
        """What the function returns, once it does; what it raises is raised here."""
        self._thread.join()
        if self._error is not None:
            raise self._error
        return self._answers[0]

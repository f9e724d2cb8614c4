"""Where the time of one `align check PHOTO --json --picture FILE` goes, stage by stage.

    python -m tests.bench.performance_stages PHOTO PICTURE STARTED

A process of its own: the program's functions are wrapped, then its command line is run within. STARTED is the
moment at which the process was started (`time.time()` of who started it). Prints one JSON object: seconds by stage.
"""

from __future__ import annotations

import contextlib
import importlib
import io
import json
import subprocess
import sys
import threading
import time
from collections import defaultdict
from collections.abc import Callable
from functools import cached_property
from pathlib import Path
from typing import Any

from tests.bench.performance_processes import environment

START, DECODE, DETECT, MATCH, SOLVE = "start and imports", "decode", "detect", "match", "solve"
REPORT, TEXT, PICTURE, REST = "report", "text", "picture", "rest"
#: What the second core does meanwhile: it matches the reflections, or looks for them again.
BESIDE = "reflections (second core)"
#: In the order in which they take place; the first thread's, which add up to the whole.
STAGES = (START, DECODE, DETECT, MATCH, SOLVE, REPORT, TEXT, PICTURE, REST)
#: (module, name, stage): the function's own time, without that of wrapped functions which it calls.
WRAPPED = (
    ("checking.job", "read_photo", DECODE),
    ("bundle.photo_set", "sight", REST),
    ("bundle.adjustment", "solve_sighted", SOLVE),
    ("checking.report", "report", REPORT),
    ("sighting.photo", "find_boards", DETECT),
    ("sighting.photo", "find_in_region", DETECT),
    ("sighting.photo", "search_reflection", DETECT),
    ("sighting.photo", "sight_detection", MATCH),
    ("sighting.photo", "told_apart", MATCH),
    ("sighting.far_reflection", "sight_detection", MATCH),
    ("sighting.far_reflection", "sight_board", MATCH),
    ("cli.check", "print_result", TEXT),
    ("checking.picture", "save_check_picture", PICTURE),
)


class Clock:
    """Own time of wrapped functions by stage: those of the first thread, and all others together."""

    def __init__(self) -> None:
        self.seconds: dict[str, float] = defaultdict(float)
        self._inner = threading.local()

    def wrapped(self, function: Callable[..., Any], stage: str) -> Callable[..., Any]:
        """The function, its own time counted."""

        def timed(*args: Any, **keywords: Any) -> Any:
            outer, self._inner.seconds = getattr(self._inner, "seconds", 0.0), 0.0
            start = time.perf_counter()
            try:
                return function(*args, **keywords)
            finally:
                took = time.perf_counter() - start
                first = threading.current_thread() is threading.main_thread()
                self.seconds[stage if first else BESIDE] += took - self._inner.seconds
                self._inner.seconds = outer + took

        return timed


def measure(photo: str, picture: str, started: float) -> dict[str, float]:
    """Seconds by stage of one check in this very process."""
    clock = Clock()
    module = importlib.import_module
    for name in ("align.cli.main", "align.cli.check", "align.checking.job"):
        module(name)
    job = module("align.checking.job")
    for name in (*job.DECODING, *job.LATER):  # which a check imports while it decodes
        module(name)
    clock.seconds[START] = time.time() - started
    begin = time.perf_counter()
    with contextlib.redirect_stdout(io.StringIO()) as said:
        for home, function, stage in WRAPPED:
            place = module(f"align.{home}")
            setattr(place, function, clock.wrapped(getattr(place, function), stage))
        _wrap_reduced(clock)
        wrapping = time.perf_counter() - begin
        module("align.cli.main").align_group.main(
            ["check", photo, "--json", "--picture", picture], standalone_mode=False
        )
    whole = time.perf_counter() - begin - wrapping
    json.loads(said.getvalue())  # it was an answer
    inside = sum(clock.seconds[stage] for stage in STAGES if stage != START)
    clock.seconds[REST] += whole - inside
    return {stage: clock.seconds[stage] for stage in (*STAGES, BESIDE)}


def _wrap_reduced(clock: Clock) -> None:
    """The reduced photo that markers are looked for in is a property, made when it is first asked for."""
    pyramid = importlib.import_module("align.sighting.pyramid").Pyramid
    reduced = cached_property(clock.wrapped(pyramid.reduced.func, DETECT))
    reduced.__set_name__(pyramid, "reduced")
    pyramid.reduced = reduced
    pyramid.markers = clock.wrapped(pyramid.markers, DETECT)


def stage_times(photo: Path, picture: Path, rounds: int) -> list[dict[str, float]]:
    """Seconds by stage of `rounds` fresh processes, after an unmeasured one."""
    found = []
    for _ in range(rounds + 1):
        command = [sys.executable, __file__, str(photo), str(picture), repr(time.time())]
        done = subprocess.run(command, capture_output=True, text=True, check=True, env=environment())
        found.append(json.loads(done.stdout))
    return found[1:]


if __name__ == "__main__":
    print(json.dumps(measure(sys.argv[1], sys.argv[2], float(sys.argv[3]))))

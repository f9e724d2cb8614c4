"""How often the live needle's ± holds the truth: many short films, each of a camera, sheet and mirror of its own.

    python -m tests.bench.needle [FILMS] [FIRST_SEED] [whole]

The pictures of one film share most of their error, so that shares held count films, not pictures. Each film has
14 frames of 1920 x 1080 px, 5 a second, of a mirror at rest, as `tests.support.film` draws them. The live engine is
led through it by a clock that stands still while the machine works: an answer takes a fifth of a second, a joint
solve 0.65 s, however busy the machine is. `whole`: the films of `tests.bench.live` instead, 15 answers in each of
their seconds, as an idle machine gives them. Prints errors and coverage of each film's needle, then of all.
"""

from __future__ import annotations

import sys
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from unittest import mock

import cv2
import numpy as np
from numpy.typing import NDArray

from align.photo.camera_feed import Frame
from align.records.installation import StatedMirror
from align.workbench import live
from align.workbench.live_solve import Job, Solved, solved
from align.workbench.session import Session
from tests.bench.live import SECONDS, film_for
from tests.support.film import MOVE_S, Scene, drawn_scene, frame_at
from tests.support.film_source import frame_of

FPS, FRAMES = 5.0, 14
#: Answers in a second of a whole film.
WHOLE_FPS = 15.0
#: What a joint solve of one frame takes on an idle machine, and each more [s].
SOLVE_S, EACH_S = 0.4, 0.25
QUALITY = 92

Array = NDArray[np.float64]


@dataclass
class Clock:
    """A clock that only the bench moves."""

    now_s: float = 100.0

    def monotonic(self) -> float:
        """Its time."""
        return self.now_s

    def sleep(self, seconds: float) -> None:
        """Nobody waits."""


class Later:
    """A result that is there from a time on."""

    def __init__(self, clock: Clock, due_s: float, found: Solved) -> None:
        self._clock, self._due_s, self._found = clock, due_s, found

    def done(self) -> bool:
        """Whether it is there."""
        return self._clock.now_s >= self._due_s

    def result(self) -> Solved:
        """It."""
        return self._found


def solver_by(clock: Clock) -> Callable[[], Any]:
    """A solver that answers by the clock."""

    class InTurn:
        def submit(self, job: Job) -> Later:
            due_s = clock.now_s + SOLVE_S + EACH_S * len(job.views)
            return Later(clock, due_s, solved(job.sighted, job.settings))

        def stop(self) -> None:
            """Nothing runs."""

    return InTurn


@dataclass(frozen=True, eq=False)
class Film:
    """What was answered: errors (n, 2) of lean and turn [deg] and half the intervals, of needles and numbers."""

    needle: Array
    needle_half: Array
    number: Array
    number_half: Array

    def held(self, which: str = "needle") -> Array:
        """(2,) the share that holds the truth."""
        errors, halves = getattr(self, which), getattr(self, f"{which}_half")
        return np.asarray((np.abs(errors) <= halves).mean(axis=0))


Frames = Iterator[tuple[float, NDArray[np.uint8]]]


def short_film(scene: Scene, seed: int) -> Frames:
    """Times and pictures of a mirror at rest."""
    for number in range(FRAMES):
        pixels = frame_at(scene, number / FPS, 1000 * seed + number)
        data = cv2.imencode(".jpg", pixels, [cv2.IMWRITE_JPEG_QUALITY, QUALITY])[1]
        yield number / FPS, np.asarray(cv2.imdecode(data, cv2.IMREAD_GRAYSCALE), np.uint8)


def whole_film(seed: int) -> tuple[Scene, Frames]:
    """A film of `tests.bench.live`, drawn where it is missing: its scene, and what is answered of it."""
    film = film_for(seed, 1.0)
    times = [number / WHOLE_FPS for number in range(int(SECONDS * WHOLE_FPS))]
    return film.scene, (
        (time_s, film.pixels(frame_of(round(time_s * WHOLE_FPS), WHOLE_FPS, film.fps))) for time_s in times
    )


def run(scene: Scene, frames: Frames, answer_s: float) -> Film | None:
    """One film, an answer taking so long; None where nothing was answered."""
    clock = Clock()
    rows: dict[str, list[tuple[float, float, float, float]]] = {"needle": [], "number": []}
    parts = {"time": clock, "Solver": solver_by(clock), "Newest": mock.Mock(), "threading": mock.Mock()}
    with tempfile.TemporaryDirectory() as folder, mock.patch.multiple(live, **parts):
        session = Session(Path(folder) / "record")
        session.save_mirror(StatedMirror(name="arcade mirror", width_mm=300, height_mm=150, exact_print=True))
        engine, numbers = live.Live(session, mock.Mock()), set[int]()
        for number, (time_s, pixels) in enumerate(frames, 1):
            frame = Frame(number, clock.now_s, pixels)
            clock.now_s += answer_s
            engine.step(frame)
            shown, truth = engine.shown, scene.mirror(time_s)
            if any(begin <= time_s <= begin + MOVE_S + 0.05 for begin in scene.moves_s):
                continue
            found = [("needle", shown.needles[0])] if shown.needles else []
            if shown.state == "still" and shown.number is not None and id(shown.number) not in numbers:
                numbers.add(id(shown.number))
                found.append(("number", shown.number.mirrors[0]))
            for name, mirror in found:
                both = (mirror.lean_deg, mirror.turn_deg)
                off = [quantity.value - true for quantity, true in zip(both, truth, strict=False)]
                rows[name].append((off[0], off[1], both[0].half_width, both[1].half_width))
        session.worker.stop(60)
    if not rows["needle"]:
        return None
    needle, numbered = (np.array(rows[name]).reshape(-1, 4) for name in ("needle", "number"))
    return Film(needle[:, :2], needle[:, 2:], numbered[:, :2], numbered[:, 2:])


def main(films: int, first_seed: int, whole: bool) -> None:
    """Draw, lead through, print."""
    found: list[Film] = []
    for seed in range(first_seed, first_seed + films):
        if whole:
            film = run(*whole_film(seed), 1 / WHOLE_FPS)
        else:
            scene = drawn_scene(seed, ())
            film = run(scene, short_film(scene, seed), 1 / FPS)
        if film is None:
            print(f"film {seed}: no answer", flush=True)
            continue
        found.append(film)
        print(
            f"film {seed}: {len(film.needle)} needles, mean error {_words(film.needle.mean(axis=0))}, "
            f"± {_words(film.needle_half.mean(axis=0))}, held {_words(100 * film.held(), 0)} %",
            flush=True,
        )
    for name in ("needle", "number"):
        of_all = [film for film in found if len(getattr(film, name))]
        shares = np.array([film.held(name) for film in of_all])
        errors = np.concatenate([getattr(film, name) for film in of_all])
        halves = np.concatenate([getattr(film, f"{name}_half") for film in of_all])
        print(
            f"{name}, {len(of_all)} films, {len(errors)} answers: rms error "
            f"{_words(np.sqrt((errors**2).mean(axis=0)))}, ± (median) {_words(np.median(halves, axis=0))}; the ± "
            f"holds the truth in {_words(100 * shares.mean(axis=0), 1)} %, standard error by films "
            f"{_words(100 * shares.std(axis=0, ddof=min(1, len(shares) - 1)) / np.sqrt(len(shares)), 1)} %"
        )


def _words(pair: Array, decimals: int = 4) -> str:
    return f"{pair[0]:.{decimals}f} lean, {pair[1]:.{decimals}f} turn"


if __name__ == "__main__":
    chosen = [int(word) for word in sys.argv[1:] if word != "whole"]
    main(*(chosen + [40, 3000][len(chosen) :]), "whole" in sys.argv)

"""How fast, how old and how right live answers are: films with known truth in which the mirror is moved twice.

    python -m tests.bench.live [FILMS] [FIRST_SEED] [PACE]

Each film has 360 frames of 1920 x 1080 px, 24 a second, from a hand-held camera of unknown focal length. It is
drawn once into the temporary folder, then given to the live engine by a source that stands in for a camera. Prints
answers a second, their age, errors and coverage of needle and number, and how soon a move was noticed. Rates and
ages mean something on an idle machine only. On a busy one, PACE 0.2 runs the film five times slower and gives
9 frames in each of its seconds: for errors, coverage and moves.
"""

from __future__ import annotations

import math
import os
import resource
import statistics
import sys
import tempfile
import time
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from align.records.installation import StatedMirror
from align.workbench.live import Live
from align.workbench.live_shown import LiveShown
from align.workbench.session import Session
from tests.support.film import MOVE_S, Film, drawn_scene, read_film, write_film
from tests.support.film_source import FilmSource, frame_of

FPS, SECONDS = 24.0, 15.0
#: Frames of a slowed film in each second of its own: what an idle machine answers, and a little less.
SLOWED_FPS = 9.0


@dataclass
class Said:
    """One answer: when the frame was taken in the film, when it was answered, what was shown."""

    film_s: float
    came_s: float
    shown: LiveShown
    thread_s: float


@dataclass
class Figures:
    """What came of all films."""

    rates: list[float] = field(default_factory=list)
    ages: list[float] = field(default_factory=list)
    processor: list[float] = field(default_factory=list)
    thread: list[float] = field(default_factory=list)
    needle_errors: list[tuple[float, float, bool, bool]] = field(default_factory=list)
    number_errors: list[tuple[float, float, bool, bool]] = field(default_factory=list)
    number_halves: list[tuple[float, float]] = field(default_factory=list)
    noticed: list[float] = field(default_factory=list)
    numbered: list[float] = field(default_factory=list)
    missing: list[float] = field(default_factory=list)
    missed: int = 0
    false: int = 0


def film_for(seed: int, pace: float) -> Film:
    """The film of a seed, drawn where it is missing; of a slowed one only the frames that are given."""
    folder = Path(tempfile.gettempdir()) / "align-films" / f"film-{seed}"
    given = {frame_of(step, SLOWED_FPS, FPS) for step in range(round(SLOWED_FPS * SECONDS) + 1)}
    given.add(round(FPS * SECONDS) - 1)
    write_film(folder, drawn_scene(seed), seed, FPS, SECONDS, only=lambda number: pace >= 1 or number in given)
    return read_film(folder)


def run(film: Film, folder: Path, pace: float) -> tuple[list[Said], float, float]:
    """Give a film to the live engine; what was said, when the sheet was taken away, and the processor time [s]."""
    session = Session(folder)
    session.save_mirror(StatedMirror(name="arcade mirror", width_mm=300, height_mm=150, exact_print=True))
    source = FilmSource(film, loop=False, hold_s=2.0, pace=pace, fps=SLOWED_FPS if pace < 1 else None)
    said: list[Said] = []
    used = _processor_s()

    def answered(shown: LiveShown) -> None:
        now = time.monotonic()
        said.append(Said(source.film_s(now - shown.age_s), now, shown, time.thread_time()))

    live = Live(session, source, answered)
    source.wait()
    live.stop()
    session.worker.stop(10)
    return said, source.emptied_s, _processor_s() - used


def _processor_s() -> float:
    own, children = resource.getrusage(resource.RUSAGE_SELF), resource.getrusage(resource.RUSAGE_CHILDREN)
    return own.ru_utime + own.ru_stime + children.ru_utime + children.ru_stime


def take(figures: Figures, film: Film, said: list[Said], processor_s: float, pace: float) -> None:
    """One film's answers into the figures."""
    scene = film.scene
    moving = [(begin, begin + MOVE_S) for begin in scene.moves_s]
    answers = [one for one in said if one.shown.needles]
    if len(answers) < 2:
        figures.missed += len(moving)
        return
    figures.rates.append((len(answers) - 1) / (answers[-1].came_s - answers[0].came_s))
    figures.ages += [one.shown.age_s for one in answers]
    figures.processor.append(processor_s / len(said))
    figures.thread.append((answers[-1].thread_s - answers[0].thread_s) / (len(answers) - 1))
    seen_numbers: set[int] = set()
    for one in answers:
        if any(begin <= one.film_s <= end + 0.05 for begin, end in moving):
            continue
        truth = scene.mirror(one.film_s)[:2]
        needle = one.shown.needles[0]
        figures.needle_errors.append(_errors(needle.lean_deg, needle.turn_deg, truth))
        number = one.shown.number
        if number is not None and one.shown.state == "still" and id(number) not in seen_numbers:
            seen_numbers.add(id(number))
            mirror = number.mirrors[0]
            figures.number_errors.append(_errors(mirror.lean_deg, mirror.turn_deg, truth))
            figures.number_halves.append((mirror.lean_deg.half_width, mirror.turn_deg.half_width))
    for begin, end in moving:
        after = [one for one in answers if begin <= one.film_s]
        first = next((one for one in after if one.shown.state == "moving"), None)
        if first is None or first.film_s > end + 3:
            figures.missed += 1
            continue
        figures.noticed.append(first.film_s + pace * first.shown.age_s - begin)
        still = (one for one in after if one.film_s > first.film_s and one.shown.state == "still")
        stand = next((one for one in still if one.shown.number is not None), None)
        if stand is not None:
            figures.numbered.append(stand.film_s + pace * stand.shown.age_s - end)
    stands = max(one.shown.stand for one in answers)
    figures.false += max(stands - 1 - len(moving), 0)


def _errors(lean: object, turn: object, truth: tuple[float, ...]) -> tuple[float, float, bool, bool]:
    held = [q.low <= value <= q.high for q, value in zip((lean, turn), truth, strict=True)]  # type: ignore[attr-defined]
    off = [q.value - value for q, value in zip((lean, turn), truth, strict=True)]  # type: ignore[attr-defined]
    return off[0], off[1], held[0], held[1]


def report(figures: Figures) -> str:
    """All figures in words."""
    lines = [f"{len(figures.rates)} films; load of the machine {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores"]
    lines.append(f"answers a second          {min(figures.rates):.1f} to {max(figures.rates):.1f}")
    ages = sorted(figures.ages)
    lines.append(
        f"age of answers            median {statistics.median(ages):.3f} s, 99 of 100 below "
        f"{ages[int(0.99 * len(ages))]:.3f} s, oldest {ages[-1]:.3f} s"
    )
    lines.append(
        f"processor time an answer  {statistics.median(figures.thread):.3f} s of the frames' thread, "
        f"{statistics.median(figures.processor):.3f} s in all, joint solves included"
    )
    for name, errors in (("needle", figures.needle_errors), ("number", figures.number_errors)):
        if not errors:
            continue
        rms = np.sqrt(np.mean([(a * a, b * b) for a, b, _, _ in errors], axis=0))
        held = np.mean([(a, b) for _, _, a, b in errors], axis=0)
        lines.append(
            f"{name}, {len(errors):5d} answers   rms error {rms[0]:.4f}° lean, {rms[1]:.4f}° turn; the ± holds the "
            f"truth in {100 * held[0]:.0f} % (lean) and {100 * held[1]:.0f} % (turn)"
        )
    if figures.number_halves:
        half = np.median(figures.number_halves, axis=0)
        lines.append(f"number's ±, median        {half[0]:.4f}° lean, {half[1]:.4f}° turn")
    lines.append(f"moves noticed   {len(figures.noticed)}, missed {figures.missed}, false {figures.false}")
    spans = (figures.noticed, figures.numbered, figures.missing)
    for name, times in zip(("begun to noticed", "at rest to its number", "sheet gone to said"), spans, strict=True):
        if times:
            lines.append(f"{name:<26}median {statistics.median(times):.2f} s, longest {max(times):.2f} s")
    return "\n".join(lines)


def main(films: int, first_seed: int, pace: float) -> None:
    """Draw, run, print."""
    figures = Figures()
    for seed in range(first_seed, first_seed + films):
        with tempfile.TemporaryDirectory() as folder:
            film = film_for(seed, pace)
            said, emptied_s, used = run(film, Path(folder) / "record", pace)
            gone = (one.came_s for one in said if one.came_s > emptied_s and one.shown.state == "no sheet")
            figures.missing.append(next(gone, math.inf) - emptied_s)
            said = [one for one in said if one.came_s < emptied_s]
            take(figures, film, said, used, pace)
            print(f"film {seed}: {len(said)} answers", flush=True)
    print(report(figures))


if __name__ == "__main__":
    numbers = [float(word) for word in sys.argv[1:]]
    chosen = numbers + [4.0, 101.0, 1.0][len(numbers) :]
    main(int(chosen[0]), int(chosen[1]), chosen[2])

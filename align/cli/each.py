"""`check --each`: every photo a check of its own, on all cores, answered in the order given."""

from __future__ import annotations

import os
import signal
import sys
import threading
from collections.abc import Iterator, Sequence
from concurrent.futures import BrokenExecutor, wait
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from ..errors import AlignError
from .answers import EXIT_CODES, Kept, kept_in, pictures_for, print_result, save_maps
from .errors import DEBUG_VARIABLE, EXIT_CANNOT_ANSWER, error_json, fault, say_error
from .streams import print_json

if TYPE_CHECKING:
    from ..checking.result import CheckResult
    from ..checking.settings import CheckSettings
    from ..records.filing import Filing

#: From good to bad, for the exit code of many: not knowing is worse than knowing it is out of true.
WORSE = (0, 3, 1)
#: An interrupt is noticed at the latest after so long; common practice, no source.
LISTEN_S = 0.1


@dataclass(frozen=True, eq=False)
class Answer:
    """One photo's outcome: a result, or the error that stood in its place."""

    photo: Path
    result: CheckResult | None = None
    picture: Path | None = None
    error: AlignError | None = None
    kept: Kept | None = None

    @property
    def exit_code(self) -> int:
        """As if this photo had been the only one."""
        return EXIT_CODES[self.result.verdict] if self.result is not None else EXIT_CANNOT_ANSWER


def check_each(
    photos: Sequence[Path], settings: CheckSettings, picture: Path | None, filing: Filing | None, as_json: bool
) -> int:
    """Check, print and record every photo; the worst exit code."""
    worst, answered = 0, []
    pictures = pictures_for(picture, len(photos)) if picture is not None else [None] * len(photos)
    jobs = list(zip(photos, pictures, strict=True))
    watched = sys.stderr.isatty() and len(photos) > 1
    for number, answer in enumerate(_answers(jobs, settings), 1):
        if watched:
            click.echo(f"photo {number} of {len(photos)}: {answer.photo.name}", err=True)
        if filing is not None and answer.result is not None:
            answer = _recorded(answer, filing)
        _print_answer(answer, as_json, first=number == 1, alone=len(photos) == 1)
        worst = max(worst, answer.exit_code, key=WORSE.index)
        answered.append(answer)
    if len(answered) > 1 and not as_json:
        click.echo("\n" + "\n".join(_table(answered)))
    return worst


def _table(answers: Sequence[Answer]) -> list[str]:
    """All answers once more, a line for each mirror of each photo."""
    from ..checking.wording import VERDICT_WORDS
    from ..drawing.thresholds import ANGLE_DECIMALS
    from ..drawing.wording import with_uncertainty

    rows = [("photo", "lean", "turn", "")]
    for answer in answers:
        if answer.result is None:
            rows.append((answer.photo.name, "", "", "no answer"))
            continue
        for mirror in answer.result.mirrors:
            which = f" ({mirror.number})" if len(answer.result.mirrors) > 1 else ""
            lean, turn = (with_uncertainty(q, "°", ANGLE_DECIMALS) for q in (mirror.lean_deg, mirror.turn_deg))
            rows.append((f"{answer.photo.name}{which}", lean, turn, VERDICT_WORDS[mirror.verdict]))
    widths = [max(len(row[column]) for row in rows) for column in range(3)]
    return [
        "  ".join((*(cell.ljust(width) for cell, width in zip(row[:3], widths, strict=True)), row[3])).rstrip()
        for row in rows
    ]


def _recorded(answer: Answer, filing: Filing) -> Answer:
    """The answer after it was put into the record, with the settings of its mirror, or why it was not."""
    from ..checking.job import check

    assert answer.result is not None
    try:
        filed = filing.settle(answer.result, lambda settings: check(answer.photo, settings))
        if answer.picture is not None and filed.result is not answer.result:
            from ..checking.picture import save_check_picture

            save_check_picture(filed.result, answer.picture, 0)
        return replace(answer, result=filed.result, kept=kept_in(filing, filed))
    except AlignError as error:
        return Answer(answer.photo, error=error)


def _print_answer(answer: Answer, as_json: bool, *, first: bool, alone: bool) -> None:
    if answer.error is not None:
        _print_error(answer.photo, answer.error, as_json)
    elif answer.result is not None:
        if not as_json and not alone:
            click.echo(("" if first else "\n") + f"== {answer.photo} ==\n")
        print_result(answer.result, [answer.picture] if answer.picture else [], as_json, answer.kept)
    sys.stdout.flush()


def _print_error(photo: Path, error: AlignError, as_json: bool) -> None:
    """An error that names its photo, in words or as JSON."""
    if as_json:
        print_json({**error_json(error), "file": str(photo)})
        return
    if photo.name not in error.message:
        error.message = f"{photo}: {error.message}"
    say_error(error, as_json=False)


def _answers(jobs: Sequence[tuple[Path, Path | None]], settings: CheckSettings) -> Iterator[Answer]:
    """Answers in the order of the jobs; after an interrupt those in hand, and one that says what is left."""
    left = 0
    with Interrupts() as interrupts:
        workers = min(len(jobs), _cores())
        for answer in (_one_by_one if workers < 2 else _side_by_side)(jobs, settings, interrupts):
            if answer is None:
                left += 1
            else:
                yield answer
        if left:
            words = f"Interrupted: {left} of {len(jobs)} photos were not checked."
            yield Answer(jobs[-1][0], error=AlignError(words, "Check the others again."))


def _one_by_one(
    jobs: Sequence[tuple[Path, Path | None]], settings: CheckSettings, interrupts: Interrupts
) -> Iterator[Answer | None]:
    """Answers worked out here; None for a photo that an interrupt left out."""
    for number, (photo, picture) in enumerate(jobs):
        yield None if number and interrupts.came else answer_photo(photo, picture, settings)


def _side_by_side(
    jobs: Sequence[tuple[Path, Path | None]], settings: CheckSettings, interrupts: Interrupts
) -> Iterator[Answer | None]:
    """Answers of one process for each core; None for a photo that an interrupt left out."""
    with _pool(min(len(jobs), _cores())) as pool:
        with _deaf_children():
            futures = [pool.submit(answer_photo, photo, picture, settings) for photo, picture in jobs]
        for number, ((photo, picture), future) in enumerate(zip(jobs, futures, strict=True)):
            while not (future.done() or interrupts.came):
                wait([future], timeout=LISTEN_S)
            if interrupts.came:
                for waiting in futures[number:]:
                    waiting.cancel()  # those that were begun cannot be, and are waited for
            broken = future.done() and not future.cancelled() and isinstance(future.exception(), BrokenExecutor)
            if broken and not interrupts.came:
                yield _alone(photo, picture, settings)
            else:
                yield None if future.cancelled() else _outcome(photo, future)


class Interrupts:
    """Ctrl-C noted in `came` rather than raised, so that none strikes between an answer and its printing.

    A second one raises as ever. Where none is heard (in a thread, in a shell's background), none is noted.
    """

    def __init__(self) -> None:
        self.came = False
        self._heard = False

    def __enter__(self) -> Interrupts:
        self._heard = (
            threading.current_thread() is threading.main_thread()
            and signal.getsignal(signal.SIGINT) is signal.default_int_handler
        )
        if self._heard:
            signal.signal(signal.SIGINT, self._note)
        return self

    def _note(self, *_: object) -> None:
        self.came = True
        signal.signal(signal.SIGINT, signal.default_int_handler)

    def __exit__(self, *_: object) -> None:
        if self._heard:
            signal.signal(signal.SIGINT, signal.default_int_handler)


@contextmanager
def _deaf_children() -> Iterator[None]:
    """Processes started inside never hear an interrupt, from their first instruction on."""
    if not hasattr(signal, "pthread_sigmask"):
        yield  # `_start_worker` makes them deaf
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _alone(photo: Path, picture: Path | None, settings: CheckSettings) -> Answer:
    """One photo's answer in a process of its own: when a worker dies, the photos of all others are lost with it."""
    with _pool(1) as pool:
        with _deaf_children():
            future = pool.submit(answer_photo, photo, picture, settings)
        return _outcome(photo, future)


def _outcome(photo: Path, future: Any) -> Answer:
    """A worker's answer; a worker that died (out of memory, say) costs its photo only an error."""
    try:
        answer: Answer = future.result()
    except Exception as error:
        if os.environ.get(DEBUG_VARIABLE):
            raise
        return Answer(photo, error=fault(error))
    return answer


@contextmanager
def _pool(workers: int) -> Iterator[Any]:
    """Fresh processes: a fork of one that has used OpenCV's threads may hang."""
    import multiprocessing
    from concurrent.futures import ProcessPoolExecutor

    if not os.environ.get(DEBUG_VARIABLE):  # where this process is killed, one that tidies up remarks on it
        os.environ.setdefault("PYTHONWARNINGS", "ignore:resource_tracker")
    methods = multiprocessing.get_all_start_methods()
    context = multiprocessing.get_context("forkserver" if "forkserver" in methods else "spawn")
    pool = ProcessPoolExecutor(workers, mp_context=context, initializer=_start_worker)
    try:
        yield pool
    except BaseException:  # a second Ctrl-C: nothing is waited for, and the workers end with this process
        pool.shutdown(wait=False, cancel_futures=True)
        raise
    pool.shutdown(wait=True, cancel_futures=True)


def _start_worker() -> None:
    """One thread for each worker, no libraries' asides, interrupts left to the parent, and an end with it."""
    import warnings

    threading.Thread(target=_end_with_parent, daemon=True).start()

    import cv2

    if not os.environ.get(DEBUG_VARIABLE):
        warnings.simplefilter("ignore")
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    cv2.setNumThreads(1)


def _end_with_parent() -> None:
    """End this process as soon as its parent has, however that came about.

    A worker waits for work for ever, and with it live the processes that started it; each holds the output open, so
    that who reads it would wait too.
    """
    import multiprocessing
    from multiprocessing.connection import wait as wait_for

    parent = multiprocessing.parent_process()
    if parent is not None:
        wait_for([parent.sentinel])
        os._exit(EXIT_CANNOT_ANSWER)


def _cores() -> int:
    """Cores that this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def answer_photo(photo: Path, picture: Path | None, settings: CheckSettings) -> Answer:
    """Check one photo and draw its picture; errors become part of the answer."""
    from ..checking.job import check

    try:
        result = check(photo, settings)
        if picture is not None:
            from ..checking.picture import save_check_picture

            save_check_picture(result, picture, 0)
            save_maps(result, picture)
        return Answer(photo, result, picture)
    except AlignError as error:
        return Answer(photo, error=error)
    except Exception as error:
        if os.environ.get(DEBUG_VARIABLE):
            raise
        return Answer(photo, error=fault(error))

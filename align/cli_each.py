"""`check --each`: every photo a check of its own, on all cores, answered in the order given."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from .cli_check import EXIT_CODES, add_to_record, check_keywords, pictures_for, print_result
from .cli_errors import DEBUG_VARIABLE, EXIT_CANNOT_ANSWER, error_json, fault, say_error
from .errors import AlignError

if TYPE_CHECKING:
    from .results import CheckResult

#: From good to bad, for the exit code of many: not knowing is worse than knowing it is out of true.
WORSE = (0, 3, 1)


@dataclass(frozen=True, eq=False)
class Answer:
    """One photo's outcome: a result, or the error that stood in its place."""

    photo: Path
    result: CheckResult | None = None
    picture: Path | None = None
    error: AlignError | None = None

    @property
    def exit_code(self) -> int:
        """As if this photo had been the only one."""
        return EXIT_CODES[self.result.verdict] if self.result is not None else EXIT_CANNOT_ANSWER


def check_each(photos: Sequence[Path], options: dict[str, Any], as_json: bool) -> int:
    """Check, print and record every photo; the worst exit code."""
    worst = 0
    picture = options["picture"]
    pictures = pictures_for(picture, len(photos)) if picture is not None else [None] * len(photos)
    jobs = list(zip(photos, pictures, strict=True))
    watched = sys.stderr.isatty() and len(photos) > 1
    for number, answer in enumerate(_answers(jobs, check_keywords(options)), 1):
        if watched:
            click.echo(f"photo {number} of {len(photos)}: {answer.photo.name}", err=True)
        if options["into"] is not None and answer.result is not None:
            answer = _recorded(answer, options)
        _print_answer(answer, as_json, first=number == 1, alone=len(photos) == 1)
        worst = max(worst, answer.exit_code, key=WORSE.index)
    return worst


def _recorded(answer: Answer, options: dict[str, Any]) -> Answer:
    """The answer after it was put into the record, or why it was not."""
    assert answer.result is not None
    try:
        add_to_record(options["into"], answer.result, options)
    except AlignError as error:
        return Answer(answer.photo, error=error)
    return answer


def _print_answer(answer: Answer, as_json: bool, *, first: bool, alone: bool) -> None:
    if answer.error is not None:
        _print_error(answer.photo, answer.error, as_json)
    elif answer.result is not None:
        if not as_json and not alone:
            click.echo(("" if first else "\n") + f"== {answer.photo} ==\n")
        print_result(answer.result, [answer.picture] if answer.picture else [], as_json)
    sys.stdout.flush()


def _print_error(photo: Path, error: AlignError, as_json: bool) -> None:
    """An error that names its photo, in words or as JSON."""
    if as_json:
        import json

        click.echo(json.dumps({**error_json(error), "file": str(photo)}))
        return
    if photo.name not in error.message:
        error.message = f"{photo}: {error.message}"
    say_error(error, as_json=False)


def _answers(jobs: Sequence[tuple[Path, Path | None]], keywords: dict[str, Any]) -> Iterator[Answer]:
    """Answers in the order of the jobs; an interrupt ends the work but keeps what is answered."""
    workers = min(len(jobs), _cores())
    if workers < 2:
        for photo, picture in jobs:
            yield answer_photo(photo, picture, keywords)
        return
    with _pool(workers) as pool:
        futures = [pool.submit(answer_photo, photo, picture, keywords) for photo, picture in jobs]
        done = 0
        try:
            for (photo, _), future in zip(jobs, futures, strict=True):
                answer = _outcome(photo, future)
                done += 1
                yield answer
        except KeyboardInterrupt:
            pool.shutdown(wait=True, cancel_futures=True)
            rest = zip(jobs[done:], futures[done:], strict=True)
            kept = [(photo, future) for (photo, _), future in rest if not future.cancelled()]
            yield from (_outcome(photo, future) for photo, future in kept)
            left = len(jobs) - done - len(kept)
            if left:
                words = f"Interrupted: {left} of {len(jobs)} photos were not checked."
                yield Answer(jobs[-1][0], error=AlignError(words, "Check the others again."))


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

    methods = multiprocessing.get_all_start_methods()
    context = multiprocessing.get_context("forkserver" if "forkserver" in methods else "spawn")
    pool = ProcessPoolExecutor(workers, mp_context=context, initializer=_start_worker)
    try:
        yield pool
    finally:
        pool.shutdown(wait=True, cancel_futures=True)


def _start_worker() -> None:
    """One thread for each worker, no libraries' asides, and interrupts left to the parent."""
    import signal
    import warnings

    import cv2

    if not os.environ.get(DEBUG_VARIABLE):
        warnings.simplefilter("ignore")
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    cv2.setNumThreads(1)


def _cores() -> int:
    """Cores that this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def answer_photo(photo: Path, picture: Path | None, keywords: dict[str, Any]) -> Answer:
    """Check one photo and draw its picture; errors become part of the answer."""
    from .check import check

    try:
        result = check(photo, **keywords)
        if picture is not None:
            from .figures import save_check_picture

            save_check_picture(result, picture, 0)
        return Answer(photo, result, picture)
    except AlignError as error:
        return Answer(photo, error=error)
    except Exception as error:
        if os.environ.get(DEBUG_VARIABLE):
            raise
        return Answer(photo, error=fault(error))

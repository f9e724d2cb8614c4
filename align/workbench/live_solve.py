"""The joint solve of a film's frames, in a process of its own: the frames' thread keeps its core meanwhile."""

from __future__ import annotations

import signal
from collections.abc import Sequence
from concurrent.futures import BrokenExecutor, Future, ProcessPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path

from ..bundle.adjustment import Adjustment
from ..bundle.photo_set import Sighted
from ..checking.job import check_sighted
from ..checking.result import CheckResult
from ..checking.settings import CheckSettings
from ..errors import AlignError
from ..optics.camera_model import CameraPrior, prior_from_focal
from ..photo.facts import Lens
from .live_stand import KeptView


@dataclass(frozen=True, eq=False)
class Job:
    """What is to be solved: the stand it belongs to in its film, its views, and them as sighted photos."""

    stand: int
    views: tuple[KeptView, ...]
    sighted: tuple[Sighted, ...]
    settings: CheckSettings
    film: int = 0


@dataclass(frozen=True, eq=False)
class Solved:
    """What came of it: an answer, or why there is none."""

    result: CheckResult | None = None
    adjustment: Adjustment | None = None
    message: str = ""
    remedy: str = ""


def prior_of(settings: CheckSettings, size: tuple[int, int]) -> CameraPrior:
    """What is known of a live camera: the camera file, else nothing but that its picture is whole.

    Raises
    ------
    AlignError : the file is for pictures of another size, or cannot be read.
    """
    from ..photo.camera_file import prior_for, read_camera_file
    from ..photo.read import Photo

    if settings.camera is None:
        return prior_from_focal(size, None)
    file = read_camera_file(settings.camera) if isinstance(settings.camera, Path) else settings.camera
    import numpy as np

    blank = Photo(Path("live picture"), np.zeros(size[::-1], np.uint8), None, None, "whole", "", "")
    return prior_for(file, blank)


def job_of(
    stand: int, views: Sequence[KeptView], size: tuple[int, int], prior: CameraPrior, settings: CheckSettings
) -> Job:
    """A job, the frames' light measured."""
    from ..photo.tone import light_of

    sighted = []
    for view in views:
        gray = view.picture.gray
        boards = (view.sighting.target, *view.sighting.reflections)
        sighting = replace(view.sighting, lights=tuple(light_of(gray, board.outline_px) for board in boards))
        sighted.append(Sighted(Path(f"frame {view.picture.number}"), size, prior, Lens(), sighting))
    return Job(stand, tuple(views), tuple(sighted), settings)


class Solver:
    """A process that solves one job at a time."""

    def __init__(self) -> None:
        self._pool = _pool()
        self._pool.submit(_warm)

    def submit(self, job: Job) -> Future[Solved]:
        """Begin a job."""
        try:
            return self._pool.submit(solved, job.sighted, job.settings)
        except BrokenExecutor:  # something ended the process
            self._pool = _pool()
            return self._pool.submit(solved, job.sighted, job.settings)

    def stop(self) -> None:
        """End the process, whatever it is at."""
        for process in list((getattr(self._pool, "_processes", None) or {}).values()):
            process.terminate()
        self._pool.shutdown(wait=True, cancel_futures=True)


def _pool() -> ProcessPoolExecutor:
    import multiprocessing

    context = multiprocessing.get_context("spawn")  # a fork of a process that has used OpenCV's threads may hang
    return ProcessPoolExecutor(1, mp_context=context, initializer=_ignore_interrupts)


def _ignore_interrupts() -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is for the server, which ends this process


def _warm() -> None:
    import importlib

    for name in ("scipy.special", "cv2"):
        importlib.import_module(name)


def solved(sighted: tuple[Sighted, ...], settings: CheckSettings) -> Solved:
    """The joint solve of a job."""
    try:
        result, adjustment = check_sighted(sighted, settings)
    except AlignError as error:
        return Solved(message=error.message, remedy=error.remedy)
    if adjustment.solution.state.layout.moved_sheet:
        return Solved(message="The sheet seems to have moved.", remedy="Let it lie still before the mirror.")
    return Solved(result, adjustment)

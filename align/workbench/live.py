"""The live camera: newest picture only, followed; a needle for each frame, a number for each stand.

Two answers, which the page keeps apart. The **needle** is one frame: pose and mirror solved from it with camera,
glass and shapes held as the last joint solve left them. The **number** is a joint solve of frames from different
places since the mirror last moved, all of camera, sheet and glass free and shared: the same solve as of photos.
"""

from __future__ import annotations

import math
import threading
import time
from collections import deque
from collections.abc import Callable
from concurrent.futures import BrokenExecutor, Future
from dataclasses import replace

import numpy as np

from ..checking.result import CheckResult, MirrorResult
from ..checking.settings import CheckSettings
from ..errors import AlignError
from ..photo.camera_feed import Frame, Newest, Source
from ..quantity import Quantity
from ..sighting.boards import Board
from ..sighting.photo import Sighting
from ..sighting.tracking import Follower, quick_look
from ..solve.following import MOVES, Anchor, FrameSolution
from ..solve.forward_model import DIRECT, State
from ..solve.problem import View
from . import thresholds
from .live_shown import STATE_WORDS, LiveShown, LiveState
from .live_solve import Job, Solved, Solver, job_of, prior_of
from .live_stand import KeptView, StandWatch, Views
from .session import Session, Table
from .stand import Stand

#: How long the frames' thread waits for one before it looks whether it is to end [s].
LISTEN_S = 0.25
#: JPEG quality and longest side of the frames that are kept: as they came.
KEPT_QUALITY, KEPT_PX = 95, 10_000
#: The process that solves may be ended from outside so often before that is said. A choice.
MOST_BROKEN = 3
BROKEN = "The numbers cannot be worked out: the process that does it was ended again and again."


class Live:
    """Follows what a camera shows of the attended mirror, until it is stopped.

    shown : the newest moment, replaced as a whole; answered : called with each, from this object's own thread
    """

    def __init__(
        self, session: Session, source: Source, answered: Callable[[LiveShown], None] = lambda shown: None
    ) -> None:
        self.session, self.answered = session, answered
        self.shown = LiveShown("no picture", heading=STATE_WORDS["no picture"][0])
        self._newest = Newest(source)
        self._solver = Solver()
        self._job: tuple[Job, Future[Solved]] | None = None
        self._broken = 0
        self._stopped = False
        self._times: deque[float] = deque(maxlen=20)
        self._table: Table | None = None
        self._mirror: object = None
        self._begin_anew()
        self._thread = threading.Thread(target=self._run, name="live", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """Answer no more; camera and process are given back."""
        self._stopped = True
        self._newest.stop()
        self._thread.join(0.5)
        self._solver.stop()

    # The frames' thread -------------------------------------------------------------------------------

    def _run(self) -> None:
        number, last = 0, time.monotonic()
        while not self._stopped:
            frame = self._newest.after(number, LISTEN_S)
            if frame is None:
                if time.monotonic() - last > thresholds.LIVE_NO_PICTURE_S:
                    self._say("no picture", None)
                continue
            number, last = frame.number, frame.came_s
            try:
                self.step(frame)
            except AlignError as error:
                self._say("refused", frame, error.message, error.remedy)
                time.sleep(LISTEN_S)
            except Exception as error:  # a fault of ours costs this frame, not the bench
                self._say("refused", frame, f"This is a fault in align: {type(error).__name__}: {error}")
                self._begin_anew()
                time.sleep(LISTEN_S)

    def step(self, frame: Frame) -> None:
        """All that one frame asks for; `shown` then tells of it."""
        self._attend()
        self._answer(frame)
        self._take_solved()
        self._give_job()
        self._settle()

    def _begin_anew(self) -> None:
        """Forget what was followed and solved: another mirror, other settings, or a camera that changed."""
        self._follower: Follower | None = None
        self._anchor: Anchor | None = None
        self._anchor_result: CheckResult | None = None
        self._state: State | None = None
        self._watch, self._views = StandWatch(), Views()
        self._pending: deque[tuple[Sighting, Frame, np.ndarray]] = deque()
        self._number: CheckResult | None = None
        self._solved: Solved | None = None
        self._solved_job: Job | None = None
        self._given: tuple[int, ...] = ()
        self._next_job_s = self._searched_s = self._rest_s = 0.0
        self._settled: str | None = None
        self._misfits = 0
        self._film = getattr(self, "_film", 0) + 1

    def _attend(self) -> None:
        """Take up the mirror that the session attends to, and what is stated of it now."""
        table = self.session.attended
        mirror = None if table is None else table.mirror
        if table is self._table and mirror is self._mirror:
            return
        self._table, self._mirror = table, mirror
        self._begin_anew()
        self._settings = CheckSettings() if table is None else self.session.settings(table.mirror)

    def _answer(self, frame: Frame) -> None:
        """One frame, from its pixels to the needle."""
        if self._table is None:
            self._say("no mirror", frame)
            return
        gray = frame.gray
        size = (gray.shape[1], gray.shape[0])
        sighting = self._look(frame, size)
        if sighting is None:
            return
        if self._anchor is None:
            self._views.offer(sighting, frame, size)
            if self.shown.state != "refused":
                self._say("measuring", frame)
            return
        solved = self._solve(sighting)
        if solved is None:
            return
        self._state = solved.state
        if self._watch.add(solved):
            self._new_stand()
        self._keep(sighting, frame, size)
        self._say(self._watch.motion, frame, needles=self._needles(solved))

    def _look(self, frame: Frame, size: tuple[int, int]) -> Sighting | None:
        """Sheet and reflections in a frame, followed or looked for; None where one is missing, which is said."""
        gray = frame.gray
        if self._follower is None:
            target, reflections = self._found(frame, size)
            if target is None or not reflections:
                self._watch.lost()
                self._say("no sheet" if target is None else "no reflection", frame)
                return None
            self._follower = Follower(gray, target, reflections)
            return Sighting(target.sheet, target, tuple(reflections))
        seen = self._follower.step(gray, self._guess)
        if seen.target is None or any(board is None for board in seen.reflections):
            self._watch.lost()
            self._pending.clear()
            self._say("no sheet" if seen.target is None else "no reflection", frame)
            if seen.target is None or self._may_search():
                self._follower = None
            return None
        found = tuple(board for board in seen.reflections if board is not None)
        return Sighting(seen.target.sheet, seen.target, found)

    def _found(self, frame: Frame, size: tuple[int, int]) -> tuple[Board | None, list[Board]]:
        """By a glance; now and then thoroughly."""
        settings = self._settings
        if settings.own_board is None:
            target, reflections = quick_look(frame.gray, scale=settings.print_scale)
            if target is not None and reflections:
                return target, reflections
        else:
            target = None
        if not self._may_search():
            return target, []
        self._say("no sheet" if target is None else "no reflection", frame)  # the search takes up to a second
        from pathlib import Path

        from ..photo.read import Photo
        from ..sighting.photo import sight

        photo = Photo(Path("the picture"), frame.gray, None, None, "whole", "", "")
        try:
            found = sight(photo, prior_of(settings, size), own_board=settings.own_board, scale=settings.print_scale)
        except AlignError:
            return target, []
        return found.target, list(found.reflections)

    def _may_search(self) -> bool:
        """Whether it is time for a thorough search."""
        now = time.monotonic()
        if now - self._searched_s < thresholds.LIVE_SEARCH_EVERY_S:
            return False
        self._searched_s = now
        return True

    def _guess(self, target: Board, mirror: int) -> np.ndarray | None:
        """Where a lost reflection must be, the mirror where it was."""
        if self._anchor is None or self._state is None:
            return None
        state = self._anchor.start(self._state, target.corner_ids, target.pixels)
        return self._anchor.homography(state, mirror)

    def _solve(self, sighting: Sighting) -> FrameSolution | None:
        anchor = self._anchor
        assert anchor is not None
        if anchor.sheet.name != sighting.sheet.name or anchor.problem.layout.mirrors != len(sighting.reflections):
            self._begin_anew()
            return None
        solved = frame_solution(anchor, self._state, sighting)
        if solved is None or solved.misfit > thresholds.LIVE_MISFIT:
            self._misfits += 1
            if self._misfits >= thresholds.LIVE_MISFITS:
                self._begin_anew()
            return None
        self._misfits = 0
        return solved

    def _keep(self, sighting: Sighting, frame: Frame, size: tuple[int, int]) -> None:
        """Offer frames to the joint solve, once those after them have shown that the mirror stood still."""
        if self._watch.motion == "moving":
            self._pending.clear()
            return
        assert self._state is not None
        eye = self._state.eye(0)
        if not self._views.kept:
            self._views.offer(sighting, frame, size, eye)
            return
        self._pending.append((sighting, frame, eye))
        if len(self._pending) > thresholds.LIVE_LONG_FRAMES:
            sighting, frame, eye = self._pending.popleft()
            self._views.offer(sighting, frame, size, eye)

    def _new_stand(self) -> None:
        self._views, self._number, self._solved, self._settled = Views(), None, None, None
        self._pending.clear()
        self._given, self._next_job_s, self._rest_s = (), 0.0, time.monotonic()

    def _needles(self, solved: FrameSolution) -> tuple[MirrorResult, ...]:
        result = self._number or self._anchor_result
        if result is None or self._anchor is None:
            return ()
        scatter = np.tile(thresholds.LIVE_SCATTER, len(result.mirrors)) ** 2
        half = self._anchor.solution.quantile * np.sqrt(np.diag(solved.covariance) + scatter)
        needles = []
        for number, mirror in enumerate(result.mirrors):
            lean, turn = (
                _degrees(float(solved.moves[MOVES * number + k]), float(half[MOVES * number + k])) for k in (0, 1)
            )
            whole = 360.0 * round((turn.value - mirror.want_turn_deg) / 360.0)
            turn = Quantity(turn.value - whole, turn.low - whole, turn.high - whole)
            needles.append(replace(mirror, lean_deg=lean, turn_deg=turn))
        return tuple(needles)

    # The joint solve ----------------------------------------------------------------------------------

    def _give_job(self) -> None:
        """Have the stand's views solved together, when there is something new in them."""
        if self._job is not None or self._table is None or time.monotonic() < self._next_job_s:
            return
        views = self._views.kept
        told = (self._watch.stand, self._views.changed, *(view.frames.bit_length() for view in views))
        if not views or told == self._given or (self._anchor is not None and self._watch.motion == "moving"):
            return
        gray = views[0].picture.gray
        size = (gray.shape[1], gray.shape[0])
        job = job_of(self._watch.stand, views, size, prior_of(self._settings, size), self._settings)
        self._given, self._job = told, (replace(job, film=self._film), self._solver.submit(job))

    def _take_solved(self) -> None:
        """Take up what came of a job: the number of its stand, and what the frames hold from now on."""
        if self._job is None or not self._job[1].done():
            return
        (job, future), self._job = self._job, None
        self._next_job_s = time.monotonic() + thresholds.LIVE_SOLVE_EVERY_S
        try:
            solved = future.result()
        except (BrokenExecutor, OSError):
            self._given, self._broken = (), self._broken + 1
            if self._broken > MOST_BROKEN:
                self._next_job_s = math.inf
                raise AlignError(BROKEN, "End this program with Ctrl-C and begin it again.") from None
            return
        if job.film != self._film:
            return
        if solved.result is None or solved.adjustment is None:
            if self._anchor is None:
                self._views, self._given = Views(), ()
                raise AlignError(solved.message, solved.remedy)
            return
        first = self._anchor is None
        if not first and job.stand != self._watch.stand:
            return
        item = job.sighted[0]
        self._anchor = Anchor(solved.adjustment.sheet, solved.adjustment.solution, item.prior)
        self._anchor_result, self._state = solved.result, None
        if first:
            self._views, self._given = Views(), ()
            return
        self._number, self._solved, self._solved_job = solved.result, solved, job
        again = [frame_solution(self._anchor, None, view.sighting) for view in job.views]
        self._watch.anchored_anew([frame for frame in again if frame is not None])

    def _settle(self) -> None:
        """Hand a stand's answer to the series and the record, once; again where a better one decides otherwise."""
        solved, job, table = self._solved, self._solved_job, self._table
        if solved is None or job is None or table is None or self._watch.motion == "moving":
            return
        assert solved.result is not None
        rested = time.monotonic() - self._rest_s
        if len(job.views) < thresholds.LIVE_SETTLED_VIEWS and rested < thresholds.LIVE_SETTLED_S:
            return
        if self._settled == solved.result.verdict:
            return
        self._settled = solved.result.verdict
        self.session.worker.put(
            table.key,
            "the camera's answer",
            lambda ticket: keep_stand(self.session, table, job.views, job, solved),
            quiet=True,
        )

    # What is shown ------------------------------------------------------------------------------------

    def _say(
        self,
        state: LiveState,
        frame: Frame | None,
        message: str = "",
        remedy: str = "",
        needles: tuple[MirrorResult, ...] = (),
    ) -> None:
        now, before = time.monotonic(), self.shown
        if frame is not None:
            self._times.append(now)
        span = self._times[-1] - self._times[0] if len(self._times) > 1 else 0.0
        heading, words = STATE_WORDS[state]
        if state == "still" and self._number is not None:
            heading, words = "", ""
        shown = LiveShown(
            state,
            table="" if self._table is None else self._table.key,
            heading=heading,
            words=f"{message} {remedy}".strip() if state == "refused" else words,
            needles=needles,
            tolerance_deg=self._settings.tolerance_deg if self._table is not None else 0.1,
            number=self._number,
            views=len(self._solved_job.views) if self._number is not None and self._solved_job else 0,
            frames=self._watch.frames,
            age_s=0.0 if frame is None else now - frame.came_s,
            rate_hz=(len(self._times) - 1) / span if span > 0 else 0.0,
            stand=self._watch.stand,
            structure=before.structure,
            sequence=before.sequence + 1,
        )
        if _structure(shown) != _structure(before):
            shown = replace(shown, structure=before.structure + 1)
        self.shown = shown
        self.answered(shown)


def frame_solution(anchor: Anchor, state: State | None, sighting: Sighting) -> FrameSolution | None:
    """A frame's own solve, from the last one's state."""
    boards = [(DIRECT, sighting.target), *enumerate(sighting.reflections)]
    views = [View(0, mirror, board.corner_ids, board.pixels, board.covariance) for mirror, board in boards]
    start = anchor.start(state, sighting.target.corner_ids, sighting.target.pixels)
    return anchor.solve(start, views)


def keep_stand(session: Session, table: Table, views: tuple[KeptView, ...], job: Job, solved: Solved) -> None:
    """A stand into series and record, with the frames that it was solved from."""
    from ..drawing.captioned import as_jpeg

    assert solved.result is not None
    assert solved.adjustment is not None
    frames = [as_jpeg(view.picture.rgb, KEPT_PX, KEPT_QUALITY) for view in views]
    stand = Stand(1, (), job.sighted, solved.result, solved.adjustment.solution)
    session.settle_film(table, frames, stand)


def _structure(shown: LiveShown) -> tuple[object, ...]:
    return shown.state, shown.table, shown.words, shown.number, shown.stand, len(shown.needles)


def _degrees(value: float, half: float) -> Quantity:
    return Quantity(math.degrees(value), math.degrees(value - half), math.degrees(value + half))

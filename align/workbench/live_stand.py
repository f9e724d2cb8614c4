"""Frames of a film between two moves of the mirror: has it moved, and which frames to solve together."""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from ..sighting.boards import Board
from ..sighting.photo import Sighting
from ..solve.following import MOVES, FrameSolution
from . import thresholds

Array = NDArray[np.float64]
Motion = Literal["still", "moving"]


class StandWatch:
    """Tells from the frames' own solves whether the mirrors stand still; `stand` counts the stands from 1.

    What errs alike in all frames drops out of their differences: a frame's solve holds camera, glass and shapes,
    and only as far as another place of the camera changes their part does that count.
    """

    def __init__(self) -> None:
        self.motion: Motion = "moving"
        self.stand = 0
        self.frames = 0
        self._reference: list[FrameSolution] = []
        self._recent: deque[FrameSolution] = deque(maxlen=thresholds.LIVE_LONG_FRAMES)

    def add(self, frame: FrameSolution) -> bool:
        """One more frame; whether a new stand began with it."""
        self._recent.append(frame)
        if self.motion == "moving":
            return self._settles()
        self.frames += 1
        short = list(self._recent)[-thresholds.LIVE_SHORT_FRAMES :]
        moved = any(
            len(window) >= thresholds.LIVE_SHORT_FRAMES and differ(self._reference, window)
            for window in (short, list(self._recent))
        )
        if moved:
            self.motion = "moving"
            self._recent = deque(short[-1:], maxlen=self._recent.maxlen)
        elif len(self._recent) == self._recent.maxlen and len(self._reference) < thresholds.LIVE_REFERENCE_FRAMES:
            self._reference.append(self._recent[0])
        return False

    def _settles(self) -> bool:
        """Whether the last frames agree with one another; they then are a stand, the one before or a new one."""
        count = thresholds.LIVE_SETTLE_FRAMES
        last = list(self._recent)[-count:]
        if len(last) < count or differ(last[: count // 2], last[count // 2 :], alarm=thresholds.LIVE_UNREST):
            return False
        self.motion = "still"
        self._recent.clear()
        if self._reference and not differ(self._reference, last):
            return False  # something passed before the camera
        self._reference, self.stand, self.frames = last, self.stand + 1, count
        return True

    def anchored_anew(self, frames: Sequence[FrameSolution]) -> None:
        """The present stand's frames as a better joint solve has them, with which the next are compared."""
        self._reference = list(frames)
        self._recent.clear()

    def lost(self) -> None:
        """Nothing is seen any more: what comes next has to settle first."""
        self.motion = "moving"
        self._recent.clear()


def differ(first: Sequence[FrameSolution], second: Sequence[FrameSolution], alarm: float | None = None) -> bool:
    """Whether two sets of frames show mirrors in different places: beyond chance, and beyond a frame's own faults.

    The quadratic form of the means' difference follows chi-square. alarm : how often chance alone may exceed it
    """
    from scipy.special import chdtrc

    means = [np.mean([frame.moves for frame in frames], axis=0) for frames in (first, second)]
    off = means[1] - means[0]
    mirrors = len(off) // MOVES
    off[1::MOVES] = (off[1::MOVES] + np.pi) % (2 * np.pi) - np.pi
    covariance = np.diag(np.tile(np.array(thresholds.LIVE_FLOOR) ** 2, mirrors))
    for frames in (first, second):
        covariance = covariance + np.mean([frame.noise for frame in frames], axis=0) / len(frames)
    by = [np.mean([frame.by_held for frame in frames], axis=0) for frames in (first, second)]
    apart = by[1] - by[0]
    covariance = covariance + apart @ first[0].held @ apart.T
    chi_square = float(off @ np.linalg.solve(covariance, off))
    return bool(chdtrc(len(off), chi_square) < (thresholds.LIVE_ALARM if alarm is None else alarm))


@dataclass(frozen=True, eq=False)
class KeptView:
    """One view of a stand: its corners, the mean of so many frames from one place, and the frame to keep of it.

    eye_mm : (3,) where the camera was, in the target frame; None where that was not known yet
    """

    sighting: Sighting
    frames: int
    picture: Any
    eye_mm: Array | None = None


class Views:
    """The views of one stand that are solved together: few, and from places as different as there are.

    Frames from nearly one place are no further views: what their corners err by alike, lens, print and matching, is
    as large as their noise, and no number of them takes it away. Those of a camera that stands are averaged and
    count as one, whose uncertainty the joint solve takes from its misfit; those of a hand that sways add nothing.
    """

    def __init__(self) -> None:
        self.kept: list[KeptView] = []
        self.changed = 0

    def offer(self, sighting: Sighting, picture: Any, size: tuple[int, int], eye_mm: Array | None = None) -> None:
        """One more frame; kept where it adds something."""
        least, same = thresholds.LIVE_APART_SHARE, thresholds.LIVE_SAME_SHARE * max(size)
        view = KeptView(sighting, 1, picture, eye_mm)
        distances = [apart_share(view, other) for other in self.kept]
        nearest = int(np.argmin(distances)) if distances else -1
        if distances and apart_px(sighting, self.kept[nearest].sighting) < same:
            self.kept[nearest] = _merged(self.kept[nearest], sighting)
            return
        if len(self.kept) < thresholds.MOST_JOINED:
            if not distances or distances[nearest] >= least:
                self._take([*self.kept, view])
        elif distances[nearest] > thresholds.LIVE_FARTHER * least:
            self._take(_spread([*self.kept, view]))

    def _take(self, views: list[KeptView]) -> None:
        if any(view not in self.kept for view in views):
            self.kept, self.changed = views, self.changed + 1


def apart_px(first: Sighting, second: Sighting) -> float:
    """Median distance of two frames' corners [px]; infinite where they share too few."""
    distances = []
    for one, two in zip((first.target, *first.reflections), (second.target, *second.reflections), strict=False):
        common, a, b = np.intersect1d(one.corner_ids, two.corner_ids, return_indices=True)
        if len(common):
            distances.append(np.linalg.norm(one.pixels[a] - two.pixels[b], axis=1))
    return float(np.median(np.concatenate(distances))) if distances else float("inf")


def apart_share(first: KeptView, second: KeptView) -> float:
    """How far two views' cameras are apart, as a share of their distance; 0 where a place is not known."""
    if first.eye_mm is None or second.eye_mm is None:
        return 0.0
    far = (np.linalg.norm(first.eye_mm) + np.linalg.norm(second.eye_mm)) / 2
    return float(np.linalg.norm(first.eye_mm - second.eye_mm) / far)


def _spread(views: list[KeptView]) -> list[KeptView]:
    """The views without the one that has the nearest fellow; the first stays."""
    count = len(views)
    between = np.full((count, count), np.inf)
    for i in range(count):
        for j in range(i):
            between[i, j] = between[j, i] = apart_share(views[i], views[j])
    pair = sorted(int(number) for number in np.unravel_index(int(np.argmin(between)), between.shape))
    without = pair[1] if pair[0] == 0 else pair[0]
    return views[:without] + views[without + 1 :]


def _merged(view: KeptView, sighting: Sighting) -> KeptView:
    """A view with one more frame in its mean; as it was where the frame shows other corners."""
    boards = [(view.sighting.target, sighting.target)]
    boards += list(zip(view.sighting.reflections, sighting.reflections, strict=False))
    if len(boards) != 1 + len(view.sighting.reflections) or view.frames >= thresholds.LIVE_MOST_IN_MEAN:
        return view
    if not all(np.array_equal(old.corner_ids, new.corner_ids) for old, new in boards):
        return view
    target, *reflections = (_mean(old, new, view.frames) for old, new in boards)
    merged = replace(view.sighting, target=target, reflections=tuple(reflections))
    return replace(view, sighting=merged, frames=view.frames + 1)


def _mean(old: Board, new: Board, count: int) -> Board:
    return replace(old, pixels=(old.pixels * count + new.pixels) / (count + 1))

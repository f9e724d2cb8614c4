"""Has the mirror moved between two sets of photos? A test of congruency on their joint solve, not the clock."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ..bundle.moved import part_to_compare
from ..optics.camera_model import CameraPrior
from ..solve.forward_model import DIRECT
from ..solve.initial_guess import Hint
from ..solve.joint import Solution, View, solve
from ..target.sheets import Sheet
from .thresholds import CHANGE_LEVEL

Array = NDArray[np.float64]
#: Of a mirror's parameters those that a move changes: lean, turn, offset. The fourth, its glass, stays as it is.
MOVES = 3


@dataclass(frozen=True, eq=False)
class Change:
    """How a later set of photos differs from an earlier one, all mirrors one after the other.

    difference : (3 m,) lean, turn [rad], offset [mm] of each mirror, later less earlier
    covariance : (3 m, 3 m) of the difference; degrees : of freedom of the noise in it
    probability : that chance alone makes so large a difference
    """

    difference: Array
    covariance: Array
    degrees: float
    probability: float

    @property
    def moved(self) -> bool:
        """Whether the mirror (or the sheet, against which everything is measured) has moved."""
        return self.probability < CHANGE_LEVEL


def congruency(difference: Array, covariance: Array, degrees: float) -> Change:
    """Test a difference against none at all.

    The quadratic form of the difference over its length follows Fisher's F with its length and the noise's
    degrees of freedom. Source: the global congruency test of deformation analysis, H. Pelzer, Zur Analyse
    geodaetischer Deformationsmessungen, Deutsche Geodaetische Kommission C 164 (1971); as a test of a linear
    hypothesis: G. A. F. Seber, Linear Regression Analysis (1977), chapter 4. Both from memory.
    """
    from scipy.special import fdtrc

    length = len(difference)
    statistic = float(difference @ np.linalg.solve(covariance, difference)) / length
    return Change(difference, covariance, degrees, float(fdtrc(length, degrees, max(statistic, 0.0))))


def change_between(sheet: Sheet, earlier: Solution, later: Solution, prior: CameraPrior) -> Change | None:
    """Whether mirrors stand alike in two sets of photos of one camera; None where their numbers differ.

    Both sets are solved together, each with mirrors of its own but with one camera and one sheet. So what errs
    alike in both, the camera's focal length and the sheet's bow above all, is in the covariance between them
    and drops out of the difference.

    Parameters
    ----------
    earlier, later : the sets' own solutions; prior : of their camera, as those began with
    """
    mirrors = earlier.state.layout.mirrors
    if later.state.layout.mirrors != mirrors:
        return None
    photos = earlier.state.layout.photos
    views = (*earlier.views, *(_moved_on(view, photos, mirrors) for view in later.views))
    poses = [earlier.state.cam_from_target(n) for n in range(photos)]
    poses += [later.state.cam_from_target(n) for n in range(later.state.layout.photos)]
    hint = Hint(earlier.camera, tuple(poses), max(earlier.rms_px(), later.rms_px()))
    both = solve(sheet, views, prior, later.constraints.of_the_print, hint=hint)
    moves, glass = [], []
    beyond = np.zeros((MOVES * mirrors, MOVES * mirrors))
    for mirror in range(mirrors):
        layout, pair = both.state.layout, (mirror, mirrors + mirror)
        where = slice(MOVES * mirror, MOVES * (mirror + 1))
        rows = np.zeros((MOVES + 1, layout.size))
        for number, sign in zip(pair, (-1.0, 1.0), strict=True):
            rows[:, layout.mirror(number)] = sign * np.eye(MOVES + 1)
        for number, by_bend, further in _bends_over_one_part(both, pair):
            rows[:MOVES, layout.bend(number)] = by_bend * (-1.0 if number == mirror else 1.0)
            beyond[where, where] += further
        moves.append(rows[:MOVES])
        glass.append(rows[MOVES:])
    by = np.concatenate([*moves, *glass])
    difference, covariance = _glass_kept(by @ both.state.vector, by @ both.covariance @ by.T, MOVES * mirrors)
    return congruency(difference, covariance + beyond, both.degrees)


def _bends_over_one_part(both: Solution, pair: tuple[int, int]) -> Iterator[tuple[int, Array, Array]]:
    """For each of a mirror's two numbers: how its bend changes its mean plane over a part that both are compared
    over, and the covariance of what lies beyond its own part. Nothing where mirrors were taken for flat."""
    bends = [bend for number in pair if (bend := both.bend(number)) is not None]
    if not bends:
        return
    part = part_to_compare(*(bend.face for bend in bends))
    curvature = max(bend.curvature_per_mm for bend in bends)
    for number, bend in zip(pair, bends, strict=True):
        yield number, bend.by_bend(part), bend.beyond(part, curvature)


def _glass_kept(difference: Array, covariance: Array, moves: int) -> tuple[Array, Array]:
    """The difference given that no glass grew thicker: the Gaussian of the first `moves` entries, conditioned."""
    across, glass = covariance[:moves, moves:], covariance[moves:, moves:]
    known = np.diag(glass) <= 0  # a thickness that the solve did not free
    glass = glass + np.diag(np.where(known, 1.0, 0.0))
    gain = np.linalg.solve(glass, across.T).T
    return difference[:moves] - gain @ difference[moves:], covariance[:moves, :moves] - gain @ across.T


def _moved_on(view: View, photos: int, mirrors: int) -> View:
    """A view of the later set under numbers behind those of the earlier one."""
    mirror = view.mirror if view.mirror == DIRECT else view.mirror + mirrors
    return replace(view, photo=view.photo + photos, mirror=mirror)

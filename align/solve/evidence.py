"""The corners' marginal likelihood of each choice of a shape's scales, and the search for the likeliest.

Sources: D. J. C. MacKay, Bayesian interpolation, Neural Computation 4 (1992) 415 (evidence of linear models, scales
of priors).
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from .forward_model import DIRECT
from .shape_choice import Choice, print_sds
from .sheet_shape import CURL_COLUMNS, Curl
from .thresholds import (
    BEND_CURVATURES_PER_MM,
    BOW_LEVELS_MM,
    CURL_LEVELS_MM,
    CURL_LIKELIHOODS,
    MOST_CURLS,
    PRINT_LEVELS,
)

Array = NDArray[np.float64]
#: Curls of the catalogue that are weighed in full, of those that a quick look says help most.
CURLS_TRIED = 6
#: Rounds of changes, one at a time, in which the best scales are looked for.
MOST_ROUNDS = 8
#: Alternatives less likely than this share of the best are not averaged.
LEAST_SHARE = 0.01
OPPOSITE = {"far": "near", "left": "right"}
#: Levels of the bow, the lowest, at which a sheet is flat but for its curls: where it curls it does not bow as
#: well, for what touches the floor would not be told by the corners.
FLAT_BOW_LEVELS = 2


@dataclass(frozen=True, eq=False)
class Fitted:
    """A choice's linear fit: log evidence, step and covariance, noise scales.

    Steps are of the `active` entries of the vector first, then CURL_COLUMNS of each curl.
    """

    choice: Choice
    log_evidence: float
    step: Array
    covariance: Array
    active: NDArray[np.int64]
    scales: tuple[float, float]


@dataclass(frozen=True, eq=False)
class Block:
    """One view's corners with a flat shape, whitened, both coordinates after one another.

    residual : (m,); jacobian : (m, p); upwards : (m,) by the height of each corner; ids : (m,) of the corners.
    """

    mirror: int
    residual: Array
    jacobian: Array
    upwards: Array
    ids: NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class Wheres:
    """Places of the shape's parameters, curls apart, in the vector."""

    bow: NDArray[np.int64]
    print: NDArray[np.int64]
    bend: tuple[NDArray[np.int64], ...]


class Evidence:
    """Normal equations of the corners about one state, and how likely they make each choice."""

    def __init__(
        self,
        blocks: Sequence[Block],
        stated: tuple[Array, float, Array],
        free: NDArray[np.bool_],
        wheres: Wheres,
        units: Sequence[Array],
        floors: tuple[float, float],
        scales: tuple[float, float],
        catalogue: tuple[Sequence[Curl], Array, Array],
    ) -> None:
        """blocks : of each view; stated : gradient (p,) of half the squares, the squares, curvature (p, p) of what
        is known besides the corners and the shape's priors; free : which entries are; units : of mirrors' bends;
        floors, scales : the least noise scales, direct and reflected, and where to begin; catalogue : the curls
        that are tried, their heights (n, c) at the sheet's corners, and the corners' flat places (n, 3).
        """
        self.pull, self.fixed, self.precision = stated
        self.wheres, self.units, self.floors, self.start_scales = wheres, units, floors, scales
        self.catalogue, heights, self.points = catalogue
        self.places = np.array([curl.place for curl in self.catalogue])
        self.columns: dict[int, Array] = {}
        plain = free.copy()
        plain[np.concatenate([wheres.bow, wheres.print, *wheres.bend])] = False
        self.plain = np.flatnonzero(plain)
        self.kinds = [
            _Kind.of([block for block in blocks if (block.mirror == DIRECT) == direct], heights, len(free))
            for direct in (True, False)
        ]

    def _columns(self, choice: Choice) -> Array:
        """(n, 4 k) heights of a choice's curls at the sheet's corners, each with its changes."""
        for number, _ in choice.curls:
            if number not in self.columns:
                self.columns[number] = self.catalogue[number].columns(self.points)
        return np.hstack([np.zeros((len(self.points), 0)), *(self.columns[number] for number, _ in choice.curls)])

    def _active(self, choice: Choice) -> tuple[NDArray[np.int64], Array]:
        """Entries that take part, curls apart, and the prior sd of the shape's, which come last, and the curls'."""
        entries, sds = [self.wheres.bow], [np.full(3, BOW_LEVELS_MM[choice.bow])]
        if choice.print >= 0:
            entries.append(self.wheres.print)
            sds.append(print_sds(PRINT_LEVELS[choice.print]))
        for where, level, unit in zip(self.wheres.bend, choice.bend, self.units, strict=True):
            entries.append(where)
            sds.append(BEND_CURVATURES_PER_MM[level] * unit)
        sds.append(np.repeat([CURL_LEVELS_MM[level] for _, level in choice.curls], CURL_COLUMNS))
        return np.concatenate([self.plain, *entries]), np.concatenate(sds)

    def fit(self, choice: Choice, scales: tuple[float, float] | None = None, rounds: int = 3) -> Fitted:
        """The linear fit under a choice, the noise of both kinds of view estimated along."""
        active, sds = self._active(choice)
        columns = self._columns(choice)
        normals, gradients = zip(*(kind.equations(active, columns) for kind in self.kinds), strict=True)
        size = len(active) + columns.shape[1]
        last = np.arange(size - len(sds), size)
        prior, pull = np.zeros((size, size)), np.zeros(size)
        prior[: len(active), : len(active)], pull[: len(active)] = (
            self.precision[np.ix_(active, active)],
            self.pull[active],
        )
        prior[last, last] += 1.0 / sds**2
        scale = list(scales or self.start_scales)
        for turn in range(rounds):
            inner = normals[0] / scale[0] ** 2 + normals[1] / scale[1] ** 2 + prior
            unit = 1.0 / np.sqrt(np.diag(inner))
            root = np.linalg.cholesky(inner * unit[:, None] * unit[None, :] + 1e-13 * np.eye(size))
            half = np.linalg.inv(root) * unit[None, :]
            covariance = half.T @ half
            right = -(gradients[0] / scale[0] ** 2 + gradients[1] / scale[1] ** 2 + pull)
            step = covariance @ right
            if turn == rounds - 1:
                break
            scale = [self._scale(kind, scale, normals, gradients, covariance, step) for kind in (0, 1)]
        misfit = (
            sum(self.kinds[kind].squares / scale[kind] ** 2 for kind in (0, 1)) + self.fixed - float(right @ step)
        )
        volume = 2 * float(np.log(np.diag(root)).sum() - np.log(unit).sum()) + 2 * float(np.log(sds).sum())
        noise = sum(2 * self.kinds[kind].count * math.log(scale[kind]) for kind in (0, 1))
        log_evidence = choice.log_odds - (misfit + volume + noise) / 2
        if (step[len(active) :: CURL_COLUMNS] < 0).any():  # paper does not curl down into the floor
            log_evidence = -math.inf
        return Fitted(choice, log_evidence, step, covariance, active, (scale[0], scale[1]))

    def _scale(
        self,
        kind: int,
        scale: Sequence[float],
        normals: Sequence[Array],
        gradients: Sequence[Array],
        covariance: Array,
        step: Array,
    ) -> float:
        """The noise scale of one kind of view: squares left over the numbers that the fit has not taken up."""
        seen = self.kinds[kind]
        squares = seen.squares + float(2 * step @ gradients[kind] + step @ normals[kind] @ step)
        left = seen.count - float((normals[kind] * covariance).sum()) / scale[kind] ** 2
        return scale[kind] if left <= 1 else max(math.sqrt(max(squares, 0.0) / left), self.floors[kind])

    def best(self, start: Choice) -> tuple[Fitted, list[Fitted]]:
        """The likeliest choice that changes one at a time lead to, and its neighbours."""
        best = self.fit(start)
        for turn in range(MOST_ROUNDS):
            choices = [*self._neighbours(best), *(self._pairs(best) if turn == 0 else ())]
            neighbours = [self.fit(choice, best.scales) for choice in choices]
            better = max(neighbours, key=lambda fitted: fitted.log_evidence)
            if better.log_evidence <= best.log_evidence + 1e-6:
                return best, neighbours
            best = better
        return best, neighbours

    def _neighbours(self, at: Fitted) -> Iterator[Choice]:
        choice = at.choice
        for mirror, level in enumerate(choice.bend):
            for other in range(len(BEND_CURVATURES_PER_MM)):
                if other != level:
                    yield replace(choice, bend=(*choice.bend[:mirror], other, *choice.bend[mirror + 1 :]))
        bows = FLAT_BOW_LEVELS if choice.curls else len(BOW_LEVELS_MM)
        yield from (replace(choice, bow=k) for k in range(bows) if k != choice.bow)
        if choice.print >= 0:
            yield from (replace(choice, print=k) for k in range(len(PRINT_LEVELS)) if k != choice.print)
        yield from self._other_curls(at)

    def _other_curls(self, at: Fitted) -> Iterator[Choice]:
        """Choices with one curl less, another in its place, or one more."""
        choice = at.choice
        for number, (curl, level) in enumerate(choice.curls):
            others = (*choice.curls[:number], *choice.curls[number + 1 :])
            without = replace(choice, curls=others)
            yield without
            levels = (k for k in range(len(CURL_LEVELS_MM)) if k != level)
            yield from (replace(choice, curls=(*others, (curl, k))) for k in levels)
            helpful = self._helpful(self.fit(without, at.scales, rounds=1), self.places[curl])
            yield from (replace(choice, curls=(*others, found)) for found in helpful if found[0] != curl)
        if len(choice.curls) == MOST_CURLS:
            return
        for bow in range(FLAT_BOW_LEVELS):  # what is flat but for its curls may have been taken for bowed
            flat = at if bow == choice.bow else self.fit(replace(choice, bow=bow), at.scales)
            for found in self._helpful(flat):
                yield replace(flat.choice, curls=(*choice.curls, found))

    def _pairs(self, at: Fitted) -> list[Choice]:
        """Choices with two opposite edges curled and the rest flat: each hides the other from `_helpful`."""
        flat = self.fit(replace(at.choice, bow=0, curls=()), at.scales)
        edges = np.flatnonzero(np.isin(self.places, [*OPPOSITE, *OPPOSITE.values()]))
        weights = [1 / scale**2 for scale in flat.scales]
        normal, across, slope = (
            np.zeros((len(edges),) * 2),
            np.zeros((len(flat.active), len(edges))),
            np.zeros(len(edges)),
        )
        for weight, kind in zip(weights, self.kinds, strict=True):
            normal += weight * kind.curls[:, edges].T @ kind.curls[:, edges]
            across += weight * kind.across[np.ix_(flat.active, edges)]
            slope += weight * kind.slope[edges]
        slope += flat.step @ across
        sd = CURL_LEVELS_MM[1]
        left = sd**2 * (normal - across.T @ flat.covariance @ across)
        own, pulls = np.diag(left) + 1, sd * slope
        volume = own[:, None] * own[None, :] - left**2
        gain = own[None, :] * pulls[:, None] ** 2 + own[:, None] * pulls[None, :] ** 2
        gain = (gain - 2 * left * pulls[:, None] * pulls[None, :]) / volume - np.log(volume)
        lifts = (own[None, :] * pulls[:, None] - left * pulls[None, :]) / volume  # of the first, downwards
        opposite = np.array([OPPOSITE.get(place, "") for place in self.places[edges]])
        allowed = (opposite[:, None] == self.places[edges][None, :]) & (lifts < 0) & (lifts.T < 0)
        gain = np.where(allowed, gain, -np.inf)
        best = np.argsort(-gain, axis=None)[:CURLS_TRIED]
        pairs = [np.unravel_index(number, gain.shape) for number in best if np.isfinite(gain.flat[number])]
        return [replace(flat.choice, curls=((int(edges[i]), 1), (int(edges[j]), 1))) for i, j in pairs]

    def _helpful(self, fitted: Fitted, place: str | None = None) -> list[tuple[int, int]]:
        """Curls at a place, or the best of each, that one step of the fit says help most, with their level."""
        curls = [number for number, _ in fitted.choice.curls]
        columns = self._columns(fitted.choice)
        weights = [1 / scale**2 for scale in fitted.scales]
        across = sum(
            w * kind.across_of(fitted.active, columns) for w, kind in zip(weights, self.kinds, strict=True)
        )
        diagonal = sum(w * kind.diagonal for w, kind in zip(weights, self.kinds, strict=True))
        slope = sum(w * kind.slope for w, kind in zip(weights, self.kinds, strict=True))
        slope = slope + fitted.step @ across
        left = np.maximum(diagonal - (across * (fitted.covariance @ across)).sum(axis=0), 1e-12)
        gains = np.stack(
            [
                (slope**2 / (left + 1 / sd**2) - np.log1p(sd**2 * left)) / 2 + math.log(odds)
                for sd, odds in zip(CURL_LEVELS_MM, CURL_LIKELIHOODS, strict=True)
            ]
        )
        gains[:, slope > 0] = -np.inf  # paper does not curl down into the floor
        most = gains.max(axis=0)
        order = [int(number) for number in np.argsort(-most) if np.isfinite(most[number])]
        if place is None:
            first = {self.places[number]: number for number in reversed(order)}
            order = sorted(set(first.values()) - set(curls), key=lambda number: -most[number])
            order = [number for number in order if self.places[number] not in self.places[curls]]
        else:
            order = [number for number in order if self.places[number] == place]
        return [(number, int(np.argmax(gains[:, number]))) for number in order[:CURLS_TRIED]]


@dataclass(frozen=True, eq=False)
class _Kind:
    """Normal equations of the direct, or of the reflected, corners.

    jacobian : (m, p); normal : (p, p); gradient : (p,); curls : (m, c) of the catalogue's; across : (p, c);
    diagonal, slope : (c,); squares, count : of the residuals.
    """

    residual: Array
    jacobian: Array
    upwards: Array
    ids: NDArray[np.int64]
    normal: Array
    gradient: Array
    curls: Array
    across: Array
    diagonal: Array
    slope: Array
    squares: float
    count: int

    @classmethod
    def of(cls, blocks: Sequence[Block], heights: Array, size: int) -> _Kind:
        residual = np.concatenate([np.zeros(0), *(block.residual for block in blocks)])
        jacobian = np.concatenate([np.zeros((0, size)), *(block.jacobian for block in blocks)])
        upwards = np.concatenate([np.zeros(0), *(block.upwards for block in blocks)])
        ids = np.concatenate([np.zeros(0, np.int64), *(block.ids for block in blocks)])
        curls = upwards[:, None] * heights[ids]
        return cls(
            residual,
            jacobian,
            upwards,
            ids,
            normal=jacobian.T @ jacobian,
            gradient=jacobian.T @ residual,
            curls=curls,
            across=jacobian.T @ curls,
            diagonal=(curls**2).sum(axis=0),
            slope=residual @ curls,
            squares=float(residual @ residual),
            count=len(residual),
        )

    def equations(self, active: NDArray[np.int64], columns: Array) -> tuple[Array, Array]:
        """Normal matrix and gradient of some entries and, last, of heights (n, k) at the corners."""
        normal, gradient = self.normal[np.ix_(active, active)], self.gradient[active]
        if not columns.shape[1]:
            return normal, gradient
        curls = self.upwards[:, None] * columns[self.ids]
        across = self.jacobian[:, active].T @ curls
        return np.block([[normal, across], [across.T, curls.T @ curls]]), np.append(gradient, self.residual @ curls)

    def across_of(self, active: NDArray[np.int64], columns: Array) -> Array:
        """(k, c) of some entries and heights (n, k) at the corners against all curls of the catalogue."""
        own = self.upwards[:, None] * columns[self.ids]
        return np.vstack([self.across[active], own.T @ self.curls])

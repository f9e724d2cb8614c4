"""The corners' marginal likelihood of each choice of a shape's scales, and the search for the likeliest.

Sources: D. J. C. MacKay, Bayesian interpolation, Neural Computation 4 (1992) 415 (evidence of linear models, scales
of priors).
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import combinations, product

import numpy as np
from numpy.typing import NDArray

from .forward_model import DIRECT
from .normal_equations import Block, Kind, basis_of
from .shape_choice import Choice
from .sheet_shape import CURL_COLUMNS, Curl, print_sds
from .thresholds import (
    BEND_CURVATURES_PER_MM,
    BOW_LEVELS_MM,
    CURL_LEVELS_MM,
    CURL_LIKELIHOODS,
    MOST_CURLS,
    PRINT_LEVELS,
    WAVE_SHARE,
)

Array = NDArray[np.float64]
#: Curls of the catalogue that are weighed in full, of those that a quick look says help most.
CURLS_TRIED = 6
#: Rounds of changes, one at a time, in which the best scales are looked for.
MOST_ROUNDS = 8
#: Gains that differ by less count as the same, and the first of them is taken: curls that lift one corner of the
#: print, or two, are alike but for their names, and rounding must not choose between them.
SAME_GAIN = 1e-6
#: Alternatives less likely than this share of the best are not averaged.
LEAST_SHARE = 0.01
OPPOSITE = {"far": "near", "left": "right"}
#: Levels of the bow, the lowest, at which a sheet is flat but for its curls: where it curls it does not bow as
#: well, for what touches the floor would not be told by the corners.
FLAT_BOW_LEVELS = 2


@dataclass(frozen=True, eq=False)
class Fitted:
    """A choice's linear fit: log evidence (but for what all choices share), noise scales, and its numbers.

    active : entries of the vector that the fit is about; basis : (p, q) of those by the fit's own coordinates;
    curl_sds : of the curls' columns, which come last, in units of these; own_step, own_covariance : in these
    coordinates.
    """

    choice: Choice
    log_evidence: float
    scales: tuple[float, float]
    active: NDArray[np.int64]
    basis: Array
    curl_sds: Array
    own_step: Array
    own_covariance: Array

    @cached_property
    def step(self) -> Array:
        """Steps of the `active` entries, then of the CURL_COLUMNS of each curl."""
        inner = self.basis.shape[1]
        return np.append(self.basis @ self.own_step[:inner], self.curl_sds * self.own_step[inner:])

    @cached_property
    def covariance(self) -> Array:
        """Covariance of `step`."""
        rows, inner = self.basis.shape
        turned = np.zeros((rows + len(self.curl_sds), len(self.own_step)))
        turned[:rows, :inner] = self.basis
        turned[rows:, inner:] = np.diag(self.curl_sds)
        return np.asarray(turned @ self.own_covariance @ turned.T)


@dataclass(frozen=True, eq=False)
class Wheres:
    """Places of the shape's parameters, curls apart, in the vector."""

    bow: NDArray[np.int64]
    wave: NDArray[np.int64]
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
        start: Choice,
    ) -> None:
        """blocks : of each view; stated : gradient (p,) of half the squares, the squares, curvature (p, p) of what
        is known besides the corners and the shape's priors; free : which entries are; units : of mirrors' bends;
        floors, scales : the least noise scales, direct and reflected, and where to begin; catalogue : the curls
        that are tried, their heights (n, c) at the sheet's corners, and the corners' flat places (n, 3);
        start : about which the equations are well scaled.
        """
        pull, self.fixed, precision = stated
        self.units, self.floors, self.start_scales = units, floors, scales
        self.catalogue, heights, self.points = catalogue
        self.places = np.array([curl.place for curl in self.catalogue])
        self.columns: dict[int, Array] = {}
        shape = np.concatenate([wheres.bow, wheres.wave, wheres.print, *wheres.bend])
        self.waves, self.faults = len(wheres.wave), len(wheres.print)
        plain = free.copy()
        plain[shape] = False
        self.active = np.concatenate([np.flatnonzero(plain), shape])
        known = precision[np.ix_(self.active, self.active)]
        by_kind = [[block for block in blocks if (block.mirror == DIRECT) == direct] for direct in (True, False)]
        information = known.copy()
        last = np.arange(len(self.active) - len(shape), len(self.active))
        information[last, last] += 1.0 / self._shape_sds(start) ** 2
        for scale, kind in zip(scales, by_kind, strict=True):
            for block in kind:
                jacobian = block.jacobian[:, self.active] / scale
                information += jacobian.T @ jacobian
        self.basis = basis_of(information)
        self.known, self.pull = self.basis.T @ known @ self.basis, self.basis.T @ pull[self.active]
        self.shape_rows = self.basis[last]
        self.kinds = [Kind.of(kind, heights, self.active, self.basis) for kind in by_kind]

    def _columns(self, choice: Choice) -> Array:
        """(n, 4 k) heights of a choice's curls at the sheet's corners, each with its changes, for one prior sd."""
        for number, _ in choice.curls:
            if number not in self.columns:
                self.columns[number] = self.catalogue[number].columns(self.points)
        columns = [self.columns[number] * CURL_LEVELS_MM[level] for number, level in choice.curls]
        return np.hstack([np.zeros((len(self.points), 0)), *columns])

    def _shape_sds(self, choice: Choice) -> Array:
        """Prior sd of the shape's entries, curls apart."""
        bow_mm = BOW_LEVELS_MM[choice.bow]
        sds = [np.full(3, bow_mm), np.full(self.waves, WAVE_SHARE * bow_mm)]
        if choice.print >= 0:
            sds.append(print_sds(PRINT_LEVELS[choice.print], self.faults))
        for level, unit in zip(choice.bend, self.units, strict=True):
            sds.append(BEND_CURVATURES_PER_MM[level] * unit)
        return np.concatenate(sds)

    def fit(self, choice: Choice, scales: tuple[float, float] | None = None, rounds: int = 3) -> Fitted:
        """The linear fit under a choice, the noise of both kinds of view estimated along."""
        return self._fits([choice], scales or self.start_scales, rounds)[0]

    def fits(self, choices: Sequence[Choice], scales: tuple[float, float]) -> list[Fitted]:
        """The linear fits under choices near one whose noise scales are known, those with as many curls at once."""
        found: dict[int, Fitted] = {}
        for count in sorted({len(choice.curls) for choice in choices}):
            numbers = [number for number, choice in enumerate(choices) if len(choice.curls) == count]
            fitted = self._fits([choices[number] for number in numbers], scales, rounds=2)
            found |= zip(numbers, fitted, strict=True)
        return [found[number] for number in range(len(choices))]

    def _fits(self, choices: Sequence[Choice], scales: tuple[float, float], rounds: int) -> list[Fitted]:
        """Fits of choices with as many curls each."""
        columns = np.stack([self._columns(choice) for choice in choices])
        sds = np.stack([self._shape_sds(choice) for choice in choices])
        inner = len(self.pull)
        equations = [kind.equations(columns) for kind in self.kinds]
        prior = np.zeros_like(equations[0][0])
        diagonal = np.arange(inner, prior.shape[1])
        prior[:, diagonal, diagonal] = 1.0
        prior[:, :inner, :inner] = self.known + (self.shape_rows.T / sds[:, None, :] ** 2) @ self.shape_rows
        pull = np.zeros(prior.shape[1])
        pull[:inner] = self.pull
        scale = np.tile(np.array(scales), (len(choices), 1))
        for turn in range(rounds):
            weights = 1.0 / scale**2
            information, right = prior.copy(), np.tile(-pull, (len(choices), 1))
            for kind, (normals, gradients) in enumerate(equations):
                information += normals * weights[:, kind, None, None]
                right -= gradients * weights[:, kind, None]
            covariance: Array = np.asarray(np.linalg.inv(information), np.float64)
            step = (covariance @ right[:, :, None])[:, :, 0]
            if turn < rounds - 1:
                scale = self._scales(scale, equations, covariance, step)
        roots = np.linalg.cholesky(information)
        volume = 2 * np.log(np.diagonal(roots, axis1=1, axis2=2)).sum(axis=1) + 2 * np.log(sds).sum(axis=1)
        squares, counts = np.array([(kind.squares, kind.count) for kind in self.kinds]).T
        misfit = (squares / scale**2).sum(axis=1) + self.fixed - (right * step).sum(axis=1)
        noise = (2 * counts * np.log(scale)).sum(axis=1)
        log_odds = np.array([choice.log_odds for choice in choices])
        logs = log_odds - (misfit + volume + noise) / 2
        logs[~self._physical(choices, step[:, inner:])] = -math.inf
        return [
            Fitted(
                choice,
                float(logs[k]),
                (float(scale[k, 0]), float(scale[k, 1])),
                self.active,
                self.basis,
                np.repeat([CURL_LEVELS_MM[level] for _, level in choice.curls], CURL_COLUMNS),
                step[k],
                covariance[k],
            )
            for k, choice in enumerate(choices)
        ]

    def _physical(self, choices: Sequence[Choice], steps: Array) -> NDArray[np.bool_]:
        """(k,) whether no curl goes down into the floor or begins beyond the sheet's middle."""
        lifts, longer = steps[:, ::CURL_COLUMNS], steps[:, 1::CURL_COLUMNS]
        most = np.array([[self.catalogue[curl].most_longer for curl, _ in choice.curls] for choice in choices])
        most = most.reshape(lifts.shape)
        return np.asarray(((lifts >= 0) & (longer <= most * lifts)).all(axis=1))

    def _scales(
        self, scale: Array, equations: Sequence[tuple[Array, Array]], covariance: Array, step: Array
    ) -> Array:
        """(k, 2) noise scales: squares left over the numbers that the fit has not taken up."""
        result = scale.copy()
        for kind, (seen, (normals, gradients)) in enumerate(zip(self.kinds, equations, strict=True)):
            bent = (normals @ step[:, :, None])[:, :, 0]
            squares = seen.squares + (step * (2 * gradients + bent)).sum(axis=1)
            left = seen.count - (normals * covariance).sum(axis=(1, 2)) / scale[:, kind] ** 2
            found = np.sqrt(np.maximum(squares, 0.0) / np.maximum(left, 1.0))
            result[:, kind] = np.where(left <= 1, scale[:, kind], np.maximum(found, self.floors[kind]))
        return result

    def best(self, start: Choice) -> tuple[Fitted, list[Fitted]]:
        """The likeliest choice that changes one at a time lead to, and what else is to be weighed with it."""
        best = self.fit(start)
        for turn in range(MOST_ROUNDS):
            choices = [*self._neighbours(best), *(self._pairs(best) if turn == 0 else ())]
            neighbours = self.fits(choices, best.scales)
            better = self._likeliest(neighbours)
            if better.log_evidence <= best.log_evidence + SAME_GAIN:
                both = [*self._both_others(best.choice), *self._bend_and_print(best.choice)]
                neighbours += self.fits(both, best.scales)
                better = self._likeliest(neighbours)
            if better.log_evidence <= best.log_evidence + SAME_GAIN:
                return best, neighbours
            best = better
        return best, neighbours

    @staticmethod
    def _likeliest(fits: Sequence[Fitted]) -> Fitted:
        return fits[int(_ordered(np.array([fitted.log_evidence for fitted in fits]))[0])]

    def _neighbours(self, at: Fitted) -> Iterator[Choice]:
        choice = at.choice
        for mirror, level in enumerate(choice.bend):
            for other in range(len(BEND_CURVATURES_PER_MM)):
                if other != level:
                    yield choice.with_bend(mirror, other)
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

    def _both_others(self, choice: Choice) -> Iterator[Choice]:
        """Choices with two opposite edges curled otherwise, both of them: what is level between them may differ."""
        for first, second in combinations(choice.curls, 2):
            places = [str(self.places[curl]) for curl, _ in (first, second)]
            if OPPOSITE.get(places[0]) != places[1] and OPPOSITE.get(places[1]) != places[0]:
                continue
            rest = tuple(curl for curl in choice.curls if curl not in (first, second))
            ones, others = (np.flatnonzero(self.places == place) for place in places)
            for one, other in product(ones, others):
                if one != first[0] and other != second[0]:
                    yield replace(choice, curls=(*rest, (int(one), first[1]), (int(other), second[1])))

    @staticmethod
    def _bend_and_print(choice: Choice) -> Iterator[Choice]:
        """Choices with a mirror bent and the print bowed otherwise: either does much of what the other does."""
        if choice.print < 0:
            return
        for mirror, level in enumerate(choice.bend):
            for bend, bows in product(range(len(BEND_CURVATURES_PER_MM)), range(len(PRINT_LEVELS))):
                if bend != level and bows != choice.print:
                    yield replace(choice.with_bend(mirror, bend), print=bows)

    def _pairs(self, at: Fitted) -> list[Choice]:
        """Choices with two opposite edges curled and the rest flat: each hides the other from `_helpful`."""
        flat = self.fit(replace(at.choice, bow=0, curls=()), at.scales)
        of_edges = {*OPPOSITE, *OPPOSITE.values()}
        edges = np.array([number for number, curl in enumerate(self.catalogue) if curl.place in of_edges])
        weights = [1 / scale**2 for scale in flat.scales]
        normal, across, slope = (
            np.zeros((len(edges),) * 2),
            np.zeros((len(flat.own_step), len(edges))),
            np.zeros(len(edges)),
        )
        for weight, kind in zip(weights, self.kinds, strict=True):
            normal += weight * kind.curls[:, edges].T @ kind.curls[:, edges]
            across += weight * kind.across[:, edges]
            slope += weight * kind.slope[edges]
        slope += flat.own_step @ across
        sd = CURL_LEVELS_MM[1]
        left = sd**2 * (normal - across.T @ flat.own_covariance @ across)
        own, pulls = np.maximum(np.diag(left), 0.0) + 1, sd * slope
        # No less than 1, but for rounding: of two curls that are alike it once was negative.
        volume = np.maximum(own[:, None] * own[None, :] - left**2, 1.0)
        gain = own[None, :] * pulls[:, None] ** 2 + own[:, None] * pulls[None, :] ** 2
        gain = (gain - 2 * left * pulls[:, None] * pulls[None, :]) / volume - np.log(volume)
        lifts = (own[None, :] * pulls[:, None] - left * pulls[None, :]) / volume  # of the first, downwards
        opposite = np.array([OPPOSITE.get(place, "") for place in self.places[edges]])
        allowed = (opposite[:, None] == self.places[edges][None, :]) & (lifts < 0) & (lifts.T < 0)
        gain = np.where(allowed, gain, -np.inf)
        best = _ordered(gain.ravel())[:CURLS_TRIED]
        pairs = [np.unravel_index(number, gain.shape) for number in best if np.isfinite(gain.flat[number])]
        return [replace(flat.choice, curls=((int(edges[i]), 1), (int(edges[j]), 1))) for i, j in pairs]

    def _helpful(self, fitted: Fitted, place: str | None = None) -> list[tuple[int, int]]:
        """Curls at a place, or the best of each, that one step of the fit says help most, with their level."""
        curls = [number for number, _ in fitted.choice.curls]
        columns = self._columns(fitted.choice)
        weights = [1 / scale**2 for scale in fitted.scales]
        across = sum(w * kind.across_of(columns) for w, kind in zip(weights, self.kinds, strict=True))
        diagonal = sum(w * kind.diagonal for w, kind in zip(weights, self.kinds, strict=True))
        slope = sum(w * kind.slope for w, kind in zip(weights, self.kinds, strict=True))
        slope = slope + fitted.own_step @ across
        left = np.maximum(diagonal - (across * (fitted.own_covariance @ across)).sum(axis=0), 1e-12)
        gains = np.stack(
            [
                (slope**2 / (left + 1 / sd**2) - np.log1p(sd**2 * left)) / 2 + math.log(odds)
                for sd, odds in zip(CURL_LEVELS_MM, CURL_LIKELIHOODS, strict=True)
            ]
        )
        gains[:, slope > 0] = -np.inf  # paper does not curl down into the floor
        most = gains.max(axis=0)
        order = [int(number) for number in _ordered(most) if np.isfinite(most[number])]
        if place is None:
            first = {self.places[number]: number for number in reversed(order)}
            chosen = set(first.values()) - set(curls)
            order = [n for n in order if n in chosen and self.places[n] not in self.places[curls]]
        else:
            order = [number for number in order if self.places[number] == place]
        return [(number, int(np.argmax(gains[:, number]))) for number in order[:CURLS_TRIED]]


def _ordered(gains: Array) -> NDArray[np.int64]:
    """Numbers of the gains, the largest first; those that are the same in their order."""
    finite = np.maximum(gains, -1e300)
    order = np.argsort(-finite, kind="stable")
    group = np.cumsum(np.diff(finite[order], prepend=finite[order[:1]]) < -SAME_GAIN)
    return np.asarray(order[np.lexsort((order, group))])

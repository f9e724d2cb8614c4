"""How much is not flat, and how far the print may be off: scales of the priors, weighed by what the corners say.

Every mirror bends, every sheet bows and every print is off, by a micrometre or by a millimetre. Allowing for a
millimetre everywhere would make good answers poor, allowing for none makes bad ones sure of themselves. So the
priors' scales are unknowns as well: each has a few levels with odds of their own, and the corners' marginal
likelihood (the fit's, times the share of the prior that the corners leave) weighs them. The same weighs which edges
and corners of the sheet curl. What remains likely besides the best is averaged into the answer's covariance.

Sources: D. J. C. MacKay, Bayesian interpolation, Neural Computation 4 (1992) 415 (evidence of linear models, scales
of priors); J. A. Hoeting, D. Madigan, A. E. Raftery, C. T. Volinsky, Bayesian model averaging: a tutorial,
Statistical Science 14 (1999) 382.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from .forward_model import BEND_POWERS, DIRECT, Face
from .sheet_shape import PRINT_SDS, Curl
from .thresholds import (
    BEND_CURVATURES_PER_MM,
    BEND_LIKELIHOODS,
    BEND_REACH,
    BOW_LEVELS_MM,
    BOW_LIKELIHOODS,
    CURL_LEVELS_MM,
    CURL_LIKELIHOODS,
    CURL_ODDS,
    MOST_CURLS,
    PRINT_LEVELS,
    PRINT_LIKELIHOODS,
)

Array = NDArray[np.float64]
#: Curls of the catalogue that are weighed in full, of those that a quick look says help most.
CURLS_TRIED = 4
#: Rounds of changes, one at a time, in which the best scales are looked for.
MOST_ROUNDS = 8
#: Alternatives less likely than this share of the best are not averaged.
LEAST_SHARE = 0.01
#: Edges and corners of a sheet.
PLACES = 8
#: Levels of the bow, the lowest, at which a sheet is flat but for its curls.
FLAT_BOW_LEVELS = 2


@dataclass(frozen=True)
class Shape:
    """What a solve allows for beyond flat mirrors and an exact print.

    faces : the part of each mirror that was seen; curvatures : prior sd of each mirror's bend [1/mm];
    bow_sd_mm : of the sheet's bow; print_level : in units of PRINT_SDS; 0: exact; ratio_known : both rules were
    measured; curls : with the prior sd of each one's lift [mm].
    """

    faces: tuple[Face, ...]
    curvatures: tuple[float, ...]
    bow_sd_mm: float
    print_level: float
    curls: tuple[tuple[Curl, float], ...] = ()

    def bend_sd(self, mirror: int) -> Array:
        """(12,) prior sd of a mirror's bend parameters [mm]."""
        return self.curvatures[mirror] * bend_units(self.faces[mirror])

    @property
    def print_sd(self) -> Array:
        """(8,) prior sd of the print's faults."""
        return self.print_level * PRINT_SDS


def bend_units(face: Face) -> Array:
    """(12,) [mm^2] bend parameters of a face with unit curvature, which changes over BEND_REACH half sizes of the part.

    Each further power is that much of Taylor's series of an arch, cos(x / reach).
    """
    units = []
    for i, j in BEND_POWERS:
        lengths = (face.half_u_mm**i * face.half_v_mm**j) ** (2 / (i + j))
        units.append(lengths / (math.factorial(i) * math.factorial(j) * BEND_REACH ** (i + j - 2)))
    return np.array(units)


@dataclass(frozen=True)
class Choice:
    """Scales and curls: positions in the tables of levels, and (number in the catalogue, level) of each curl."""

    bend: tuple[int, ...]
    bow: int
    print: int
    curls: tuple[tuple[int, int], ...] = ()

    @property
    def log_odds(self) -> float:
        """Logarithm of how likely it is before the photo is looked at."""
        total = sum(math.log(BEND_LIKELIHOODS[level]) for level in self.bend)
        total += math.log(BOW_LIKELIHOODS[self.bow])
        total += math.log(PRINT_LIKELIHOODS[self.print]) if self.print >= 0 else 0.0
        return total + sum(math.log(CURL_ODDS * CURL_LIKELIHOODS[level] / PLACES) for _, level in self.curls)


@dataclass(frozen=True, eq=False)
class Fitted:
    """A choice's linear fit: log evidence, step of all entries, their covariance and which they are, noise scales."""

    choice: Choice
    log_evidence: float
    step: Array
    covariance: Array
    active: NDArray[np.int64]
    scales: tuple[float, float]


@dataclass(frozen=True, eq=False)
class Wheres:
    """Places of the shape's parameters in the long vector, which has every curl of the catalogue."""

    bow: NDArray[np.int64]
    curl: NDArray[np.int64]
    print: NDArray[np.int64]
    bend: tuple[NDArray[np.int64], ...]


class Evidence:
    """Normal equations of the corners about one state, and how likely they make each choice."""

    def __init__(
        self,
        blocks: Sequence[tuple[int, Array, Array]],
        offset: Array,
        precision: Array,
        free: NDArray[np.bool_],
        wheres: Wheres,
        faces: Sequence[Face],
        floors: tuple[float, float],
        scales: tuple[float, float],
        exact_print: bool,
    ) -> None:
        """blocks : mirror number or DIRECT, residuals (m,) and Jacobian (m, p) of each view, whitened, where the shape
        is flat; offset : (p,) from the prior's mean; precision : (p, p) of all but the shape; free : which are.
        """
        size = len(offset)
        self.normal = [np.zeros((size, size)), np.zeros((size, size))]
        self.gradient, self.squares, self.count = [np.zeros(size), np.zeros(size)], [0.0, 0.0], [0, 0]
        for mirror, residual, jacobian in blocks:
            kind = 0 if mirror == DIRECT else 1
            self.normal[kind] += jacobian.T @ jacobian
            self.gradient[kind] += jacobian.T @ residual
            self.squares[kind] += float(residual @ residual)
            self.count[kind] += len(residual)
        self.offset, self.precision, self.wheres, self.floors = offset, precision, wheres, floors
        self.start_scales, self.exact_print = scales, exact_print
        self.units = [bend_units(face) for face in faces]
        shaped = np.concatenate([wheres.bow, wheres.curl, wheres.print, *wheres.bend])
        plain = free.copy()
        plain[shaped] = False
        self.plain = np.flatnonzero(plain)

    def _active(self, choice: Choice) -> tuple[NDArray[np.int64], Array]:
        """Which entries take part, and the prior sd of those of the shape, which come last."""
        places, sds = [self.wheres.bow], [np.full(3, BOW_LEVELS_MM[choice.bow])]
        if choice.print >= 0:
            places.append(self.wheres.print)
            sds.append(PRINT_LEVELS[choice.print] * PRINT_SDS)
        for where, level, unit in zip(self.wheres.bend, choice.bend, self.units, strict=True):
            places.append(where)
            sds.append(BEND_CURVATURES_PER_MM[level] * unit)
        if choice.curls:
            places.append(self.wheres.curl[[number for number, _ in choice.curls]])
            sds.append(np.array([CURL_LEVELS_MM[level] for _, level in choice.curls]))
        return np.concatenate([self.plain, *places]), np.concatenate(sds)

    def fit(self, choice: Choice, scales: tuple[float, float] | None = None, rounds: int = 3) -> Fitted:
        """The linear fit under a choice, the noise of both kinds of view estimated along."""
        active, sds = self._active(choice)
        box = np.ix_(active, active)
        normals = [normal[box] for normal in self.normal]
        gradients = [gradient[active] for gradient in self.gradient]
        prior = self.precision[box].copy()
        places = np.arange(len(active) - len(sds), len(active))
        prior[places, places] = 1.0 / sds**2
        pull = prior @ self.offset[active]
        fixed = float(self.offset[active] @ pull)
        scale = list(scales or self.start_scales)
        for turn in range(rounds):
            inner = normals[0] / scale[0] ** 2 + normals[1] / scale[1] ** 2 + prior
            unit = 1.0 / np.sqrt(np.diag(inner))
            root = np.linalg.cholesky(inner * unit[:, None] * unit[None, :] + 1e-13 * np.eye(len(unit)))
            half = np.linalg.inv(root)
            covariance = (half.T @ half) * unit[:, None] * unit[None, :]
            right = -(gradients[0] / scale[0] ** 2 + gradients[1] / scale[1] ** 2 + pull)
            step = covariance @ right
            if turn == rounds - 1:
                break
            for kind in (0, 1):
                squares = self.squares[kind] + 2 * step @ gradients[kind] + step @ normals[kind] @ step
                taken = float((normals[kind] * covariance).sum()) / scale[kind] ** 2
                left = max(self.count[kind] - taken, 1.0)
                scale[kind] = (
                    max(math.sqrt(max(float(squares), 0.0) / left), self.floors[kind]) if left > 1 else scale[kind]
                )
        misfit = sum(self.squares[kind] / scale[kind] ** 2 for kind in (0, 1)) + fixed - float(right @ step)
        volume = 2 * float(np.log(np.diag(root)).sum() - np.log(unit).sum()) + 2 * float(np.log(sds).sum())
        noise = sum(2 * self.count[kind] * math.log(scale[kind]) for kind in (0, 1))
        log_evidence = choice.log_odds - (misfit + volume + noise) / 2
        return Fitted(choice, log_evidence, step, covariance, active, (scale[0], scale[1]))

    def best(self, start: Choice) -> tuple[Fitted, list[Fitted]]:
        """The likeliest choice that changes one at a time lead to, and its neighbours."""
        best = self.fit(start)
        for _ in range(MOST_ROUNDS):
            neighbours = [self.fit(choice, best.scales) for choice in self._neighbours(best)]
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
        yield from (replace(choice, bow=k) for k in range(len(BOW_LEVELS_MM)) if k != choice.bow)
        if choice.print >= 0:
            yield from (replace(choice, print=k) for k in range(len(PRINT_LEVELS)) if k != choice.print)
        for number, curl in enumerate(choice.curls):
            others = (*choice.curls[:number], *choice.curls[number + 1 :])
            yield replace(choice, curls=others)
            yield from (
                replace(choice, curls=(*others, (curl[0], k))) for k in range(len(CURL_LEVELS_MM)) if k != curl[1]
            )
            yield from (replace(choice, curls=(*others, found)) for found in self._helpful(at, without=curl[0]))
        if len(choice.curls) < MOST_CURLS:
            yield from (replace(choice, curls=(*choice.curls, found)) for found in self._helpful(at))
            for bow in range(min(choice.bow, FLAT_BOW_LEVELS)):  # a curl may have been taken for a bow
                flatter = self.fit(replace(choice, bow=bow), at.scales)
                for found in self._helpful(flatter):
                    yield replace(flatter.choice, curls=(*choice.curls, found))

    def _helpful(self, at: Fitted, without: int | None = None) -> list[tuple[int, int]]:
        """Curls that one step of the fit says help most, each with its best level."""
        fitted = at
        if without is not None:
            rest = tuple(curl for curl in at.choice.curls if curl[0] != without)
            fitted = self.fit(replace(at.choice, curls=rest), at.scales, rounds=1)
        weights = [1 / scale**2 for scale in fitted.scales]
        across = sum(
            w * n[np.ix_(fitted.active, self.wheres.curl)] for w, n in zip(weights, self.normal, strict=True)
        )
        diagonal = sum(w * np.diag(n)[self.wheres.curl] for w, n in zip(weights, self.normal, strict=True))
        slope = sum(w * g[self.wheres.curl] for w, g in zip(weights, self.gradient, strict=True))
        slope = slope + fitted.step @ across
        left = np.maximum(diagonal - (across * (fitted.covariance @ across)).sum(axis=0), 1e-12)
        gains = np.stack(
            [
                (slope**2 / (left + 1 / sd**2) - np.log1p(sd**2 * left)) / 2 + math.log(odds)
                for sd, odds in zip(CURL_LEVELS_MM, CURL_LIKELIHOODS, strict=True)
            ]
        )
        taken = [number for number, _ in at.choice.curls]
        gains[:, taken] = -np.inf
        order = np.argsort(-gains.max(axis=0))[:CURLS_TRIED]
        return [(int(number), int(np.argmax(gains[:, number]))) for number in order]

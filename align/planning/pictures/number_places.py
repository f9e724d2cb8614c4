"""Where numbers go on a plan: beside what they name, over nothing that is drawn, with a short leader. No drawing.

All lengths are points of the page, 72 to the inch, as type and lines are measured in them.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

#: Free space between a number's rim and what is drawn, in radii of a number.
_GAP = 0.25
#: Places are tried this far apart, in radii.
_STEP = 0.5
#: Covering a line that is better left free, or a standing place, costs as much as being so many radii farther off;
#: a leader over another thing or leader costs this for every sample of it.
_COST_LINE, _COST_AREA, _COST_CROSSING = 0.7, 6.0, 0.4
#: A thing at least this long bears the end of a leader; before a smaller one it ends so far off [pt].
_LARGE_PT, _TIP_GAP_PT = 14.0, 1.5
#: Leaders are tried for so many of the nearest places, at so many samples of each; lines are taken as so many
#: points at most.
_NEAREST, _SAMPLES, _CHORDS = 200, 12, 10


@dataclass(frozen=True, eq=False)
class Outline:
    """What is drawn: a convex ring of (n, 2) points, or a line (n = 2), or a spot (n = 1), and half its line's
    width."""

    ring: Array
    half_width: float = 0.0

    def tips(self, points: Array) -> Array:
        """(k, 2) where leaders from points end: well inside, or just before what is too small to bear one."""
        middle = self.ring.mean(axis=0)
        if float(np.ptp(self.ring, axis=0).max()) >= _LARGE_PT:
            return _to_ring(middle + 0.5 * (self.ring - middle), points)[1]
        far, nearest = _to_ring(self.ring, points)
        away = (points - nearest) / np.maximum(far, 1e-9)[:, None]
        return nearest + np.minimum(far, self.half_width + _TIP_GAP_PT)[:, None] * away

    def distance(self, points: Array) -> Array:
        """(k,) how far points lie outside; 0 inside."""
        far, _ = _to_ring(self.ring, points)
        return np.maximum(far - self.half_width, 0.0)


def outline_of(points: Array, half_width: float) -> Outline:
    """An outline from the (n, 2) corners of a convex ring in their order; corners that coincide count once."""
    ring = [points[0]]
    for point in points[1:]:
        if min(float(np.linalg.norm(point - other)) for other in ring) > 1e-6:
            ring.append(point)
    return Outline(np.array(ring), half_width)


class Placed(NamedTuple):
    """Middles of the numbers and the ends of their leaders, (n, 2) each."""

    places: Array
    tips: Array


@dataclass(frozen=True, eq=False)
class Surroundings:
    """What else is on the map.

    low, high : (2,) corners of its frame
    things : outlines that no number may cover; lines : each of (n, 2) points, better left free
    areas : convex rings better left free
    """

    low: Array
    high: Array
    things: tuple[Outline, ...]
    lines: tuple[Array, ...]
    areas: tuple[Outline, ...] = ()


def place_numbers(named: list[Outline], around: Surroundings, radius: float) -> Placed:
    """A place for the number of each of `named`, the most hemmed in first.

    Numbers keep off every one of `around.things`, the named ones among them, and off one another and their
    leaders. Where a map is so full that no such place is left, a number takes the one that covers least.
    """
    grid = _grid(around, radius)
    room = _room(grid, around.things)
    apart = np.full(len(grid), np.inf)
    need = radius * (1.0 + _GAP)
    worth = _cost(grid, around, radius) + _COST_AREA * np.maximum(need - room, 0.0)
    places, tips = np.zeros((len(named), 2)), np.zeros((len(named), 2))
    offs = [outline.distance(grid) for outline in named]
    # A thing whose nearest free place is far off has the least choice.
    least = [float(np.min(np.where(room >= need, off, np.inf))) for off in offs]
    order = sorted(range(len(named)), key=lambda number: -least[number])
    for count, number in enumerate(order):
        cost = worth + offs[number] / radius
        ends = named[number].tips(grid)
        done = [np.stack([places[k], tips[k]]) for k in order[:count]]
        passes = np.full(len(grid), np.inf)
        for pair in done:
            passes = np.minimum(passes, _to_pieces(pair[0], grid, ends))
        clear = apart >= need
        free = clear & (room >= need)
        near = _cheapest(cost, (free & (passes >= need), free, clear), apart)
        others = [thing for thing in around.things if not np.array_equal(thing.ring, named[number].ring)]
        others += [Outline(pair, 1.0) for pair in done]
        crossed = _COST_CROSSING * _crossings(grid[near], ends[near], others, need)
        best = near[int(np.argmin(cost[near] + crossed))]
        places[number], tips[number] = grid[best], ends[best]
        apart = np.minimum(apart, Outline(np.stack([grid[best], ends[best]])).distance(grid))
        apart = np.minimum(apart, np.linalg.norm(grid - grid[best], axis=1) - radius)
    return Placed(places, tips)


def _cheapest(cost: Array, wishes: tuple[Flags, ...], apart: Array) -> NDArray[np.int64]:
    """Numbers of the cheapest places that meet the first of some wishes that any meets.

    wishes : free of everything and the leader clear of other numbers; free; clear of numbers at least
    apart : (k,) distance from other numbers: where no wish can be met, the farthest is taken
    """
    for good in wishes:
        if good.any():
            cheap = np.argsort(np.where(good, cost, np.inf))[:_NEAREST]
            return np.asarray(cheap[good[cheap]])
    return np.array([int(np.argmax(apart))])


def _grid(around: Surroundings, radius: float) -> Array:
    """(k, 2) all the places that are tried: over the whole map, less its rim."""
    axes = [
        np.arange(low + 1.2 * radius, high - 1.2 * radius, _STEP * radius)
        for low, high in zip(around.low, around.high, strict=True)
    ]
    return np.stack(np.meshgrid(*axes), axis=-1).reshape(-1, 2)


def _room(grid: Array, things: tuple[Outline, ...]) -> Array:
    """(k,) how far each place is from the nearest thing."""
    room = np.full(len(grid), np.inf)
    for thing in things:
        room = np.minimum(room, thing.distance(grid))
    return room


def _cost(grid: Array, around: Surroundings, radius: float) -> Array:
    """(k,) what a number at each place would cover of what is better left free, in radii."""
    cost = np.zeros(len(grid))
    for line in around.lines:
        few = line[np.unique(np.linspace(0, len(line) - 1, _CHORDS).astype(int))]  # an arc's chords do
        off = np.min([_to_ring(few[k : k + 2], grid)[0] for k in range(len(few) - 1)], axis=0)
        cost += _COST_LINE * (off < radius)
    for area in around.areas:
        cost += _COST_AREA * (area.distance(grid) < radius)
    return cost


def _crossings(starts: Array, ends: Array, things: list[Outline], clear: float) -> Array:
    """(k,) how many samples of each leader, outside its number, lie on one of some things."""
    shares = np.linspace(0.0, 1.0, _SAMPLES, endpoint=False)[:, None]
    outside = shares * np.linalg.norm(ends - starts, axis=1) > clear
    points = (starts + shares[..., None] * (ends - starts)).reshape(-1, 2)
    count = np.zeros(outside.shape)
    for thing in things:
        count += outside & (thing.distance(points) <= 0.0).reshape(outside.shape)
    return np.asarray(count.sum(axis=0))


def _to_pieces(point: Array, starts: Array, ends: Array) -> Array:
    """(k,) distance of one point from each of many straight pieces."""
    along = ends - starts
    share = ((point - starts) * along).sum(axis=1) / np.maximum((along**2).sum(axis=1), 1e-12)
    return np.asarray(np.linalg.norm(starts + np.clip(share, 0.0, 1.0)[:, None] * along - point, axis=1))


def _to_ring(ring: Array, points: Array) -> tuple[Array, Array]:
    """(k,) distances from points to a convex ring, 0 inside, and (k, 2) its nearest points."""
    if len(ring) == 1:
        return np.linalg.norm(points - ring[0], axis=1), np.broadcast_to(ring[0], points.shape)
    far, nearest = np.full(len(points), np.inf), np.zeros(points.shape)
    sides = []
    for start, end in zip(ring, np.roll(ring, -1, axis=0)[: len(ring) if len(ring) > 2 else 1], strict=False):
        along = end - start
        offset = points - start
        share = np.clip(offset @ along / max(float(along @ along), 1e-12), 0.0, 1.0)
        foot = start + share[:, None] * along
        distance = np.linalg.norm(points - foot, axis=1)
        closer = distance < far
        far[closer], nearest[closer] = distance[closer], foot[closer]
        sides.append(along[0] * offset[:, 1] - along[1] * offset[:, 0])
    if len(ring) > 2:
        inside = np.all(np.array(sides) >= 0, axis=0) | np.all(np.array(sides) <= 0, axis=0)
        far = np.where(inside, 0.0, far)
        nearest = np.where(inside[:, None], points, nearest)
    return far, nearest


def spread(middles: Array, sizes: Array) -> Array:
    """(n,) places along a line near `middles`, in the same order, none nearer to the next than both halves of
    their `sizes`."""
    order = np.argsort(middles, kind="stable")
    places = middles[order].astype(float)
    apart = (sizes[order][1:] + sizes[order][:-1]) / 2
    for _ in range(500):
        lack = apart - np.diff(places)
        if not (lack > 1e-6).any():
            break
        push = np.maximum(lack, 0.0) / 2 * 1.001
        places[:-1] -= push
        places[1:] += push
    found = np.empty_like(places)
    found[order] = places
    return found

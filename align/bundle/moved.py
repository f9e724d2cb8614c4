"""Whether mirror or sheet moved between photos: what each photo says alone, held against the others.

Photos of before and after a correction show two mirrors' states; their mean is the state of neither.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..errors import SolveError
from ..optics.geometry import angle_between, mirror_normal
from ..solve.reflection import Face
from ..solve.solution import Box, SolvedBend, SolvedMirror
from .thresholds import LEAST_COMMON_SHARE, MOVED_CHI_SQUARE, MOVED_DEG, MOVED_MM

Array = NDArray[np.float64]

#: Half-width of a 95 % interval of a normal distribution in standard deviations.
NORMAL_QUANTILE = 1.96


@dataclass(frozen=True, eq=False)
class Said:
    """What one photo alone says of a mirror; quantile : half-width of its 95 % interval in standard deviations.

    trusted : whether its intervals hold, as they do not with a camera file that does not fit; bend : how the part
    that it shows is bent, None where the mirror was taken for flat.
    """

    photo: int
    mirror: SolvedMirror
    quantile: float
    trusted: bool = True
    bend: SolvedBend | None = None


@dataclass(frozen=True)
class Difference:
    """How far two photos differ about a mirror, and its chi-square of 3 degrees (lean, turn, offset)."""

    angle_deg: float
    offset_mm: float
    chi_square: float

    @property
    def beyond_chance(self) -> bool:
        """Whether the photos' own intervals do not explain it."""
        return self.chi_square > MOVED_CHI_SQUARE

    @property
    def moved(self) -> bool:
        """Whether it is so much that mirror or sheet moved."""
        return self.beyond_chance and (self.angle_deg > MOVED_DEG or self.offset_mm > MOVED_MM)


def difference(first: Said, second: Said) -> Difference:
    """How far two photos differ about one mirror; without a verdict where one is not to be trusted.

    A bent mirror's mean plane depends on the part that a photo shows, so both are taken over one part: what they
    have in common, or what lies between them, to which both are then extrapolated.
    """
    (one, its), (other, others) = planes_of_one_part(first, second)
    off = one - other
    off[1] = (off[1] + math.pi) % (2 * math.pi) - math.pi
    covariance = sum((said.quantile / NORMAL_QUANTILE) ** 2 * own for said, own in ((first, its), (second, others)))
    chi_square = float(off @ np.linalg.solve(covariance, off)) if first.trusted and second.trusted else 0.0
    angle = angle_between(mirror_normal(one[0], one[1]), mirror_normal(other[0], other[1]))
    return Difference(math.degrees(angle), abs(float(off[2])), chi_square)


def planes_of_one_part(first: Said, second: Said) -> tuple[tuple[Array, Array], tuple[Array, Array]]:
    """Of both: lean, turn [rad], offset [mm] of the mean plane over one part, and their covariance (3, 3)."""
    mirrors = (first.mirror, second.mirror)
    planes = [np.array([mirror.lean_rad, mirror.turn_rad, mirror.offset_mm]) for mirror in mirrors]
    if first.bend is None or second.bend is None:
        return (planes[0], first.mirror.covariance[:3, :3]), (planes[1], second.mirror.covariance[:3, :3])
    bends = (first.bend, second.bend)
    part = part_to_compare(bends[0].face, bends[1].face)
    # It is one mirror: where the one photo shows it bent, it may be bent as much just beyond the other one's part.
    curvature = max(bend.curvature_per_mm for bend in bends)
    (more, its), (further, others) = (bend.to_plane_over(part, curvature) for bend in bends)
    return (planes[0] + more, its), (planes[1] + further, others)


def part_to_compare(one: Face, other: Face) -> Box:
    """(left, right, bottom, top) [mm] of a mirror: what two parts have in common, or a strip between them."""
    across, upright = _between(one.edges[:2], other.edges[:2]), _between(one.edges[2:], other.edges[2:])
    return *across, *upright


def _between(one: tuple[float, float], other: tuple[float, float]) -> tuple[float, float]:
    """What two stretches have in common; where that is little or nothing, a short stretch halfway between them."""
    low, high = max(one[0], other[0]), min(one[1], other[1])
    least = LEAST_COMMON_SHARE * min(one[1] - one[0], other[1] - other[0])
    if high - low >= least:
        return low, high
    middle = (low + high) / 2
    return middle - least / 2, middle + least / 2


def grouped(photos: int, apart: Collection[tuple[int, int]]) -> list[list[int]]:
    """Photos that go together, in their order: each joins the first group that it disagrees with nobody of."""
    groups: list[list[int]] = []
    for photo in range(photos):
        for group in groups:
            if not any((other, photo) in apart for other in group):
                group.append(photo)
                break
        else:
            groups.append([photo])
    return groups


def moved_error(names: Sequence[str], groups: Sequence[Sequence[int]], said: Sequence[Said]) -> SolveError:
    """Two states in one check: what each group says of a mirror that they differ about, and which go together.

    said : of one mirror, for at least one photo of every group that shows it.
    """
    states = []
    for group in groups:
        own = [one for one in said if one.photo in group]
        if own:
            surest = min(own, key=lambda one: float(np.trace(one.mirror.covariance[:2, :2]))).mirror
            states.append(
                f"{listed([names[photo] for photo in group])} {'says' if len(group) == 1 else 'say'} lean "
                f"{math.degrees(surest.lean_rad):.2f}°, turn {math.degrees(surest.turn_rad):.2f}°, gap "
                f"{surest.offset_mm:.1f} mm".replace(" -", " −")
            )
    together = "; ".join(listed([names[photo] for photo in group]) for group in groups)
    remedy = (
        "Check each photo by itself, with --each."
        if all(len(group) == 1 for group in groups)
        else f"These go together, check each group by itself: {together}."
    )
    return SolveError(
        f"The mirror or the sheet moved between these photos: {'; '.join(states)}. A mixture of two states "
        "gives no packing.",
        remedy,
    )


def differ_words(names: Sequence[str], first: Said, second: Said, found: Difference) -> str:
    """A difference beyond chance that is too small to refuse."""
    return (
        f"{names[first.photo]} and {names[second.photo]} differ about the mirror by {found.angle_deg:.2f}° and "
        f"{found.offset_mm:.1f} mm, more than chance explains: mirror or sheet may have moved a little between "
        "them. The answer lies between the two."
    )


def listed(words: Sequence[str]) -> str:
    """ "a", "a and b", "a, b and c"."""
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"

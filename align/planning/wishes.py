"""Whether wishes are met: one rule for the plan's ticks and for the cures that it proposes.

What must not be seen must not be seen from any standing place, nor from places between them: people do not stand on
a grid. Of what should be seen, the share is counted over the standing places.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from .scene import Scene
from .thresholds import BETWEEN_PARTS, MOST_PLACES_BETWEEN
from .viewing import OWN_FACE, Views, look_at, own_face_seen

Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class EyePlaces:
    """Where wishes are tried from: (h, p, 3) [mm] the standing places, and places between them, if any are tried.

    spacing_mm : of the densest of them
    """

    standing: Array
    between: Array | None
    spacing_mm: float

    @property
    def both(self) -> Array:
        """(h, p, 3) all of them."""
        return self.standing if self.between is None else np.concatenate([self.standing, self.between], axis=1)


def eye_places(scene: Scene) -> EyePlaces:
    """The standing places with every eye height, and a finer grid where that is not too many."""
    viewers = scene.viewers
    for parts in BETWEEN_PARTS:
        closer = replace(viewers, spacing_mm=viewers.spacing_mm / parts)
        if closer.place_count <= MOST_PLACES_BETWEEN:
            return EyePlaces(scene.eyes(), scene.eyes(closer.places), closer.spacing_mm)
    return EyePlaces(scene.eyes(), None, viewers.spacing_mm)


@dataclass(frozen=True, eq=False)
class Judgement:
    """Every wish by name: whether it is met, whether the standing places alone would call it met, and of the places
    between, from how many it is missed."""

    met: dict[str, bool]
    met_standing: dict[str, bool]
    missed_between: dict[str, float]

    @property
    def only_between(self) -> tuple[str, ...]:
        """Wishes that are missed from places between the standing places alone."""
        return tuple(name for name, met in self.met.items() if not met and self.met_standing[name])


def judge(scene: Scene, views: Views, places: EyePlaces) -> Judgement:
    """Which wishes are met.

    Parameters
    ----------
    views : from `places.standing`
    """
    missed = {name: unwanted_share(scene, name, places.between) for name in views.met}
    met = {name: met and missed[name] == 0.0 for name, met in views.met.items()}
    return Judgement(met, views.met, missed)


def unwanted_share(scene: Scene, name: str, eyes: Array | None) -> float:
    """From which share of eye places something is seen that a wish forbids."""
    if eyes is None:
        return 0.0
    if name == OWN_FACE:
        return float(own_face_seen(scene, eyes).any(axis=2).mean())
    thing = scene.thing(name)
    return 0.0 if thing.want == "show" else float(look_at(scene, thing, eyes).unwanted.mean())


def wish_met(scene: Scene, name: str, places: EyePlaces) -> bool:
    """Whether one wish is met; the rule of `judge`."""
    if name == OWN_FACE:
        met = not own_face_seen(scene, places.standing).any()
    else:
        met = look_at(scene, scene.thing(name), places.standing).met
    return met and unwanted_share(scene, name, places.between) == 0.0


def wishes_met(scene: Scene, names: Iterable[str], places: EyePlaces) -> bool:
    """Whether all of some wishes are met; the rule of `judge`."""
    return all(wish_met(scene, name, places) for name in names)

"""The figures of a plan that an uncertainty about a mirror moves, each a `Quantity`; and how they get intervals."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, fields, is_dataclass, replace
from typing import Any, TypeVar, cast

import numpy as np
from numpy.typing import NDArray

from ..quantity import Quantity, combined, exactly
from .bend import PathEnd, PathPlan
from .lamp_ghosts import lamp_ghosts
from .scene import Mirror, Scene
from .seam import last_post_mm, seam_widths, smallest_mask
from .viewing import Views

Array = NDArray[np.float64]
Tree = TypeVar("Tree")


@dataclass(frozen=True)
class ThingShares:
    """Of all eye places: from how many one thing's wish is missed, it is seen directly, it is seen in a mirror."""

    missed: Quantity
    direct: Quantity
    mirrored: Quantity


@dataclass(frozen=True)
class PathFigures:
    """One path at one mirror; the fields are those of `PathPlan`, angles in degrees.

    run_mm : as half of the seeing eyes see it; last_post_mm : None for a path without posts
    """

    kink_deg: Quantity
    runs_on_deg: Quantity
    rise_deg: Quantity
    run_mm: Quantity
    longest_run_mm: Quantity
    aside_mm: Quantity
    spare_mm: Quantity
    jog_mm: Quantity
    meets_mm: tuple[Quantity, Quantity]
    last_post_mm: Quantity | None


@dataclass(frozen=True)
class SeamFigures:
    """The seam with one glass over all eyes that see the mirror's foot: depth, and greatest seen height."""

    least_mm: Quantity
    most_mm: Quantity
    most_arcmin: Quantity


@dataclass(frozen=True)
class GhostFigures:
    """One lamp's ghosts in one glass: from how many eye places, and how far from the lamp's image."""

    seen_share: Quantity
    least_arcmin: Quantity
    most_arcmin: Quantity


@dataclass(frozen=True)
class MaskFigures:
    """The smallest mask's height, and how far short of the glass a track may end behind it."""

    height_mm: Quantity
    end_short_mm: Quantity


@dataclass(frozen=True)
class MirrorFigures:
    """Those of one mirror.

    edges : from how many eye places each of its edges is seen, at least in part
    seams : by thickness of the glass; ghosts : by lamp and thickness; None stands for the mirror's own glass, whose
        thickness may itself be uncertain
    """

    edges: dict[str, Quantity]
    seams: dict[float | None, SeamFigures]
    mask: MaskFigures | None
    ghosts: dict[tuple[str, float | None], GhostFigures]

    def seam(self, mirror: Mirror, glass_mm: float) -> SeamFigures:
        """Those of one glass of the table."""
        return self.seams[_own_or(mirror, glass_mm)]

    def ghost(self, mirror: Mirror, lamp: str, glass_mm: float) -> GhostFigures:
        """Those of one lamp in one glass of the table."""
        return self.ghosts[lamp, _own_or(mirror, glass_mm)]


@dataclass(frozen=True)
class Figures:
    """All of them. paths : by name and end; mirrors : in the scene's order."""

    own_face_share: Quantity
    things: dict[str, ThingShares]
    paths: dict[tuple[str, PathEnd], PathFigures]
    mirrors: tuple[MirrorFigures, ...]


def _own_or(mirror: Mirror, glass_mm: float) -> float | None:
    return None if glass_mm == mirror.glass_mm else glass_mm


def figures_of(scene: Scene, views: Views, paths: Sequence[PathPlan], eyes: Array) -> Figures:
    """The figures of a scene as it stands, without intervals.

    Parameters
    ----------
    eyes : (n, 3) [mm] from which seam, mask and ghosts are worked out
    """
    return Figures(
        own_face_share=_share(views.own_face),
        things={
            view.name: ThingShares(_share(view.trouble), _share(view.direct), _share(view.mirrored))
            for view in views.things
        },
        paths={path.key: _path_figures(scene, path) for path in paths},
        mirrors=tuple(
            _mirror_figures(scene.led_by(mirror), edges, eyes)
            for mirror, edges in zip(scene.mirrors, views.mirror_edges, strict=True)
        ),
    )


def _mirror_figures(scene: Scene, edges: dict[str, Array], eyes: Array) -> MirrorFigures:
    """Those of the scene's first mirror."""
    mirror, mask = scene.mirror, smallest_mask(scene, eyes)
    return MirrorFigures(
        edges={edge: _share(shown > 0) for edge, shown in edges.items()},
        seams={
            _own_or(mirror, row.glass_mm): SeamFigures(
                exactly(row.least_mm), exactly(row.most_mm), _arcmin(row.most_seen)
            )
            for row in seam_widths(scene, eyes)
        },
        mask=None if mask is None else MaskFigures(exactly(mask.height_mm), exactly(mask.end_short_mm)),
        ghosts={
            (row.lamp, _own_or(mirror, row.glass_mm)): GhostFigures(
                exactly(row.seen_share), _arcmin(row.separation_min), _arcmin(row.separation_max)
            )
            for row in lamp_ghosts(scene, eyes)
        },
    )


def _share(flags: NDArray[np.bool_]) -> Quantity:
    return exactly(float(flags.mean()))


def _arcmin(angle: float) -> Quantity:
    return exactly(math.degrees(angle) * 60.0)


def _path_figures(scene: Scene, path: PathPlan) -> PathFigures:
    pitch = next((one.pitch_mm for one in scene.paths if one.name == path.name), 0.0)
    post, mirror = None, next(one for one in scene.mirrors if one.name == path.mirror)
    if pitch > 0:
        post = exactly(last_post_mm(mirror, scene.mean_eye, np.append(path.meets_mm, 0.0), pitch))
    return PathFigures(
        kink_deg=exactly(math.degrees(path.kink)),
        runs_on_deg=exactly(math.degrees(path.runs_on)),
        rise_deg=exactly(math.degrees(path.rise)),
        run_mm=exactly(path.typical_run_mm),
        longest_run_mm=exactly(path.longest_run_mm),
        aside_mm=exactly(path.aside_mm),
        spare_mm=exactly(path.spare_mm),
        jog_mm=exactly(path.jog_mm),
        meets_mm=(exactly(float(path.meets_mm[0])), exactly(float(path.meets_mm[1]))),
        last_post_mm=post,
    )


def with_intervals(nominal: Tree, moved: Sequence[tuple[Tree, Tree]]) -> Tree:
    """A tree of quantities with the intervals that moved inputs give it (`quantity.combined`).

    Parameters
    ----------
    nominal : dataclasses, dicts and tuples with a Quantity, or None, at every leaf
    moved : the same tree worked out with one input at its low and at its high end, a pair for each input; what
        such a tree lacks counts as not moved
    """
    return cast(Tree, _combined(nominal, list(moved)))


def _combined(node: Any, moved: list[tuple[Any, Any]]) -> Any:
    pairs = [tuple(node if end is None else end for end in pair) for pair in moved]
    if isinstance(node, Quantity):
        return combined(node.value, [(low.value, high.value) for low, high in pairs])
    if is_dataclass(node) and not isinstance(node, type):
        parts = {
            name: _combined(getattr(node, name), [(getattr(low, name), getattr(high, name)) for low, high in pairs])
            for name in (part.name for part in fields(node))
        }
        return replace(node, **parts)
    if isinstance(node, dict):
        return {
            name: _combined(part, [(low.get(name), high.get(name)) for low, high in pairs])
            for name, part in node.items()
        }
    if isinstance(node, tuple):
        return tuple(
            _combined(part, [(_at(low, number), _at(high, number)) for low, high in pairs])
            for number, part in enumerate(node)
        )
    return node


def _at(parts: tuple[Any, ...], number: int) -> Any:
    return parts[number] if number < len(parts) else None


def moved_mirror(mirror: Mirror, name: str, value: float) -> Mirror:
    """A mirror with one uncertain field (`Mirror.uncertainties`) moved."""
    if name == "at_y_mm":
        return replace(mirror, at_mm=(mirror.at_mm[0], value))
    return replace(mirror, **{name: value})  # type: ignore[arg-type]

"""A whole plan: read a scene, look from every eye place, and work out angle, seam, ghosts, glass and
cures."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path as FilePath

import numpy as np
from numpy.typing import NDArray

from .bend import WORTH_TURNING, PathPlan, plan_path, recommended_tolerance_deg
from .cures import Cure, cures_for, no_place_for
from .figures import Figures, figures_of, moved_mirror, with_intervals
from .lamp_ghosts import glass_advice, lamp_ghosts
from .opening import GlassOrder, glass_order
from .result import PlanResult, TurnedView
from .scene import Scene
from .scene_file import read_scene
from .screens import NoPlace
from .seam import seam_widths, smallest_mask
from .viewing import Views, face_grid, look, mirror_content, open_sides

Array = NDArray[np.float64]

#: Eye places that paths are worked out for: their answers are smooth, so a subset is enough.
MOST_EYES = 400
#: Eye places that seam, mask and ghosts are worked out for: all of them, but in very large standing areas.
MOST_EYES_SEAM = 6000
#: Fewer still for the open view, which casts a grid of rays from each.
MOST_EYES_OPEN = 60
#: Cures are looked for from no more eye places than this; what cures there is then tried from all,
#: and from places between them: people do not stand on a grid, and a screen is cut to the lines it must stop.
MOST_EYES_CURES = 600
_BETWEEN = (6, 3)
_MOST_PLACES_BETWEEN = 4000


def plan(scene: Scene | FilePath | str) -> PlanResult:
    """Work out a plan.

    Parameters
    ----------
    scene : a Scene, or the path of a scene file

    Raises
    ------
    FileFormatError : the scene file is wrong; OpeningError : the opening's measures cannot be right.
    """
    if not isinstance(scene, Scene):
        scene = read_scene(FilePath(scene))
    order = glass_order(scene.opening, scene.mirror.glass_mm) if scene.opening is not None else None
    views = look(scene)
    paths = plan_paths(scene, thinned(scene, MOST_EYES).reshape(-1, 3))
    every = thinned(scene, MOST_EYES_SEAM).reshape(-1, 3)
    ghosts = lamp_ghosts(scene, every)
    cures, no_place = _all_cures(scene, views)
    return PlanResult(
        scene,
        views,
        mirror_content(scene, scene.mean_eye),
        open_sides(scene, thinned(scene, MOST_EYES_OPEN).reshape(-1, 3)),
        cures,
        paths,
        seam_widths(scene, every),
        smallest_mask(scene, every),
        _turned(scene, paths),
        ghosts,
        glass_advice(ghosts),
        order,
        recommended_tolerance_deg(paths),
        figures_with_uncertainty(scene, views, paths),
        _warnings(scene, paths, order),
        no_place,
    )


def plan_paths(scene: Scene, eyes: Array) -> tuple[PathPlan, ...]:
    """Every path that meets the plane of the glass."""
    planned = (plan_path(scene, path, eyes) for path in scene.paths)
    return tuple(path for path in planned if path is not None)


def thinned(scene: Scene, most: int) -> Array:
    """(heights, places, 3) [mm] all eye heights at an even choice of at most `most` eye places, corners
    kept."""
    places = scene.viewers.places
    keep = max(4, most // len(scene.viewers.eye_heights_mm))
    if len(places) > keep:
        x0, x1, y0, y1 = scene.viewers.area_mm
        ends = [(x, y) for x in (x0, x1) for y in (y0, y1)]
        corners = [int(np.argmin(np.hypot(*(places - end).T))) for end in ends]
        even = np.linspace(0, len(places) - 1, keep - 4).astype(int) if keep > 4 else np.array([], int)
        places = places[np.unique([*corners, *even])]
    return scene.eyes(places)


def figures_with_uncertainty(
    scene: Scene, views: Views | None = None, paths: tuple[PathPlan, ...] | None = None
) -> Figures:
    """`figures.figures_of` with intervals: the mirror moved to both ends of each uncertainty, one at a time.

    Parameters
    ----------
    views, paths : of the scene as it stands, where they are known already
    """
    moved = [
        (figures_as_it_stands(_moved(scene, name, low)), figures_as_it_stands(_moved(scene, name, high)))
        for name, (low, high) in scene.uncertainties.items()
    ]
    return with_intervals(figures_as_it_stands(scene, views, paths), moved)


def figures_as_it_stands(
    scene: Scene, views: Views | None = None, paths: tuple[PathPlan, ...] | None = None
) -> Figures:
    """The figures that an uncertainty about the mirror moves, without intervals."""
    if paths is None:
        paths = plan_paths(scene, thinned(scene, MOST_EYES).reshape(-1, 3))
    return figures_of(scene, views or look(scene), paths, thinned(scene, MOST_EYES_SEAM).reshape(-1, 3))


def _moved(scene: Scene, name: str, value: float) -> Scene:
    return replace(scene, mirror=moved_mirror(scene.mirror, name, value))


def _all_cures(scene: Scene, views: Views) -> tuple[dict[str, tuple[Cure, ...]], dict[str, NoPlace]]:
    if not views.unmet:
        return {}, {}
    few = look(scene, thinned(scene, MOST_EYES_CURES))
    fine = scene.viewers
    for parts in _BETWEEN:
        closer = replace(scene.viewers, spacing_mm=scene.viewers.spacing_mm / parts)
        if closer.place_count <= _MOST_PLACES_BETWEEN:
            fine = closer
            break
    every = scene.eyes(fine.places)
    cures = {name: cures_for(scene, few, name, every, fine.spacing_mm) for name in views.unmet}
    without = [name for name in cures if all(cure.screen is None for cure in cures[name])]
    places = {name: no_place_for(scene, few, name, every, fine.spacing_mm) for name in without}
    return cures, {name: place for name, place in places.items() if place is not None}


def _turned(scene: Scene, paths: tuple[PathPlan, ...]) -> dict[str, TurnedView]:
    eyes = thinned(scene, MOST_EYES_OPEN).reshape(-1, 3)
    views = {}
    for path in paths:
        changed = scene.with_mirror(turn=path.needed_turn)
        before = (eyes - changed.mirror.foot_point) @ changed.mirror.normal > 0
        if abs(path.needed_turn - scene.mirror.turn) > WORTH_TURNING and before.all():
            views[path.name] = TurnedView(mirror_content(changed, scene.mean_eye), open_sides(changed, eyes))
    return views


def _misplaced(scene: Scene) -> list[str]:
    """What stands where it cannot be meant to: behind the glass, in it, off the floor."""
    mirror = scene.mirror
    words = []
    wanted = {thing.name: thing.samples for thing in scene.things if thing.want != "hide"}
    wanted |= {lamp.name: np.array([lamp.at_mm]) for lamp in scene.lamps}
    for name, points in wanted.items():
        if ((points - mirror.foot_point) @ mirror.normal <= 0).all():
            words.append(f"The {name} lies behind the mirror's face, where no mirror shows it: check its place.")
    cells = face_grid(mirror)
    for box in scene.solids:
        own = box.to_own_frame(cells)
        if np.any(np.all((own > box.low) & (own < box.high), axis=1)):
            words.append(f"The {box.name} stands in the glass: check its place, or the mirror's.")
    x0, x1, y0, y1 = scene.floor.area_mm
    if not (x0 <= mirror.at_mm[0] <= x1 and y0 <= mirror.at_mm[1] <= y1):
        words.append("The mirror's foot is beside the scene's floor: check `at` in [mirror].")
    vx0, vx1, vy0, vy1 = scene.viewers.area_mm
    if vx0 < x1 and vx1 > x0 and vy0 < y1 and vy1 > y0:
        words.append("The standing area reaches into the scene's floor: check x and y in [viewers].")
    return words


def _warnings(scene: Scene, paths: tuple[PathPlan, ...], order: GlassOrder | None) -> tuple[str, ...]:
    words = [*scene.notes, *_misplaced(scene)]
    met = {path.name for path in paths}
    words += [
        f"The {path.name} never reaches the plane of the glass: check its points."
        for path in scene.paths
        if path.name not in met
    ]
    words += [
        f"The {path.name} misses the glass by {-path.spare_mm:.0f} mm: move the mirror, or take a wider one."
        for path in paths
        if path.spare_mm < 0
    ]
    eyes = np.array(scene.viewers.eye_heights_mm) - scene.floor.height_mm
    if eyes.min() <= 0:
        words.append(
            f"An eye at {min(scene.viewers.eye_heights_mm):.0f} mm is below the scene's floor "
            f"({scene.floor.height_mm:.0f} mm): that viewer sees none of it; give them a step."
        )
    if order is not None and order.width_mm < scene.mirror.width_mm:
        words.append(
            f"The opening takes glass {order.width_mm:.0f} mm wide, the scene has a mirror of "
            f"{scene.mirror.width_mm:.0f} mm."
        )
    if order is not None and order.height_mm < scene.mirror.height_mm:
        words.append(
            f"The opening takes glass {order.height_mm:.0f} mm high, the scene has a mirror of "
            f"{scene.mirror.height_mm:.0f} mm."
        )
    return tuple(words)

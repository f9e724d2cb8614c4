"""What a plan remarks on beside its answers: what stands where it cannot be meant to, what will not fit."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from .bend import PathPlan
from .contents import face_grid, mirror_seen
from .findings import MirrorPlan
from .scene import Scene
from .viewing import Views


def remarks(scene: Scene, views: Views, paths: Sequence[PathPlan], plans: Sequence[MirrorPlan]) -> tuple[str, ...]:
    """One sentence each."""
    words = [*scene.notes, *_misplaced(scene)]
    met = {name for path in paths for name in (path.name, path.follows)}
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
    words += _low_eyes(scene, views)
    for plan in plans:
        words += _glass_too_large(plan)
    return tuple(words)


def _misplaced(scene: Scene) -> list[str]:
    """What stands where it cannot be meant to: behind every glass, in one, off the floor."""
    words = []
    wanted = {thing.name: thing.samples for thing in scene.things if thing.want not in ("hide", "not reversed")}
    wanted |= {lamp.name: np.array([lamp.at_mm]) for lamp in scene.lamps}
    for name, points in wanted.items():
        if all((mirror.heights(points) <= 0).all() for mirror in scene.mirrors):
            words.append(f"The {name} lies behind the mirror's face, where no mirror shows it: check its place.")
    x0, x1, y0, y1 = scene.floor.area_mm
    for mirror in scene.mirrors:
        cells = face_grid(mirror)
        for box in scene.solids:
            own = box.to_own_frame(cells)
            if np.any(np.all((own > box.low) & (own < box.high), axis=1)):
                words.append(
                    f"The {box.name} stands in the glass of {mirror.words}: check its place, or the mirror's."
                )
        if not (x0 <= mirror.at_mm[0] <= x1 and y0 <= mirror.at_mm[1] <= y1):
            foot = mirror.words.replace("the ", "The ", 1)
            words.append(f"{foot} has its foot beside the scene's floor: check its `at`.")
    vx0, vx1, vy0, vy1 = scene.viewers.area_mm
    if vx0 < x1 and vx1 > x0 and vy0 < y1 and vy1 > y0:
        words.append("The standing area reaches into the scene's floor: check x and y in [viewers].")
    return words


def _low_eyes(scene: Scene, views: Views) -> list[str]:
    """An eye below the floor does not see what lies on it; the mirrors it may well see, over the floor's edge."""
    words = []
    for number, height in enumerate(scene.viewers.eye_heights_mm):
        if height > scene.floor.height_mm:
            continue
        grid = views.eyes_mm[number : number + 1]
        sees = "a mirror's upper part over its edge" if mirror_seen(scene, grid) > 0 else "no mirror either"
        words.append(
            f"An eye at {height:.0f} mm is below the scene's floor ({scene.floor.height_mm:.0f} mm): that viewer "
            f"sees nothing that lies on it, and {sees}. Give them a step."
        )
    return words


def _glass_too_large(plan: MirrorPlan) -> list[str]:
    order, mirror = plan.order, plan.mirror
    if order is None:
        return []
    sizes = (("wide", order.width_mm, mirror.width_mm), ("high", order.height_mm, mirror.height_mm))
    return [
        f"The opening takes glass {fits:.0f} mm {word}, the scene has a mirror of {planned:.0f} mm."
        for word, fits, planned in sizes
        if fits < planned
    ]

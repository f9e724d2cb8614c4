"""A whole plan: read a scene, look from every eye place, and work out angle, seam, ghosts, glass and
cures."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path as FilePath

import numpy as np
from numpy.typing import NDArray

from .advice import GlassAdvice, glass_advice
from .bend import PathEnd, PathPlan, plan_paths, recommended_tolerance_deg
from .contents import mirror_content, open_sides
from .cures import Cure, Cures
from .figures import Figures, figures_of, moved_mirror, with_intervals
from .findings import MirrorPlan, TurnedView
from .giveaways import give_aways
from .handover import check_of
from .lamp_ghosts import lamp_ghosts, repeated_lamps
from .opening import GlassOrder, glass_order
from .remarks import remarks
from .result import PlanResult
from .scene import Mirror, Scene
from .scene_file import read_scene
from .screens import NoPlace
from .seam import seam_widths, smallest_mask
from .thresholds import MOST_CURED, WORTH_TURNING
from .viewing import Views, look
from .wishes import EyePlaces, Judgement, eye_places, judge

Array = NDArray[np.float64]
Say = Callable[[str], None]

#: Eye places that paths are worked out for: their answers are smooth, so a subset is enough.
MOST_EYES = 400
#: Eye places that seam, mask and ghosts are worked out for: all of them, but in very large standing areas.
MOST_EYES_SEAM = 6000
#: Fewer still for the open view, which casts a grid of rays from each.
MOST_EYES_OPEN = 60
#: Eye places from which what gives a mirror away is looked for.
MOST_EYES_GIVEN_AWAY = 600


def plan(scene: Scene | FilePath | str, progress: Say | None = None) -> PlanResult:
    """Work out a plan.

    Parameters
    ----------
    scene : a Scene, or the path of a scene file
    progress : called with a few words before each long step

    Raises
    ------
    FileFormatError : the scene file is wrong; OpeningError : the opening's measures cannot be right.
    """
    say: Say = progress or (lambda words: None)
    if not isinstance(scene, Scene):
        scene = read_scene(FilePath(scene))
    for opening in scene.openings:
        glass_order(opening, 4.0)  # measures that cannot be right are refused before anything long
    say("what is seen from every place")
    places = eye_places(scene)
    views = look(scene, places.standing)
    judgement = judge(scene, views, places)
    paths = plan_paths(scene, thinned(scene, MOST_EYES).reshape(-1, 3))
    say("seam, ghosts and glass")
    tolerance = recommended_tolerance_deg(paths)
    figures = figures_with_uncertainty(scene, views, paths)
    mirrors = tuple(_mirror_plan(scene, number, views, figures, paths) for number in range(len(scene.mirrors)))
    every = thinned(scene, MOST_EYES_SEAM).reshape(-1, 3)
    say("what gives the mirrors away" if len(mirrors) > 1 else "what gives the mirror away")
    given = give_aways(
        scene, look(scene, thinned(scene, MOST_EYES_GIVEN_AWAY)), tuple(one.seams for one in mirrors)
    )
    cures, no_place = _all_cures(scene, views, judgement, places, say)
    return PlanResult(
        scene=scene,
        views=views,
        judgement=judgement,
        mirrors=mirrors,
        cures=cures,
        paths=paths,
        turned=_turned(scene, paths),
        tolerance_deg=tolerance,
        figures=figures,
        give_aways=given,
        repeated_lamps=repeated_lamps(scene, every),
        warnings=remarks(scene, views, paths, mirrors),
        no_place=no_place,
    )


def _mirror_plan(
    scene: Scene, number: int, views: Views, figures: Figures, paths: tuple[PathPlan, ...]
) -> MirrorPlan:
    mirror = scene.mirrors[number]
    led = scene.led_by(mirror)
    every = thinned(scene, MOST_EYES_SEAM).reshape(-1, 3)
    ghosts = lamp_ghosts(led, every)
    advice = glass_advice(ghosts, mirror)
    own = tuple(path for path in paths if path.mirror == mirror.name)
    return MirrorPlan(
        mirror=mirror,
        content=mirror_content(scene, scene.mean_eye, mirror),
        sides=open_sides(scene, thinned(scene, MOST_EYES_OPEN).reshape(-1, 3), mirror),
        seams=seam_widths(led, every),
        mask=smallest_mask(led, every),
        ghosts=ghosts,
        advice=advice,
        order=_order(scene, mirror, advice),
        figures=figures.mirrors[number],
        edge_parts={edge: float(shown.mean()) for edge, shown in views.mirror_edges[number].items()},
        check=check_of(scene, mirror, recommended_tolerance_deg(own)),
    )


def _order(scene: Scene, mirror: Mirror, advice: GlassAdvice) -> GlassOrder | None:
    """The advised glass in the size of the mirror's opening; of a mirror that hangs already, its own."""
    opening = scene.opening_of(mirror)
    if opening is None:
        return None
    if mirror.measured_from and mirror.glass_mm > 0:
        return glass_order(opening, mirror.glass_mm)
    return glass_order(opening, advice.pane_mm, "front-coated" if advice.glass_mm == 0 else "back-silvered")


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
    """`figures.figures_of` with intervals: each mirror moved to both ends of each uncertainty, one at a time.

    Parameters
    ----------
    views, paths : of the scene as it stands, where they are known already
    """
    moved = [
        (
            figures_as_it_stands(_moved(scene, number, name, low)),
            figures_as_it_stands(_moved(scene, number, name, high)),
        )
        for number, mirror in enumerate(scene.mirrors)
        for name, (low, high) in mirror.uncertainties.items()
    ]
    return with_intervals(figures_as_it_stands(scene, views, paths), moved)


def figures_as_it_stands(
    scene: Scene, views: Views | None = None, paths: tuple[PathPlan, ...] | None = None
) -> Figures:
    """The figures that an uncertainty about a mirror moves, without intervals."""
    if paths is None:
        paths = plan_paths(scene, thinned(scene, MOST_EYES).reshape(-1, 3))
    return figures_of(scene, views or look(scene), paths, thinned(scene, MOST_EYES_SEAM).reshape(-1, 3))


def _moved(scene: Scene, number: int, name: str, value: float) -> Scene:
    mirrors = list(scene.mirrors)
    mirrors[number] = moved_mirror(mirrors[number], name, value)
    return replace(scene, mirror=mirrors[0], more_mirrors=tuple(mirrors[1:]))


def _all_cures(
    scene: Scene, views: Views, judgement: Judgement, places: EyePlaces, say: Say
) -> tuple[dict[str, tuple[Cure, ...]], dict[str, NoPlace]]:
    shares = {name: float(flags.mean()) for name, flags in views.troubles.items()}
    unmet = sorted((name for name, met in judgement.met.items() if not met), key=lambda name: -shares[name])
    unmet = unmet[:MOST_CURED]
    if not unmet:
        return {}, {}
    search = Cures(scene, views, judgement.met, places)
    cures, no_place = {}, {}
    for count, name in enumerate(unmet, start=1):
        say(f"cures for {name} ({count} of {len(unmet)})")
        cures[name] = search.cures(name)
        if all(cure.screen is None for cure in cures[name]) and (place := search.no_place(name)) is not None:
            no_place[name] = place
    return cures, no_place


def _turned(scene: Scene, paths: tuple[PathPlan, ...]) -> dict[tuple[str, PathEnd], TurnedView]:
    eyes = thinned(scene, MOST_EYES_OPEN).reshape(-1, 3)
    views = {}
    for path in paths:
        number = next(k for k, mirror in enumerate(scene.mirrors) if mirror.name == path.mirror)
        mirror = scene.mirrors[number]
        changed = scene.with_mirror(number, turn=path.needed_turn)
        stays = changed.mirrors[number].heights(eyes[mirror.heights(eyes) > 0]) > 0
        if abs(path.needed_turn - mirror.turn) > WORTH_TURNING and stays.all():
            there = changed.mirrors[number]
            views[path.key] = TurnedView(
                mirror_content(changed, scene.mean_eye, there), open_sides(changed, eyes, there)
            )
    return views

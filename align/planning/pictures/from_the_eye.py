"""What one viewer sees, ray by ray: the scene, and in the mirrors its images through the glass, repeats and all."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from ..bodies import Box
from ..eye import Eye, extent_of, eye_towards, frame_of
from ..rays import FIRST_BACK, Ends, follow
from ..reflections import seen_by_way, sight_images, ways
from ..scene import Scene
from ..sightlines import seen_direct
from ..street import carried_to_glass, edges_to_glass
from .parts import BLUE, GREY, INK, ORANGE, STONE, TYPE, WANT_COLOURS, WANT_WORDS, WIDE_INCH, wrapped_title

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from ..result import PlanResult

Array = NDArray[np.float64]

_PATH_FILL, _FLOOR_FILL, _MIRROR_TINT = "#B9CCDA", "#E9E4DA", "#CFE0EC"
#: How bright each face of a box is drawn, as if lit from the upper left: right, left, back, front, top, underside,
#: in the box's own frame.
_SHADES = np.array([0.72, 0.8, 0.85, 0.92, 1.0, 0.6])
#: Each reflection takes so much of a colour towards the mirror's tint, so that images are told from things.
_TINTED = 0.22
#: Pixels across each view.
_PIXELS = 800


def mirror_view(result: PlanResult) -> Any:
    """The sketch: the whole scene above, the mirrors enlarged below."""
    from matplotlib.figure import Figure

    scene = result.scene
    middle = np.mean([mirror.middle for mirror in scene.mirrors], axis=0)
    eye = eye_towards(scene.mean_eye, middle)
    corners = np.vstack([mirror.corners for mirror in scene.mirrors])
    frames = [
        frame_of(eye.project(points), margin) for points, margin in ((extent_of(scene), 0.04), (corners, 0.12))
    ]
    heights = [(WIDE_INCH - 0.4) * float((high - low)[1] / (high - low)[0]) for low, high in frames]
    figure = Figure(figsize=(WIDE_INCH, sum(heights) + 3.4), layout="constrained")
    whole, close = figure.subplots(2, 1, height_ratios=heights)
    drawn: set[str] = set()
    for ax, frame in ((whole, frames[0]), (close, frames[1])):
        drawn |= _draw(ax, scene, eye, *frame)
        ax.set_xticks([])
        ax.set_yticks([])
    several = len(scene.mirrors) > 1
    whole.set_title("the whole scene", fontsize=TYPE + 1)
    close.set_title("the mirrors, enlarged" if several else "the mirror, enlarged", fontsize=TYPE + 1)
    height = scene.mean_eye[2] + scene.floor.height_mm
    distance = float(np.linalg.norm(scene.mirror.middle - scene.mean_eye))
    which = "the first mirror" if several else "the mirror"
    wrapped_title(
        figure,
        f"{scene.name}, as {scene.middle_viewer} sees it: eyes {height:.0f} mm above the room's floor, "
        f"{distance:.0f} mm from {which}",
        TYPE + 3,
    )
    _legend(figure, scene, drawn)
    return figure


def _legend(figure: Any, scene: Scene, drawn: set[str]) -> None:
    """What is in the picture, and nothing else. drawn : names of the bodies and lamps that are."""
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    handles: list[tuple[Any, str]] = [
        (Patch(fc=_MIRROR_TINT, ec=INK, lw=2), "mirror (pale: the room, or the seam)")
    ]
    if any(box.name in drawn for box in scene.blockers):
        handles.append((Patch(fc=STONE, ec=INK), "solid things"))
    if scene.paths:
        handles.append((Patch(fc=_PATH_FILL, ec=BLUE), "path"))
    wanted = dict.fromkeys(thing.want for thing in scene.things if thing.name in drawn)
    handles += [(Patch(fc=WANT_COLOURS[want], ec=INK), WANT_WORDS[want]) for want in wanted]
    if any(lamp.name in drawn for lamp in scene.lamps):
        handles.append((Line2D([], [], marker="*", ls="", ms=14, color=ORANGE, mec=INK), "lamp"))
    figure.legend(
        [handle for handle, _ in handles],
        [words for _, words in handles],
        loc="outside lower center",
        ncols=2,
        frameon=False,
        fontsize=TYPE,
    )


def _draw(ax: Axes, scene: Scene, eye: Eye, low: Array, high: Array) -> set[str]:
    """Draw one view; the names of the bodies and lamps that are in it."""
    directions, shape = eye.rays(low, high, _PIXELS)
    loose = [thing.body for thing in scene.things if not thing.solid and max(thing.body.size_mm) > 0.0]
    bodies = [*scene.solids, *loose]
    ends = follow(scene, np.tile(eye.at_mm, (len(directions), 1)), directions, bodies)
    colours, codes = _colours(scene, bodies, ends)
    picture = colours.reshape(*shape, 3)
    picture[_outlines(codes.reshape(shape))] = _rgb(INK)
    ax.imshow(picture, extent=(low[0], high[0], low[1], high[1]), interpolation="bilinear", zorder=1)
    seen = {bodies[number].name for number in set(ends.body.tolist()) if number >= 0}
    return seen | _draw_lamps(ax, scene, eye, low, high)


def _colours(scene: Scene, bodies: list[Box], ends: Ends) -> tuple[Array, NDArray[np.int64]]:
    """(n, 3) colours, and (n,) numbers that differ where an edge is to be drawn."""
    fills = {box.name: STONE for box in scene.blockers} | {scene.floor.slab.name: _FLOOR_FILL}
    fills |= {thing.body.name: WANT_COLOURS[thing.want] for thing in scene.things}
    colours = np.ones((len(ends.body), 3))
    codes = np.where(ends.body >= 0, ends.body * 8 + 8, ends.body)
    for number, box in enumerate(bodies):
        rows = np.flatnonzero(ends.body == number)
        if len(rows) == 0:
            continue
        points = ends.points[rows]
        faces = _faces(box, points)
        colours[rows] = _SHADES[faces][:, None] * _rgb(fills[box.name])
        if box.name == scene.floor.slab.name:
            on_path = _on_path(scene, points) & (faces == 4)
            colours[rows[on_path]] = _rgb(_PATH_FILL)
            faces = np.where(on_path, 7, faces)
        codes[rows] += faces
    colours[ends.body <= FIRST_BACK] = _rgb(GREY)
    for count in range(1, ends.ways.shape[1] + 1):
        deep = ends.reflections >= count
        colours[deep] += _TINTED * (_rgb(_MIRROR_TINT) - colours[deep])
    blank = (ends.body < 0) & (ends.body > FIRST_BACK) & (ends.reflections > 0)
    colours[blank] = _rgb(_MIRROR_TINT)
    for column in range(ends.ways.shape[1]):
        codes = codes + (ends.ways[:, column] + 1) * 1000 * 10**column
    return colours, codes


def _rgb(colour: str) -> Array:
    from matplotlib.colors import to_rgb

    return np.array(to_rgb(colour))


def _faces(box: Box, points: Array) -> NDArray[np.int64]:
    """(n,) which face points on a box lie on: the order of _SHADES."""
    own = box.to_own_frame(points)
    off = np.stack(
        [
            np.abs(own[:, 0] - box.high[0]),
            np.abs(own[:, 0] - box.low[0]),
            np.abs(own[:, 1] - box.high[1]),
            np.abs(own[:, 1] - box.low[1]),
            np.abs(own[:, 2] - box.high[2]),
            np.abs(own[:, 2] - box.low[2]),
        ]
    )
    return np.asarray(off.argmin(axis=0))


def _on_path(scene: Scene, points: Array) -> NDArray[np.bool_]:
    """(n,) whether points of the floor lie on a path."""
    from matplotlib.path import Path as Ring

    inside = np.zeros(len(points), bool)
    for path in scene.paths:
        for mirror in scene.mirrors:
            met = carried_to_glass(path, mirror)
            if met is not None:
                left, right = edges_to_glass(met[0], max(path.width_mm, 4.0), mirror)
                inside |= Ring(np.vstack([left, right[::-1]])).contains_points(points[:, :2])
                break
    return inside


def _outlines(codes: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Pixels whose right or lower neighbour shows something else."""
    edge = np.zeros(codes.shape, bool)
    edge[:, :-1] |= codes[:, :-1] != codes[:, 1:]
    edge[:-1] |= codes[:-1] != codes[1:]
    return edge


def _draw_lamps(ax: Axes, scene: Scene, eye: Eye, low: Array, high: Array) -> set[str]:
    """Stars where the eye sees lamps, straight or in mirrors; the names of those lamps."""
    drawn: set[str] = set()
    at = eye.at_mm[None]
    for lamp in scene.lamps:
        place = np.array([lamp.at_mm])
        places = [place] if seen_direct(at, place, scene.solids, *scene.mirrors)[0, 0] else []
        places += [
            sight_images(way, at, place)
            for way in ways(scene.mirrors)
            if seen_by_way(way, at, place, scene.solids, scene.mirrors)[0, 0]
        ]
        for one in places:
            x, y = eye.project(one)[0]
            if low[0] < x < high[0] and low[1] < y < high[1]:
                ax.plot(x, y, "*", ms=15, color=ORANGE, mec=INK, zorder=3)
                drawn.add(lamp.name)
    return drawn

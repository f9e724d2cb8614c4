"""A perspective sketch of what the mean viewer sees: the scene, and in the mirror its image through the
glass."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from ...optics.geometry import reflect
from ...optics.slab import virtual_point
from ..bodies import Box
from ..scene import Scene
from ..sightlines import seen_direct, seen_in_mirror
from ..street import before_glass, carried_to_glass, edges_to_glass, on_floor
from .parts import BLUE, GREY, INK, ORANGE, STONE, TYPE, WANT_COLOURS

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.patches import Polygon

    from ..result import PlanResult

Array = NDArray[np.float64]

# Faces of a box as corners of `Box.corners`; and how bright each is drawn, as if lit from the upper left.
_FACES = (
    ((0, 1, 5, 4), 0.92),
    ((1, 2, 6, 5), 0.72),
    ((2, 3, 7, 6), 0.85),
    ((3, 0, 4, 7), 0.8),
    ((4, 5, 6, 7), 1.0),
)
_PATH_FILL = "#B9CCDA"
_FLOOR_FILL = "#E9E4DA"
_MIRROR_TINT = "#DCE9F2"


@dataclass(frozen=True, eq=False)
class Eye:
    """A viewer's eye and the way it looks. at_mm (3,); axes (3, 3): rows right, up, forward."""

    at_mm: Array
    axes: Array

    def project(self, points: Array) -> Array:
        """(n, 2) tangents of the angles right and up; nan behind the eye."""
        own = (points - self.at_mm) @ self.axes.T
        depth = np.where(own[:, 2] > 1.0, own[:, 2], np.nan)
        return np.asarray(own[:, :2] / depth[:, None])


def eye_towards(at: Array, target: Array) -> Eye:
    """An upright eye that looks at a point."""
    forward = (target - at) / np.linalg.norm(target - at)
    right = np.cross(forward, [0.0, 0.0, 1.0])
    right /= np.linalg.norm(right)
    return Eye(at, np.stack([right, np.cross(right, forward), forward]))


def mirror_view(result: PlanResult) -> Any:
    """The sketch: the whole scene on the left, the mirror enlarged on the right."""
    from matplotlib.figure import Figure

    scene = result.scene
    eye = eye_towards(scene.mean_eye, scene.mirror.corners.mean(axis=0))
    figure = Figure(figsize=(18, 7.6), layout="constrained")
    whole, close = figure.subplots(1, 2, width_ratios=(1.15, 1))
    for ax in (whole, close):
        _draw_scene(ax, scene, eye)
        ax.set_aspect("equal")
        ax.set_xticks([])
        ax.set_yticks([])
    _frame(whole, eye.project(_extent(scene)), 0.04)
    _frame(close, eye.project(scene.mirror.corners), 0.12)
    whole.set_title("the whole scene", fontsize=TYPE + 1)
    close.set_title("the mirror, enlarged", fontsize=TYPE + 1)
    height = scene.mean_eye[2] + scene.floor.height_mm
    distance = float(np.linalg.norm(scene.mirror.corners.mean(axis=0) - scene.mean_eye))
    figure.suptitle(
        f"{scene.name}, as the mean viewer sees it: eyes {height:.0f} mm above the room's floor, "
        f"{distance:.0f} mm from the mirror",
        fontsize=TYPE + 3,
        fontweight="bold",
    )
    _legend(figure)
    return figure


def _legend(figure: Any) -> None:
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    handles = [
        (Patch(fc=_MIRROR_TINT, ec=INK, lw=3), "mirror (pale: the room, and the seam at its foot)"),
        (Patch(fc=STONE, ec=INK), "solid things"),
        (Patch(fc=_PATH_FILL, ec=BLUE), "path"),
        (Patch(fc=WANT_COLOURS["show"]), "should show"),
        (Patch(fc=WANT_COLOURS["hide"]), "must not show"),
        (Patch(fc=WANT_COLOURS["mirror only"]), "in the mirror only"),
        (Line2D([], [], marker="*", ls="", ms=14, color=ORANGE, mec=INK), "lamp"),
    ]
    figure.legend(
        [handle for handle, _ in handles],
        [words for _, words in handles],
        loc="outside lower center",
        ncols=4,
        frameon=False,
        fontsize=TYPE,
    )


def _extent(scene: Scene) -> Array:
    x0, x1, y0, y1 = scene.floor.area_mm
    floor = np.array([(x, y, 0.0) for x in (x0, x1) for y in (y0, y1)])
    return np.vstack([floor, scene.mirror.corners, *(box.corners for box in scene.blockers)])


def _frame(ax: Axes, points: Array, margin: float) -> None:
    low, high = np.nanmin(points, axis=0), np.nanmax(points, axis=0)
    pad = margin * float((high - low).max())
    ax.set_xlim(low[0] - pad, high[0] + pad)
    ax.set_ylim(low[1] - pad, high[1] + pad)


def _draw_scene(ax: Axes, scene: Scene, eye: Eye) -> None:
    """Back to front: floor, mirror with its image clipped to it, then everything before the glass."""
    _polygon(ax, eye.project(_floor_corners(scene)), fc=_FLOOR_FILL, ec=INK, lw=1.5, zorder=1)
    _draw_paths(ax, scene, eye, image=False, clip=None)
    glass = _polygon(ax, eye.project(scene.mirror.corners), fc=_MIRROR_TINT, ec="none", zorder=3)
    floor = eye.project(_image(scene, eye, before_glass(_floor_corners(scene), scene.mirror)))
    _polygon(ax, floor, clip=glass, fc=_FLOOR_FILL, ec=GREY, lw=1.0, zorder=4)
    _draw_paths(ax, scene, eye, image=True, clip=glass)
    _draw_bodies(ax, scene, eye, image=True, clip=glass, zorder=6)
    _polygon(ax, eye.project(scene.mirror.corners), fc="none", ec=INK, lw=3, zorder=1000)
    _draw_bodies(ax, scene, eye, image=False, clip=None, zorder=2000)


def _floor_corners(scene: Scene) -> Array:
    """(4, 3) the floor's rectangle."""
    x0, x1, y0, y1 = scene.floor.area_mm
    return np.array([(x0, y0, 0.0), (x1, y0, 0.0), (x1, y1, 0.0), (x0, y1, 0.0)])


def _image(scene: Scene, eye: Eye, points: Array) -> Array:
    """(n, 3) where the eye sees the images of points, through the glass; nan for points behind the mirror."""
    mirror = scene.mirror
    heights = (points - mirror.foot_point) @ mirror.normal
    clamped = points + np.maximum(-heights, 0.0)[:, None] * mirror.normal
    return virtual_point(
        clamped,
        eye.at_mm,
        normal=mirror.normal,
        plane_point=mirror.foot_point,
        thickness_mm=mirror.glass_mm,
        index=mirror.index,
    )


def _draw_paths(ax: Axes, scene: Scene, eye: Eye, *, image: bool, clip: Polygon | None) -> None:
    for path in scene.paths:
        met = carried_to_glass(path, scene.mirror)
        if met is None:
            continue
        left, right = (on_floor(edge) for edge in edges_to_glass(met[0], max(path.width_mm, 4.0), scene.mirror))
        ring = np.vstack([left, right[::-1]])
        points = _image(scene, eye, ring) if image else ring
        _polygon(ax, eye.project(points), clip=clip, fc=_PATH_FILL, ec=BLUE, lw=1.2, zorder=5 if image else 2)


def _draw_bodies(ax: Axes, scene: Scene, eye: Eye, *, image: bool, clip: Polygon | None, zorder: int) -> None:
    """Boxes and things, the hindmost first, then the lamps that are seen; as images or as they stand."""
    bodies = [(box, STONE) for box in scene.blockers]
    bodies += [(thing.body, WANT_COLOURS[thing.want]) for thing in scene.things]
    at = eye.at_mm
    if image:
        at = reflect(at[None], scene.mirror.normal, scene.mirror.foot_point)[0]
    for number in back_to_front([box for box, _ in bodies], at):
        box, colour = bodies[number]
        for points, shade in _faces(scene, eye, box, colour, image):
            _polygon(ax, eye.project(points), clip=clip, fc=shade, ec=INK, lw=0.8, zorder=zorder)
        zorder += 1
    seen = seen_in_mirror if image else seen_direct
    for lamp in scene.lamps:
        place = np.array([lamp.at_mm])
        if seen(eye.at_mm[None], place, scene.solids, scene.mirror)[0, 0]:
            (x, y) = eye.project(_image(scene, eye, place) if image else place)[0]
            ax.plot(x, y, "*", ms=15, color=ORANGE, mec=INK, zorder=zorder, clip_on=True)


def back_to_front(boxes: list[Box], eye: Array) -> list[int]:
    """An order in which boxes can be drawn so that each covers those behind it.

    Two boxes that do not overlap are parted by a face of one of them, if they are upright; whichever lies on
    the eye's side of it is drawn later. Among those that nothing parts, the farther comes first.
    """
    behind = [[_lies_behind(a, b, eye) for b in boxes] for a in boxes]
    distance = [float(np.linalg.norm(box.corners.mean(axis=0) - eye)) for box in boxes]
    left, order = set(range(len(boxes))), list[int]()
    while left:
        free = [a for a in left if not any(behind[b][a] for b in left if b != a)]
        pick = max(free or left, key=lambda number: distance[number])
        order.append(pick)
        left.remove(pick)
    return order


def _lies_behind(a: Box, b: Box, eye: Array) -> bool:
    """Whether a face of either box parts a from b with the eye on b's side."""
    for own, other, own_is_a in ((a, b, True), (b, a, False)):
        corners, place = own.to_own_frame(other.corners), own.to_own_frame(eye)
        for axis in range(3):
            for sign, limit in ((1.0, own.high[axis]), (-1.0, -own.low[axis])):
                parted = bool(np.all(sign * corners[:, axis] >= limit - 1e-6))
                eye_beyond = sign * place[axis] > limit
                if parted and eye_beyond == own_is_a:
                    return True
    return False


def _faces(scene: Scene, eye: Eye, box: Box, colour: str, image: bool) -> list[tuple[Array, Any]]:
    """The faces of a box that the eye sees: corners and shade."""
    from matplotlib.colors import to_rgb

    corners = _image(scene, eye, box.corners) if image else box.corners
    middle = corners.mean(axis=0)
    found = []
    for ring, light in _FACES:
        face = corners[list(ring)]
        centre = face.mean(axis=0)
        if (centre - middle) @ (eye.at_mm - centre) > 0:
            found.append((face, tuple(light * part for part in to_rgb(colour))))
    return found


def _polygon(ax: Axes, points: Array, clip: Polygon | None = None, **style: Any) -> Polygon:
    from matplotlib.patches import Polygon

    patch = Polygon(np.nan_to_num(points), closed=True, **style)
    ax.add_patch(patch)
    if clip is not None:
        patch.set_clip_path(clip)
    return patch

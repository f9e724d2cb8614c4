"""A scene with a mirror in it, as a tape measure describes it. Pure descriptions: no files, no pictures.

Frame: the axes of the target frame (docs/conventions.md): x to the viewer's right, y away from the viewer
towards the mirror, z up from the scene's floor; millimetres. The origin is any one point on the floor that
the builder can measure from; the example takes the middle of the scene's front edge. Angles are in
radians here and in degrees in the scene file. Headings (of a path, of a box) are turned from straight ahead
(the y axis), anticlockwise seen from above, the same way round as a mirror's turn.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from ..optics.geometry import mirror_normal
from ..optics.slab import FLOAT_GLASS_INDEX
from ..quantity import Quantity, exactly

Array = NDArray[np.float64]

#: Standing eye heights above the room's floor [mm], without shoes (add some 25 to 45 for them).
#: Adults: S. Pheasant, Bodyspace (2nd ed. 1996), British adults aged 19 to 65, eye height: women's 5th
#: percentile 1405, men's 95th 1745, medians 1505 and 1630 (checked against a university's online copy of
#: the table). Child: about 1000, our own estimate for a five-year-old: median stature 1084 (girls) to 1099
#: (boys) in a US growth table, less about 95 from the crown to the eye (adults in the same source as above:
#: 105 to 110).
CHILD_EYE_MM, SHORT_WOMAN_EYE_MM, TALL_MAN_EYE_MM = 1000.0, 1405.0, 1745.0
MEAN_ADULT_EYE_MM = (1505.0 + 1630.0) / 2
DEFAULT_EYES_MM = (CHILD_EYE_MM, SHORT_WOMAN_EYE_MM, TALL_MAN_EYE_MM)

#: A panel is drawn as a line but blocks as a sheet this thick [mm]; thin card or plywood, no source.
PANEL_THICKNESS_MM = 1.0


@dataclass(frozen=True, eq=False)
class Mirror:
    """One flat rectangular mirror.

    at_mm : (x, y) where the middle line of the front face, carried down, meets the floor
    width_mm, height_mm : of the glass; foot_mm : lower edge above the floor, along the glass
    lean, turn : [rad], signs as everywhere (design: frames and signs)
    glass_mm : thickness of the glass before the silvering; 0 = front-coated
    index : refractive index of the glass
    """

    at_mm: tuple[float, float]
    width_mm: float
    height_mm: float
    foot_mm: float = 0.0
    lean: float = 0.0
    turn: float = 0.0
    glass_mm: float = 4.0
    index: float = FLOAT_GLASS_INDEX

    @property
    def normal(self) -> Array:
        """(3,) unit normal of the front face, towards the viewer."""
        return mirror_normal(self.lean, self.turn)

    @property
    def across(self) -> Array:
        """(3,) unit vector in the face, level, to the viewer's right."""
        return np.array([math.cos(self.turn), math.sin(self.turn), 0.0])

    @property
    def upward(self) -> Array:
        """(3,) unit vector in the face, up the glass."""
        return np.cross(self.normal, self.across)

    @property
    def foot_point(self) -> Array:
        """(3,) [mm] the point on the floor that `at_mm` names."""
        return np.array([self.at_mm[0], self.at_mm[1], 0.0])

    def on_face(self, across_mm: Array, up_mm: Array) -> Array:
        """(n, 3) [mm] points of the face's plane, from (n,) distances right of and up from its foot point."""
        return np.asarray(self.foot_point + np.outer(across_mm, self.across) + np.outer(up_mm, self.upward), float)

    def just_before(self, points: Array) -> Array:
        """Points of the face moved 0.01 mm towards the viewer, and never below the floor: for lines of sight."""
        moved = points + 0.01 * self.normal
        return np.column_stack([moved[:, :2], np.maximum(moved[:, 2], 0.0)])

    @property
    def corners(self) -> Array:
        """(4, 3) [mm] corners of the front face: foot left, foot right, top right, top left."""
        half, top = self.width_mm / 2, self.foot_mm + self.height_mm
        return self.on_face(np.array([-half, half, half, -half]), np.array([self.foot_mm, self.foot_mm, top, top]))


@dataclass(frozen=True, eq=False)
class Box:
    """An upright box: a house, a pillar, a room. Turned about the vertical only.

    centre_mm : (x, y) of its middle; size_mm : (along its own x, along its own y, high)
    base_mm : its underside above the floor; turn : [rad] anticlockwise seen from above
    """

    name: str
    centre_mm: tuple[float, float]
    size_mm: tuple[float, float, float]
    base_mm: float = 0.0
    turn: float = 0.0
    is_panel: bool = False

    @property
    def low(self) -> Array:
        """(3,) [mm] lowest corner in the box's own frame (origin below its middle, on the floor)."""
        return np.array([-self.size_mm[0] / 2, -self.size_mm[1] / 2, self.base_mm])

    @property
    def high(self) -> Array:
        """(3,) [mm] highest corner in the box's own frame."""
        return np.array([self.size_mm[0] / 2, self.size_mm[1] / 2, self.base_mm + self.size_mm[2]])

    def to_own_frame(self, points: Array) -> Array:
        """Points (..., 3) [mm] of the scene in the box's own frame."""
        c, s = math.cos(self.turn), math.sin(self.turn)
        x, y = points[..., 0] - self.centre_mm[0], points[..., 1] - self.centre_mm[1]
        return np.stack([c * x + s * y, c * y - s * x, points[..., 2]], axis=-1)

    def from_own_frame(self, points: Array) -> Array:
        """Inverse of `to_own_frame`."""
        c, s = math.cos(self.turn), math.sin(self.turn)
        x, y = points[..., 0], points[..., 1]
        return np.stack(
            [c * x - s * y + self.centre_mm[0], s * x + c * y + self.centre_mm[1], points[..., 2]], axis=-1
        )

    @property
    def corners(self) -> Array:
        """(8, 3) [mm] corners in the scene's frame: four below (anticlockwise), four above."""
        (x0, y0, z0), (x1, y1, z1) = self.low, self.high
        ring = [(x0, y0), (x1, y0), (x1, y1), (x0, y1)]
        return self.from_own_frame(np.array([(x, y, z) for z in (z0, z1) for x, y in ring]))

    def overlaps(self, other: Box) -> bool:
        """Whether two upright boxes share any room; touching is not sharing.

        Two that do not are parted by a plane along a face of one of them (separating axes: Gottschalk, Lin,
        Manocha, OBBTree, SIGGRAPH 1996, from memory; for upright boxes their own axes are enough).
        """
        for own, corners in ((self, other.corners), (other, self.corners)):
            there = own.to_own_frame(corners)
            if np.any((there.max(axis=0) <= own.low + 1e-9) | (there.min(axis=0) >= own.high - 1e-9)):
                return False
        return True

    def cut_by(self, corners: Array) -> bool:
        """Whether a flat rectangle, (4, 3) [mm] corners in order, cuts into the box; touching is not cutting.

        As in `overlaps`, but the rectangle may lean: crosswise to an edge of each they may be parted as well.
        """
        own = self.to_own_frame(corners)
        edges = np.array([own[1] - own[0], own[3] - own[0]])
        axes = [*np.eye(3), np.cross(*edges), *(np.cross(edge, axis) for edge in edges for axis in np.eye(3))]
        box = self.to_own_frame(self.corners)
        for axis in axes:
            length = float(np.linalg.norm(axis))
            if length > 1e-9 * float(np.linalg.norm(edges)):  # else the edges are parallel
                there, here = own @ axis / length, box @ axis / length
                if there.max() <= here.min() + 1e-9 or there.min() >= here.max() - 1e-9:
                    return False
        return True


def panel(
    name: str, start_mm: tuple[float, float], end_mm: tuple[float, float], base_mm: float, top_mm: float
) -> Box:
    """An upright panel between two points of the floor, as a very thin box."""
    dx, dy = end_mm[0] - start_mm[0], end_mm[1] - start_mm[1]
    centre = ((start_mm[0] + end_mm[0]) / 2, (start_mm[1] + end_mm[1]) / 2)
    size = (math.hypot(dx, dy), PANEL_THICKNESS_MM, top_mm - base_mm)
    return Box(name, centre, size, base_mm, math.atan2(dy, dx), is_panel=True)


#: What is wanted of a thing.
WANTS = ("show", "hide", "mirror only")


@dataclass(frozen=True, eq=False)
class Thing:
    """Something that must show, must not show, or must show in the mirror only.

    body : its box (a point is a box of size 0); solid : it also blocks the view
    least_share : of the eye places, from how many it should show
    """

    name: str
    want: str
    body: Box
    solid: bool = False
    least_share: float = 1.0

    @property
    def samples(self) -> Array:
        """(9, 3) or (1, 3) [mm]: the middle and the eight corners, drawn in by a tenth."""
        if max(self.body.size_mm) == 0.0:
            return self.body.corners[:1]
        middle = self.body.corners.mean(axis=0)
        return np.vstack([middle, middle + 0.9 * (self.body.corners - middle)])


@dataclass(frozen=True, eq=False)
class Lamp:
    """A small light; its ghosts are what the plan asks about."""

    name: str
    at_mm: tuple[float, float, float]
    diameter_mm: float = 3.0


@dataclass(frozen=True, eq=False)
class Path:
    """A street, a track, a row of posts that runs up to the glass.

    points_mm : (n, 2) along its middle, from its beginning to the mirror: two points are a straight path,
        three the arc through them, more a line of straight pieces
    width_mm : of the path; pitch_mm : spacing of its posts or sleepers, 0 where it has none
    run_on : heading [rad] in which it should seem to run on behind the glass; None = straight on
    """

    name: str
    points_mm: Array
    width_mm: float = 0.0
    pitch_mm: float = 0.0
    run_on: float | None = None


@dataclass(frozen=True, eq=False)
class Viewers:
    """Where people stand, and how high their eyes are.

    area_mm : (x0, x1, y0, y1) of the standing area; x0 = x1 or y0 = y1 is a line
    eye_heights_mm : above the *room's* floor; spacing_mm : of the standing places that are tried
    """

    area_mm: tuple[float, float, float, float]
    eye_heights_mm: tuple[float, ...] = DEFAULT_EYES_MM
    spacing_mm: float = 100.0

    @property
    def _counts(self) -> tuple[int, int]:
        x0, x1, y0, y1 = self.area_mm
        return 1 + math.ceil((x1 - x0) / self.spacing_mm), 1 + math.ceil((y1 - y0) / self.spacing_mm)

    @property
    def place_count(self) -> int:
        """How many standing places there are, without making them."""
        return self._counts[0] * self._counts[1]

    @property
    def places(self) -> Array:
        """(n, 2) [mm] standing places, corners of the area included."""
        x0, x1, y0, y1 = self.area_mm
        xs, ys = np.linspace(x0, x1, self._counts[0]), np.linspace(y0, y1, self._counts[1])
        return np.array([(x, y) for y in ys for x in xs])


@dataclass(frozen=True, eq=False)
class Opening:
    """The opening that the glass goes into, as measured: four sides and two diagonals [mm].

    rising_mm : bottom left to top right; falling_mm : top left to bottom right
    doubt_mm : a reading is within this of the truth (95 %); clearance_mm : left free on every side
    where : where each stands in the scene file, by name, for the error messages
    """

    bottom_mm: float
    right_mm: float
    top_mm: float
    left_mm: float
    rising_mm: float
    falling_mm: float
    uncertainty_mm: float = 1.0
    clearance_mm: float = 2.0
    where: dict[str, str] = field(default_factory=dict)


@dataclass(frozen=True, eq=False)
class Floor:
    """The scene's floor: a level rectangle (x0, x1, y0, y1) [mm], `height_mm` above the room's floor."""

    area_mm: tuple[float, float, float, float]
    height_mm: float
    thickness_mm: float = 20.0

    @property
    def slab(self) -> Box:
        """The floor as a box that blocks the view of an eye that is lower than it."""
        x0, x1, y0, y1 = self.area_mm
        size = (x1 - x0, y1 - y0, self.thickness_mm)
        return Box("the floor", ((x0 + x1) / 2, (y0 + y1) / 2), size, -self.thickness_mm)


@dataclass(frozen=True, eq=False)
class Scene:
    """Everything that the plan is worked out from. `uncertainties`: 95 % intervals of mirror fields, own units."""

    name: str
    mirror: Mirror
    floor: Floor
    viewers: Viewers
    blockers: tuple[Box, ...] = ()
    things: tuple[Thing, ...] = ()
    keep_clear: tuple[Box, ...] = ()
    lamps: tuple[Lamp, ...] = ()
    paths: tuple[Path, ...] = ()
    opening: Opening | None = None
    uncertainties: dict[str, tuple[float, float]] = field(default_factory=dict)
    measured_from: str = ""
    notes: tuple[str, ...] = ()

    @property
    def solids(self) -> tuple[Box, ...]:
        """Everything that blocks the view, but for the mirror: blockers, solid things and the floor."""
        return (*self.blockers, *(thing.body for thing in self.things if thing.solid), self.floor.slab)

    def eyes(self, places: Array | None = None) -> Array:
        """(heights, places, 3) [mm] eye places: every standing place with every eye height."""
        if places is None:
            places = self.viewers.places
        heights = np.array(self.viewers.eye_heights_mm) - self.floor.height_mm
        grid = np.empty((len(heights), len(places), 3))
        grid[..., :2] = places
        grid[..., 2] = heights[:, None]
        return grid

    @property
    def mean_eye(self) -> Array:
        """(3,) [mm] the middle of the standing area, at the mean adult's height or the middle one listed."""
        x0, x1, y0, y1 = self.viewers.area_mm
        heights = self.viewers.eye_heights_mm
        height = MEAN_ADULT_EYE_MM if heights == DEFAULT_EYES_MM else float(np.median(heights))
        return np.array([(x0 + x1) / 2, (y0 + y1) / 2, height - self.floor.height_mm])

    @property
    def viewer_names(self) -> tuple[str, ...]:
        """What to call the eye heights, in their order."""
        if self.viewers.eye_heights_mm == DEFAULT_EYES_MM:
            return ("child", "short adult", "tall adult")
        return tuple(f"eyes at {height:g} mm" for height in self.viewers.eye_heights_mm)

    def with_mirror(self, **changes: object) -> Scene:
        """The same scene with some of the mirror's fields changed."""
        return replace(self, mirror=replace(self.mirror, **changes))  # type: ignore[arg-type]

    def uncertainty_of(self, name: str) -> Quantity:
        """A mirror's field as a quantity: `lean`, `turn` [rad], `glass_mm`, `at_y_mm`."""
        value = self.mirror.at_mm[1] if name == "at_y_mm" else float(getattr(self.mirror, name))
        if name in self.uncertainties:
            return Quantity(value, *self.uncertainties[name])
        return exactly(value)

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
from typing import Literal, get_args

import numpy as np
from numpy.typing import NDArray

from ..optics.geometry import mirror_normal
from ..optics.slab import FLOAT_GLASS_INDEX
from ..quantity import Quantity, exactly
from .bodies import Box, Cutout

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

#: What a mirror is called that is the only one and has no name of its own.
ONLY_MIRROR = "mirror"
#: A mirror turned by more than this [rad] faces along the scene's x rather than along its y.
SIDEWAYS = math.radians(45.0)


@dataclass(frozen=True, eq=False)
class Mirror:
    """One flat rectangular mirror.

    at_mm : (x, y) where the middle line of the front face, carried down, meets the floor
    width_mm, height_mm : of the glass; foot_mm : lower edge above the floor, along the glass
    lean, turn : [rad], signs as everywhere (docs/conventions.md)
    glass_mm : thickness of the glass before the silvering; 0 = front-coated
    index : refractive index of the glass
    name : to tell several apart; uncertainties : 95 % intervals of `lean`, `turn` [rad], `glass_mm`, `at_y_mm`
    measured_from : the file that a hanging mirror's measurement came from, if it was measured
    """

    at_mm: tuple[float, float]
    width_mm: float
    height_mm: float
    foot_mm: float = 0.0
    lean: float = 0.0
    turn: float = 0.0
    glass_mm: float = 4.0
    index: float = FLOAT_GLASS_INDEX
    name: str = ONLY_MIRROR
    uncertainties: dict[str, tuple[float, float]] = field(default_factory=dict)
    measured_from: str = ""

    @property
    def words(self) -> str:
        """`the mirror`, with its name where it has one."""
        return "the mirror" if self.name == ONLY_MIRROR else f'the mirror "{self.name}"'

    @property
    def middle(self) -> Array:
        """(3,) [mm] the middle of the front face."""
        return np.asarray(self.corners.mean(axis=0))

    def heights(self, points: Array) -> Array:
        """(...,) [mm] how far points (..., 3) lie before the plane of the front face."""
        normal = self.normal
        return np.asarray(points @ normal - float(self.foot_point @ normal))

    def uncertainty_of(self, name: str) -> Quantity:
        """A field as a quantity: `lean`, `turn` [rad], `glass_mm`, `at_y_mm`."""
        value = self.at_mm[1] if name == "at_y_mm" else float(getattr(self, name))
        return Quantity(value, *self.uncertainties[name]) if name in self.uncertainties else exactly(value)

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


#: What is wanted of a thing.
Want = Literal["show", "hide", "mirror only", "direct only", "not reversed"]
WANTS: tuple[Want, ...] = get_args(Want)


@dataclass(frozen=True, eq=False)
class Thing:
    """Something that a wish is about.

    want : "show", "hide", "mirror only" (its image shows, itself does not), "direct only" (itself shows, no image
        of it does) or "not reversed" (lettering: no image of it after an odd number of reflections is seen)
    body : its box (a point is a box of size 0); solid : it also blocks the view
    least_share : of the eye places, from how many it should show
    lettering : it bears letters, which an odd number of reflections reverses
    """

    name: str
    want: Want
    body: Box
    solid: bool = False
    least_share: float = 1.0
    lettering: bool = False

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
    """The opening that a mirror's glass goes into, as measured: four sides and two diagonals [mm].

    rising_mm : bottom left to top right; falling_mm : top left to bottom right
    doubt_mm : a reading is within this of the truth (95 %); clearance_mm : left free on every side
    where : where each stands in the scene file, by name, for the error messages
    mirror : name of the mirror that it is for
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
    mirror: str = ONLY_MIRROR


@dataclass(frozen=True, eq=False)
class Light:
    """The light that most of the scene's light comes from: a window, a skylight, a row of spots.

    heading : [rad] the way it shines, seen from above; fall : [rad] below level
    """

    heading: float
    fall: float

    @property
    def direction(self) -> Array:
        """(3,) unit vector along which the light travels."""
        level = math.cos(self.fall)
        return np.array([-math.sin(self.heading) * level, math.cos(self.heading) * level, -math.sin(self.fall)])


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


@dataclass(frozen=True)
class SheetPlace:
    """Where the sheet lies in photos of the scene, flat on its floor.

    at_mm : (x, y) of the middle of its far (contact) edge; turn : [rad] anticlockwise seen from above, 0: its arrow
    points along y; kind : which sheet; "": the one that the photos show
    """

    at_mm: tuple[float, float]
    turn: float = 0.0
    kind: str = ""

    @property
    def rotation(self) -> Array:
        """(3, 3) turns directions of the target frame into the scene's."""
        c, s = math.cos(self.turn), math.sin(self.turn)
        return np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]])

    @property
    def origin(self) -> Array:
        """(3,) [mm] the target frame's origin in the scene."""
        return np.array([*self.at_mm, 0.0])


@dataclass(frozen=True, eq=False)
class Scene:
    """Everything that the plan is worked out from.

    mirror : the first, or only, mirror; more_mirrors : the others; cutouts, sheets : for photos of the scene
    """

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
    notes: tuple[str, ...] = ()
    more_mirrors: tuple[Mirror, ...] = ()
    more_openings: tuple[Opening, ...] = ()
    light: Light | None = None
    cutouts: tuple[Cutout, ...] = ()
    sheets: tuple[SheetPlace, ...] = ()

    @property
    def mirrors(self) -> tuple[Mirror, ...]:
        """All of them, the first one first."""
        return (self.mirror, *self.more_mirrors)

    def led_by(self, mirror: Mirror) -> Scene:
        """The same scene with another of its mirrors as the first, for what is asked of one mirror at a time."""
        return replace(self, mirror=mirror, more_mirrors=self.others(mirror))

    def others(self, mirror: Mirror) -> tuple[Mirror, ...]:
        """All mirrors but one (known by its name)."""
        return tuple(one for one in self.mirrors if one.name != mirror.name)

    @property
    def openings(self) -> tuple[Opening, ...]:
        """All of them."""
        return (() if self.opening is None else (self.opening,)) + self.more_openings

    def thing(self, name: str) -> Thing:
        """The thing of a name. Raises KeyError where there is none."""
        found = {thing.name: thing for thing in self.things}
        return found[name]

    def opening_of(self, mirror: Mirror) -> Opening | None:
        """The opening that a mirror's glass goes into."""
        return next((opening for opening in self.openings if opening.mirror == mirror.name), None)

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
    def middle_viewer(self) -> str:
        """What to call the viewer at `mean_eye`."""
        heights = self.viewers.eye_heights_mm
        who = "an adult" if heights == DEFAULT_EYES_MM else f"eyes at {float(np.median(heights)):g} mm"
        return f"{who} in the middle of the standing area"

    @property
    def viewer_names(self) -> tuple[str, ...]:
        """What to call the eye heights, in their order."""
        if self.viewers.eye_heights_mm == DEFAULT_EYES_MM:
            return ("child", "short adult", "tall adult")
        return tuple(f"eyes at {height:g} mm" for height in self.viewers.eye_heights_mm)

    def with_mirror(self, number: int = 0, **changes: object) -> Scene:
        """The same scene with some fields of one of its mirrors changed; 0 is the first."""
        mirrors = list(self.mirrors)
        mirrors[number] = replace(mirrors[number], **changes)  # type: ignore[arg-type]
        return replace(self, mirror=mirrors[0], more_mirrors=tuple(mirrors[1:]))

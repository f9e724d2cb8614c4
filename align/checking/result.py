"""What an answer is made of: frozen, free of files and drawing, and ready for JSON."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from ..bundle.glass import GlassSummary
from ..photo.file import PhotoFile
from ..quantity import Quantity
from .flatness import Flatness
from .settings import CheckSettings
from .thresholds import LEAST_SLACK_MM

Array = NDArray[np.float64]

Verdict = Literal["square", "out of square", "undetermined"]
CameraSource = Literal["file", "photo"]
Grade = Literal["good", "fair", "poor"]
ShimMount = Literal["wall", "foot", "per 100 mm"]


@dataclass(frozen=True)
class InterReflectionSummary:
    """An image of the target by way of several mirrors, seen in a photo and left out of the solve.

    kind : "double" (right-handed again), "triple", "repeated" (more often), or "unexplained": a right-handed
    board that no mirrors found explain; mirrors : numbers in the order in which the eye's ray meets them;
    centre_px : of its squares.
    """

    kind: str
    mirrors: tuple[int, ...]
    corners: int
    centre_px: tuple[float, float]

    def to_json(self) -> dict[str, Any]:
        """All fields; places to a tenth of a pixel."""
        return {
            "kind": self.kind,
            "mirrors": list(self.mirrors),
            "corners": self.corners,
            "centre_px": [round(value, 1) for value in self.centre_px],
        }


@dataclass(frozen=True)
class PhotoSummary:
    """One photo: how many corners were used, and how well they fit [px rms]; repeated reflections left out."""

    file: str
    size: tuple[int, int]
    direct_corners: int
    reflected_corners: int
    rms_px: float
    inter_reflections: tuple[InterReflectionSummary, ...] = ()

    def to_json(self) -> dict[str, Any]:
        """The contract's photo object."""
        return {
            "file": self.file,
            "size": list(self.size),
            "direct_corners": self.direct_corners,
            "reflected_corners": self.reflected_corners,
            "rms_px": round(self.rms_px, 4),
            "repeats": [inter_reflection.to_json() for inter_reflection in self.inter_reflections],
        }


@dataclass(frozen=True)
class CameraSummary:
    """Where the camera's numbers are from ("file" or "photo") and its focal length [px]."""

    source: CameraSource
    focal_px: Quantity

    def to_json(self) -> dict[str, Any]:
        """The contract's camera object."""
        return {"source": self.source, "focal_px": self.focal_px.to_json()}


@dataclass(frozen=True)
class Shim:
    """Packing at one place: how thick [mm], and the sheets to stack for it [mm], thickest first.

    A place per 100 mm of the mirror has no stack: how much goes there is known with the mirror's size only.
    """

    place: str
    thickness_mm: Quantity
    stack_mm: tuple[float, ...] = ()

    @property
    def is_per_100(self) -> bool:
        """Whether the thickness is for 100 mm of the mirror's height or width."""
        return "_per_100_" in self.place

    @property
    def is_needed(self) -> bool:
        """Whether anything goes there: a stack, or more than the thinnest sheet could make up for."""
        return bool(self.stack_mm) or (self.is_per_100 and self.thickness_mm.value > LEAST_SLACK_MM)


@dataclass(frozen=True)
class Remainder:
    """How the mirror stands once the stacks are in: lean, and turn less the turn that is wanted [deg].

    turn_deg : None where packing does not turn the mirror.
    """

    lean_deg: Quantity
    turn_deg: Quantity | None

    def to_json(self) -> dict[str, Any]:
        """Both quantities."""
        turn = None if self.turn_deg is None else self.turn_deg.to_json()
        return {"lean_deg": self.lean_deg.to_json(), "turn_deg": turn}


@dataclass(frozen=True)
class ShimSet:
    """The packing that brings the mirror true.

    mount : "wall", "foot" or "per 100 mm" (no mirror size was given); turn_by : how to correct a turn
    that no packing corrects, or whether it is meant, in words ("" where packing does); asks_turn : whether it asks
    if the turn is meant; remaining : what the stacks leave.
    """

    mount: ShimMount
    shims: tuple[Shim, ...]
    turn_by: str = ""
    asks_turn: bool = False
    remaining: Remainder | None = None

    def to_json(self) -> dict[str, Any]:
        """{place: quantity}."""
        return {shim.place: shim.thickness_mm.to_json() for shim in self.shims}


#: Why a mirror has no distance.
NO_DISTANCE = "the mirror runs along the sheet: a distance along y says nothing; see offset_mm"


@dataclass(frozen=True)
class CurlSummary:
    """An edge or a corner of the sheet that is up from the floor [mm]."""

    place: str
    lift_mm: Quantity

    def to_json(self) -> dict[str, Any]:
        """Both fields."""
        return {"place": self.place, "lift_mm": self.lift_mm.to_json()}


@dataclass(frozen=True, eq=False)
class MirrorResult:
    """One mirror: how it stands, and what brings it true.

    want_turn_deg : the turn that is wanted of it; distance_mm : along y, None for a mirror that runs along the
    sheet, where that says nothing; offset_mm : the same place's distance from the glass, square to the glass;
    climb_mm_per_100 : how much the reflected floor climbs over 100 mm (negative: dives);
    bend_mm_per_100 : how much the reflected street bends to the left over 100 mm; covariance : of lean, turn [rad],
    offset and thickness [mm], in the order of parameter_names; empty in an answer that was read back;
    lean, turn and distance are those of the mean plane of the part that was seen, which flatness names.
    """

    number: int
    lean_deg: Quantity
    turn_deg: Quantity
    distance_mm: Quantity | None
    glass: GlassSummary
    shims: ShimSet
    verdict: Verdict
    climb_mm_per_100: Quantity
    bend_mm_per_100: Quantity
    want_turn_deg: float = 0.0
    offset_mm: Quantity | None = None
    covariance: Array = field(default_factory=lambda: np.zeros((0, 0)), repr=False)
    parameter_names: tuple[str, ...] = ()
    flatness: Flatness | None = None

    @property
    def turn_off_deg(self) -> float:
        """The turn less the turn that is wanted, between -180 and 180 [deg]."""
        return (self.turn_deg.value - self.want_turn_deg + 180.0) % 360.0 - 180.0

    def to_json(self) -> dict[str, Any]:
        """The contract's mirror object and what the errors do to the view."""
        return {
            "lean_deg": self.lean_deg.to_json(),
            "turn_deg": self.turn_deg.to_json(),
            "want_turn_deg": self.want_turn_deg,
            "distance_mm": None if self.distance_mm is None else self.distance_mm.to_json(),
            "distance_note": "" if self.distance_mm is not None else NO_DISTANCE,
            "offset_mm": None if self.offset_mm is None else self.offset_mm.to_json(),
            "glass": self.glass.to_json(),
            "shims_mm": self.shims.to_json(),
            "stacks_mm": {shim.place: list(shim.stack_mm) for shim in self.shims.shims if not shim.is_per_100},
            "remaining": None if self.shims.remaining is None else self.shims.remaining.to_json(),
            "turn_by": self.shims.turn_by,
            "asks_turn": self.shims.asks_turn,
            "verdict": self.verdict,
            "climb_mm_per_100": self.climb_mm_per_100.to_json(),
            "bend_mm_per_100": self.bend_mm_per_100.to_json(),
            "flatness": None if self.flatness is None else self.flatness.to_json(),
        }


@dataclass(frozen=True)
class MirrorAngle:
    """The angle between two mirrors' faces as seen in the scene: 90 for a square corner [deg]."""

    first: int
    second: int
    angle_deg: Quantity

    def to_json(self) -> dict[str, Any]:
        """{"mirrors": [i, k], "angle_deg": quantity}."""
        return {"mirrors": [self.first, self.second], "angle_deg": self.angle_deg.to_json()}


@dataclass(frozen=True, eq=False)
class MirrorOverlay:
    """Where one mirror's things lie in one photo; (n, 2) [px] each.

    corners_px : the reflected corners used; outline_px : the reflection's outline;
    true_outline_px : where that outline would be if the mirror were true; mirror_px : the mirror's own outline on
    the glass, clockwise from top left as the viewer sees it, at an assumed place; size_known : False where nobody
    said how large it is, and mirror_px is only the part of it in which the reflection is seen.
    """

    number: int
    corners_px: Array
    outline_px: Array
    true_outline_px: Array
    mirror_px: Array
    size_known: bool


@dataclass(frozen=True, eq=False)
class Overlay:
    """What a picture of one photo shows; (n, 2) [px] each.

    inter_reflections_px : outlines of `PhotoSummary.inter_reflections`, in their order.
    """

    file: str
    size: tuple[int, int]
    direct_corners_px: Array
    direct_outline_px: Array
    mirrors: tuple[MirrorOverlay, ...]
    inter_reflections_px: tuple[Array, ...]


@dataclass(frozen=True)
class Quality:
    """How good the photos are for the answer, and the one thing that would better it most.

    grade : "good", "fair" or "poor", by widest_half_deg, the widest half-width of lean and turn [deg], as
    tolerance_share of the tolerance; cause : one word or two, "" where nothing is amiss; words : how much;
    remedy : what to try, "" for nothing; photo : the file it is about, where there are several.
    """

    grade: Grade
    widest_half_deg: float
    tolerance_share: float
    cause: str = ""
    words: str = ""
    remedy: str = ""
    photo: str = ""

    def to_json(self) -> dict[str, Any]:
        """All fields; `remedy` is "try", as in errors."""
        return {
            "grade": self.grade,
            "widest_half_deg": round(self.widest_half_deg, 6),
            "tolerance_share": round(self.tolerance_share, 4),
            "cause": self.cause,
            "words": self.words,
            "try": self.remedy,
            "photo": self.photo,
        }


@dataclass(frozen=True, eq=False)
class CheckResult:
    """The answer of `align.check`.

    touching : numbers of the mirrors that the sheet was taken to touch; rule_mm : the measured length of the
    print's 100 mm rule (the mean of two), None where nobody measured it and lengths rest on a print to scale;
    settings : what the user stated; sources : the photos' files as they were read.
    """

    photos: tuple[PhotoSummary, ...]
    camera: CameraSummary
    mirrors: tuple[MirrorResult, ...]
    angles: tuple[MirrorAngle, ...]
    sheet: str
    tolerance_deg: float
    warnings: tuple[str, ...] = ()
    advice: tuple[str, ...] = ()
    overlays: tuple[Overlay, ...] = field(default=(), repr=False)
    curls: tuple[CurlSummary, ...] = ()
    touching: tuple[int, ...] = ()
    quality: Quality | None = None
    rule_mm: float | None = None
    settings: CheckSettings = field(default_factory=CheckSettings)
    sources: tuple[PhotoFile, ...] = field(default=(), repr=False)

    @property
    def want_turn_deg(self) -> float | None:
        """The turn that is wanted of every mirror; None where the mirrors' differ."""
        wanted = {mirror.want_turn_deg for mirror in self.mirrors}
        return wanted.pop() if len(wanted) == 1 else None

    @property
    def verdict(self) -> Verdict:
        """ "square" when every mirror is, "out of square" when one is, else "undetermined"."""
        verdicts = {mirror.verdict for mirror in self.mirrors}
        if "out of square" in verdicts:
            return "out of square"
        return "undetermined" if "undetermined" in verdicts else "square"

    def to_json(self) -> dict[str, Any]:
        """The contract's object for `check --json`."""
        return {
            "format": "align-check-1",
            "photos": [photo.to_json() for photo in self.photos],
            "camera": self.camera.to_json(),
            "mirrors": [mirror.to_json() for mirror in self.mirrors],
            "angles": [angle.to_json() for angle in self.angles],
            "sheet": self.sheet,
            "want_turn_deg": self.want_turn_deg,
            "tolerance_deg": self.tolerance_deg,
            "touching_mirrors": list(self.touching),
            "verdict": self.verdict,
            "sheet_shape": {"curls": [curl.to_json() for curl in self.curls]},
            "warnings": list(self.warnings),
            "advice": list(self.advice),
            "rule_mm": self.rule_mm,
            "quality": None if self.quality is None else self.quality.to_json(),
            "settings": self.settings.to_json(),
        }

"""One mirror of a record: its checks and glass answers, how it stands, its packing, weight and drift."""

from __future__ import annotations

import datetime
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from ..bundle.glass import GlassSummary
from ..checking.result import CheckResult, ShimSet
from ..checking.stored import StoredGlass
from ..optics.slab import FLOAT_GLASS_INDEX, image_strength, seam_width_mm
from ..quantity import Quantity
from ..target.sheets import SHEETS
from .drift import Drift, drift_of
from .entry import Entry, in_words
from .installation import StatedMirror
from .safety import Weight, weight_of
from .thresholds import GLASS_TOLERANCE_MM
from .timeline import Moment

#: Directions of view, from square on to grazing, for which the seam is given [deg].
SEAM_VIEWS_DEG = (0.0, 30.0, 45.0, 60.0)
#: Images of a lamp that are bright enough to be seen: front ghost, main image, second ghost.
ORDERS = (0, 1, 2)
#: Glass thickness used for a drawing when none is known [mm].
DRAWN_GLASS_MM = 3.0


@dataclass(frozen=True)
class _Dated:
    """An entry of the record: its number, what was written, and when its photo was taken."""

    number: int
    entry: Entry
    moment: Moment

    @property
    def at(self) -> datetime.datetime:
        """When the photo was taken, as far as that is known."""
        return self.moment.at

    @property
    def day(self) -> str:
        """The day as 2026-07-14."""
        return self.at.date().isoformat()

    @property
    def day_in_words(self) -> str:
        """The day as 14 July 2026."""
        return in_words(self.at)


@dataclass(frozen=True)
class CheckEntry(_Dated):
    """A check of the record, and its answer."""

    result: CheckResult


@dataclass(frozen=True)
class GlassEntry(_Dated):
    """A glass answer of the record."""

    answer: StoredGlass


@dataclass(frozen=True)
class Optics:
    """What the glass does, for light square on but for the seam.

    seam_mm : ((direction of view [deg], width [mm]), ...)
    images : ((order, depth behind the front face's own image [mm], brightness against the main image), ...)
    """

    thickness_mm: float
    seam_mm: tuple[tuple[float, float], ...]
    images: tuple[tuple[int, float, float], ...]


@dataclass(frozen=True)
class Asked:
    """The packing that one check asked for, on top of what was in place then."""

    number: int
    day: str
    shims: ShimSet


@dataclass(frozen=True)
class Standing:
    """One mirror as it stands, for the drawings. Lengths in mm, angles in degrees; the target frame's signs.

    size_known : False where width and height are guessed; glass_known likewise
    asked : the packing that each check that found it out of true asked for, oldest first
    sheet_width_mm, sheet_depth_mm : 0 when the sheet is not one of ours
    along_sheet : the mirror runs along the sheet, so that it has no distance and is not drawn
    """

    number: int
    lean_deg: float
    turn_deg: float
    want_turn_deg: float
    distance_mm: float
    width_mm: float
    height_mm: float
    size_known: bool
    glass_mm: float
    glass_known: bool
    foot_depth_mm: float | None
    asked: tuple[Asked, ...]
    sheet_width_mm: float
    sheet_depth_mm: float
    along_sheet: bool = False

    @property
    def shims(self) -> ShimSet | None:
        """The packing that was asked for last."""
        return self.asked[-1].shims if self.asked else None


@dataclass(frozen=True)
class MirrorPart:
    """What the record says of one mirror; entries oldest first, each check with this mirror alone.

    number : its place on the page, from 1; name : "" for the only mirror where nobody named it
    notes : what the reader should know besides
    """

    number: int
    name: str
    stated: StatedMirror
    checks: tuple[CheckEntry, ...]
    glasses: tuple[GlassEntry, ...]
    glass: GlassSummary | None
    optics: Optics | None
    standing: Standing | None
    weight: Weight | None
    drift: Drift | None
    notes: tuple[str, ...]

    @property
    def entries(self) -> tuple[CheckEntry | GlassEntry, ...]:
        """Checks and glass answers together, oldest first."""
        return tuple(sorted((*self.checks, *self.glasses), key=lambda item: (item.moment.order, item.number)))

    @property
    def before(self) -> CheckEntry | None:
        """The first check, when there is a later one."""
        return self.checks[0] if len(self.checks) > 1 else None

    @property
    def now(self) -> CheckEntry | None:
        """The latest check."""
        return self.checks[-1] if self.checks else None

    @property
    def called(self) -> str:
        """Its name, or what it is called without one."""
        return self.name or (f"Mirror {self.number}" if self.number > 1 else "The mirror")


def part_of(
    number: int, stated: StatedMirror, checks: Sequence[CheckEntry], glasses: Sequence[GlassEntry]
) -> MirrorPart:
    """Everything that follows from one mirror's entries and the builder's own words.

    Parameters
    ----------
    checks, glasses : oldest first; each check's result holds this mirror alone
    """
    glass = _best_glass(stated, checks, glasses)
    measured = None if glass is None or glass.thickness_mm is None else glass.thickness_mm.value
    seen, pane = measured or stated.glass_mm, stated.glass_mm or measured
    size = stated.size_mm or _size_from_settings(checks)
    front_coated = glass is not None and glass.verdict == "front-coated"
    course = [(item.number, item.at, item.result.mirrors[0], item.result.tolerance_deg) for item in checks]
    return MirrorPart(
        number=number,
        name=stated.name,
        stated=stated,
        checks=tuple(checks),
        glasses=tuple(glasses),
        glass=glass,
        optics=optics_of(seen) if seen and not front_coated else None,
        standing=_standing(number, stated, checks, size, pane) if checks else None,
        weight=None if size is None else weight_of(size, pane),
        drift=drift_of(course),
        notes=tuple(_glass_note(stated, glass)),
    )


def optics_of(thickness_mm: float, index: float = FLOAT_GLASS_INDEX) -> Optics:
    """Seam and ghosts of a back-silvered mirror."""
    main = float(image_strength(1, 0.0, index=index))
    return Optics(
        thickness_mm,
        tuple((view, float(seam_width_mm(math.radians(view), thickness_mm, index))) for view in SEAM_VIEWS_DEG),
        tuple(
            (order, 2 * order * thickness_mm / index, float(image_strength(order, 0.0, index=index)) / main)
            for order in ORDERS
        ),
    )


def _best_glass(
    stated: StatedMirror, checks: Sequence[CheckEntry], glasses: Sequence[GlassEntry]
) -> GlassSummary | None:
    """The glass as last told by its ghosts, else by a check, else as the builder bought it."""
    told = [item.answer.glass for item in glasses]
    told += [m.glass for item in checks for m in item.result.mirrors[:1] if m.glass.source == "measured"]
    told += [m.glass for item in checks for m in item.result.mirrors[:1] if m.glass.source != "measured"]
    known = [glass for glass in told if glass.verdict != "undetermined"]
    by_ghosts = [item.answer.glass for item in glasses if item.answer.glass.verdict != "undetermined"]
    bought = stated.glass_mm
    if by_ghosts:
        return by_ghosts[-1]
    if known:
        return known[-1]
    if bought is not None:
        exact = Quantity(bought, bought, bought)
        return GlassSummary("back-silvered" if bought else "front-coated", exact, "stated")
    return told[-1] if told else None


def _glass_note(stated: StatedMirror, glass: GlassSummary | None) -> list[str]:
    """A word when the glass is not what was bought."""
    bought = stated.glass_mm
    if bought is None or glass is None or glass.source == "stated":
        return []
    if bought == 0 and glass.verdict == "back-silvered":
        return ["The mirror was bought as front-coated, but photos show glass before its silvering."]
    if bought and glass.verdict == "front-coated":
        return [f"The mirror was bought with {bought:g} mm of glass, but photos show none before its coating."]
    found = glass.thickness_mm
    if found and bought and not found.low - GLASS_TOLERANCE_MM <= bought <= found.high + GLASS_TOLERANCE_MM:
        return [f"The glass was bought as {bought:g} mm, but measured {found.low:.1f} to {found.high:.1f} mm."]
    return []


def _size_from_settings(checks: Sequence[CheckEntry]) -> tuple[float, float] | None:
    """(width, height) [mm] as the latest check that was told them had it."""
    for item in reversed(checks):
        if told := item.result.settings.sizes_mm:
            if told[0] is not None:
                return told[0]
            continue
        for name in ("mirror_size_mm", "mirror"):  # the second in entries of earlier versions
            if numbers := _numbers(item.entry.settings.get(name), 2):
                return numbers[0], numbers[1]
    return None


def _numbers(value: Any, count: int) -> tuple[float, ...]:
    """Positive numbers from a settings' list; () where it is anything else."""
    if not isinstance(value, list | tuple) or len(value) != count:
        return ()
    if not all(isinstance(v, int | float) and math.isfinite(v) and v > 0 for v in value):
        return ()
    return tuple(float(v) for v in value)


def _standing(
    number: int,
    stated: StatedMirror,
    checks: Sequence[CheckEntry],
    size: tuple[float, float] | None,
    thickness: float | None,
) -> Standing:
    latest = checks[-1].result
    mirror = latest.mirrors[0]
    sheet = SHEETS.get(latest.sheet)
    guess = (1.3 * sheet.width_mm, 0.8 * sheet.width_mm) if sheet else (240.0, 160.0)
    width, height = size or guess
    return Standing(
        number=number,
        lean_deg=mirror.lean_deg.value,
        turn_deg=mirror.turn_deg.value,
        want_turn_deg=mirror.want_turn_deg,
        distance_mm=0.0 if mirror.distance_mm is None else mirror.distance_mm.value,
        width_mm=width,
        height_mm=height,
        size_known=size is not None,
        glass_mm=thickness or DRAWN_GLASS_MM,
        glass_known=bool(thickness),
        foot_depth_mm=_foot_depth(stated, checks),
        asked=_packing_asked(checks),
        sheet_width_mm=sheet.width_mm if sheet else 0.0,
        sheet_depth_mm=sheet.depth_mm if sheet else 0.0,
        along_sheet=mirror.distance_mm is None,
    )


def _packing_asked(checks: Sequence[CheckEntry]) -> tuple[Asked, ...]:
    """The packing of every check that found this mirror out of true."""
    return tuple(
        Asked(item.number, item.day, mirror.shims)
        for item in checks
        for mirror in item.result.mirrors
        if mirror.verdict == "out of square"
    )


def _foot_depth(stated: StatedMirror, checks: Sequence[CheckEntry]) -> float | None:
    if stated.mount == "foot" and stated.foot_depth_mm:
        return stated.foot_depth_mm
    mount = checks[-1].entry.settings.get("mount")
    if isinstance(mount, dict):
        mount = [mount.get("kind"), mount.get("foot_depth_mm")]
    if isinstance(mount, list | tuple) and len(mount) == 2 and mount[0] == "foot":
        depth = _numbers(mount[1:], 1)
        return depth[0] if depth else None
    return None

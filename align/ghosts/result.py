"""The answer of `align glass`: which glass, why, and what each lamp showed."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from ..bundle.glass import GlassSummary
from ..photo.file import PhotoFile
from ..quantity import Quantity


@dataclass(frozen=True)
class GhostSeen:
    """A ghost of a lamp. order : passes down to the silvering (0: the front face, 2 and 3: later ghosts).

    position_px : in the photo; ratio : brightness as a share of the lamp's main image.
    """

    order: int
    position_px: tuple[float, float]
    ratio: Quantity

    def to_json(self) -> dict[str, Any]:
        """{"order", "position", "ratio"}."""
        return {
            "order": self.order,
            "position": [round(value, 2) for value in self.position_px],
            "ratio": self.ratio.to_json(),
        }


@dataclass(frozen=True)
class Profile:
    """Linear light along the ghosts' line, away from the main image [px]: as seen, and as fitted.

    Saturated places are seen as full light or less; the fit may rise above.
    """

    along_px: tuple[float, ...]
    seen: tuple[float, ...]
    fitted: tuple[float, ...]


@dataclass(frozen=True)
class LampSeen:
    """A lamp's reflection.

    photo : its file; position_px : of the main image; direct_px : of the lamp itself, None where it is not
    seen; incidence_deg : angle from the square to the glass; ghosts : empty where none were found; crescent_px :
    how much of a ghost of 2 mm glass its own disc would leave free; tells : whether a ghost of any glass that is
    sold would show.
    """

    photo: str
    position_px: tuple[float, float]
    direct_px: tuple[float, float] | None
    incidence_deg: float
    ghosts: tuple[GhostSeen, ...]
    profile: Profile = field(repr=False)
    crescent_px: float | None = None
    tells: bool = False

    def to_json(self) -> dict[str, Any]:
        """The contract's lamp object."""
        return {
            "photo": self.photo,
            "position": [round(value, 2) for value in self.position_px],
            "direct": None if self.direct_px is None else [round(value, 2) for value in self.direct_px],
            "incidence_deg": round(self.incidence_deg, 2),
            "ghosts": [ghost.to_json() for ghost in self.ghosts],
            "crescent_px": None if self.crescent_px is None else round(self.crescent_px, 2),
            "ghost_would_show": self.tells,
        }


@dataclass(frozen=True)
class OtherGlass:
    """What another glass would show at this very place: ghosts' distance and seam [mm]."""

    thickness_mm: float
    ghosts_apart_mm: float
    seam_mm: float

    def to_json(self) -> dict[str, float]:
        """Plain numbers, rounded."""
        return {
            "thickness_mm": self.thickness_mm,
            "ghosts_apart_mm": round(self.ghosts_apart_mm, 3),
            "seam_mm": round(self.seam_mm, 3),
        }


@dataclass(frozen=True)
class BlurCause:
    """What blurs the lamps' reflections. name : focus, shake, glare, haze or ghosts; cure : what to do."""

    name: str
    seen: str
    cure: str

    def to_json(self) -> dict[str, str]:
        """{"cause", "seen", "do"}."""
        return {"cause": self.name, "seen": self.seen, "do": self.cure}


@dataclass(frozen=True)
class GlassResult:
    """The answer of `ghosts.job.glass_of`.

    reason : why this verdict; better_photo : what would tell more, or ""; nearest_common_mm : the common glass
    nearest to the thickness; limit_ratio : the brightest ghost of 2 mm glass that could have gone unseen, where
    none was; other_glass : for the first lamp; blur : what blurs the lamps, empty where nothing does, None where it
    cannot be told because no lamp is seen directly; other_mirrors : what the same photos say of the mirrors that
    stand right of the first; sources : the photos' files as they were read.
    """

    photos: tuple[str, ...]
    glass: GlassSummary
    reason: str
    better_photo: str
    nearest_common_mm: float | None
    limit_ratio: float | None
    lamps: tuple[LampSeen, ...]
    other_glass: tuple[OtherGlass, ...]
    warnings: tuple[str, ...] = ()
    blur: tuple[BlurCause, ...] | None = None
    other_mirrors: tuple[GlassResult, ...] = ()
    sources: tuple[PhotoFile, ...] = field(default=(), repr=False, compare=False)

    def to_json(self) -> dict[str, Any]:
        """The contract's object for `glass --json`."""
        return {
            "format": "align-glass-1",
            "photos": [{"file": file} for file in self.photos],
            "glass": self.glass.to_json(),
            "nearest_common_mm": self.nearest_common_mm,
            "reason": self.reason,
            "better_photo": self.better_photo,
            "limit_ratio": None if self.limit_ratio is None else round(self.limit_ratio, 5),
            "lamps": [lamp.to_json() for lamp in self.lamps],
            "other_glass": [other.to_json() for other in self.other_glass],
            "blur": None if self.blur is None else [cause.to_json() for cause in self.blur],
            "warnings": list(self.warnings),
            "mirrors": [answer.mirror_json() for answer in (self, *self.other_mirrors)],
        }

    def mirror_json(self) -> dict[str, Any]:
        """What is said of one mirror where there may be several."""
        return {
            "glass": self.glass.to_json(),
            "nearest_common_mm": self.nearest_common_mm,
            "reason": self.reason,
            "better_photo": self.better_photo,
            "limit_ratio": None if self.limit_ratio is None else round(self.limit_ratio, 5),
            "lamps": [lamp.to_json() for lamp in self.lamps],
        }

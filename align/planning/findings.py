"""What a plan is made of."""

from __future__ import annotations

from dataclasses import dataclass

from .advice import GlassAdvice
from .bend import PathEnd, PathPlan
from .contents import OpenSide
from .cures import Cure
from .figures import Figures, MirrorFigures
from .giveaways import GiveAway
from .handover import Check
from .lamp_ghosts import LampGhosts, RepeatedLamp
from .opening import GlassOrder
from .scene import Mirror, Scene
from .screens import NoPlace
from .seam import Mask, SeamWidth
from .viewing import Views
from .wishes import Judgement

FORMAT = "align-plan-1"


@dataclass(frozen=True, eq=False)
class TurnedView:
    """What the mirror shows once it is turned for a path: to one viewer in the middle, and where it looks out."""

    content: dict[str, float]
    sides: tuple[OpenSide, ...]


@dataclass(frozen=True, eq=False)
class MirrorPlan:
    """All about one mirror.

    content : what it shows to a viewer in the middle of the standing area
    edge_parts : which part of each edge the eye places see, in the mean
    """

    mirror: Mirror
    content: dict[str, float]
    sides: tuple[OpenSide, ...]
    seams: tuple[SeamWidth, ...]
    mask: Mask | None
    ghosts: tuple[LampGhosts, ...]
    advice: GlassAdvice
    order: GlassOrder | None
    figures: MirrorFigures
    edge_parts: dict[str, float]
    check: Check


@dataclass(frozen=True, eq=False)
class PlanFindings:
    """Everything that the plan found.

    views : from the standing places; judgement : of them and places between, which wishes are met
    mirrors : in the scene's order; cures : by wish, for those in `cured` only: see `thresholds.MOST_CURED`
    turned : for each path that asks for another turn than its mirror has, what the mirror would then show
    no_place : for each wish that a screen would cure, were it not for the room kept clear, that screen
    """

    scene: Scene
    views: Views
    judgement: Judgement
    mirrors: tuple[MirrorPlan, ...]
    cures: dict[str, tuple[Cure, ...]]
    paths: tuple[PathPlan, ...]
    turned: dict[tuple[str, PathEnd], TurnedView]
    tolerance_deg: float | None
    figures: Figures
    give_aways: tuple[GiveAway, ...]
    repeated_lamps: tuple[RepeatedLamp, ...]
    warnings: tuple[str, ...]
    no_place: dict[str, NoPlace]

    @property
    def first(self) -> MirrorPlan:
        """Of the first, or only, mirror."""
        return self.mirrors[0]

    @property
    def unmet(self) -> tuple[str, ...]:
        """Names of the wishes that are not met, the worst first."""
        shares = {name: float(flags.mean()) for name, flags in self.views.troubles.items()}
        unmet = (name for name, met in self.judgement.met.items() if not met)
        return tuple(sorted(unmet, key=lambda name: (-shares[name], -self.judgement.missed_between[name])))

    @property
    def bent(self) -> tuple[str, ...]:
        """Names of the paths that do not run on as wished: off by more than is worth working to, or beside
        the glass."""
        return tuple(dict.fromkeys(path.name for path in self.paths if not path.as_wished))

    @property
    def as_wished(self) -> bool:
        """Whether nothing is amiss: every wish met, every path running on as it should."""
        return not self.unmet and not self.bent

"""What a plan is made of, and the contract's JSON object of it, "align-plan-1". Lengths in mm, angles in degrees,
shares from 0 to 1."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from ..quantity import Quantity, scaled
from .bend import PathPlan
from .cures import Cure
from .figures import Figures
from .lamp_ghosts import GlassAdvice, LampGhosts
from .opening import GlassOrder
from .scene import Box, Scene
from .screens import NoPlace
from .seam import Mask, SeamWidth
from .viewing import OpenSide, Views

FORMAT = "align-plan-1"


@dataclass(frozen=True, eq=False)
class TurnedView:
    """What the mirror shows once it is turned for a path: to the mean viewer, and where it looks out."""

    content: dict[str, float]
    sides: tuple[OpenSide, ...]


@dataclass(frozen=True, eq=False)
class PlanResult:
    """Everything that the plan found.

    figures : those that carry uncertainty
    turned : for each path that asks for another turn than the mirror has, what the mirror would then show
    no_place : for each wish that a screen would cure, were it not for the room kept clear, that screen
    """

    scene: Scene
    views: Views
    content: dict[str, float]
    sides: tuple[OpenSide, ...]
    cures: dict[str, tuple[Cure, ...]]
    paths: tuple[PathPlan, ...]
    seams: tuple[SeamWidth, ...]
    mask: Mask | None
    turned: dict[str, TurnedView]
    ghosts: tuple[LampGhosts, ...]
    advice: GlassAdvice
    order: GlassOrder | None
    tolerance_deg: float | None
    figures: Figures
    warnings: tuple[str, ...] = field(default_factory=tuple)
    no_place: dict[str, NoPlace] = field(default_factory=dict)

    @property
    def unmet(self) -> tuple[str, ...]:
        """Names of the wishes that are not met, the worst first."""
        return self.views.unmet

    @property
    def bent(self) -> tuple[str, ...]:
        """Names of the paths that do not run on as wished: off by more than is worth working to, or beside
        the glass."""
        return tuple(path.name for path in self.paths if not path.as_wished)

    @property
    def as_wished(self) -> bool:
        """Whether nothing is amiss: every wish met, every path running on as it should."""
        return not self.unmet and not self.bent

    def to_json(self) -> dict[str, Any]:
        """The contract's "align-plan-1" object."""
        return plan_to_json(self)


def plan_to_json(result: PlanResult) -> dict[str, Any]:
    """Everything that the text says, as numbers."""
    return {
        "format": FORMAT,
        "scene": result.scene.name,
        "mirror": _mirror(result),
        "viewers": {
            "eye_places": int(result.views.own_face.size),
            "standing_places": int(result.views.own_face.shape[1]),
            "eye_heights_mm": list(result.scene.viewers.eye_heights_mm),
        },
        "as_wished": result.as_wished,
        "unmet": list(result.unmet),
        "bent_paths": list(result.bent),
        "own_face": {
            "share": result.figures.own_face_share.to_json(),
            "share_by_eye_height": _by_height(result.views.own_face),
            "own_eyes_share": float(result.views.own_eyes.mean()),
        },
        "things": _things(result),
        "mirror_edges": {
            edge: {
                "seen_from_share": result.figures.edges[edge].to_json(),
                "mean_part_seen": float(shown.mean()),
            }
            for edge, shown in result.views.edges.items()
        },
        "mirror_shows": [{"name": name, "share": share} for name, share in result.content.items()],
        "open_sides": [vars(side) for side in result.sides],
        "cures": [_cure(cure) for cures in result.cures.values() for cure in cures],
        "screens_without_place": [_no_place(place) for place in result.no_place.values()],
        "paths": [_path(result, path) for path in result.paths],
        "tolerance_deg": result.tolerance_deg,
        "seam": [_seam(result, row) for row in result.seams],
        "mask": None if result.mask is None else _mask(result, result.mask),
        "ghosts": [_ghosts(result, row) for row in result.ghosts],
        "glass_advice": {"glass_mm": result.advice.glass_mm, "reasons": list(result.advice.reasons)},
        "order": None if result.order is None else _order(result.order),
        "warnings": list(result.warnings),
    }


def _degrees(quantity: Quantity) -> dict[str, float]:
    return scaled(quantity, math.degrees).to_json()


def _by_height(flags: Any) -> list[float]:
    return [float(share) for share in flags.mean(axis=1)]


def _mirror(result: PlanResult) -> dict[str, Any]:
    scene = result.scene
    return {
        "lean_deg": _degrees(scene.uncertainty_of("lean")),
        "turn_deg": _degrees(scene.uncertainty_of("turn")),
        "glass_mm": scene.uncertainty_of("glass_mm").to_json(),
        "y_mm": scene.uncertainty_of("at_y_mm").to_json(),
        "width_mm": scene.mirror.width_mm,
        "height_mm": scene.mirror.height_mm,
        "foot_mm": scene.mirror.foot_mm,
        "measured": scene.measured_from or None,
    }


def _things(result: PlanResult) -> list[dict[str, Any]]:
    return [
        {
            "name": view.name,
            "want": view.want,
            "met": view.met,
            "least_share": view.least_share,
            "missed_share": result.figures.things[view.name].missed.to_json(),
            "direct_share": result.figures.things[view.name].direct.to_json(),
            "mirror_share": result.figures.things[view.name].mirrored.to_json(),
            "missed_share_by_eye_height": _by_height(view.trouble),
        }
        for view in result.views.things
    ]


def _cure(cure: Cure) -> dict[str, Any]:
    answer: dict[str, Any] = {
        "wish": cure.trouble,
        "change": cure.kind,
        "amount": cure.amount,
        "unit": cure.unit,
        "mirror_left_share": cure.mirror_left,
        "suffers": [{"wish": name, "from": old, "to": new} for name, (old, new) in cure.worse.items()],
    }
    if cure.screen is not None:
        answer["screen"] = _screen(cure.screen)
    return answer


def _screen(screen: Box) -> dict[str, Any]:
    half = screen.size_mm[0] / 2
    start, end = screen.from_own_frame(np.array([[-half, 0.0, 0.0], [half, 0.0, 0.0]]))
    return {
        "from_mm": [float(start[0]), float(start[1])],
        "to_mm": [float(end[0]), float(end[1])],
        "base_mm": screen.base_mm,
        "top_mm": screen.base_mm + screen.size_mm[2],
    }


def _no_place(place: NoPlace) -> dict[str, Any]:
    return {
        "wish": place.trouble,
        "screen": _screen(place.screen),
        "stands_in": [zone.name for zone in place.zones],
        "fits_below_mm": place.fits_below_mm,
    }


def _path(result: PlanResult, path: PathPlan) -> dict[str, Any]:
    figures = result.figures.paths[path.name]
    return {
        "name": path.name,
        "arrives_deg": math.degrees(path.arrives),
        "wanted_deg": math.degrees(path.wanted),
        "as_wished": path.as_wished,
        "runs_on_deg": figures.runs_on_deg.to_json(),
        "needed_turn_deg": math.degrees(path.needed_turn),
        "kink_deg": figures.kink_deg.to_json(),
        "rise_deg": figures.rise_deg.to_json(),
        "meets_mm": [place.to_json() for place in figures.meets_mm],
        "aside_mm": figures.aside_mm.to_json(),
        "spare_mm": figures.spare_mm.to_json(),
        "jog_mm": figures.jog_mm.to_json(),
        "length_mm": path.length_mm,
        "run_mm": figures.run_mm.to_json(),
        "longest_run_mm": figures.longest_run_mm.to_json(),
        "run_ends": path.run_ends,
        "far_end_mm_per_tenth_deg": path.far_end_mm(math.radians(0.1)),
        "turn_tolerance_deg": _finite(math.degrees(path.turn_tolerance)),
        "lean_tolerance_deg": _finite(math.degrees(path.lean_tolerance)),
        "nobody_notices_deg": _finite(math.degrees(path.critical_tolerance)),
        "half_notice_deg": _finite(math.degrees(path.typical_tolerance)),
        "turned": None if path.name not in result.turned else _turned(result.turned[path.name]),
        "last_post_mm": None if figures.last_post_mm is None else figures.last_post_mm.to_json(),
    }


def _turned(turned: TurnedView) -> dict[str, Any]:
    return {
        "mirror_shows": [{"name": name, "share": share} for name, share in turned.content.items()],
        "open_sides": [vars(side) for side in turned.sides],
    }


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None


def _seam(result: PlanResult, row: SeamWidth) -> dict[str, Any]:
    figures = result.figures.seam(result.scene.mirror, row.glass_mm)
    return {
        "glass_mm": row.glass_mm,
        "least_mm": figures.least_mm.to_json(),
        "most_mm": figures.most_mm.to_json(),
        "most_arcmin": figures.most_arcmin.to_json(),
    }


def _mask(result: PlanResult, mask: Mask) -> dict[str, Any]:
    figures = result.figures.mask
    assert figures is not None
    return {
        "gap_mm": mask.gap_mm,
        "height_mm": figures.height_mm.to_json(),
        "width_mm": mask.width_mm,
        "pieces_mm": [list(piece) for piece in mask.pieces_mm],
        "open_mm": [list(part) for part in mask.open_mm],
        "open_share": mask.open_share,
        "end_short_mm": figures.end_short_mm.to_json(),
    }


def _ghosts(result: PlanResult, row: LampGhosts) -> dict[str, Any]:
    figures = result.figures.ghost(result.scene.mirror, row.lamp, row.glass_mm)
    return {
        "lamp": row.lamp,
        "glass_mm": row.glass_mm,
        "seen_share": figures.seen_share.to_json(),
        "separation_arcmin": {"least": figures.least_arcmin.to_json(), "most": figures.most_arcmin.to_json()},
        "lamp_arcmin": math.degrees(row.disc_max) * 60.0,
        "told_apart_share": row.told_apart_share,
        "doubled_share": row.doubled_share,
        "front_ratio": row.front_ratio,
        "extra_trip_ratio": row.trip_ratio,
    }


def _order(order: GlassOrder) -> dict[str, Any]:
    return {
        "width_mm": order.width_mm,
        "height_mm": order.height_mm,
        "fits_width_mm": order.fit_width_mm.to_json(),
        "fits_height_mm": order.fit_height_mm.to_json(),
        "corners_deg": list(order.corner_deg),
        "out_of_square_mm": order.out_of_square_mm.to_json(),
        "misclosure_mm": order.misclosure_mm,
        "glass_mm": order.glass_mm,
        "weight_kg": order.weight_kg,
        "cautions": list(order.cautions),
    }

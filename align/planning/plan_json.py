"""The contract's JSON object of a plan, "align-plan-1". Lengths in mm, angles in degrees, shares from 0 to 1.

What stands of one mirror at the top level is of the first; "mirrors" has it of each.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from ..quantity import Quantity, scaled
from .bend import PathPlan
from .bodies import Box
from .cures import Cure
from .findings import FORMAT, MirrorPlan, PlanFindings, TurnedView
from .giveaways import GiveAway
from .lamp_ghosts import LampGhosts, RepeatedLamp
from .opening import GlassOrder
from .scene import Mirror
from .screens import NoPlace
from .seam import Mask, SeamWidth
from .viewing import ThingView


def plan_to_json(result: PlanFindings) -> dict[str, Any]:
    """Everything that the text says, as numbers."""
    return {
        "format": FORMAT,
        "scene": result.scene.name,
        "mirror": _mirror(result.scene.mirror),
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
            "by_way": [
                {"mirrors": list(way.names), "share": float(seen.mean())}
                for way, seen in result.views.own_face_by.items()
            ],
        },
        "things": _things(result),
        **_about_mirror(result.first),
        "cures": [_cure(cure) for cures in result.cures.values() for cure in cures],
        "screens_without_place": [_no_place(place) for place in result.no_place.values()],
        "paths": [_path(result, path) for path in result.paths],
        "tolerance_deg": result.tolerance_deg,
        "repeated_lamps": [_repeated(row) for row in result.repeated_lamps],
        "give_aways": [_give_away(one) for one in result.give_aways],
        "mirrors": [{**_mirror(one.mirror), **_about_mirror(one), "check": _check(one)} for one in result.mirrors],
        "warnings": list(result.warnings),
    }


def _about_mirror(plan: MirrorPlan) -> dict[str, Any]:
    """What the top level has of the first mirror, and "mirrors" of each."""
    return {
        "mirror_edges": {
            edge: {"seen_from_share": share.to_json(), "mean_part_seen": plan.edge_parts[edge]}
            for edge, share in plan.figures.edges.items()
        },
        "mirror_shows": [{"name": name, "share": share} for name, share in plan.content.items()],
        "open_sides": [vars(side) for side in plan.sides],
        "seam": [_seam(plan, row) for row in plan.seams],
        "mask": None if plan.mask is None else _mask(plan, plan.mask),
        "ghosts": [_ghosts(plan, row) for row in plan.ghosts],
        "glass_advice": {
            "glass_mm": plan.advice.glass_mm,
            "pane_mm": plan.advice.pane_mm,
            "thinnest_flat_mm": plan.advice.flat_mm,
            "reasons": list(plan.advice.reasons),
        },
        "order": None if plan.order is None else _order(plan.order),
    }


def _check(plan: MirrorPlan) -> dict[str, Any]:
    return {
        "command": plan.check.command,
        "want_turn_deg": plan.check.want_turn_deg,
        "tolerance_deg": plan.check.tolerance_deg,
        "sheet_turn_deg": plan.check.sheet_turn_deg,
        "arrow": plan.check.arrow,
    }


def _give_away(one: GiveAway) -> dict[str, Any]:
    return {
        "kind": one.kind,
        "name": one.name,
        "mirror": one.mirror or None,
        "seen_from_share": one.share,
        "angle_deg": one.angle_deg,
        "by": list(one.by),
    }


def _repeated(row: RepeatedLamp) -> dict[str, Any]:
    return {
        "lamp": row.lamp,
        "mirrors": list(row.way.names),
        "seen_share": row.seen_share,
        "most_arcmin": math.degrees(row.separation_max) * 60.0,
        "ghost_ratio": row.ratio,
        "doubled_share": row.doubled_share,
    }


def _degrees(quantity: Quantity) -> dict[str, float]:
    return scaled(quantity, math.degrees).to_json()


def _by_height(flags: Any) -> list[float]:
    return [float(share) for share in flags.mean(axis=1)]


def _mirror(mirror: Mirror) -> dict[str, Any]:
    return {
        "name": mirror.name,
        "x_mm": mirror.at_mm[0],
        "lean_deg": _degrees(mirror.uncertainty_of("lean")),
        "turn_deg": _degrees(mirror.uncertainty_of("turn")),
        "glass_mm": mirror.uncertainty_of("glass_mm").to_json(),
        "y_mm": mirror.uncertainty_of("at_y_mm").to_json(),
        "width_mm": mirror.width_mm,
        "height_mm": mirror.height_mm,
        "foot_mm": mirror.foot_mm,
        "measured": mirror.measured_from or None,
    }


def _things(result: PlanFindings) -> list[dict[str, Any]]:
    return [
        {
            "name": view.name,
            "want": view.want,
            "met": result.judgement.met[view.name],
            "least_share": view.least_share,
            "missed_share": result.figures.things[view.name].missed.to_json(),
            "direct_share": result.figures.things[view.name].direct.to_json(),
            "mirror_share": result.figures.things[view.name].mirrored.to_json(),
            "missed_share_by_eye_height": _by_height(view.trouble),
            "missed_between_share": result.judgement.missed_between[view.name],
            **_seen_how(view),
        }
        for view in result.views.things
    ]


def _seen_how(view: ThingView) -> dict[str, Any]:
    return {
        "reversed_share": float(view.reversed_.mean()),
        "most_images": int(view.images.max()),
        "by_way": [{"mirrors": list(way.names), "share": float(seen.mean())} for way, seen in view.by_way.items()],
    }


def _cure(cure: Cure) -> dict[str, Any]:
    answer: dict[str, Any] = {
        "wish": cure.trouble,
        "change": cure.kind,
        "mirror": None if cure.screen is not None else cure.mirror,
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


def _path(result: PlanFindings, path: PathPlan) -> dict[str, Any]:
    figures = result.figures.paths[path.key]
    return {
        "name": path.name,
        "mirror": path.mirror,
        "at": path.at,
        "follows": path.follows or None,
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
        "turned": None if path.key not in result.turned else _turned(result.turned[path.key]),
        "last_post_mm": None if figures.last_post_mm is None else figures.last_post_mm.to_json(),
    }


def _turned(turned: TurnedView) -> dict[str, Any]:
    return {
        "mirror_shows": [{"name": name, "share": share} for name, share in turned.content.items()],
        "open_sides": [vars(side) for side in turned.sides],
    }


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None


def _seam(plan: MirrorPlan, row: SeamWidth) -> dict[str, Any]:
    figures = plan.figures.seam(plan.mirror, row.glass_mm)
    return {
        "glass_mm": row.glass_mm,
        "least_mm": figures.least_mm.to_json(),
        "most_mm": figures.most_mm.to_json(),
        "most_arcmin": figures.most_arcmin.to_json(),
    }


def _mask(plan: MirrorPlan, mask: Mask) -> dict[str, Any]:
    figures = plan.figures.mask
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


def _ghosts(plan: MirrorPlan, row: LampGhosts) -> dict[str, Any]:
    figures = plan.figures.ghost(plan.mirror, row.lamp, row.glass_mm)
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
        "coating": order.coating,
        "weight_kg": order.weight_kg,
        "cautions": list(order.cautions),
    }

"""A plan as words for the bench: one section a question, every number with its unit and, where it has one,
uncertainty."""

from __future__ import annotations

import math
from collections.abc import Iterator

from ..quantity import scaled
from .bend import PathPlan
from .bodies import Box
from .cures import Cure
from .giveaways import GiveAway
from .handover import is_named
from .result import PlanResult
from .screens import NoPlace
from .spoken import glass_name, percent, plain, spoken, wrapped
from .text_mirror import closing_words, mirror_sections, side_words
from .thresholds import ANGLE_LIMIT_DEG, MOVE_LIMIT_MM, WORTH_TURNING
from .viewing import ThingView

_WISHES = {
    "show": "should show",
    "hide": "must not show",
    "mirror only": "should show in the mirror only",
    "direct only": "should show itself only, never in a mirror",
    "not reversed": "must not be met reversed",
}
_TIMES = {1: "one reflection", 2: "two reflections", 3: "three reflections"}


def plan_text(result: PlanResult, record: str = "") -> str:
    """The whole plan as text.

    Parameters
    ----------
    record : the record's folder that knows the mirrors, for the commands that check them
    """
    sections: list[list[str]] = [
        list(_summary(result)),
        list(_wishes(result)),
        list(_cures(result)),
        list(_give_aways(result)),
        list(_angle(result)),
        *(section for plan in result.mirrors for section in mirror_sections(result, plan)),
        list(_repeated_lamps(result)),
        list(_warnings(result)),
        list(_checks(result, record)),
    ]
    return "\n\n".join("\n".join(map(wrapped, lines)) for lines in sections if lines)


def _summary(result: PlanResult) -> Iterator[str]:
    heights, places = result.views.own_face.shape
    wishes = 1 + len(result.views.things)
    scene = result.scene
    yield scene.name.upper()
    yield (
        f"{wishes - len(result.unmet)} of {wishes} wishes are met, tried from {heights * places} eye places "
        f"({places} standing places, {heights} eye heights)."
    )
    if result.bent:
        yield f"Not running on as wished: {', '.join(result.bent)} (see ANGLE)."
    for mirror in scene.mirrors:
        source = f"measured ({mirror.measured_from})" if mirror.measured_from else "as planned"
        name = f'Mirror "{mirror.name}"' if is_named(mirror.name) else "Mirror"
        yield (
            f"{name}, {source}: {mirror.width_mm:g} × {mirror.height_mm:g} mm, {glass_name(mirror.glass_mm)}, "
            f"lean {spoken(scaled(mirror.uncertainty_of('lean'), math.degrees), '°', 2)}, "
            f"turn {spoken(scaled(mirror.uncertainty_of('turn'), math.degrees), '°', 2)}."
        )


def _wishes(result: PlanResult) -> Iterator[str]:
    yield "WHO SEES WHAT"
    met = result.judgement.met
    between = result.judgement.missed_between
    share = result.figures.own_face_share
    where = "a mirror" if len(result.mirrors) > 1 else "the mirror"
    if result.views.own_face.any():
        by_height = _by_height(result, result.views.own_face)
        yield f"  ✗ own face: met in {where} from {percent(share)} of the eye places ({by_height})."
        yield from _twice(result)
    elif not met["own face"]:
        share_between = f"{between['own face']:.1%}"
        yield f"  ✗ own face: met in {where} from {share_between} of the places between the standing places."
    else:
        yield f"  ✓ own face: nobody meets it in {where}."
    for view in result.views.things:
        yield f"  {'✓' if met[view.name] else '✗'} {view.name}: {_thing(result, view)}"
    for plan in result.mirrors:
        edges = ", ".join(f"{edge} {percent(seen)}" for edge, seen in plan.figures.edges.items())
        name = f"own edges of {plan.mirror.words}" if is_named(plan.mirror.name) else "mirror's own edges"
        yield f"  The {name} are seen, at least in part, from: {edges}"


def _twice(result: PlanResult) -> Iterator[str]:
    """By which mirrors own faces are met, where there are several."""
    if len(result.mirrors) > 1:
        for way, seen in result.views.own_face_by.items():
            yield f"      {seen.mean():.0%} in {way.words}"


def _thing(result: PlanResult, view: ThingView) -> str:
    shares = result.figures.things[view.name]
    where = "a mirror" if len(result.mirrors) > 1 else "the mirror"
    seen = (
        f"seen directly from {percent(shares.direct)} of the eye places, in {where} from {percent(shares.mirrored)}"
    )
    words = f"{_WISHES[view.want]}; {seen}."
    if len(result.mirrors) > 1 and view.by_way:
        words += " By " + ", ".join(_by_reflections(view)) + "."
        if int(view.images.max()) > 1:
            words += f" Up to {int(view.images.max())} of it at once."
    if view.want == "not reversed":
        words += f" Reversed from {view.reversed_.mean():.0%}."
    if view.want not in ("hide", "not reversed") and view.least_share < 1:
        words += f" Wanted from {view.least_share:.0%}."
    if not view.met:
        words += f" Wish missed: {_by_height(result, view.trouble)}."
    elif not result.judgement.met[view.name]:
        words += f" Wish missed from {result.judgement.missed_between[view.name]:.1%} of the places between those."
    return words


def _by_reflections(view: ThingView) -> Iterator[str]:
    for count in (1, 2, 3):
        flags = [seen for way, seen in view.by_way.items() if len(way.mirrors) == count]
        if flags:
            share = float(sum(flags).astype(bool).mean())  # type: ignore[union-attr]
            yield f"{_TIMES[count]} from {'under 1%' if share < 0.005 else f'{share:.0%}'}"


def _by_height(result: PlanResult, flags: object) -> str:
    shares = flags.mean(axis=1)  # type: ignore[attr-defined]
    return ", ".join(f"{name} {share:.0%}" for name, share in zip(result.scene.viewer_names, shares, strict=True))


def _give_aways(result: PlanResult) -> Iterator[str]:
    if not result.give_aways:
        return
    mirrors = "MIRRORS" if len(result.mirrors) > 1 else "MIRROR"
    yield f"WHAT GIVES THE {mirrors} AWAY (not asked for; from how many of the eye places)"
    for one in result.give_aways:
        share = "" if one.share is None else f"{one.share:4.0%}  "
        yield f"  • {share}{give_away_words(one)}"


def give_away_words(one: GiveAway) -> str:
    """One finding as half a sentence."""
    mirror = f'the mirror "{one.mirror}"' if is_named(one.mirror) and one.mirror else "the mirror"
    by = (
        "the mirror"
        if not one.by or not is_named(one.by[0])
        else " by way of ".join(f'"{n}"' for n in one.by[::-1])
    )
    angle = one.angle_deg or 0.0
    words = {
        "twins": f"{one.name}: seen together with its twin, {angle:.0f}° apart",
        "reversed letters": f"{one.name}: its letters are met reversed, in {by}",
        "lamp in two places": f"{one.name}: seen in two places at once",
        "edge": f"{one.name} edge of {mirror} in sight",
        "seam": f"the seam at the foot of {mirror} in sight, up to {angle * 60:.0f}′ high",
        "back": f"the back of {mirror} in sight" + (f", in {by}" if one.by else ""),
        "edge in a mirror": f"{one.name} edge of {mirror} in sight, in {by}",
        "break": f"{one.name} meets the glass of {mirror} askew: it kinks there by {angle:.1f}°",
        "light": f"the light falls from {angle:.0f}° elsewhere in {mirror} than in the scene",
    }
    return words[one.kind]


def _cures(result: PlanResult) -> Iterator[str]:
    if not result.unmet:
        return
    yield "WHAT WOULD CURE IT (the smallest change of each kind that harms no wish that is met; gentlest first)"
    if len(result.unmet) > len(result.cures):
        yield f"  Looked for the {len(result.cures)} wishes that most miss; plan again when those are cured."
    for name in result.cures:
        yield f"  {name}:"
        cures = result.cures.get(name, ())
        no_place = result.no_place.get(name)
        if not cures:
            screen = "a screen" if no_place is None else "a screen outside the room kept clear"
            yield (
                f"    no change of one mirror within {ANGLE_LIMIT_DEG:g}° of lean or turn, or {MOVE_LIMIT_MM:g} mm "
                "of moving, "
                f"nor {screen}, does it without harm to another wish: move the thing itself, what hides it, or the "
                "viewers."
            )
        for cure in cures:
            yield f"    • {cure_words(cure, any(path.mirror == cure.mirror for path in result.paths))}"
        if no_place is not None:
            yield f"    • {no_place_words(no_place)}"


def cure_words(cure: Cure, has_paths: bool) -> str:
    """One cure as an instruction, with what it costs."""
    size = abs(cure.amount)
    mirror = "the mirror" if not is_named(cure.mirror) else f'the mirror "{cure.mirror}"'
    if cure.kind == "turn":
        words = f"turn {mirror} {size:.1f}° {'anticlockwise' if cure.amount > 0 else 'clockwise'}"
        cost = [f"bends every path at the glass by {2 * size:.1f}°"] if has_paths else []
    elif cure.kind == "lean":
        words = f"lean the top of {mirror} {size:.1f}° {'forward' if cure.amount > 0 else 'back'}"
        cost = [f"the reflected floor then seems to {'rise' if cure.amount > 0 else 'fall'} by {2 * size:.1f}°"]
    elif cure.kind == "lower the top edge":
        words, cost = f"lower the top edge of {mirror} by {size:.0f} mm", []
    elif cure.kind == "move the mirror":
        words, cost = f"move {mirror} {size:.0f} mm {'back' if cure.amount > 0 else 'forward'}", []
    else:
        words, cost = "a screen" if cure.screen is None else f"a screen {_panel_words(cure.screen)}", []
    if cure.mirror_left < 0.99:
        cost.append(f"leaves {cure.mirror_left:.0%} of what is seen of the mirror")
    cost += [f"{name} then missed from {new:.0%} instead of {old:.0%}" for name, (old, new) in cure.worse.items()]
    return words + (f" ({'; '.join(cost)})" if cost else "")


def no_place_words(place: NoPlace) -> str:
    """That a screen has no place, which room is in its way, and what would help."""
    zones = " and ".join(f'"{zone.name}"' for zone in place.zones)
    if place.fits_below_mm >= 1:  # rounded down: one that ends there must let it in
        remedy = f"It fits once that room ends {math.floor(place.fits_below_mm)} mm above the floor"
    else:
        remedy = "It fits once that room leaves its place free"
    return (
        f"no place for a screen: one {_panel_words(place.screen)} would do, but stands in the room kept clear for "
        f"{zones}; no place that keeps out of it was found. {remedy}. Else narrow or move that room, or cure it "
        "in another way."
    )


def _panel_words(screen: Box) -> str:
    how = "standing" if screen.base_mm == 0 else f"hung {screen.base_mm:.0f} mm above the floor"
    return (
        f"{screen.size_mm[0]:.0f} mm wide and {screen.size_mm[2]:.0f} mm high, {how}, its middle at "
        f"x {plain(screen.centre_mm[0], 0)}, y {plain(screen.centre_mm[1], 0)} mm"
        + ("" if abs(math.sin(screen.turn)) < 0.02 else f", turned {plain(_half_turn_deg(screen.turn), 0)}°")
    )


def _half_turn_deg(turn: float) -> float:
    """A panel's direction has no front: between −90 and 90 degrees."""
    return (math.degrees(turn) + 90.0) % 180.0 - 90.0


def _angle(result: PlanResult) -> Iterator[str]:
    if not result.paths:
        return
    yield "ANGLE (headings and turns anticlockwise seen from above, 0 = straight away from the viewer)"
    for path in result.paths:
        yield from _path(result, path)
    for plan in result.mirrors:
        turns = [math.degrees(path.needed_turn) for path in result.paths if path.mirror == plan.mirror.name]
        if not turns or max(turns) - min(turns) <= math.degrees(WORTH_TURNING):
            continue
        name = f" ({plan.mirror.name})" if is_named(plan.mirror.name) else ""
        yield (
            f"  One mirror cannot serve them all{name}: they ask for turns from {plain(min(turns), 1)}° to "
            f"{plain(max(turns), 1)}°. Let the others arrive square to the glass, or end them before it."
        )
    if result.tolerance_deg is not None:
        yield f"  Worth working to, and to check with: align check --tolerance {result.tolerance_deg:.2f}"


def _path(result: PlanResult, path: PathPlan) -> Iterator[str]:
    figures = result.figures.paths[path.key]
    place = _place_words(result, path)
    yield (
        f"  {path.name}{place}: arrives with heading {plain(math.degrees(path.arrives), 1)}°, should run on with "
        f"{plain(math.degrees(path.wanted), 1)}°: the mirror's turn for it is "
        f"{plain(math.degrees(path.needed_turn), 2)}° (half-way between)."
    )
    kink = figures.kink_deg
    if abs(kink.value) >= 0.1 or kink.high - kink.low >= 0.1:
        yield (
            f"    With the turn as it is, it kinks at the glass by {spoken(kink, '°')} (more than 0: to the left)."
        )
    rise = figures.rise_deg
    if abs(rise.value) >= 0.05 or rise.high - rise.low >= 0.05:
        yield f"    The lean makes the reflected floor rise by {spoken(rise, '°')} (less than 0: fall)."
    yield from _path_on_the_glass(result, path)


def _path_on_the_glass(result: PlanResult, path: PathPlan) -> Iterator[str]:
    """Where a path meets the glass, how far it runs on in it, and what an error of the turn does to it."""
    figures = result.figures.paths[path.key]
    side = "right" if path.aside_mm > 0 else "left"
    where = "in the middle" if abs(path.aside_mm) < 0.5 else f"{abs(path.aside_mm):.0f} mm {side} of the middle"
    yield (
        f"    It must meet the glass {where} (x {plain(float(path.meets_mm[0]), 0)}, "
        f"y {plain(float(path.meets_mm[1]), 0)} mm); beside it "
        f"{spoken(figures.spare_mm, 'mm', 0)} of glass are left."
    )
    ends = {
        "frame": "where the mirror's frame cuts it off",
        "blocked": "where something stands in the way",
        "beginning": "only at the path's own beginning, which needs a backdrop or a bend to hide it",
        "unseen": "nowhere: no viewer sees it in the mirror",
    }[path.run_ends]
    yield (
        f"    In the mirror it runs on for {spoken(figures.run_mm, 'mm', 0)} (half of the "
        f"viewers "
        f"see more, the most {spoken(figures.longest_run_mm, 'mm', 0)}); for most it ends {ends}."
    )
    yield (
        f"    An error of 0.1° in turn is a kink of 0.2°, {path.far_end_mm(math.radians(0.1)):.1f} mm at the "
        f"far "
        f"end. Nine in ten eye places do not notice {math.degrees(path.tolerance):.2f}°; half of them not "
        f"{math.degrees(path.typical_tolerance):.2f}°; no one notices "
        f"{math.degrees(path.critical_tolerance):.2f}°."
    )
    if path.key in result.turned:
        yield f"    {_turned_words(result, path)}"
    if path.jog_mm >= 0.1:
        jog = spoken(figures.jog_mm, "mm")
        yield f"    It meets the glass aslant: the glass's thickness sets its image {jog} aside."


def _place_words(result: PlanResult, path: PathPlan) -> str:
    """At which of several mirrors, at which of its ends, and which street goes on as it."""
    if len(result.mirrors) == 1:
        return ""
    words = f" at {path.mirror}" + (", seen from its beginning there" if path.at == "beginning" else "")
    if path.follows:
        words += f", where the {path.follows} goes on as its image"
    return words


def _turned_words(result: PlanResult, path: PathPlan) -> str:
    turned = result.turned[path.key]
    shows = ", ".join(f"{name} {share:.0%}" for name, share in turned.content.items()) or "no part of the mirror"
    words = (
        f"Turned to {plain(math.degrees(path.needed_turn), 2)}°, it shows {result.scene.middle_viewer}: {shows}."
    )
    if not turned.sides:
        return words + " No line of sight then leaves the scene: no backdrop, no second mirror."
    return (
        words
        + " Over all viewers then: "
        + " ".join(f"{side_words(side)} {closing_words(side)}" for side in turned.sides)
    )


def _repeated_lamps(result: PlanResult) -> Iterator[str]:
    if not result.repeated_lamps:
        return
    yield "LAMPS BY WAY OF TWO MIRRORS OR MORE (each with the glass that it has)"
    for row in result.repeated_lamps:
        share = "under 1%" if row.seen_share < 0.005 else f"{row.seen_share:.0%}"
        ghosts = (
            f"ghosts up to {math.degrees(row.separation_max) * 60:.1f}′ off, up to {row.ratio:.0%} as bright; as a "
            f"second lamp {row.doubled_share:.0%}"
            if row.ratio
            else "no ghosts"
        )
        yield f"  {row.lamp}, in {row.way.words}: from {share} of the eye places; {ghosts}."


def _checks(result: PlanResult, record: str) -> Iterator[str]:
    several = len(result.mirrors) > 1
    yield "ONCE IT HANGS" if not several else "ONCE THEY HANG"
    for plan in result.mirrors:
        name = f"{plan.mirror.name}: " if is_named(plan.mirror.name) else ""
        yield (
            f"  {name}Lay the sheet before it, its arrow pointing {plan.check.arrow}, square to the scene; "
            "photograph both, and:"
        )
        yield f"    {plan.check.command_into(record)}"


def _warnings(result: PlanResult) -> Iterator[str]:
    if result.warnings:
        yield "NOTE"
        for warning in result.warnings:
            yield f"  {warning}"

"""A plan as words for the bench: one section a question, every number with its unit and, where it has one,
uncertainty."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterator
from typing import TYPE_CHECKING

from ..quantity import Quantity, scaled
from .bend import WORTH_TURNING, PathPlan
from .cures import Cure
from .lamp_ghosts import LampGhosts
from .opening import GlassOrder
from .scene import Box
from .screens import NoPlace
from .seam import SeamWidth
from .viewing import OPEN_VIEW, OpenSide, ThingView

if TYPE_CHECKING:
    from .result import PlanResult

_WIDTH = 100


def plan_text(result: PlanResult) -> str:
    """The whole plan as text."""
    sections = (
        _summary(result),
        _wishes(result),
        _cures(result),
        _mirror_shows(result),
        _angle(result),
        _seam(result),
        _ghosts(result),
        _order(result),
        _warnings(result),
    )
    return "\n\n".join("\n".join(map(_wrapped, lines)) for section in sections if (lines := list(section)))


def _wrapped(line: str) -> str:
    """One line, broken at _WIDTH with its own indent and a little more."""
    indent = " " * (len(line) - len(line.lstrip()) + 2)
    return textwrap.fill(line, _WIDTH, subsequent_indent=indent, break_long_words=False, break_on_hyphens=False)


def spoken(quantity: Quantity, unit: str, digits: int = 1) -> str:
    """`3.5° (3.1 to 3.9)`, the interval only where there is one."""
    sep = "" if unit in ("°", "%", "′") else " "
    words = f"{_plain(quantity.value, digits)}{sep}{unit}"
    if _uncertain(quantity, digits):
        words += f" ({_plain(quantity.low, digits)} to {_plain(quantity.high, digits)})"
    return words


def _uncertain(quantity: Quantity, digits: int = 1) -> bool:
    """Whether there is an interval that shows in so many digits."""
    wide = quantity.high - quantity.low > 0.5 * 10.0**-digits
    return wide and _plain(quantity.low, digits) != _plain(quantity.high, digits)


def _plain(value: float, digits: int) -> str:
    """A number with a true minus sign and without a minus zero."""
    text = f"{value:.{digits}f}"
    return text.lstrip("-") if float(text) == 0.0 else text.replace("-", "−")


def percent(quantity: Quantity) -> str:
    """A share as percent, with its interval where it has one; a few of many are not none."""
    if 0.0 < quantity.value < 0.005 and quantity.high < 0.005:
        return "under 1%"
    return spoken(scaled(quantity, lambda share: 100.0 * share), "%", 0)


def glass_name(glass_mm: float) -> str:
    """`front-coated` or `4 mm glass`."""
    return "front-coated" if glass_mm == 0 else f"{glass_mm:.3g} mm glass"


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
    source = f"measured ({scene.measured_from})" if scene.measured_from else "as planned"
    yield (
        f"Mirror, {source}: {scene.mirror.width_mm:g} × {scene.mirror.height_mm:g} mm, "
        f"{glass_name(scene.mirror.glass_mm)}, "
        f"lean {spoken(scaled(scene.uncertainty_of('lean'), math.degrees), '°', 2)}, "
        f"turn {spoken(scaled(scene.uncertainty_of('turn'), math.degrees), '°', 2)}."
    )


def _wishes(result: PlanResult) -> Iterator[str]:
    yield "WHO SEES WHAT"
    share = result.figures.own_face_share
    if result.views.own_face.any():
        by_height = _by_height(result, result.views.own_face)
        yield f"  ✗ own face: met in the mirror from {percent(share)} of the eye places ({by_height})."
    else:
        yield "  ✓ own face: nobody meets it in the mirror."
    for view in result.views.things:
        yield f"  {'✓' if view.met else '✗'} {view.name}: {_thing(result, view)}"
    yield "  The mirror's own edges are seen, at least in part, from: " + ", ".join(
        f"{edge} {percent(result.figures.edges[edge])}" for edge in result.views.edges
    )


def _thing(result: PlanResult, view: ThingView) -> str:
    shares = result.figures.things[view.name]
    direct, mirrored = percent(shares.direct), percent(shares.mirrored)
    seen = f"seen directly from {direct} of the eye places, in the mirror from {mirrored}"
    wish = {"show": "should show", "hide": "must not show", "mirror only": "should show in the mirror only"}
    words = f"{wish[view.want]}; {seen}."
    if view.want != "hide" and view.least_share < 1:
        words += f" Wanted from {view.least_share:.0%}."
    if not view.met:
        words += f" Wish missed: {_by_height(result, view.trouble)}."
    return words


def _by_height(result: PlanResult, flags: object) -> str:
    shares = flags.mean(axis=1)  # type: ignore[attr-defined]
    return ", ".join(f"{name} {share:.0%}" for name, share in zip(result.scene.viewer_names, shares, strict=True))


def _cures(result: PlanResult) -> Iterator[str]:
    if not result.unmet:
        return
    yield "WHAT WOULD CURE IT (the smallest change of each kind; gentlest first)"
    for name in result.unmet:
        yield f"  {name}:"
        cures = result.cures.get(name, ())
        no_place = result.no_place.get(name)
        if not cures:
            screen = "a screen" if no_place is None else "a screen outside the room kept clear"
            yield (
                f"    nothing within 15° of lean or turn, 150 mm of moving, or by {screen}: move the thing itself, "
                "what hides it, or the viewers."
            )
        for cure in cures:
            yield f"    • {cure_words(cure, bool(result.paths))}"
        if no_place is not None:
            yield f"    • {no_place_words(no_place)}"


def cure_words(cure: Cure, has_paths: bool) -> str:
    """One cure as an instruction, with what it costs."""
    size = abs(cure.amount)
    if cure.kind == "turn":
        words = f"turn the mirror {size:.1f}° {'anticlockwise' if cure.amount > 0 else 'clockwise'}"
        cost = [f"bends every path at the glass by {2 * size:.1f}°"] if has_paths else []
    elif cure.kind == "lean":
        words = f"lean its top {size:.1f}° {'towards' if cure.amount > 0 else 'away from'} the viewers"
        cost = [f"the reflected floor then seems to {'rise' if cure.amount > 0 else 'fall'} by {2 * size:.1f}°"]
    elif cure.kind == "lower the top edge":
        words, cost = f"lower its top edge by {size:.0f} mm", []
    elif cure.kind == "move the mirror":
        words, cost = f"move it {size:.0f} mm {'away from' if cure.amount > 0 else 'towards'} the viewers", []
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
        f"x {_plain(screen.centre_mm[0], 0)}, y {_plain(screen.centre_mm[1], 0)} mm"
        + ("" if abs(math.sin(screen.turn)) < 0.02 else f", turned {_plain(_half_turn_deg(screen.turn), 0)}°")
    )


def _half_turn_deg(turn: float) -> float:
    """A panel's direction has no front: between −90 and 90 degrees."""
    return (math.degrees(turn) + 90.0) % 180.0 - 90.0


def _mirror_shows(result: PlanResult) -> Iterator[str]:
    yield "WHAT THE MIRROR SHOWS (to the mean viewer, in the middle of the standing area)"
    if not result.content:
        yield "  Nothing: that viewer sees no part of the mirror."
    else:
        yield "  " + ", ".join(f"{name} {share:.0%}" for name, share in result.content.items()) + "."
    if not result.sides:
        yield "  From no eye place does the mirror look out of the scene: it needs no backdrop."
    for side in result.sides:
        yield f"  Over all viewers, {_side_words(side)}"
        yield f"    {_closing_words(side)}"
    if OPEN_VIEW in result.content:
        yield f"  ({OPEN_VIEW}: the line of sight leaves the scene and shows the room.)"


def _side_words(side: OpenSide) -> str:
    along = "y" if side.side in ("left", "right") else "x"
    share = f"{side.share:.0%}" if side.share >= 0.005 else "under 1%"
    if _is_spot(side):
        return (
            f"{share} of its view leaves the scene on the {side.side} side, "
            f"near {along} {_plain((side.from_mm + side.to_mm) / 2, 0)} mm, "
            f"{(side.base_mm + side.top_mm) / 2:.0f} mm above the floor: a line or two of those tried."
        )
    return (
        f"{share} of its view leaves the scene on the {side.side} side, "
        f"between {along} {_plain(side.from_mm, 0)} and {_plain(side.to_mm, 0)} mm, "
        f"{side.base_mm:.0f} to {side.top_mm:.0f} mm above the floor."
    )


def _is_spot(side: OpenSide) -> bool:
    """Whether what leaves the scene is no larger than the space between the lines of sight that were tried."""
    return side.to_mm - side.from_mm < 1.0 and side.top_mm - side.base_mm < 1.0


def _closing_words(side: OpenSide) -> str:
    if side.side == "viewers'":
        return (
            "There it shows the room and its visitors. A backdrop would stand in their way: lower the "
            "mirror's top, keep the room behind them dark, or hang a fascia just above their lines of sight into "
            "the scene."
        )
    if _is_spot(side):
        return "Any small thing placed there closes it."
    backdrop = "A backdrop of that size closes it"
    if side.mirror_closes >= 0.995:
        return f"{backdrop}; so does a second mirror of that size along that side, which shows the scene again."
    if side.mirror_closes < 0.005:
        return f"{backdrop}; a second mirror along that side would not: it too looks out of the scene."
    return (
        f"{backdrop}; a second mirror along that side would close only {side.mirror_closes:.0%} of it, and look "
        "out of the scene for the rest."
    )


def _angle(result: PlanResult) -> Iterator[str]:
    if not result.paths:
        return
    yield "ANGLE (headings and turns anticlockwise seen from above, 0 = straight away from the viewer)"
    for path in result.paths:
        yield from _path(result, path)
    turns = [math.degrees(path.needed_turn) for path in result.paths]
    if max(turns) - min(turns) > math.degrees(WORTH_TURNING):
        yield (
            f"  One mirror cannot serve them all: they ask for turns from {_plain(min(turns), 1)}° to "
            f"{_plain(max(turns), 1)}°. Let the others arrive square to the glass, or end them before it."
        )
    if result.tolerance_deg is not None:
        yield f"  Worth working to, and to check with: align check --tolerance {result.tolerance_deg:.2f}"


def _path(result: PlanResult, path: PathPlan) -> Iterator[str]:
    figures = result.figures.paths[path.name]
    yield (
        f"  {path.name}: arrives with heading {_plain(math.degrees(path.arrives), 1)}°, should run on with "
        f"{_plain(math.degrees(path.wanted), 1)}°: the mirror's turn for it is "
        f"{_plain(math.degrees(path.needed_turn), 2)}° (half-way between)."
    )
    kink = figures.kink_deg
    if abs(kink.value) >= 0.1 or kink.high - kink.low >= 0.1:
        yield (
            f"    With the turn as it is, it kinks at the glass by {spoken(kink, '°')} (more than 0: to the left)."
        )
    rise = figures.rise_deg
    if abs(rise.value) >= 0.05 or rise.high - rise.low >= 0.05:
        yield f"    The lean makes the reflected floor rise by {spoken(rise, '°')} (less than 0: fall)."
    side = "right" if path.aside_mm > 0 else "left"
    where = "in the middle" if abs(path.aside_mm) < 0.5 else f"{abs(path.aside_mm):.0f} mm {side} of the middle"
    yield (
        f"    It must meet the glass {where} (x {_plain(float(path.meets_mm[0]), 0)}, "
        f"y {_plain(float(path.meets_mm[1]), 0)} mm); beside it "
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
    if path.name in result.turned:
        yield f"    {_turned_words(result, path)}"
    if path.jog_mm >= 0.1:
        jog = spoken(figures.jog_mm, "mm")
        yield f"    It meets the glass aslant: the glass's thickness sets its image {jog} aside."


def _turned_words(result: PlanResult, path: PathPlan) -> str:
    turned = result.turned[path.name]
    shows = ", ".join(f"{name} {share:.0%}" for name, share in turned.content.items()) or "no part of the mirror"
    words = f"Turned to {_plain(math.degrees(path.needed_turn), 2)}°, it shows the mean viewer: {shows}."
    if not turned.sides:
        return words + " No line of sight then leaves the scene: no backdrop, no second mirror."
    return (
        words
        + " Over all viewers then: "
        + " ".join(f"{_side_words(side)} {_closing_words(side)}" for side in turned.sides)
    )


def _seam(result: PlanResult) -> Iterator[str]:
    yield "SEAM AND MASK"
    if not result.seams:
        yield "  No viewer sees the mirror's foot: there is no seam to hide."
        return
    yield "  Seam at the mirror's foot over all eye places that see it (depth; and seen height at most):"
    for row in result.seams:
        mark = "  ← this scene" if row.glass_mm == result.scene.mirror.glass_mm else ""
        yield f"    {glass_name(row.glass_mm):<13} {_seam_row(result, row)}{mark}"
    mask, figures = result.mask, result.figures.mask
    if mask is None or figures is None:
        return
    pieces = " and ".join(f"{_plain(a, 0)} to {_plain(b, 0)} mm" for a, b in mask.pieces_mm) or "nowhere"
    yield (
        f"  Smallest mask: {spoken(figures.height_mm, 'mm')} high, its back {mask.gap_mm:.0f} mm "
        f"from the glass, standing from {pieces} (from the glass's middle, + to the right). Paint its back "
        "like its front: the mirror sees it."
    )
    for low, high in mask.open_mm:
        yield (
            f"    Kept clear from {_plain(low, 0)} to {_plain(high, 0)} mm: there the seam stays open to "
            f"{mask.open_share:.0%} of the eye places. Carry the floor up to 1 mm from the glass and paint "
            f"its end."
        )
    short = spoken(figures.end_short_mm, "mm")
    yield f"  A track or wall may end up to {short} short of the glass and stay hidden behind it."
    for name, path in result.figures.paths.items():
        if path.last_post_mm is not None:
            gap = spoken(path.last_post_mm, "mm")
            yield f"  {name}: let its last post or sleeper stand {gap} from the glass, so that its rhythm runs on."


def _seam_row(result: PlanResult, row: SeamWidth) -> str:
    figures = result.figures.seam(result.scene.mirror, row.glass_mm)
    least, most = figures.least_mm, figures.most_mm
    seen = spoken(figures.most_arcmin, "′")
    if _uncertain(least) or _uncertain(most):
        return f"{spoken(least, 'mm')} to {spoken(most, 'mm')}; {seen}"
    return f"{row.least_mm:4.1f} to {row.most_mm:4.1f} mm   {seen:>5}"


def _ghosts(result: PlanResult) -> Iterator[str]:
    yield "GHOSTS AND WHICH GLASS TO BUY (the eye resolves about 1′, one sixtieth of a degree)"
    for lamp in dict.fromkeys(row.lamp for row in result.ghosts):
        rows = [row for row in result.ghosts if row.lamp == lamp]
        if all(row.seen_share == 0 for row in rows):
            yield f"  {lamp}: no viewer meets it in the mirror."
            continue
        yield f"  {lamp}: met in the mirror from {percent(_seen(result, lamp))} of the eye places."
        for row in rows:
            yield f"    {glass_name(row.glass_mm):<13} {_ghost(result, row)}"
    name = "front-coated" if result.advice.glass_mm == 0 else f"{result.advice.glass_mm:g} mm, back-silvered"
    yield f"  Buy: {name}."
    for reason in result.advice.reasons:
        yield f"    • {reason}"


def _seen(result: PlanResult, lamp: str) -> Quantity:
    return result.figures.ghosts[lamp, None].seen_share


def _ghost(result: PlanResult, row: LampGhosts) -> str:
    if row.glass_mm == 0:
        return "no ghosts"
    figures = result.figures.ghost(result.scene.mirror, row.lamp, row.glass_mm)
    low, high = figures.least_arcmin, figures.most_arcmin
    if _uncertain(low) or _uncertain(high):
        off = f"{spoken(low, '′')} to {spoken(high, '′')}"
    else:
        off = f"{low.value:4.1f} to {high.value:4.1f}′"
    return (
        f"ghosts {off} off, up to {row.front_ratio:.0%} as bright; "
        f"noticed {row.told_apart_share:.0%}, as a second lamp {row.doubled_share:.0%}"
    )


def _order(result: PlanResult) -> Iterator[str]:
    order = result.order
    if order is None:
        return
    yield "GLASS ORDER"
    yield (
        f"  {order.width_mm:.0f} × {order.height_mm:.0f} mm, {order.glass_mm:g} mm thick, {order.weight_kg:.2f} kg."
    )
    yield f"  {_order_uncertainty(order)}"
    yield (
        f"  The opening is out of square by {spoken(order.out_of_square_mm, 'mm')}; its corners: "
        + ", ".join(
            f"{name} {angle:.1f}°"
            for name, angle in zip(
                ("bottom left", "bottom right", "top right", "top left"), order.corner_deg, strict=True
            )
        )
        + f". The six measures close to {abs(order.misclosure_mm):.1f} mm."
    )
    for caution in order.cautions:
        yield f"  ! {caution}"


def _order_uncertainty(order: GlassOrder) -> str:
    return (
        f"The largest that goes in is {spoken(order.fit_width_mm, 'mm')} by "
        f"{spoken(order.fit_height_mm, 'mm')}; "
        "ordered is what goes in even where the tape was off."
    )


def _warnings(result: PlanResult) -> Iterator[str]:
    if result.warnings:
        yield "NOTE"
        for warning in result.warnings:
            yield f"  {warning}"

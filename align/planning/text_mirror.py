"""What a plan says of one mirror: what it shows, seam and mask, ghosts, which glass, and its order."""

from __future__ import annotations

from collections.abc import Iterator

from .contents import OPEN_VIEW, OpenSide
from .findings import MirrorPlan
from .handover import is_named
from .lamp_ghosts import LampGhosts
from .opening import GlassOrder, weight_words
from .result import PlanResult
from .seam import SeamWidth
from .spoken import glass_name, percent, plain, spoken, uncertain


def heading(words: str, plan: MirrorPlan) -> str:
    """A section's heading; with several mirrors it says whose it is."""
    return f"{words}: {plan.mirror.name}" if is_named(plan.mirror.name) else words


def mirror_sections(result: PlanResult, plan: MirrorPlan) -> list[list[str]]:
    """The sections of one mirror, each a list of lines."""
    return [
        list(_mirror_shows(result, plan)),
        list(_seam(result, plan)),
        list(_ghosts(plan)),
        list(_order(plan)),
    ]


def _mirror_shows(result: PlanResult, plan: MirrorPlan) -> Iterator[str]:
    yield f"{heading('WHAT THE MIRROR SHOWS', plan)} (to {result.scene.middle_viewer})"
    if not plan.content:
        yield "  Nothing: that viewer sees no part of the mirror."
    else:
        yield "  " + ", ".join(f"{name} {share:.0%}" for name, share in plan.content.items()) + "."
    if not plan.sides:
        yield "  From no eye place does the mirror look out of the scene: it needs no backdrop."
    for side in plan.sides:
        yield f"  Over all viewers, {side_words(side)}"
        yield f"    {closing_words(side)}"
    if OPEN_VIEW in plan.content:
        yield f"  ({OPEN_VIEW}: the line of sight leaves the scene and shows the room.)"


def side_words(side: OpenSide) -> str:
    along = "y" if side.side in ("left", "right") else "x"
    share = f"{side.share:.0%}" if side.share >= 0.005 else "under 1%"
    if _is_spot(side):
        return (
            f"{share} of its view leaves the scene on the {side.side} side, "
            f"near {along} {plain((side.from_mm + side.to_mm) / 2, 0)} mm, "
            f"{(side.base_mm + side.top_mm) / 2:.0f} mm above the floor: a line or two of those tried."
        )
    return (
        f"{share} of its view leaves the scene on the {side.side} side, "
        f"between {along} {plain(side.from_mm, 0)} and {plain(side.to_mm, 0)} mm, "
        f"{side.base_mm:.0f} to {side.top_mm:.0f} mm above the floor."
    )


def _is_spot(side: OpenSide) -> bool:
    """Whether what leaves the scene is no larger than the space between the lines of sight that were tried."""
    return side.to_mm - side.from_mm < 1.0 and side.top_mm - side.base_mm < 1.0


def closing_words(side: OpenSide) -> str:
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


def _seam(result: PlanResult, plan: MirrorPlan) -> Iterator[str]:
    yield heading("SEAM AND MASK", plan)
    if not plan.seams:
        yield "  No viewer sees the mirror's foot: there is no seam to hide."
        return
    yield "  Seam at the mirror's foot over all eye places that see it (depth; and seen height at most):"
    for row in plan.seams:
        mark = "  ← this scene" if row.glass_mm == plan.mirror.glass_mm else ""
        yield f"    {glass_name(row.glass_mm):<13} {_seam_row(plan, row)}{mark}"
    mask, figures = plan.mask, plan.figures.mask
    if mask is None or figures is None:
        return
    pieces = " and ".join(f"{plain(a, 0)} to {plain(b, 0)} mm" for a, b in mask.pieces_mm) or "nowhere"
    yield (
        f"  Smallest mask: {spoken(figures.height_mm, 'mm')} high, its back {mask.gap_mm:.0f} mm "
        f"from the glass, standing from {pieces} (from the glass's middle, + to the right). Paint its back "
        "like its front: the mirror sees it."
    )
    for low, high in mask.open_mm:
        yield (
            f"    Kept clear from {plain(low, 0)} to {plain(high, 0)} mm: there the seam stays open to "
            f"{mask.open_share:.0%} of the eye places. Carry the floor up to 1 mm from the glass and paint "
            f"its end."
        )
    short = spoken(figures.end_short_mm, "mm")
    yield f"  A track or wall may end up to {short} short of the glass and stay hidden behind it."
    for path in result.paths:
        post = result.figures.paths[path.key].last_post_mm
        if post is not None and path.mirror == plan.mirror.name:
            name, gap = path.name, spoken(post, "mm")
            yield f"  {name}: let its last post or sleeper stand {gap} from the glass, so that its rhythm runs on."


def _seam_row(plan: MirrorPlan, row: SeamWidth) -> str:
    figures = plan.figures.seam(plan.mirror, row.glass_mm)
    least, most = figures.least_mm, figures.most_mm
    seen = spoken(figures.most_arcmin, "′")
    if uncertain(least) or uncertain(most):
        return f"{spoken(least, 'mm')} to {spoken(most, 'mm')}; {seen}"
    return f"{row.least_mm:4.1f} to {row.most_mm:4.1f} mm   {seen:>5}"


def _ghosts(plan: MirrorPlan) -> Iterator[str]:
    yield f"{heading('GHOSTS AND WHICH GLASS TO BUY', plan)} (the eye resolves about 1′, one sixtieth of a degree)"
    for lamp in dict.fromkeys(row.lamp for row in plan.ghosts):
        rows = [row for row in plan.ghosts if row.lamp == lamp]
        if all(row.seen_share == 0 for row in rows):
            yield f"  {lamp}: no viewer meets it in the mirror."
            continue
        share = percent(plan.figures.ghosts[lamp, None].seen_share)
        yield f"  {lamp}: met in the mirror from {share} of the eye places."
        for row in rows:
            yield f"    {glass_name(row.glass_mm):<13} {_ghost(plan, row)}"
    advice = plan.advice
    pane = f"{advice.pane_mm:g} mm"
    yield f"  Buy: front-coated, {pane}." if advice.glass_mm == 0 else f"  Buy: {pane}, back-silvered."
    if advice.glass_mm != plan.mirror.glass_mm and not plan.mirror.measured_from:
        yield (
            f"    The scene has {glass_name(plan.mirror.glass_mm)}: put glass_mm = {advice.glass_mm:g} into it and "
            "plan again, as seam and ghosts change with it."
        )
    for reason in plan.advice.reasons:
        yield f"    • {reason}"


def _ghost(plan: MirrorPlan, row: LampGhosts) -> str:
    if row.glass_mm == 0:
        return "no ghosts"
    figures = plan.figures.ghost(plan.mirror, row.lamp, row.glass_mm)
    low, high = figures.least_arcmin, figures.most_arcmin
    if uncertain(low) or uncertain(high):
        off = f"{spoken(low, '′')} to {spoken(high, '′')}"
    else:
        off = f"{low.value:4.1f} to {high.value:4.1f}′"
    return (
        f"ghosts {off} off, up to {row.front_ratio:.0%} as bright; "
        f"noticed {row.told_apart_share:.0%}, as a second lamp {row.doubled_share:.0%}"
    )


def _order(plan: MirrorPlan) -> Iterator[str]:
    order = plan.order
    if order is None:
        return
    yield heading("GLASS ORDER", plan)
    yield (
        f"  {order.width_mm:.0f} × {order.height_mm:.0f} mm, {order.glass_mm:g} mm thick, {order.coating}, "
        f"{weight_words(order.weight_kg)}."
    )
    yield f"  {_order_size(order)}"
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


def _order_size(order: GlassOrder) -> str:
    return (
        f"The largest that goes in is {spoken(order.fit_width_mm, 'mm')} by "
        f"{spoken(order.fit_height_mm, 'mm')}; "
        "ordered is what goes in even where the tape was off."
    )

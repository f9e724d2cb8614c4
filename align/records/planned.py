"""What a plan hands over to a record: what each of its mirrors is to be."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from ..errors import AlignError
from ..planning.handover import is_named
from ..planning.result import PlanResult
from .installation import Installation, StatedMirror, read_installation
from .write_installation import write_mirror


def hand_over(folder: Path, result: PlanResult) -> Installation:
    """Write every planned mirror into a record's installation.toml; what it then says.

    Size, glass, wanted turn and tolerance are the plan's; what the file says besides stays, as do its comments.
    A mirror is known by its name; a nameless one is the record's only mirror.

    Parameters
    ----------
    folder : the record's, made if need be

    Raises
    ------
    AlignError : the file cannot be read or written, or it cannot tell which of its mirrors is meant.
    """
    known = read_installation(folder)
    for plan in result.mirrors:
        named = is_named(plan.mirror.name)
        stated = _stated(known, plan.mirror.name if named else "")
        known = write_mirror(
            folder,
            replace(
                stated,
                width_mm=plan.mirror.width_mm,
                height_mm=plan.mirror.height_mm,
                glass_mm=plan.mirror.glass_mm,
                want_turn_deg=plan.check.want_turn_deg,
                tolerance_deg=plan.check.tolerance_deg,
                notes=stated.notes or f"to be checked with the sheet's arrow pointing {plan.check.arrow}",
            ),
        )
    return known


def _stated(known: Installation, name: str) -> StatedMirror:
    """What the record says of a mirror already; of a new one nothing but its name."""
    if name:
        same = (mirror for mirror in known.mirrors if mirror.name.casefold() == name.casefold())
        return next(same, StatedMirror(name=name))
    if len(known.mirrors) > 1:
        raise AlignError(
            f"The record knows {len(known.mirrors)} mirrors, the scene one without a name.",
            'Name the scene\'s mirror as the record does: name = "..." in [mirror].',
        )
    return known.mirrors[0] if known.mirrors else StatedMirror()

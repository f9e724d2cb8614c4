"""What photos of a scene cover of it, as words below the plan."""

from __future__ import annotations

from collections.abc import Iterator

from .clothes.result import Clothed
from .spoken import wrapped

#: So many faces are named; the others are counted.
_MOST_NAMED = 12


def clothed_text(clothed: Clothed) -> str:
    """The section about the photos."""
    return "\n".join(wrapped(line) for line in clothed_lines(clothed))


def clothed_lines(clothed: Clothed) -> list[str]:
    """Its lines, the heading first, not yet wrapped; what belongs to a list is indented by four."""
    return list(_lines(clothed))


def _lines(clothed: Clothed) -> Iterator[str]:
    yield "AS IT WILL LOOK"
    count = len(clothed.photos)
    astray = [2.0 * photo.astray_mm for photo in clothed.photos]
    near, wide = f"{min(astray):.0f}", f"{max(astray):.0f}"
    span = f"{near} to {wide}" if near != wide else wide
    names = dict.fromkeys(photo.sheet.name for photo in clothed.photos)
    sheets = f"sheet{'s' if len(names) > 1 else ''} {' and '.join(names)}"
    yield (
        f"  {count} photo{'s' if count > 1 else ''} with the {sheets}; at the scene's far ends "
        f"each is laid to within about {span} mm (two standard deviations)."
    )
    in_photos = 1.0 - clothed.unseen_share - clothed.filled_share
    yield (
        f"  {in_photos:.0%} of the faces' area is taken from photos, {clothed.filled_share:.0%} filled in from "
        f"beside (slivers, and where a sheet lies in every photo), {clothed.unseen_share:.0%} in no photo."
    )
    named = clothed.not_covered
    if named:
        yield "  In no photo, hatched in the pictures:"
    for face in named[:_MOST_NAMED]:
        yield f"    {face.name}: {face.unseen_share:.0%} of it"
    if len(named) > _MOST_NAMED:
        yield f"    and {len(named) - _MOST_NAMED} smaller ones"
    if named:
        yield (
            "  To cover them, take photos from the sides that they face, the sheet in view at its place; what "
            "mirrors will show is seen from where they will hang."
        )
    for name in clothed.off_the_floor:
        yield f"  {name}: it stands off the scene's floor, and is hatched as well."
    for name in clothed.missing_cutouts:
        yield f"  {name}: no photo shows enough of it, and it is left out. Take one with nothing before it."
    for note in clothed.notes:
        yield f"  {note}"

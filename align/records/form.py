"""What installation.toml states of a mirror, as a check takes it; what is stated elsewhere comes first."""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from ..checking.settings import CheckSettings, Mount
from ..errors import FileFormatError
from .installation import FILE_NAME, Installation, StatedMirror

#: How fields of the settings are called to a reader.
_CALLED = {
    "camera": "camera",
    "mirror_size_mm": "mirror's size",
    "mount": "mount",
    "want_turn_deg": "wanted turn",
    "tolerance_deg": "tolerance",
    "glass_mm": "glass",
    "rule_mm": "printed rule",
    "exact_print": "exact print",
    "board": "board",
    "square_mm": "board's square",
    "touching": "contact",
    "flatness": "map of flatness",
    "stock_mm": "stock",
}
#: A sheet and a board of one's own exclude each other: what is stated of one takes out the other's.
_SHEET_FIELDS, _BOARD_FIELDS = ("rule_mm", "exact_print"), ("board", "square_mm")


def settings_of_mirror(mirror: StatedMirror, folder: Path | None = None) -> dict[str, Any]:
    """The fields of `CheckSettings` that are stated of a mirror, and no others.

    Parameters
    ----------
    folder : the record's, from which a camera file's path starts

    Raises
    ------
    FileFormatError : a foot without its depth.
    """
    if mirror.mount == "foot" and mirror.foot_depth_mm is None:
        raise FileFormatError(
            f'{FILE_NAME}: mount is "foot", but foot_depth_mm is missing.',
            "Add how deep the foot is from front to rear: foot_depth_mm = 40",
        )
    mount = Mount("foot", mirror.foot_depth_mm) if mirror.mount == "foot" else Mount()
    stated = {
        "camera": (folder or Path()) / mirror.camera if mirror.camera else None,
        "mirror_size_mm": mirror.size_mm,
        "mirror_name": mirror.name or None,
        "mount": mount if mirror.mount else None,
        "want_turn_deg": None if mirror.want_turn_deg is None else (mirror.want_turn_deg,),
        "tolerance_deg": mirror.tolerance_deg,
        "glass_mm": mirror.glass_mm,
        "rule_mm": mirror.rule_mm,
        "exact_print": mirror.exact_print or None,
        "board": mirror.board,
        "square_mm": mirror.square_mm,
        "touching": mirror.touching or None,
        "flatness": mirror.flatness or None,
        "stock_mm": mirror.stock_mm or None,
    }
    return {name: value for name, value in stated.items() if value is not None}


def settings_for(
    installation: Installation,
    mirror_name: str = "",
    overrides: Mapping[str, Any] | None = None,
    *,
    folder: str | os.PathLike[str] | None = None,
) -> tuple[CheckSettings, tuple[str, ...]]:
    """The settings for a check of one mirror, and notes on what was stated otherwise than in installation.toml.

    Parameters
    ----------
    mirror_name : of the mirror; "" where there is only one, or none
    overrides : fields of `CheckSettings` that come first, as the command line states them
    folder : the record's

    Raises
    ------
    AlignError : there is no such mirror, or the file states what cannot be meant
    ValueError : an override cannot be meant.
    """
    nameless = not mirror_name and len(installation.mirrors) < 2
    if nameless:
        mirror = installation.mirrors[0] if installation.mirrors else StatedMirror()
    else:
        mirror = installation.mirror(mirror_name)
    return merged(settings_of_mirror(mirror, None if folder is None else Path(folder)), overrides or {})


def merged(stated: Mapping[str, Any], overrides: Mapping[str, Any]) -> tuple[CheckSettings, tuple[str, ...]]:
    """Settings from a form's fields and those that come first, with a note for each that differs."""
    try:
        CheckSettings(**stated)
    except ValueError as error:
        raise FileFormatError(f"{FILE_NAME}: {error}", "Correct it there.") from None
    fields = dict(stated)
    for ours, others in ((_BOARD_FIELDS, _SHEET_FIELDS), (_SHEET_FIELDS, _BOARD_FIELDS)):
        if any(name in overrides for name in ours):
            for name in others:
                fields.pop(name, None)
    settings = CheckSettings(**{**fields, **overrides})
    notes = [
        f"The {_CALLED[name]} was stated as {_shown(getattr(settings, name))} for this check, not as "
        f"{_shown(stated[name])} as in {FILE_NAME}."
        for name in overrides
        if name in stated and name in _CALLED and _shown(getattr(settings, name)) != _shown(stated[name])
    ]
    return settings, tuple(notes)


def note_on_unlike(name: str) -> str:
    """A note that a field that mirrors of one photo have unlike counts for none of them."""
    return (
        f"The {_CALLED.get(name, name)} of these mirrors differs in {FILE_NAME} and was not used; state one that "
        "is right for all, or photograph each mirror by itself."
    )


def _shown(value: Any) -> str:
    """A setting as a reader would write it."""
    if isinstance(value, Mount):
        return value.kind if value.foot_depth_mm is None else f"{value.kind}:{value.foot_depth_mm:g}"
    if isinstance(value, Path):
        return value.name
    if value is None:
        return "not stated"
    if isinstance(value, tuple) and any(isinstance(item, tuple) for item in value):
        return ", ".join(_shown(item) for item in value)
    if isinstance(value, tuple):
        return (", " if len(value) != 2 else " x ").join(_shown(item) for item in value)
    if isinstance(value, bool):
        return "stated" if value else "not stated"
    return f"{value:g}" if isinstance(value, int | float) else str(value)


def stated_from(overrides: Mapping[str, Any], name: str = "") -> StatedMirror:
    """What a mirror's part of installation.toml says after fields of `CheckSettings`: the other way round."""
    settings = CheckSettings(**overrides)
    size = (settings.sizes_mm[0] if len(settings.sizes_mm) == 1 else None) or (None, None)
    return StatedMirror(
        name=name,
        width_mm=size[0],
        height_mm=size[1],
        glass_mm=settings.glass_mm,
        mount=settings.mount.kind if "mount" in overrides else "",
        foot_depth_mm=settings.mount.foot_depth_mm,
        want_turn_deg=settings.want_turn_deg[0] if len(settings.want_turn_deg) == 1 else None,
        tolerance_deg=settings.tolerance_deg if "tolerance_deg" in overrides else None,
        rule_mm=settings.rule_mm,
        exact_print=settings.exact_print,
        board=settings.board,
        square_mm=settings.square_mm,
        touching=settings.touching and not settings.touching_mirrors,
        flatness=settings.flatness,
        stock_mm=settings.stock_mm or (),
    )

"""Words of the command line as the page says them: its reader types no option, and knows photos by number."""

from __future__ import annotations

import re
from typing import Any

_KNOWN = "“What is known of it”"
#: Whole phrases first, then options by themselves, each with what follows it on the command line.
_PHRASES = (
    (r"(; or|, or) (check them|check each photo by itself),? with --each", ""),
    (r"Check each photo by itself, with --each\.", "Begin afresh with a photo of what stands now."),
    (
        r"with the sheet turned by 90 degrees between them and --turned-sheet",
        "with the sheet turned by 90 degrees between them, which is said above the button",
    ),
    (r"; or measure both rules and say --rule", f"; or measure both rules and write them under {_KNOWN}"),
    (
        r"use a plotted or engraved plate and say --exact-print",
        f"use a plotted or engraved plate and say so under {_KNOWN}",
    ),
    (r"--board COLSxROWS --square MM", f"its inner corners and its squares, under {_KNOWN}"),
    (r"say --want-turn (\S+?)(?=[.,;]?(?:\s|$))", rf"write \1 as its wanted turn, under {_KNOWN}"),
    (r"--glass MM, 0 for none", f"0 for none, under {_KNOWN}"),
    (r"--glass MM narrows the interval", f"its thickness, under {_KNOWN}, narrows the interval"),
    (r"With --mirror WIDTHxHEIGHT", f"With width and height (under {_KNOWN})"),
    (r"Leave --touching out", "Take out that the sheet touches the glass"),
    (r"leave --camera out", f"choose no camera file under {_KNOWN}"),
    (
        r"Measure the camera once with `align camera` and pass its file",
        f"Measure the camera once, on the page “Camera”, and choose its file under {_KNOWN}",
    ),
    (r"Print one with `align target`", "Print one from the first page"),
    (r"a sheet from `align target`", "a sheet from the first page"),
    (r"Make a new one with `align camera[^`]*`", "Measure the camera again, on the page “Camera”"),
    (r"--distance would tell", "the distance from phone to lamps would tell"),
    (r"that --glass gives", "that were stated"),
    (r"with --camera CAMERA\.json|--camera \S+\.json", f"with its file under {_KNOWN}"),
)
_OPTION = re.compile(r"(?<![\w-])--[a-z][a-z-]+(?: (?:MM|DEG|FILE|[A-Z]+x[A-Z]+)\b)?")
_PATTERNS = [(re.compile(pattern), words) for pattern, words in _PHRASES]


#: A photo's file on a mirror's shelf.
_PHOTO = re.compile(r"(^)?\bphoto-0*(\d{1,9})\.(?:jpg|png)\b")


#: Mirrors of a corner: the page states one turn only.
_CORNER = re.compile(
    r"Name the turn that is wanted for each of them, from left to right; as they stand now: "
    r"((?:--want-turn \S+ ?)+)"
)


def _of_a_corner(found: re.Match[str]) -> str:
    turns = ", ".join(f"{word}°".replace("-", "−") for word in found[1].replace("--want-turn", "").split())
    return (
        f"Cover all but one, and write the turn that is wanted of it under {_KNOWN}. As they stand now, from left "
        f"to right: {turns}"
    )


def for_the_page(value: Any) -> Any:
    """What a template shows: options of the command line and names of files put as the page has them."""
    if not isinstance(value, str) or not any(sign in value for sign in ("--", "`align", "photo-0")):
        return value
    words = _CORNER.sub(_of_a_corner, str(value))
    words = _PHOTO.sub(lambda found: f"{'P' if found[1] is not None else 'p'}hoto {found[2]}", words)
    for pattern, instead in _PATTERNS:
        words = pattern.sub(instead, words)
    words = _OPTION.sub(_by_name, words)
    return type(value)(words)


def _by_name(found: re.Match[str]) -> str:
    name = found[0].split()[0][2:].replace("-", " ")
    return f"“{name}” under {_KNOWN}"

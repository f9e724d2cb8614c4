"""How the sheet lies in a photo against the one before, as the person says: what no test could tell by itself."""

from __future__ import annotations

from typing import Literal, get_args

#: left : the sheet lies where it lay, and whether the mirror moved is tested; turned : on its spot, by 90 or 180
#: degrees, the mirror left alone; moved : to another place, mirror and camera left alone; anew : compare nothing
Lie = Literal["left", "turned", "moved", "anew"]
LIES: tuple[Lie, ...] = get_args(Lie)
#: What a person chooses from, in words.
LIE_WORDS: dict[Lie, str] = {
    "left": "lies where it lay. Whether the mirror has moved is found out from the photo.",
    "turned": "was turned on its spot, by 90° or 180°, the mirror left alone: takes the print's faults out.",
    "moved": "was moved to another place, mirror and camera left alone (the camera on a stand): maps how flat the "
    "mirror is.",
    "anew": "and the mirror were set up anew: compare with nothing.",
}


def lie_of(word: str) -> Lie:
    """What was chosen; "left" where nothing was, or nothing known."""
    return next((lie for lie in LIES if lie == word), "left")

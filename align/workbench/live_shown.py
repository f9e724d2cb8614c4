"""What a live page shows at a moment: the needle, the number, and in words what is missing."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from ..checking.result import CheckResult, MirrorResult

LiveState = Literal[
    "no mirror", "no picture", "no sheet", "no reflection", "measuring", "refused", "moving", "still"
]
#: For each state a heading, and what to do.
STATE_WORDS: dict[LiveState, tuple[str, str]] = {
    "no mirror": ("No mirror yet", "Start a mirror first: the camera then watches it."),
    "no picture": (
        "No picture",
        "The camera gives no picture. See that it is plugged in and that nothing else uses it.",
    ),
    "no sheet": (
        "No sheet in view",
        "Point the camera so that the whole sheet and its whole reflection are in the picture, sharp and well lit.",
    ),
    "no reflection": (
        "No reflection in view",
        "The sheet is seen, its reflection is not. Take hands out of the way, or hold the camera higher or lower.",
    ),
    "measuring": ("Measuring", "Sheet and reflection are seen. Camera, glass and mirror are worked out."),
    "refused": ("No answer", ""),
    "moving": ("Moving", "The mirror moves. The needles follow; the numbers come when it rests."),
    "still": ("At rest", "The number of this stand is worked out."),
}


@dataclass(frozen=True, eq=False)
class LiveShown:
    """A moment of the film.

    table : the mirror's key, "" for none; heading, words : the state in words
    needles : each mirror's lean and turn as this frame has them, all else as the joint solve left it; () where
        nothing is followed
    number : the joint solve of the frames since the last change, None where there is none yet; views, frames : how
        many were solved, and how many were seen
    age_s : of the frame when its answer was given; rate_hz : answers a second
    structure : changes when more than needles and their words change; sequence : of the answer
    """

    state: LiveState
    table: str = ""
    heading: str = ""
    words: str = ""
    needles: tuple[MirrorResult, ...] = ()
    tolerance_deg: float = 0.1
    number: CheckResult | None = None
    views: int = 0
    frames: int = 0
    age_s: float = 0.0
    rate_hz: float = 0.0
    stand: int = 0
    structure: int = 0
    sequence: int = 0

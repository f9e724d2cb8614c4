"""What the page says of an answer: how far off, what changed since the last photo, what to do next."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from ..checking.result import CheckResult, MirrorResult, Shim
from ..checking.wording import (
    CORNER_WORDS,
    PLACE_WORDS,
    VERDICT_WORDS,
    lean_words,
    shim_is_needed,
    shim_size_words,
    stack_words,
    turn_error,
    turn_words,
)
from ..drawing.thresholds import ANGLE_DECIMALS
from ..drawing.wording import decimals_of, has_sign, number_text
from ..quantity import Quantity
from .series import Answer, Series

AxisState = Literal["right", "off", "open"]
SYMBOLS = {"square": "✓", "out of square": "✗", "undetermined": "?"}
CLASSES = {"square": "true", "out of square": "out", "undetermined": "open"}
STATE_WORDS = {"right": "within what is allowed", "off": "outside what is allowed", "open": "not yet sure"}


@dataclass(frozen=True)
class Axis:
    """Lean or turn of one mirror against what is wanted.

    name : "Lean" or "Turn"; error : against the wanted value [deg]; words : which way, and by how much; way : which
    way alone, as a sentence
    ends : what the band's left and right end mean; side : 1 where a positive error belongs right, else -1
    before : the error of the answer before, where there was one
    """

    name: str
    error: Quantity
    tolerance_deg: float
    words: str
    way: str
    ends: tuple[str, str]
    side: int = 1
    before: Quantity | None = None

    @property
    def state(self) -> AxisState:
        """Whether its interval lies within, outside or across the tolerance."""
        size, half = abs(self.error.value), self.error.half_width
        if size + half <= self.tolerance_deg:
            return "right"
        return "off" if size - half > self.tolerance_deg else "open"

    @property
    def against(self) -> str:
        """How far off, against what is allowed."""
        times = abs(self.error.value) / self.tolerance_deg
        allowed = f"the {self.tolerance_deg:g}° allowed"
        if self.state == "right":
            return f"Right: within {allowed}, uncertainty included."
        if self.state == "open":
            return f"Not sure yet: the ± reaches across {allowed}."
        return f"{times:.1f} times {allowed}." if times < 9.5 else f"{times:.0f} times {allowed}."


@dataclass(frozen=True)
class Packing:
    """What goes to one place: its name, how thick, which sheets to stack; needed : whether anything does."""

    place: str
    size: str
    stack: str
    needed: bool


@dataclass(frozen=True)
class NextStep:
    """What to do now: stop, or go on."""

    stop: bool
    heading: str
    words: str


def axes(mirror: MirrorResult, tolerance_deg: float, before: MirrorResult | None) -> tuple[Axis, Axis]:
    """Lean and turn of a mirror."""
    want = mirror.want_turn_deg
    than = "" if want == 0 else " than wanted"
    old_turn = None if before is None else turn_error(before, before.want_turn_deg)
    return (
        Axis(
            "Lean",
            mirror.lean_deg,
            tolerance_deg,
            lean_words(mirror),
            _way(mirror.lean_deg, "Its top overhangs towards you.", "Its top is set back.", "It does not lean."),
            ("top set back", "top overhangs"),
            1,
            None if before is None else before.lean_deg,
        ),
        Axis(
            "Turn",
            turn_error(mirror, want),
            tolerance_deg,
            turn_words(mirror, want),
            _way(
                turn_error(mirror, want),
                f"Its left edge is nearer to you{than}.",
                f"Its right edge is nearer to you{than}.",
                "It is turned as wanted.",
            ),
            ("left edge nearer", "right edge nearer"),
            -1,
            old_turn,
        ),
    )


def _way(error: Quantity, positive: str, negative: str, none: str) -> str:
    """Which way, as far as the interval tells."""
    if not has_sign(error):
        return none.replace("It", "As far as one can see, it", 1)
    return positive if error.value > 0 else negative


def verdict_heading(result: CheckResult) -> str:
    """The verdict in large letters."""
    return VERDICT_WORDS[result.verdict].capitalize()


def packing_of(mirror: MirrorResult, units: str = "mm") -> list[Packing]:
    """All places of a mirror's packing, in reading order."""
    return [
        Packing(
            place_words(shim),
            shim_size_words(shim, units=units),
            stack_words(shim, units) if mirror.shims.mount != "per 100 mm" else "",
            shim_is_needed(shim),
        )
        for shim in mirror.shims.shims
    ]


def place_words(shim: Shim) -> str:
    """ "top left", "under the front edge of the foot"."""
    return CORNER_WORDS.get(shim.place) or PLACE_WORDS.get(shim.place, shim.place)


def packing_words(shim: Shim, units: str = "mm") -> str:
    """ "1.84 mm (1.5 + 0.25 + 0.1)", or "nothing"."""
    if not shim_is_needed(shim):
        return "nothing"
    stack = stack_words(shim, units)
    return shim_size_words(shim, units=units) + (f" ({stack})" if stack else "")


def what_changed(answer: Answer, before: Answer | None) -> list[str]:
    """What is different from the answer before, in a few sentences; [] for a first answer."""
    if before is None or answer.moved is None:
        return []
    if answer.lie == "anew":
        return [f"Begun afresh, as you said: nothing is compared with {source_words(before, within=True)}."]
    if not answer.moved:
        return [_stood_still(answer, before)]
    if len(answer.result.mirrors) != len(before.result.mirrors):
        return ["This photo shows another number of mirrors than the last one: the two cannot be compared."]
    words = [f"The mirror has moved since {source_words(before, within=True)}."]
    several = len(answer.result.mirrors) > 1
    for mirror, old in zip(answer.result.mirrors, before.result.mirrors, strict=True):
        whose = f"Mirror {mirror.number}: " if several else ""
        for axis in axes(mirror, answer.result.tolerance_deg, old):
            words.append(whose + _moved_words(axis))
        words += [whose + more for more in _packing_left(mirror, answer.result.settings.units)]
    return words


def _stood_still(answer: Answer, before: Answer) -> str:
    together = len(answer.photos)
    how = {"turned": "The sheet was turned", "moved": "The sheet was moved"}.get(answer.lie, "")
    since = source_words(before, within=True)
    still = (
        f"{how} since {since} and the mirror left alone, as you said" if how else f"Nothing has moved since {since}"
    )
    if together < 2:
        return f"{still}; this answer stands alone."
    halves = [_widest(item.result) for item in (before, answer)]
    old, new = (number_text(half, decimals_of(half, ANGLE_DECIMALS)) for half in halves)
    narrower = f" The widest ± went from {old}° to {new}°." if old != new else ""
    kind = "pictures" if answer.source == "live" else "photos"
    return f"{still}: {together} {kind} are solved together.{narrower}"


def _widest(result: CheckResult) -> float:
    return max(q.half_width for mirror in result.mirrors for q in (mirror.lean_deg, mirror.turn_deg))


def _moved_words(axis: Axis) -> str:
    """ "Lean: 0.62° before, 0.05° now, nearer to true; it is now right." """
    assert axis.before is not None
    old, new = abs(axis.before.value), abs(axis.error.value)
    decimals = max(0, decimals_of(max(axis.before.half_width, axis.error.half_width), 2))
    sizes = f"{axis.name}: {number_text(old, decimals)}° off before, {number_text(new, decimals)}° now"
    past = has_sign(axis.before) and has_sign(axis.error) and axis.before.value * axis.error.value < 0
    if axis.state == "right":
        return f"{sizes}. The {axis.name.lower()} is right."
    if past:
        return f"{sizes}, on the other side: it went past true. Take packing out again, or add what is shown."
    if abs(old - new) <= axis.before.half_width + axis.error.half_width:
        return f"{sizes}: as it was."
    return f"{sizes}: {'nearer to true' if new < old else 'farther from true'}."


def _packing_left(mirror: MirrorResult, units: str) -> list[str]:
    """ "Top left: 0.3 mm more." """
    needed = [shim for shim in mirror.shims.shims if shim_is_needed(shim)]
    if not needed:
        return ["No more packing is needed."] if mirror.verdict == "square" else []
    if mirror.verdict == "square":
        return []
    parts = (
        f"{CORNER_WORDS.get(s.place) or PLACE_WORDS.get(s.place, s.place)}: {shim_size_words(s, units=units)} more"
        for s in needed
    )
    words = "; ".join(parts)
    return [f"{words[0].upper()}{words[1:]}."]


def next_step(series: Series) -> NextStep | None:
    """What to do now, and when to stop."""
    answer = series.now
    if answer is None:
        return None
    result = answer.result
    if result.verdict == "square":
        return NextStep(
            True,
            "Stop here: nothing to correct.",
            "Tighten what holds the mirror, then take one more photo: tightening may move it.",
        )
    if result.verdict == "undetermined":
        more = "Take another photo from a little higher or lower, without touching anything: all photos since the "
        more += "mirror last moved are solved together."
        if not result.settings.exact_print and result.settings.board is None:
            more += " Or turn the sheet on its spot by 90°, say so above the button, and photograph it: that takes "
            more += "out what the print does wrong."
        return NextStep(False, "Another photo, please.", more)
    if any(mirror.shims.asks_turn for mirror in result.mirrors):
        return NextStep(
            False,
            "Look at the sheet first.",
            "Packing does not make up for such a turn. See that the sheet's arrow points to the mirror, or state "
            "the turn that is wanted under “What is known of it”.",
        )
    if not any(shim_is_needed(s) for m in result.mirrors for s in m.shims.shims):
        if any(mirror.shims.turn_by for mirror in result.mirrors):
            return NextStep(False, "Turn the mirror, then photograph again.", result.mirrors[0].shims.turn_by)
        return NextStep(
            True,
            "As near as packing comes.",
            "What is left is less than the thinnest sheet corrects. Stop here, use thinner sheets, or allow more.",
        )
    hint = "" if any(m.shims.mount != "per 100 mm" for m in result.mirrors) else _size_hint()
    return NextStep(False, "Put the packing in, then photograph again.", f"{_sheet_words(series, answer)}{hint}")


def _sheet_words(series: Series, answer: Answer) -> str:
    """Where the sheet is to lie for the next photo."""
    lies = {item.number: item.lie for item in series.answers}
    if all(lies.get(photo, "left") == "left" for photo in answer.photos[1:]):
        return "Leave the sheet where it lies."
    return f"Lay the sheet as it lay in photo {answer.photos[0]}, its arrow to the mirror."


def _size_hint() -> str:
    return " With the mirror's width and height (“What is known of it”) the packing comes out for its corners."


def source_words(answer: Answer, *, within: bool = False) -> str:
    """ "Photo 7", or "The camera, 10:32" of a live answer; within : a sentence."""
    words = f"The camera's answer of {answer.clock}" if answer.source == "live" else f"Photo {answer.number}"
    return words[0].lower() + words[1:] if within else words


def settled_words(answer: Answer) -> str:
    """One sentence for screen readers, said when an answer has settled."""
    said = [f"{source_words(answer)}: {verdict_heading(answer.result)}."]
    for mirror in answer.result.mirrors:
        said += [f"{axis.name} {axis.words}." for axis in axes(mirror, answer.result.tolerance_deg, None)]
    return " ".join(said)

"""The series of a mirror's answers: what came of each photo, what changed, and which stand it shows."""

from __future__ import annotations

import datetime
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Literal

from ..checking.result import CheckResult
from ..checking.settings import Units
from ..checking.stored import check_from_json
from ..errors import FileFormatError
from .change import Change
from .lies import Lie, lie_of
from .stand import Stand

ANSWER_FORMAT, REFUSAL_FORMAT = "align-bench-answer-1", "align-bench-refusal-1"
Source = Literal["photo", "live"]


@dataclass(frozen=True, eq=False)
class Answer:
    """One settled answer of a series.

    number : of the photo it came with; stand : which stand of the mirror it shows, from 1
    photos : the numbers of those that were solved together for it; moved : whether the mirror had moved since
    the answer before, None for the first; probability : that chance alone differs so much
    when : ISO 8601; notes : what the person should know of how the photo came; source : a photo or a live picture
    lie : how the sheet lay in it against the photo before, as the person said
    """

    number: int
    stand: int
    photos: tuple[int, ...]
    moved: bool | None
    probability: float | None
    when: str
    result: CheckResult
    notes: tuple[str, ...] = ()
    source: Source = "photo"
    lie: Lie = "left"

    @property
    def clock(self) -> str:
        """The time of day as 10:32."""
        return self.when[11:16]

    def to_json(self) -> dict[str, Any]:
        """All fields."""
        return {
            "format": ANSWER_FORMAT,
            "number": self.number,
            "stand": self.stand,
            "photos": list(self.photos),
            "moved": self.moved,
            "probability": self.probability,
            "when": self.when,
            "notes": list(self.notes),
            "source": self.source,
            "sheet": self.lie,
            "result": self.result.to_json(),
        }


@dataclass(frozen=True)
class Refusal:
    """A photo that could not be answered, in plain words; unseen : it did not show sheet and reflection at all."""

    number: int
    when: str
    message: str
    remedy: str
    unseen: bool = False

    @property
    def clock(self) -> str:
        """The time of day as 10:32."""
        return self.when[11:16]

    def to_json(self) -> dict[str, Any]:
        """All fields; `remedy` is "try", as in errors."""
        return {
            "format": REFUSAL_FORMAT,
            "number": self.number,
            "when": self.when,
            "message": self.message,
            "try": self.remedy,
            "unseen": self.unseen,
        }


@dataclass
class Series:
    """A mirror's answers and refusals, oldest first, and the stand that the next photo is compared with.

    Whoever has a solved answer, from a photo or from a film, gives it to `take`.
    """

    answers: list[Answer] = field(default_factory=list)
    refusals: list[Refusal] = field(default_factory=list)
    stand: Stand | None = None

    @property
    def now(self) -> Answer | None:
        """The newest answer."""
        return self.answers[-1] if self.answers else None

    @property
    def before(self) -> Answer | None:
        """The one that came before it."""
        return self.answers[-2] if len(self.answers) > 1 else None

    @property
    def last_stand(self) -> Answer | None:
        """The last answer of the stand before the present one: the packing put in since was worked out from it."""
        now = self.now
        return None if now is None else next((a for a in reversed(self.answers) if a.stand < now.stand), None)

    @property
    def refused_last(self) -> Refusal | None:
        """The newest refusal, where no answer came after it."""
        if not self.refusals or (self.now and self.now.number > self.refusals[-1].number):
            return None
        return self.refusals[-1]

    def take(
        self,
        stand: Stand,
        change: Change | None,
        number: int,
        *,
        notes: Sequence[str] = (),
        source: Source = "photo",
        lie: Lie = "left",
    ) -> Answer:
        """Add the answer of a stand as `stand.next_stand` gives it; the answer as the series has it."""
        laid = lie in ("turned", "moved") and self.now is not None and self.now.stand == stand.number
        moved = None if not self.answers else not laid and (change is None or change.moved)
        answer = Answer(
            number=number,
            stand=stand.number,
            photos=stand.photos,
            moved=moved,
            probability=None if change is None else change.probability,
            when=now_words(),
            result=stand.result,
            notes=tuple(notes),
            source=source,
            lie=lie,
        )
        self.stand = stand
        self.answers.append(answer)
        return answer

    def show_in(self, units: Units) -> None:
        """Show all lengths in "mm" or "in": the numbers stay what they are."""

        def shown(result: CheckResult) -> CheckResult:
            return replace(result, settings=replace(result.settings, units=units))

        self.answers = [replace(answer, result=shown(answer.result)) for answer in self.answers]
        if self.stand is not None:
            self.stand = replace(self.stand, result=shown(self.stand.result))

    def refuse(self, number: int, message: str, remedy: str, *, unseen: bool = False) -> Refusal:
        """Add a photo that could not be answered."""
        refusal = Refusal(number, now_words(), message, remedy, unseen)
        self.refusals.append(refusal)
        return refusal


def now_words() -> str:
    """The present moment as ISO 8601 with its offset."""
    return datetime.datetime.now().astimezone().isoformat(timespec="seconds")


def series_from_json(answers: Mapping[int, Mapping[str, Any]], refusals: Mapping[int, Mapping[str, Any]]) -> Series:
    """A series from what was kept of it; what is damaged is left out. It holds no stand yet."""
    series = Series()
    for number, raw in sorted(answers.items()):
        try:
            series.answers.append(_answer(number, raw))
        except (FileFormatError, KeyError, TypeError, ValueError):
            continue
    for number, raw in sorted(refusals.items()):
        when, message, remedy = (str(raw.get(key, "")) for key in ("when", "message", "try"))
        series.refusals.append(Refusal(number, when, message, remedy, raw.get("unseen") is True))
    return series


def _answer(number: int, raw: Mapping[str, Any]) -> Answer:
    if raw.get("format") != ANSWER_FORMAT:
        raise FileFormatError(f"answer {number}: unknown format {raw.get('format')!r}.")
    when = str(raw["when"])
    datetime.datetime.fromisoformat(when)
    return Answer(
        number=number,
        stand=int(raw["stand"]),
        photos=tuple(int(photo) for photo in raw["photos"]),
        moved=None if raw["moved"] is None else bool(raw["moved"]),
        probability=None if raw["probability"] is None else float(raw["probability"]),
        when=when,
        result=check_from_json(raw["result"], f"answer {number}"),
        notes=tuple(str(words) for words in raw.get("notes", ())),
        source="live" if raw.get("source") == "live" else "photo",
        lie=lie_of(str(raw.get("sheet", ""))),
    )

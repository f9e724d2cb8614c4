"""When an entry's photo was taken: by its own date, by the day of the check, or by its place among the entries."""

from __future__ import annotations

import datetime
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from .entry import Entry, in_words
from .thresholds import CLOCKS_APART_H, EARLIEST_YEAR

#: Before any entry there can be.
_NEVER = datetime.datetime(1900, 1, 1)
_APART = datetime.timedelta(hours=CLOCKS_APART_H)


@dataclass(frozen=True)
class Moment:
    """When a photo was taken, by the clock on the wall there.

    source : "photo" by the photo's own date, "check" by the day of its check, "order" where neither can be right
    and the entry's place among the others is all there is
    order : by which entries are sorted: photos of about one day stay as they were added, as two cameras' clocks
    need not agree
    """

    at: datetime.datetime
    source: Literal["photo", "check", "order"]
    order: datetime.datetime


def moments_of(
    entries: Sequence[tuple[int, Entry]], now: datetime.datetime | None = None
) -> tuple[list[Moment], list[str]]:
    """The moment of each entry, and remarks on dates that cannot be right.

    Parameters
    ----------
    entries : number and entry, in the order in which they were added
    now : for tests; the present where it is not given
    """
    now = now or datetime.datetime.now()
    found: list[Moment] = []
    remarks: list[str] = []
    latest_check = _NEVER
    for number, entry in entries:
        wrong = _wrong_check(number, entry, latest_check, now)
        if not wrong:
            latest_check = max(latest_check, entry.checked)
        taken = taken_at(entry)
        limit = now if wrong else min(now, entry.checked)
        if taken is not None and (taken > limit + _APART or taken.year < EARLIEST_YEAR):
            remarks.append(
                f"Entry {number}: its photo is dated {in_words(taken)}, which cannot be: the camera's clock was "
                "wrong."
            )
            taken = None
        orders = [moment.order for moment in found]
        if taken is not None:
            if taken < max(orders, default=_NEVER) - _APART:
                remarks.append(
                    f"Entry {number} was added later than others, but its photo is older ({in_words(taken)}): it "
                    "stands here by the photo's own date."
                )
            found.append(Moment(taken, "photo", _order(taken, orders)))
        elif wrong:
            remarks.append(wrong)
            before = orders[-1] if orders else _NEVER
            found.append(Moment(before, "order", before))
        else:
            found.append(Moment(entry.checked, "check", _order(entry.checked, orders)))
    return _without_gaps(found, now), remarks


def _order(at: datetime.datetime, orders: Sequence[datetime.datetime]) -> datetime.datetime:
    """Where a moment is sorted: not before what was added earlier and is of about the same day."""
    return max([at, *(other for other in orders if at < other <= at + _APART)])


def taken_at(entry: Entry) -> datetime.datetime | None:
    """When an entry's first dated photo was taken, as its camera's clock says; None where none says it."""
    for photo in entry.photos:
        try:
            return datetime.datetime.strptime(photo.taken.strip()[:19], "%Y-%m-%d %H:%M:%S")
        except ValueError:
            continue
    return None


def _wrong_check(number: int, entry: Entry, latest: datetime.datetime, now: datetime.datetime) -> str:
    """Why the day of a check cannot be right; "" where it can."""
    day = in_words(entry.checked)
    if entry.checked > now + _APART:
        return (
            f"Entry {number} is dated {day}, which is still to come: the computer's clock was wrong. It counts in "
            "the order in which it was added."
        )
    if latest > _NEVER and entry.checked < latest - _APART:
        return (
            f"Entry {number} is dated {day}, before an entry that was added earlier: the computer's clock was "
            "wrong. It counts in the order in which it was added."
        )
    return ""


def _without_gaps(found: list[Moment], now: datetime.datetime) -> list[Moment]:
    """Entries that have no date of their own, nor one before them, take the one behind them."""
    filled = list(found)
    following = now
    for place in range(len(filled) - 1, -1, -1):
        if filled[place].order == _NEVER:
            filled[place] = Moment(following, "order", following)
        following = filled[place].order
    return filled

"""Dates of photos and checks, and whether a mirror moved."""

from __future__ import annotations

import datetime
import math
from pathlib import Path

import numpy as np
import pytest

from align.quantity import Quantity
from align.records.drift import Drift, difference, drift_of
from align.records.entry import Entry, EntryPhoto
from align.records.timeline import Moment, moments_of
from tests.support.answers import about, made_mirror

NOW = datetime.datetime(2026, 11, 26, 12, 0)


def entry(date: str, taken: str = "") -> Entry:
    """An entry of a day, of a photo that says when it was taken."""
    photos = (EntryPhoto("IMG.jpg", "photo-1.jpg", taken=taken),)
    return Entry("e", Path(), "check", f"{date}T10:00:00+02:00", "", {}, {}, photos, {})


def told(*entries: Entry) -> tuple[list[Moment], list[str]]:
    """Moments and remarks of entries numbered from 1."""
    return moments_of(list(enumerate(entries, 1)), NOW)


def order(moments: list[Moment]) -> list[int]:
    """Numbers by time."""
    return sorted(range(1, len(moments) + 1), key=lambda n: (moments[n - 1].order, n))


def test_the_photos_own_date_counts_else_the_day_of_the_check() -> None:
    """With where it is from."""
    moments, remarks = told(
        entry("2026-07-14", "2026-07-10 09:30:00"), entry("2026-07-20"), entry("2026-08-01", "?")
    )
    assert [m.source for m in moments] == ["photo", "check", "check"]
    assert moments[0].at == datetime.datetime(2026, 7, 10, 9, 30)
    assert remarks == []


def test_an_entry_dated_in_the_future_does_not_stay_the_latest() -> None:
    """It counts in the order in which it was added, and is remarked."""
    moments, remarks = told(entry("2026-07-14"), entry("2031-01-01"), entry("2026-08-01"))
    assert order(moments) == [1, 2, 3]
    assert moments[1].source == "order"
    assert len(remarks) == 1
    assert "Entry 2 is dated 1 January 2031, which is still to come" in remarks[0]
    first, _ = told(entry("2031-01-01"), entry("2026-08-01"))
    assert order(first) == [1, 2]
    assert first[0].at == datetime.datetime(2026, 8, 1, 10)


def test_a_clock_that_went_back_is_remarked() -> None:
    """A computer without a battery thinks it is 1970."""
    moments, remarks = told(entry("2026-07-14"), entry("1970-01-01"), entry("2026-08-01"))
    assert order(moments) == [1, 2, 3]
    assert "before an entry that was added earlier" in remarks[0]


@pytest.mark.parametrize("taken", ["2031-01-01 00:00:00", "1980-01-01 00:00:00", "2026-07-17 00:00:00"])
def test_a_cameras_impossible_date_gives_way_to_the_check(taken: str) -> None:
    """After the check, or before there were such cameras."""
    moments, remarks = told(entry("2026-07-14", taken))
    assert moments[0].source == "check"
    assert "the camera's clock was wrong" in remarks[0]


def test_old_photos_checked_late_stand_in_their_time() -> None:
    """And the page says so; two cameras' clocks on one day change nothing."""
    moments, remarks = told(
        entry("2026-07-14", "2026-07-14 10:00:00"),
        entry("2026-07-14", "2026-07-14 08:00:00"),
        entry("2026-07-15", "2025-03-01 10:00:00"),
    )
    assert order(moments) == [3, 1, 2]
    assert len(remarks) == 1
    assert "Entry 3 was added later than others, but its photo is older (1 March 2025)" in remarks[0]


def course(*stands: tuple[float, float, float], want: float = 0.0, tolerance: float = 0.1) -> Drift | None:
    """The drift over (lean, turn, half-width) checks, a month apart."""
    return drift_of(
        [
            (n, datetime.datetime(2026, n, 14), made_mirror(lean, turn, half, want_turn_deg=want), tolerance)
            for n, (lean, turn, half) in enumerate(stands, 1)
        ]
    )


def test_drift_has_its_interval_and_a_verdict() -> None:
    """0.12 +- 0.03: the half-widths' root sum of squares."""
    drift = course((0.0, 0.0, 0.02), (0.05, 0.0, 0.02), (0.12, 0.01, 0.0224))
    assert drift is not None
    lean, turn = drift.changes
    assert lean.change_deg.value == pytest.approx(0.12)
    assert lean.change_deg.half_width == pytest.approx(math.hypot(0.02, 0.0224))
    assert (lean.verdict, turn.verdict, drift.verdict) == ("moved", "not moved", "moved")
    assert (drift.number, drift.checks, drift.reset) == (1, 3, False)
    assert drift.since == datetime.datetime(2026, 1, 14)


def test_drift_starts_where_the_mirror_was_set() -> None:
    """Packing that brings it true is no drift; slow creep out of true is."""
    drift = course((0.6, -0.3, 0.02), (0.02, 0.0, 0.02), (0.03, 0.0, 0.02))
    assert drift is not None
    assert (drift.number, drift.verdict, drift.reset) == (2, "not moved", True)
    assert course((0.6, -0.3, 0.02), (0.02, 0.0, 0.02)) is None, "nothing to compare with yet"
    assert course((0.0, 0.0, 0.02)) is None
    creep = course((0.0, 0.0, 0.02), (0.2, 0.0, 0.02), (0.3, 0.0, 0.02))
    assert creep is not None
    assert (creep.number, creep.verdict) == (1, "moved")


def test_too_wide_an_interval_cannot_tell() -> None:
    """A movement as large as the tolerance could hide in it."""
    drift = course((0.0, 0.0, 0.09), (0.01, 0.0, 0.09))
    assert drift is not None
    assert drift.verdict == "cannot tell"


def test_a_wanted_turn_is_no_drift_and_another_one_begins_anew() -> None:
    """12 wanted from the first."""
    drift = course((0.0, 12.0, 0.02), (0.0, 12.01, 0.02), want=12.0)
    assert drift is not None
    assert drift.verdict == "not moved"
    mirrors = [made_mirror(0.0, 0.0), made_mirror(0.0, 12.0, want_turn_deg=12.0)]
    assert drift_of([(n, NOW, mirror, 0.1) for n, mirror in enumerate(mirrors, 1)]) is None


def test_a_mirror_that_stays_is_called_moved_five_times_in_a_hundred() -> None:
    """Seeded scatter: the test's level, two-sided, is that of its intervals."""
    rng = np.random.default_rng(3)
    half = 0.02
    found = 0
    for first, last in rng.normal(0.0, half / 1.96, (20_000, 2)):
        change = difference(about(last, half), about(first, half))
        found += change.low > 0 or change.high < 0
    assert 0.045 < found / 20_000 < 0.055


def test_the_difference_takes_the_sides_that_matter() -> None:
    """Uneven intervals: up by the later one's upper and the earlier one's lower half."""
    found = difference(Quantity(1.0, 0.9, 1.4), Quantity(0.5, 0.2, 0.6))
    assert found.value == pytest.approx(0.5)
    assert found.high - found.value == pytest.approx(0.5)
    assert found.value - found.low == pytest.approx(math.hypot(0.1, 0.1))

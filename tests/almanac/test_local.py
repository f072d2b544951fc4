"""Clocks on the wall, on the nights when they change.

The rules, as the time zone database has them (from memory): New York second Sunday of March and first of
November at 02:00; London, Dublin and Troll last Sundays of March and October at 01:00 UTC; Sydney and Lord
Howe first Sundays of October and April at 02:00; Auckland last Sunday of September at 02:00 and first of April
at 03:00 by the clocks; Santiago at 04:00 UTC after the first Saturday of September and at 03:00 UTC after that
of April. Lord Howe moves by half an hour, Troll by two. Apia left out the 30th of December 2011.
"""

from __future__ import annotations

from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from sequencer.almanac.local import moment
from tests.almanac.calendars import utc

# zone, local date and time, moment
SKIPPED = [
    ("America/New_York", "2026-03-08 02:30", "2026-03-08 07:00"),
    ("America/New_York", "2026-03-08 02:00", "2026-03-08 07:00"),
    ("Europe/London", "2026-03-29 01:30", "2026-03-29 01:00"),
    ("Europe/Dublin", "2026-03-29 01:30", "2026-03-29 01:00"),
    ("Australia/Sydney", "2026-10-04 02:30", "2026-10-03 16:00"),
    ("Pacific/Auckland", "2026-09-27 02:30", "2026-09-26 14:00"),
    ("America/Santiago", "2026-09-06 00:30", "2026-09-06 04:00"),
    ("Australia/Lord_Howe", "2026-10-04 02:15", "2026-10-03 15:30"),
    ("Antarctica/Troll", "2026-03-29 02:30", "2026-03-29 01:00"),
    ("Pacific/Apia", "2011-12-30 12:00", "2011-12-30 10:00"),
]
# zone, local date and time, the first and the second moment
DOUBLED = [
    ("America/New_York", "2026-11-01 01:30", "2026-11-01 05:30", "2026-11-01 06:30"),
    ("Europe/London", "2026-10-25 01:30", "2026-10-25 00:30", "2026-10-25 01:30"),
    ("Europe/Dublin", "2026-10-25 01:30", "2026-10-25 00:30", "2026-10-25 01:30"),
    ("Australia/Sydney", "2026-04-05 02:30", "2026-04-04 15:30", "2026-04-04 16:30"),
    ("Pacific/Auckland", "2026-04-05 02:30", "2026-04-04 13:30", "2026-04-04 14:30"),
    ("America/Santiago", "2026-04-04 23:30", "2026-04-05 02:30", "2026-04-05 03:30"),
    ("Australia/Lord_Howe", "2026-04-05 01:45", "2026-04-04 14:45", "2026-04-04 15:15"),
    ("Antarctica/Troll", "2026-10-25 01:30", "2026-10-24 23:30", "2026-10-25 01:30"),
]
# Just beside the change there is nothing to decide.
PLAIN = [
    ("America/New_York", "2026-03-08 01:59", "2026-03-08 06:59"),
    ("America/New_York", "2026-03-08 03:00", "2026-03-08 07:00"),
    ("America/New_York", "2026-11-01 00:59", "2026-11-01 04:59"),
    ("America/New_York", "2026-11-01 02:00", "2026-11-01 07:00"),
    ("Australia/Lord_Howe", "2026-10-04 02:30", "2026-10-03 15:30"),
    ("America/Santiago", "2026-09-06 01:00", "2026-09-06 04:00"),
]


def parts(text: str) -> tuple[date, time]:
    read = datetime.fromisoformat(text)
    return read.date(), read.time()


@pytest.mark.parametrize("second", [False, True])
@pytest.mark.parametrize(("zone", "read", "expected"), SKIPPED)
def test_a_skipped_time_comes_at_the_first_moment_after_the_gap(
    zone: str, read: str, expected: str, second: bool
) -> None:
    at, note = moment(*parts(read), ZoneInfo(zone), second=second)
    assert at == utc(expected)
    shown = at.astimezone(ZoneInfo(zone))
    assert note == f"the clocks change: {read[11:]} is skipped, moved to {shown:%H:%M}"
    before = (at - timedelta(seconds=1)).astimezone(ZoneInfo(zone)).replace(tzinfo=None)
    assert before < datetime.fromisoformat(read) < shown.replace(tzinfo=None) or read.endswith("02:00")


@pytest.mark.parametrize(("zone", "read", "first", "second"), DOUBLED)
def test_a_doubled_time_is_taken_as_asked(zone: str, read: str, first: str, second: str) -> None:
    found = [moment(*parts(read), ZoneInfo(zone), second=which) for which in (False, True)]
    assert [at for at, _ in found] == [utc(first), utc(second)]
    assert [note for _, note in found] == [
        f"the clocks change: {read[11:]} comes twice, taken the {which} time" for which in ("first", "second")
    ]


@pytest.mark.parametrize(("zone", "read", "expected"), PLAIN)
def test_beside_the_change(zone: str, read: str, expected: str) -> None:
    for second in (False, True):
        assert moment(*parts(read), ZoneInfo(zone), second=second) == (utc(expected), "")


@settings(max_examples=300, deadline=None)
@given(
    zone=st.sampled_from(sorted({case[0] for case in SKIPPED})),
    read=st.datetimes(datetime(2011, 1, 1), datetime(2037, 12, 31)),
    second=st.booleans(),
)
@example(zone="Pacific/Apia", read=datetime(2011, 12, 30, 23, 59), second=False)
def test_the_clock_then_shows_that_time_or_has_just_jumped_over_it(
    zone: str, read: datetime, second: bool
) -> None:
    read = read.replace(second=0, microsecond=0)
    at, note = moment(read.date(), read.time(), ZoneInfo(zone), second=second)
    shown = at.astimezone(ZoneInfo(zone)).replace(tzinfo=None)
    before = (at - timedelta(seconds=1)).astimezone(ZoneInfo(zone)).replace(tzinfo=None)
    if "skipped" in note:
        assert before < read < shown or read == before + timedelta(seconds=1)
    else:
        assert shown == read

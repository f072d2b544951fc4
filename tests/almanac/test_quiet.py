"""Quiet hours: by the clock on the wall, over midnight, and on nights when the clocks change."""

from __future__ import annotations

from datetime import datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sequencer.almanac import is_quiet, next_quiet_change
from sequencer.sitefile.serve import Span
from tests.almanac.calendars import local, utc

NEW_YORK = ZoneInfo("America/New_York")
AFTERNOON, NIGHT = Span(time(15), time(17, 30)), Span(time(22), time(6))

# Clock in New York, quiet or not, and the clock at the next change.
COURSE = [
    ("2026-06-12 14:59:59", False, "2026-06-12 15:00"),
    ("2026-06-12 15:00", True, "2026-06-12 17:30"),
    ("2026-06-12 17:29:59", True, "2026-06-12 17:30"),
    ("2026-06-12 17:30", False, "2026-06-12 22:00"),
    ("2026-06-12 23:00", True, "2026-06-13 06:00"),
    ("2026-06-13 03:00", True, "2026-06-13 06:00"),
    ("2026-06-13 06:00", False, "2026-06-13 15:00"),
]


@pytest.mark.parametrize(("clock", "quiet", "change"), COURSE)
def test_through_a_day(clock: str, quiet: bool, change: str) -> None:
    now = local(clock).astimezone(NEW_YORK)
    assert is_quiet([AFTERNOON, NIGHT], now) is quiet
    assert next_quiet_change([AFTERNOON, NIGHT], now) == local(change)


def test_hours_that_meet_are_one() -> None:
    spans = [Span(time(15), time(17)), Span(time(16), time(18)), Span(time(18), time(19))]
    assert next_quiet_change(spans, local("2026-06-12 15:30").astimezone(NEW_YORK)) == local(
        "2026-06-12 19:00"
    )


@pytest.mark.parametrize("spans", [[], [Span(time(6), time(18)), Span(time(18), time(6))]])
def test_never_and_always(spans: list[Span]) -> None:
    now = local("2026-06-12 12:00").astimezone(NEW_YORK)
    assert is_quiet(spans, now) is bool(spans)
    assert next_quiet_change(spans, now) is None


def test_the_zone_must_be_known() -> None:
    for now in (datetime(2026, 6, 12), utc("2026-06-12 12:00")):
        with pytest.raises(ValueError, match="time zone"):
            is_quiet([AFTERNOON], now)


# On 1 November 2026 the hour from 01:00 comes twice in New York; on 8 March that from 02:00 is skipped.
CHANGES = [
    (Span(time(0, 30), time(1, 30)), "2026-11-01 04:30", "2026-11-01 06:30"),
    (Span(time(1, 30), time(3)), "2026-11-01 05:30", "2026-11-01 08:00"),
    (Span(time(2, 30), time(4)), "2026-03-08 07:00", "2026-03-08 08:00"),
    (Span(time(1), time(2, 30)), "2026-03-08 06:00", "2026-03-08 07:00"),
]


@pytest.mark.parametrize(("span", "begins", "ends"), CHANGES)
def test_nights_on_which_the_clocks_change(span: Span, begins: str, ends: str) -> None:
    before = (utc(begins) - timedelta(seconds=1)).astimezone(NEW_YORK)
    assert not is_quiet([span], before)
    assert next_quiet_change([span], before) == utc(begins)
    assert is_quiet([span], utc(begins).astimezone(NEW_YORK))
    assert next_quiet_change([span], utc(begins).astimezone(NEW_YORK)) == utc(ends)
    assert not is_quiet([span], utc(ends).astimezone(NEW_YORK))


times = st.builds(time, st.integers(0, 23), st.sampled_from([0, 15, 30]))
spans = st.tuples(times, times).filter(lambda pair: pair[0] != pair[1]).map(lambda pair: Span(*pair))


@settings(max_examples=30, deadline=None)
@given(
    written=st.lists(spans, min_size=1, max_size=3),
    start=st.sampled_from(["2026-03-07 12:00", "2026-10-31 12:00", "2026-06-12 12:00"]),
)
def test_the_next_change_is_the_first_moment_that_differs(written: list[Span], start: str) -> None:
    """All hours above are whole quarters, and so is every change of the clocks."""
    moments = [utc(start) + n * timedelta(minutes=15) for n in range(48 * 4)]
    course = [is_quiet(written, at.astimezone(NEW_YORK)) for at in moments]
    for n in range(0, len(course), 7):
        differs = next(
            (
                at
                for at, is_so in zip(moments, course, strict=True)
                if at > moments[n] and is_so is not course[n]
            ),
            None,
        )
        found = next_quiet_change(written, (moments[n] + timedelta(minutes=7)).astimezone(NEW_YORK))
        assert found == differs or (differs is None and (found is None or found > moments[-1]))

"""The listing: every reason in its words, and never another answer than ``due`` gives."""

from __future__ import annotations

from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sequencer.almanac import due, listing
from sequencer.almanac.listing import Row
from tests.almanac.calendars import local, made, other, slot
from tests.almanac.test_due import slots


def told(row: Row) -> str:
    """A row as a line."""
    due = ", ".join(f"{begins:%d %H:%M}-{ends:%d %H:%M}" for begins, ends in row.due) or "never"
    return f"{row.date:%d} {row.circuit} {row.name} {row.scene}: {due}: {'; '.join(row.why)}"


def test_two_days_with_their_reasons() -> None:
    calendar = made(
        slot("sunset", "23:30", name="evenings"),
        slot("21:30", "22:00", "quiet", priority=2),
        slot("22:30", "01:00", "late", circuit="deep"),
        slot("22:45", "22:50", "blink", circuit="deep", days=["fri"]),
        exceptions=(other("2026-06-13", name="works", circuit="shallow", closed=True),),
        circuits=("deep", "shallow"),
    )
    assert [told(row) for row in listing(calendar, local("2026-06-12 12:00"), 2)] == [
        (
            '12 deep evenings evening: 12 20:31-12 21:30, 12 22:00-12 22:30: 21:30-22:00 "slot 2": priority 2'
            ' before 0; 22:30-22:45 "slot 3": it names the circuit; 22:45-22:50 "slot 4": it names the circuit;'
            ' 22:50-23:30 "slot 3": it names the circuit'
        ),
        "12 deep slot 2 quiet: 12 21:30-12 22:00: ",
        '12 deep slot 3 late: 12 22:30-12 22:45, 12 22:50-13 01:00: 22:45-22:50 "slot 4": it began later',
        "12 deep slot 4 blink: 12 22:45-12 22:50: ",
        (
            '12 shallow evenings evening: 12 20:31-12 21:30, 12 22:00-12 23:30: 21:30-22:00 "slot 2": priority 2'
            " before 0"
        ),
        "12 shallow slot 2 quiet: 12 21:30-12 22:00: ",
        (
            '13 deep evenings evening: 13 20:31-13 21:30, 13 22:00-13 22:30: 21:30-22:00 "slot 2": priority 2'
            ' before 0; 22:30-23:30 "slot 3": it names the circuit'
        ),
        "13 deep slot 2 quiet: 13 21:30-13 22:00: ",
        "13 deep slot 3 late: 13 22:30-14 01:00: ",
        "13 shallow works None: never: closed",
        '13 shallow evenings evening: never: closed by exception "works"',
        '13 shallow slot 2 quiet: never: closed by exception "works"',
    ]


# An hour of the night of the change, as it is listed.
CHANGES = [
    ("2026-03-08", "02:30", "04:00", "08 03:00-08 04:00", "02:30 is skipped, moved to 03:00"),
    ("2026-11-01", "01:30", "03:00", "01 01:30-01 03:00", "01:30 comes twice, taken the first time"),
    ("2026-11-01", "00:30", "01:30", "01 00:30-01 01:30", "01:30 comes twice, taken the second time"),
]


@pytest.mark.parametrize(("day", "start", "end", "due", "why"), CHANGES)
def test_a_change_of_the_clocks_is_said(day: str, start: str, end: str, due: str, why: str) -> None:
    (row,) = listing(made(slot(start, end)), local(f"{day} 00:00"), 1)
    assert told(row) == f"{day[-2:]} pool slot 1 evening: {due}: the clocks change: {why}"


def test_one_that_never_comes_to_its_turn() -> None:
    calendar = made(slot("20:00", "22:00"), slot("20:00", "22:00", "quiet"))
    first, second = listing(calendar, local("2026-06-12 12:00"), 1)
    assert (
        told(first)
        == '12 pool slot 1 evening: never: 20:00-22:00 "slot 2": it stands further down in the file'
    )
    assert told(second) == "12 pool slot 2 quiet: 12 20:00-12 22:00: "


def test_last_nights_show_is_listed_while_it_goes_on_and_no_longer() -> None:
    calendar = made(slot("20:00", "02:00", days=["fri"]))
    assert [told(row) for row in listing(calendar, local("2026-06-13 01:59"), 1)] == [
        "12 pool slot 1 evening: 12 20:00-13 02:00: "
    ]
    assert listing(calendar, local("2026-06-13 02:00"), 1) == ()


@settings(max_examples=40, deadline=None)
@given(
    written=st.lists(slots(), min_size=1, max_size=4),
    day=st.sampled_from([date(2026, 3, 7), date(2026, 10, 31), date(2026, 6, 12)]),
)
def test_what_is_listed_is_what_is_due(written: list, day: date) -> None:
    calendar = made(*written)
    now = datetime.combine(day, time(0), ZoneInfo("America/New_York"))
    rows = listing(calendar, now, 3)
    claimed = {
        (row.name, row.date): [(begins.timestamp(), ends.timestamp()) for begins, ends in row.due]
        for row in rows
    }
    for quarter in range(2 * 96):
        at = local(str(datetime.combine(day, time(12)))) + quarter * timedelta(minutes=15)
        by_listing = [who for who, spans in claimed.items() if any(a <= at.timestamp() < b for a, b in spans)]
        found = due(calendar, at)["pool"]
        assert by_listing == ([] if found is None else [(found.show.name, found.show.date)])

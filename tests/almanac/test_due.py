"""What is due, by tables and by an oracle that walks every minute and reads the clock on the wall."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from sequencer.almanac import LOOK_AHEAD, Calendar, due, listing, next_change
from sequencer.almanac.due import stretches_on
from sequencer.almanac.shows import calendar as almanac_calendar
from sequencer.almanac.sun import Place
from sequencer.sitefile.calendar import Slot
from tests.almanac.calendars import local, made, other, slot, utc

MINUTE = timedelta(minutes=1)


def scene(calendar: Calendar, now: datetime, circuit: str = "pool") -> str | None:
    found = due(calendar, now)[circuit]
    return None if found is None else found.show.scene


EVENING, NIGHT = slot("20:00", "23:00"), slot("22:00", "02:00", "late")

# Slots that hold together at 22:30 on Friday the 12th of June, and which of them is due.
RULES = [
    ((EVENING, NIGHT), "late", "it began later"),
    ((NIGHT, EVENING), "late", "it began later"),
    ((slot("20:00", "23:00", priority=1), NIGHT), "evening", "priority"),
    ((slot("20:00", "23:00", priority=-1), EVENING), "evening", "priority"),
    ((slot("20:00", "23:00", circuit="pool"), NIGHT), "evening", "it names the circuit"),
    (
        (slot("20:00", "23:00", circuit="pool"), slot("22:00", "02:00", "late", priority=1)),
        "late",
        "priority",
    ),
    ((slot("22:00", "23:00", "one"), slot("22:00", "01:00", "two")), "two", "further down"),
    ((slot("22:00", "23:00", "two"), slot("22:00", "01:00", "one")), "one", "further down"),
]


@pytest.mark.parametrize(("slots", "expected", "_rule"), RULES)
def test_of_two_that_hold_one_is_due(slots: tuple[Slot, ...], expected: str, _rule: str) -> None:
    assert scene(made(*slots), local("2026-06-12 22:30")) == expected


# A clock in New York on the 12th of June (a Friday), and what is due with both slots above.
COURSE = [
    ("2026-06-12 02:00", None),
    ("2026-06-12 19:59:59", None),
    ("2026-06-12 20:00", "evening"),
    ("2026-06-12 21:59:59", "evening"),
    ("2026-06-12 22:00", "late"),
    ("2026-06-12 23:00", "late"),
    ("2026-06-13 00:00", "late"),
    ("2026-06-13 01:59:59", "late"),
    ("2026-06-13 02:00", None),
]


@pytest.mark.parametrize(("clock", "expected"), COURSE)
def test_through_a_night(clock: str, expected: str | None) -> None:
    assert scene(made(EVENING, NIGHT), local(clock)) == expected


def test_due_says_whose_show_and_since_when_and_until_when() -> None:
    calendar = made(EVENING, slot("21:00", "21:30", "quiet", priority=1))
    found = due(calendar, local("2026-06-12 22:15"))["pool"]
    assert found is not None
    assert (found.show.begins, found.show.ends) == (local("2026-06-12 20:00"), local("2026-06-12 23:00"))
    assert (found.since, found.until) == (local("2026-06-12 21:30"), local("2026-06-12 23:00"))
    before = due(calendar, local("2026-06-12 20:10"))["pool"]
    assert before is not None
    assert (before.show, before.until) == (found.show, local("2026-06-12 21:00"))


def test_after_downtime_a_show_that_still_runs_is_due_and_one_that_ended_is_not() -> None:
    """Only the moment counts, not what was due when the board died."""
    calendar = made(slot("22:00", "02:00", "late", days=["fri"]))
    assert scene(calendar, local("2026-06-13 01:30")) == "late"
    assert scene(calendar, local("2026-06-13 02:30")) is None
    assert scene(calendar, local("2026-06-13 22:30")) is None


def test_each_circuit_has_its_own() -> None:
    calendar = made(EVENING, slot("20:00", "21:00", "quiet", circuit="deep"), circuits=("deep", "shallow"))
    now = local("2026-06-12 20:30")
    assert [scene(calendar, now, circuit) for circuit in ("deep", "shallow")] == ["quiet", "evening"]
    assert next_change(calendar, now) == local("2026-06-12 21:00")


def test_a_moment_without_a_zone_is_refused() -> None:
    for question in (due, next_change):
        with pytest.raises(ValueError, match="time zone"):
            question(made(EVENING), datetime(2026, 6, 12))


# Nights on which the clocks change: zone, slot, date, from and to in UTC, hours that it lasts.
CHANGES = [
    ("America/New_York", ("22:00", "06:00"), "2026-03-08 03:00", "2026-03-08 10:00"),
    ("America/New_York", ("22:00", "06:00"), "2026-11-01 02:00", "2026-11-01 11:00"),
    ("America/New_York", ("20:00", "01:30"), "2026-11-01 00:00", "2026-11-01 06:30"),
    ("America/New_York", ("20:00", "01:00"), "2026-11-01 00:00", "2026-11-01 06:00"),
    ("America/New_York", ("20:00", "02:00"), "2026-11-01 00:00", "2026-11-01 07:00"),
    ("America/New_York", ("01:30", "03:00"), "2026-11-01 05:30", "2026-11-01 08:00"),
    ("America/New_York", ("02:30", "04:00"), "2026-03-08 07:00", "2026-03-08 08:00"),
    ("America/New_York", ("22:00", "02:30"), "2026-03-08 03:00", "2026-03-08 07:00"),
    ("Europe/London", ("20:00", "01:30"), "2026-10-24 19:00", "2026-10-25 01:30"),
    ("Europe/London", ("01:30", "04:00"), "2026-03-29 01:00", "2026-03-29 03:00"),
    ("Australia/Sydney", ("21:00", "02:30"), "2026-04-04 10:00", "2026-04-04 16:30"),
    ("Australia/Sydney", ("02:30", "05:00"), "2026-10-03 16:00", "2026-10-03 18:00"),
    ("Pacific/Auckland", ("21:00", "02:30"), "2026-04-04 08:00", "2026-04-04 14:30"),
    ("Pacific/Auckland", ("02:30", "05:00"), "2026-09-26 14:00", "2026-09-26 16:00"),
    ("America/Santiago", ("20:00", "23:30"), "2026-04-04 23:00", "2026-04-05 03:30"),
    ("America/Santiago", ("00:30", "02:00"), "2026-09-06 04:00", "2026-09-06 05:00"),
    ("Australia/Lord_Howe", ("21:00", "01:45"), "2026-04-04 10:00", "2026-04-04 15:15"),
    ("Australia/Lord_Howe", ("02:15", "04:00"), "2026-10-03 15:30", "2026-10-03 17:00"),
]


@pytest.mark.parametrize(("zone", "hours", "begins", "ends"), CHANGES)
def test_nights_on_which_the_clocks_change(zone: str, hours: tuple[str, str], begins: str, ends: str) -> None:
    calendar = made(slot(*hours), zone=zone)
    assert scene(calendar, utc(begins) - timedelta(seconds=1)) is None
    found = due(calendar, utc(begins))["pool"]
    assert found is not None
    assert (found.since, found.until) == (utc(begins), utc(ends))
    assert scene(calendar, utc(ends) - timedelta(seconds=1)) == "evening"
    assert scene(calendar, utc(ends)) is None
    assert next_change(calendar, utc(begins) - MINUTE) == utc(begins)
    assert next_change(calendar, utc(begins)) == utc(ends)


def test_far_ahead_there_is_no_next_change() -> None:
    calendar = made(slot("20:00", "23:00", dates=["2026-06-30"]))
    begins = local("2026-06-30 20:00")
    assert next_change(calendar, begins - LOOK_AHEAD - MINUTE) is None
    assert next_change(calendar, begins - LOOK_AHEAD) == begins
    assert next_change(made(), begins) is None
    assert next_change(calendar, local("2026-06-30 23:00")) is None


def test_a_show_may_begin_on_the_evening_before_its_day() -> None:
    """Saturday's, eight hours before Saturday's sunrise."""
    calendar = made(slot("sunrise-08:00", "sunrise", dates=["2026-06-20"]))
    found = due(calendar, local("2026-06-19 22:00"))["pool"]
    assert found is not None
    assert found.show.date == date(2026, 6, 20)
    assert found.since < local("2026-06-19 21:10")
    assert next_change(calendar, found.since - LOOK_AHEAD) == found.since
    (stretch,) = stretches_on(calendar, "pool", date(2026, 6, 19), date(2026, 6, 19))
    assert stretch.show == found.show


def test_a_show_may_go_on_into_the_second_night_after_its_day() -> None:
    """Where the sun's noon is at 16:00 and, in January far north, it rises after 14:00."""
    long = ("sunset", "sunrise+11:30")
    calendar = almanac_calendar(
        Place(65.0, 0.0, ZoneInfo("Etc/GMT-4")),
        ["pool"],
        [
            slot(*long, "first", dates=["2026-01-05"], priority=1),
            slot(*long, "second", dates=["2026-01-06"]),
            slot("01:00", "01:10", "third", dates=["2026-01-08"], priority=1),
        ],
    )
    now = local("2026-01-08 00:30", "Etc/GMT-4")
    found = due(calendar, now)["pool"]
    assert found is not None
    assert (found.show.scene, found.show.date) == ("second", date(2026, 1, 6))
    assert local("2026-01-08 01:10", "Etc/GMT-4") < found.show.ends
    before = due(calendar, found.since - MINUTE)["pool"]
    assert before is not None
    assert (before.show.scene, before.until) == ("first", found.since)
    assert found.until == local("2026-01-08 01:00", "Etc/GMT-4")
    second, third = listing(calendar, now, 1)
    assert [(row.scene, row.date.day, len(row.due)) for row in (second, third)] == [
        ("second", 6, 2),
        ("third", 8, 1),
    ]
    (alone,) = listing(calendar, local("2026-01-06 12:00", "Etc/GMT-4"), 1)[1:]
    assert (alone.scene, len(alone.due)) == ("second", 2)


# --- The oracle: a show begins the first time that the clock on the wall comes to its start or past it, and ends
# the last time that it comes to its end or past it.

NIGHTS = {  # a date before the night on which the clocks change, or before one on which they do not
    "America/New_York": ("2026-03-07", "2026-10-31", "2026-06-12"),
    "Europe/London": ("2026-03-28", "2026-10-24"),
    "Australia/Sydney": ("2026-10-03", "2026-04-04"),
    "Pacific/Auckland": ("2026-09-26", "2026-04-04"),
    "America/Santiago": ("2026-09-05", "2026-04-04"),
    "Australia/Lord_Howe": ("2026-10-03", "2026-04-04"),
}
NIGHT_LIST = [(zone, date.fromisoformat(day)) for zone, days in NIGHTS.items() for day in days]
MARKS = ["00:00", "00:30", "01:00", "01:30", "01:45", "02:00", "02:15", "02:30", "03:00", "06:00", "12:00"]
MARKS += ["20:00", "22:00", "23:00", "23:30"]
DAYS = ["mon", "tue", "wed", "thu", "fri", "sat", "sun"]


@st.composite
def slots(draw: st.DrawFn) -> Slot:
    start, end = draw(
        st.lists(st.sampled_from(MARKS), min_size=2, max_size=2).filter(
            lambda marks: marks[0] != marks[1] or marks[0] == "00:00"
        )
    )
    keys: dict[str, object] = {}
    if draw(st.booleans()):
        keys["days"] = draw(st.lists(st.sampled_from(DAYS), min_size=1, max_size=4))
    if draw(st.booleans()):
        keys["circuit"] = "pool"
    return slot(start, end, priority=draw(st.integers(0, 1)), **keys)


def readings(zone: str, day: date) -> list[tuple[datetime, datetime]]:
    """Every minute of the days around a date, and what the wall's clock shows then."""
    first = datetime.combine(day - timedelta(days=2), time(0), UTC)
    minutes = [first + n * MINUTE for n in range(6 * 24 * 60)]
    return [(at, at.astimezone(ZoneInfo(zone)).replace(tzinfo=None)) for at in minutes]


def walked(
    written: list[Slot], read: list[tuple[datetime, datetime]]
) -> Iterator[tuple[datetime, tuple[str, date] | None]]:
    """For every minute the slot and day that is due."""
    shows = []
    for n, one in enumerate(written):
        for day in sorted({reading.date() for _, reading in read}):
            if one.days and DAYS[day.weekday()] not in one.days:
                continue
            assert isinstance(one.start, time)
            assert isinstance(one.end, time)
            start, end = datetime.combine(day, one.start), datetime.combine(day, one.end)
            end += timedelta(days=1) if end <= start else timedelta(0)
            after = [at for at, reading in read if reading >= start]
            before = [at for at, reading in read if reading < end]
            at_end = [at for at, reading in read if reading == end]
            begins = after[0] if after else read[-1][0] + MINUTE
            ends = max([at + MINUTE for at in before[-1:]] + at_end[-1:], default=read[0][0])
            if begins < ends:
                wins = (one.priority, one.circuit is not None, begins, n, day)
                shows.append((wins, begins, ends, (f"slot {n + 1}", day)))
    for at, _ in read:
        held = sorted((wins, who) for wins, begins, ends, who in shows if begins <= at < ends)
        yield at, held[-1][1] if held else None


@settings(max_examples=40, deadline=None)
@given(night=st.sampled_from(NIGHT_LIST), written=st.lists(slots(), min_size=1, max_size=3))
@example(night=NIGHT_LIST[1], written=[slot("00:30", "01:30"), slot("01:30", "02:30")])
@example(night=("Australia/Lord_Howe", date(2026, 4, 4)), written=[slot("00:00", "01:30")])
@example(night=NIGHT_LIST[0], written=[slot("02:00", "02:30"), slot("00:00", "02:15")])
def test_due_agrees_with_every_minute_of_the_clock_on_the_wall(
    night: tuple[str, date], written: list[Slot]
) -> None:
    """On the middle days of those walked; and the next change is the next minute that differs."""
    zone, day = night
    calendar = made(*written, zone=zone)
    course = list(walked(written, readings(zone, day)))
    middle = course[36 * 60 : 4 * 24 * 60]
    for at, who in middle:
        found = due(calendar, at)["pool"]
        assert (None if found is None else (found.show.name, found.show.date)) == who, at
    changes = [at for (_, one), (at, other) in zip(course, course[1:], strict=False) if one != other]
    for at, _ in middle[::7]:
        expected = next((change for change in changes if change > at), None)
        found_change = next_change(calendar, at)
        if expected is not None:
            assert found_change == expected
        else:
            assert found_change is None or found_change > course[-1][0]


@settings(max_examples=40, deadline=None)
@given(
    day=st.dates(date(2026, 1, 1), date(2028, 12, 31)),
    zone=st.sampled_from([*NIGHTS, "Atlantic/Reykjavik"]),
    hours=st.sampled_from([("sunset", "23:00"), ("sunset-01:00", "sunrise+00:20"), ("05:00", "sunrise")]),
    more=slots(),
)
def test_between_two_changes_nothing_changes(
    day: date, zone: str, hours: tuple[str, str], more: Slot
) -> None:
    """With the sun in it: from change to change, what is due differs at each and is the same in between."""
    calendar = made(slot(*hours), more, exceptions=(other(str(day), closed=True),), zone=zone)
    now = datetime.combine(day - timedelta(days=1), time(9, 3), UTC)
    for _ in range(8):
        change = next_change(calendar, now)
        if change is None:
            break
        assert change > now
        parts = [now + (change - now) * n / 9 for n in range(9)] + [change - timedelta(seconds=1)]
        assert len({scene_and_day(calendar, at) for at in parts if at >= now}) == 1
        assert scene_and_day(calendar, change) != scene_and_day(calendar, now)
        now = change


def scene_and_day(calendar: Calendar, at: datetime) -> tuple[str, date] | None:
    found = due(calendar, at)["pool"]
    return None if found is None else (found.show.name, found.show.date)

"""The timetable: what it tells and when, in virtual time; and that APScheduler does as told."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from datetime import UTC, date, datetime, time, timedelta
from queue import Queue
from threading import Event
from typing import Any

import pytest
from apscheduler.events import EVENT_JOB_MAX_INSTANCES, EVENT_JOB_SUBMITTED
from hypothesis import given, settings
from hypothesis import strategies as st

from sequencer.almanac import Calendar, Due, due, is_quiet
from sequencer.daemon.timetable import ASK_ANYWAY, SchedulerTimetable, Timetable, VirtualTimetable
from sequencer.sitefile.serve import Span
from tests.almanac.calendars import local, made, other, slot, utc

EVENINGS = made(slot("20:00", "23:00"), slot("21:00", "21:30", "quiet"))
NAP = (Span(time(13), time(14)),)

Told = tuple[str | None, bool]


class Ear:
    """What was told, as the scene due in the pool and whether it is quiet."""

    def __init__(self) -> None:
        self.heard: list[Told] = []

    def __call__(self, due: Mapping[str, Due | None], quiet: bool) -> None:
        found = due["pool"]
        self.heard.append((None if found is None else found.show.scene, quiet))


def virtual(clock: str, calendar: Calendar = EVENINGS) -> tuple[VirtualTimetable, Ear]:
    ear = Ear()
    table = VirtualTimetable(calendar, NAP, ear, local(clock))
    table.start()
    return table, ear


def test_a_day_told_change_by_change() -> None:
    table, ear = virtual("2026-06-12 12:00")
    table.trust()
    assert ear.heard == [(None, False)]
    course = []
    for hour, minute in ((13, 0), (14, 0), (20, 0), (21, 0), (21, 30), (23, 0)):
        at = local(f"2026-06-12 {hour}:{minute:02}")
        table.advance(at - timedelta(seconds=1))
        before = len(ear.heard)
        table.advance(at)
        course.append(ear.heard[before:])
    assert course == [
        [(None, True)],
        [(None, False)],
        [("evening", False)],
        [("quiet", False)],
        [("evening", False)],
        [(None, False)],
    ]


def test_until_the_clock_is_trusted_nothing_is_told() -> None:
    table, ear = virtual("2026-06-12 19:00")
    table.advance(local("2026-06-12 22:00"))
    table.recompute()
    assert (ear.heard, table.ready) == ([], False)
    table.trust()
    assert (ear.heard, table.ready) == ([("evening", False)], True)


def test_after_downtime_what_still_runs_is_told_and_nothing_that_ended() -> None:
    for clock, expected in (("2026-06-12 21:15", "quiet"), ("2026-06-12 23:30", None)):
        table, ear = virtual(clock)
        table.trust()
        assert ear.heard == [(expected, False)]


def test_nothing_is_told_after_the_stop() -> None:
    table, ear = virtual("2026-06-12 19:00")
    table.trust()
    table.stop()
    table.advance(local("2026-06-13 21:00"))
    table.recompute()
    assert ear.heard == [(None, False)]


# The clock is stepped from the first to the second; what is told at once, and at the next change then.
STEPS = [
    ("2026-06-12 12:00", "2031-06-12 20:30", [("evening", False)], [("quiet", False)]),
    ("2031-06-12 20:30", "2026-06-12 12:00", [(None, False)], [(None, True)]),
    ("2026-06-12 19:59", "2026-06-12 23:01", [], [(None, True)]),
    ("2026-06-12 20:30", "2026-06-12 20:10", [], [("quiet", False)]),
    ("1990-01-01 00:30", "2026-06-12 22:00", [("evening", False)], [(None, False)]),
]


@pytest.mark.parametrize(("before", "after", "at_once", "then"), STEPS)
def test_steps_of_the_clock(before: str, after: str, at_once: list[Told], then: list[Told]) -> None:
    table, ear = virtual(before)
    table.trust()
    ear.heard.clear()
    table.step(local(after))
    table.recompute()
    assert ear.heard == at_once
    ear.heard.clear()
    while not ear.heard:
        table.advance(table.now + timedelta(minutes=1))
    assert ear.heard == then


@settings(max_examples=25, deadline=None)
@given(steps=st.lists(st.integers(-400 * 24 * 60, 400 * 24 * 60), max_size=6), run=st.integers(1, 5000))
def test_whatever_the_clock_does_the_last_word_is_what_is_due(steps: list[int], run: int) -> None:
    table, ear = virtual("2026-06-12 12:00")
    table.trust()
    for minutes in steps:
        table.step(table.now + timedelta(minutes=minutes))
        table.recompute()
        table.advance(table.now + timedelta(minutes=run))
        found = due(EVENINGS, table.now)["pool"]
        now_local = table.now.astimezone(EVENINGS.place.zone)
        assert ear.heard[-1] == (found and found.show.scene, is_quiet(NAP, now_local))


def test_a_year_of_evenings() -> None:
    """Every evening of 2027 begins and ends once, and the almanac is asked no more often than it must be."""
    calendar = made(
        slot("sunset-00:15", "23:00"),
        slot("22:00", "00:30", "late", days=["fri", "sat"]),
        exceptions=(
            other("2027-02-01..2027-02-14", closed=True),
            other("2027-12-31", scene="gala", start="sunset", end="01:00"),
        ),
    )
    begun: Counter[tuple[str, date]] = Counter()
    dark = 0

    def changed(due: Mapping[str, Due | None], _quiet: bool) -> None:
        nonlocal dark
        if (found := due["pool"]) is None:
            dark += 1
        else:
            assert found.since <= table.now < found.until
            begun[found.show.scene, found.show.date] += 1

    table = VirtualTimetable(calendar, (), changed, local("2027-01-01 12:00"))
    table.trust()
    table.advance(local("2028-01-01 12:00"))
    days = [date(2027, 1, 1) + timedelta(days=n) for n in range(365)]
    open_days = [d for d in days if not date(2027, 2, 1) <= d <= date(2027, 2, 14) and d != days[-1]]
    assert begun == {
        **{("evening", day): 1 for day in open_days},
        **{("late", day): 1 for day in open_days if day.weekday() in {4, 5}},
        ("gala", date(2027, 12, 31)): 1,
    }
    assert dark == 1 + 350 + 1  # at noon of the first day, and after each evening
    assert table.asked <= len(begun) + dark + 365


# --- APScheduler


@pytest.fixture
def real() -> Iterator[Callable[..., SchedulerTimetable]]:
    made: list[SchedulerTimetable] = []

    def build(*args: Any) -> SchedulerTimetable:
        made.append(SchedulerTimetable(*args))
        return made[-1]

    yield build
    for table in made:
        table.stop()


def test_the_one_job_is_the_next_change_and_may_come_late(
    real: Callable[..., SchedulerTimetable],
) -> None:
    """Its scheduler paused: jobs are kept and none is run."""
    now, ear = [local("2026-06-12 12:00")], Ear()
    table = real(EVENINGS, NAP, ear, lambda: now[0])
    table._scheduler.start(paused=True)
    assert table._scheduler.get_jobs() == []
    table.recompute()
    assert (table._scheduler.get_jobs(), ear.heard) == ([], [])
    table.trust()
    (job,) = table._scheduler.get_jobs()
    assert job.next_run_time == local("2026-06-12 13:00")
    assert (job.misfire_grace_time, job.coalesce) == (None, True)
    assert str(table._scheduler.timezone) == "America/New_York"
    for clock, expected in (
        ("2031-06-12 20:30", "2031-06-12 21:00"),
        ("2026-06-12 20:30", "2026-06-12 21:00"),
        ("2026-06-12 23:30", "2026-06-13 13:00"),
    ):
        now[0] = local(clock)
        table.recompute()
        (job,) = table._scheduler.get_jobs()
        assert job.next_run_time == local(expected)
    assert ear.heard == [(None, False), ("evening", False), ("evening", False), (None, False)]


def test_without_any_change_ahead_it_asks_again_after_a_day(real: Callable[..., SchedulerTimetable]) -> None:
    now = local("2026-06-12 12:00")
    table = real(made(), (), Ear(), lambda: now)
    table._scheduler.start(paused=True)
    table.trust()
    (job,) = table._scheduler.get_jobs()
    assert job.next_run_time == now + ASK_ANYWAY


def test_changes_that_are_overdue_are_run_by_the_scheduler_one_after_another(
    real: Callable[..., SchedulerTimetable],
) -> None:
    """Its threads run by the real clock, for which everything here is long past: each job is late by years
    and taken up while the one before it is not yet done. None is dropped."""
    heard: Queue[str | None] = Queue()
    now, end = [utc("2020-06-12 16:00")], utc("2020-07-12 16:00")

    def changed(due: Mapping[str, Due | None], _quiet: bool) -> None:
        found = due["pool"]
        heard.put(None if found is None else found.show.scene)

    table = real(EVENINGS, (), changed, lambda: now[0])
    ask = table._asking.ask

    def noted(at: datetime) -> datetime:
        """As if the job that comes next came just when it is due."""
        now[0] = ask(at)
        if now[0] <= end:
            return now[0]
        heard.put("the end")
        return datetime.now(UTC) + timedelta(days=1)

    taken_up = Event()
    add_job = table._scheduler.add_job

    def add_and_linger(*args: Any, **keys: Any) -> None:
        add_job(*args, **keys)
        if keys["run_date"] <= end:
            assert taken_up.wait(30)
            taken_up.clear()

    table._asking.ask = noted  # type: ignore[method-assign]
    table._scheduler.add_job = add_and_linger
    table._scheduler.add_listener(
        lambda _event: taken_up.set(), EVENT_JOB_SUBMITTED | EVENT_JOB_MAX_INSTANCES
    )
    table.start()
    table.trust()
    course = []
    while course[-1:] != ["the end"]:
        course.append(heard.get(timeout=30))
    assert course == [*[None, "evening", "quiet", "evening"] * 30, None, "the end"]


def test_an_answer_that_fails_is_asked_for_again(real: Callable[..., SchedulerTimetable]) -> None:
    now = local("2026-06-12 12:00")

    def changed(_due: Mapping[str, Due | None], _quiet: bool) -> None:
        raise RuntimeError("a full queue")

    table = real(EVENINGS, (), changed, lambda: now)
    table._scheduler.start(paused=True)
    with pytest.raises(RuntimeError):
        table.trust()
    (job,) = table._scheduler.get_jobs()
    assert job.next_run_time == now + timedelta(minutes=1)


def test_both_are_timetables() -> None:
    table: Timetable = VirtualTimetable(EVENINGS, (), Ear(), utc("2026-06-12 12:00"))
    other: Timetable = SchedulerTimetable(EVENINGS, (), Ear(), lambda: utc("2026-06-12 12:00"))
    for one in (table, other):
        assert one.ready is False
        one.stop()

"""The calendar in time: asks the almanac at each change, and tells what is due then.

:class:`Timetable` is what the daemon sees; :class:`SchedulerTimetable` runs on APScheduler by the board's wall
clock, :class:`VirtualTimetable` by a clock that its owner moves. Both are thin: what is due is the almanac's.

A scheduler sleeps until the wall clock's time of its next job, and wakes at the wrong one when the clock is
stepped meanwhile; a job that repeats would sleep with it. So there is only the one job of the next change, and
whoever watches the clocks (:mod:`.wallclock`) calls :meth:`Timetable.recompute`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, datetime, timedelta
from functools import cached_property
from threading import Lock
from typing import Any, Protocol
from zoneinfo import ZoneInfo

from sequencer.almanac import Calendar, Due, due, is_quiet, next_change, next_quiet_change
from sequencer.sitefile.serve import Span

ASK_ANYWAY = timedelta(days=1)
"""The almanac is asked at least this often, though nothing changes."""
TRY_AGAIN = timedelta(minutes=1)
"""After an answer that failed, which APScheduler logs, the almanac is asked again so much later."""

Changed = Callable[[Mapping[str, Due | None], bool], None]
"""Told what each circuit is due (``None``: nothing), and whether the quiet hours are on. Called once when the
clock is trusted, then only when either differs from what was told before."""


class Timetable(Protocol):
    """Runs a calendar; until the clock is trusted nothing is told."""

    ready: bool
    """The clock is trusted."""

    def start(self) -> None:
        """Begin; threads, if any, start here. A clock that is trusted before has what is due told before."""

    def trust(self) -> None:
        """The clock is trusted from now on: what is due is told at once."""

    def recompute(self) -> None:
        """The clock was stepped: ask anew, and work out the next change from there."""

    def stop(self) -> None:
        """Nothing is told after this returns."""


class _Asking:
    """What both timetables do at a change."""

    def __init__(self, calendar: Calendar, quiet: Sequence[Span], changed: Changed) -> None:
        self._calendar, self._quiet, self._changed = calendar, quiet, changed
        self._told: tuple[Mapping[str, Due | None], bool] | None = None

    @property
    def zone(self) -> ZoneInfo:
        return self._calendar.place.zone

    def ask(self, now: datetime) -> datetime:
        """Tell what differs, and give the moment to ask again."""
        local = now.astimezone(self.zone)
        found = due(self._calendar, now), is_quiet(self._quiet, local)
        if found != self._told:
            self._told = found
            self._changed(*found)
        changes = (next_change(self._calendar, now), next_quiet_change(self._quiet, local))
        return min([now.astimezone(UTC) + ASK_ANYWAY, *(at for at in changes if at is not None)])


class _Trusting:
    """Asks once the clock is trusted, and not before; both timetables do."""

    ready = False

    def trust(self) -> None:
        """The clock is trusted from now on."""
        self.ready = True
        self._ask()

    def recompute(self) -> None:
        """Ask anew; before the clock is trusted nothing happens."""
        if self.ready:
            self._ask()

    def _ask(self) -> None:
        raise NotImplementedError


class SchedulerTimetable(_Trusting):
    """On APScheduler, whose one worker thread calls ``changed``; so do :meth:`trust` and :meth:`recompute`,
    in their caller's. Never two at once.

    ``wall``: the wall clock, UTC; it must be the one by which APScheduler itself goes.
    """

    JOB = "next change"

    def __init__(
        self, calendar: Calendar, quiet: Sequence[Span], changed: Changed, wall: Callable[[], datetime]
    ) -> None:
        self._asking, self._wall, self._lock = _Asking(calendar, quiet, changed), wall, Lock()
        self._stopped = False
        self._at: datetime | None = None
        """When to ask next."""

    @cached_property
    def _scheduler(self) -> Any:
        from apscheduler.executors.pool import ThreadPoolExecutor  # noqa: PLC0415 - heavy
        from apscheduler.jobstores.memory import MemoryJobStore  # noqa: PLC0415
        from apscheduler.schedulers.background import BackgroundScheduler  # noqa: PLC0415

        return BackgroundScheduler(
            jobstores={"default": MemoryJobStore()},
            executors={"default": ThreadPoolExecutor(1)},
            # A job that comes late, after a long sleep or under load, is done all the same. The next change
            # may be due while the job of this one is not yet counted as done: with one instance it would be
            # dropped for good. The one worker keeps them one after another.
            job_defaults={"misfire_grace_time": None, "coalesce": True, "max_instances": 10},
            timezone=self._asking.zone,
        )

    @property
    def _has_scheduler(self) -> bool:
        return "_scheduler" in self.__dict__

    def start(self) -> None:
        """Import and start the scheduler. What is due at once is told before, and needs none of it."""
        self._scheduler.start()
        with self._lock:
            self._schedule()

    def stop(self) -> None:
        """End the threads."""
        with self._lock:
            self._stopped = True
        if self._has_scheduler and self._scheduler.running:
            self._scheduler.shutdown()

    def _ask(self) -> None:
        with self._lock:
            if self._stopped:
                return
            now = self._wall()
            self._at = now + TRY_AGAIN
            try:
                self._at = self._asking.ask(now)
            finally:
                self._schedule()

    def _schedule(self) -> None:
        if self._has_scheduler and self._at is not None:
            self._scheduler.add_job(self._ask, "date", run_date=self._at, id=self.JOB, replace_existing=True)


class VirtualTimetable(_Trusting):
    """The same by a clock that only :meth:`advance` and :meth:`step` move, for tests and demonstration."""

    def __init__(self, calendar: Calendar, quiet: Sequence[Span], changed: Changed, now: datetime) -> None:
        self.now = now.astimezone(UTC)
        self.asked = 0
        """How often the almanac was asked."""
        self._asking = _Asking(calendar, quiet, changed)
        self._next: datetime | None = None

    def start(self) -> None:
        """Nothing to start."""

    def stop(self) -> None:
        """No more changes."""
        self.ready, self._next = False, None

    def advance(self, until: datetime) -> None:
        """Let time run, with every change on the way at its own moment."""
        while self._next is not None and self._next <= until:
            self.now = self._next
            self._ask()
        self.now = until.astimezone(UTC)

    def step(self, to: datetime) -> None:
        """Step the clock without any time passing; like the real one, it does not notice by itself."""
        self.now = to.astimezone(UTC)

    def _ask(self) -> None:
        self.asked += 1
        self._next = self._asking.ask(self.now)

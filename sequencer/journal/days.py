"""Daily sums, which outlive every entry, and what they say of a relay's wear; pure.

A day runs from noon to noon, local time, and bears the date on which it begins: a show that runs past
midnight is one evening's.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from datetime import date, datetime, timedelta, tzinfo
from itertools import groupby, pairwise
from typing import NamedTuple

from sequencer.journal.entries import COUNTED, Entry, edges_log
from sequencer.train import EdgeLog

KEPT_DAYS = 400
"""Days older than this are summed by calendar year: a little more than a year, to compare with the last."""
_NOON = timedelta(hours=12)


class Day(NamedTuple):
    """What happened on a circuit on one day, or on all the days of a year from the first on.

    ``evenings``: on how many days the relay worked. ``dark_s``: darkness made by trains.
    """

    circuit: str
    day: str
    evenings: int = 0
    trains: int = 0
    spoiled: int = 0
    cycles: int = 0
    outages: int = 0
    dark_s: float = 0.0

    def with_more(self, more: Day) -> Day:
        """With what else happened on the same day.

        >>> Day("lap-pool", "2026-11-25", 1, cycles=4).with_more(Day("lap-pool", "2026-11-25", 1, cycles=6))[2:6]
        (1, 0, 0, 10)
        """
        both = self.and_then(more)
        return both._replace(evenings=max(self.evenings, more.evenings))

    def and_then(self, later: Day) -> Day:
        """With the sums of a later day."""
        sums = {name: getattr(self, name) + getattr(later, name) for name in self._fields[2:]}
        return self._replace(**sums)


def day_of(unix_s: float, zone: tzinfo) -> str:
    """The date of the evening that a moment belongs to.

    >>> from zoneinfo import ZoneInfo
    >>> day_of(1796191200, ZoneInfo("America/New_York"))  # 01:00 on 2 December
    '2026-12-01'
    """
    try:
        return (datetime.fromtimestamp(unix_s, zone) - _NOON).date().isoformat()
    except (OverflowError, ValueError, OSError):  # a clock beyond all calendars
        return date.min.isoformat()


def day_from(entry: Entry, zone: tzinfo) -> Day | None:
    """What an entry adds to its day; None: nothing."""
    if entry.circuit is None:
        return None
    detail, none = entry.detail, Day(entry.circuit, day_of(entry.unix_s, zone))
    if entry.kind == "supply":
        return none._replace(outages=1) if detail.get("supply") == "lost" else None
    if entry.kind == "edges":
        return none._replace(dark_s=dark_s(edges_log(detail)))
    if entry.kind not in COUNTED:
        return None
    cycles, spoiled = int(detail.get("cycles") or 0), int(bool(detail.get("spoiled")))
    trains = int(entry.kind == "outcome")
    return none._replace(evenings=min(cycles, 1), trains=trains, spoiled=spoiled, cycles=cycles)


def dark_s(log: EdgeLog) -> float:
    """How long the contact was commanded open; after the last edge, until the relay came to rest.

    >>> from sequencer.train import Stamp
    >>> dark_s(EdgeLog((Stamp(1, 1, 1.0, False), Stamp(3, 3, 3.5, True)), "finished", rested_s=4.0))
    2.5
    """
    changes = [(stamp.commanded_s, stamp.closed) for stamp in log.stamps]
    if log.rested_s is not None:
        changes.append((log.rested_s, True))
    return sum((later - at for (at, closed), (later, _) in pairwise(changes) if not closed), 0.0)


def oldest_kept(today: str) -> str:
    """The first day that still has sums of its own; an ISO date, as is ``today``."""
    try:
        return (date.fromisoformat(today) - timedelta(days=KEPT_DAYS)).isoformat()
    except OverflowError:
        return today


def by_year(old: Iterable[Day]) -> list[tuple[Day, list[Day]]]:
    """Each sum of a calendar year's days, and the days that it replaces; only where that saves any."""
    found = []
    for _, group in groupby(sorted(old), key=lambda day: (day.circuit, day.day[:4])):
        first, *others = parts = list(group)
        for other in others:
            first = first.and_then(other)
        if others:
            found.append((first, parts))
    return found


class Wear(NamedTuple):
    """How far a relay is worn, going by its rated cycles.

    ``per_evening``: mean over the evenings on which it worked. ``runs_out``: the day on which the rated
    cycles are used up at that rate, if every evening is one; None: never, or beyond the calendar.
    """

    circuit: str
    cycles: int
    rated_cycles: int
    evenings: int
    per_evening: float
    runs_out: date | None


def wear(days: Sequence[Day], circuit: str, rated_cycles: int, today: date) -> Wear:
    """The wear of a circuit's relay.

    >>> days = [Day("lap-pool", "2026-11-24", 1, cycles=30), Day("lap-pool", "2026-11-25", 1, cycles=20)]
    >>> found = wear(days, "lap-pool", 10_000, date(2026, 11, 26))
    >>> found.per_evening, str(found.runs_out)  # 9950 left at 25 an evening: 398 evenings
    (25.0, '2027-12-29')
    """
    own = [day for day in days if day.circuit == circuit]
    cycles, evenings = sum(day.cycles for day in own), sum(day.evenings for day in own)
    if not evenings:
        return Wear(circuit, cycles, rated_cycles, 0, 0.0, None)
    left = math.ceil(max(rated_cycles - cycles, 0) * evenings / cycles)
    try:
        runs_out = today + timedelta(days=left)
    except OverflowError:
        runs_out = None
    return Wear(circuit, cycles, rated_cycles, evenings, cycles / evenings, runs_out)

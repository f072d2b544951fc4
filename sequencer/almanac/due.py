"""Which show a circuit is due, and when that changes.

Of the shows that hold at a moment one is due: the first by

1. priority, the higher;
2. a slot written for this circuit before one for every circuit;
3. the one that began later, so that a short show inside a long one is seen;
4. the one further down in the file.

When it ends, the next best of those that still hold is due again.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, date, datetime, timedelta
from functools import lru_cache
from itertools import pairwise
from typing import NamedTuple

from sequencer.almanac.shows import DAY, REACH_BACK, REACH_ON, Calendar, Show, shows_of

LOOK_AHEAD = timedelta(days=8)
"""How far :func:`next_change` looks: a week and a day."""


class Stretch(NamedTuple):
    """The time in which one show is due without a break, UTC; a show may have several."""

    begins: datetime
    ends: datetime
    show: Show


class Due(NamedTuple):
    """What a circuit is due: the show, whose own times it holds, and since when and until when it is due.

    ``until`` is the end of the show, or the moment when another goes before it.
    """

    show: Show
    since: datetime
    until: datetime


def rank(show: Show) -> tuple[int, bool, datetime, int, date]:
    """The greatest is due; the date last, for two evenings of one slot may meet."""
    return (show.priority, show.own, show.begins, show.order, show.date)


def stretches(shows: Iterable[Show]) -> tuple[Stretch, ...]:
    """What is due when, of one circuit's shows, in order."""
    coming = sorted(shows, key=lambda show: show.begins, reverse=True)
    edges = sorted({edge for show in coming for edge in (show.begins, show.ends)})
    held: list[Show] = []
    found: list[Stretch] = []
    for begins, ends in pairwise(edges):
        held = [show for show in held if show.ends > begins]
        while coming and coming[-1].begins <= begins:
            held.append(coming.pop())
        if not held:
            continue
        show = max(held, key=rank)
        if found and found[-1].show == show and found[-1].ends == begins:
            begins = found.pop().begins  # noqa: PLW2901 - the same stretch goes on
        found.append(Stretch(begins, ends, show))
    return tuple(found)


def due(calendar: Calendar, now: datetime) -> dict[str, Due | None]:
    """For each circuit what is due at that moment, ``None`` when nothing is.

    :raises ValueError: ``now`` has no time zone.
    """
    day = _local(calendar, now)
    return {circuit: _due(_stretches(calendar, circuit, day), now) for circuit in calendar.circuits}


def next_change(calendar: Calendar, now: datetime) -> datetime | None:
    """The first moment after ``now`` at which any circuit is due another show, or none any more.

    ``None``: no change within :data:`LOOK_AHEAD`; ask again by then.
    """
    day, limit = _local(calendar, now), now.astimezone(UTC) + LOOK_AHEAD
    changes = (
        edge
        for circuit in calendar.circuits
        for stretch in _stretches(calendar, circuit, day)
        for edge in (stretch.begins, stretch.ends)
        if now < edge <= limit
    )
    return min(changes, default=None)


def stretches_on(calendar: Calendar, circuit: str, first: date, last: date) -> tuple[Stretch, ...]:
    """What is due on a circuit at every moment of the days from ``first`` to ``last``; beyond may be lacking."""
    count = (last - first).days + 1 + REACH_BACK + REACH_ON
    dates = (first - REACH_BACK * DAY + n * DAY for n in range(count))
    found = (show for day in dates for show in shows_of(calendar, circuit, day))
    return stretches(show for show in found if isinstance(show, Show))


@lru_cache(maxsize=64)
def _stretches(calendar: Calendar, circuit: str, day: date) -> tuple[Stretch, ...]:
    """All that can be asked about on that day: shows that began before it, and changes to come."""
    return stretches_on(calendar, circuit, day - (REACH_BACK + 1) * DAY, day + LOOK_AHEAD + DAY)


def _local(calendar: Calendar, now: datetime) -> date:
    if now.tzinfo is None:
        raise ValueError("a moment needs a time zone")
    return now.astimezone(calendar.place.zone).date()


def _due(found: tuple[Stretch, ...], now: datetime) -> Due | None:
    for stretch in found:
        if stretch.begins <= now < stretch.ends:
            return Due(stretch.show, stretch.begins, stretch.ends)
    return None

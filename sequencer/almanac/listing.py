"""What a calendar comes to on the days ahead, with the reasons."""

from __future__ import annotations

from bisect import bisect_right
from datetime import UTC, date, datetime
from itertools import islice, takewhile
from operator import attrgetter
from typing import NamedTuple

from sequencer.almanac.due import Stretch, stretches_on
from sequencer.almanac.shows import DAY, REACH_BACK, Calendar, Missed, Show, shows_of


class Row(NamedTuple):
    """A slot or an exception on one day and circuit: when it is due, if at all, and why not otherwise.

    Times are local. ``begins`` and ``ends`` are the show's own, ``None`` when there is no show; ``due`` are
    the times at which it is the one that is due. ``scene`` is ``None`` where a day is closed.
    """

    date: date
    circuit: str
    name: str
    scene: str | None
    begins: datetime | None
    ends: datetime | None
    due: tuple[tuple[datetime, datetime], ...]
    why: tuple[str, ...]


def listing(calendar: Calendar, now: datetime, days: int) -> tuple[Row, ...]:
    """Everything that belongs to today or one of the ``days`` - 1 after it, or still goes on, in order.

    :raises ValueError: ``now`` has no time zone.
    """
    if now.tzinfo is None:
        raise ValueError("a moment needs a time zone")
    zone = calendar.place.zone
    today = now.astimezone(zone).date()
    first, last = today - REACH_BACK * DAY, today + (days - 1) * DAY
    rows: list[Row] = []
    for circuit in calendar.circuits:
        # A show's hours reach beyond its date; so must the days of which it is known what is due.
        found = stretches_on(calendar, circuit, first, last + REACH_BACK * DAY)
        for day in (first + n * DAY for n in range((last - first).days + 1)):
            for show in shows_of(calendar, circuit, day):
                if isinstance(show, Missed):
                    if day >= today:
                        rows.append(Row(day, circuit, show.name, show.scene, None, None, (), show.why))
                elif show.ends > now:
                    rows.append(_row(calendar, show, found))
    order = {circuit: n for n, circuit in enumerate(calendar.circuits)}

    def place(row: Row) -> tuple[date, int, bool, datetime]:
        return row.date, order[row.circuit], row.begins is None, (row.begins or now).astimezone(UTC)

    return tuple(sorted(rows, key=place))


def _row(calendar: Calendar, show: Show, found: tuple[Stretch, ...]) -> Row:
    zone = calendar.place.zone
    nearest = bisect_right(found, show.begins, key=attrgetter("ends"))
    inside = list(takewhile(lambda stretch: stretch.begins < show.ends, islice(found, nearest, None)))
    due = tuple((s.begins.astimezone(zone), s.ends.astimezone(zone)) for s in inside if s.show == show)
    why = list(show.notes)
    for stretch in inside:
        if stretch.show != show:
            begins, ends = max(stretch.begins, show.begins), min(stretch.ends, show.ends)
            hours = f"{begins.astimezone(zone):%H:%M}-{ends.astimezone(zone):%H:%M}"
            why.append(f"{hours} {_goes_before(stretch.show, show)}")
    begins, ends = show.begins.astimezone(zone), show.ends.astimezone(zone)
    return Row(show.date, show.circuit, show.name, show.scene, begins, ends, due, tuple(why))


def _goes_before(one: Show, other: Show) -> str:
    """By which rule."""
    if one.priority != other.priority:
        rule = f"priority {one.priority} before {other.priority}"
    elif one.own != other.own:
        rule = "it names the circuit"
    elif one.begins != other.begins:
        rule = "it began later"
    else:
        rule = "it stands further down in the file"
    return f'"{one.name}": {rule}'

"""What a date holds: each slot of that day as a show with its moments, or why there is none."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import TYPE_CHECKING, NamedTuple

from sequencer.almanac.local import moment
from sequencer.almanac.sun import Place, sun_on
from sequencer.sitefile.calendar import BySun, ExceptionDays, Slot, When, head

if TYPE_CHECKING:
    from sequencer.sitefile import Pad

DAY = timedelta(days=1)
REACH_BACK, REACH_ON = 2, 1
"""How many dates before and after a moment's own may have a show then. A day's own noon lies on its date and
its daylight within 12 h of that, an offset is under 12 h and an overnight show ends on the next day: so the
shows of a date begin at the earliest as the date before begins, and end before the third date after."""


class Named(NamedTuple):
    """A slot with its name and its place among its like, from 0."""

    name: str
    order: int
    slot: Slot


class Excepted(NamedTuple):
    """An exception with its name; its own show as a slot, ``None`` when closed."""

    name: str
    order: int
    days: ExceptionDays
    show: Named | None


@dataclass(frozen=True, eq=False)
class Calendar:
    """A site's slots and exceptions, and where it is; the same only as itself, so that answers can be kept by it."""

    place: Place
    circuits: tuple[str, ...]
    slots: tuple[Named, ...]
    exceptions: tuple[Excepted, ...]


class Show(NamedTuple):
    """A scene on one circuit from a moment to a later one.

    ``date`` is the day it belongs to, on which it may neither begin nor end. ``notes``: what else than the
    words of the site file decided its moments.
    """

    circuit: str
    date: date
    name: str
    scene: str
    begins: datetime
    ends: datetime
    priority: int
    own: bool
    """It was written for this circuit alone."""
    order: int
    notes: tuple[str, ...] = ()


class Missed(NamedTuple):
    """A slot that has no show on a day of its own, and why."""

    circuit: str
    date: date
    name: str
    scene: str | None
    why: tuple[str, ...]


def calendar_of(pad: Pad) -> Calendar:
    """A site's calendar; an empty one where the daemon's tables were not asked for."""
    from zoneinfo import ZoneInfo  # noqa: PLC0415 - with a calendar only

    place = Place(pad.site.latitude, pad.site.longitude, ZoneInfo(pad.site.timezone))
    circuits = [circuit.name for circuit in pad.circuits]
    if pad.standing is None:
        return calendar(place, circuits)
    return calendar(place, circuits, pad.standing.slots, pad.standing.exceptions)


def calendar(
    place: Place,
    circuits: Iterable[str],
    slots: Iterable[Slot] = (),
    exceptions: Iterable[ExceptionDays] = (),
) -> Calendar:
    """The same from its parts, in the file's order."""
    named = (Named(slot.name or head("slot", n, None), n, slot) for n, slot in enumerate(slots))
    excepted = []
    for n, days in enumerate(exceptions):
        name, show = days.name or head("exception", n, None), days.show()
        excepted.append(Excepted(name, n, days, None if show is None else Named(name, n, show)))
    return Calendar(place, tuple(circuits), tuple(named), tuple(excepted))


def shows_of(calendar: Calendar, circuit: str, day: date) -> tuple[Show | Missed, ...]:
    """All that a date holds for a circuit, in the file's order.

    Exceptions that name the circuit go before those for every circuit; those that hold replace every slot.
    """
    slots = [named for named in calendar.slots if _concerns(named.slot, circuit) and named.slot.on(day)]
    exceptions = [
        excepted
        for excepted in calendar.exceptions
        if _concerns(excepted.days, circuit) and any(day in dates for dates in excepted.days.dates)
    ]
    exceptions = [e for e in exceptions if e.days.circuit is not None] or exceptions
    if not exceptions:
        return tuple(_show(calendar.place, circuit, named, day) for named in slots)
    found: list[Show | Missed] = []
    for excepted in exceptions:
        if excepted.show is None:
            found.append(Missed(circuit, day, excepted.name, None, ("closed",)))
        else:
            found.append(_show(calendar.place, circuit, excepted.show, day))
    words = "closed" if exceptions[0].show is None else "replaced"
    why = f"{words} by {head('exception', exceptions[0].order, exceptions[0].days.name)}"
    return (*found, *(Missed(circuit, day, named.name, named.slot.scene, (why,)) for named in slots))


def _concerns(table: Slot | ExceptionDays, circuit: str) -> bool:
    return table.circuit is None or table.circuit == circuit


def _show(place: Place, circuit: str, named: Named, day: date) -> Show | Missed:
    name, order, slot = named
    begins, one = _moment(place, slot.start, slot.fallback_start, day, end=False)
    last_day = day + DAY if slot.overnight else day
    ends, other = _moment(place, slot.end, slot.fallback_end, last_day, end=True)
    notes = tuple(dict.fromkeys(note for note in (one, other) if note))
    if begins is None or ends is None:
        return Missed(circuit, day, name, slot.scene, notes)
    if begins >= ends:
        start, end = (f"{at.astimezone(place.zone):%H:%M}" for at in (begins, ends))
        why = f"no show: its start, {start}, is not before its end, {end}"
        return Missed(circuit, day, name, slot.scene, (why, *notes))
    own = slot.circuit is not None
    return Show(circuit, day, name, slot.scene, begins, ends, slot.priority, own, order, notes)


def _moment(
    place: Place, when: When, fallback: time | None, day: date, *, end: bool
) -> tuple[datetime | None, str]:
    """When a start or end comes on that date, and what else than the words decided it.

    Of a doubled time a start takes the first and an end the second: rather light than dark.
    """
    if not isinstance(when, BySun):
        return moment(day, when, place.zone, second=end)
    sun = sun_on(place, day)
    at = sun.sunset if when.event == "sunset" else sun.sunrise
    if at is not None:
        return at + when.offset, ""
    why = f"the sun {'stays up' if sun.up else 'does not come up'} on {day}"
    if fallback is None:
        return None, f"no show: {why}, and there is no fallback"
    if end and when.event == "sunset" and fallback == time(0):
        day += DAY  # the end of that day
    found = moment(day, fallback, place.zone, second=end)
    return found.at, "; ".join(filter(None, (f"{why}: fallback {fallback:%H:%M}", found.note)))

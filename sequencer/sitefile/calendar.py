"""``[[slot]]`` and ``[[exception]]``: which scene is wanted when, as it is written; what is due is the almanac's."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from datetime import date, datetime, time, timedelta
from typing import TYPE_CHECKING, Annotated, Literal, NamedTuple, Self

from pydantic import Field, PlainValidator, Strict, model_validator

from sequencer.tomlfile import Faults, MisfitError, Name, Some, Table, quoted, told

if TYPE_CHECKING:
    from sequencer.sitefile.tables import SiteInfo

Day = Literal["mon", "tue", "wed", "thu", "fri", "sat", "sun"]
DAYS: tuple[Day, ...] = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
"""In the order of :meth:`datetime.date.weekday`."""

SUN_FAILS_BEYOND = 65.7
"""Degrees of latitude, north or south, beyond which the sun does not set, or not rise, on some day of the year.

Its upper limb, seen through the air, stands at the horizon when its centre is 0.8333 degrees below (34' of
refraction and 16' of radius, as the almanac offices reckon); at midnight of midsummer its centre is
90 - latitude - 23.44 below (the obliquity of the ecliptic, IAU 2006). So 90 - 23.44 - 0.83 = 65.73.
"""
MAX_PRIORITY = 1_000_000
MAX_TABLES = 200
"""Most slots, and most exceptions, of a site; also most entries of one ``dates``."""
NOON = time(12)
NOON_OFF_H = 4
"""The sun's noon is never this far from a zone's 12:00; about 3 h are the most, where one zone spans a continent
(from memory, the west of China). More is a longitude with the wrong sign."""


class BySun(NamedTuple):
    """A moment counted from sunrise or sunset."""

    event: Literal["sunrise", "sunset"]
    offset: timedelta = timedelta(0)


When = BySun | time
"""A start or an end: by the sun, or local time."""


class Dates(NamedTuple):
    """Every date from ``first`` to ``last``, both included."""

    first: date
    last: date

    def __contains__(self, day: object) -> bool:
        return isinstance(day, date) and self.first <= day <= self.last


_HHMM = r"([01]\d|2[0-3]):([0-5]\d)"


def _clock(value: object) -> time:
    found = re.fullmatch(_HHMM, value) if isinstance(value, str) else None
    if not found:
        raise MisfitError(((), f'must be a local time such as "21:30", not {told(value)}'))
    return time(int(found[1]), int(found[2]))


def _when(value: object) -> When:
    text = value if isinstance(value, str) else ""
    if re.fullmatch(_HHMM, text):
        return _clock(text)
    found = re.fullmatch(r"(sunrise|sunset)(?:([+-])(0\d|1[01]):([0-5]\d))?", text)
    if not found:
        forms = '"21:30", "sunrise", "sunset" or one of these two with +HH:MM or -HH:MM (to 11:59)'
        raise MisfitError(((), f'must be {forms}, as in "sunset-00:15", not {told(value)}'))
    event, sign, hours, minutes = found.groups()
    offset = timedelta(hours=int(hours or 0), minutes=int(minutes or 0))
    return BySun("sunrise" if event == "sunrise" else "sunset", -offset if sign == "-" else offset)


def _date(value: object) -> date:
    if isinstance(value, date) and not isinstance(value, datetime):
        return value
    if isinstance(value, str) and re.fullmatch(r"\d{4}-\d\d-\d\d", value):
        try:
            return date.fromisoformat(value)
        except ValueError:
            pass
    raise MisfitError(
        ((), f'must be a date such as "2026-12-24" or "2026-12-20..2027-01-02", not {told(value)}')
    )


def _dates(value: object) -> Dates:
    first, dots, last = value.partition("..") if isinstance(value, str) else (value, "", "")
    found = Dates(_date(first), _date(last if dots else first))
    if found.last < found.first:
        raise MisfitError(((), f"ends before it starts: {told(value)}: write the earlier date first"))
    return found


def _not_too_many(values: tuple[Dates, ...]) -> None:
    if len(values) > MAX_TABLES:
        words = f'dates has {len(values)} entries, more than {MAX_TABLES}: write ranges, "A..B"'
        raise MisfitError((("dates",), words))


Clock = Annotated[time, PlainValidator(_clock)]
Moment = Annotated[When, PlainValidator(_when)]
DateList = Some[Annotated[Dates, PlainValidator(_dates)]]


class Slot(Table):
    """One show: a scene from a start to an end, on the days or dates named; neither: every day.

    A day's show may end on the next day (:attr:`overnight`) and still is that day's. The fallbacks are local
    times for days on which the sun does not rise or set.
    """

    name: Name | None = None
    scene: Name
    circuit: Name | None = None
    """None: every circuit."""
    days: Some[Day] = ()
    dates: DateList = ()
    start: Moment
    end: Moment
    fallback_start: Clock | None = None
    fallback_end: Clock | None = None
    priority: Annotated[int, Field(ge=-MAX_PRIORITY, le=MAX_PRIORITY)] = 0

    @property
    def overnight(self) -> bool:
        """Whether the end lies on the next day.

        By local times alone: when the end is not after the start. With the sun in it, so that a sunset after
        23:00 does not make a show "until 23:00" last a day: when it starts in the afternoon, of which sunset
        is part, and ends in the morning, of which sunrise is part. An end at "00:00" is the day's own end.
        """
        if isinstance(self.start, time) and isinstance(self.end, time):
            return self.end <= self.start
        return (_late(self.start) and not _late(self.end)) or self.end == time(0)

    def on(self, day: date) -> bool:
        """Whether its show of that day is wanted."""
        if self.dates:
            return any(day in dates for dates in self.dates)
        return not self.days or DAYS[day.weekday()] in self.days

    @model_validator(mode="after")
    def _agree(self) -> Self:
        if self.days and self.dates:
            raise MisfitError((("dates",), "days and dates are both given: make two slots of it"))
        _not_too_many(self.dates)
        if faults := list(_hour_faults(self.start, self.end, self.fallback_start, self.fallback_end)):
            raise MisfitError(*faults)
        return self


OWN_SHOW = ("scene", "start", "end")
"""What an exception's own show has."""


class ExceptionDays(Table):
    """Dates on which something else holds than the slots say: nothing at all, or a show of its own."""

    name: Name | None = None
    dates: DateList
    circuit: Name | None = None
    """None: every circuit."""
    closed: bool = False
    scene: Name | None = None
    start: Moment | None = None
    end: Moment | None = None
    fallback_start: Clock | None = None
    fallback_end: Clock | None = None
    priority: Annotated[int, Field(ge=-MAX_PRIORITY, le=MAX_PRIORITY)] = 0

    @classmethod
    def lacking(cls, given: Mapping[str, object]) -> Faults:
        """A whole show, unless closed."""
        missing = [key for key in OWN_SHOW if key not in given]
        if missing and given.get("closed", False) is False:
            words = f"{', '.join(missing)} missing: name the show of these dates, or write closed = true"
            yield ("dates",), words

    def show(self) -> Slot | None:
        """Its own show, as a slot of those dates; ``None`` when closed."""
        if self.scene is None or self.start is None or self.end is None:
            return None
        return Slot.model_construct(**{key: getattr(self, key) for key in Slot.model_fields if key != "days"})

    @model_validator(mode="after")
    def _agree(self) -> Self:
        given = [key for key in (*OWN_SHOW, "fallback_start", "fallback_end") if key in self.given]
        if self.closed and given:
            raise MisfitError(
                (("closed",), f"closed = true leaves no show, yet {given[0]} is given: keep one of them")
            )
        if faults := list(self.lacking(self.given)):
            raise MisfitError(*faults)
        _not_too_many(self.dates)
        if self.start is not None and self.end is not None:
            faults = list(_hour_faults(self.start, self.end, self.fallback_start, self.fallback_end))
            if faults:
                raise MisfitError(*faults)
        return self


Slots = Annotated[tuple[Slot, ...], Strict(False), Field(max_length=MAX_TABLES)]
Exceptions = Annotated[tuple[ExceptionDays, ...], Strict(False), Field(max_length=MAX_TABLES)]


def _late(when: When) -> bool:
    """In the second half of its day."""
    return when.event == "sunset" if isinstance(when, BySun) else when >= NOON


def _hour_faults(start: When, end: When, fallback_start: time | None, fallback_end: time | None) -> Faults:
    """Hours that can never make a show, and fallbacks that stand in for nothing."""
    for key, when, fallback in (("start", start, fallback_start), ("end", end, fallback_end)):
        if fallback is None:
            continue
        name = f"fallback_{key}"
        if not isinstance(when, BySun):
            yield (name,), f"{name} stands in for the sun, but {key} is a local time: take it away"
        elif _late(when) != _late(fallback) and not (key == "end" and fallback == time(0)):
            half = "12:00 or later" if _late(when) else "before 12:00"
            yield (name,), f"{name} stands in for {when.event}: it must be {half}, not {fallback:%H:%M}"
    if isinstance(start, BySun) and isinstance(end, BySun):
        if start.event == end.event and start.offset >= end.offset:
            yield ("end",), f"end is not after start, both by {end.event}: move one of them"
    elif start == end != time(0):
        yield ("end",), f"start and end are the same, {start:%H:%M}: move one of them"


def calendar_faults(
    site: SiteInfo, slots: Sequence[tuple[int, Slot]], exceptions: Sequence[tuple[int, ExceptionDays]]
) -> Faults:
    """What does not fit between the tables, or between them and where the pad is; each with its place."""
    shows = [("slot", index, slot) for index, slot in slots]
    shows += [("exception", index, show) for index, day in exceptions if (show := day.show()) is not None]
    by_sun = False
    for key, index, slot in shows:
        for end in ("start", "end"):
            when = getattr(slot, end)
            if not isinstance(when, BySun):
                continue
            by_sun = True
            if abs(site.latitude) > SUN_FAILS_BEYOND and getattr(slot, f"fallback_{end}") is None:
                verb = "set" if when.event == "sunset" else "rise"
                where = f"at latitude {site.latitude:g} there are days on which the sun does not {verb}"
                words = f'{head(key, index, slot.name)}: {end}: {where}: add fallback_{end} = "HH:MM"'
                yield (key, index, end), words
    if by_sun:
        yield from _noon_faults(site)
    for key, names in (
        ("slot", [(index, slot.name) for index, slot in slots]),
        ("exception", [(index, day.name) for index, day in exceptions]),
    ):
        yield from _doubled(key, names)
    yield from _clashes(exceptions)


def head(key: str, index: int, name: str | None) -> str:
    """What messages call a table: by its name, else by its place in the file, from 1."""
    return f"{key} {index + 1}" if name is None else f"{key} {quoted(name)}"


def _noon_faults(site: SiteInfo) -> Faults:
    from zoneinfo import ZoneInfo  # noqa: PLC0415 - with the sun only

    offset = datetime(2026, 1, 1, tzinfo=ZoneInfo(site.timezone)).utcoffset() or timedelta(0)
    minute = timedelta(minutes=1)
    noon = round(12 * 60 - 4 * site.longitude + offset / minute) % (24 * 60)
    if abs(noon - 12 * 60) > NOON_OFF_H * 60:
        clock = f"{noon // 60:02}:{noon % 60:02}"
        words = f"[site] longitude {site.longitude:g} puts the sun's noon at {clock} in {site.timezone}"
        yield ("site", "longitude"), f"{words}: east is positive, west negative; mend it or the timezone"


def _doubled(key: str, names: Sequence[tuple[int, str | None]]) -> Faults:
    seen: set[str] = set()
    for index, name in names:
        if name in seen:
            yield (
                (key, index, "name"),
                f"two {key}s are named {quoted(name)}: the journal could not tell them apart",
            )
        if name is not None:
            seen.add(name)


def _clashes(exceptions: Sequence[tuple[int, ExceptionDays]]) -> Faults:
    """Dates that one exception closes and another, of the same circuit, gives a show."""
    spans = [(day.circuit or "", dates, index, day) for index, day in exceptions for dates in day.dates]
    reaching: dict[tuple[str, bool], tuple[date, int, ExceptionDays]] = {}
    told_of: set[frozenset[int]] = set()
    for circuit, dates, index, day in sorted(spans, key=lambda span: span[:3]):
        last, other, table = reaching.get((circuit, not day.closed), (date.min, index, day))
        if last >= dates.first and frozenset((index, other)) not in told_of:
            told_of.add(frozenset((index, other)))
            other_name = head("exception", other, table.name)
            what = f"{dates.first} is closed by one and has a show by the other: give them dates of their own"
            yield ("exception", index), f"{head('exception', index, day.name)} and {other_name}: {what}"
        mine = reaching.get((circuit, day.closed))
        if mine is None or mine[0] < dates.last:
            reaching[circuit, day.closed] = (dates.last, index, day)

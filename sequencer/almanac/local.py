"""From a clock on the wall to the moment it means, on nights when the clocks change too.

``datetime.fold`` (PEP 495) tells the two readings of a doubled hour apart; a skipped one has none.
"""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

SECOND = timedelta(seconds=1)


class Moment(NamedTuple):
    """When a local time comes; ``note``: what the change of the clocks did to it, empty on other nights."""

    at: datetime
    note: str = ""


def moment(day: date, clock: time, zone: ZoneInfo, *, second: bool = False) -> Moment:
    """The moment at which clocks in the zone show this time on this day.

    A time that is skipped comes at the first moment after the gap. One that comes twice is taken the first
    time, or the ``second`` time where asked.

    >>> from zoneinfo import ZoneInfo
    >>> moment(date(2026, 3, 8), time(2, 30), ZoneInfo("America/New_York"))[0].isoformat()
    '2026-03-08T07:00:00+00:00'
    """
    read = datetime.combine(day, clock)
    first, last = (read.replace(tzinfo=zone, fold=fold).astimezone(UTC) for fold in (0, 1))
    if first == last:
        return Moment(first)
    if first < last:
        which = "second" if second else "first"
        return Moment(
            last if second else first, f"the clocks change: {clock:%H:%M} comes twice, taken the {which} time"
        )
    end = _change(last, first, zone)
    return Moment(end, f"the clocks change: {clock:%H:%M} is skipped, moved to {end.astimezone(zone):%H:%M}")


def _change(before: datetime, after: datetime, zone: ZoneInfo) -> datetime:
    """The first moment, to the second, with the offset that holds ``after``."""
    offset = after.astimezone(zone).utcoffset()
    while after - before > SECOND:
        middle = before + (after - before) // (2 * SECOND) * SECOND
        if middle.astimezone(zone).utcoffset() == offset:
            after = middle
        else:
            before = middle
    return after

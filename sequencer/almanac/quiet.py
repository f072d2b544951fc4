"""Quiet hours: hours of every day in which no train is sent. ``now_local`` carries the site's time zone.

Like a show, quiet hours begin the first time that a doubled time comes and end the second.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from sequencer.almanac.local import moment
from sequencer.almanac.shows import DAY
from sequencer.sitefile.serve import Span


def is_quiet(spans: Sequence[Span], now_local: datetime) -> bool:
    """Whether that moment lies in any of the hours.

    :raises ValueError: ``now_local`` has no :class:`~zoneinfo.ZoneInfo`.
    """
    now = now_local.astimezone(UTC)
    return any(begins <= now < ends for begins, ends in _around(spans, now_local))


def next_quiet_change(spans: Sequence[Span], now_local: datetime) -> datetime | None:
    """The next moment, UTC, at which :func:`is_quiet` gives another answer; ``None``: it always gives this one."""
    now, around = now_local.astimezone(UTC), _around(spans, now_local)
    is_now = any(begins <= now < ends for begins, ends in around)
    for edge in sorted(edge for span in around for edge in span if now < edge <= now + 2 * DAY):
        if any(begins <= edge < ends for begins, ends in around) is not is_now:
            return edge
    return None


def _around(spans: Sequence[Span], now_local: datetime) -> list[tuple[datetime, datetime]]:
    """The hours of the days around a moment, UTC: all that touch it or the two days after."""
    zone = now_local.tzinfo
    if not isinstance(zone, ZoneInfo):
        raise ValueError("quiet hours need the site's time zone")
    today = now_local.date()
    found = []
    for day in (today + n * DAY for n in range(-1, 4)):
        for span in spans:
            last = day if span.end > span.start else day + DAY
            begins = moment(day, span.start, zone).at
            ends = moment(last, span.end, zone, second=True).at
            if begins < ends:
                found.append((begins, ends))
    return found

"""``lampstep calendar``: what the calendar will do on the days ahead, and why."""

from __future__ import annotations

from datetime import UTC, date, datetime, time

from sequencer.almanac import Calendar, Row, calendar_of, listing
from sequencer.cli.answer import YES, Answer
from sequencer.cli.arguments import Arguments
from sequencer.layout import table
from sequencer.sitefile import Pad, load_site


def run(arguments: Arguments) -> Answer:
    """From now, or from the beginning of the day named."""
    pad = load_site(arguments.site, standing=True)
    calendar = calendar_of(pad)
    now = datetime.now(UTC)
    if arguments.on is not None:
        now = datetime.combine(arguments.on, time(0), calendar.place.zone).astimezone(UTC)
    rows = listing(calendar, now, arguments.days)
    return Answer(YES, _fields(pad, calendar, now, arguments.days, rows), _text(pad, calendar, rows))


def _fields(
    pad: Pad, calendar: Calendar, now: datetime, days: int, rows: tuple[Row, ...]
) -> dict[str, object]:
    return {
        "site": pad.site.name,
        "timezone": pad.site.timezone,
        "from": now.astimezone(calendar.place.zone).isoformat(),
        "days": days,
        "shows": [
            {
                "date": row.date.isoformat(),
                "circuit": row.circuit,
                "slot": row.name,
                "scene": row.scene,
                "begins": None if row.begins is None else row.begins.isoformat(),
                "ends": None if row.ends is None else row.ends.isoformat(),
                "due": [[begins.isoformat(), ends.isoformat()] for begins, ends in row.due],
                "why": list(row.why),
            }
            for row in rows
        ],
    }


def _text(pad: Pad, calendar: Calendar, rows: tuple[Row, ...]) -> str:
    """A line a show, times as clocks there will show them."""
    head = f"{pad.site.name}, times in {pad.site.timezone}"
    if not calendar.slots and not calendar.exceptions:
        return f"{head}\n\nNo calendar: add a [[slot]] with scene, start and end to {pad.path.name}."
    if not rows:
        return f"{head}\n\nNothing on these days."
    lines = [("day", "circuit", "slot", "scene", "from", "to", "why")]
    before: date | None = None
    for row in rows:
        day = "" if row.date == before else f"{row.date:%a %Y-%m-%d}"
        before = row.date
        first, *rest = row.due or ((None, None),)
        why = "; ".join(row.why)
        if row.begins is not None and not row.due:
            why = f"never due: {why}"
        lines.append((day, row.circuit, row.name, row.scene or "-", *_clocks(row, first), why))
        lines += [("", "", "", "", *_clocks(row, more), "") for more in rest]
    return "\n".join([head, "", *table(lines, "lllllll")])


def _clocks(row: Row, times: tuple[datetime | None, datetime | None]) -> tuple[str, str]:
    """Hours and minutes; a day other than the row's own is named."""
    return _clock(row, times[0]), _clock(row, times[1])


def _clock(row: Row, at: datetime | None) -> str:
    if at is None:
        return "-"
    return f"{at:%H:%M}" if at.date() == row.date else f"{at:%a %H:%M}"

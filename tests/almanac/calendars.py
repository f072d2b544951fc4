"""Calendars, short to write: ``made(slot("20:00", "23:00"), zone="Europe/London")``. Sites are invented."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any
from zoneinfo import ZoneInfo

from sequencer.almanac import Calendar
from sequencer.almanac.shows import calendar
from sequencer.almanac.sun import Place
from sequencer.sitefile.calendar import ExceptionDays, Slot

PLACES = {
    "America/New_York": (44.0, -72.0),
    "Europe/London": (51.5, -0.13),
    "Europe/Oslo": (69.65, 18.96),
    "Australia/Sydney": (-33.87, 151.21),
    "Pacific/Auckland": (-36.85, 174.76),
    "America/Santiago": (-33.45, -70.67),
    "Australia/Lord_Howe": (-31.55, 159.08),
    "Atlantic/Reykjavik": (64.1466, -21.9426),
}
"""Roughly where the clocks of a zone are read."""


def slot(start: str, end: str, scene: str = "evening", **keys: Any) -> Slot:
    return Slot.model_validate({"scene": scene, "start": start, "end": end, **keys})


def other(*dates: str, **keys: Any) -> ExceptionDays:
    """An exception."""
    return ExceptionDays.model_validate({"dates": list(dates), **keys})


def made(
    *slots: Slot,
    exceptions: tuple[ExceptionDays, ...] = (),
    zone: str = "America/New_York",
    circuits: tuple[str, ...] = ("pool",),
) -> Calendar:
    return calendar(Place(*PLACES[zone], ZoneInfo(zone)), circuits, slots, exceptions)


def utc(text: str) -> datetime:
    """``"2026-03-08 07:00"`` or with seconds."""
    return datetime.fromisoformat(text).replace(tzinfo=UTC)


def local(text: str, zone: str = "America/New_York", fold: int = 0) -> datetime:
    """What a clock there shows, as UTC."""
    return datetime.fromisoformat(text).replace(tzinfo=ZoneInfo(zone), fold=fold).astimezone(UTC)

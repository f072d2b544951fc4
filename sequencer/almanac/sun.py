"""When the sun rises and sets.

The formulas are astral's, which are NOAA's solar calculator, after Meeus, *Astronomical Algorithms*. Its own
``sunset`` answers for a date of the calendar, on which, far north, there may be two sunsets or none; asked is
here the one that ends the day's own daylight, even when it comes after midnight.
"""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from functools import lru_cache
from math import degrees
from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

ZENITH = 90.8333
"""Degrees between straight up and the sun's centre when its upper limb touches the horizon: 16' of radius and
34' of refraction, the convention of the almanac offices (and of NOAA's calculator)."""
ROUNDS = 4
"""Each moment is reckoned anew with the sun where it stands then. Two rounds leave about a second at middle
latitudes; near the polar circle the hour angle is steep."""
POLE = 89.8
"""Degrees of latitude at which the formulas are cut off: beyond, no hour of the day is east or west."""


class Place(NamedTuple):
    """Where the sun is watched from, and whose clocks are read; degrees, north and east positive."""

    latitude: float
    longitude: float
    zone: ZoneInfo


class Sun(NamedTuple):
    """A day's sunrise and sunset, UTC, to the second; ``None`` where it does not cross the horizon.

    ``up``: whether it stands above the horizon at noon.
    """

    sunrise: datetime | None
    sunset: datetime | None
    up: bool


@lru_cache(maxsize=512)
def sun_on(place: Place, day: date) -> Sun:
    """The daylight whose noon falls on this local date.

    >>> from zoneinfo import ZoneInfo
    >>> reykjavik = Place(64.1466, -21.9426, ZoneInfo("Atlantic/Reykjavik"))
    >>> sun_on(reykjavik, date(2025, 6, 21)).sunset.isoformat()
    '2025-06-22T00:04:04+00:00'
    """
    for shift in (0, -1, 1):  # the sun's day goes by longitude: beside the date line it has another date
        solar = day + timedelta(days=shift)
        noon = _crossing(place, solar, None)
        if noon is not None and noon.astimezone(place.zone).date() == day:
            return Sun(_crossing(place, solar, 1), _crossing(place, solar, -1), _is_up(place, noon))
    return Sun(None, None, up=False)  # a zone that skipped this date


def _crossing(place: Place, solar: date, side: int | None) -> datetime | None:
    """Noon, or before it (1) or after it (-1) the moment when the sun is at the horizon."""
    from astral import SunDirection  # noqa: PLC0415
    from astral.julian import julianday, julianday_to_juliancentury  # noqa: PLC0415 - only with the sun
    from astral.sun import eq_of_time, hour_angle, sun_declination  # noqa: PLC0415

    latitude = max(-POLE, min(POLE, place.latitude))
    midnight = datetime.combine(solar, time(0), UTC)
    minutes = 720.0 - 4 * place.longitude
    for _ in range(ROUNDS):
        century = julianday_to_juliancentury(julianday(midnight) + minutes / 1440)
        angle = 0.0
        if side is not None:
            try:
                rising = hour_angle(latitude, sun_declination(century), ZENITH, SunDirection.RISING)
            except ValueError:  # the cosine that it asks for is beyond 1
                return None
            angle = side * degrees(rising)
        minutes = 720.0 - 4 * (place.longitude + angle) - eq_of_time(century)
    return midnight + timedelta(seconds=round(minutes * 60))


def _is_up(place: Place, noon: datetime) -> bool:
    from astral.julian import julianday, julianday_to_juliancentury  # noqa: PLC0415
    from astral.sun import sun_declination  # noqa: PLC0415

    declination = sun_declination(julianday_to_juliancentury(julianday(noon)))
    return abs(place.latitude - declination) < ZENITH

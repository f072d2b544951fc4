"""What a date holds: over midnight, by the sun, in fallback, on exceptions. Reasons are compared word by word."""

from __future__ import annotations

from datetime import date
from typing import Any

import pytest

from sequencer.almanac import Missed, Show, shows_of
from sequencer.sitefile.calendar import Slot
from tests.almanac.calendars import local, made, other, slot

NIGHT = date(2026, 6, 12)  # a Friday

# A slot in New York on the 12th of June 2026, when the sun rises at 05:04 and sets at 20:31; from, to.
HOURS = [
    (slot("20:00", "23:00"), "2026-06-12 20:00", "2026-06-12 23:00"),
    (slot("22:00", "02:00"), "2026-06-12 22:00", "2026-06-13 02:00"),
    (slot("20:00", "00:00"), "2026-06-12 20:00", "2026-06-13 00:00"),
    (slot("00:00", "00:00"), "2026-06-12 00:00", "2026-06-13 00:00"),
    (slot("06:00", "05:00"), "2026-06-12 06:00", "2026-06-13 05:00"),
    (slot("sunset", "23:00"), "2026-06-12 20:31", "2026-06-12 23:00"),
    (slot("sunset-00:15", "00:30"), "2026-06-12 20:16", "2026-06-13 00:30"),
    (slot("sunset", "00:00"), "2026-06-12 20:31", "2026-06-13 00:00"),
    (slot("sunset", "sunrise"), "2026-06-12 20:31", "2026-06-13 05:04"),
    (slot("sunset+00:30", "sunset+02:00"), "2026-06-12 21:01", "2026-06-12 22:31"),
    (slot("22:00", "sunrise-01:00"), "2026-06-12 22:00", "2026-06-13 04:04"),
    (slot("04:00", "sunrise"), "2026-06-12 04:00", "2026-06-12 05:04"),
    (slot("17:00", "sunset"), "2026-06-12 17:00", "2026-06-12 20:31"),
    (slot("sunrise", "sunset"), "2026-06-12 05:04", "2026-06-12 20:31"),
    (slot("sunrise", "08:00"), "2026-06-12 05:04", "2026-06-12 08:00"),
    (slot("sunrise", "00:00"), "2026-06-12 05:04", "2026-06-13 00:00"),
    (slot("sunset+05:00", "sunrise-02:00"), "2026-06-13 01:31", "2026-06-13 03:04"),
]


def minute(show: Show) -> tuple[Any, Any]:
    return tuple(at.replace(second=0) for at in (show.begins, show.ends))  # type: ignore[return-value]


@pytest.mark.parametrize(("written", "begins", "ends"), HOURS)
def test_hours(written: Slot, begins: str, ends: str) -> None:
    (show,) = shows_of(made(written), "pool", NIGHT)
    assert isinstance(show, Show)
    assert minute(show) == (local(begins), local(ends))
    assert (show.date, show.scene, show.name, show.notes) == (NIGHT, "evening", "slot 1", ())


# The sun sets too late, or rises too early; the line that says so.
NONE = [
    (slot("sunset", "20:30"), "no show: its start, 20:31, is not before its end, 20:30"),
    (slot("sunset", "17:00"), "no show: its start, 20:31, is not before its end, 17:00"),
    (slot("05:30", "sunrise"), "no show: its start, 05:30, is not before its end, 05:04"),
    (slot("21:00", "sunset"), "no show: its start, 21:00, is not before its end, 20:31"),
]


@pytest.mark.parametrize(("written", "why"), NONE)
def test_a_start_that_the_sun_moves_past_its_end_is_no_show(written: Slot, why: str) -> None:
    assert shows_of(made(written), "pool", NIGHT) == (Missed("pool", NIGHT, "slot 1", "evening", (why,)),)


def test_a_show_of_no_length_is_none() -> None:
    """Both hours are skipped on that night."""
    day = date(2026, 3, 8)
    (missed,) = shows_of(made(slot("02:10", "02:50")), "pool", day)
    assert isinstance(missed, Missed)
    assert missed.why == (
        "no show: its start, 03:00, is not before its end, 03:00",
        "the clocks change: 02:10 is skipped, moved to 03:00",
        "the clocks change: 02:50 is skipped, moved to 03:00",
    )


# In Oslo's zone at 69.65 degrees north: date, slot, from, to, notes.
POLAR = [
    ("2026-06-21", slot("sunset", "23:00", fallback_start="21:30"), "2026-06-21 21:30", "2026-06-21 23:00",
     ("the sun stays up on 2026-06-21: fallback 21:30",)),
    ("2026-12-21", slot("sunset", "23:00", fallback_start="15:00"), "2026-12-21 15:00", "2026-12-21 23:00",
     ("the sun does not come up on 2026-12-21: fallback 15:00",)),
    ("2026-12-21", slot("sunset-00:15", "sunrise", fallback_start="15:00", fallback_end="08:30"),
     "2026-12-21 15:00", "2026-12-22 08:30",
     ("the sun does not come up on 2026-12-21: fallback 15:00",
      "the sun does not come up on 2026-12-22: fallback 08:30")),
    ("2026-06-21", slot("20:00", "sunset", fallback_end="00:00"), "2026-06-21 20:00", "2026-06-22 00:00",
     ("the sun stays up on 2026-06-21: fallback 00:00",)),
    ("2026-06-21", slot("22:00", "sunrise", fallback_end="00:00"), "2026-06-21 22:00", "2026-06-22 00:00",
     ("the sun stays up on 2026-06-22: fallback 00:00",)),
    ("2026-03-20", slot("sunset", "23:00", fallback_start="21:30"), "2026-03-20 18:01", "2026-03-20 23:00", ()),
]  # fmt: skip


@pytest.mark.parametrize(("day", "written", "begins", "ends", "notes"), POLAR)
def test_beyond_the_polar_circle(
    day: str, written: Slot, begins: str, ends: str, notes: tuple[str, ...]
) -> None:
    (show,) = shows_of(made(written, zone="Europe/Oslo"), "pool", date.fromisoformat(day))
    assert isinstance(show, Show)
    assert minute(show) == (local(begins, "Europe/Oslo"), local(ends, "Europe/Oslo"))
    assert show.notes == notes


def test_without_fallback_there_is_no_show_and_it_is_said() -> None:
    """A site file like this is refused; the almanac does not rely on it."""
    (missed,) = shows_of(made(slot("sunset", "23:00"), zone="Europe/Oslo"), "pool", date(2026, 6, 21))
    assert isinstance(missed, Missed)
    assert missed.why == ("no show: the sun stays up on 2026-06-21, and there is no fallback",)


def test_days_and_dates_are_those_on_which_the_show_starts() -> None:
    weekend = slot("22:00", "02:00", days=["fri", "sat"])
    eve = slot("22:00", "02:00", dates=["2026-06-10", "2026-06-14..2026-06-15"])
    calendar = made(weekend, eve)
    held = {
        day: [show.name for show in shows_of(calendar, "pool", date(2026, 6, day))] for day in range(10, 17)
    }
    assert held == {
        10: ["slot 2"],
        11: [],
        12: ["slot 1"],
        13: ["slot 1"],
        14: ["slot 2"],
        15: ["slot 2"],
        16: [],
    }


def test_exceptions_of_the_circuit_go_before_those_of_all_and_all_before_the_slots() -> None:
    calendar = made(
        slot("20:00", "23:00", name="evenings"),
        slot("21:00", "22:00", circuit="deep"),
        exceptions=(
            other("2026-06-12..2026-06-13", name="works", closed=True),
            other("2026-06-12", circuit="deep", scene="gala", start="19:00", end="20:00"),
            other("2026-06-12", circuit="deep", scene="gala", start="22:00", end="01:00"),
        ),
        circuits=("deep", "shallow"),
    )

    def said(circuit: str, day: int) -> list[object]:
        return [
            (show.name, show.scene, "due" if isinstance(show, Show) else show.why)
            for show in shows_of(calendar, circuit, date(2026, 6, day))
        ]

    assert said("deep", 12) == [
        ("exception 2", "gala", "due"),
        ("exception 3", "gala", "due"),
        ("evenings", "evening", ("replaced by exception 2",)),
        ("slot 2", "evening", ("replaced by exception 2",)),
    ]
    assert said("deep", 13) == [
        ("works", None, ("closed",)),
        ("evenings", "evening", ('closed by exception "works"',)),
        ("slot 2", "evening", ('closed by exception "works"',)),
    ]
    assert said("shallow", 12) == [
        ("works", None, ("closed",)),
        ("evenings", "evening", ('closed by exception "works"',)),
    ]
    assert said("shallow", 14) == [("evenings", "evening", "due")]

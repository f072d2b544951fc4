"""Daily sums and wear, by hand."""

from __future__ import annotations

from datetime import date
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sequencer.journal.days import KEPT_DAYS, Day, by_year, day_from, day_of, oldest_kept, wear
from sequencer.journal.entries import Entry, edges_detail
from sequencer.train import EdgeLog, Stamp
from tests.journal.conftest import NOON

NEW_YORK, ADELAIDE = ZoneInfo("America/New_York"), ZoneInfo("Australia/Adelaide")


@pytest.mark.parametrize(
    ("unix_s", "zone", "day"),
    [
        (NOON, NEW_YORK, "2026-11-25"),
        (NOON - 1, NEW_YORK, "2026-11-24"),
        (NOON + 86_399, NEW_YORK, "2026-11-25"),
        (NOON, ADELAIDE, "2026-11-25"),  # 03:30 on the 26th there
        (0.0, NEW_YORK, "1969-12-31"),
        (1e18, NEW_YORK, "0001-01-01"),
    ],
)
def test_a_day_runs_from_noon_to_noon(unix_s: float, zone: ZoneInfo, day: str) -> None:
    assert day_of(unix_s, zone) == day


LOG = EdgeLog(
    (Stamp(0.5, 0.5, 0.5, False), Stamp(1, 1, 1.25, True), Stamp(2, 2, 2.0, False)), "failed", "", 2.5, True
)


@pytest.mark.parametrize(
    ("kind", "detail", "more"),
    [
        ("outcome", {"cycles": 4}, {"evenings": 1, "trains": 1, "cycles": 4}),
        ("outcome", {"cycles": 4, "spoiled": True}, {"evenings": 1, "trains": 1, "cycles": 4, "spoiled": 1}),
        ("outcome", {"failed": "the pin is gone"}, {"trains": 1}),
        ("supply", {"supply": "lost"}, {"outages": 1}),
        ("supply", {"supply": "back"}, None),
        ("edges", edges_detail(LOG), {"dark_s": 1.25}),
        ("intent", {"scene": "evening"}, None),
    ],
)
def test_what_an_entry_adds(kind: str, detail: dict[str, object], more: dict[str, float] | None) -> None:
    found = day_from(Entry(NOON, "", 0.0, kind, "lap", detail), NEW_YORK)
    assert found == (None if more is None else Day("lap", "2026-11-25")._replace(**more))  # type: ignore[arg-type]


def test_old_days_are_summed_by_calendar_year() -> None:
    days = [
        Day("lap", "2024-12-30", 1, 2, 0, 5),
        Day("lap", "2024-12-31", 1, 1, 1, 7, 2, 0.5),
        Day("lap", "2025-01-01", 1, 1, 0, 1),
        Day("lap", "2026-11-25", 1, 1, 0, 1),
    ]
    assert by_year(day for day in days if day.day < oldest_kept("2026-11-25")) == [
        (Day("lap", "2024-12-30", 2, 3, 1, 12, 2, 0.5), days[:2])
    ]


@given(st.lists(st.tuples(st.sampled_from(["lap", "terrace"]), st.integers(0, 3000), st.integers(0, 50))))
def test_summing_by_year_keeps_every_sum_and_every_recent_day(drawn: list[tuple[str, int, int]]) -> None:
    today = date(2034, 6, 1)
    days = {
        (name, number): Day(
            name, date.fromordinal(today.toordinal() - number).isoformat(), min(n, 1), cycles=n
        )
        for name, number, n in drawn
    }
    oldest, left = oldest_kept(today.isoformat()), list(days.values())
    for whole, parts in by_year(day for day in days.values() if day.day < oldest):
        left = [day for day in left if day not in parts] + [whole]
    for name in ("lap", "terrace"):
        for sums in ("cycles", "evenings"):
            before = sum(getattr(day, sums) for day in days.values() if day.circuit == name)
            assert sum(getattr(day, sums) for day in left if day.circuit == name) == before
    assert {day for (_, number), day in days.items() if number <= KEPT_DAYS} <= set(left)
    assert len(left) <= 2 * (KEPT_DAYS + 1 + 9)
    assert by_year(day for day in left if day.day < oldest) == []


@pytest.mark.parametrize(
    ("cycles", "rated", "per_evening", "runs_out"),
    [
        ([10, 0, 10, 80, 0], 1000, 100 / 3, "2026-12-23"),  # 900 left at 33.3: 27 evenings
        ([10], 910, 10.0, "2027-02-24"),  # 90 evenings: 4 more of November, 31, 31, 24 of February
        ([10], 911, 10.0, "2027-02-25"),  # the rest of an evening is a day
        ([10], 10, 10.0, "2026-11-26"),
        ([20], 10, 20.0, "2026-11-26"),
        ([0, 0], 1000, 0.0, None),
        ([], 1000, 0.0, None),
        ([1], 10**9, 1.0, None),  # beyond the calendar
    ],
)
def test_wear_by_hand(cycles: list[int], rated: int, per_evening: float, runs_out: str | None) -> None:
    days = [
        Day("lap", f"2026-11-{n:02}", min(count, 1), cycles=count) for n, count in enumerate(cycles, start=1)
    ]
    found = wear([*days, Day("terrace", "2026-11-01", 1, cycles=999)], "lap", rated, date(2026, 11, 26))
    assert (found.cycles, found.evenings) == (sum(cycles), sum(map(bool, cycles)))
    assert found.per_evening == pytest.approx(per_evening)
    assert (None if found.runs_out is None else str(found.runs_out)) == runs_out

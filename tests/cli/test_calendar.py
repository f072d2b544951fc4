"""``calendar``: the days ahead with their reasons, from now or from a day that is named."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from typing import Any

import pytest

Run = Callable[[str], Any]

WINTER = "--on 2026-12-18 --days 4"


def test_the_table(run: Run) -> None:
    said = run(f"calendar LIDO {WINTER}")
    assert (said.status, said.err) == (0, "")
    head, _, titles, *rows = said.out.splitlines()
    assert head == "Quarry Lane lido, times in America/New_York"
    assert titles.split() == ["day", "circuit", "slot", "scene", "from", "to", "why"]
    assert [" ".join(row.split()) for row in rows] == [
        'Fri 2026-12-18 lap-pool evenings evening 15:56 21:30 21:30-23:00 "late swim": it names the circuit',
        "lap-pool late swim quiet 21:30 Sat 00:30",
        "plunge-pool evenings evening 15:56 23:00",
        "Sat 2026-12-19 lap-pool lantern night festival 16:11 Sun 01:00",
        'lap-pool evenings evening - - replaced by exception "lantern night"',
        'lap-pool late swim quiet - - replaced by exception "lantern night"',
        "plunge-pool lantern night festival 16:11 Sun 01:00",
        'plunge-pool evenings evening - - replaced by exception "lantern night"',
        "Sun 2026-12-20 lap-pool evenings evening 15:57 23:00",
        "plunge-pool evenings evening 15:57 23:00",
        "Mon 2026-12-21 lap-pool sweeping clean-up 06:00 07:49",
        "lap-pool evenings evening 15:57 23:00",
        "plunge-pool sweeping clean-up 06:00 07:49",
        "plunge-pool evenings evening 15:57 23:00",
    ]


def test_the_object(run: Run) -> None:
    said = run("calendar LIDO --on 2026-12-18 --days 1 --json").json
    shows = said.pop("shows")
    assert said == {
        "site": "Quarry Lane lido",
        "timezone": "America/New_York",
        "from": "2026-12-18T00:00:00-05:00",
        "days": 1,
    }
    assert [show["slot"] for show in shows] == ["evenings", "late swim", "evenings"]
    assert shows[1] == {
        "date": "2026-12-18",
        "circuit": "lap-pool",
        "slot": "late swim",
        "scene": "quiet",
        "begins": "2026-12-18T21:30:00-05:00",
        "ends": "2026-12-19T00:30:00-05:00",
        "due": [["2026-12-18T21:30:00-05:00", "2026-12-19T00:30:00-05:00"]],
        "why": [],
    }


def test_a_closed_day(run: Run) -> None:
    shows = run("calendar LIDO --on 2027-02-08 --days 1 --json").json["shows"]
    closed = [show for show in shows if show["circuit"] == "plunge-pool"]
    assert [(show["slot"], show["scene"], show["begins"], show["due"], show["why"]) for show in closed] == [
        ("winter repairs", None, None, [], ["closed"]),
        ("evenings", "evening", None, [], ['closed by exception "winter repairs"']),
        ("sweeping", "clean-up", None, [], ['closed by exception "winter repairs"']),
    ]


def test_from_now_on_and_for_a_week_unless_said_otherwise(run: Run) -> None:
    said = run("calendar LIDO --json").json
    assert said["days"] == 7
    assert len({show["date"] for show in said["shows"]}) in {7, 8}  # last night's may still go on
    begun = datetime.fromisoformat(said["from"])
    assert all(datetime.fromisoformat(show["ends"]) > begun for show in said["shows"] if show["ends"])


NIGHTS = [
    ("2027-03-13", "23:00", "02:30", "from 23:00 to Sun 03:00", "02:30 is skipped, moved to 03:00"),
    ("2026-10-31", "23:00", "01:30", "from 23:00 to Sun 01:30", "01:30 comes twice, taken the second time"),
]


@pytest.mark.parametrize(("day", "start", "end", "shown", "why"), NIGHTS)
def test_nights_on_which_the_clocks_change(
    run: Run, site: Callable[..., str], day: str, start: str, end: str, shown: str, why: str
) -> None:
    path = site("LIDO", ('start = "sunset-00:15"\nend = "23:00"', f'start = "{start}"\nend = "{end}"'))
    row = run(f"calendar {path} --on {day} --days 1").out.splitlines()[-1].split("   ")
    cells = [cell.strip() for cell in row if cell.strip()]
    assert (f"from {cells[-3]} to {cells[-2]}", cells[-1]) == (shown, f"the clocks change: {why}")


def test_one_that_never_has_its_turn(run: Run, site: Callable[..., str]) -> None:
    path = site("LIDO", ('start = "06:00"\nend = "sunrise+00:30"', 'start = "12:00"\nend = "23:30"'))
    rows = run(f"calendar {path} --on 2026-12-21 --days 1").out.splitlines()
    (row,) = (row for row in rows if "plunge-pool" in row and "evenings" in row)
    assert row.endswith('-       -       never due: 15:57-23:00 "sweeping": priority 1 before 0')


def test_a_site_without_a_calendar_is_told_how_to_make_one(run: Run) -> None:
    said = run("calendar CORNER")
    assert said.status == 0
    assert said.out.splitlines() == [
        "Quarry Lane bench corner, times in America/New_York",
        "",
        "No calendar: add a [[slot]] with scene, start and end to bench-corner.toml.",
    ]
    assert run("calendar CORNER --json").json["shows"] == []


def test_days_without_any_show(run: Run, site: Callable[..., str]) -> None:
    path = site("CORNER", ('[[circuit]]\nname = "one-way"', f'{ONCE}[[circuit]]\nname = "one-way"'))
    assert run(f"calendar {path} --on 2026-07-05").out.endswith("\n\nNothing on these days.\n")
    assert "evening" in run(f"calendar {path} --on 2026-07-04").out


ONCE = '[[slot]]\nscene = "evening"\ndates = ["2026-07-04"]\nstart = "20:00"\nend = "23:00"\n'

# What is typed or written wrongly, and the line that says so.
WRONG = [
    ("--days 0", '--days: must be a whole number from 1 to 3660, not "0"'),
    ("--on tomorrow", '--on: must be a date such as 2026-12-24, not "tomorrow"'),
    ("--on 2026-02-30", '--on: must be a date such as 2026-12-24, not "2026-02-30"'),
    ("--on 1200-01-01", '--on: must be a date such as 2026-12-24, not "1200-01-01"'),
    ("--day=3", 'no option "--day": did you mean "--days"?'),
]


@pytest.mark.parametrize(("words", "line"), WRONG)
def test_what_is_typed_wrongly(run: Run, words: str, line: str) -> None:
    said = run(f"calendar LIDO {words}")
    assert said.status == 2
    assert line in said.err
    assert said.err.count("\n") == 1


def test_what_is_written_wrongly(run: Run, site: Callable[..., str]) -> None:
    path = site("LIDO", ('"sunset-00:15"', '"dusk"'), ('days = ["mon"]', 'days = ["monday"]'))
    said = run(f"calendar {path}")
    assert said.status == 2
    assert [line.split(": ")[1] for line in said.err.splitlines()] == ['slot "evenings"', 'slot "sweeping"']

"""Slots and exceptions in a site file: what is read, and the exact lines for everything that is not sound."""

from __future__ import annotations

from datetime import date, time, timedelta
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from sequencer.errors import InputError
from sequencer.sitefile import load_site
from sequencer.sitefile.calendar import MAX_TABLES, BySun, Dates, Slot
from tests.test_sitefile import FILES

SITE = """\
[site]
name = "two basins"
latitude = 59.9
longitude = 10
timezone = "Europe/Oslo"
region = "iec"
[[circuit]]
name = "deep"
[circuit.relay]
driver = "simulated"
side = "secondary"
make_s = [0.005, 0.012]
break_s = [0.003, 0.008]
contact = "normally_closed"
rated_cycles = 100000
[[circuit.lamp]]
name = "north"
datasheet = "lamps/a.toml"
[[circuit.lamp]]
name = "south"
datasheet = "lamps/b.toml"
[[scene]]
name = "evening"
picks = { a = "rill", b = "reed" }
[[scene]]
name = "squall"
picks = { b = "flint" }
[[scene]]
name = "flint"
[[slot]]
name = "evenings"
scene = "evening"
start = "sunset-00:15"
end = "23:00"
[[slot]]
scene = "squall"
circuit = "deep"
days = ["fri", "sat"]
start = "22:00"
end = "01:00"
priority = 1
[[exception]]
name = "holidays"
dates = ["2026-12-24..2026-12-27", 2027-01-01]
closed = true
[[exception]]
dates = ["2026-12-31"]
scene = "evening"
start = "sunset"
end = "sunrise"
"""


def write(folder: Path, text: str) -> Path:
    (folder / "lamps").mkdir(exist_ok=True)
    for stem in ("a", "b"):
        sheet = FILES[stem]
        if stem == "a":
            sheet += '[[scene]]\ncode = 3\nname = "flint"\n'
        if stem == "b":
            sheet = sheet.replace('name = "flint"', 'name = "slate"')
        (folder / "lamps" / f"{stem}.toml").write_text(sheet, encoding="utf-8")
    (folder / "site.toml").write_text(text.replace('b = "flint"', 'b = "slate"'), encoding="utf-8")
    return folder / "site.toml"


def problems(path: Path) -> list[str]:
    try:
        load_site(path, standing=True)
    except InputError as error:
        return [line.replace(f"{path.parent}/", "") for line in error.problems]
    return []


def test_what_is_written_is_read(tmp_path: Path) -> None:
    standing = load_site(write(tmp_path, SITE), standing=True).standing
    assert standing is not None
    first, second = standing.slots
    assert (first.start, first.end) == (BySun("sunset", timedelta(minutes=-15)), time(23))
    assert (first.circuit, first.days, first.dates, first.priority, first.overnight) == (
        None,
        (),
        (),
        0,
        False,
    )
    assert (second.days, second.priority, second.overnight) == (("fri", "sat"), 1, True)
    holidays, eve = standing.exceptions
    day = date(2027, 1, 1)
    assert holidays.dates == (Dates(date(2026, 12, 24), date(2026, 12, 27)), Dates(day, day))
    assert (holidays.closed, holidays.show()) == (True, None)
    show = eve.show()
    assert show is not None
    assert (show.start, show.end, show.scene) == (BySun("sunset"), BySun("sunrise"), "evening")
    assert [show.on(date(2026, 12, n)) for n in (30, 31)] == [False, True]


def test_without_the_daemons_tables_nothing_of_it_is_read(tmp_path: Path) -> None:
    assert load_site(write(tmp_path, SITE.replace("sunset-00:15", "dusk"))).standing is None


def test_what_was_read_stays(tmp_path: Path) -> None:
    standing = load_site(write(tmp_path, SITE), standing=True).standing
    assert standing is not None
    with pytest.raises(ValidationError):
        standing.slots[0].priority = 3  # type: ignore[misc]


def cases() -> list[tuple[list[tuple[str, str]], list[str]]]:
    """The table of misfits; a case without lines is sound."""
    found: list[tuple[list[tuple[str, str]], list[str]]] = []
    path = Path(__file__).parent / "misfits" / "calendar.txt"
    for line in path.read_text(encoding="utf-8").splitlines():
        if line.startswith(" "):
            found[-1][1].append(line.strip())
        elif line and not line.startswith("#"):
            if not found or found[-1][1]:
                found.append(([], []))
            old, _, new = line.replace("⏎", "\n").partition(" ->")
            found[-1][0].append((old, new.removeprefix(" ")))
    return found


@pytest.mark.parametrize(("changes", "expected"), cases())
def test_each_misfit_has_its_line(
    tmp_path: Path, changes: list[tuple[str, str]], expected: list[str]
) -> None:
    text = SITE
    for old, new in changes:
        assert old in text, old
        text = text.replace(old, new, 1)
    assert problems(write(tmp_path, text)) == expected


# Beyond the polar circle with its fallbacks, and just short of it without.
SOUND = [
    ("latitude = 59.9", "latitude = 65.7"),
    ("longitude = 10", "longitude = 60"),
    ('"2026-12-31"', '"2026-12-28"'),
    ('"2026-12-31"', "2026-12-31"),
    ('end = "01:00"', 'end = "00:00"'),
    ('start = "22:00"\nend = "01:00"', 'start = "00:00"\nend = "00:00"'),
]


@pytest.mark.parametrize(("old", "new"), SOUND)
def test_sound(tmp_path: Path, old: str, new: str) -> None:
    assert old in SITE
    assert problems(write(tmp_path, SITE.replace(old, new, 1))) == []


def test_with_fallbacks_a_site_may_lie_beyond_the_polar_circle(tmp_path: Path) -> None:
    text = SITE.replace("latitude = 59.9", "latitude = -77")
    text = text.replace('end = "23:00"', 'fallback_start = "20:00"\nend = "23:00"')
    text += 'fallback_start = "20:00"\nfallback_end = "00:00"\n'
    assert problems(write(tmp_path, text)) == []


def test_clashes_are_found_wherever_they_stand(tmp_path: Path) -> None:
    """Ranges that overlap in part, of the same circuit only, each pair once."""
    text = SITE[: SITE.index("[[exception]]")] + "".join(
        f"[[exception]]\ndates = [{dates}]\n{rest}\n"
        for dates, rest in (
            ('"2026-07-01..2026-07-31", "2026-09-01"', "closed = true"),
            ('"2026-07-10", "2026-07-20..2026-08-02"', 'scene = "squall"\nstart = "20:00"\nend = "21:00"'),
            ('"2026-09-01"', 'circuit = "deep"\nscene = "squall"\nstart = "20:00"\nend = "21:00"'),
            ('"2026-08-02"', "closed = true"),
        )
    )
    assert [line.partition(": give")[0] for line in problems(write(tmp_path, text))] == [
        "site.toml: exception 2 and exception 1: 2026-07-10 is closed by one and has a show by the other",
        "site.toml: exception 4 and exception 2: 2026-08-02 is closed by one and has a show by the other",
    ]


def test_there_is_an_end_to_slots_and_dates(tmp_path: Path) -> None:
    slot = SITE[SITE.index("[[slot]]") : SITE.index("[[slot]]\nscene")].replace('name = "evenings"\n', "")
    head = SITE[: SITE.index("[[slot]]")]
    (line,) = problems(write(tmp_path, head + slot * (MAX_TABLES + 1)))
    assert line == f"site.toml: slot has {MAX_TABLES + 1} entries, not {MAX_TABLES} (near line 30)"
    many = ", ".join(['"2026-07-01"'] * (MAX_TABLES + 1))
    (line,) = problems(write(tmp_path, f"{head}{slot}dates = [{many}]\n"))
    assert line == (
        f"site.toml: slot 1: dates has {MAX_TABLES + 1} entries, more than {MAX_TABLES}: "
        'write ranges, "A..B" (near line 34)'
    )


marks = st.one_of(
    st.sampled_from(["sunrise", "sunset", "sunset+02:00", "sunrise-01:30", "00:00", "12:00"]),
    st.times().map(lambda clock: f"{clock:%H:%M}"),
)


@given(start=marks, end=marks)
def test_any_hours_are_read_or_refused_in_words(start: str, end: str) -> None:
    told: list[object] = []
    slot: Slot | None
    try:
        slot = Slot.model_validate({"scene": "evening", "start": start, "end": end})
    except ValidationError as error:
        told = [detail["ctx"]["error"].faults for detail in error.errors()]
        slot = None
    assert len(told) == 1 if slot is None else slot.overnight in {True, False}

"""What a start takes from the entries: a table of cases, and what holds whatever clocks did."""

from __future__ import annotations

import tempfile
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sequencer.core.carried import Carried, CarriedWish
from sequencer.journal.entries import Entry
from sequencer.journal.fold import HOUR_S, WEEK_S, fold, recent, slot_of
from tests.journal.conftest import Clocks, Desk

HAND = ("wish", {"wish": "hand", "scene": "teal"})
ASKED = ("wish", {"wish": "asked", "scene": "moss"})
BACK = ("wish", {"wish": "taken back"})
STEADY = ("wish", {"wish": "steady"})
OFF = ("input", {"input": "switch", "is": "off"})
ON = ("input", {"input": "switch", "is": "on"})
INTENT = ("intent", {"scene": "slate"})
WELL = ("outcome", {"scene": "slate", "cycles": 3})
SPOILED = ("outcome", {"scene": "slate", "cycles": 3, "spoiled": True})
CUT = ("outcome", {"scene": "slate", "cycles": 2, "after_cut": True})
FAILED = ("outcome", {"scene": "slate", "failed": "the pin is gone"})
UNKNOWN = ("outcome", {"scene": None, "cycles": 3})
START = ("start", {})
NOTE = ("note", {"text": "anything"})

Case = tuple[str, Mapping[str, Any]]


def entries_of(*cases: Case) -> list[Entry]:
    """A minute apart, in one run."""
    return [
        Entry(60.0 * n, "boot", 60.0 * n, kind, "lap", detail, n) for n, (kind, detail) in enumerate(cases)
    ]


def folded(entries: list[Entry], now_unix: float | None = None) -> Carried:
    now = entries[-1].unix_s if now_unix is None else now_unix
    return fold(entries, now, {"lap": 40})["lap"]


NOTHING = Carried(cycles_total=40)


@pytest.mark.parametrize(
    ("cases", "carried"),
    [
        ((NOTE,), NOTHING),
        ((INTENT,), NOTHING._replace(open_intent=True)),
        ((INTENT, START), NOTHING._replace(open_intent=True)),
        ((INTENT, WELL), NOTHING._replace(scene="slate", cycles=((0.0, 3),))),
        ((INTENT, WELL, INTENT), NOTHING._replace(scene="slate", cycles=((60.0, 3),), open_intent=True)),
        ((INTENT, SPOILED), NOTHING._replace(cycles=((0.0, 3),))),
        ((INTENT, CUT), NOTHING._replace(cycles=((0.0, 2),))),
        ((INTENT, FAILED), NOTHING),
        ((INTENT, UNKNOWN), NOTHING._replace(cycles=((0.0, 3),))),
        ((WELL, SPOILED), NOTHING._replace(scene="slate", cycles=((60.0, 3), (0.0, 3)))),
        ((HAND,), NOTHING._replace(scene="teal", wishes=(CarriedWish("hand", "teal", 0.0),))),
        (
            (HAND, ASKED),
            NOTHING._replace(
                scene="moss", wishes=(CarriedWish("hand", "teal", 60.0), CarriedWish("asked", "moss", 0.0))
            ),
        ),
        ((HAND, BACK), NOTHING._replace(scene="teal")),
        ((HAND, OFF, ON), NOTHING._replace(scene="teal")),
        ((STEADY,), NOTHING._replace(steady=True)),
        ((STEADY, OFF), NOTHING._replace(steady=True)),
        ((STEADY, BACK), NOTHING),
        ((BACK, STEADY), NOTHING._replace(steady=True)),
        (
            (STEADY, HAND),
            NOTHING._replace(scene="teal", steady=True, wishes=(CarriedWish("hand", "teal", 0.0),)),
        ),
        (
            (HAND, WELL),
            NOTHING._replace(scene="slate", cycles=((0.0, 3),), wishes=(CarriedWish("hand", "teal", 60.0),)),
        ),
    ],
)
def test_what_is_carried_over(cases: tuple[Case, ...], carried: Carried) -> None:
    assert folded(entries_of(*cases)) == carried


def test_nothing_at_all() -> None:
    assert fold([], 0.0, {}) == {}


def test_circuits_are_apart() -> None:
    other = Entry(0.0, "boot", 0.0, "intent", "terrace", {})
    found = fold([*entries_of(HAND), other], 0.0, {"lap": 1})
    assert found["terrace"] == Carried(open_intent=True)
    assert not found["lap"].open_intent


@pytest.mark.parametrize(
    ("times", "now_unix", "ages"),
    [
        # (unix_s, boot, at_s, kind), what the clock says now, and how old each outcome is
        pytest.param([(100, "a", 0), (130, "a", 30)], 140, [40, 10], id="all clocks right"),
        pytest.param([(100, "a", 0), (9e8, "a", 30)], 9e8 + 10, [40, 10], id="set forward by years in a run"),
        pytest.param([(9e8, "a", 0), (130, "a", 30)], 140, [40, 10], id="set back by years in a run"),
        pytest.param([(9e8, "a", 0), (100, "b", 0)], 105, [5, 5], id="an old date after a boot"),
        pytest.param([(9e8, "a", 0)], 100, [0], id="an old date now"),
        pytest.param(
            [(100, "a", 500), (130, "a", 3)], 140, [10, 10], id="an axis that began anew unannounced"
        ),
    ],
)
def test_how_old(times: list[tuple[float, str, float]], now_unix: float, ages: list[float]) -> None:
    entries = [Entry(unix_s, boot, at_s, *WELL[:1], "lap", WELL[1]) for unix_s, boot, at_s in times]
    assert [age for age, _ in folded(entries, now_unix).cycles] == ages


def test_from_one_run_to_the_next_the_wall_clock_counts() -> None:
    before = Entry(100.0, "a", 5000.0, "outcome", "lap", WELL[1])
    start = Entry(160.0, "a", 5.0, "start", None, {})
    assert folded([before, start], 170.0).cycles == ((70.0, 3),)


def test_an_hour_and_a_week_are_the_ends() -> None:
    entries = entries_of(HAND, WELL)
    assert folded(entries, 60.0 + HOUR_S).cycles == ((HOUR_S, 3),)
    assert folded(entries, 60.0 + HOUR_S + 0.1).cycles == ()
    assert folded(entries, WEEK_S).wish == CarriedWish("hand", "teal", WEEK_S)
    assert folded(entries, WEEK_S + 0.1).wish is None


clocks = st.one_of(st.floats(0, 4e9), st.floats(0, 1e5), st.just(0.0))
details = st.sampled_from(
    [HAND, ASKED, BACK, STEADY, OFF, ON, INTENT, WELL, SPOILED, CUT, FAILED, UNKNOWN, START, NOTE]
)
drawn = st.lists(
    st.builds(
        lambda unix_s, boot, at_s, case, circuit: Entry(unix_s, boot, at_s, case[0], circuit, case[1]),
        clocks,
        st.sampled_from("ab"),
        clocks,
        details,
        st.sampled_from(["lap", "terrace", None]),
    ),
    max_size=30,
).map(lambda entries: [entry._replace(id=number) for number, entry in enumerate(entries, start=1)])


@given(drawn, clocks)
def test_the_last_of_every_slot_and_a_week_are_enough(entries: list[Entry], now_unix: float) -> None:
    slots = {(entry.circuit, slot): entry for entry in entries if (slot := slot_of(entry))}
    needed = {entry.id: entry for entry in (*slots.values(), *recent(reversed(entries), now_unix))}
    few = [needed[number] for number in sorted(needed)]
    everybody = dict.fromkeys(("lap", "terrace"), 7)
    assert fold(few, now_unix, everybody) == fold(entries, now_unix, everybody)


@given(drawn, clocks)
def test_no_age_is_negative_and_older_entries_are_older(entries: list[Entry], now_unix: float) -> None:
    for carried in fold(entries, now_unix, {}).values():
        ages = [age for age, _ in carried.cycles]
        assert ages == sorted(ages, reverse=True)
        assert all(0 <= age <= HOUR_S for age in ages)
        assert all(0 <= wish.age_s <= WEEK_S for wish in carried.wishes)


@given(drawn, st.floats(0, 1e6))
def test_time_that_passes_makes_everything_older_by_as_much(entries: list[Entry], more_s: float) -> None:
    if not entries:
        return
    now = entries[-1].unix_s
    before, after = fold(entries, now, {}), fold(entries, now + more_s, {})
    for name, carried in before.items():
        for wish in after[name].wishes:
            [same] = [was for was in carried.wishes if was.kind == wish.kind]
            assert wish.age_s - same.age_s == pytest.approx(more_s, abs=1e-3)


moves = st.lists(
    st.tuples(
        details, st.sampled_from(["lap", "terrace"]), st.floats(0, 4e5), st.sampled_from([0, 0, 0, -1e9, 1e9])
    ),
    max_size=25,
)


@settings(max_examples=40, deadline=None)
@given(moves)
def test_the_file_gives_what_all_entries_would(moves: list[tuple[Case, str, float, float]]) -> None:
    """Through real files, starts of the daemon and a wall clock that jumps by decades."""
    with tempfile.TemporaryDirectory() as name:
        desk = Desk(Path(name) / "journal.sqlite3", Clocks())
        journal = desk.open()
        for (kind, detail), circuit, passed_s, jump_s in moves:
            desk.clocks.go(passed_s)
            desk.clocks.unix_s += jump_s
            if kind == "start":
                journal.close()
                desk.clocks.at_s = 0.0
                journal = desk.open()
            journal.write(kind, circuit, detail)
        carried = journal.carried()
        totals = {circuit: journal.cycles_total(circuit) for circuit in carried}
        assert (journal.trouble, journal.notes) == ("", [])
        journal.close()
        entries = desk.entries()
        assert len(entries) == len(moves)
        assert carried == fold(entries, desk.clocks.unix_s, totals)

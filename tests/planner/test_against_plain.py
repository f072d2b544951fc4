"""The planner is never longer than a plain uniform-cost search, and refuses only where that finds nothing.

The plain search (:mod:`tests.planner.plain_search`) shares only the automaton; it spells everything out
and so is slow. For each fleet it is asked for a train better than the planner's, or as good; a search that
ends by itself is a comparison, one that runs out of nodes is not, and is not counted.
"""

from __future__ import annotations

from collections import Counter
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sequencer.datasheet import Datasheet
from sequencer.planner import PlanRequest
from sequencer.planner.plan import Answer, Fleet, fleet, solve
from sequencer.planner.proof import starting_states
from tests.automaton.sheets import INF, sheet
from tests.planner.drawn import plain_sheets, requests, small_sheets
from tests.planner.plain_search import Found, plain_best
from tests.planner.requests import ask

NODES = 150
REFUSED_BELOW_NS = 8_000_000_000  # where the planner refuses, trains up to 8 s are looked for


def plainly(asked: PlanRequest, given_fleet: Fleet, answer: Answer, nodes: int) -> Found:
    """The plain search's best of trains no worse than the planner's; or of those up to 8 s, if it has none.

    Where the planner says which types cannot be had together, only those are searched for.
    """
    who = range(len(given_fleet.types)) if answer.best is not None or not answer.proved else answer.apart
    types = [given_fleet.types[i] for i in who]
    starts = [
        {
            state
            for lamp in asked.lamps
            if lamp.stem == given_fleet.stems[i]
            for state in starting_states(given_fleet.types[i].behaviour, asked, lamp.known)
        }
        for i in who
    ]
    below = (REFUSED_BELOW_NS, 0)
    if answer.best is not None:
        total, breaks = answer.best.promise[0], answer.best.breaks
        below = (total, breaks + 1)
    limits = given_fleet.limits
    return plain_best(
        [t.behaviour for t in types],
        [t.wanted for t in types],
        limits.cycle_ns,
        limits.max_dark_ns,
        limits.contact_ns,
        nodes,
        starts=starts,
        below=below,
        drop_wider=True,
    )


def compared(asked: PlanRequest, nodes: int = NODES) -> str:
    """How the two agree; fails where the plain search is better."""
    given_fleet = fleet(asked)
    answer = solve(given_fleet)
    found = plainly(asked, given_fleet, answer, nodes)
    if not answer.proved:
        return "not proved"
    if not found.finished:
        return "not compared"
    if answer.best is None:
        assert found.total is None, f"refused, but there is one of {found.total} ns: {asked}"
        return "refused"
    if answer.best.breaks == 0:
        return "nothing to send"
    ours = (answer.best.promise[0], answer.best.breaks)
    if found.total is None:
        return "shorter than plain"  # by a length that is no boundary of any lamp
    assert (found.total, found.breaks) == ours, f"{ours} is longer than {found}: {asked}"
    return "as long as plain"


@pytest.mark.parametrize(
    ("types", "sheets", "examples", "least_trains", "least_refused", "most_unfinished"),
    [
        (1, small_sheets(3), 200, 40, 12, 0.5),
        (2, small_sheets(2), 40, 0, 2, 0.9),
        (2, plain_sheets(2), 200, 40, 15, 0.5),
        (3, plain_sheets(2), 100, 10, 10, 0.5),
    ],
    ids=["one type", "two types", "two, plainer", "three, plainer"],
)
def test_never_longer_than_a_plain_search(
    types: int,
    sheets: st.SearchStrategy[Datasheet],
    examples: int,
    least_trains: int,
    least_refused: int,
    most_unfinished: float,
) -> None:
    tally: Counter[str] = Counter()
    drawn = requests(
        st.just(types),
        sheets,
        starts=("rest", "rest", "dark"),
        max_dark_s=(1.0, 2.0, 4.0, 20.0) if types == 1 else (1.0, 1.2),
        known=types == 1,
    )

    @settings(max_examples=examples, deadline=None, derandomize=True, database=None)
    @given(asked=drawn)
    def compare(asked: PlanRequest) -> None:
        tally[compared(asked)] += 1

    compare()
    assert tally["not compared"] < examples * most_unfinished, tally
    assert tally["not proved"] < examples / 8, tally
    assert tally["as long as plain"] >= least_trains, tally
    assert tally["refused"] >= least_refused, tally


SHORT: dict[str, Any] = {
    "same_train": (0.15, 1.0),
    "settled": (1.2, INF),
    "reset": None,
    "warm_up": None,
}
COUNTS, COUNTS_2 = sheet(scenes=3, **SHORT), sheet(scenes=2, **SHORT)
RIDES = sheet(scenes=2, ignored=(0, 0.3), pulse=(0.5, 3.0), **SHORT | {"same_train": (0.2, 1.0)})
# The same two, but they notice all supply: else the plain search for them does not end.
AWAKE: dict[str, Any] = SHORT | {"noticed": (0, INF)}
COUNTS_AWAKE = sheet(scenes=2, **AWAKE)
RIDES_AWAKE = sheet(scenes=2, ignored=(0, 0.3), pulse=(0.5, 3.0), **AWAKE | {"same_train": (0.2, 1.0)})
QUICK = sheet(scenes=3, **SHORT | {"same_train": (0.15, 0.6), "settled": (0.8, INF)})
STEPS = sheet("step", scenes=3, pulse=(0.45, 0.9), reset=(1.2, 2.0), power_down=(8.0, INF), warm_up=None)


@pytest.mark.parametrize(
    "asked",
    [
        ask({"a": (COUNTS, 3), "b": (RIDES, 1)}, max_dark_s=1.0),
        ask({"a": (COUNTS_AWAKE, 1), "b": (RIDES_AWAKE, 2)}, max_dark_s=1.0),
        ask({"a": (QUICK, 1), "b": (COUNTS, 3)}),
        ask({"a": (QUICK, 2), "b": (COUNTS, 3)}),
        ask({"a": (sheet(scenes=2, overflow="ignored", **SHORT), 1), "b": (COUNTS, 3)}),
        ask({"a": (sheet(scenes=2, overflow="ignored", **SHORT), 1, 1), "b": (COUNTS, 3)}),
        ask({"a": (sheet(scenes=2, overflow="wraps", **SHORT), 1), "b": (COUNTS, 3)}),
        ask({"s": (STEPS, 2), "a": (COUNTS_2, 2)}, max_dark_s=1.3),
    ],
)
def test_on_fleets_that_are_steered_apart_both_find_the_same(asked: PlanRequest) -> None:
    assert compared(asked, nodes=4000) == "as long as plain"

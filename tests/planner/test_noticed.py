"""Supply that a lamp may miss: plans and proofs against a plain lamp that misses whatever it may."""

from __future__ import annotations

from collections import Counter

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sequencer.datasheet import Datasheet
from sequencer.planner import Plan, PlanRequest, judge, plan, prove
from sequencer.train import EdgeLog, Pulse, Stamp, Train
from tests.automaton.sheets import INF, sheet
from tests.planner.drawn import requests, small_sheets
from tests.planner.plain_lamp import may_end_elsewhere
from tests.planner.requests import ask


@st.composite
def drowsy_sheets(draw: st.DrawFn) -> Datasheet:
    """Lamps that notice supply at once, late, or as the datasheet says by leaving it out."""
    drawn = draw(small_sheets(3))
    noticed = draw(st.sampled_from([None, None, (0.0, INF), (0.05, INF), (0.3, INF), (1.0, INF)]))
    return drawn.model_copy(update={"on": drawn.on.model_copy(update={"noticed": noticed})})


@pytest.mark.parametrize(("types", "examples"), [(1, 150), (2, 60), (3, 20)])
def test_no_plan_hangs_on_supply_that_may_be_missed(types: int, examples: int) -> None:
    tally: Counter[str] = Counter()

    @settings(max_examples=examples, deadline=None, derandomize=True, database=None)
    @given(requests(st.just(types), drowsy_sheets(), starts=("rest", "dark")))
    def holds(asked: PlanRequest) -> None:
        found = plan(asked, budget=1000)
        if isinstance(found, Plan):
            assert may_end_elsewhere(asked, found.train) == []
        tally["train" if isinstance(found, Plan) and found.train.pulses else "none"] += 1

    holds()
    assert tally["train"] >= examples / 6, tally


# Short breaks and short supply, long ones, and some in between.
OFF_S = st.sampled_from([0.01, 0.1, 0.25, 0.4, 0.7, 1.2, 2.0, 3.0, 7.0, 12.0])
ON_S = st.sampled_from([0.04, 0.1, 0.2, 0.35, 0.6, 1.1, 3.5, 6.0])


def test_the_walk_and_the_plain_lamp_agree_on_any_train() -> None:
    """On the same lengths; where the walk proves a train, the plain lamp ends on its scene, and the other way."""
    tally: Counter[bool] = Counter()

    @settings(max_examples=600, deadline=None, derandomize=True, database=None)
    @given(
        asked=requests(st.just(1), drowsy_sheets(), margins_s=(0.013,)),
        lengths=st.lists(st.tuples(OFF_S, ON_S), min_size=1, max_size=5),
    )
    def agree(asked: PlanRequest, lengths: list[tuple[float, float]]) -> None:
        sent = Train(tuple(Pulse(off, on) for off, on in lengths))
        proved = prove(asked, sent) is not None
        assert proved == (may_end_elsewhere(asked, sent) == [])
        tally[proved] += 1

    agree()
    assert tally[True] >= 25, tally


SLOW = sheet("step", reset=(5.0, 6.0), power_down=(8.0, INF))


def test_what_was_switched_is_judged_with_supply_that_may_be_missed() -> None:
    """A reset whose supply after it came out as 100 ms, and then a break of 2.5 s: no reset, or one of 8 s."""
    asked = ask({"a": (SLOW, 1)})
    for on_s, ends in ((0.16, {"scene 1", "scene 2"}), (0.1, {f"scene {n}" for n in range(1, 6)})):
        edges = [(False, 0.0), (True, 5.5), (False, 5.5 + on_s), (True, 8.0 + on_s)]
        log = EdgeLog(tuple(Stamp(at, at, at, closed) for closed, at in edges), "finished")
        judged = judge(asked, Train((Pulse(5.5, on_s), Pulse(2.5, 1.0))), log)
        assert judged.spoiled
        assert judged.lamps[0].ends_on == ends


def test_a_chain_of_short_supplies_is_one_break() -> None:
    """Four breaks of 1.3 s with 40 ms between are, all missed, one of 5.32 s: a reset."""
    asked = ask({"a": (SLOW, 1, 3)})
    chain = Train((*[Pulse(1.3, 0.04)] * 3, Pulse(1.3, 2.0)))
    assert may_end_elsewhere(asked, chain) == ["a"]
    log = EdgeLog(
        tuple(Stamp(e.due_s, e.due_s, e.due_s, e.closed) for e in chain.edges()), "finished", rested_s=9.0
    )
    assert "scene 1" in judge(asked, chain, log).lamps[0].ends_on

"""Giving up holds: the same steps each time, and at the clock of a slow board; then the honest answer."""

from __future__ import annotations

import pytest

from sequencer.planner import Budget, Plan, Refusal, plan
from sequencer.planner.budget import GaveUp, Meter
from sequencer.planner.plan import fleet, solve
from sequencer.planner.refusal import nearest_scenes
from tests.bench.fleets import nested_request


def test_ten_nested_types_end_in_an_honest_answer_within_the_budget() -> None:
    """Steps are what time and memory go into: no search goes on past them (69 s and 1.6 GB without)."""
    budget = Budget(work=100_000, kept=10_000)
    meter = Meter(budget)
    answer = solve(fleet(nested_request(10)), budget.nodes, meter)
    assert not answer.proved
    assert meter.work <= budget.work
    assert meter.most_kept <= budget.kept


def test_the_same_question_costs_the_same() -> None:
    spent = []
    for _ in range(2):
        meter = Meter(Budget(work=60_000))
        answer = solve(fleet(nested_request(5)), 36_000, meter)
        spent.append((meter.work, meter.most_kept, answer.expanded, answer.proved))
    assert spent[0] == spent[1]


def test_a_clock_that_runs_out_ends_the_search() -> None:
    """Each look finds a second gone; past 40 there is only the look before each of 28 pairs, and of four parts."""
    looks = []

    def spent_s() -> float:
        looks.append(None)
        return float(len(looks))

    found = plan(nested_request(8), Budget(spent_s=spent_s, most_s=40.0))
    assert not found.proved
    assert len(looks) <= 40 + 28 + 4


@pytest.mark.parametrize("work", [0, 100, 3_000, 10_000, 30_000, 100_000])
def test_whatever_the_budget_the_answer_is_honest(work: int) -> None:
    """Never another train than the best called proved, never a train refused that there is."""
    best = plan(nested_request(4))
    assert isinstance(best, Plan)
    assert best.proved
    found = plan(nested_request(4), Budget(work=work))
    if found.proved:
        assert found == best
    elif isinstance(found, Plan):
        assert found.train.total_s >= best.train.total_s
    else:
        assert isinstance(found, Refusal)
        assert "gave up" in found.reason


def test_the_nearest_choice_is_no_way_round_the_budget() -> None:
    meter = Meter(Budget(work=20_000))
    found, sure = nearest_scenes(nested_request(6), 36_000, meter)
    assert found is None
    assert not sure
    assert meter.work <= 20_000 + 1_000


def test_a_part_gets_its_share_and_leaves_the_rest() -> None:
    meter = Meter(Budget(work=100, kept=5))
    with meter.part(0.5):
        meter.charge(50, 5)
        with pytest.raises(GaveUp):
            meter.charge(1)
    with meter.part(1.0):
        meter.charge(49, 5)
        with pytest.raises(GaveUp):
            meter.charge(0, 1)

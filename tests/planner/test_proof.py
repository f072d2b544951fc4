"""What a train leaves each lamp on: the proof's slack by hand, and what late edges do to it."""

from __future__ import annotations

import pytest

from sequencer.planner import PlanRequest, judge, prove
from sequencer.train import Delays, EdgeLog, Pulse, Stamp, Train
from tests.automaton.sheets import sheet
from tests.planner.requests import ask, planned

SPREAD = Delays((0.005, 0.012), (0.003, 0.008))  # 6 ms either way


def log(
    train: Train, delays: Delays, late_s: dict[int, float] | None = None, stop: int | None = None
) -> EdgeLog:
    """The log of a train played to the letter, but for edges (from 0) that came late; ``stop`` cuts it short."""
    late_s = late_s or {}
    stamps = []
    for i, edge in enumerate(train.edges()):
        due = edge.due_s - (delays.mean_make_s if edge.closed else delays.mean_break_s)
        stamps.append(Stamp(edge.due_s, due, due + late_s.get(i, 0.0), edge.closed))
    if stop is None:
        return EdgeLog(tuple(stamps), "finished")
    return EdgeLog(tuple(stamps[:stop]), "broken off", "SIGINT", stamps[stop - 1].commanded_s + 0.4)


def shown(request: PlanRequest, train: Train, edges: EdgeLog) -> tuple[bool, dict[str, set[str]]]:
    found = judge(request, train, edges)
    return found.spoiled, {lamp.lamp: set(lamp.ends_on) for lamp in found.lamps}


def test_slack_and_where_it_is_least() -> None:
    request = ask({"a": (sheet(clock_tolerance=0.03), 2)}, margin_s=0.03, delays=SPREAD)
    train = Train((Pulse(0.2, 0.25), Pulse(0.18, 3.7)))
    (lamp,) = prove(request, train) or ()
    # 0.18 s is a pulse from 0.12/0.97 on; the relay's spread of 6 ms is used up.
    assert lamp.slack_s == pytest.approx(0.18 - 0.12 / 0.97 - 0.006, abs=2e-9)
    assert lamp.tightest == (2, "off", "pulse", 0.12)
    assert (lamp.ends_on, lamp.code) == ("scene 2", 2)


@pytest.mark.parametrize(
    ("pulses", "at"),
    [
        ([Pulse(0.5, 0.2), Pulse(0.5, 5.0)], (1, "on", "same_train", 0.15)),
        ([Pulse(2.9, 1.0), Pulse(0.5, 5.0)], (1, "off", "pulse", 3.0)),
        ([Pulse(0.5, 1.95), Pulse(0.5, 5.0)], (1, "on", "same_train", 2.0)),
        ([Pulse(0.5, 1.0), Pulse(0.5, 3.52)], (2, "on", "settled", 3.5)),
    ],
)
def test_every_kind_of_limit_can_be_the_tightest(
    pulses: list[Pulse], at: tuple[int, str, str, float]
) -> None:
    (lamp,) = prove(ask({"a": (sheet(), 2)}, margin_s=0.01), Train(tuple(pulses))) or ()
    assert lamp.tightest == at


def test_a_train_that_leaves_a_doubt_is_no_proof() -> None:
    request = ask({"a": (sheet(), 2)}, margin_s=0.01)
    good = Train((Pulse(0.2, 0.25), Pulse(0.2, 3.6)))
    assert prove(request, good)
    assert prove(request, Train((Pulse(0.2, 0.25), Pulse(0.2, 3.505)))) is None  # perhaps not settled
    assert prove(request, Train((Pulse(0.125, 0.25), Pulse(0.2, 3.6)))) is None  # perhaps ridden through
    assert prove(request, Train((Pulse(0.2, 2.1), Pulse(0.2, 3.6)))) is None  # perhaps two trains
    assert prove(request, Train((Pulse(0.2, 3.6),))) is None  # another scene


def test_what_is_before_a_reset_needs_no_slack() -> None:
    request = ask({"s": (sheet("step", 4), 1)}, margin_s=0.01)
    (lamp,) = prove(request, Train((Pulse(0.121, 0.5), Pulse(7.0, 1.0)))) or ()
    assert lamp.tightest == (2, "off", "reset", 6.5)
    assert lamp.slack_s == pytest.approx(0.5)


def test_played_to_the_letter_every_lamp_is_where_it_should_be() -> None:
    request = ask({"a": (sheet(), 3)}, margin_s=0.03, delays=SPREAD)
    train = planned(request).train
    assert shown(request, train, log(train, SPREAD)) == (False, {"a": {"scene 3"}})


@pytest.mark.parametrize(("late_s", "spoiled"), [(0.0299, False), (0.0301, True)])
@pytest.mark.parametrize("edge", [0, 1, 2, 3])
def test_margin_may_be_used_up_but_no_more(edge: int, late_s: float, spoiled: bool) -> None:
    # Breaks of 0.156 s: an opening that much later leaves less than a certain pulse; a closing, less supply.
    request = ask({"a": (sheet(), 2)}, margin_s=0.03, delays=SPREAD)
    train = planned(request).train
    assert [round(x, 3) for p in train.pulses for x in p] == [0.156, 0.186, 0.156, 3.536]
    found, ends = shown(request, train, log(train, SPREAD, {edge: late_s}))
    # The last closing has nothing after it but supply, which may go on.
    assert found is (spoiled and edge != 3)
    assert (ends["a"] == {"scene 2"}) is not found


def test_a_spoiled_train_says_exactly_what_may_show() -> None:
    request = ask({"a": (sheet(), 2)}, margin_s=0.03, delays=SPREAD)
    train = planned(request).train
    # The second break is so short that it may be ridden through.
    assert shown(request, train, log(train, SPREAD, {2: 0.035})) == (True, {"a": {"scene 1", "scene 2"}})


def test_broken_off_in_a_break_the_rest_closes_it() -> None:
    request = ask({"a": (sheet(), 3)}, margin_s=0.03, delays=SPREAD)
    train = planned(request).train
    # Three edges: one whole pulse, then a break that ended 0.4 s later, when the relay went to rest.
    assert shown(request, train, log(train, SPREAD, stop=3)) == (True, {"a": {"scene 2"}})


def test_left_in_the_dark_a_lamp_may_be_on_anything() -> None:
    request = ask({"a": (sheet(scenes=4), 3)}, margin_s=0.03, delays=SPREAD)
    train = planned(request).train
    stopped = log(train, SPREAD, stop=3)._replace(rested_s=None)
    assert shown(request, train, stopped) == (True, {"a": {f"scene {n}" for n in range(1, 5)}})

"""The proof's walk: where a lamp is tightest, by how much; and what really switched edges leave it on."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sequencer.automaton.behaviour import LONG_LIT, State, behaviour
from sequencer.datasheet import Datasheet
from sequencer.planner import LampProof, PlanRequest, Tightest, judge, prove
from sequencer.planner.proof import Break, Walk, breaks_of_train, starting_states
from sequencer.train import Delays, EdgeLog, Pulse, Stamp, Train
from tests.automaton.sheets import INF, sheet, sheets
from tests.planner.requests import ask, planned

RELAY = Delays((0.005, 0.012), (0.003, 0.008))  # a spread of 6 ms
SITE: dict[str, Any] = {"delays": RELAY, "margin_s": 0.03}


def train(*lengths_s: float, lead_in_s: float = 0.0) -> Train:
    """Off, on, off, on ..."""
    return Train(tuple(map(Pulse, lengths_s[::2], lengths_s[1::2])), lead_in_s)


def proof(request: PlanRequest, sent: Train) -> LampProof:
    """Of the first lamp."""
    proofs = prove(request, sent)
    assert proofs is not None
    return proofs[0]


# -- slack -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("lengths_s", "slack_s", "tightest"),
    [
        # Windows, clocks exact: pulse 0.12-3.0, same_train 0.15-2.0, settled from 3.5; spread 6 ms.
        ((0.16, 0.5, 0.5, 5.0), 0.160 - 0.120 - 0.006, Tightest(1, "off", "pulse", 0.12)),
        ((0.5, 0.5, 0.17, 5.0), 0.170 - 0.120 - 0.006, Tightest(2, "off", "pulse", 0.12)),
        ((2.95, 0.5, 0.5, 5.0), 3.000 - 2.950 - 0.006, Tightest(1, "off", "pulse", 3.0)),
        ((0.5, 0.20, 0.5, 5.0), 0.200 - 0.150 - 0.006, Tightest(1, "on", "same_train", 0.15)),
        ((0.5, 1.96, 0.5, 5.0), 2.000 - 1.960 - 0.006, Tightest(1, "on", "same_train", 2.0)),
        ((0.5, 0.5, 0.5, 3.55), 3.550 - 3.500 - 0.006, Tightest(2, "on", "settled", 3.5)),
        # Equally tight, the earlier; within a break, off before on.
        ((0.16, 0.5, 0.16, 5.0), 0.034, Tightest(1, "off", "pulse", 0.12)),
        ((0.5, 0.19, 0.16, 5.0), 0.034, Tightest(1, "on", "same_train", 0.15)),
    ],
)
def test_slack_is_what_remains_to_the_boundary_after_the_spread(
    lengths_s: tuple[float, ...], slack_s: float, tightest: Tightest
) -> None:
    found = proof(ask({"a": (sheet(), 2)}, **SITE), train(*lengths_s))
    assert found == LampProof("a", "a", "scene 2", 2, pytest.approx(slack_s, abs=2e-9), tightest)


def test_the_clocks_error_is_taken_off_the_slack() -> None:
    request = ask({"a": (sheet(clock_tolerance=0.03), 2)}, **SITE)
    # 0.12/0.97 = 0.123711341 up; 3.0/1.03 = 2.912621359 down.
    short, long = proof(request, train(0.17, 0.5, 0.5, 5.0)), proof(request, train(2.84, 0.5, 0.5, 5.0))
    assert short.slack_s == pytest.approx(0.17 - 0.006 - 0.123711341, abs=2e-9)
    assert long.slack_s == pytest.approx(2.912621359 - 0.006 - 2.84, abs=2e-9)


def test_supply_over_a_break_ridden_through_is_one_length() -> None:
    """0.1 + 0.03 + 0.09 s: 220 ms on the lamp's clock, 70 ms past same_train's start; found at its end."""
    riding = sheet(ignored=(0, 0.1), noticed=(0.02, INF))
    found = proof(ask({"a": (riding, 2)}, **SITE), train(0.5, 0.1, 0.03, 0.09, 0.5, 5.0))
    # The break ridden through has 0.1 - 0.006 - 0.03 = 64 ms left, the supply 220 - 6 - 150.
    assert found.slack_s == pytest.approx(0.064, abs=2e-9)
    assert found.tightest == Tightest(2, "off", "ignored", 0.1)
    tighter = proof(ask({"a": (riding, 2)}, **SITE), train(0.5, 0.1, 0.03, 0.07, 0.5, 5.0))
    assert tighter.slack_s == pytest.approx(0.2 - 0.15 - 0.006, abs=2e-9)
    assert tighter.tightest == Tightest(2, "on", "same_train", 0.15)


def test_what_came_before_a_reset_no_longer_counts() -> None:
    """A pulse with 10 ms to spare, then a reset with 494."""
    request = ask({"a": (sheet(), 1)}, delays=RELAY)
    assert proof(request, train(0.136, 5.0)).slack_s == pytest.approx(0.01, abs=2e-9)
    found = proof(request, train(0.136, 5.0, 7.0, 1.0))
    assert found.slack_s == pytest.approx(0.494, abs=2e-9)
    assert found.tightest == Tightest(2, "off", "reset", 6.5)


def test_a_step_lamp_relies_on_warm_up_then_on_same_train() -> None:
    request = ask({"s": (sheet("step"), 3)}, delays=RELAY)
    found = proof(request, train(7.0, 1.02, 0.5, 0.5, 0.5, 0.5))
    assert found.slack_s == pytest.approx(1.02 - 1.0 - 0.006, abs=2e-9)
    assert found.tightest == Tightest(1, "on", "warm_up", 1.0)
    found = proof(request, train(7.0, 5.0, 0.5, 0.16, 0.5, 0.5))
    assert found.slack_s == pytest.approx(0.16 - 0.15 - 0.006, abs=2e-9)
    assert found.tightest == Tightest(2, "on", "same_train", 0.15)


def test_a_power_down_relied_on() -> None:
    request = ask({"s": (sheet("step", after_power_down="first"), 1)}, delays=RELAY)
    found = proof(request, train(10.05, 1.0))
    assert found.slack_s == pytest.approx(0.044, abs=2e-9)
    assert found.tightest == Tightest(1, "off", "power_down", 10.0)


def test_nothing_sent_relies_on_nothing() -> None:
    assert prove(ask({"a": (sheet(), 2, 2)}), Train(())) == (LampProof("a", "a", "scene 2", 2, None, None),)


# -- what is no proof ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("lengths_s", "what"),
    [
        ((0.5, 0.5, 0.5, 5.0), None),
        ((), "nothing sent, any scene"),
        ((0.5, 5.0), "one pulse"),
        ((0.5, 0.5, 0.5, 0.5, 0.5, 5.0), "three pulses"),
        ((0.1559, 0.5, 0.5, 5.0), "a pulse within the pad"),
        ((0.156, 0.5, 0.5, 5.0), None),
        ((2.9641, 0.5, 0.5, 5.0), "a pulse that may be a reset"),
        ((0.5, 0.1859, 0.5, 5.0), "too soon after the first"),
        ((0.5, 1.9641, 0.5, 5.0), "the train may be over"),
        ((0.5, 3.5359, 0.5, 5.0), "or may not"),
        ((0.5, 0.5, 0.5, 3.5359), "the count may still be pending"),
        ((0.5, 0.5, 0.5, 3.536), None),
        ((0.5, 5.0, 0.5, 0.5, 0.5, 5.0), None),  # a train before it does no harm
        ((7.0, 1.0359, 0.5, 0.5, 0.5, 5.0), "not warm after the reset"),
    ],
)
def test_a_train_that_leaves_a_lamp_in_doubt_is_not_proved(
    lengths_s: tuple[float, ...], what: str | None
) -> None:
    proved = prove(ask({"a": (sheet(), 2)}, **SITE), train(*lengths_s))
    assert (proved is None) == (what is not None), what


def test_every_lamp_must_be_sure() -> None:
    request = ask({"a": (sheet(), 2), "b": (sheet(pulse=(0.6, 3.0)), 2)}, **SITE)
    assert prove(request, train(0.7, 0.5, 0.7, 5.0)) is not None
    assert prove(request, train(0.7, 0.5, 0.6, 5.0)) is None


def test_what_a_lamp_may_be_on_at_first() -> None:
    lamp, last = behaviour(sheet(), 0.0), behaviour(sheet("step", after_power_down="next"), 0.0)
    rest = ask({})
    assert starting_states(lamp, rest, None) == {State(code) for code in range(1, 6)}
    assert starting_states(lamp, rest, 4) == {State(4)}
    assert starting_states(last, rest, 5) == {State(5, 0, resting=True)}
    dark = rest._replace(start="dark")
    assert starting_states(lamp, dark, 4) == {State(4)}
    assert starting_states(last, dark, 5) == {State(1, 0, resting=True)}
    forgetful = behaviour(sheet(after_power_down="first"), 0.0)
    assert starting_states(forgetful, dark, None) == {State(1)}


# -- the walk, whatever the datasheet --------------------------------------------------------------------

LENGTH_NS = st.integers(0, 120).map(lambda n: n * 50_000_000) | st.integers(0, 6_000_000_000)


def walked(drawn: Datasheet, breaks: list[Break], end: int, pad_s: float, tolerance: float) -> set[State]:
    lamp = drawn.lamp.model_copy(update={"clock_tolerance": tolerance})
    acts = behaviour(drawn.model_copy(update={"lamp": lamp}), pad_s)
    return Walk(acts, map(acts.rest, acts.codes), round(pad_s * 1e9), 0).over(breaks, end)


@settings(deadline=None, max_examples=200)
@given(
    drawn=sheets(),
    lengths=st.lists(st.tuples(LENGTH_NS, LENGTH_NS), max_size=5),
    pads=st.tuples(st.sampled_from([0.0, 0.02]), st.sampled_from([0.0, 0.03, 0.3])),
    tolerances=st.tuples(st.sampled_from([0.0, 0.02]), st.sampled_from([0.0, 0.05, 0.2])),
)
def test_more_margin_leaves_no_fewer_ends(
    drawn: Datasheet,
    lengths: list[tuple[int, int]],
    pads: tuple[float, float],
    tolerances: tuple[float, float],
) -> None:
    """A whole train with less certain windows: every scene a lamp might end on before, it still might."""
    breaks, at = [], 0
    for off, on in lengths:
        breaks.append(Break(at, at + off))
        at += off + on
    surer = walked(drawn, breaks, at, pads[0], tolerances[0])
    looser = walked(drawn, breaks, at, sum(pads), sum(tolerances))
    assert {(s.scene, s.pending) for s in surer} <= {(s.scene, s.pending) for s in looser}


@settings(deadline=None)
@given(drawn=sheets(), lengths=st.lists(st.tuples(LENGTH_NS, LENGTH_NS), min_size=1, max_size=4))
def test_a_break_that_nobody_notices_is_supply(drawn: Datasheet, lengths: list[tuple[int, int]]) -> None:
    """Cutting a supply in two by a break within ignored changes nothing (the length itself included).

    Where the lamp has noticed the supply before it; else the break before may reach over both.
    """
    acts = behaviour(drawn, 0.0)
    ridden = min(acts.guards.breaks[0].last_ns, 10**8)
    plain, cut, at = [], [], 0
    for off, on in lengths:
        plain.append(Break(at, at + off))
        cut.append(Break(at, at + off))
        at += off + on
        if 0 < ridden <= on and (on - ridden) // 2 >= acts.guards.noticed.first_ns:
            middle = at - on + (on - ridden) // 2
            cut.append(Break(middle, middle + ridden))
    ends = [Walk(acts, map(acts.rest, acts.codes), 0, 0).over(breaks, at) for breaks in (plain, cut)]
    assert ends[0] == ends[1]


def test_a_lamp_lit_for_long_is_settled_and_warm() -> None:
    assert LONG_LIT == (True, "yes", True)


# -- judging what was switched ---------------------------------------------------------------------------

REQUEST = ask({"a": (sheet(), 2), "b": (sheet("step"), 4, 2)}, **SITE)
SENT = train(0.2, 0.25, 0.2, 3.6, lead_in_s=1.0)
ALL = {f"scene {code}" for code in range(1, 6)}


def log_of(
    sent: Train,
    late_s: Mapping[int, float] | None = None,
    *,
    edges: int | None = None,
    delays: Delays = RELAY,
    **how: Any,
) -> EdgeLog:
    """As the player writes it: every edge commanded its mean delay early, ``late_s`` by edge from 1."""
    stamps = []
    for number, edge in enumerate(sent.edges()[:edges], start=1):
        due = edge.due_s - (delays.mean_make_s if edge.closed else delays.mean_break_s)
        stamps.append(Stamp(edge.due_s, due, due + (late_s or {}).get(number, 0.0), edge.closed))
    fields = {"outcome": "finished", "rested_s": sent.lead_in_s + sent.total_s} | how
    return EdgeLog(tuple(stamps), **fields)


def ends_on(request: PlanRequest, sent: Train, log: EdgeLog) -> tuple[bool, list[set[str]]]:
    judgement = judge(request, sent, log)
    assert [j.lamp for j in judgement.lamps] == [lamp.lamp for lamp in request.lamps]
    return judgement.spoiled, [set(j.ends_on) for j in judgement.lamps]


DUE = (False, [{"scene 2"}, {"scene 4"}])


@pytest.mark.parametrize("edge", [1, 2, 3, 4])
@pytest.mark.parametrize("late_s", [0.0, 0.0299, -0.0299])
def test_edges_within_the_margin_spoil_nothing(edge: int, late_s: float) -> None:
    assert ends_on(REQUEST, SENT, log_of(SENT, {edge: late_s})) == DUE


@pytest.mark.parametrize("edge", [1, 2, 3, 4])
@pytest.mark.parametrize(("late_s", "spoiled"), [(0.0299, False), (0.0301, True)])
def test_a_plan_may_use_up_its_margin_and_no_more(edge: int, late_s: float, spoiled: bool) -> None:
    """Where every length is as short as it may be; after the last closing is nothing but supply, which goes on."""
    request = ask({"a": (sheet(), 2)}, **SITE)
    sent = planned(request).train
    assert sent == train(0.156, 0.186, 0.156, 3.536)
    found, (ends,) = ends_on(request, sent, log_of(sent, {edge: late_s}))
    assert found is (spoiled and edge != 4)
    assert (ends == {"scene 2"}) is not found


@pytest.mark.parametrize(
    ("late_s", "a", "b"),
    [
        # The slack here: breaks of 200 ms to 120 ms, 74 ms after the spread; to 2.96 s.
        ({2: -0.0739}, {"scene 2"}, {"scene 4"}),
        ({2: -0.0741}, {"scene 1", "scene 2"}, {"scene 4", "scene 3"}),
        ({1: 0.0741}, {"scene 1", "scene 2"}, {"scene 4", "scene 3"}),
        ({4: -0.0741}, {"scene 1", "scene 2"}, {"scene 4", "scene 3"}),
        # The supply between: 250 ms to 150 ms, 94 ms after the spread.
        ({3: -0.0939}, {"scene 2"}, {"scene 4"}),
        ({3: -0.0941}, {"scene 1", "scene 2"}, {"scene 4", "scene 3"}),
        # ... and to 2.0 s: 1.744 s. What was counted may be over: 1 then 1, or 2.
        ({3: 1.7439, 4: 1.7439}, {"scene 2"}, {"scene 4"}),
        ({3: 1.7441, 4: 1.7441}, {"scene 1", "scene 2"}, {"scene 4"}),
        ({3: 3.2559, 4: 3.2559}, {"scene 1", "scene 2"}, {"scene 4"}),
        ({3: 3.2561, 4: 3.2561}, {"scene 1"}, {"scene 4"}),  # certainly over: certainly on 1
        # A pulse that came out as a reset or, 3 s late, as either.
        ({4: 6.4}, {"scene 1"}, {"scene 1"}),
        ({4: 3.0}, {"scene 1", "scene 2"}, {"scene 1", "scene 4"}),
        # All edges late alike: nothing.
        ({1: 9.0, 2: 9.0, 3: 9.0, 4: 9.0}, {"scene 2"}, {"scene 4"}),
    ],
)
def test_an_edge_past_its_slack_widens_belief_to_what_may_be(
    late_s: dict[int, float], a: set[str], b: set[str]
) -> None:
    spoiled = (a, b) != ({"scene 2"}, {"scene 4"})
    assert ends_on(REQUEST, SENT, log_of(SENT, late_s)) == (spoiled, [a, b])


def test_only_the_lamp_that_could_have_read_it_differently_is_in_doubt() -> None:
    slow = sheet(pulse=(0.16, 3.0))
    request = ask({"a": (sheet(), 2), "b": (slow, 2)}, **SITE)
    spoiled, ends = ends_on(request, SENT, log_of(SENT, {2: -0.04}))
    assert (spoiled, ends) == (True, [{"scene 2"}, {"scene 1", "scene 2"}])


@pytest.mark.parametrize(
    ("edges", "how", "a", "b"),
    [
        # Broken off before anything: as they were.
        (0, {"rested_s": 0.5}, ALL, {"scene 2"}),
        # In the supply after the first break: one pulse, which settles.
        (2, {"rested_s": 1.3}, {"scene 1"}, {"scene 3"}),
        # In the second break, 0.15 s after it began: closed by the relay's going to rest, so a pulse.
        (3, {"rested_s": 1.6}, {"scene 2"}, {"scene 4"}),
        # ... 20 ms after it began: perhaps a pulse.
        (3, {"rested_s": 1.47}, {"scene 1", "scene 2"}, {"scene 3", "scene 4"}),
        # ... 7 s after: a reset.
        (3, {"rested_s": 8.45}, {"scene 1"}, {"scene 1"}),
        # Never brought to rest, or to a rest that is open: nobody knows when it will be lit again.
        (3, {"rested_s": None}, ALL, ALL),
        (3, {"rested_s": 1.6, "rests_closed": False}, ALL, ALL),
        # A contact that opens by going to rest ends the supply that lamps need to settle.
        (2, {"rested_s": 1.3, "rests_closed": False}, ALL, ALL),
        (4, {"rested_s": 2.0, "rests_closed": False}, ALL, ALL),
        # All edges, but broken off in the last supply: as planned, for the contact stays closed.
        (4, {"rested_s": 2.0}, {"scene 2"}, {"scene 4"}),
        # A command that failed may have moved the contact all the same.
        (2, {"rested_s": 1.3, "outcome": "failed"}, ALL, ALL),
        (4, {"rested_s": None, "outcome": "failed"}, ALL, ALL),
    ],
)
def test_broken_off(edges: int, how: dict[str, Any], a: set[str], b: set[str]) -> None:
    log = log_of(SENT, edges=edges, **{"outcome": "broken off", **how})
    assert ends_on(REQUEST, SENT, log) == (True, [a, b])


def test_a_contact_that_rests_open_after_a_whole_train_spoils_nothing() -> None:
    """It was held closed until the train ended (the player's ``until_s``)."""
    assert ends_on(REQUEST, SENT, log_of(SENT, rests_closed=False)) == DUE


def test_nothing_sent_and_nothing_wanted_is_not_spoiled() -> None:
    request = ask({"a": (sheet(), 2, 2)})
    assert ends_on(request, Train(()), EdgeLog((), "finished")) == (False, [{"scene 2"}])


def test_the_relays_own_delays_are_added_to_the_commands() -> None:
    """Commands that are apart by 121 ms make a break of 121 ms only with both mean delays in it."""
    lopsided = Delays((0.1, 0.1), (0.0, 0.0))
    request = ask({"a": (sheet(), 1)}, delays=lopsided)
    sent = train(0.121, 3.501)
    assert ends_on(request, sent, log_of(sent, delays=lopsided)) == (False, [{"scene 1"}])
    # The same commands, read without them, are 21 ms apart: ridden through.
    assert ends_on(request._replace(delays=Delays((0, 0), (0, 0))), sent, log_of(sent, delays=lopsided))[0]


def test_breaks_of_a_train_count_from_the_first_opening() -> None:
    assert breaks_of_train(train(0.1, 0.25, 0.3, 1.0, lead_in_s=5.0)) == (
        [Break(0, 100_000_000), Break(350_000_000, 650_000_000)],
        1_650_000_000,
    )


# Windows whose edges are reached by a train of two pulses: off, on, off, and the last supply.
EDGES = {
    "pulse": (0.12, 3.0),
    "same_train": (0.15, 2.0),
    "settled": (3.5, INF),
    "reset": None,
    "warm_up": None,
}


@pytest.mark.parametrize(
    ("lengths", "moved", "by_s"),
    [
        ((0.12, 0.5, 0.5, 3.6), 0, 1e-9),
        ((3.0, 0.5, 0.5, 3.6), 0, -1e-9),
        ((0.5, 0.15, 0.5, 3.6), 1, 1e-9),
        ((0.5, 2.0, 0.5, 3.6), 1, -1e-9),
        ((0.5, 0.5, 0.12, 3.6), 2, 1e-9),
        ((0.5, 0.5, 0.5, 3.5), 3, 1e-9),
    ],
)
def test_a_length_on_an_edge_has_the_effects_of_both_sides(
    lengths: tuple[float, ...], moved: int, by_s: float
) -> None:
    """Without margin and spread, too; one nanosecond off it is on its own side."""
    request = ask({"a": (sheet(**EDGES), 2)})
    inside = list(lengths)
    inside[moved] += by_s
    assert prove(request, train(*lengths)) is None
    proofs = prove(request, train(*inside))
    assert proofs is not None
    assert proofs[0].slack_s == pytest.approx(1e-9, abs=1e-12)

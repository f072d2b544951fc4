"""What one lamp certainly does and what it may do: every rule, each with its exact states.

The rules are the table at the top of :mod:`sequencer.automaton.behaviour`; one table of cases a rule.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import pytest
from hypothesis import event, given
from hypothesis import strategies as st

from sequencer.automaton.behaviour import (
    ANY_SCENE,
    LONG_LIT,
    SOME_COUNT,
    Behaviour,
    State,
    Supply,
    behaviour,
)
from sequencer.automaton.guards import Effect
from sequencer.datasheet import Datasheet
from sequencer.units import FOREVER_NS
from tests.automaton.sheets import INF, sheet, sheets

MS = 1_000_000
REST = True

# Supply before a break, as a count lamp with same_train < warm_up < settled may have had it.
TOO_SOON = Supply(continues=False, over="no", warm=False)
IN_TRAIN = Supply(continues=True, over="no", warm=False)
IN_TRAIN_WARM = Supply(continues=True, over="no", warm=True)
BETWEEN = Supply(continues=True, over="maybe", warm=True)
OVER = Supply(continues=True, over="yes", warm=True)
OVER_COLD = Supply(continues=True, over="yes", warm=False)  # warm_up begins after settled
BETWEEN_COLD = Supply(continues=True, over="maybe", warm=False)
NOTHING_SURE = Supply(continues=False, over="maybe", warm=False)  # margins have closed same_train


# -- what a break is -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("off_ms", "effects"),
    [
        (1, "ignored"),
        (20, "ignored"),
        (20.000001, "ignored pulse"),
        (119.999999, "ignored pulse"),
        (120, "pulse"),
        (3000, "pulse"),
        (3000.000001, "pulse reset"),
        (6499.999999, "pulse reset"),
        (6500, "reset"),
        (8000, "reset"),
        (8000.000001, "reset power_down"),
        (9999.999999, "reset power_down"),
        (10_000, "power_down"),
        (86_400_000, "power_down"),
    ],
)
def test_a_break_between_two_windows_may_be_either(off_ms: float, effects: str) -> None:
    assert behaviour(sheet(), 0.0).effects(round(off_ms * MS)) == tuple(effects.split())


@pytest.mark.parametrize(
    ("changes", "pad_s", "off_ms", "effects"),
    [
        # Without a reset the gap is between pulse and power-down.
        ({"reset": None}, 0.0, 5000, "pulse power_down"),
        # Clock and pad eat a window from both ends: 0.12 / 0.97 + 0.036 and 3.0 / 1.03 - 0.036.
        ({"clock_tolerance": 0.03}, 0.036, 159.711340, "ignored pulse"),
        ({"clock_tolerance": 0.03}, 0.036, 159.711341, "pulse"),
        ({"clock_tolerance": 0.03}, 0.036, 2876.621359, "pulse"),
        ({"clock_tolerance": 0.03}, 0.036, 2876.621360, "pulse reset"),
        # No break is too short to be a pulse, when the pad is longer than ignored.
        ({}, 0.036, 1, "ignored pulse"),
        # A window eaten whole: in it a break may be what it is, or what is on either side.
        ({"reset": (6.5, 6.56)}, 0.036, 6530, "pulse reset power_down"),
        ({"reset": (6.5, 6.56)}, 0.036, 6300, "pulse reset"),
        ({"reset": (6.5, 6.56)}, 0.036, 9000, "reset power_down"),
        ({"reset": (6.5, 6.572)}, 0.036, 6536, "reset"),  # a single length is left
        ({"reset": (6.5, 6.572)}, 0.036, 6536.000001, "reset power_down"),
        # Where windows touch, at the very length that both claim, it may be either.
        ({"ignored": (0, 0.12)}, 0.0, 119.999999, "ignored"),
        ({"ignored": (0, 0.12)}, 0.0, 120, "ignored pulse"),
        ({"ignored": (0, 0.12)}, 0.0, 120.000001, "pulse"),
        ({"ignored": (0, 0.12), "pulse": (0.12, 0.12)}, 0.0, 120, "ignored pulse"),
        ({"pulse": (0.12, 6.5), "reset": (6.5, 6.5)}, 0.0, 6500, "pulse reset"),
        ({"pulse": (0.12, 6.5), "reset": (6.5, 10.0)}, 0.0, 10_000, "reset power_down"),
        # What is ignored may be nothing at all.
        ({"ignored": (0, 0)}, 0.0, 0.000001, "ignored pulse"),
        ({"ignored": (0, 0), "pulse": (0, 3.0)}, 0.036, 35.999999, "ignored pulse"),
        ({"ignored": (0, 0), "pulse": (0, 3.0)}, 0.036, 36, "pulse"),
    ],
)
def test_margins_widen_what_a_break_may_be(
    changes: dict[str, Any], pad_s: float, off_ms: float, effects: str
) -> None:
    assert behaviour(sheet(**changes), pad_s).effects(round(off_ms * MS)) == tuple(effects.split())


@pytest.mark.parametrize(
    ("on_ms", "supply"),
    [
        (0, TOO_SOON),
        (149.999999, TOO_SOON),
        (150, IN_TRAIN),
        (999.999999, IN_TRAIN),
        (1000, IN_TRAIN_WARM),
        (2000, IN_TRAIN_WARM),
        (2000.000001, BETWEEN),
        (3499.999999, BETWEEN),
        (3500, OVER),
    ],
)
def test_supply_of_a_count_lamp(on_ms: float, supply: Supply) -> None:
    assert behaviour(sheet(), 0.0).supply(round(on_ms * MS)) == supply


@pytest.mark.parametrize(
    ("changes", "pad_s", "on_ms", "supply"),
    [
        # 0.15 / 0.97 + 0.036; 1.0 / 0.97 + 0.036; 2.0 / 1.03 - 0.036; 3.5 / 0.97 + 0.036
        ({"clock_tolerance": 0.03}, 0.036, 190.639175, TOO_SOON),
        ({"clock_tolerance": 0.03}, 0.036, 190.639176, IN_TRAIN),
        ({"clock_tolerance": 0.03}, 0.036, 1066.927835, IN_TRAIN),
        ({"clock_tolerance": 0.03}, 0.036, 1066.927836, IN_TRAIN_WARM),
        ({"clock_tolerance": 0.03}, 0.036, 1905.747572, IN_TRAIN_WARM),
        ({"clock_tolerance": 0.03}, 0.036, 1905.747573, BETWEEN),
        ({"clock_tolerance": 0.03}, 0.036, 3644.247422, BETWEEN),
        ({"clock_tolerance": 0.03}, 0.036, 3644.247423, OVER),
        ({"warm_up": (4.0, INF)}, 0.0, 3600, OVER_COLD),
        ({"warm_up": (4.0, INF)}, 0.0, 4000, OVER),
        ({"warm_up": (0.0, INF)}, 0.1, 0, Supply(continues=False, over="no", warm=True)),
        ({"warm_up": None}, 0.0, 150, IN_TRAIN_WARM),
        ({"same_train": (0.5, 0.55)}, 0.036, 530, NOTHING_SURE),
    ],
)
def test_margins_take_from_what_is_certain_of_supply(
    changes: dict[str, Any], pad_s: float, on_ms: float, supply: Supply
) -> None:
    assert behaviour(sheet(**changes), pad_s).supply(round(on_ms * MS)) == supply


def test_a_step_lamp_has_no_train_that_could_be_over() -> None:
    assert behaviour(sheet("step"), 0.0).supply(10**15).over == "no"


# -- what follows ------------------------------------------------------------------------------------


class Case(NamedTuple):
    """From one state over one break; ``after`` holds all states that may follow."""

    before: State
    supply: Supply
    after: set[State]
    effect: Effect = "pulse"
    changes: dict[str, Any] = {}  # noqa: RUF012
    sure: bool = True


def check(selects_by: str, case: Case) -> None:
    lamp = behaviour(sheet(selects_by, **case.changes), 0.0)
    after = lamp.notice(case.before, case.effect, case.supply, sure=case.sure)
    assert set(after) == case.after


IGNORED = {"overflow": "ignored"}
WRAPS = {"overflow": "wraps"}
GAP = {"scenes": {1: "#000000", 2: "#111111", 4: "#222222"}}
ALL = {State(1), State(2), State(3), State(4), State(5)}


@pytest.mark.parametrize(
    "case",
    [
        # Idle: the first pulse of a train, if the lamp is warm.
        Case(State(3), LONG_LIT, {State(3, 1)}),
        Case(State(3), IN_TRAIN_WARM, {State(3, 1)}),
        Case(State(3), TOO_SOON, {State(3, 1), State(3)}),
        Case(State(3), IN_TRAIN, {State(3, 1), State(3)}),  # same_train is not enough for a first
        Case(State(3), OVER_COLD, {State(3, 1), State(3)}),
        # Within the train: one more. Whether it is warm no longer matters.
        Case(State(3, 1), IN_TRAIN, {State(3, 2)}),
        Case(State(3, 4), IN_TRAIN_WARM, {State(3, 5)}),
        # Too soon after the last: perhaps one more.
        Case(State(3, 2), TOO_SOON, {State(3, 3), State(3, 2)}),
        # Between same_train and settled: one more, or the first of a new train on the scene just chosen.
        Case(State(3, 2), BETWEEN, {State(3, 3), State(2, 1)}),
        # There not even warm: the first of the new train may be missed.
        Case(State(3, 2), BETWEEN_COLD, {State(3, 3), State(2, 1), State(2)}),
        # And where margins have closed same_train, this one may be missed as well.
        Case(State(3, 2), NOTHING_SURE, {State(3, 3), State(3, 2), State(2, 1), State(2)}),
        # After settled: the first of a new train.
        Case(State(3, 2), OVER, {State(2, 1)}),
        Case(State(3, 2), OVER_COLD, {State(2, 1), State(2)}),
        # A belief's shorthand takes part.
        Case(State(ANY_SCENE, 2), IN_TRAIN, {State(ANY_SCENE, 3)}),
        Case(State(ANY_SCENE, SOME_COUNT), IN_TRAIN, {State(ANY_SCENE, SOME_COUNT)}),
        Case(State(ANY_SCENE, SOME_COUNT), BETWEEN, {State(ANY_SCENE, SOME_COUNT), State(ANY_SCENE, 1)}),
        Case(State(ANY_SCENE, SOME_COUNT), OVER, {State(ANY_SCENE, 1)}),
        # A break that may have been another does not change what a pulse is to a count lamp.
        Case(State(3, 2), IN_TRAIN, {State(3, 3)}, sure=False),
    ],
)
def test_count_pulse(case: Case) -> None:
    check("count", case)


@pytest.mark.parametrize(
    "case",
    [
        # "unknown": all counts beyond the table are one, for they tell as little.
        Case(State(3, 5), IN_TRAIN, {State(3, 6)}),
        Case(State(3, 6), IN_TRAIN, {State(3, 6)}),
        Case(State(3, 6), OVER, {State(s, 1) for s in range(1, 6)}),
        # "ignored": the scene stays.
        Case(State(3, 5), IN_TRAIN, {State(3, 6)}, changes=IGNORED),
        Case(State(3, 6), IN_TRAIN, {State(3, 6)}, changes=IGNORED),
        Case(State(3, 6), OVER, {State(3, 1)}, changes=IGNORED),
        # "wraps": ((n - 1) mod 5) + 1, so that the sixth is the first.
        Case(State(3, 5), IN_TRAIN, {State(3, 1)}, changes=WRAPS),
        Case(State(3, 4), IN_TRAIN, {State(3, 5)}, changes=WRAPS),
        Case(State(3, 5), OVER, {State(5, 1)}, changes=WRAPS),
        # A gap in the table is beyond it, too; what follows the gap is not.
        Case(State(1, 3), OVER, {State(1, 1), State(2, 1), State(4, 1)}, changes=GAP),
        Case(State(1, 3), OVER, {State(1, 1)}, changes=GAP | IGNORED),
        Case(State(1, 3), IN_TRAIN, {State(1, 4)}, changes=GAP),
        Case(State(1, 4), OVER, {State(4, 1)}, changes=GAP),
    ],
)
def test_count_overflow(case: Case) -> None:
    check("count", case)


@pytest.mark.parametrize(
    ("changes", "before", "after"),
    [
        ({}, State(3), {State(3)}),
        ({}, State(3, 2), {State(2)}),
        ({}, State(3, 5), {State(5)}),
        ({}, State(3, 6), ALL),
        (IGNORED, State(3, 6), {State(3)}),
        (GAP, State(1, 3), {State(1), State(2), State(4)}),
        ({}, State(ANY_SCENE, SOME_COUNT), {State(ANY_SCENE)}),
        ({}, State(ANY_SCENE, 2), {State(2)}),
    ],
)
def test_count_settles(changes: dict[str, Any], before: State, after: set[State]) -> None:
    assert set(behaviour(sheet(**changes), 0.0).settle(before)) == after


@pytest.mark.parametrize("supply", [TOO_SOON, IN_TRAIN, BETWEEN, OVER])
@pytest.mark.parametrize("before", [State(3), State(3, 2), State(3, 6), State(ANY_SCENE, SOME_COUNT)])
def test_count_reset_is_the_first_scene_whatever_came_before(before: State, supply: Supply) -> None:
    check("count", Case(before, supply, {State(1)}, "reset"))
    # The first scene is the least code, whichever that is.
    check(
        "count", Case(before, supply, {State(1)}, "reset", changes={"scenes": {4: "#000000", 1: "#111111"}})
    )


FIRST = {"after_power_down": "first"}


@pytest.mark.parametrize(
    "case",
    [
        # Remembered; a pending count may or may not have been taken.
        Case(State(3), IN_TRAIN, {State(3)}),
        Case(State(3, 2), IN_TRAIN, {State(3), State(2)}),
        Case(State(3, 2), TOO_SOON, {State(3), State(2)}),
        Case(State(3, 2), BETWEEN, {State(3), State(2)}),
        Case(State(3, 2), OVER, {State(2)}),  # it was taken before the break
        Case(State(3, 6), IN_TRAIN, ALL),
        Case(State(3, 6), IN_TRAIN, {State(3)}, changes=IGNORED),
        Case(State(3, 3), IN_TRAIN, {State(3)}),
        Case(State(3, SOME_COUNT), IN_TRAIN, {State(3), State(ANY_SCENE)}),
        # To the first scene, counted or not.
        Case(State(3), IN_TRAIN, {State(1)}, changes=FIRST),
        Case(State(3, 2), IN_TRAIN, {State(1)}, changes=FIRST),
        Case(State(3, 2), OVER, {State(1)}, changes=FIRST),
        Case(State(ANY_SCENE, SOME_COUNT), BETWEEN, {State(1)}, changes=FIRST),
    ],
)
def test_count_power_down(case: Case) -> None:
    check("count", case._replace(effect="power_down"))


# A step lamp's needs: warm_up (1.0 s) for the first pulse from rest, then same_train's start (0.15 s).
QUICK_BOOT = {"warm_up": (0.05, INF)}  # ... and one that needs less for the first than for the next
STEP_WARM_ONLY = Supply(continues=False, over="no", warm=True)


@pytest.mark.parametrize(
    "case",
    [
        Case(State(3, 0, REST), IN_TRAIN_WARM, {State(4)}),
        Case(State(5, 0, REST), IN_TRAIN_WARM, {State(1)}),  # the ring wraps
        Case(State(3), IN_TRAIN, {State(4)}),
        Case(State(5), IN_TRAIN, {State(1)}),
        Case(State(3), IN_TRAIN_WARM, {State(4)}),
        # Not enough for the one it needs: perhaps taken, and still at rest if it was.
        Case(State(3, 0, REST), IN_TRAIN, {State(4, 0, REST), State(3, 0, REST)}),
        Case(State(3, 0, REST), TOO_SOON, {State(4, 0, REST), State(3, 0, REST)}),
        Case(State(3), TOO_SOON, {State(4), State(3)}),
        Case(State(3, 0, REST), STEP_WARM_ONLY, {State(4)}, changes=QUICK_BOOT),
        Case(State(3), STEP_WARM_ONLY, {State(4), State(3)}, changes=QUICK_BOOT),
        # A break that may have been ridden through: whether the lamp is at rest cannot be known afterwards,
        # so it is left with whichever needs more.
        Case(State(3, 0, REST), IN_TRAIN_WARM, {State(4, 0, REST)}, sure=False),
        Case(State(3, 0, REST), IN_TRAIN_WARM, {State(4)}, changes=QUICK_BOOT, sure=False),
        Case(State(3), IN_TRAIN_WARM, {State(4)}, sure=False),
        # A belief's shorthand, and rings in another order or of one place.
        Case(State(ANY_SCENE), IN_TRAIN, {State(ANY_SCENE)}),
        Case(State(3), IN_TRAIN, {State(1)}, changes={"scenes": {3: "#000000", 1: "#111111", 2: "#222222"}}),
        Case(State(1), IN_TRAIN, {State(1)}, changes={"scenes": 1}),
    ],
)
def test_step_pulse(case: Case) -> None:
    check("step", case)


NEXT = {"after_power_down": "next"}


@pytest.mark.parametrize("supply", [TOO_SOON, IN_TRAIN_WARM])
@pytest.mark.parametrize(
    "case",
    [
        Case(State(3), LONG_LIT, {State(1, 0, REST)}, "reset"),
        Case(State(3, 0, REST), LONG_LIT, {State(1, 0, REST)}, "reset"),
        Case(State(ANY_SCENE), LONG_LIT, {State(1, 0, REST)}, "reset"),
        Case(State(3), LONG_LIT, {State(3, 0, REST)}, "power_down"),
        Case(State(3, 0, REST), LONG_LIT, {State(3, 0, REST)}, "power_down"),
        Case(State(3), LONG_LIT, {State(1, 0, REST)}, "power_down", FIRST),
        Case(State(3), LONG_LIT, {State(4, 0, REST)}, "power_down", NEXT),
        Case(State(5, 0, REST), LONG_LIT, {State(1, 0, REST)}, "power_down", NEXT),
        Case(State(ANY_SCENE), LONG_LIT, {State(ANY_SCENE, 0, REST)}, "power_down", NEXT),
        Case(State(ANY_SCENE), LONG_LIT, {State(1, 0, REST)}, "power_down", FIRST),
    ],
)
def test_step_reset_and_power_down_act_whatever_the_supply(case: Case, supply: Supply) -> None:
    check("step", case._replace(supply=supply))


def test_rest_and_settling_by_kind() -> None:
    assert behaviour(sheet("count"), 0.0).rest(3) == State(3, 0, resting=False)
    assert behaviour(sheet("step"), 0.0).rest(3) == State(3, 0, resting=True)
    assert behaviour(sheet("step"), 0.0).settle(State(3)) == (State(3),)


def test_a_datasheet_becomes_a_behaviour() -> None:
    lamp = behaviour(sheet(scenes={2: "#000000", 1: "#111111"}, overflow="wraps", **FIRST), 0.036)
    assert (lamp.counts, lamp.codes, lamp.overflow, lamp.after_power_down) == (True, (1, 2), "wraps", "first")
    assert lamp.guards.breaks[1].first_ns == 156 * MS
    assert not behaviour(sheet("step"), 0.0).counts


# -- whatever the datasheet ---------------------------------------------------------------------------

LENGTHS = st.integers(0, 7_000).map(lambda ms: ms * MS) | st.integers(0, 7_000 * MS)
PADS = (0.0, 0.006, 0.036, 0.2)
ORDER = {"ignored": 0, "pulse": 1, "reset": 2, "power_down": 3}


def near(lamp: Behaviour, data: st.DataObject) -> int:
    """Any length, but above all those at the ends of windows and a nanosecond beyond."""
    g = lamp.guards
    ends = [n for w in (*g.breaks, g.same_train, g.warm_up, g.settled) if w for n in (w.first_ns, w.last_ns)]
    finite = [n for n in ends if 0 < n < FOREVER_NS]
    return data.draw(LENGTHS | st.sampled_from([0, *[n + by for n in finite for by in (-1, 0, 1)]]))


def wider_pair(data: st.DataObject, drawn: Datasheet) -> tuple[Behaviour, Behaviour]:
    """The same datasheet with two pads and two tolerances, the second with no less of either."""
    pads = sorted(data.draw(st.tuples(st.sampled_from(PADS), st.sampled_from(PADS))))
    clocks = sorted(data.draw(st.tuples(*[st.sampled_from([0.0, 0.01, 0.05, 0.2])] * 2)))
    surer, looser = (
        behaviour(drawn.model_copy(update={"lamp": drawn.lamp.model_copy(update={"clock_tolerance": t})}), p)
        for t, p in zip(clocks, pads, strict=True)
    )
    return surer, looser


@given(data=st.data(), drawn=sheets(), pad_s=st.sampled_from(PADS))
def test_effects_are_neighbours_and_never_none(data: st.DataObject, drawn: Datasheet, pad_s: float) -> None:
    lamp = behaviour(drawn, pad_s)
    names = [w.name for w in lamp.guards.breaks]
    off = near(lamp, data)
    effects = lamp.effects(off)
    event(f"{len(effects)} effects")
    assert effects
    at = names.index(effects[0])
    assert list(effects) == names[at : at + len(effects)]
    # A longer break is never read as a shorter one's less.
    longer = lamp.effects(off + near(lamp, data))
    assert ORDER[longer[0]] >= ORDER[effects[0]]
    assert ORDER[longer[-1]] >= ORDER[effects[-1]]


@given(data=st.data(), drawn=sheets())
def test_more_margin_only_widens_what_is_possible(data: st.DataObject, drawn: Datasheet) -> None:
    surer, looser = wider_pair(data, drawn)
    length = near(data.draw(st.sampled_from([surer, looser])), data)
    assert set(surer.effects(length)) <= set(looser.effects(length))
    had, doubted = surer.supply(length), looser.supply(length)
    assert had.continues >= doubted.continues
    assert had.warm >= doubted.warm
    assert doubted.over in (had.over, "maybe")


@given(data=st.data(), drawn=sheets())
def test_less_certain_supply_only_adds_what_may_follow(data: st.DataObject, drawn: Datasheet) -> None:
    """Every state after a break that is sure of its supply is there, or one that needs more, without."""
    surer, looser = wider_pair(data, drawn)
    length = near(data.draw(st.sampled_from([surer, looser])), data)
    scene = data.draw(st.sampled_from(surer.codes))
    if surer.counts:
        before = State(scene, data.draw(st.integers(0, surer.codes[-1])))
    else:
        before = State(scene, 0, data.draw(st.booleans()))
    effect: Effect = data.draw(st.sampled_from(["pulse", "power_down", "reset"]))
    sure, doubted = surer.supply(length), looser.supply(length)
    event("supply differs" if sure != doubted else "same supply")
    certain = set(surer.notice(before, effect, sure, sure=True))
    possible = set(looser.notice(before, effect, doubted, sure=True))
    assert {(s.scene, s.pending) for s in certain} <= {(s.scene, s.pending) for s in possible}
    if surer.counts:
        assert certain <= possible

"""When the core acts: at each of its deadlines, and not one step of the clock before.

The shell wakes it at ``CircuitState.deadline`` and at no other moment, so that what is missing there never happens.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import Any, NamedTuple

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sequencer.core import events as on
from sequencer.core.actions import Action, HoldOpen, LetClose, PlanTrain, SendTrain, Warn
from sequencer.core.state import HOUR_S, Belief, CircuitState, Wish
from sequencer.core.status import indication, status
from sequencer.core.step import step
from tests.core.test_contact import LOST_DARK, MATCHED, OFF, PLAYED, RULES, TRAIN, before, lit_again

UNSURE = "not every lamp is certainly on the scene"
PERSON = "a person asked for it"
ASKED = (on.ButtonShort(101.0),)
EVENING = {"north": 1, "south": 2}


def plan(number: int, start: Any, known: dict[str, int], why: str) -> PlanTrain:
    return PlanTrain(number, "evening", start, known, why, EVENING)


def later(what: str, wait_s: int) -> Warn:
    return Warn(f"{what}; the next try comes in {wait_s} s")


class Moment(NamedTuple):
    """After the events time alone brings these actions at ``at``, and the phase; ``how``: other news of it."""

    state: CircuitState
    events: Sequence[on.Event]
    at: float
    actions: Sequence[Action]
    phase: str
    how: Callable[[CircuitState], object] = lambda _: None
    was: object = None
    becomes: object = None


FIRST = RULES._replace(wanted={**RULES.wanted, "first": {"north": 1, "south": 1}})
MOVING = RULES._replace(in_step_s={"evening": 60.0}, rephase_per_h=2.0)
QUIET = {"north": Belief(2, "train"), "south": Belief(2, "train")}
CAPPED = MATCHED._replace(rules=RULES._replace(max_cycles_per_h=5))
UNLIT = CircuitState(RULES, "evening")
OVER = on.TrainEnded(111.0, "held", 3)
NO_ANSWER = "no train was planned: the planner never answered"
NO_END = "a train was not sent as planned: the player never answered"

MOMENTS: dict[str, Moment] = {
    "a planner's answer is lost, 180 s after it was asked": Moment(
        MATCHED, ASKED, 281.0, [later(NO_ANSWER, 5)], "waiting"
    ),
    "a player's end is lost, 120 s after its train should be over": Moment(
        MATCHED,
        TRAIN,
        102.0 + 9.0 + 120.0,
        [later(NO_END, 5)],
        "waiting",
        lambda s: (s.contact.stands, dict(s.known), s.recent_cycles),
        ("moving", {"north": Belief(1, "train"), "south": Belief(2, "train")}, 0),
        ("unknown", {}, 3),
    ),
    "dark, once the flash limit allows it after a train": Moment(
        MATCHED,
        [*TRAIN, on.SwitchOff(105.0), *(e._replace(at=105.0) for e in PLAYED), OVER._replace(at=105.0)],
        105.25,
        [HoldOpen()],
        "dark",
    ),
    "dark, once it allows it after a hold": Moment(
        MATCHED, [*OFF, *lit_again(103.125, 103.125), on.SwitchOff(103.25)], 104.0, [HoldOpen()], "dark"
    ),
    "dark, once it allows it after a start": Moment(
        UNLIT,
        [on.Started(50.0), on.ContactClosed(50.0, 50.0, 50.0), on.SwitchOff(50.25)],
        50.5,
        [HoldOpen()],
        "dark",
    ),
    "dark after a start without supply": Moment(
        UNLIT._replace(supply=False),
        [on.Started(50.0), on.ContactClosed(50.0, 50.0, 50.0), on.SwitchOff(50.25)],
        50.5,
        [HoldOpen()],
        "dark",
    ),
    "dark again, 5 s after an opening that failed": Moment(
        MATCHED,
        [on.SwitchOff(101.0), on.ContactUnknown(103.0, "no pin", 1), on.ContactClosed(104.0, 103.0, 104.0)],
        108.0,
        [HoldOpen()],
        "dark",
    ),
    "dark again, 5 s after it closed by itself": Moment(
        MATCHED, [*OFF, on.ContactRead(113.0, True, "by itself")], 118.0, [HoldOpen()], "dark"
    ),
    "a train that is planned waits for the flash limit after a hold": Moment(
        MATCHED,
        [*OFF, *lit_again(103.25, 103.25), on.Planned(103.5, 1, 3, 9.0, 2.0)],
        104.0,
        [SendTrain(1)],
        "sending",
    ),
    "and after a start": Moment(
        UNLIT,
        [on.Started(50.0), on.ContactClosed(50.0, 50.0, 50.0), on.Planned(50.25, 1, 3, 9.0, 2.0)],
        50.5,
        [SendTrain(1)],
        "sending",
    ),
    "and after a train": Moment(
        MATCHED,
        [
            *TRAIN,
            *(event._replace(at=105.0) for event in PLAYED),
            on.TrainEnded(105.0, "broken off", 3),
            on.Planned(105.125, 2, 3, 9.0, 2.0),
        ],
        105.25,
        [SendTrain(2)],
        "sending",
    ),
    "and after a contact that nobody knew of": Moment(
        MATCHED,
        [
            on.ContactUnknown(101.0, "no line", 1),
            on.ContactClosed(101.0, 101.0, 101.0),
            on.Planned(101.25, 1, 3, 9.0, 2.0),
        ],
        101.5,
        [SendTrain(1)],
        "sending",
    ),
    "an outage's trial is over": Moment(
        MATCHED,
        [on.SupplyLost(101.0), on.SupplyBack(110.0)],
        130.0,
        [plan(1, "rest", {}, "the supply came back")],
        "planning",
    ),
    "a train that failed is tried again": Moment(
        MATCHED,
        [*TRAIN, on.ContactClosed(103.0, 103.0, 103.0), on.TrainEnded(103.0, "failed", 1, "no line")],
        108.0,
        [plan(2, "rest", {}, PERSON)],
        "planning",
    ),
    "a planner that failed is asked again": Moment(
        MATCHED,
        [*ASKED, on.PlanFailed(102.0, 1, "no memory")],
        107.0,
        [plan(2, "rest", {}, PERSON)],
        "planning",
    ),
    "lamps of which something is known have settled": Moment(
        MATCHED,
        [*OFF, *lit_again(113.375, 115.0)],
        119.25,
        [plan(1, "rest", {"north": 1, "south": 1}, UNSURE)],
        "planning",
    ),
    "lamps that are on the scene have settled: matched": Moment(
        MATCHED._replace(rules=FIRST, scene="first"),
        [*OFF, *lit_again(113.375, 115.0)],
        119.25,
        [],
        "lit",
        indication,
        "slow",
        "steady",
    ),
    "the re-sync schedule": Moment(
        MATCHED._replace(rules=RULES._replace(resync_s=HOUR_S)),
        [],
        3700.0,
        [plan(1, "rest", {}, "the re-sync schedule")],
        "planning",
    ),
    "moving lamps drift, as often as is allowed": Moment(
        MATCHED._replace(rules=MOVING),
        [],
        1900.0,
        [plan(1, "rest", {}, "its moving lamps drift out of step")],
        "planning",
    ),
    "moving lamps drift, later than is allowed": Moment(
        MATCHED._replace(rules=MOVING._replace(rephase_per_h=100.0)),
        [],
        160.0,
        [plan(1, "rest", {}, "its moving lamps drift out of step")],
        "planning",
    ),
    "they drift from the end of the last train": Moment(
        MATCHED._replace(rules=MOVING),
        [*TRAIN, *PLAYED, OVER],
        1911.0,
        [plan(2, "rest", {}, "its moving lamps drift out of step")],
        "planning",
    ),
    "a train for lamps of which nothing is known will do whatever befalls them before it is sent": Moment(
        UNLIT,
        [
            on.Started(50.0),
            on.ContactClosed(50.0, 50.0, 50.0),
            on.Planned(50.25, 1, 3, 9.0, 2.0),
            on.Replaced(50.375, "north"),
        ],
        50.5,
        [SendTrain(1)],
        "sending",
    ),
    "the openings of a train whose end is lost are counted, whatever befell the lamps": Moment(
        MATCHED,
        [*TRAIN, on.Replaced(103.0, "north")],
        231.0,
        [later(NO_END, 5)],
        "waiting",
        lambda s: s.recent_cycles,
        0,
        3,
    ),
    "a request ends": Moment(
        MATCHED._replace(request=Wish("quiet", 100.0), known=QUIET),
        [],
        100.0 + 12 * HOUR_S,
        [plan(1, "rest", {"north": 2, "south": 2}, UNSURE)],
        "planning",
    ),
    "what was chosen at the pad ends": Moment(
        MATCHED._replace(hand=Wish("quiet", 100.0), known=QUIET),
        [],
        100.0 + 12 * HOUR_S,
        [plan(1, "rest", {"north": 2, "south": 2}, UNSURE)],
        "planning",
    ),
    "the relay's cycles of an hour": Moment(
        CAPPED._replace(cycles=((100.0, 5),)), ASKED, 3700.0, [plan(1, "rest", {}, PERSON)], "planning"
    ),
    "of several cycles the first is over first": Moment(
        CAPPED._replace(cycles=((99.0, 1), (100.0, 4))),
        ASKED,
        3699.0,
        [plan(1, "rest", {}, PERSON)],
        "planning",
    ),
}


@pytest.mark.parametrize("name", MOMENTS)
def test_it_acts_at_its_deadline_and_not_before(name: str) -> None:
    moment = MOMENTS[name]
    state = moment.state
    for event in moment.events:
        state, _ = step(state, event)
    state, woken = at_every_deadline(state, moment.at)
    assert moment.at not in woken
    assert state.deadline == moment.at
    early, nothing = step(state, on.Tick(before(moment.at)))
    assert nothing == ()
    assert early == state._replace(at=before(moment.at))
    assert moment.how(early) == moment.was
    assert early.deadline == moment.at
    late, actions = step(early, on.Tick(moment.at))
    assert list(actions) == list(moment.actions)
    assert late.phase == moment.phase
    assert moment.how(late) == moment.becomes
    assert late.deadline > moment.at


def at_every_deadline(state: CircuitState, until: float) -> tuple[CircuitState, list[float]]:
    """As the shell wakes it: at each deadline before ``until``, at which it does nothing that is seen."""
    woken = []
    while state.deadline < until:
        woken.append(state.deadline)
        state, actions = step(state, on.Tick(state.deadline))
        assert actions == ()
        state = state._replace(at=woken[-1])
    return state, woken


def test_a_train_that_waits_for_its_turn_is_not_taken_for_lost() -> None:
    """The planner has answered; how long other circuits' trains take is no matter of its limit."""
    state = MATCHED
    for event in TRAIN[:2]:
        state, actions = step(state, event)
    assert actions == (SendTrain(1),)
    state, actions = step(state, on.Tick(1000.0))
    assert (state.phase, state.contact, actions) == ("sending", MATCHED.contact, ())


@pytest.mark.parametrize(
    "events",
    [[*TRAIN, *PLAYED, OVER], [*TRAIN, on.Tick(231.0)], [*TRAIN[:2]], [*ASKED, on.Tick(281.0)]],
    ids=["a train is over", "its end is lost", "a train is planned", "its plan is lost"],
)
def test_nobody_is_waited_for_any_more(events: Sequence[on.Event]) -> None:
    state = MATCHED
    for event in events:
        state, _ = step(state, event)
    assert state.overdue_at == math.inf


def test_what_is_seen_while_a_train_waits_for_its_turn_changes_nothing_of_it() -> None:
    state = MATCHED
    for event in (*TRAIN[:2], on.Told(103.0, "north", 3)):
        state, _ = step(state, event)
    assert (state.known, state.phase) == (MATCHED.known, "sending")


def test_an_answer_in_time_is_not_lost() -> None:
    """At its limit, and before the clock says so."""
    state = MATCHED
    for event in (*ASKED, on.Refused(281.0, 1, "none"), on.Tick(281.0), on.Tick(2000.0)):
        state, actions = step(state, event)
    assert (state.phase, state.trouble, actions) == ("lit", "", ())


def test_each_failure_in_a_row_waits_twice_as_long_up_to_five_minutes() -> None:
    state, _ = step(MATCHED, on.ButtonShort(101.0))
    waits = []
    for number in range(1, 9):
        state, _ = step(state, on.PlanFailed(state.at, number, "no memory"))
        waits.append(state.retry_at - state.at)
        state, actions = step(state, on.Tick(state.retry_at))
        assert isinstance(actions[0], PlanTrain)
    assert waits == [5.0, 10.0, 20.0, 40.0, 80.0, 160.0, 300.0, 300.0]


def test_each_outage_within_the_hour_doubles_the_trial_up_to_a_quarter_of_an_hour() -> None:
    state, trials = MATCHED, []
    for number in range(8):
        for event in (on.SupplyLost(101.0 + 2 * number), on.SupplyBack(102.0 + 2 * number)):
            state, _ = step(state, event)
        trials.append(state.steady_until - state.at)
    assert trials == [20.0, 40.0, 80.0, 160.0, 320.0, 640.0, 900.0, 900.0]
    hour_on = 102.0 + HOUR_S
    for last, count in ((before(hour_on), 8), (hour_on, 7)):
        state, _ = step(state, on.Tick(last))
        assert len(state.outages) == count


ALONE: dict[str, tuple[Callable[[float], CircuitState], Callable[[CircuitState], bool]]] = {
    "cycles": (lambda at: MATCHED._replace(cycles=((at, 1),)), lambda s: not s.cycles),
    "request": (lambda at: MATCHED._replace(request=Wish("quiet", at)), lambda s: s.request is None),
    "supply": (lambda at: MATCHED._replace(supply_since=at), lambda s: s.settled),
}


@pytest.mark.parametrize("what", ALONE)
@given(at=st.floats(100.0, 1e8))
def test_a_deadline_is_never_missed_by_a_rounding(what: str, at: float) -> None:
    """What the deadline adds is what the facts compare with: or a train might wait for ever."""
    make, over = ALONE[what]
    state = make(at)._replace(at=at, steady=True)
    assert state.deadline > at
    state, _ = step(state, on.Tick(state.deadline))
    assert over(state)


def test_dark_is_wanted_while_the_contact_is_a_players() -> None:
    """Off breaks a train off, and the contact is let alone until the player has given it back."""
    state = MATCHED
    for event in (*TRAIN, on.SwitchOff(104.0), on.Tick(110.0)):
        state, actions = step(state, event)
    assert (state.phase, actions) == ("ending", ())
    for event in PLAYED:
        state, actions = step(state, event)
        assert actions == ()
    state, actions = step(state, on.TrainEnded(111.0, "broken off", 3))
    assert (state.phase, actions) == ("dark", (HoldOpen(),))
    state, _ = step(state, on.ContactUnknown(112.0, "no pin", 1))
    assert status(state).headline == LOST_DARK


def test_light_is_let_in_at_once_whatever_the_flash_limit() -> None:
    """It limits openings; nobody is left in the dark for it."""
    state = MATCHED
    for event in OFF:
        state, _ = step(state, event)
    state, actions = step(state, on.SwitchOn(103.0))
    assert (state.phase, actions) == ("lit", (LetClose(),))


def test_a_sense_that_flutters_for_an_hour_has_no_longer_a_trial() -> None:
    """Powers of two have an end, and a daemon that dies of them leaves a pool alone."""
    state = MATCHED._replace(outages=(100.0,) * 2000)
    for event in (on.SupplyLost(101.0), on.SupplyBack(102.0)):
        state, _ = step(state, event)
    assert state.steady_until == 1002.0

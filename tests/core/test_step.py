"""One circuit's decisions: stories as tables of events and the actions they must bring, and what always holds.

Lamps and scenes are invented.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sequencer.core import events as on
from sequencer.core.actions import Action, BreakOff, HoldOpen, LetClose, PlanTrain, SendTrain, Warn
from sequencer.core.contact import Bounds, Contact
from sequencer.core.state import HOUR_S, PRECEDENCE, Belief, CircuitState, LampRules, Rules
from sequencer.core.status import indication, status
from sequencer.core.step import TABLE, THEN, WHEN, step

RULES = Rules(
    circuit="lap-pool",
    lamps=(LampRules("north", "remembered", (1, 2, 3)), LampRules("south", "first", (1, 2, 3))),
    wanted={
        "evening": {"north": 1, "south": 2},
        "quiet": {"north": 2, "south": 2},
        "festival": {"north": 3, "south": 1},
    },
    favourites=("evening", "quiet"),
    settle_s=4.0,
    power_down_s=10.0,
    cycle_s=0.5,
    has_switch=True,
    steady_s=20.0,
    max_cycles_per_h=10,
)
LIT = Contact("closed", closed=Bounds(0.0, 0.0))
FRESH = CircuitState(RULES, "evening", contact=LIT)
MATCHED = FRESH._replace(
    at=100.0,
    known={"north": Belief(1, "train"), "south": Belief(2, "train")},
    synced_at=100.0,
    phased_at=100.0,
    clock=True,
)


def run(state: CircuitState, events: Sequence[on.Event]) -> tuple[CircuitState, list[Action]]:
    """With a contact that does at once as it is told; a train that held left its lamps settled."""
    actions: list[Action] = []
    for event in events:
        for told in (*contact_of_train(state, event), event):
            state, more = step(state, told)
            actions += more
            for action in more:
                state, later = step_all(state, contact_of(action, state.at))
                actions += later
    return state, actions


def step_all(state: CircuitState, events: Sequence[on.Event]) -> tuple[CircuitState, list[Action]]:
    actions: list[Action] = []
    for event in events:
        state, more = step(state, event)
        actions += more
    return state, actions


def contact_of(action: Action, at: float) -> Sequence[on.Event]:
    match action:
        case HoldOpen():
            return [on.ContactOpened(at, at, at)]
        case LetClose():
            return [on.ContactClosed(at, at, at)]
        case SendTrain():
            return [on.TrainBegins(at)]
    return []


def contact_of_train(state: CircuitState, event: on.Event) -> Sequence[on.Event]:
    if not isinstance(event, on.TrainEnded) or not state.with_player or not event.cycles:
        return []
    sent = event.outcome == "held" and state.number  # else the contact came to rest just now
    closed = event.at - (state.rules.settle_s if sent else 0.0)
    opened = on.ContactOpened(event.at, closed - 0.5, closed - 0.5, event.cycles)
    return [opened, on.ContactClosed(event.at, closed, closed)]


def plan(
    question: int, scene: str, start: str = "rest", known: dict[str, int] | None = None, why: str = ""
) -> PlanTrain:
    return PlanTrain(question, scene, start, known or {}, why, RULES.wanted[scene])  # type: ignore[arg-type]


KNOWN = {"north": 1, "south": 2}
UNCERTAIN = "not every lamp is certainly on the scene"
PERSON = "a person asked for it"

# name, state, events, actions (questions without their reason), phase, the lamps known
STORIES = {
    "at the start nothing is known": (
        FRESH,
        [on.Started(0.0)],
        [plan(1, "evening", "cut")],
        "planning",
        {},
    ),
    "the first train matches the lamps": (
        FRESH,
        [on.Started(0.0), on.Planned(1.0, 1, 5, 9.0, 2.0), on.TrainEnded(12.0, "held", 5)],
        [plan(1, "evening", "cut"), SendTrain(1)],
        "lit",
        KNOWN,
    ),
    "a player that outlived the last daemon is waited for": (
        FRESH,
        [on.Started(0.0, playing=True), on.Tick(1.0), on.TrainEnded(5.0, "held", 3)],
        [plan(1, "evening", "cut")],
        "planning",
        {},
    ),
    "matched lamps are left alone": (MATCHED, [on.Tick(200.0), on.ShowEnds(201.0)], [], "lit", KNOWN),
    "off is dark at once": (MATCHED, [on.SwitchOff(101.0)], [HoldOpen()], "dark", KNOWN),
    "off and on after a certain power-down: each lamp's memory": (
        MATCHED,
        [on.SwitchOff(101.0), on.SwitchOn(111.0), on.Tick(115.0)],
        [HoldOpen(), LetClose(), plan(1, "evening", "rest", {"north": 1, "south": 1})],
        "planning",
        {"north": 1, "south": 1},
    ),
    "off and on after less: nothing is known": (
        MATCHED,
        [on.SwitchOff(101.0), on.SwitchOn(110.9)],
        [HoldOpen(), LetClose(), plan(1, "evening", "cut")],
        "planning",
        {},
    ),
    "a flick is the next favourite": (
        MATCHED,
        [on.SwitchOff(101.0), on.Flicked(102.0)],
        [HoldOpen(), LetClose(), plan(1, "quiet", "cut")],
        "planning",
        {},
    ),
    "so is a long press, from what is known": (
        MATCHED,
        [on.ButtonLong(101.0)],
        [plan(1, "quiet", "rest", KNOWN)],
        "planning",
        KNOWN,
    ),
    "after the last favourite comes the first": (
        MATCHED,
        [on.ButtonLong(101.0), on.ButtonLong(102.0)],
        [plan(1, "quiet", "rest", KNOWN)],
        "lit",
        KNOWN,
    ),
    "a short press is a full train": (
        MATCHED,
        [on.ButtonShort(101.0)],
        [plan(1, "evening")],
        "planning",
        KNOWN,
    ),
    "off in a train: broken off, then dark by the flash limit": (
        MATCHED,
        [
            on.ButtonShort(101.0),
            on.Planned(102.0, 1, 5, 9.0, 2.0),
            on.SwitchOff(103.0),
            on.TrainEnded(104.0, "broken off", 2),
            on.Tick(104.4),
            on.Tick(104.5),
        ],
        [plan(1, "evening"), SendTrain(1), BreakOff(at_once=False), HoldOpen()],
        "dark",
        {},
    ),
    "off while planning: nothing is sent": (
        MATCHED,
        [on.ButtonShort(101.0), on.SwitchOff(102.0), on.Planned(103.0, 1, 5, 9.0, 2.0)],
        [plan(1, "evening"), HoldOpen()],
        "dark",
        KNOWN,
    ),
    "supply lost and back: nothing is known, and the supply is first on trial": (
        MATCHED,
        [on.SupplyLost(101.0), on.SupplyBack(131.0), on.Tick(150.9), on.Tick(151.0)],
        [plan(1, "evening", "rest")],
        "planning",
        {},
    ),
    "each further outage within the hour doubles the trial": (
        MATCHED,
        [
            on.SupplyLost(101.0),
            on.SupplyBack(131.0),
            on.SupplyLost(132.0),
            on.SupplyBack(133.0),
            on.Tick(172.9),
            on.Tick(173.0),
        ],
        [plan(1, "evening", "rest")],
        "planning",
        {},
    ),
    "supply lost in a train: its proof does not count, however it ends": (
        MATCHED,
        [
            on.ButtonShort(101.0),
            on.Planned(102.0, 1, 5, 9.0, 2.0),
            on.SupplyLost(103.0),
            on.SupplyBack(104.0),
            on.TrainEnded(111.0, "held", 5),
        ],
        [plan(1, "evening"), SendTrain(1), BreakOff(at_once=False)],
        "waiting",
        {},
    ),
    "a lost relay is tried again, later each time": (
        MATCHED,
        [
            on.ButtonShort(101.0),
            on.Planned(102.0, 1, 5, 9.0, 2.0),
            on.TrainEnded(103.0, "failed", 1, "no adapter"),
            on.Tick(107.9),
            on.Tick(108.0),
            on.Planned(108.0, 2, 3, 9.0, 2.0),
            on.TrainEnded(109.0, "failed", 1, "no adapter"),
            on.Tick(118.9),
            on.Tick(119.0),
        ],
        [
            plan(1, "evening"),
            SendTrain(1),
            Warn("a train was not sent as planned: no adapter; the next try comes in 5 s"),
            plan(2, "evening", "rest"),
            SendTrain(2),
            Warn("a train was not sent as planned: no adapter; the next try comes in 10 s"),
            plan(3, "evening", "rest"),
        ],
        "planning",
        {},
    ),
    "a spoiled train leaves nothing known": (
        MATCHED,
        [
            on.ButtonShort(101.0),
            on.Planned(102.0, 1, 5, 9.0, 2.0),
            on.TrainEnded(111.0, "spoiled", 5, "edge 3 came too far from its time"),
        ],
        [
            plan(1, "evening"),
            SendTrain(1),
            Warn(
                "a train was not sent as planned: edge 3 came too far from its time; the next try comes in 5 s"
            ),
        ],
        "waiting",
        {},
    ),
    "people in the water hold a train back": (
        MATCHED,
        [on.Occupied(101.0, True), on.ButtonLong(102.0), on.Tick(900.0), on.Occupied(901.0, False)],
        [plan(1, "quiet", "rest", KNOWN)],
        "planning",
        KNOWN,
    ),
    "people who come into the water in a train get light at once": (
        MATCHED,
        [on.ButtonShort(101.0), on.Planned(102.0, 1, 5, 9.0, 2.0), on.Occupied(103.0, True)],
        [plan(1, "evening"), SendTrain(1), BreakOff(at_once=True)],
        "ending",
        KNOWN,
    ),
    "quiet hours hold a train back": (
        MATCHED,
        [on.Quiet(101.0, True), on.ButtonShort(102.0), on.Quiet(103.0, False)],
        [plan(1, "evening")],
        "planning",
        KNOWN,
    ),
    "the relay's cycles of an hour are capped": (
        MATCHED._replace(cycles=((50.0, 6),)),
        [
            on.ButtonShort(101.0),
            on.Planned(102.0, 1, 5, 9.0, 2.0),
            on.Tick(3649.9),
            on.Tick(3650.0),
            on.Planned(3651.0, 2, 5, 9.0, 2.0),
        ],
        [plan(1, "evening"), plan(2, "evening"), SendTrain(2)],
        "sending",
        KNOWN,
    ),
    "darkness by the switch is among them": (
        MATCHED._replace(cycles=((50.0, 9),)),
        [on.SwitchOff(101.0), on.SwitchOn(102.0), on.Tick(3649.9), on.Tick(3650.0)],
        [HoldOpen(), LetClose(), plan(1, "evening", "rest")],
        "planning",
        {},
    ),
    "a long train that waits for the cap does not make a short one wait": (
        MATCHED._replace(cycles=((50.0, 6),)),
        [on.Asked(101.0, "quiet"), on.Planned(102.0, 1, 5, 9.0, 2.0), on.Asked(103.0, "festival")],
        [plan(1, "quiet", "rest", KNOWN), plan(2, "festival", "rest", KNOWN)],
        "planning",
        KNOWN,
    ),
    "a train that takes more than an hour may have is none": (
        MATCHED,
        [on.ButtonShort(101.0), on.Planned(102.0, 1, 11, 9.0, 2.0)],
        [
            plan(1, "evening"),
            Warn("no train to evening: its train takes 11 relay cycles, and max_cycles_per_h is 10"),
        ],
        "lit",
        KNOWN,
    ),
    "a show comes once the clock is trusted, and ends": (
        MATCHED._replace(clock=False),
        [
            on.ShowBegins(101.0, "festival", "Fridays"),
            on.Tick(102.0),
            on.ClockTrusted(103.0),
            on.Planned(104.0, 1, 4, 9.0, 2.0),
            on.TrainEnded(113.0, "held", 4),
            on.ShowEnds(200.0),
        ],
        [plan(1, "festival", "rest", KNOWN), SendTrain(1)],
        "lit",
        {"north": 3, "south": 1},
    ),
    "steady: no trains, whatever the calendar says, until taken back": (
        MATCHED,
        [on.Steady(101.0), on.ShowBegins(102.0, "festival", ""), on.Tick(103.0), on.TakenBack(104.0)],
        [plan(1, "festival", "rest", KNOWN)],
        "planning",
        KNOWN,
    ),
    "what a person sees corrects the belief": (
        MATCHED,
        [on.Told(101.0, "north", 3)],
        [plan(1, "evening", "rest", {"north": 3, "south": 2})],
        "planning",
        {"north": 3, "south": 2},
    ),
    "told while the lamps may still be counting: not believed": (
        MATCHED._replace(known={}, contact=Contact("closed", closed=Bounds(99.0, 99.0)), quiet=True),
        [on.Told(101.0, "north", 3)],
        [Warn("north: told too early: its lamps must have been lit and left alone")],
        "waiting",
        {},
    ),
    "another lamp: the supply was cut to hang it": (
        MATCHED,
        [on.Replaced(101.0, "north")],
        [plan(1, "evening", "cut")],
        "planning",
        {},
    ),
    "another lamp, hung in the dark": (
        MATCHED,
        [on.SwitchOff(101.0), on.Replaced(150.0, "north"), on.SwitchOn(200.0), on.Tick(204.0)],
        [HoldOpen(), LetClose(), plan(1, "evening", "rest", {"south": 1})],
        "planning",
        {"south": 1},
    ),
    "no train from any belief: said, and not asked again": (
        FRESH,
        [on.Started(0.0), on.Refused(1.0, 1, "a lamp never forgets"), on.Tick(5000.0)],
        [plan(1, "evening", "cut"), Warn("no train to evening: a lamp never forgets")],
        "lit",
        {},
    ),
    "a planner that failed is asked again later": (
        MATCHED,
        [on.ButtonShort(101.0), on.PlanFailed(102.0, 1, "out of memory"), on.Tick(106.9), on.Tick(107.0)],
        [
            plan(1, "evening"),
            Warn("no train was planned: out of memory; the next try comes in 5 s"),
            plan(2, "evening"),
        ],
        "planning",
        KNOWN,
    ),
    "until a person tells": (
        FRESH,
        [
            on.Started(0.0),
            on.Refused(1.0, 1, "a lamp never forgets"),
            on.Told(10.0, "north", 3),
            on.Told(11.0, "south", 2),
        ],
        [
            plan(1, "evening", "cut"),
            Warn("no train to evening: a lamp never forgets"),
            plan(2, "evening", "rest", {"north": 3}),
            plan(3, "evening", "rest", {"north": 3, "south": 2}),
        ],
        "planning",
        {"north": 3, "south": 2},
    ),
    "a scheduled full train that cannot be had leaves what is known": (
        MATCHED._replace(rules=RULES._replace(resync_s=3600.0)),
        [on.Tick(3700.0), on.Refused(3701.0, 1, "a lamp never forgets"), on.Tick(3800.0)],
        [plan(1, "evening")],
        "lit",
        KNOWN,
    ),
    "nothing need be sent": (
        MATCHED._replace(known={"north": Belief(1, "person")}),
        [on.Tick(101.0), on.Planned(102.0, 1, 0, 0.0, 0.0)],
        [plan(1, "evening", "rest", {"north": 1})],
        "lit",
        KNOWN,
    ),
    "the contact that cannot be held open": (
        MATCHED,
        [on.SwitchOff(101.0), on.ContactUnknown(101.0, "no pin", 1), on.Tick(105.9), on.Tick(106.0)],
        [HoldOpen(), Warn("no pin"), HoldOpen()],
        "dark",
        {},
    ),
    "between shows it may be dark": (
        MATCHED._replace(rules=RULES._replace(between_dark=True), show="evening"),
        [on.ShowEnds(101.0), on.ShowBegins(200.0, "evening", ""), on.Tick(204.0)],
        [HoldOpen(), LetClose(), plan(1, "evening", "rest", {"north": 1, "south": 1})],
        "planning",
        {"north": 1, "south": 1},
    ),
    "until the clock is trusted nobody knows that nothing is due: lit": (
        FRESH._replace(rules=RULES._replace(between_dark=True)),
        [on.Started(0.0), on.Tick(60.0), on.ClockTrusted(61.0)],
        [plan(1, "evening", "cut"), HoldOpen()],
        "dark",
        {},
    ),
    "what there was no train for may have one after a power-down": (
        MATCHED._replace(known={}),
        [
            on.Tick(101.0),
            on.Refused(102.0, 1, "none"),
            on.SwitchOff(103.0),
            on.SwitchOn(113.0),
            on.Tick(117.0),
        ],
        [
            plan(1, "evening"),
            Warn("no train to evening: none"),
            HoldOpen(),
            LetClose(),
            plan(2, "evening", "rest", {"south": 1}),
        ],
        "planning",
        {"south": 1},
    ),
    "a supply that came back in the dark is on trial all the same": (
        MATCHED,
        [
            on.SwitchOff(101.0),
            on.SupplyLost(102.0),
            on.SupplyBack(120.0),
            on.SwitchOn(121.0),
            on.Tick(139.9),
        ],
        [HoldOpen(), LetClose()],
        "waiting",
        {"north": 1, "south": 1},
    ),
    "an answer to an old question is not sent": (
        MATCHED,
        [
            on.ButtonLong(101.0),
            on.Asked(102.0, "festival"),
            on.TakenBack(103.0),
            on.Planned(104.0, 1, 4, 9.0, 2.0),
        ],
        [plan(1, "quiet", "rest", KNOWN)],
        "lit",
        KNOWN,
    ),
    "moving lamps are brought into step again": (
        MATCHED._replace(rules=RULES._replace(in_step_s={"evening": 60.0}, rephase_per_h=2.0)),
        [on.Tick(1899.9), on.Tick(1900.0)],
        [plan(1, "evening")],
        "planning",
        KNOWN,
    ),
}


@pytest.mark.parametrize("name", STORIES)
def test_story(name: str) -> None:
    state, events, expected, phase, known = STORIES[name]  # type: ignore[misc]
    state, actions = run(state, events)
    said = [a._replace(why="") if isinstance(a, PlanTrain) else a for a in actions]
    assert said == expected
    assert state.phase == phase
    assert {lamp: belief.code for lamp, belief in state.known.items()} == known


# Whose word counts: each speaks, in this order, and the one further up is obeyed.
SPEAK: dict[str, on.Event] = {
    "off": on.SwitchOff(105.0),
    "steady": on.Steady(104.0),
    "hand": on.ButtonLong(103.0),
    "request": on.Asked(102.0, "quiet"),
    "calendar": on.ShowBegins(101.0, "festival", ""),
}


@pytest.mark.parametrize("silent", range(len(PRECEDENCE)))
def test_precedence(silent: int) -> None:
    """With the first ``silent`` saying nothing, the next is obeyed, whatever the rest say."""
    names = [name for name, _, _ in PRECEDENCE]
    assert names == [*SPEAK, "memory"]
    state, _ = run(MATCHED, [SPEAK[name] for name in reversed(names[silent:-1])])
    assert state.rank == names[silent]
    assert state.off == (names[silent] == "off")
    scenes = {
        "hand": "evening",
        "request": "quiet",
        "calendar": "festival",
        "memory": "evening",
    }
    if names[silent] in scenes:
        # a long press goes on from what was wanted then: the request for "quiet", the last favourite
        assert state.wanted == scenes[names[silent]]


def test_an_untrusted_clock_silences_the_calendar() -> None:
    state, _ = run(MATCHED._replace(clock=False), [on.ShowBegins(101.0, "festival", "")])
    assert (state.rank, state.wanted) == ("memory", "evening")


def test_a_wish_ends_with_time_and_with_the_switch() -> None:
    state, _ = run(MATCHED, [on.ButtonLong(101.0)])
    assert state.wanted == "quiet"
    later, _ = run(state, [on.Tick(101.0 + 12 * 3600)])
    assert later.hand is None
    off, _ = run(state, [on.SwitchOff(200.0)])
    assert off.hand is not None  # it may be a flick
    back, _ = run(off, [on.SwitchOn(300.0)])
    assert back.hand is None


def test_every_word_of_the_table_has_a_meaning_and_a_use() -> None:
    assert {name for row in TABLE for name in row.when} == set(WHEN)
    assert {name for row in TABLE for name in row.then} == set(THEN)


INDICATIONS = [
    (MATCHED, "steady"),
    (MATCHED._replace(steady=True, known={}), "steady"),
    (MATCHED._replace(phase="planning", known={}), "slow"),
    (MATCHED._replace(phase="sending"), "slow"),
    (MATCHED._replace(trouble="no adapter"), "fast"),
    (MATCHED._replace(phase="unpowered", known={}), "fast"),
    (MATCHED._replace(refused={"evening": "no"}, known={}), "fast"),
    (MATCHED._replace(phase="dark"), "dark"),
]


@pytest.mark.parametrize(("state", "shown"), INDICATIONS)
def test_indicator(state: CircuitState, shown: str) -> None:
    assert indication(state) == shown


def test_status_says_what_why_and_what_it_costs() -> None:
    moving = MATCHED._replace(
        rules=RULES._replace(in_step_s={"evening": 60.0}, rephase_per_h=2.0),
        full_cycles={"evening": 5, "quiet": 9},
        show="evening",
        slot="Fridays",
    )
    said = status(moving)
    assert said.headline == "every lamp on evening"
    assert said.reasons == (
        "evening: the calendar (Fridays)",
        (
            "evening moves, and its lamps stay in step to the eye for about 60 s; "
            "it is sent again every 30 min, 10.0 relay cycles an hour"
        ),
    )
    assert [(lamp.lamp, lamp.code, lamp.by) for lamp in said.lamps] == [
        ("north", 1, "train"),
        ("south", 2, "train"),
    ]


AT = st.floats(0.0, 30.0)
EVENTS = st.one_of(
    st.builds(on.SwitchOn, AT),
    st.builds(on.SwitchOff, AT),
    st.builds(on.Flicked, AT),
    st.builds(on.ButtonShort, AT),
    st.builds(on.ButtonLong, AT),
    st.builds(on.ShowBegins, AT, st.sampled_from(["evening", "festival"]), st.just("")),
    st.builds(on.ShowEnds, AT),
    st.builds(on.Asked, AT, st.sampled_from(["evening", "quiet", "festival"])),
    st.builds(on.TakenBack, AT),
    st.builds(on.Steady, AT),
    st.builds(on.Told, AT, st.sampled_from(["north", "south"]), st.integers(1, 3)),
    st.builds(on.Replaced, AT, st.sampled_from(["north", "south"])),
    st.builds(on.SupplyLost, AT),
    st.builds(on.SupplyBack, AT),
    st.builds(on.Occupied, AT, st.booleans()),
    st.builds(on.Quiet, AT, st.booleans()),
    st.builds(on.ClockTrusted, AT),
    st.builds(on.Planned, AT, st.integers(1, 5), st.integers(0, 12), st.just(9.0), st.just(1.0)),
    st.builds(on.Refused, AT, st.integers(1, 5), st.just("no")),
    st.builds(on.PlanFailed, AT, st.integers(1, 5), st.just("no")),
    st.builds(
        on.TrainEnded, AT, st.sampled_from(["held", "spoiled", "broken off", "failed"]), st.integers(0, 5)
    ),
    st.builds(on.Tick, AT),
)


def test_a_train_of_an_earlier_start_is_not_said_to_be_broken_off() -> None:
    state, actions = run(FRESH, [on.Started(0.0, playing=True), on.SwitchOff(1.0), on.Occupied(2.0, True)])
    assert actions == []
    assert status(state).headline == "a train of an earlier start is sent to its end"


def test_plain_light_that_somebody_wants_is_no_failure() -> None:
    state, _ = run(MATCHED, [on.ButtonLong(101.0), on.Refused(102.0, 1, "none")])
    assert indication(state) == "fast"
    assert indication(run(state, [on.Steady(103.0)])[0]) == "steady"


def test_the_train_that_is_sent_is_named_whatever_is_wanted_by_now() -> None:
    state, _ = run(
        MATCHED, [on.ButtonLong(101.0), on.Planned(102.0, 1, 5, 9.0, 2.0), on.Asked(103.0, "festival")]
    )
    state, _ = run(state, [on.TakenBack(104.0)])
    assert state.wanted == "evening"
    assert status(state).headline == "sending the train to quiet"


@settings(max_examples=300)
@given(st.lists(EVENTS, max_size=40))
def test_whatever_happens(drawn: list[on.Event]) -> None:
    """The table never turns in a circle, a train and a held contact never meet, and off is obeyed in time."""
    state, at, held = FRESH, 0.0, False
    opened = ended = 0
    for event in [on.Started(0.0), *drawn]:
        at += event.at
        due = event._replace(at=at)
        ended += event.cycles if contact_of_train(state, due) else 0
        state, actions = run(state, [due])  # type: ignore[assignment]
        for action in actions:
            assert isinstance(action, HoldOpen) <= (not held)
            assert isinstance(action, LetClose) <= held
            held = (held or isinstance(action, HoldOpen)) and not isinstance(action, LetClose)
            assert not (isinstance(action, SendTrain) and held)
        assert held == (state.phase == "dark")
        assert state.deadline > at
        if state.off and not state.with_player and at >= state.may_open_at:
            assert state.phase == "dark"
        if state.phase == "unpowered":
            assert not state.known
        assert state.lit_since == math.inf or state.supply
        opened += sum(isinstance(action, HoldOpen) for action in actions)
        if at < HOUR_S:
            assert state.recent_cycles == opened + ended

"""What follows from what the contact did: darkness, supply, the flash limit and what is known, within bounds.

Written from the promise: an opening and a closing happened not before they were commanded and not after they were
confirmed; the relay's own delay comes on top; what lies between is taken at its worst. Every length here is a binary
fraction, so that sums are exact.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import NamedTuple

import pytest

from sequencer.core import events as on
from sequencer.core.contact import Bounds, Contact
from sequencer.core.state import Belief, CircuitState, LampRules, Rules
from sequencer.core.status import indication, status
from sequencer.core.step import step

RULES = Rules(
    circuit="lap-pool",
    lamps=(LampRules("north", "remembered", (1, 2, 3)), LampRules("south", "first", (1, 2, 3))),
    wanted={"evening": {"north": 1, "south": 2}, "quiet": {"north": 2, "south": 2}},
    favourites=("evening", "quiet"),
    settle_s=4.0,
    power_down_s=10.0,
    cycle_s=0.5,
    make_s=(0.125, 0.25),
    break_s=(0.0625, 0.5),
    has_switch=True,
    steady_s=20.0,
    max_cycles_per_h=100,
)
KNOWN = {"north": Belief(1, "train"), "south": Belief(2, "train")}
LONG_LIT = Contact("closed", closed=Bounds(0.0, 0.0))
MATCHED = CircuitState(
    RULES, "evening", at=100.0, contact=LONG_LIT, known=KNOWN, clock=True, synced_at=100.0, phased_at=100.0
)
NEVER = Bounds()
LONG_AGO = Bounds(0.0, 0.0)
NOBODY_KNOWS = Contact("unknown", NEVER, LONG_AGO)

OFF = (on.SwitchOff(101.0), on.ContactOpened(103.0, 101.0, 103.0))
"""Commanded open at 101, confirmed at 103: open between 101.0625 and 103.5."""
OPENED = Bounds(101.0625, 103.5)
TRAIN = (on.ButtonShort(101.0), on.Planned(102.0, 1, 3, 9.0, 2.0), on.TrainBegins(102.0))
PLAYED = (on.ContactOpened(111.0, 104.0, 104.25, 3), on.ContactClosed(111.0, 105.0, 105.5))
"""What the log of a train says that was over at 111."""


def lit_again(commanded: float, confirmed: float) -> tuple[on.Event, ...]:
    return (on.SwitchOn(commanded), on.ContactClosed(confirmed, commanded, confirmed))


def before(at: float) -> float:
    """The last moment that is not yet ``at``."""
    return math.nextafter(at, -math.inf)


class After(NamedTuple):
    """What must hold once the events are told; ``known``: codes."""

    contact: Contact
    lit_since: float
    may_open_at: float
    known: Mapping[str, int] = {}
    phase: str = "planning"
    said: str = "closed"
    headline: str = "working out the train to evening"
    cycles: Sequence[tuple[float, int]] = ()
    indication: str = "slow"


AS_BEFORE = {"north": 1, "south": 2}
BY_MEMORY = {"north": 1, "south": 1}
LOST_DARK = "contact not confirmed: dark is wanted, and nobody knows whether the lamps are lit"
LOST_LIT = "contact not confirmed: light is wanted, and nobody knows whether the lamps are lit"
WAITS = "a train to evening waits"

HELD_OPEN = After(
    Contact("open", OPENED, LONG_AGO),
    math.inf,
    104.0,
    AS_BEFORE,
    "dark",
    "open",
    "dark",
    [(103.0, 1)],
    "dark",
)
CASES: dict[str, tuple[CircuitState, Sequence[on.Event], After]] = {
    "an opening that is commanded": (
        MATCHED,
        OFF[:1],
        After(
            Contact("moving", NEVER, LONG_AGO),
            math.inf,
            -math.inf,
            AS_BEFORE,
            "dark",
            "moving",
            "dark",
            indication="dark",
        ),
    ),
    "an opening that is confirmed counts from its command to its confirmation, and the relay's own delay": (
        MATCHED,
        OFF,
        HELD_OPEN,
    ),
    "a darkness that may have been shorter than a power-down leaves nothing known": (
        MATCHED,
        [*OFF, *lit_again(before(113.375), 115.0)],
        After(Contact("closed", OPENED, Bounds(before(113.5), 115.25)), 115.25, 104.0, cycles=[(103.0, 1)]),
    ),
    "one that certainly was as long leaves what the lamps' memory makes of it": (
        MATCHED,
        [*OFF, *lit_again(113.375, 115.0)],
        After(
            Contact("closed", OPENED, Bounds(113.5, 115.25)),
            115.25,
            104.0,
            BY_MEMORY,
            "waiting",
            headline=WAITS,
            cycles=[(103.0, 1)],
        ),
    ),
    "darkness of a switch that was long off, opened late: by the contact alone": (
        MATCHED,
        [on.SwitchOff(101.0), on.ContactOpened(190.0, 101.0, 190.0), *lit_again(199.0, 199.0)],
        After(
            Contact("closed", Bounds(101.0625, 190.5), Bounds(199.125, 199.25)),
            199.25,
            191.0,
            cycles=[(190.0, 1)],
        ),
    ),
    "in a darkness without supply nothing is made of its length": (
        MATCHED,
        [*OFF, on.SupplyLost(110.0), *lit_again(150.0, 150.0)],
        After(
            Contact("closed", OPENED, Bounds(150.125, 150.25)),
            math.inf,
            104.0,
            phase="unpowered",
            headline="no supply",
            cycles=[(103.0, 1)],
            indication="fast",
        ),
    ),
    "supply counts from its return where that is later": (
        MATCHED,
        [on.SupplyLost(101.0), on.SupplyBack(110.0)],
        After(LONG_LIT, 110.0, -math.inf, phase="waiting", headline=WAITS),
    ),
    "supply that came back in the dark counts from the closing": (
        MATCHED,
        [*OFF, on.SupplyLost(104.0), on.SupplyBack(110.0), *lit_again(130.0, 131.0)],
        After(
            Contact("closed", OPENED, Bounds(130.125, 131.25)),
            131.25,
            104.0,
            BY_MEMORY,
            "waiting",
            headline=WAITS,
            cycles=[(103.0, 1)],
        ),
    ),
    "to hang another lamp the supply was cut": (
        MATCHED,
        [on.Replaced(101.0, "north")],
        After(LONG_LIT, 101.0, -math.inf),
    ),
    "read open while it is held: as it was": (MATCHED, [*OFF, on.ContactRead(113.0, False)], HELD_OPEN),
    "read closed while it is held: nobody knows since when, and the next try is later": (
        MATCHED,
        [*OFF, on.ContactRead(113.0, True, "by itself")],
        After(
            Contact("unknown", OPENED, LONG_AGO),
            math.inf,
            118.0,
            {},
            "lit",
            "not confirmed",
            LOST_DARK,
            [(103.0, 1)],
            "fast",
        ),
    ),
    "it cannot be read: it is still held, and nothing is known": (
        MATCHED,
        [*OFF, on.ContactRead(113.0, None, "no line")],
        After(
            Contact("unknown", OPENED, LONG_AGO),
            math.inf,
            104.0,
            {},
            "dark",
            "not confirmed",
            LOST_DARK,
            [(103.0, 1)],
            "fast",
        ),
    ),
    "read open again: it may have been closed until just now": (
        MATCHED,
        [*OFF, on.ContactRead(113.0, None, "no line"), on.ContactRead(123.0, False)],
        After(
            Contact("open", Bounds(101.0625, 123.0), LONG_AGO),
            math.inf,
            104.0,
            {},
            "dark",
            "open",
            "dark",
            [(103.0, 1)],
            "dark",
        ),
    ),
    "so that its darkness counts from then: just too short": (
        MATCHED,
        [
            *OFF,
            on.ContactRead(113.0, None, "no line"),
            on.ContactRead(123.0, False),
            *lit_again(before(132.875), 133.0),
        ],
        After(
            Contact("closed", Bounds(101.0625, 123.0), Bounds(before(133.0), 133.25)),
            133.25,
            104.0,
            cycles=[(103.0, 1)],
        ),
    ),
    "so that its darkness counts from then: just long enough": (
        MATCHED,
        [
            *OFF,
            on.ContactRead(113.0, None, "no line"),
            on.ContactRead(123.0, False),
            *lit_again(132.875, 133.0),
        ],
        After(
            Contact("closed", Bounds(101.0625, 123.0), Bounds(133.0, 133.25)),
            133.25,
            104.0,
            {"south": 1},
            "waiting",
            headline=WAITS,
            cycles=[(103.0, 1)],
        ),
    ),
    "read closed just before it is let go: its darkness is not counted": (
        MATCHED,
        [
            *OFF,
            on.SwitchOn(150.0),
            on.ContactRead(150.0, True, "by itself"),
            on.ContactClosed(150.0, 150.0, 150.0),
        ],
        After(
            Contact("closed", OPENED, Bounds(150.125, 150.25)),
            150.25,
            150.5,
            cycles=[(103.0, 1)],
            indication="fast",
        ),
    ),
    "not to be read just before it is let go: its darkness is not counted": (
        MATCHED,
        [
            *OFF,
            on.SwitchOn(150.0),
            on.ContactRead(150.0, None, "no line"),
            on.ContactClosed(150.0, 150.0, 150.0),
        ],
        After(
            Contact("closed", OPENED, Bounds(150.125, 150.25)),
            150.25,
            104.0,
            cycles=[(103.0, 1)],
            indication="fast",
        ),
    ),
    "a reading of a contact that is at rest says nothing": (
        MATCHED,
        [on.ContactRead(101.0, None, "no line")],
        After(
            LONG_LIT, 0.0, -math.inf, AS_BEFORE, "lit", headline="every lamp on evening", indication="steady"
        ),
    ),
    "it could not be opened: perhaps it was, and counts against the flash limit": (
        MATCHED,
        [on.SwitchOff(101.0), on.ContactUnknown(103.0, "no pin", 1)],
        After(NOBODY_KNOWS, math.inf, 108.0, {}, "lit", "not confirmed", LOST_DARK, [(103.0, 1)], "fast"),
    ),
    "the retry of an opening that failed is never sooner than the flash limit": (
        MATCHED._replace(rules=RULES._replace(cycle_s=8.0)),
        [on.SwitchOff(101.0), on.ContactUnknown(103.0, "no pin", 1)],
        After(NOBODY_KNOWS, math.inf, 111.0, {}, "lit", "not confirmed", LOST_DARK, [(103.0, 1)], "fast"),
    ),
    "it could not be let close: light is wanted, and nobody knows": (
        MATCHED,
        [*OFF, on.SwitchOn(150.0), on.ContactUnknown(151.0, "no line")],
        After(
            Contact("unknown", OPENED, LONG_AGO),
            math.inf,
            151.5,
            {},
            "waiting",
            "not confirmed",
            LOST_LIT,
            [(103.0, 1)],
            "fast",
        ),
    ),
    "unknown while planning: the train waits, and what is planned is forgotten": (
        MATCHED,
        [*TRAIN[:1], on.ContactUnknown(101.5, "no line"), *TRAIN[1:2]],
        After(NOBODY_KNOWS, math.inf, 102.0, {}, "waiting", "not confirmed", LOST_LIT, indication="fast"),
    ),
    "unknown while waiting": (
        MATCHED._replace(quiet=True),
        [on.ButtonShort(101.0), on.ContactUnknown(101.5, "no line", 2)],
        After(NOBODY_KNOWS, math.inf, 102.0, {}, "waiting", "not confirmed", LOST_LIT, [(101.5, 2)], "fast"),
    ),
    "unknown without supply": (
        MATCHED,
        [on.SupplyLost(101.0), on.ContactUnknown(102.0, "no line")],
        After(NOBODY_KNOWS, math.inf, 102.5, {}, "unpowered", "not confirmed", LOST_LIT, indication="fast"),
    ),
    "unknown in a train: its player still has the contact, and its end says what failed": (
        MATCHED,
        [*TRAIN, on.ContactUnknown(104.0, "no log", 3)],
        After(
            NOBODY_KNOWS,
            math.inf,
            104.5,
            {},
            "sending",
            "not confirmed",
            "sending the train to evening",
            [(104.0, 3)],
        ),
    ),
    "a train that begins: a player has the contact": (
        MATCHED,
        TRAIN,
        After(
            Contact("moving", NEVER, LONG_AGO),
            math.inf,
            -math.inf,
            AS_BEFORE,
            "sending",
            "moving",
            "sending the train to evening",
        ),
    ),
    "a train that held: supply counts from its last closing, the flash limit from its last opening": (
        MATCHED,
        [*TRAIN, *PLAYED, on.TrainEnded(111.0, "held", 3)],
        After(
            Contact("closed", Bounds(104.0625, 104.75), Bounds(105.125, 105.75)),
            105.75,
            105.25,
            AS_BEFORE,
            "lit",
            headline="every lamp on evening",
            cycles=[(111.0, 3)],
            indication="steady",
        ),
    ),
    "what a train leaves is said by its end, not by the length of its last break": (
        MATCHED,
        [
            *TRAIN,
            on.ContactOpened(130.0, 104.0, 104.0, 1),
            on.ContactClosed(130.0, 120.0, 120.0),
            on.TrainEnded(130.0, "broken off", 1),
        ],
        After(
            Contact("closed", Bounds(104.0625, 104.5), Bounds(120.125, 120.25)),
            120.25,
            105.0,
            cycles=[(130.0, 1)],
        ),
    ),
    "a log that comes after its train was given up takes no limit back": (
        MATCHED,
        [*TRAIN, on.ContactUnknown(110.0, "no log", 3), *PLAYED[:1]],
        After(
            Contact("open", Bounds(104.0625, 104.75), LONG_AGO),
            math.inf,
            110.5,
            {},
            "sending",
            "open",
            "sending the train to evening",
            [(110.0, 3), (111.0, 3)],
        ),
    ),
    "until then its last break, however long, changes nothing": (
        MATCHED,
        [*TRAIN, on.ContactOpened(130.0, 104.0, 104.0, 1), on.ContactClosed(130.0, 120.0, 120.0)],
        After(
            Contact("closed", Bounds(104.0625, 104.5), Bounds(120.125, 120.25)),
            120.25,
            105.0,
            AS_BEFORE,
            "sending",
            headline="sending the train to evening",
            cycles=[(130.0, 1)],
        ),
    ),
    "a reading of a contact that a player has says nothing": (
        MATCHED,
        [*TRAIN, on.ContactRead(103.0, False), on.ContactRead(103.0, None, "no line")],
        After(
            Contact("moving", NEVER, LONG_AGO),
            math.inf,
            -math.inf,
            AS_BEFORE,
            "sending",
            "moving",
            "sending the train to evening",
        ),
    ),
    "a train that never had its turn keeps what is known": (
        MATCHED,
        [*TRAIN[:2], on.Quiet(102.5, True), on.TrainEnded(103.0, "not begun", 0)],
        After(LONG_LIT, 0.0, -math.inf, AS_BEFORE, "waiting", headline=WAITS),
    ),
    "a start: nothing is confirmed, and an earlier daemon may have opened just now": (
        CircuitState(RULES, "evening"),
        [on.Started(50.0)],
        After(Contact(), math.inf, 50.5, {}, "waiting", "not confirmed", LOST_LIT, indication="fast"),
    ),
    "a start whose contact is at rest: supply counts from there": (
        CircuitState(RULES, "evening"),
        [on.Started(50.0), on.ContactClosed(51.0, 49.0, 51.0)],
        After(Contact("closed", NEVER, Bounds(49.125, 51.25)), 51.25, 50.5),
    ),
    "a start under an earlier daemon's player": (
        CircuitState(RULES, "evening"),
        [on.Started(50.0, playing=True)],
        After(
            Contact(),
            math.inf,
            50.5,
            {},
            "ending",
            "not confirmed",
            "a train of an earlier start is sent to its end",
        ),
    ),
    "its end is unseen: nobody knows, until the contact is brought to rest": (
        CircuitState(RULES, "evening"),
        [
            on.Started(50.0, playing=True),
            on.ContactUnknown(60.0, "nobody knows", 3),
            on.ContactClosed(61.0, 60.0, 61.0),
            on.TrainEnded(61.0, "broken off", 3),
        ],
        After(Contact("closed", NEVER, Bounds(60.125, 61.25)), 61.25, 60.5, cycles=[(60.0, 3)]),
    ),
}


@pytest.mark.parametrize("name", CASES)
def test_what_follows(name: str) -> None:
    state, events, after = CASES[name]
    for event in events:
        state, _ = step(state, event)
    said = status(state)
    assert After(
        state.contact,
        state.lit_since,
        state.may_open_at,
        {lamp: belief.code for lamp, belief in state.known.items()},
        state.phase,
        said.contact,
        said.headline,
        list(state.cycles),
        indication(state),
    ) == after._replace(cycles=list(after.cycles))
    assert state.settles_at == after.lit_since + RULES.settle_s
    shown = {lamp.lamp: lamp.code for lamp in said.lamps if lamp.code is not None}
    dark = after.said != "closed" or after.phase in {"sending", "ending"}
    assert shown == ({} if dark else after.known)


@pytest.mark.parametrize(
    ("contact", "dark_s"),
    [
        (Contact("closed", Bounds(1.0, 3.0), Bounds(10.0, 20.0)), 7.0),
        (Contact("closed", Bounds(1.0, 11.0), Bounds(10.0, 20.0)), 0.0),
        (Contact("closed", NEVER, Bounds(10.0, 20.0)), 0.0),
        (Contact("open", Bounds(1.0, 3.0), NEVER), 0.0),
    ],
    ids=["from the latest opening to the earliest closing", "none is certain", "never opened", "still open"],
)
def test_darkness_is_what_is_certain_of_it(contact: Contact, dark_s: float) -> None:
    assert contact.dark_s == dark_s


def lit(state: CircuitState, closed: float) -> CircuitState:
    """A darkness that says nothing of the lamps, over at ``closed``; plain light, so that no train is sent."""
    for event in (*OFF, on.Steady(104.0), *lit_again(closed, closed)):
        state, _ = step(state, event)
    return state


@pytest.mark.parametrize(
    ("seen", "told", "believed"),
    [(109.25, 109.25, True), (before(109.25), 109.25, False), (before(109.25), 500.0, False)],
    ids=["seen as it settled", "seen just before", "said much later of what was seen before"],
)
def test_what_a_person_saw_before_the_lamps_settled_is_not_believed(
    seen: float, told: float, believed: bool
) -> None:
    """Closed by 105.25, settled 4 s later; what counts is when they saw it."""
    state, _ = step(lit(MATCHED, 105.0), on.Tick(told))
    state, actions = step(state, on.Told(seen, "north", 3))
    assert dict(state.known) == ({"north": Belief(3, "person")} if believed else {})
    assert bool(actions) is not believed


@pytest.mark.parametrize(
    "event", [on.ContactUnknown(120.0, "no line"), on.SupplyLost(120.0), on.SwitchOff(120.0)]
)
def test_where_the_lamps_may_be_dark_nobody_sees_what_they_rest_on(event: on.Event) -> None:
    state, _ = step(lit(MATCHED, 105.0), event)
    told, _ = step(state, on.Told(130.0, "north", 3))
    assert told.known == {}

"""Whatever stalls, comes late or is lost at whatever point: what the daemon says is never wrong.

See :mod:`tests.daemon.fault_model`; ``python -m tests.daemon.fault_model 1000`` runs the same at length. Each story
below is as short as it could be made. The promise: a belief follows from what the contact did, not from when
somebody decided it; whatever stalls widens an interval and nothing else.
"""

from __future__ import annotations

from functools import cache
from typing import NamedTuple

import pytest

from sequencer.core.actions import PlanTrain
from tests.daemon.fault_fleets import SCENES, fleet_of, planned
from tests.daemon.fault_model import Found, drawn
from tests.daemon.fault_points import ACTS, Fault
from tests.daemon.fault_stories import Do, Story, told

STORIES = 150
FLEETS = 40
ASSERTED = frozenset(
    {"code", "told", "late sense", "lit", "dark", "two", "flash", "flash, player struck", "long dark", "off"}
    | {"matched", "crash"}
)
"""The promises that are kept; see ``PROMISES`` of the model."""


class Case(NamedTuple):
    """A story that broke a promise, and which."""

    kind: str
    story: Story


CASES = {
    "a stalled loop takes a short dark for a power-down": Case(
        "code", Story(5, 0, (Fault("wake", "stall", 1, 6.0), Do("off and on", 90.0, 6.0)))
    ),
    "a slow disk makes a short dark count as a power-down": Case(
        "code", Story(16, 0, (Fault("fsync", "stall", 1, 4.0), Do("off and on", 90.0, 2.1)))
    ),
    "a line lost in a break: the next train begins before the lamps are warm": Case(
        "code", Story(0, 0, (Fault("player driver", "line", 6, 0.6), Do("resync", 90.0)))
    ),
    "two trains in a row: the second begins before the lamps are warm": Case(
        "code", Story(0, 0, (Do("ask", 1.0, 1), Do("ask", 30.0, 0)))
    ),
    "a line lost in a break: says lit while the contact is open": Case(
        "lit", Story(0, 0, (Fault("player driver", "line", 4, 14.0), Do("resync", 90.0)))
    ),
    "a player stopped between its stamp and the relay: the log says in time": Case(
        "code", Story(0, 0, (Fault("player driver", "stall", 6, 2.0), Do("resync", 90.0)))
    ),
    "a player stopped across edges: plays them all at once": Case(
        "flash, player struck", Story(0, 0, (Fault("player wake", "stall", 1, 1.0), Do("resync", 90.0)))
    ),
    "a stalled loop catches up with a hand: opens twice within the flash limit": Case(
        "flash",
        Story(
            0, 0, (Fault("wake", "stall", 1, 14.0), Do("off and on", 1.0, 3.0), Do("off and on", 90.0, 3.0))
        ),
    ),
    "an outage told late is in hand, and not looked at": Case(
        "late sense",
        Story(
            0,
            0,
            (
                Fault("message", "stall", 1, 9.0, "Level sense"),
                Do("outage", 0.3, 3.0),
                Do("off", 0.3),
                Do("on", 90.0),
            ),
        ),
    ),
    "what a person saw comes late: a train was sent since": Case(
        "told",
        Story(0, 0, (Do("ask", 0.3, 1), Fault("message", "stall", 1, 9.0, "Happened"), Do("tell", 90.0, 0))),
    ),
}


@pytest.mark.parametrize("name", CASES)
def test_a_story_that_broke_a_promise(name: str) -> None:
    came = told(CASES[name].story)
    assert not came.wrong, came.wrong[0]


@pytest.mark.parametrize("name", CASES)
def test_the_story_still_strikes(name: str) -> None:
    """A fault that no longer finds its point would prove nothing."""
    story = CASES[name].story
    came = told(story)
    laid = {(deed.point, deed.act) for deed in story.deeds if isinstance(deed, Fault)}
    assert laid <= set(came.struck)
    assert came.checked["code"] > 0


@cache
def found() -> Found:
    return drawn(STORIES, 1, FLEETS)


def test_no_promise_is_broken_in_any_story() -> None:
    broken = {kind: those[0] for kind, those in found().broken.items() if kind in ASSERTED}
    assert broken == {}


def test_the_stories_strike_at_every_point_and_hold_every_claim_against_the_world() -> None:
    came = found().told
    assert {point for point, _ in came.struck} == set(ACTS)
    assert len(came.struck) >= 20  # of the 28 pairs of point and act
    for claim, at_least in {
        "code": 1000,
        "lit": 1000,
        "dark": 100,
        "off": 100,
        "matched": STORIES // 3,
    }.items():
        assert came.checked[claim] >= at_least


def test_the_fleets_hold_every_trap() -> None:
    """``warm_up`` above ``settled``; no length in doubt; each memory, each overflow, gaps in the codes."""
    fleets = [fleet_of(number) for number in range(FLEETS)]
    types = [each for fleet in fleets for each in fleet.types]
    assert any(t.settled and t.warm_up and t.warm_up[0] > t.settled[0] for t in types)
    assert {t.after_power_down for t in types} == {"remembered", "first", "next"}
    assert {t.overflow for t in types if t.selects_by == "count"} == {"unknown", "ignored", "wraps"}
    assert {t.reset is None for t in types} == {True, False}
    assert any(t.codes == (1, 3) for t in types)
    assert any(t.pulse[1] == t.power_down[0] or (t.reset and t.pulse[1] == t.reset[0]) for t in types)
    assert {fleet.has_sense for fleet in fleets} == {fleet.keeps for fleet in fleets} == {True, False}
    trains = [planned(number, PlanTrain(1, SCENES[0], "cut", {}, "", {})) for number, _ in enumerate(fleets)]
    assert sum(not isinstance(train, str) for train in trains) >= FLEETS // 2

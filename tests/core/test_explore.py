"""The core, explored: every sequence of events to a depth, and that the explorer would see the old mistakes.

``python -m tests.core.explore 7`` goes to the depth of seven; it takes some minutes.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from typing import Any

import pytest

from sequencer.core import events as on
from sequencer.core import facts, state
from sequencer.core.state import CircuitState, Rules
from tests.core import explore

DEPTH = 4


@pytest.fixture(autouse=True)
def forgetful_of_matches() -> None:
    explore.FOUND_MATCHED.clear()


@pytest.mark.parametrize("rules", explore.FLEETS.values(), ids=explore.FLEETS)
def test_every_sequence_keeps_what_is_promised(rules: Rules) -> None:
    found = explore.explore(rules, DEPTH)
    assert found.states > 5000  # it has not stood still


def dated_by_decision(s: CircuitState, event: on.ContactOpened) -> facts.Taken:
    """The first mistake: dark since it was decided, lit since it was decided."""
    decided = event._replace(not_before=s.at, not_after=s.at)
    return facts._contact_opened(s, decided)


def settled_by_a_train(s: CircuitState, event: on.TrainEnded) -> facts.Taken:
    """The second: what was not sent counts as sent."""
    after, actions = facts._train_ended(s, event)
    if event.outcome == "held" and after.known:
        long_ago = after.contact._replace(closed=after.contact.closed._replace(last=-math.inf))
        after = after._replace(contact=long_ago)
    return after, actions


def closed_when_told(s: CircuitState, event: on.ContactUnknown) -> facts.Taken:
    """The third: a contact that could not be moved is taken to be at rest."""
    after, actions = facts._contact_unknown(s, event)
    return after._replace(
        contact=after.contact._replace(stands="closed", closed=state.Contact().closed)
    ), actions


def any_darkness(s: CircuitState) -> Mapping[str, Any]:
    return facts._through_the_dark(s._replace(rules=s.rules._replace(power_down_s=0.0)))


def never_told(s: CircuitState, _: on.Event) -> facts.Taken:
    return s, ()


MISTAKES: dict[str, tuple[type, Callable[[CircuitState, Any], facts.Taken]]] = {
    "a contact that could not be moved counts as closed": (on.ContactUnknown, closed_when_told),
    "a train leaves its lamps settled": (on.TrainEnded, settled_by_a_train),
    "a lost supply changes nothing": (on.SupplyLost, never_told),
    "a replaced lamp changes nothing": (on.Replaced, never_told),
    "a train that begins leaves the contact as it was": (on.TrainBegins, never_told),
}


@pytest.mark.parametrize("mistake", MISTAKES)
def test_it_sees(mistake: str, monkeypatch: pytest.MonkeyPatch) -> None:
    event, wrong = MISTAKES[mistake]
    monkeypatch.setattr(facts, "NEWS", {**facts.NEWS, event: wrong})
    with pytest.raises(explore.Broken):
        explore.explore(explore.FLEETS["memories"], DEPTH)


def test_it_sees_a_darkness_taken_for_longer_than_it_was(monkeypatch: pytest.MonkeyPatch) -> None:
    right = facts._through_the_dark
    too_soon = lambda s: right(s._replace(rules=s.rules._replace(power_down_s=0.0)))  # noqa: E731
    monkeypatch.setattr(facts, "_through_the_dark", too_soon)
    with pytest.raises(explore.Broken, match="a claim is never wrong"):
        explore.explore(explore.FLEETS["memories"], DEPTH + 1)


@pytest.mark.parametrize("name", ["steady", "occupied"])
def test_the_moves_are_all_of_the_alphabet(name: str) -> None:
    """Each kind of event of the core is drawn somewhere, but for those that only the calendar and pins make."""
    seen = set()
    level = [explore.start(explore.FLEETS["memories"])]
    for _ in range(2):
        deeper = []
        for node in level:
            for words, after in explore.moves(node):
                seen.update(words.replace(";", "").split())
                deeper.append(after)
        level = deeper
    assert {"SwitchOff", "SwitchOn", "Told", "Replaced", "SupplyLost", "Started"} <= seen, name

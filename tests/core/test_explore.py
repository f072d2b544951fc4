"""The core, explored: every sequence of events to a depth, and that the explorer sees each mistake put into it.

``python -m tests.core.explore 7`` goes to the depth of seven; it takes some minutes.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any, NamedTuple

import pytest

from sequencer.core import events as on
from sequencer.core import facts
from sequencer.core.state import Belief, CircuitState, Rules
from tests.core import explore

DEPTH = 4


@pytest.fixture(autouse=True)
def forgetful_of_matches() -> None:
    explore.FOUND_MATCHED.clear()


@pytest.mark.parametrize("rules", explore.FLEETS.values(), ids=explore.FLEETS)
def test_every_sequence_keeps_what_is_promised(rules: Rules) -> None:
    assert explore.explore(rules, DEPTH).states > 8000  # it has not stood still


def opened_when_decided(s: CircuitState, event: on.ContactOpened) -> facts.Taken:
    return facts._contact_opened(s, event._replace(not_after=event.not_before))


def closed_when_decided(s: CircuitState, event: on.ContactClosed) -> facts.Taken:
    return facts._contact_closed(s, event._replace(not_after=event.not_before))


def closed_when_confirmed(s: CircuitState, event: on.ContactClosed) -> facts.Taken:
    return facts._contact_closed(s, event._replace(not_before=event.not_after))


def any_darkness_resets(s: CircuitState, event: on.ContactClosed) -> facts.Taken:
    after, actions = facts._contact_closed(s._replace(rules=s.rules._replace(power_down_s=0.0)), event)
    return after._replace(rules=s.rules), actions


def known_is_kept(s: CircuitState, event: on.ContactClosed) -> facts.Taken:
    after, actions = facts._contact_closed(s, event)
    return after._replace(known=s.known), actions


def settled_by_a_train(s: CircuitState, event: on.TrainEnded) -> facts.Taken:
    after, actions = facts._train_ended(s, event)
    if not after.known:
        return after, actions
    long_ago = after.contact.closed._replace(last=-math.inf)
    return after._replace(contact=after.contact._replace(closed=long_ago)), actions


def as_if_held(s: CircuitState, event: on.TrainEnded) -> facts.Taken:
    return facts._train_ended(s, event._replace(outcome="held"))


def as_if_unmarred(s: CircuitState, event: on.TrainEnded) -> facts.Taken:
    return facts._train_ended(s._replace(marred=False), event)


def closed_when_unknown(s: CircuitState, event: on.ContactUnknown) -> facts.Taken:
    after, actions = facts._contact_unknown(s, event)
    return after._replace(contact=after.contact._replace(stands="closed")), actions


def never_again(s: CircuitState, event: on.ContactUnknown) -> facts.Taken:
    after, actions = facts._contact_unknown(s, event)
    return after._replace(may_open_at=math.inf), actions


def without_flash_limit(s: CircuitState, event: on.ContactOpened) -> facts.Taken:
    after, actions = facts._contact_opened(s, event)
    return after._replace(may_open_at=s.may_open_at), actions


def start_without_flash_limit(s: CircuitState, event: on.Started) -> facts.Taken:
    after, actions = facts._started(s, event)
    return after._replace(may_open_at=s.may_open_at), actions


def start_that_knows(s: CircuitState, event: on.Started) -> facts.Taken:
    after, actions = facts._started(s, event)
    return after._replace(contact=after.contact._replace(stands="closed")), actions


def supply_as_before(s: CircuitState, event: on.SupplyBack) -> facts.Taken:
    after, actions = facts._supply_back(s, event)
    return after._replace(supply_since=s.supply_since), actions


def told_is_believed(s: CircuitState, event: on.Told) -> facts.Taken:
    return s._replace(known={**s.known, event.lamp: Belief(event.code, "person")}), ()


def never_told(s: CircuitState, _: on.Event) -> facts.Taken:
    return s, ()


class Mistake(NamedTuple):
    """Told of ``event`` the core does something ``wrong``, and ``breaks`` an invariant within ``depth`` moves."""

    event: type
    wrong: Callable[[CircuitState, Any], facts.Taken]
    breaks: str
    fleet: str = "forgetful"
    depth: int = 2


CLAIM = "a claim is never wrong"
STANDS = "the contact stands where it is said to"
SUPPLY = "no supply is made up"
FLASH = "two openings within the flash limit"
OBEYED = "off is obeyed within a bound"
QUIET = "left alone, the lamps match within a bound"

MISTAKES: dict[str, Mistake] = {
    "an opening is dated by its decision": Mistake(on.ContactOpened, opened_when_decided, CLAIM),
    "a closing is dated by its decision": Mistake(on.ContactClosed, closed_when_decided, SUPPLY),
    "a darkness lasts until the closing is confirmed": Mistake(
        on.ContactClosed, closed_when_confirmed, CLAIM
    ),
    "any darkness is a power-down": Mistake(on.ContactClosed, any_darkness_resets, CLAIM),
    "a darkness changes nothing": Mistake(on.ContactClosed, known_is_kept, CLAIM, "memories", 4),
    "a train leaves its lamps settled": Mistake(on.TrainEnded, settled_by_a_train, SUPPLY),
    "a train that failed counts as held": Mistake(on.TrainEnded, as_if_held, CLAIM),
    "what befell a train is forgotten": Mistake(on.TrainEnded, as_if_unmarred, CLAIM, depth=3),
    "an unknown contact counts as closed": Mistake(on.ContactUnknown, closed_when_unknown, STANDS),
    "an opening that failed is not tried again": Mistake(on.ContactUnknown, never_again, OBEYED),
    "no flash limit after an opening": Mistake(on.ContactOpened, without_flash_limit, FLASH, depth=3),
    "no flash limit after a start": Mistake(on.Started, start_without_flash_limit, FLASH, depth=3),
    "a start takes its contact to be closed": Mistake(on.Started, start_that_knows, STANDS),
    "a lost supply changes nothing": Mistake(on.SupplyLost, never_told, SUPPLY),
    "a supply that comes back was never lost": Mistake(on.SupplyBack, supply_as_before, SUPPLY),
    "a replaced lamp changes nothing": Mistake(on.Replaced, never_told, SUPPLY),
    "a person is believed too early": Mistake(on.Told, told_is_believed, CLAIM),
    "a train that begins leaves the contact as it was": Mistake(on.TrainBegins, never_told, STANDS),
    "what reads closed is still held open": Mistake(on.ContactRead, never_told, CLAIM, depth=3),
    "a contact at rest again is not believed": Mistake(on.ContactClosed, never_told, QUIET, depth=1),
}


@pytest.mark.parametrize("name", MISTAKES)
def test_it_sees(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    mistake = MISTAKES[name]
    monkeypatch.setattr(facts, "NEWS", {**facts.NEWS, mistake.event: mistake.wrong})
    with pytest.raises(explore.Broken, match=mistake.breaks):
        explore.explore(explore.FLEETS[mistake.fleet], mistake.depth)


def test_its_moves_are_the_whole_alphabet() -> None:
    """All that people, planner, player, contact and supply can say; what is left out steers nothing new.

    Shows and a trusted clock choose a scene as a request does, and quiet hours hold a train as people in the
    water do; an input that is ignored is only told of.
    """
    left_out = {on.ShowBegins, on.ShowEnds, on.ClockTrusted, on.Quiet, on.InputIgnored, on.ResyncAsked}
    seen: set[str] = set()
    level = [explore.start(explore.FLEETS["memories"])]
    for _ in range(2):
        moves = [move for node in level for move in explore.moves(node)]
        seen |= {word.strip(":;") for words, _ in moves for word in words.split()}
        level = list(
            {explore.key(node): node for _, after in moves for node in [explore.canonical(after)]}.values()
        )
    kinds = {kind.__name__ for kind in set(facts.NEWS) - left_out}
    assert kinds - seen == {"TrainBegins"}  # told at once, in the move that planned it

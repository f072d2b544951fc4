"""``step(state, event) -> (state, actions)``: all that the daemon decides about one circuit.

An event first changes what is known (:func:`~sequencer.core.facts.taken`). Then the phase moves along
:data:`TABLE`, a row at a time, until no row fits. A row fits when the circuit is in its phase and all its
conditions hold; the first that fits is taken, and its actions are for the shell to carry out.

========== ============================================ =======================================================
phase      the contact                                  what it waits for
========== ============================================ =======================================================
lit        at rest, closed                              a reason to send a train, or to go dark
waiting    at rest, closed                              leave to send a train that is due
planning   at rest, closed                              the planner's answer
sending    the player's                                 the end of the train
ending     the player's                                 the same, and soon: it has been told to end
dark       held open by the daemon                      a reason for light
unpowered  at rest, closed; no supply comes to it       the supply
========== ============================================ =======================================================
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import NamedTuple

from sequencer.core.actions import Action, BreakOff, HoldOpen, LetClose, PlanTrain, SendTrain
from sequencer.core.events import Event
from sequencer.core.facts import taken
from sequencer.core.state import PLANNER_LIMIT_S, CircuitState, Phase

MOST_ROWS = 8
"""No event moves a circuit through more rows than this; the longest way is through "waiting" and "lit"."""


class Row(NamedTuple):
    """One row of the table."""

    phase: Phase
    when: tuple[str, ...]
    then: tuple[str, ...]
    next: Phase


WHEN: Mapping[str, Callable[[CircuitState], bool]] = {
    "off": lambda s: s.off,
    "on": lambda s: not s.off,
    "may open": lambda s: s.at >= s.may_open_at,
    "supply lost": lambda s: not s.supply,
    "supply": lambda s: s.supply,
    "a train is due": lambda s: bool(s.due),
    "none is due": lambda s: not s.due,
    "held": lambda s: bool(s.held),
    "not held": lambda s: not s.held,
    "another question": lambda s: not s.serves,
    "occupied": lambda s: s.occupied,
    "answered": lambda s: s.answer is not None,
    "over": lambda s: s.asked is None,
}

TABLE: tuple[Row, ...] = (
    #   phase        when                                          then                     next
    Row("lit", ("off", "may open"), ("hold open",), "dark"),
    Row("lit", ("supply lost",), (), "unpowered"),
    Row("lit", ("on", "a train is due", "held"), (), "waiting"),
    Row("lit", ("on", "a train is due"), ("ask the planner",), "planning"),
    Row("waiting", ("off",), (), "lit"),
    Row("waiting", ("supply lost",), (), "unpowered"),
    Row("waiting", ("none is due",), (), "lit"),
    Row("waiting", ("not held",), ("ask the planner",), "planning"),
    Row("planning", ("off",), (), "lit"),
    Row("planning", ("supply lost",), (), "unpowered"),
    Row("planning", ("none is due",), (), "lit"),
    Row("planning", ("another question",), (), "lit"),
    Row("planning", ("held",), (), "waiting"),
    Row("planning", ("answered", "may open"), ("send",), "sending"),
    Row("sending", ("over",), (), "lit"),
    Row("sending", ("supply lost",), ("break off",), "ending"),
    Row("sending", ("occupied",), ("break off at once",), "ending"),
    Row("sending", ("off",), ("break off",), "ending"),
    Row("ending", ("over",), (), "lit"),
    Row("dark", ("on", "supply"), ("let close",), "lit"),
    Row("dark", ("on",), ("let close",), "unpowered"),
    Row("unpowered", ("off", "may open"), ("hold open",), "dark"),
    Row("unpowered", ("supply",), (), "lit"),
)


def step(state: CircuitState, event: Event) -> tuple[CircuitState, tuple[Action, ...]]:
    """Take an event in, and decide.

    :returns: the circuit's new state, and what is to be done, in order.
    """
    state, actions = taken(state, event)
    for _ in range(MOST_ROWS):
        row = next((row for row in TABLE if _fits(row, state)), None)
        if row is None:
            return state, actions
        for name in row.then:
            state, action = THEN[name](state)
            actions = (*actions, action)
        state = state._replace(phase=row.next)
    raise AssertionError(f"the table turns in a circle at {state}")


def _fits(row: Row, state: CircuitState) -> bool:
    return row.phase == state.phase and all(WHEN[name](state) for name in row.when)


def _hold_open(state: CircuitState) -> tuple[CircuitState, Action]:
    return state._replace(contact=state.contact._replace(stands="moving")), HoldOpen()


def _let_close(state: CircuitState) -> tuple[CircuitState, Action]:
    return state._replace(refused={}), LetClose()  # the lamps' memory may be another now


def _ask(state: CircuitState) -> tuple[CircuitState, Action]:
    number, question = state.number + 1, state.question
    asked = state._replace(number=number, asked=question, answer=None, overdue_at=state.at + PLANNER_LIMIT_S)
    codes = state.rules.wanted[question.scene]
    return asked, PlanTrain(number, question.scene, question.start, question.known, state.due, codes)


THEN: Mapping[str, Callable[[CircuitState], tuple[CircuitState, Action]]] = {
    "hold open": _hold_open,
    "let close": _let_close,
    "ask the planner": _ask,
    "send": lambda s: (s, SendTrain(s.number)),
    "break off": lambda s: (s, BreakOff(at_once=False)),
    "break off at once": lambda s: (s, BreakOff(at_once=True)),
}
"""What each row's words do to the state, and the action they stand for."""

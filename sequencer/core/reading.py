"""What the levels of one input mean: raw levels with their times in, the core's events out.

A level **counts** once it has stood for the kind's time below; shorter than that it is bounce (contacts
of switches and relays bounce for 1 to 5 ms, IEC 61810-1 terms, figures from memory) or noise. An input
that chatters is not listened to. A level that counts and is another than counted before means:

=========  ==========  =============================================  ========================  =======
kind       state       what happens                                   event                     next
=========  ==========  =============================================  ========================  =======
switch                 off                                            SwitchOff
switch                 on, within ``flick_s`` of going off            Flicked
switch                 on, later; or off never counted                SwitchOn
sense                  active, inactive                               SupplyBack, SupplyLost
occupied               active, inactive                               Occupied yes, Occupied no
button     up          pressed                                                                  down
button     up          pressed at the start                                                     spent
button     up          pressed when listened to again                                           stuck
button     down        let go before ``long_press_s``                 ButtonShort               up
button     down        held for ``long_press_s``                      ButtonLong                spent
button     spent       let go                                                                   up
button     spent       held for ``stuck_s``                           InputIgnored              stuck
button     stuck       let go                                                                   up
any        listening   :data:`CHATTER` edges within a second          InputIgnored, not if      deaf
                                                                      stuck: that said it
any        deaf        no edge for :data:`STILL_S`                    as its level counts now   listening
sense      supply      begins to chatter, or ends it with supply      SupplyLost, SupplyBack
=========  ==========  =============================================  ========================  =======

At the start no level has counted, so the first that does gives its event. A switch that stays where it is
for months is not stuck. Nothing here cares how often it is told that time has passed: deadlines that have
passed are gone through in their order, each event at the moment it was due, before a new level is looked at.

**Alternating supply.** The output of an optocoupler that senses it pulses with it: once a period, or at
each zero crossing, twice the line frequency. So a sense is active at its first pulse, and inactive only once
there was none for :data:`GAP_S`; those two are its edges. Supply is lost 0.15 s after the last pulse, and back
0.1 s after the first; a spike of noise is neither.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

from sequencer.core.events import (
    ButtonLong,
    ButtonShort,
    Flicked,
    InputIgnored,
    Occupied,
    SupplyBack,
    SupplyLost,
    SwitchOff,
    SwitchOn,
)

if TYPE_CHECKING:
    from sequencer.sitefile.serve import Serve

Kind = Literal["switch", "button", "sense", "occupied"]
Heard = (
    SwitchOn
    | SwitchOff
    | Flicked
    | ButtonShort
    | ButtonLong
    | SupplyLost
    | SupplyBack
    | Occupied
    | InputIgnored
)

STANDS_S: dict[Kind, float] = {"switch": 0.03, "button": 0.03, "sense": 0.1, "occupied": 0.03}
"""A level counts once it has stood this long: several times the bounce of a contact, and unnoticed by a hand."""
GAP_S = 0.05
"""A sense without a pulse for this long is inactive: two and a half periods of 50 Hz, three of 60 Hz."""
CHATTER: dict[Kind, int] = {"switch": 50, "button": 50, "sense": 20, "occupied": 50}
"""So many edges within :data:`CHATTER_S` are chatter. A sense can have no more than 40, for its gaps."""
CHATTER_S = 1.0
STILL_S = 10.0
"""A chattering input is listened to again once it has had no edge for this long."""


@dataclass(frozen=True, slots=True)
class Reading:
    """One input as it is understood so far; begin with :func:`unread`."""

    kind: Kind
    flick_s: float
    long_press_s: float
    stuck_s: float
    now: float = float("-inf")
    """The latest moment that was told."""
    pulse: bool | None = None
    """The raw level; other than ``level`` only in a gap between two pulses of a sense."""
    pulse_since: float = 0.0
    level: bool | None = None
    since: float = 0.0
    """When ``level`` began to stand: the last edge."""
    counted: bool | None = None
    """The level that counted last; None before the first."""
    off_since: float | None = None
    """When the switch went off, if it did so while it was listened to."""
    button: Literal["up", "down", "spent", "stuck"] = "up"
    pressed_since: float = 0.0
    edges: tuple[float, ...] = ()
    """The edges of the last :data:`CHATTER_S`, as many as chatter has."""
    deaf: bool = False

    @property
    def ignored(self) -> bool:
        """Whether it is not listened to, as InputIgnored has said."""
        return self.deaf or self.button == "stuck"


def unread(kind: Kind, serve: Serve) -> Reading:
    """An input of which nothing is known yet, with the times of a site's ``[serve]``."""
    return Reading(kind, serve.flick_s, serve.long_press_s, serve.stuck_s)


def read(state: Reading, level: bool | None, at: float) -> tuple[Reading, list[Heard]]:
    """Take in that the input's level is ``level`` at ``at``, or with None only that it is that late.

    :param level: True is active: switch on, button pressed, supply there, people in the water. A level
        that it has already is no edge, so an input may also be asked for its level at any time.
    :param at: seconds on the daemon's axis; earlier than an earlier one counts as that one.
    :returns: the input as it is then, and the events, each at the moment it was due: not after ``at``.
    """
    at = max(at, state.now)
    events: list[Heard] = []
    state = _until(state, at, events)
    if level is not None:
        state = _told(state, level, at, events)
    return _until(state, at, events), events


def next_deadline(state: Reading) -> float | None:
    """When :func:`read` has to be told the time at the latest, even if no level changes; None: never."""
    due = _due(state)
    return due and due[0]


Step = Callable[[Reading, float, list[Heard]], Reading]


def _until(state: Reading, at: float, events: list[Heard]) -> Reading:
    """Everything that is due by ``at``, in its order."""
    while (due := _due(state)) is not None and due[0] <= at:
        moment, happens = due
        state = happens(replace(state, now=moment), moment, events)
    return replace(state, now=at)


def _due(state: Reading) -> tuple[float, Step] | None:
    """What comes next if no level changes, and when; never before ``now``."""
    found: list[tuple[float, Step]] = []
    if state.pulse != state.level:
        found.append((state.pulse_since + GAP_S, _gap))
    if state.deaf:
        found.append((state.since + STILL_S, _listen_again))
    elif state.level != state.counted:
        found.append((state.since + STANDS_S[state.kind], _counts))
    elif state.button == "down":
        found.append((state.pressed_since + state.long_press_s, _long))
    elif state.button == "spent":
        found.append((state.pressed_since + state.stuck_s, _stuck))
    if not found:
        return None
    when, step = min(found, key=lambda due: due[0])
    return max(when, state.now), step


def _told(state: Reading, level: bool, at: float, events: list[Heard]) -> Reading:
    if level == state.pulse:
        return state
    state = replace(state, pulse=level, pulse_since=at)
    if state.level is None:
        return replace(state, level=level, since=at)
    if level == state.level or (state.kind == "sense" and not level):
        return state
    return _edge(state, at, events)


def _gap(state: Reading, at: float, events: list[Heard]) -> Reading:
    return _edge(state, at, events)


def _edge(state: Reading, at: float, events: list[Heard]) -> Reading:
    most = CHATTER[state.kind]
    edges = (*(edge for edge in state.edges if edge > at - CHATTER_S), at)[-most:]
    state = replace(state, level=state.pulse, since=at, edges=edges)
    if len(edges) < most:
        return state
    if not state.ignored:
        why = f"the {state.kind} input chatters ({most} edges in a second): ignored until still for {STILL_S:g} s"
        events.append(InputIgnored(at, why))
        _fluttered(state, at, events)
    return replace(state, deaf=True, off_since=None)


def _fluttered(state: Reading, at: float, events: list[Heard]) -> None:
    """Nobody knows whether it is the wire or the supply that flutters: the lamps may have heard it."""
    if state.kind == "sense" and state.counted:
        events.extend((SupplyLost(at), SupplyBack(at)))


def _listen_again(state: Reading, at: float, events: list[Heard]) -> Reading:
    state = replace(state, deaf=False)
    if state.kind == "button":
        return replace(state, counted=state.level, button="stuck" if state.level else "up")
    if state.level != state.counted:
        return _counts(state, at, events)
    _fluttered(state, at, events)
    return state


def _counts(state: Reading, at: float, events: list[Heard]) -> Reading:
    """The level is another than the one that counted, and has stood long enough."""
    first, on = state.counted is None, bool(state.level)
    state = replace(state, counted=on)
    if state.kind == "button":
        return _button(state, first, at, events)
    if state.kind == "occupied":
        events.append(Occupied(at, on))
    elif state.kind == "sense":
        events.append(SupplyBack(at) if on else SupplyLost(at))
    elif not on:
        events.append(SwitchOff(at))
        return replace(state, off_since=None if first else state.since)
    else:
        flick = state.off_since is not None and state.since - state.off_since <= state.flick_s
        events.append(Flicked(at) if flick else SwitchOn(at))
    return state


def _button(state: Reading, first: bool, at: float, events: list[Heard]) -> Reading:
    if state.level:
        return replace(state, button="spent" if first else "down", pressed_since=state.since)
    if state.button == "down":
        events.append(ButtonShort(at))
    return replace(state, button="up")


def _long(state: Reading, at: float, events: list[Heard]) -> Reading:
    events.append(ButtonLong(at))
    return replace(state, button="spent")


def _stuck(state: Reading, at: float, events: list[Heard]) -> Reading:
    why = f"the button has been held for {state.stuck_s:g} s: ignored until let go"
    events.append(InputIgnored(at, why))
    return replace(state, button="stuck")

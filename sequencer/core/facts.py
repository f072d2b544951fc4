"""What an event changes in what is known of a circuit, before anything is decided.

A belief may be too wide, never wrong. So everything that might have touched the lamps (the supply, another
lamp, a train that did not go as planned, a start of the daemon, who sees nothing while it is down) widens the
belief to "any scene", and only a train's proof, a certain power-down or a person narrows it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from typing import Any

from sequencer.core import events as on
from sequencer.core.actions import Action, Warn
from sequencer.core.contact import Bounds
from sequencer.core.state import (
    HOUR_S,
    MOST_RETRY_S,
    MOST_STEADY_S,
    PLAYER_LIMIT_S,
    RETRY_S,
    Answer,
    Belief,
    CircuitState,
    LampRules,
    Question,
    Wish,
)

LOST = "the player never answered"
State = CircuitState
Taken = tuple[CircuitState, tuple[Action, ...]]


def taken(state: State, event: on.Event) -> Taken:
    """The state with an event's news in it, and what to say of it."""
    now = max(event.at, state.at)  # an input's news is as old as its bounce took to die down
    hand, request = (_standing(wish, now, state.rules.wish_s) for wish in (state.hand, state.request))
    state = state._replace(
        at=now,
        hand=hand,
        request=request,
        outages=tuple(at for at in state.outages if at > now - HOUR_S),
        cycles=tuple((at, count) for at, count in state.cycles if at + HOUR_S > now),  # as the deadline
    )
    return NEWS[type(event)](state, event)


def _through_the_dark(state: State) -> Mapping[str, Belief]:
    """What is known of the lamps after a darkness that the daemon made: by the contact, not by who decided when.

    After a certain power-down of every lamp, what each lamp's memory makes of it; after less, nothing.
    """
    if state.contact.dark_s < state.rules.power_down_s or not state.supply:
        return {}
    after = ((lamp.name, _after_power_down(lamp, state.known.get(lamp.name))) for lamp in state.rules.lamps)
    return {name: belief for name, belief in after if belief is not None}


def next_favourite(state: State) -> str:
    """The favourite after the scene wanted now, the first if that is none of them."""
    favourites = state.rules.favourites
    at = favourites.index(state.wanted) + 1 if state.wanted in favourites else 0
    return favourites[at % len(favourites)] if favourites else state.wanted


def _after_power_down(lamp: LampRules, belief: Belief | None) -> Belief | None:
    if lamp.after_power_down == "first":
        return Belief(lamp.codes[0], "train")
    if belief is None or lamp.after_power_down == "remembered":
        return belief
    place = lamp.codes.index(belief.code) + 1
    return belief._replace(code=lamp.codes[place % len(lamp.codes)])


def _standing(wish: Wish | None, at: float, wish_s: float) -> Wish | None:
    return wish if wish is not None and at < wish.since + wish_s else None


def _started(s: State, event: on.Started) -> Taken:
    s = _disturbed(s, "the daemon has just started")
    s = s._replace(may_open_at=s.at + s.rules.cycle_s)  # an earlier daemon may just have opened it
    if event.playing:
        return s._replace(phase="ending", asked=Question(s.scene, "cut", {}), marred=True), ()
    return s, ()


def _disturbed(s: State, why: str) -> State:
    """Nothing is known any more, and the lamps may be in the middle of something."""
    return s._replace(known={}, resync=why, refused={}, marred=True)


def _switch_on(s: State, _: on.SwitchOn) -> Taken:
    if s.switch:
        return s, ()
    return s._replace(switch=True, hand=None, request=None), ()


def _switch_off(s: State, _: on.SwitchOff) -> Taken:
    return s._replace(switch=False), ()


def _by_hand(s: State, _: on.Flicked | on.ButtonLong) -> Taken:
    """A hand that chooses takes the steady override back."""
    scene = next_favourite(s)
    refused = {name: why for name, why in s.refused.items() if name != scene}
    return s._replace(hand=Wish(scene, s.at), steady=False, refused=refused), ()


def _flicked(s: State, event: on.Flicked) -> Taken:
    return _by_hand(s._replace(switch=True), event)


def _resync(s: State, _: on.ButtonShort | on.ResyncAsked) -> Taken:
    return s._replace(resync="a person asked for it", refused={}, retry_at=-math.inf), ()


def _ignored(s: State, event: on.InputIgnored) -> Taken:
    return s, (Warn(event.why),)


def _show_begins(s: State, event: on.ShowBegins) -> Taken:
    return s._replace(show=event.scene, slot=event.slot), ()


def _show_ends(s: State, _: on.ShowEnds) -> Taken:
    return s._replace(show=None, slot=""), ()


def _asked(s: State, event: on.Asked) -> Taken:
    refused = {name: why for name, why in s.refused.items() if name != event.scene}
    return s._replace(request=Wish(event.scene, s.at), refused=refused), ()


def _taken_back(s: State, _: on.TakenBack) -> Taken:
    return s._replace(hand=None, request=None, steady=False), ()


def _steady(s: State, _: on.Steady) -> Taken:
    return s._replace(steady=True), ()


def _told(s: State, event: on.Told) -> Taken:
    if not s.hears_of_lamps or event.at < s.settles_at:  # seen before the lamps last heard something
        return s, (Warn(f"{event.lamp}: told too early: its lamps must have been lit and left alone"),)
    known = {**s.known, event.lamp: Belief(event.code, "person")}
    return s._replace(known=known, refused={}, resync="" if s.refused else s.resync), ()


def _replaced(s: State, event: on.Replaced) -> Taken:
    """To hang another lamp the supply was cut: in a darkness of our own that changes nothing for the rest."""
    if s.phase == "dark":
        known = {lamp: belief for lamp, belief in s.known.items() if lamp != event.lamp}
        return s._replace(known=known, refused={}), ()
    return _disturbed(s._replace(supply_since=s.at), f"{event.lamp} was replaced"), ()


def _supply_lost(s: State, _: on.SupplyLost) -> Taken:
    if s.phase == "dark":
        return s._replace(supply=False), ()
    return _disturbed(s._replace(supply=False), "the supply came back"), ()


def _supply_back(s: State, _: on.SupplyBack) -> Taken:
    if s.supply:
        return s, ()
    outages = (*s.outages, s.at)
    trial = _doubled(s.rules.steady_s, len(outages) - 1, MOST_STEADY_S)
    s = s._replace(supply=True, supply_since=s.at, outages=outages, steady_until=s.at + trial)
    return (s if s.phase == "dark" else _disturbed(s, "the supply came back")), ()


def _occupied(s: State, event: on.Occupied) -> Taken:
    return s._replace(occupied=event.yes), ()


def _quiet(s: State, event: on.Quiet) -> Taken:
    return s._replace(quiet=event.yes), ()


def _clock_trusted(s: State, _: on.ClockTrusted) -> Taken:
    return s._replace(clock=True), ()


def _planned(s: State, event: on.Planned) -> Taken:
    if s.phase != "planning" or event.question != s.number or s.asked is None:
        return s, ()
    most = s.rules.max_cycles_per_h
    if event.cycles > most:
        return _no_train(s, f"its train takes {event.cycles} relay cycles, and max_cycles_per_h is {most}")
    if event.cycles:
        answer = Answer(event.cycles, event.length_s, event.dark_s)
        return s._replace(answer=answer, overdue_at=math.inf), ()  # how long its turn takes is not limited
    return _held(s._replace(asked=None), s.asked), ()  # nothing need be sent


def _refused(s: State, event: on.Refused) -> Taken:
    if s.phase != "planning" or event.question != s.number or s.asked is None:
        return s, ()
    if s.known and not s.asked.known:  # a full train was wanted; what is known may still serve
        return s._replace(resync="", synced_at=s.at, phased_at=s.at, asked=None), ()
    return _no_train(s, event.why)


def _plan_failed(s: State, event: on.PlanFailed) -> Taken:
    if s.phase != "planning" or event.question != s.number:
        return s, ()
    return _try_later(s._replace(asked=None), f"no train was planned: {event.why}")


def _no_train(s: State, why: str) -> Taken:
    scene = s.asked.scene if s.asked else s.wanted
    return s._replace(refused={**s.refused, scene: why}), (Warn(f"no train to {scene}: {why}"),)


def _train_begins(s: State, _: on.TrainBegins) -> Taken:
    over_at = s.at + (s.answer.length_s if s.answer else 0.0) + PLAYER_LIMIT_S
    return s._replace(marred=False, overdue_at=over_at, contact=s.contact._replace(stands="moving")), ()


def _train_ended(s: State, event: on.TrainEnded) -> Taken:
    asked = s.asked
    s = s._replace(asked=None, answer=None, overdue_at=math.inf)
    if event.outcome == "not begun":
        return s, ()
    if event.outcome == "held" and asked is not None and not s.marred:
        held = _held(s, asked)
        full = held.full_cycles if asked.known else {**held.full_cycles, asked.scene: event.cycles}
        return held._replace(full_cycles=full), ()
    s = s._replace(known={})
    if event.outcome in {"held", "broken off"}:
        return s, ()
    return _try_later(s, f"a train was not sent as planned: {event.why}")


def _try_later(s: State, why: str) -> Taken:
    wait = _doubled(RETRY_S, s.failures, MOST_RETRY_S)
    s = s._replace(failures=s.failures + 1, retry_at=s.at + wait, trouble=why)
    return s, (Warn(f"{why}; the next try comes in {wait:.0f} s"),)


def _doubled(first_s: float, times: int, most_s: float) -> float:
    return min(most_s, first_s * 2.0 ** min(times, 60))  # days of failures are more than a float can count


def _held(s: State, asked: Question) -> State:
    """A train went as planned, and nothing befell the lamps meanwhile: its proof counts."""
    s = s._replace(
        known={lamp: Belief(code, "train") for lamp, code in s.rules.wanted[asked.scene].items()},
        scene=asked.scene,
        remembered=True,
        phased_at=s.at,
        failures=0,
        trouble="",
        refused={},
    )
    return s if asked.known else s._replace(synced_at=s.at, resync="")


def _contact_opened(s: State, event: on.ContactOpened) -> Taken:
    opened = Bounds(event.not_before, event.not_after).after(s.rules.break_s)
    return s._replace(
        contact=s.contact._replace(stands="open", opened=opened),
        may_open_at=max(s.may_open_at, opened.last + s.rules.cycle_s),
        cycles=_counted(s, event.cycles),
    ), ()


def _contact_closed(s: State, event: on.ContactClosed) -> Taken:
    """What a train leaves is said by its end; what a darkness of the daemon's own leaves, by its length."""
    held_open = s.contact.stands == "open" and not s.with_player
    closed = Bounds(event.not_before, event.not_after).after(s.rules.make_s)
    s = s._replace(contact=s.contact._replace(stands="closed", closed=closed))
    return s._replace(known=_through_the_dark(s)) if held_open else s, ()


def _contact_unknown(s: State, event: on.ContactUnknown) -> Taken:
    """The lamps may have been dark, or not, or both."""
    s = _disturbed(s, "the contact could not be moved")
    s = s._replace(
        contact=s.contact._replace(stands="unknown"),
        may_open_at=max(s.may_open_at, s.at + s.rules.cycle_s),
        cycles=_counted(s, event.cycles),
    )
    if s.with_player:  # the train's end says what failed
        return s, ()
    if s.phase == "dark":
        s = s._replace(phase="lit", may_open_at=max(s.may_open_at, s.at + RETRY_S))
    return s._replace(trouble=event.why), (Warn(event.why),)


def _contact_read(s: State, event: on.ContactRead) -> Taken:
    """A contact that reads open now need not have been so before, where an earlier reading failed."""
    if s.with_player or s.contact.stands == "closed":
        return s, ()
    if event.closed:
        return _contact_unknown(s, on.ContactUnknown(event.at, event.why))
    if event.closed is None:
        return s._replace(known={}, contact=s.contact._replace(stands="unknown"), trouble=event.why), ()
    if s.contact.stands == "open":
        return s, ()
    opened = Bounds(s.contact.opened.first, event.at)
    return s._replace(contact=s.contact._replace(stands="open", opened=opened), trouble=""), ()


def _counted(s: State, cycles: int) -> tuple[tuple[float, int], ...]:
    return (*s.cycles, (s.at, cycles)) if cycles else s.cycles


def _tick(s: State, _: on.Tick) -> Taken:
    """A planner or a player that has not answered by its limit never will: its answer was lost."""
    if s.at < s.overdue_at:
        return s, ()
    s = s._replace(overdue_at=math.inf)
    if s.phase == "planning":
        return _plan_failed(s, on.PlanFailed(s.at, s.number, "the planner never answered"))
    if not s.with_player:
        return s, ()
    lost = on.ContactUnknown(s.at, LOST, s.answer.cycles if s.answer else 0)
    return _train_ended(_contact_unknown(s, lost)[0], on.TrainEnded(s.at, "failed", 0, LOST))


NEWS: Mapping[type, Callable[[State, Any], Taken]] = {
    on.Started: _started,
    on.SwitchOn: _switch_on,
    on.SwitchOff: _switch_off,
    on.Flicked: _flicked,
    on.ButtonShort: _resync,
    on.ButtonLong: _by_hand,
    on.InputIgnored: _ignored,
    on.ShowBegins: _show_begins,
    on.ShowEnds: _show_ends,
    on.Asked: _asked,
    on.TakenBack: _taken_back,
    on.ResyncAsked: _resync,
    on.Steady: _steady,
    on.Told: _told,
    on.Replaced: _replaced,
    on.SupplyLost: _supply_lost,
    on.SupplyBack: _supply_back,
    on.Occupied: _occupied,
    on.Quiet: _quiet,
    on.ClockTrusted: _clock_trusted,
    on.Planned: _planned,
    on.Refused: _refused,
    on.PlanFailed: _plan_failed,
    on.TrainBegins: _train_begins,
    on.TrainEnded: _train_ended,
    on.ContactOpened: _contact_opened,
    on.ContactClosed: _contact_closed,
    on.ContactUnknown: _contact_unknown,
    on.ContactRead: _contact_read,
    on.Tick: _tick,
}
"""Each kind of event, and what it changes."""

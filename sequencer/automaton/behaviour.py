"""One lamp's timed step, pure: which states may follow a state.

The rules, for a lamp with ``c`` seconds of supply since the last break it noticed:

=============  =====================================  ==========================================
break          count lamp                             step lamp
=============  =====================================  ==========================================
ignored        ``c`` grows by its length              ``c`` grows by its length
pulse, idle    taken if warm, else perhaps            one on if warm, else perhaps
pulse, busy    one more if ``c`` is in same_train;    one on if ``c`` has reached same_train's
               below it perhaps; between its end      start, else perhaps
               and settled the train is perhaps over
reset          first scene, nothing pending           first scene, at rest
power_down     pending count perhaps taken, then      by after_power_down, at rest
               by after_power_down
=============  =====================================  ==========================================

A count lamp is idle when no pulses are pending; a step lamp when it is at rest, which it stays until a
pulse is certainly taken. Every break that is noticed sets ``c`` to 0, whether its pulse is taken or not.

States are discrete; the clock ``c`` is kept by whoever asks (the planner symbolically, the proof in
nanoseconds) and comes in as :class:`Supply`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal, NamedTuple

from sequencer.automaton.guards import Effect, Guards, guards

if TYPE_CHECKING:
    from sequencer.datasheet import Datasheet

ANY_SCENE = 0
"""In a state's ``scene``: not known which. Codes start at 1."""
SOME_COUNT = -1
"""In a state's ``pending``: some pulses are, not known how many."""


class State(NamedTuple):
    """What one lamp may be in. ``pending`` is 0 when no pulses are; ``resting`` is for step lamps."""

    scene: int
    pending: int = 0
    resting: bool = False


class Supply(NamedTuple):
    """What is certain about the supply a lamp had before a break it notices.

    ``continues``: at least same_train's start. ``over``: is a pending train over? ``warm``: warm-up done.
    """

    continues: bool
    over: Literal["no", "maybe", "yes"]
    warm: bool


LONG_LIT = Supply(continues=True, over="yes", warm=True)


@dataclass(frozen=True, slots=True)
class Behaviour:
    """One type of lamp as the automaton sees it; made by :func:`behaviour`."""

    counts: bool
    codes: tuple[int, ...]
    overflow: Literal["unknown", "ignored", "wraps"]
    after_power_down: Literal["remembered", "first", "next"]
    guards: Guards

    def effects(self, off_ns: int) -> tuple[Effect, ...]:
        """What a break of this length may do, shortest window first; one entry when it is certain.

        Where two windows touch and nothing is taken from them, the length that both claim may be either.
        """
        breaks = self.guards.breaks
        last = len(breaks) - 1
        possible = []
        for i, window in enumerate(breaks):
            after_previous = i == 0 or off_ns > breaks[i - 1].last_ns or off_ns >= window.first_ns
            before_next = i == last or off_ns < breaks[i + 1].first_ns or off_ns <= window.last_ns
            if after_previous and before_next:
                possible.append(window.name)
        return tuple(possible)  # type: ignore[arg-type]

    def supply(self, on_ns: int) -> Supply:
        """What is certain after this much supply."""
        g = self.guards
        over: Literal["no", "maybe", "yes"] = "maybe"
        if g.settled is None or on_ns <= g.same_train.last_ns:
            over = "no"
        elif on_ns >= g.settled.first_ns:
            over = "yes"
        return Supply(on_ns >= g.same_train.first_ns, over, on_ns >= g.warm_up.first_ns)

    def rest(self, scene: int) -> State:
        """Lit and settled on a scene, nothing pending."""
        return State(scene, 0, resting=not self.counts)

    def settle(self, state: State) -> tuple[State, ...]:
        """A count lamp's pending pulses become a scene; any other state stays."""
        if state.pending == 0:
            return (state,)
        return tuple(State(scene) for scene in self._chosen(state))

    def notice(self, state: State, effect: Effect, supply: Supply, *, sure: bool) -> tuple[State, ...]:
        """The states that may follow a break with this effect (not "ignored").

        ``sure`` says whether the break's effect was certain. A step lamp at rest that takes a pulse of a
        break that another reading would have ridden through is left with the more demanding of its two
        needs of supply, so that both readings of "certainly taken" are covered.
        """
        if effect == "reset":
            return (self.rest(self.codes[0]),)
        if effect == "power_down":
            return self._power_down(state, supply)
        return self._count_pulse(state, supply) if self.counts else self._step_pulse(state, supply, sure=sure)

    def _count_pulse(self, state: State, supply: Supply) -> tuple[State, ...]:
        after: list[State] = []
        idle: tuple[State, ...] = ()
        if state.pending == 0:
            idle = (state,)
        else:
            if supply.over != "yes":
                after.append(state._replace(pending=self.one_more(state.pending)))
                if not supply.continues:
                    after.append(state)
            if supply.over != "no":
                idle = self.settle(state)
        for settled in idle:
            after.append(settled._replace(pending=1))
            if not supply.warm:
                after.append(settled)
        return tuple(after)

    def _step_pulse(self, state: State, supply: Supply, *, sure: bool) -> tuple[State, ...]:
        on = self._next_scene(state.scene)
        if supply.warm if state.resting else supply.continues:
            slower = self.guards.warm_up.first_ns > self.guards.same_train.first_ns
            return (State(on, 0, resting=state.resting and not sure and slower),)
        return (state._replace(scene=on), state)

    def _power_down(self, state: State, supply: Supply) -> tuple[State, ...]:
        if self.after_power_down == "first":
            return (self.rest(self.codes[0]),)
        if self.after_power_down == "next":
            return (self.rest(self._next_scene(state.scene)),)
        kept = {state.scene}
        if state.pending:
            taken = set(self._chosen(state))
            kept = taken if supply.over == "yes" else kept | taken
        return tuple(self.rest(scene) for scene in kept)

    def one_more(self, count: int) -> int:
        """A count after one more pulse; all beyond a table that does not wrap are alike."""
        if count == SOME_COUNT:
            return SOME_COUNT
        highest = self.codes[-1]
        if self.overflow == "wraps":
            return count % highest + 1
        return min(count + 1, highest + 1)

    def _chosen(self, state: State) -> tuple[int, ...]:
        if state.pending == SOME_COUNT:
            return (ANY_SCENE,) if len(self.codes) > 1 else self.codes
        if state.pending in self.codes:
            return (state.pending,)
        return (state.scene,) if self.overflow == "ignored" else self.codes

    def _next_scene(self, scene: int) -> int:
        if scene == ANY_SCENE:
            return ANY_SCENE
        return self.codes[(self.codes.index(scene) + 1) % len(self.codes)]


def behaviour(datasheet: Datasheet, pad_s: float) -> Behaviour:
    """One type of lamp, its windows made safe by ``pad_s`` (margin plus relay spread, seconds)."""
    lamp = datasheet.lamp
    return Behaviour(
        counts=lamp.selects_by == "count",
        codes=tuple(sorted(scene.code for scene in datasheet.scenes)),
        overflow=lamp.overflow,
        after_power_down=lamp.after_power_down,
        guards=guards(datasheet, pad_s),
    )

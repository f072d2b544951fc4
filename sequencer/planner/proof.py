"""What a train certainly does to each lamp, followed edge by edge, and how much slack it leaves.

This takes no word from the search: it knows nothing of condensed beliefs or zones, only the automaton, every
scene a lamp may start on, and the times of the edges. A plan is a plan when this says so, and what was
really switched is judged by the same walk.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Literal, NamedTuple

from sequencer.automaton.behaviour import LONG_LIT, Behaviour, State, behaviour
from sequencer.automaton.guards import Effect, Window
from sequencer.planner.request import INSIDE_S, LampProof, LampRequest, PlanRequest, Tightest
from sequencer.train import EdgeLog, Train
from sequencer.units import FOREVER_NS, NS_PER_S


class Break(NamedTuple):
    """One break as it was at the contact, ns from the start of the first."""

    opened: int
    closed: int


class Before(NamedTuple):
    """What a lamp was in before a break that it noticed (see :class:`Clocked`), and that break: number, opening.

    While the supply since may pass unnoticed, the next break may reach back to this opening.
    """

    state: State
    since: int | None
    number: int
    opened: int


class Clocked(NamedTuple):
    """A state and when its supply clock was set to 0 (ns from the start); None for long before.

    ``before``: how it came by that; None once it has certainly noticed the supply since.
    """

    state: State
    since: int | None
    before: Before | None


class Reliance(NamedTuple):
    """A length that a lamp's reading hangs on: where it is, and how far (ns) it may still move."""

    slack_ns: float
    break_no: int
    part: Literal["off", "on"]
    window: str
    limit_s: float


def starting_states(lamp: Behaviour, request: PlanRequest, known: int | None) -> set[State]:
    """Every state a lamp may be in when the first break begins."""
    scenes = lamp.codes if known is None else (known,)
    rests = {lamp.rest(scene) for scene in scenes}
    if request.start == "dark":
        return {after for s in rests for after in lamp.notice(s, "power_down", LONG_LIT, sure=True)}
    return rests


class Walk:
    """One lamp's possible states along a train, and every boundary its readings rely on."""

    def __init__(self, lamp: Behaviour, states: Iterable[State], pad_ns: int, spread_ns: int) -> None:
        self.lamp = lamp
        self.states: set[Clocked] = {Clocked(s, None, None) for s in states}
        self.relied: list[Reliance] = []
        self.noticed = True
        """After :meth:`over`: whether it has certainly noticed the last supply."""
        self._from: int | None = None  # where set, nothing before this break matters any more
        self._pad = pad_ns
        self._spread = spread_ns

    def over(self, breaks: Sequence[Break], end: int) -> set[State]:
        """Walk over all breaks and the last supply, up to ``end``."""
        for number, this in enumerate(breaks, start=1):
            self._one(number, this)
        final: set[State] = set()
        self.noticed = not any(self._may_miss(at, end) for at in self.states)
        self._forget()
        for state, since, _ in self.states:
            supply = self.lamp.supply(FOREVER_NS - 1 if since is None else end - since)
            if state.pending and supply.over == "yes" and since is not None:
                self._rely_least(end - since, len(breaks), "on", self.lamp.guards.settled)
            if state.pending == 0 or supply.over != "yes":
                final.add(state)
            if state.pending and supply.over != "no":
                final |= set(self.lamp.settle(state))
        return final

    def _one(self, number: int, this: Break) -> None:
        off = this.closed - this.opened
        effects = self.lamp.effects(off)
        if not any(self._may_miss(at, this.opened) for at in self.states):
            self._forget()
        self._rely_on_effects(number, off, effects)
        after: set[Clocked] = set()
        readings = {effects}
        first = number
        for at in self.states:
            state, since, before = at
            if since is not None:
                on = this.opened - since
                if before is not None and not self._may_miss(at, this.opened):
                    self._rely_least(on, number - 1, "on", self.lamp.guards.noticed)
                if effects != ("ignored",):
                    self._rely_on_supply(number - 1, on, state)
            if before is not None and self._may_miss(at, this.opened):
                # The break before, this supply and this break are one, taken in the state before.
                one = self.lamp.effects(this.closed - before.opened)
                self._rely_on_effects(number, this.closed - before.opened, one)
                readings.add(one)
                first = min(first, before.number)
                after |= {
                    Clocked(s, this.closed, before)
                    for s in self._noticing(before.state, before.since, before.opened, one)
                }
            if "ignored" in effects:
                after.add(at if self._may_miss(at, this.opened) else at._replace(before=None))
            here = Before(state, since, number, this.opened)
            after |= {
                Clocked(s, this.closed, here) for s in self._noticing(state, since, this.opened, effects)
            }
        sure: set[tuple[Effect, ...]] = {("reset",)}
        if self.lamp.after_power_down == "first":
            sure.add(("power_down",))
        self._from = first if readings <= sure else None
        self.states = after

    def _noticing(
        self, state: State, since: int | None, opened: int, effects: tuple[Effect, ...]
    ) -> set[State]:
        """The states after a break that opens then, has these effects, and is noticed."""
        supply = LONG_LIT if since is None else self.lamp.supply(opened - since)
        sure = len(effects) == 1
        noticed = (self.lamp.notice(state, e, supply, sure=sure) for e in effects if e != "ignored")
        return {s for states in noticed for s in states}

    def _may_miss(self, at: Clocked, until: int) -> bool:
        """Whether the supply since the last break it noticed may pass unnoticed."""
        return at.since is not None and until - at.since < self.lamp.guards.noticed.first_ns

    def _forget(self) -> None:
        """Once a break that brings it back from anywhere stands alone for certain, nothing before it matters."""
        if self._from is not None:
            alone = (self._from - 1, "on", "noticed")
            self.relied = [r for r in self.relied if r.break_no >= self._from or (r[1], r[2], r[3]) == alone]
        self._from = None

    def _rely_on_effects(self, number: int, off: int, effects: tuple[Effect, ...]) -> None:
        breaks = self.lamp.guards.breaks
        names = [w.name for w in breaks]
        first, last = names.index(effects[0]), names.index(effects[-1])
        if first > 0:
            self._rely_least(off, number, "off", breaks[first])
        if last < len(breaks) - 1:
            self._rely_most(off, number, "off", breaks[last])

    def _rely_on_supply(self, number: int, on: int, state: State) -> None:
        g, supply = self.lamp.guards, self.lamp.supply(on)
        if not self.lamp.counts:
            window, enough = (g.warm_up, supply.warm) if state.resting else (g.same_train, supply.continues)
            if enough:
                self._rely_least(on, number, "on", window)
            return
        if state.pending == 0 or supply.over == "yes":
            if supply.warm:
                self._rely_least(on, number, "on", g.warm_up)
        elif supply.continues:
            self._rely_least(on, number, "on", g.same_train)
        if state.pending and supply.over == "no":
            self._rely_most(on, number, "on", g.same_train)
        if state.pending and supply.over == "yes":
            self._rely_least(on, number, "on", g.settled)

    def _rely_least(
        self, length: int, number: int, part: Literal["off", "on"], window: Window | None
    ) -> None:
        if window is not None and window.first_ns > 0:
            slack = length - window.first_ns + self._pad - self._spread
            self.relied.append(Reliance(slack, number, part, window.name, window.limits_s[0]))

    def _rely_most(self, length: int, number: int, part: Literal["off", "on"], window: Window) -> None:
        if window.last_ns < FOREVER_NS // 2:
            slack = window.last_ns + self._pad - self._spread - length
            self.relied.append(Reliance(slack, number, part, window.name, window.limits_s[1]))


def breaks_of_train(train: Train) -> tuple[list[Break], int]:
    """A train's breaks and its end, in ns from the first opening."""
    breaks = []
    at = 0
    for pulse in train.pulses:
        closed = at + round(pulse.off_s * NS_PER_S)
        breaks.append(Break(at, closed))
        at = closed + round(pulse.on_s * NS_PER_S)
    return breaks, at


def breaks_of_log(log: EdgeLog, request: PlanRequest) -> list[Break]:
    """The breaks that were really commanded, mean delays added, in ns from the first opening.

    A command that may have been given late is taken to have come in the middle of what is possible. Where the
    playing ended in a break, its closing is when the relay was sent to rest.
    """
    delays = request.delays
    edges = [(s.closed, s.commanded_s + log.held_up_s(s) / 2) for s in log.stamps]
    if edges and not edges[-1][0] and log.rested_s is not None and log.rests_closed:
        edges.append((True, log.rested_s))
    times = [
        round((at + (delays.mean_make_s if closed else delays.mean_break_s)) * NS_PER_S)
        for closed, at in edges
    ]
    return [Break(a - times[0], b - times[0]) for a, b in zip(times[::2], times[1::2], strict=False)]


def prove(request: PlanRequest, train: Train) -> tuple[LampProof, ...] | None:
    """Each lamp's proof, or None when the train leaves a lamp in doubt or on another scene."""
    proofs = []
    for lamp in request.lamps:
        walk = _walk(request, lamp, request.pad_s)
        final = walk.over(*breaks_of_train(train))
        if not walk.noticed or {(state.scene, state.pending) for state in final} != {(lamp.wanted, 0)}:
            return None
        if request.start != "rest" and round(train.lead_in_s * NS_PER_S) < _ready_ns(request, walk.lamp):
            return None
        proofs.append(_proof(lamp, walk))
    return tuple(proofs)


def _ready_ns(request: PlanRequest, lamp: Behaviour) -> int:
    """Supply that a lamp must have had before the first break where it does not come from rest."""
    g = lamp.guards
    ready = [g.noticed, g.warm_up]
    if request.start == "cut" and g.settled is not None:
        ready.append(g.settled)
    return max(round(request.pad_s * NS_PER_S), *[window.first_ns for window in ready])


def _walk(request: PlanRequest, lamp: LampRequest, pad_s: float) -> Walk:
    acts = behaviour(lamp.datasheet, pad_s)
    spread = round(request.delays.spread_s * NS_PER_S)
    return Walk(acts, starting_states(acts, request, lamp.known), round(pad_s * NS_PER_S), spread)


def _proof(lamp: LampRequest, walk: Walk) -> LampProof:
    scene = lamp.datasheet.scene_by_code(lamp.wanted)
    name = scene.name if scene is not None else str(lamp.wanted)
    if not walk.relied:
        return LampProof(lamp.lamp, lamp.stem, name, lamp.wanted, None, None)
    # Of windows that are equally tight there, the one that the reading itself looks at.
    least = min(walk.relied, key=lambda r: (*r[:3], r.window == "noticed", *r[3:]))
    tightest = Tightest(least.break_no, least.part, least.window, least.limit_s)
    return LampProof(lamp.lamp, lamp.stem, name, lamp.wanted, least.slack_ns / NS_PER_S, tightest)


class LampJudgement(NamedTuple):
    """The scenes (by name) that a lamp may now be on; one when all went well."""

    lamp: str
    ends_on: frozenset[str]


class Judgement(NamedTuple):
    """``spoiled``: some lamp could have read an edge other than the plan meant."""

    spoiled: bool
    lamps: tuple[LampJudgement, ...]


def judge(request: PlanRequest, train: Train, log: EdgeLog) -> Judgement:
    """What the edges that were really commanded leave each lamp on.

    Slack that was there as margin may be used up; the relay's spread and the lamps' clocks may not. What
    follows the last edge is taken to be supply for as long as every lamp needs to settle. A lamp may be on
    anything where the contact was left open, or opens by going to rest before the train has ended; and
    where a command failed, for nobody knows whether the contact moved.
    """
    breaks = breaks_of_log(log, request)
    finished = log.outcome == "finished" and len(breaks) == train.relay_cycles
    left_open = log.stamps[-1:] and not log.stamps[-1].closed and log.rested_s is None
    cut_short = log.outcome != "finished" and not log.rests_closed
    unknown = log.outcome == "failed" or left_open or cut_short
    held_up_s = max(map(log.held_up_s, log.stamps), default=0.0)
    lamps = []
    for lamp in request.lamps:
        walk = _walk(request, lamp, max(request.delays.spread_s, INSIDE_S) + held_up_s)
        guards = walk.lamp.guards
        settles = 0 if guards.settled is None else guards.settled.first_ns
        end = (breaks[-1].closed if breaks else 0) + max(settles, guards.noticed.first_ns)
        states = walk.over(breaks, end)
        scenes = set(walk.lamp.codes) if unknown else {s.scene for s in states}
        names = {scene.name for scene in lamp.datasheet.scenes if scene.code in scenes}
        lamps.append(LampJudgement(lamp.lamp, frozenset(names)))
    wanted = [lamp.datasheet.scene_by_code(lamp.wanted) for lamp in request.lamps]
    sure = all(j.ends_on == {w.name} for j, w in zip(lamps, wanted, strict=True) if w is not None)
    return Judgement(not (finished and sure), tuple(lamps))

"""The trains of an acceptance run: each ends, by what the datasheet promises, on one certain scene.

What a train ends on is told by the planner's proof, which walks the automaton along it; a train that leaves a
lamp of this type any choice is not used. So whatever a sound lamp may do between its windows, it passes.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import cached_property, lru_cache
from itertools import product
from random import Random
from typing import TYPE_CHECKING, Literal, NamedTuple

from sequencer.automaton.behaviour import Behaviour, behaviour
from sequencer.errors import InputError
from sequencer.planner import LampRequest, PlanRequest, Refusal, plan
from sequencer.planner.proof import Walk, breaks_of_train
from sequencer.train import Delays, Pulse, Train
from sequencer.units import NS_PER_S, to_seconds

if TYPE_CHECKING:
    from sequencer.automaton.guards import Window
    from sequencer.datasheet import Datasheet

Phase = Literal["look", "reach", "edges", "memory", "low volts", "tours"]
COMFORT_S = 0.2
"""How far inside a window a length keeps that tests nothing at its edges."""
SHORTEST_S = 0.015
"""No break shorter than this is tried as ridden through: a relay can hardly make it."""
MOST_BEFORE = 2
MOST_JOINED = 6
"""So many pulses at most are counted before breaks that may be one long break, and so many may be one."""
STILL_S = 1.0
ROUNDS = 2.5
"""How long a look is reckoned to take: at a still scene, and in periods of a moving one."""


class Exercise(NamedTuple):
    """One train, in words, with the code of the scene it ends on, and the supply's volts for it.

    ``expects`` None: there is nothing to expect, only to see what it shows. ``or_else``: scenes that are as right.
    """

    phase: Phase
    what: str
    train: Train
    expects: int | None
    volts: float | None = None
    seconds: float = 0.0
    again: bool = False
    or_else: tuple[int, ...] = ()


class Edge(NamedTuple):
    """A length at the edge of a window, in words, and the pulses that try it, after the lamp was on ``base``.

    ``open_end``: the datasheet leaves it some scenes to end on, and only others are wrong.
    """

    what: str
    base: int
    pulses: tuple[Pulse, ...]
    open_end: bool = False


@dataclass(frozen=True)
class Trainer:
    """Makes trains for one lamp on the bench. ``rest_s`` of supply leaves it settled and warm for certain."""

    sheet: Datasheet
    delays: Delays = field(default_factory=Delays)
    margin_s: float = 0.03
    max_flashes_per_s: float = 3.0
    max_dark_s: float = 60.0

    @cached_property
    def acts(self) -> Behaviour:
        """The automaton, with margin and relay spread kept."""
        return behaviour(self.sheet, self.margin_s + self.delays.spread_s)

    @cached_property
    def rest_s(self) -> float:
        """Supply after which every lamp of the type is settled and warm."""
        guards = self.acts.guards
        needs = [guards.warm_up.first_ns, guards.same_train.first_ns, guards.noticed.first_ns]
        needs += [] if guards.settled is None else [guards.settled.first_ns]
        return to_seconds(max(needs))

    @cached_property
    def lead_in_s(self) -> float:
        """Supply after which it is settled and warm whatever came before."""
        guards = self.acts.guards
        settled = 0 if guards.settled is None else guards.settled.first_ns
        return max(self.rest_s, to_seconds(settled + guards.warm_up.first_ns))

    @cached_property
    def blind(self) -> bool:
        """Whether every scene can be reached without knowing what it shows; InputError when one cannot be had."""
        reasons = [self._planned(code, None) for code in self.acts.codes]
        if not any(isinstance(found, str) for found in reasons):
            return True
        known = self.acts.codes[0]
        for code in self.acts.codes:
            if isinstance(reason := self._planned(code, known), str):
                scene = self.sheet.scene_by_code(code)
                name = code if scene is None else scene.name
                raise InputError(f'{self.sheet.lamp.name}: no train reaches "{name}" on this rig: {reason}')
        return False

    def to(self, code: int, known: int | None) -> tuple[Pulse, ...]:
        """The planner's train to a scene, from rest; the supply after it is prolonged to ``rest_s``."""
        found = self._planned(code, known)
        if isinstance(found, str):
            raise InputError(f"{self.sheet.lamp.name}: no train to code {code} on this rig: {found}")
        return self.rested(found)

    def rested(self, pulses: tuple[Pulse, ...]) -> tuple[Pulse, ...]:
        """With so much supply after the last break that the lamp is at rest, and no flash comes too soon."""
        if not pulses:
            return ()
        *first, last = pulses
        on_s = max(last.on_s, self.rest_s, 1 / self.max_flashes_per_s - last.off_s)
        return (*first, Pulse(last.off_s, on_s))

    def ends_on(self, pulses: tuple[Pulse, ...], known: int | None = None) -> int | None:
        """The one scene that these breaks certainly end on, from rest; None when there is a choice."""
        scenes = self.may_end_on(pulses, known)
        return min(scenes) if len(scenes) == 1 else None

    def may_end_on(self, pulses: tuple[Pulse, ...], known: int | None = None) -> frozenset[int]:
        """All scenes that these breaks may end on, from rest; none when it may not have chosen by the end."""
        codes = self.acts.codes if known is None else (known,)
        spread = round(self.delays.spread_s * NS_PER_S)
        pad = round((self.margin_s + self.delays.spread_s) * NS_PER_S)
        walk = Walk(self.acts, {self.acts.rest(code) for code in codes}, pad, spread)
        final = walk.over(*breaks_of_train(Train(pulses)))
        pending = any(state.pending for state in final)
        return frozenset() if pending or not walk.noticed else frozenset(state.scene for state in final)

    def _planned(self, code: int, known: int | None) -> tuple[Pulse, ...] | str:
        return _plan_once(
            self.sheet, self.delays, self.margin_s, self.max_flashes_per_s, self.max_dark_s, code, known
        )

    # -- lengths ---------------------------------------------------------------------------------

    def window(self, name: str) -> Window | None:
        """An off window made safe, or None where the datasheet has none or nothing is left of it."""
        return next((w for w in self.acts.guards.breaks if w.name == name and not w.closed), None)

    @cached_property
    def off_s(self) -> float:
        """A pulse well inside its window."""
        return _inside(self.window("pulse"))

    def gap_s(self, off_s: float) -> float:
        """Supply well inside same_train, and no flash too soon."""
        return max(_inside(self.acts.guards.same_train), 1 / self.max_flashes_per_s - off_s)

    def plain(self, count: int, on_s: float | None = None, off_s: float | None = None) -> tuple[Pulse, ...]:
        """So many pulses of one train, not yet rested."""
        off_s = self.off_s if off_s is None else off_s
        on_s = self.gap_s(off_s) if on_s is None else on_s
        return (Pulse(off_s, on_s),) * count

    def scramble(self, chance: Random) -> tuple[Pulse, ...]:
        """Some pulses, cut short, and the lead-in after them: what it shows now is nobody's knowledge."""
        *first, last = self.plain(chance.randint(1, 3))
        return (*first, Pulse(last.off_s, max(self.lead_in_s, 1 / self.max_flashes_per_s - last.off_s)))

    def edges(self) -> Iterator[Edge]:
        """Every edge of every window that this type, relay and margin leave open."""
        base, other = self.acts.codes[-1], self.acts.codes[min(1, len(self.acts.codes) - 1)]
        yield from self._pulse_edges(base, other)
        yield from self._supply_edges(base, other)
        if noticed := self._noticed_edge(base):
            yield noticed
        for name in ("reset", "power_down"):
            if window := self.window(name):
                ends = [("shortest", window.first_ns), ("longest", window.last_ns)]
                for which, length in ends:
                    if to_seconds(length) <= self.max_dark_s:
                        words = f"{which} {name.replace('_', '-')}"
                        yield Edge(words, other, self.rested((Pulse(to_seconds(length), 0.0),)))
        if (ridden := self.window("ignored")) and to_seconds(ridden.last_ns) >= SHORTEST_S:
            yield Edge(
                "longest break ridden through", other, self.rested((Pulse(to_seconds(ridden.last_ns), 0.0),))
            )

    def _pulse_edges(self, base: int, other: int) -> Iterator[Edge]:
        window = self.window("pulse")
        if window is None:
            return
        for which, length in (("shortest", window.first_ns), ("longest", window.last_ns)):
            off_s = to_seconds(length)
            if off_s <= self.max_dark_s:
                yield Edge(f"{which} pulse", base, self.rested(self.plain(2, off_s=off_s)))
        beyond = self.acts.codes[-1] + 2 if self.acts.counts else 1
        for start in (base, other) if self.acts.counts else (base,):
            yield Edge("over the end of the table", start, self.rested(self.plain(beyond)))

    def _supply_edges(self, base: int, other: int) -> Iterator[Edge]:
        guards, pulse = self.acts.guards, self.window("pulse")
        if pulse is None:
            return
        soonest = to_seconds(max(guards.same_train.first_ns, guards.noticed.first_ns))
        off_s = max(self.off_s, 1 / self.max_flashes_per_s - soonest)
        if off_s <= to_seconds(pulse.last_ns):
            yield Edge("shortest supply within a train", base, self.rested(self.plain(2, soonest, off_s)))
        if guards.settled is not None:
            longest = to_seconds(guards.same_train.last_ns)
            if longest >= 1 / self.max_flashes_per_s - self.off_s:
                yield Edge("longest supply within a train", base, self.rested(self.plain(2, longest)))
            first = (Pulse(self.off_s, to_seconds(guards.settled.first_ns)),)
            yield Edge("soonest next train", base, self.rested((*first, *self.plain(other))))
        for name in ("reset", "power_down"):
            if (window := self.window(name)) and to_seconds(window.first_ns) <= self.max_dark_s:
                awake = to_seconds(max(guards.warm_up.first_ns, guards.noticed.first_ns))
                dark_s = max(to_seconds(window.first_ns), 1 / self.max_flashes_per_s - awake)
                words = f"soonest train after a {name.replace('_', '-')}"
                if dark_s <= to_seconds(window.last_ns):
                    yield Edge(words, base, self.rested((Pulse(dark_s, awake), *self.plain(2))))

    def _noticed_edge(self, base: int) -> Edge | None:
        """The least supply that is noticed, between breaks that as one long break end on another scene.

        The fewest that tell, and of these the shortest. None where none tell; or where the shortest supply within a
        train is the same, and tells.
        """
        guards, pitch_s = self.acts.guards, 1 / self.max_flashes_per_s
        on_s = to_seconds(guards.noticed.first_ns)
        within = Pulse(max(self.off_s, pitch_s - on_s), on_s)
        if guards.noticed.first_ns >= guards.same_train.first_ns and self._parted((), (within, within), base):
            return None
        lengths = sorted({s for name in ("pulse", "reset", "power_down") for s in self._lengths(name)})
        chains = [
            (Pulse(max(one_s, pitch_s - on_s), on_s),) * times + (Pulse(last_s, on_s),)
            for one_s, last_s, times in product(lengths, lengths, range(1, MOST_JOINED))
        ]
        chains.sort(key=lambda chain: (len(chain), sum(pulse.off_s for pulse in chain)))
        before = range(MOST_BEFORE + 1 if self.acts.counts else 1)
        for start in dict.fromkeys((base, *self.acts.codes[:2])):
            for chain, pending in product(chains, before):
                first = self.plain(pending) if pending else ()
                if ends := self._parted(first, chain, start):
                    words = "shortest supply that is noticed"
                    return Edge(words, start, self.rested((*first, *chain)), len(ends) > 1)
        return None

    def _parted(self, first: tuple[Pulse, ...], chain: tuple[Pulse, ...], start: int) -> frozenset[int]:
        """Where a lamp may end on that notices the supply in a chain; none when one that does not may end there."""
        one_s = sum(pulse.off_s + pulse.on_s for pulse in chain) - chain[-1].on_s
        parted = self.may_end_on(self.rested((*first, *chain)), start)
        merged = self.may_end_on(self.rested((*first, Pulse(one_s, 0.0))), start)
        return parted if merged and not parted & merged else frozenset()

    def _lengths(self, name: str) -> Iterator[float]:
        """The shortest break of a window, one inside it, and the longest (s), none too long for the rig."""
        if window := self.window(name):
            lengths = (to_seconds(window.first_ns), _inside(window), to_seconds(window.last_ns))
            yield from (length for length in lengths if length <= self.max_dark_s)


def look_s(sheet: Datasheet, code: int | None) -> float:
    """How long a look at this scene is reckoned to take."""
    scene = None if code is None else sheet.scene_by_code(code)
    return STILL_S if scene is None or scene.period_s is None else STILL_S + ROUNDS * scene.period_s


def _inside(window: Window | None) -> float:
    if window is None:
        raise InputError(
            "nothing is left of [off] pulse: margin, relay spread and clock tolerance have eaten it"
        )
    first, last = to_seconds(window.first_ns), to_seconds(window.last_ns)
    return min(first + COMFORT_S, (first + last) / 2)


@lru_cache(maxsize=4096)
def _plan_once(
    sheet: Datasheet,
    delays: Delays,
    margin_s: float,
    max_flashes_per_s: float,
    max_dark_s: float,
    code: int,
    known: int | None,
) -> tuple[Pulse, ...] | str:
    lamp = LampRequest("lamp", "bench", sheet, code, known)
    found = plan(PlanRequest((lamp,), delays, margin_s, max_flashes_per_s, max_dark_s))
    return found.reason if isinstance(found, Refusal) else found.train.pulses

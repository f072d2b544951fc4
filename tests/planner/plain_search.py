"""A plain uniform-cost search for trains, in plain dictionaries: what the planner is measured against.

It shares with the planner only the automaton. Beliefs are sets of states with every scene spelt out and
every clock in numbers; nothing is condensed, nothing bounds the way ahead, and lengths are drawn from the
lamps' own boundaries: every window's safe ends, and what is left of them after supply that a lamp has
already had. Slow, and simple enough to be believed.
"""

from __future__ import annotations

import heapq
from collections.abc import Sequence

from sequencer.automaton.behaviour import LONG_LIT, Behaviour, State
from sequencer.units import FOREVER_NS

Held = tuple[State, int]  # a state and the supply it has had since its last noticed break (ns)
Beliefs = tuple[frozenset[Held], ...]
LONG = FOREVER_NS - 1


def supply_marks(lamp: Behaviour) -> set[int]:
    g = lamp.guards
    marks = {g.same_train.first_ns, g.same_train.last_ns, g.warm_up.first_ns}
    return marks | ({g.settled.first_ns} if g.settled else set())


def break_lengths(lamps: Sequence[Behaviour], max_dark: int) -> list[int]:
    ends = {n for lamp in lamps for w in lamp.guards.breaks for n in (w.first_ns, w.last_ns)}
    return sorted(n for n in ends if 0 < n <= max_dark)


def after_break(lamp: Behaviour, belief: frozenset[Held], off: int) -> frozenset[Held]:
    effects = lamp.effects(off)
    after: set[Held] = set()
    for state, had in belief:
        supply = LONG_LIT if had == LONG else lamp.supply(had)
        for effect in effects:
            if effect == "ignored":
                after.add((state, min(had + off, LONG)))
            else:
                after |= {(s, 0) for s in lamp.notice(state, effect, supply, sure=len(effects) == 1)}
    return frozenset(after)


def settle(lamp: Behaviour, held: Held) -> list[Held]:
    state, had = held
    settled = lamp.guards.settled
    states = lamp.settle(state) if settled and had >= settled.first_ns else (state,)
    far = max(supply_marks(lamp))
    return [(s, LONG if had >= far else had) for s in states]


def ends(lamp: Behaviour, belief: frozenset[Held], wanted: int) -> int | None:
    """Supply still needed until every state is surely on the wanted scene, or None."""
    wait = 0
    for state, had in belief:
        if {s.scene for s in lamp.settle(state)} != {wanted}:
            return None
        if state.pending:
            assert lamp.guards.settled is not None
            wait = max(wait, lamp.guards.settled.first_ns - had)
    return wait


def plain_search(
    lamps: Sequence[Behaviour],
    wanted: Sequence[int],
    cycle: int,
    max_dark: int,
    contact: int,
    most_nodes: int,
) -> tuple[int | None, bool, int]:
    """Least total (ns) or None; whether the search ended by itself; how many beliefs were expanded."""
    start = tuple(frozenset((lamp.rest(code), LONG) for code in lamp.codes) for lamp in lamps)
    marks = set().union(*map(supply_marks, lamps))
    offs = break_lengths(lamps, max_dark)
    heap: list[tuple[int, int, Beliefs | None, int]] = [(0, 0, start, cycle)]
    seen: dict[tuple[Beliefs, int], int] = {}
    expanded = tick = 0
    while heap:
        total, _, beliefs, last_off = heapq.heappop(heap)
        if beliefs is None:
            return total, True, expanded
        owed = max(0, cycle - last_off)
        key = (beliefs, owed)
        if key in seen:
            continue
        if expanded >= most_nodes:
            return None, False, expanded
        seen[key] = expanded = expanded + 1
        waits = [ends(lamp, belief, w) for lamp, belief, w in zip(lamps, beliefs, wanted, strict=True)]
        if None not in waits:
            tick += 1
            last = max(owed if total else 0, *[w for w in waits if w is not None])
            heapq.heappush(heap, (total + last, tick, None, 0))
        least = 0 if total == 0 else max(owed, contact)
        had = {h for belief in beliefs for _, h in belief if h != LONG} | {0}
        ons = {least} | {m - h for m in marks for h in had if m - h > least} if total else {0}
        for on in sorted(ons):
            lit = tuple(
                frozenset(s for h in belief for s in settle(lamp, (h[0], min(h[1] + on, LONG))))
                for lamp, belief in zip(lamps, beliefs, strict=True)
            )
            for off in offs:
                after = tuple(after_break(lamp, b, off) for lamp, b in zip(lamps, lit, strict=True))
                tick += 1
                heapq.heappush(heap, (total + on + off, tick, after, off))
    return None, True, expanded

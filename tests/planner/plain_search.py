"""A plain uniform-cost search for trains, in plain dictionaries: what the planner is measured against.

It shares with the planner only the automaton. Beliefs are sets of states with every scene spelt out and
every clock in numbers; nothing is condensed, nothing bounds the way ahead, and lengths are drawn from the
lamps' own boundaries: every window's safe ends, and what is left of them after supply that a lamp has
already had. Slow, and simple enough to be believed.
"""

from __future__ import annotations

import heapq
from collections.abc import Iterable, Sequence
from itertools import repeat
from typing import NamedTuple

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


def after_supply(lamp: Behaviour, belief: frozenset[Held], on: int) -> frozenset[Held]:
    return frozenset(s for state, had in belief for s in settle(lamp, (state, min(had + on, LONG))))


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


def _wider(beliefs: Beliefs, owed: int, seen: Iterable[tuple[Beliefs, int]]) -> bool:
    return any(o <= owed and all(map(frozenset.issubset, narrow, beliefs)) for narrow, o in seen)


class Found(NamedTuple):
    """The best train's total (ns) and breaks, or None twice; ``finished``: the search ended by itself."""

    total: int | None
    breaks: int | None
    finished: bool
    expanded: int


def plain_search(
    lamps: Sequence[Behaviour],
    wanted: Sequence[int],
    cycle: int,
    max_dark: int,
    contact: int,
    most_nodes: int,
) -> tuple[int | None, bool, int]:
    """From rest on any scene: least total (ns) or None; whether the search ended by itself; beliefs expanded."""
    found = plain_best(lamps, wanted, cycle, max_dark, contact, most_nodes)
    return found.total, found.finished, found.expanded


def plain_best(
    lamps: Sequence[Behaviour],
    wanted: Sequence[int],
    cycle: int,
    max_dark: int,
    contact: int,
    most_nodes: int,
    *,
    starts: Sequence[Iterable[State]] | None = None,
    below: tuple[int, int] = (FOREVER_NS, 0),
    drop_wider: bool = False,
) -> Found:
    """The train of least total, then of fewest breaks, that is better than ``below`` (total, breaks).

    ``starts``: the states that each type may rest in; any scene when left out. ``drop_wider``: go on only
    from beliefs that do not hold all of another's, reached no later (what serves the wider serves that).
    """
    resting = starts or [[lamp.rest(code) for code in lamp.codes] for lamp in lamps]
    start = tuple(frozenset((state, LONG) for state in states) for states in resting)
    marks = set().union(*map(supply_marks, lamps))
    offs = break_lengths(lamps, max_dark)
    heap: list[tuple[int, int, int, Beliefs | None, int]] = [(0, 0, 0, start, cycle)]
    seen: set[tuple[Beliefs, int]] = set()
    expanded = tick = 0
    while heap:
        total, breaks, _, beliefs, last_off = heapq.heappop(heap)
        if beliefs is None:
            return Found(total, breaks, True, expanded)
        owed = max(0, cycle - last_off)
        if (beliefs, owed) in seen or (drop_wider and _wider(beliefs, owed, seen)):
            continue
        if expanded >= most_nodes:
            return Found(None, None, False, expanded)
        seen.add((beliefs, owed))
        expanded += 1
        waits = [ends(lamp, belief, w) for lamp, belief, w in zip(lamps, beliefs, wanted, strict=True)]
        if None not in waits:
            last = max(max(owed, contact) if breaks else 0, *[w for w in waits if w is not None])
            if (total + last, breaks) < below:
                tick += 1
                heapq.heappush(heap, (total + last, breaks, tick, None, 0))
        least = max(owed, contact) if breaks else 0
        had = {h for belief in beliefs for _, h in belief if h != LONG} | {0}
        ons = {least} | {m - h for m in marks for h in had if m - h > least} if breaks else {0}
        for on in sorted(ons):
            if not offs or (total + on + offs[0], breaks + 1) >= below:
                break
            lit = tuple(map(after_supply, lamps, beliefs, repeat(on)))
            for off in offs:
                if (total + on + off, breaks + 1) >= below:
                    break
                after = tuple(map(after_break, lamps, lit, repeat(off)))
                tick += 1
                heapq.heappush(heap, (total + on + off, breaks + 1, tick, after, off))
    return Found(None, None, True, expanded)

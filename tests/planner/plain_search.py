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
from sequencer.automaton.guards import Effect
from sequencer.units import FOREVER_NS


class Before(NamedTuple):
    """A state before a break that was noticed, the supply it had had then, and how long ago that break began."""

    state: State
    had: int
    ago: int


Held = tuple[State, int, Before | None]
"""A state, the supply it has had since its last noticed break (ns), and, while that may be missed, what was before."""
Beliefs = tuple[frozenset[Held], ...]
LONG = FOREVER_NS - 1


def supply_marks(lamp: Behaviour) -> set[int]:
    g = lamp.guards
    marks = {g.same_train.first_ns, g.same_train.last_ns, g.warm_up.first_ns, g.noticed.first_ns}
    return marks | ({g.settled.first_ns} if g.settled else set())


def break_lengths(lamps: Sequence[Behaviour], max_dark: int) -> list[int]:
    ends = {n for lamp in lamps for w in lamp.guards.breaks for n in (w.first_ns, w.last_ns)}
    return sorted(n for n in ends if 0 < n <= max_dark)


def after_break(lamp: Behaviour, belief: frozenset[Held], off: int) -> frozenset[Held]:
    effects = lamp.effects(off)
    after: set[Held] = set()
    for state, had, before in belief:
        if "ignored" in effects:
            after.add(held(lamp, state, had + off, before and before._replace(ago=before.ago + off)))
        after |= noticing(lamp, Before(state, had, off), effects)
        if before is not None:
            one = before._replace(ago=before.ago + off)
            after |= noticing(lamp, one, lamp.effects(one.ago))
    return frozenset(after)


def noticing(lamp: Behaviour, before: Before, effects: tuple[Effect, ...]) -> set[Held]:
    """After a break that was noticed, and has just ended, with these effects."""
    state, had, _ = before
    supply = LONG_LIT if had == LONG else lamp.supply(had)
    sure = len(effects) == 1
    return {
        (s, 0, before) for e in effects if e != "ignored" for s in lamp.notice(state, e, supply, sure=sure)
    }


def held(lamp: Behaviour, state: State, had: int, before: Before | None) -> Held:
    return (state, min(had, LONG), before if had < lamp.guards.noticed.first_ns else None)


def after_supply(lamp: Behaviour, belief: frozenset[Held], on: int) -> frozenset[Held]:
    return frozenset(
        s
        for state, had, before in belief
        for s in settle(lamp, held(lamp, state, had + on, before and before._replace(ago=before.ago + on)))
    )


def settle(lamp: Behaviour, at: Held) -> list[Held]:
    state, had, before = at
    settled = lamp.guards.settled
    states = lamp.settle(state) if settled and had >= settled.first_ns else (state,)
    far = max(supply_marks(lamp))
    return [(s, LONG if had >= far else had, before) for s in states]


def ends(lamp: Behaviour, belief: frozenset[Held], wanted: int) -> int | None:
    """Supply still needed until every state is surely on the wanted scene and has noticed it, or None."""
    wait = 0
    for state, had, _ in belief:
        wait = max(wait, lamp.guards.noticed.first_ns - had)
        if {s.scene for s in lamp.settle(state)} != {wanted}:
            return None
        if state.pending:
            assert lamp.guards.settled is not None
            wait = max(wait, lamp.guards.settled.first_ns - had)
    return wait


class Node(NamedTuple):
    """The end of a break, and how long (ns) the supply after it is to be: at least, and less than.

    Either every lamp certainly notices that supply, and nothing reaches back over it; or it is shorter.
    """

    beliefs: Beliefs
    least: int
    below: int


def nodes(lamps: Sequence[Behaviour], beliefs: Beliefs, least: int) -> list[Node]:
    """Both nodes at the end of a break after which supply lasts ``least`` or more."""
    certain = [
        lamp.guards.noticed.first_ns - had
        for lamp, belief in zip(lamps, beliefs, strict=True)
        for _, had, before in belief
        if before is not None
    ]
    noticed = max([least, *certain])
    plain = tuple(frozenset((state, had, None) for state, had, _ in belief) for belief in beliefs)
    return [Node(plain, noticed, LONG)] + ([Node(beliefs, least, noticed)] if least < noticed else [])


def _wider(node: Node, seen: Iterable[Node]) -> bool:
    return any(
        other.least <= node.least
        and other.below == node.below
        and all(map(frozenset.issubset, other.beliefs, node.beliefs))
        for other in seen
    )


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
    start = tuple(frozenset((state, LONG, None) for state in states) for states in resting)
    marks = set().union(*map(supply_marks, lamps))
    offs = break_lengths(lamps, max_dark)
    heap: list[tuple[int, int, int, Node | None]] = [(0, 0, 0, Node(start, 0, LONG))]
    seen: set[Node] = set()
    expanded = tick = 0
    while heap:
        total, breaks, _, node = heapq.heappop(heap)
        if node is None:
            return Found(total, breaks, True, expanded)
        if node in seen or (drop_wider and _wider(node, seen)):
            continue
        if expanded >= most_nodes:
            return Found(None, None, False, expanded)
        seen.add(node)
        expanded += 1
        beliefs, least, most = node
        waits = [ends(lamp, belief, w) for lamp, belief, w in zip(lamps, beliefs, wanted, strict=True)]
        if None not in waits and most == LONG:
            last = max(least, *[w for w in waits if w is not None])
            if (total + last, breaks) < below:
                tick += 1
                heapq.heappush(heap, (total + last, breaks, tick, None))
        had = {h for belief in beliefs for _, h, _ in belief if h != LONG} | {0}
        ons = {least} | {m - h for m in marks for h in had if least < m - h < most} if breaks else {0}
        for on in sorted(ons):
            if not offs or (total + on + offs[0], breaks + 1) >= below:
                break
            lit = tuple(map(after_supply, lamps, beliefs, repeat(on)))
            for off in offs:
                if (total + on + off, breaks + 1) >= below:
                    break
                after = tuple(map(after_break, lamps, lit, repeat(off)))
                for then in nodes(lamps, after, max(cycle - off, contact, 0)):
                    tick += 1
                    heapq.heappush(heap, (total + on + off, breaks + 1, tick, then))
    return Found(None, None, True, expanded)

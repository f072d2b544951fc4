"""Every train up to a length, tried one after another, in whole ticks; written from what a lamp does.

It shares nothing with automaton and planner. A lamp is a plain tuple, a belief a set of them, and every length
a break or a supply may have is tried, tick by tick. Where all windows and margins are whole ticks, so are the
lengths of some best train: what binds them are sums and differences of those.

A length keeps the margin from a boundary or counts as having the effects of both sides: it is read at every
half tick nearer than the margin. A boundary is only ever at a whole tick.
"""

from __future__ import annotations

import heapq
from collections.abc import Iterable, Iterator, Sequence
from itertools import pairwise
from typing import NamedTuple

FOREVER = 1 << 30


class Table(NamedTuple):
    """One type of lamp, in ticks; no ``settled`` for a step lamp, ``reset`` may be missing."""

    selects_by: str
    codes: tuple[int, ...]
    overflow: str
    after_power_down: str
    ignored: tuple[int, int]
    pulse: tuple[int, int]
    reset: tuple[int, int] | None
    power_down: tuple[int, int]
    same_train: tuple[int, int]
    settled: int | None
    warm_up: int


class Lamp(NamedTuple):
    """What one lamp may be in: scene, pulses counted, a step lamp at rest, supply since it last noticed a break."""

    scene: int
    count: int
    at_rest: bool
    had: int


Belief = frozenset[Lamp]


class Reader:
    """What breaks and supply do to a belief about one type."""

    def __init__(self, table: Table, margin: int) -> None:
        self.table = table
        self.margin = margin
        self.long = max(table.same_train[1] % FOREVER, table.settled or 0, table.warm_up) + margin
        self._after: dict[tuple[Belief, int], Belief] = {}
        self._lit: dict[tuple[Belief, int], Belief] = {}

    def near(self, length: int) -> Iterator[float]:
        """All readings of a length that the margin leaves open."""
        yield length
        for half in range(1, 2 * self.margin):
            yield length - half / 2
            yield length + half / 2

    def rest(self, scene: int) -> Lamp:
        return Lamp(scene, 0, self.table.selects_by == "step", self.long)

    def effects(self, off: int) -> set[str]:
        t = self.table
        windows = [
            ("ignored", t.ignored),
            ("pulse", t.pulse),
            ("reset", t.reset),
            ("power_down", t.power_down),
        ]
        there = [(name, window) for name, window in windows if window is not None]
        found = set()
        for length in self.near(off):
            if length <= 0:
                found.add("ignored")
                continue
            inside = {name for name, (a, b) in there if a <= length <= b}
            beside = [{one, two} for (one, (_, b)), (two, (a, _)) in pairwise(there) if b < length < a]
            found |= set.union(inside, *beside)
        return found

    def chosen(self, lamp: Lamp) -> set[int]:
        """The scenes that pending pulses may choose."""
        codes, count = self.table.codes, lamp.count
        if self.table.overflow == "wraps":
            return {(count - 1) % codes[-1] + 1}
        if count in codes:
            return {count}
        return {lamp.scene} if self.table.overflow == "ignored" else set(codes)

    def following(self, scene: int) -> int:
        codes = self.table.codes
        return codes[(codes.index(scene) + 1) % len(codes)]

    def taken(self, lamp: Lamp, had: float) -> Iterator[tuple[int, int, bool]]:
        """A break that is a pulse: scene, count and rest after it."""
        t = self.table
        scene, count = lamp.scene, lamp.count
        if t.settled is None:
            sure = had >= (t.warm_up if lamp.at_rest else t.same_train[0])
            yield self.following(scene), 0, lamp.at_rest and not sure
            if not sure:
                yield scene, 0, lamp.at_rest
            return
        scenes = {scene} if count == 0 else set()
        if count:
            if had < t.settled:
                yield scene, count + 1, False
            if had < t.same_train[0]:
                yield scene, count, False
            if had > t.same_train[1]:
                scenes = self.chosen(lamp)
        for idle in scenes:
            yield idle, 1, False
            if had < t.warm_up:
                yield idle, 0, False

    def noticed(self, lamp: Lamp, effect: str) -> Iterator[tuple[int, int, bool]]:
        t = self.table
        step = t.settled is None
        if effect == "pulse":
            for had in self.near(lamp.had):
                yield from self.taken(lamp, had)
        elif effect == "reset" or t.after_power_down == "first":
            yield t.codes[0], 0, step
        elif t.after_power_down == "next":
            yield self.following(lamp.scene), 0, step
        else:
            yield lamp.scene, 0, step
            for scene in self.chosen(lamp) if lamp.count else ():
                yield scene, 0, step

    def after(self, belief: Belief, off: int) -> Belief:
        if (belief, off) not in self._after:
            found: set[Lamp] = set()
            effects = self.effects(off)
            for lamp in belief:
                for effect in effects:
                    if effect == "ignored":
                        found |= self.supplied(lamp, off)
                    else:
                        for scene, count, at_rest in self.noticed(lamp, effect):
                            found.add(Lamp(scene, self.held(count), at_rest, 0))
                            if lamp.at_rest and len(effects) > 1:  # taken, but not for certain
                                found.add(Lamp(scene, self.held(count), True, 0))
            self._after[belief, off] = frozenset(found)
        return self._after[belief, off]

    def held(self, count: int) -> int:
        """A count as far as it matters: all beyond the table are alike, or wrap."""
        highest = self.table.codes[-1]
        if self.table.overflow == "wraps":
            return (count - 1) % highest + 1 if count else 0
        return min(count, highest + 1)

    def supplied(self, lamp: Lamp, length: int) -> set[Lamp]:
        had = min(lamp.had + length, self.long)
        settled = self.table.settled
        if lamp.count and settled is not None and had >= settled + self.margin:
            return {Lamp(scene, 0, False, had) for scene in self.chosen(lamp)}
        return {lamp._replace(had=had)}

    def lit(self, belief: Belief, on: int) -> Belief:
        if (belief, on) not in self._lit:
            self._lit[belief, on] = frozenset(after for lamp in belief for after in self.supplied(lamp, on))
        return self._lit[belief, on]


class Best(NamedTuple):
    """Least total in ticks and its breaks, or None twice; ``whole``: no node was left out for want of time."""

    total: int | None
    breaks: int | None
    whole: bool


def exhaustive(
    readers: Sequence[Reader],
    starts: Sequence[Iterable[int]],
    wanted: Sequence[int],
    cycle: int,
    max_dark: int,
    longest: int,
    most_nodes: int,
) -> Best:
    """The best train from rest (by type the scenes it may rest on) of at most ``longest`` ticks."""
    start = tuple(frozenset(map(r.rest, scenes)) for r, scenes in zip(readers, starts, strict=True))
    offs = _lengths(readers, cycle, max_dark)
    heap: list[tuple[int, int, int, tuple[Belief, ...] | None, int]] = [(0, 0, 0, start, 0)]
    known: dict[tuple[tuple[Belief, ...] | None, int], tuple[int, int]] = {(start, 0): (0, 0)}
    expanded: list[tuple[tuple[Belief, ...], int, int]] = []
    tick = 0

    def push(total: int, breaks: int, beliefs: tuple[Belief, ...] | None, least_on: int) -> None:
        nonlocal tick
        tick += 1
        if total <= longest and (total, breaks) < known.get((beliefs, least_on), (FOREVER, 0)):
            known[beliefs, least_on] = total, breaks
            heapq.heappush(heap, (total, breaks, tick, beliefs, least_on))

    while heap:
        total, breaks, _, beliefs, least = heapq.heappop(heap)
        if beliefs is None:
            return Best(total, breaks, True)
        if known[beliefs, least] < (total, breaks) or any(
            on <= least and their_breaks <= breaks and all(map(frozenset.issubset, narrower, beliefs))
            for narrower, on, their_breaks in expanded
        ):
            continue  # what serves the wider belief serves the narrower one, which was there no later
        if len(expanded) >= most_nodes:
            return Best(None, None, False)
        expanded.append((beliefs, least, breaks))
        most = max(least, *[r.long for r in readers]) if breaks else 0
        before = None
        for on in range(least, min(most, longest - total) + 1):
            lit = tuple([r.lit(b, on) for r, b in zip(readers, beliefs, strict=True)])
            if lit == before:
                continue
            before = lit
            if all((lamp[0], lamp[1]) == (w, 0) for b, w in zip(lit, wanted, strict=True) for lamp in b):
                push(total + on, breaks, None, 0)
            for off in offs:
                after = tuple([r.after(b, off) for r, b in zip(readers, lit, strict=True)])
                push(total + on + off, breaks + 1, after, max(cycle - off, readers[0].margin))
    return Best(None, None, True)


def _lengths(readers: Sequence[Reader], cycle: int, max_dark: int) -> list[int]:
    """The breaks worth trying: not those that no lamp notices, nor those that only last longer than another.

    A break longer than the flash limit asks is worth its time only where some lamp may ride through it.
    """
    found: list[int] = []
    known: list[list[set[str]]] = []
    for off in range(1, max_dark + 1):
        effects = [reader.effects(off) for reader in readers]
        if all(e == {"ignored"} for e in effects):
            continue
        if off <= cycle or effects not in known or any("ignored" in e for e in effects):
            found.append(off)
            known.append(effects)
    return found
